//! A bundle as a zip, gz or Z: found, opened, every file in it read.
#![no_main]
use lostfix::crawl::{BundleKind, BundleRef, Limits, MemberDone, open};
use std::io::Read;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let path = std::env::temp_dir().join(format!("lostfix-fuzz-{}", std::process::id()));
    std::fs::write(&path, data).expect("a temporary file");
    let kind = if data.starts_with(b"PK") { BundleKind::Zip } else { BundleKind::File };
    let bundle =
        BundleRef { path: "x".into(), source: path, kind, bytes: data.len() as u64, files: Vec::new(), not_taken: Vec::new() };
    let limits = Limits { max_member_bytes: 1 << 22, max_bundle_bytes: 1 << 24, max_members: 500, max_nested_zip_in_memory: 1 << 20, ..Limits::default() };
    let mut handed = 0_u64;
    let read = open(&bundle, &limits, &mut |member| {
        handed += std::io::copy(&mut member.reader.take(1 << 23), &mut std::io::sink()).unwrap_or(0);
        MemberDone::Read
    });
    assert!(handed <= (1 << 24) + (1 << 22), "{handed} bytes were handed out");
    assert!(read.files.len() <= 600, "{} files", read.files.len());
});
