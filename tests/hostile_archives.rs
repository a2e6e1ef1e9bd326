//! Archives and folders as strangers make them: every one is listed, none stops the run, none costs more than its limit.
//!
//! Sound zips are compared with the `zip` library, `.Z` files with what the program `compress` (ncompress 4.2.4.6) was
//! given and with the open data. Hostile ones are made by hand after PKWARE APPNOTE 6.3.10.

// Helpers of tests may fail loudly; the lint only knows the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

use lostfix::crawl::{
    BundleKind, BundleRead, BundleRef, FileRead, Inventory, Limits, MemberDone, Outcome, Why, exact_copies, find, open,
    quick_hash,
};
use std::collections::BTreeMap;
use std::fs;
use std::io::{Cursor, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

// -- helpers --

fn options(method: CompressionMethod) -> SimpleFileOptions {
    SimpleFileOptions::default().compression_method(method)
}

fn zip_of(files: &[(&str, &[u8])], method: CompressionMethod) -> Vec<u8> {
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in files {
        writer.start_file(*name, options(method)).unwrap();
        writer.write_all(content).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn deflated(files: &[(&str, &[u8])]) -> Vec<u8> {
    zip_of(files, CompressionMethod::Deflated)
}

fn stored(files: &[(&str, &[u8])]) -> Vec<u8> {
    zip_of(files, CompressionMethod::Stored)
}

fn gz(content: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    writer.write_all(content).unwrap();
    writer.finish().unwrap()
}

/// Sentences with a counter: compressible as real logs are, every line different.
fn log(lines: usize) -> Vec<u8> {
    let mut text = String::new();
    for n in 0..lines {
        text.push_str(&format!(
            "$GPZDA,{:02}{:02}{:02}.00,{},{}*00\r\n",
            n / 3600 % 24,
            n / 60 % 60,
            n % 60,
            n % 7,
            n * 7919
        ));
    }
    text.into_bytes()
}

struct Taken {
    content: BTreeMap<String, Vec<u8>>,
    order: Vec<String>,
    read: BundleRead,
}

impl Taken {
    fn file(&self, path: &str) -> &FileRead {
        self.read.files.iter().find(|f| f.path == path).unwrap_or_else(|| panic!("{path} not in {:?}", self.read.files))
    }

    fn said(&self, path: &str) -> String {
        self.file(path).problems.iter().map(|p| format!("{} ({})", p.what, p.hint)).collect::<Vec<_>>().join("; ")
    }

    fn said_of_bundle(&self) -> String {
        self.read.problems.iter().map(|p| format!("{} ({})", p.what, p.hint)).collect::<Vec<_>>().join("; ")
    }
}

fn take_with(bundle: &BundleRef, limits: &Limits) -> Taken {
    let mut content = BTreeMap::new();
    let mut order = Vec::new();
    let read = open(bundle, limits, &mut |member| {
        let mut bytes = Vec::new();
        let _ = member.reader.read_to_end(&mut bytes);
        order.push(member.path.clone());
        assert!(content.insert(member.path.clone(), bytes).is_none(), "{} handed out twice", member.path);
        MemberDone::Read
    });
    Taken { content, order, read }
}

fn take(bundle: &BundleRef) -> Taken {
    take_with(bundle, &Limits::default())
}

fn found(folder: &Path) -> Inventory {
    find(&[folder.to_path_buf()], &Limits::default())
}

/// Writes bytes to a file and finds the one bundle they are.
fn bundle_of(name: &str, bytes: &[u8]) -> (temp_dir::TempDir, BundleRef) {
    let folder = temp_dir::TempDir::new().unwrap();
    let path = folder.path().join(name);
    fs::write(&path, bytes).unwrap();
    let mut inventory = find(&[path], &Limits::default());
    assert_eq!(inventory.bundles.len(), 1, "{inventory:?}");
    let bundle = inventory.bundles.remove(0);
    (folder, bundle)
}

fn take_bytes(bytes: &[u8], limits: &Limits) -> Taken {
    let (_folder, bundle) = bundle_of("bundle.zip", bytes);
    take_with(&bundle, limits)
}

fn shared_data() -> Option<PathBuf> {
    let candidates = [
        std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from),
        Some(Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data")),
        Some(PathBuf::from("/work/shared/data")),
    ];
    let folder = candidates.into_iter().flatten().find(|path| path.is_dir());
    if folder.is_none() {
        println!("skipped: no open data (set LOSTFIX_SHARED_DATA)");
    }
    folder
}

/// Fails instead of hanging.
fn within<T: Send + 'static>(limit: Duration, what: &str, work: impl FnOnce() -> T + Send + 'static) -> T {
    let (send, receive) = std::sync::mpsc::channel();
    std::thread::spawn(move || send.send(work()));
    receive.recv_timeout(limit).unwrap_or_else(|_| panic!("{what} took longer than {limit:?}"))
}

/// One entry of a zip made by hand.
#[derive(Clone)]
struct Raw {
    name: Vec<u8>,
    flags: u16,
    method: u16,
    crc: u32,
    data: Vec<u8>,
    size: u32,
    /// Say another compressed size in the table.
    packed: Option<u32>,
    unix_mode: u32,
    /// Point to this place and write no data of its own.
    at: Option<u32>,
}

fn raw(name: &[u8], data: &[u8]) -> Raw {
    let mut crc = flate2::Crc::new();
    crc.update(data);
    Raw {
        name: name.to_vec(),
        flags: 0,
        method: 0,
        crc: crc.sum(),
        data: data.to_vec(),
        size: data.len() as u32,
        packed: None,
        unix_mode: 0,
        at: None,
    }
}

fn by_hand(entries: &[Raw]) -> Vec<u8> {
    let mut out = Vec::new();
    let mut table = Vec::new();
    for e in entries {
        let at = e.at.unwrap_or(out.len() as u32);
        let packed = e.packed.unwrap_or(e.data.len() as u32);
        let mut common = Vec::new();
        for half in [20, e.flags, e.method, 0, 0x5a21] {
            common.extend_from_slice(&u16::to_le_bytes(half));
        }
        for word in [e.crc, packed, e.size] {
            common.extend_from_slice(&word.to_le_bytes());
        }
        common.extend_from_slice(&(e.name.len() as u16).to_le_bytes());
        common.extend_from_slice(&0u16.to_le_bytes());
        if e.at.is_none() {
            out.extend_from_slice(b"PK\x03\x04");
            out.extend_from_slice(&common);
            out.extend_from_slice(&e.name);
            out.extend_from_slice(&e.data);
        }
        table.extend_from_slice(b"PK\x01\x02");
        table.extend_from_slice(&[20, 3]);
        table.extend_from_slice(&common);
        table.extend_from_slice(&[0; 6]);
        table.extend_from_slice(&(e.unix_mode << 16).to_le_bytes());
        table.extend_from_slice(&at.to_le_bytes());
        table.extend_from_slice(&e.name);
    }
    let table_at = out.len() as u32;
    out.extend_from_slice(&table);
    out.extend_from_slice(&end_record(entries.len() as u16, table.len() as u32, table_at));
    out
}

fn end_record(files: u16, size: u32, at: u32) -> Vec<u8> {
    let mut out = b"PK\x05\x06\0\0\0\0".to_vec();
    out.extend_from_slice(&files.to_le_bytes());
    out.extend_from_slice(&files.to_le_bytes());
    out.extend_from_slice(&size.to_le_bytes());
    out.extend_from_slice(&at.to_le_bytes());
    out.extend_from_slice(&[0, 0]);
    out
}

fn deflate_raw(content: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::default());
    writer.write_all(content).unwrap();
    writer.finish().unwrap()
}

// -- sound archives --

/// Guards: our table of contents and our inflating give what the library gives, on zips of both methods and on the zips
/// of the open data.
#[test]
fn sound_zips_agree_with_the_library() {
    let big = log(40_000);
    let mut zips = vec![
        deflated(&[("a/b.nmea", &big), ("a/empty", b""), ("z.bin", &[0, 255, 7])]),
        stored(&[("a/b.nmea", &big), ("x", b"x")]),
    ];
    // Bytes before the zip, as in self-extracting files, and a comment behind it.
    let mut streamed = ZipWriter::new_stream(Vec::new());
    streamed.start_file("streamed.nmea", options(CompressionMethod::Deflated)).unwrap();
    streamed.write_all(&big).unwrap();
    zips.push(streamed.finish().unwrap().into_inner());
    if let Some(data) = shared_data() {
        let before = zips.len();
        for entry in walkdir::WalkDir::new(data).into_iter().flatten() {
            if entry.path().extension().is_some_and(|e| e == "zip") {
                zips.push(fs::read(entry.path()).unwrap());
            }
        }
        println!("{} zips of the open data", zips.len() - before);
    }
    for bytes in zips {
        let taken = take_bytes(&bytes, &Limits::default());
        assert_eq!(taken.read.failed, None);
        let mut library = ZipArchive::new(Cursor::new(&bytes)).unwrap();
        let mut expected = BTreeMap::new();
        for n in 0..library.len() {
            let mut file = library.by_index(n).unwrap();
            if file.is_file() {
                let mut content = Vec::new();
                file.read_to_end(&mut content).unwrap();
                expected.insert(file.name().unwrap().to_string(), content);
            }
        }
        assert_eq!(taken.content.keys().collect::<Vec<_>>(), expected.keys().collect::<Vec<_>>());
        assert!(taken.content == expected, "content differs");
        assert!(taken.read.files.iter().all(|f| f.outcome == Outcome::Read && f.problems.is_empty()));
    }
}

/// Guards: a zip, the folder it was made of, the same zip with a top folder, and other compression of a log are one bundle;
/// one changed byte is another.
#[test]
fn a_zip_and_its_folder_are_the_same_bundle() {
    let big = log(5_000);
    let hash = |bytes: &[u8]| take_bytes(bytes, &Limits::default()).read.content_hash.unwrap();
    let plain = hash(&deflated(&[("unit.toml", b"[unit]\n"), ("logs/a.nmea", &big), ("b.gz", &gz(b"same"))]));
    let other_way = hash(&stored(&[("b.gz", &gz(b"same")), ("logs/a.nmea", &big), ("unit.toml", b"[unit]\n")]));
    let with_top =
        hash(&deflated(&[("EX-14/unit.toml", b"[unit]\n"), ("EX-14/logs/a.nmea", &big), ("EX-14/b.gz", &gz(b"same"))]));
    let mut changed = big.clone();
    changed[70_000] ^= 1;
    let different = hash(&deflated(&[("unit.toml", b"[unit]\n"), ("logs/a.nmea", &changed), ("b.gz", &gz(b"same"))]));
    let folder = temp_dir::TempDir::new().unwrap();
    fs::create_dir(folder.path().join("logs")).unwrap();
    fs::write(folder.path().join("unit.toml"), b"[unit]\n").unwrap();
    fs::write(folder.path().join("logs/a.nmea"), &big).unwrap();
    fs::write(folder.path().join("b.gz"), gz(b"same")).unwrap();
    let inventory = found(folder.path());
    assert_eq!(inventory.bundles.len(), 1);
    let unpacked = take(&inventory.bundles[0]).read.content_hash.unwrap();
    assert_eq!(plain, other_way);
    assert_eq!(plain, with_top);
    assert_eq!(plain, unpacked);
    assert_ne!(plain, different);
    assert_eq!(plain.hex().len(), 64);
}

/// Guards: exact copies are found without decoding, and only among files of one size.
#[test]
fn exact_copies_are_found_by_their_bytes() {
    let folder = temp_dir::TempDir::new().unwrap();
    let bytes = deflated(&[("a.nmea", &log(100))]);
    fs::write(folder.path().join("a.zip"), &bytes).unwrap();
    fs::write(folder.path().join("copy of a.zip"), &bytes).unwrap();
    fs::write(folder.path().join("z.zip"), deflated(&[("a.nmea", &log(101))])).unwrap();
    let inventory = found(folder.path());
    let copies = exact_copies(&inventory.bundles);
    assert_eq!(copies, BTreeMap::from([(1, 0)]));
    assert_eq!(quick_hash(&inventory.bundles[0]).unwrap(), quick_hash(&inventory.bundles[1]).unwrap());
    assert_ne!(quick_hash(&inventory.bundles[0]).unwrap(), quick_hash(&inventory.bundles[2]).unwrap());
}

/// Guards: the card first, the least deep one; the rest sorted; without a card, inner zips before other files.
#[test]
fn the_card_comes_first() {
    let taken = take_bytes(
        &deflated(&[("a", b"1"), ("z/unit.toml", b"2"), ("Unit.TOML", b"3"), ("b", b"4")]),
        &Limits::default(),
    );
    assert_eq!(taken.order, ["Unit.TOML", "a", "b", "z/unit.toml"]);
    let inner = deflated(&[("a", b"1"), ("unit.toml", b"2")]);
    let taken = take_bytes(&deflated(&[("a", b"1"), ("x.zip", &inner)]), &Limits::default());
    assert_eq!(taken.order, ["x.zip!/unit.toml", "x.zip!/a", "a"]);
}

/// Guards: the time of a zip entry, and `None` for the DOS zero and for times that do not exist.
#[test]
fn member_times() {
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    let time = zip::DateTime::from_date_and_time(2026, 5, 4, 6, 30, 10).unwrap();
    writer.start_file("dated", options(CompressionMethod::Stored).last_modified_time(time)).unwrap();
    writer.start_file("zero", options(CompressionMethod::Stored).last_modified_time(zip::DateTime::DEFAULT)).unwrap();
    let mut bytes = writer.finish().unwrap().into_inner();
    let mut times = BTreeMap::new();
    let (_folder, bundle) = bundle_of("b.zip", &bytes);
    open(&bundle, &Limits::default(), &mut |m| {
        times.insert(m.path, m.member_time);
        MemberDone::Read
    });
    assert_eq!(times["dated"], lostfix::model::time::parse_utc("2026-05-04T06:30:10Z"));
    assert_eq!(times["zero"], None);
    // Month 15, day 31, hour 31.
    let table = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    bytes[table + 12..table + 16].fill(0xff);
    let (_folder, bundle) = bundle_of("b.zip", &bytes);
    let mut first = Some(0);
    open(&bundle, &Limits::default(), &mut |m| {
        if m.path == "dated" {
            first = m.member_time;
        }
        MemberDone::Read
    });
    assert_eq!(first, None);
}

// -- .gz and .Z --

fn counter_text(lines: usize) -> Vec<u8> {
    (0..lines).map(|i| format!("{i} {}\n", i * 7919 % 1000)).collect::<String>().into_bytes()
}

fn bit_text(items: usize) -> Vec<u8> {
    (0..items).map(|i| format!("<{:06b}>", i * 31 % 64)).collect::<String>().into_bytes()
}

/// Guards: `.Z` of 16 bits, and of 10 bits with a clear code. The files were made by `compress -b 16` and `-b 10`
/// (ncompress 4.2.4.6) from the text of the two functions above; `gzip -dc` gives the same back.
#[test]
fn z_files_of_the_compress_program() {
    let clear = [counter_text(1300), bit_text(1600), counter_text(700)].concat();
    for (packed, expected) in [
        (&include_bytes!("cases/crawl/text_b16.Z")[..], counter_text(900)),
        (&include_bytes!("cases/crawl/clear_b10.Z")[..], clear),
    ] {
        let taken = take_bytes(&deflated(&[("log.bin", packed)]), &Limits::default());
        assert_eq!(taken.file("log.bin").compressed, "Z");
        assert_eq!(taken.file("log.bin").problems, []);
        assert!(taken.content["log.bin"] == expected);
        // Any cut and any flipped byte ends in bytes and at most a problem, never in a panic, and before the cut nothing
        // changes.
        for cut in (0..packed.len()).step_by(97) {
            let taken = take_bytes(&stored(&[("log.bin", &packed[..cut])]), &Limits::default());
            if cut > 3 {
                assert!(expected.starts_with(&taken.content["log.bin"]), "cut at {cut}");
            }
        }
        for at in (3..packed.len()).step_by(53) {
            let mut flipped = packed.to_vec();
            flipped[at] ^= 0x55;
            take_bytes(&stored(&[("log.bin", &flipped)]), &Limits::default());
        }
    }
}

/// Guards: the `.Z` and `.gz` files of the open data have the size and line count that the reference gives, and the same
/// text in every container is the same.
#[test]
fn open_data_unpacks_as_the_reference_says() {
    let Some(data) = shared_data() else { return };
    let mut compared = 0;
    for entry in walkdir::WalkDir::new(&data).sort_by_file_name().into_iter().flatten() {
        let path = entry.path();
        if !path.extension().is_some_and(|e| e == "Z" || e == "gz") {
            continue;
        }
        let inventory = find(&[path.to_path_buf()], &Limits::default());
        let taken = take(&inventory.bundles[0]);
        let file = &taken.read.files[0];
        assert_eq!(file.problems, [], "{path:?}");
        assert_eq!(file.compressed, path.extension().unwrap().to_str().unwrap(), "{path:?}");
        let relative = path.strip_prefix(&data).unwrap();
        let reference = data.join("reference").join(format!("{}.json", relative.display()));
        let Ok(text) = fs::read_to_string(&reference) else { continue };
        let reference: serde_json::Value = serde_json::from_str(&text).unwrap();
        // Of Compact RINEX the reference counts the restored text, which is not this room's.
        if relative.to_string_lossy().contains(".crx") {
            continue;
        }
        let content = &taken.content[&file.path];
        if let Some(bytes) = reference["decompressed_bytes"].as_u64() {
            assert_eq!(content.len() as u64, bytes, "{path:?}");
            compared += 1;
        }
        if let Some(lines) = reference["lines"].as_u64() {
            let last = usize::from(content.last().is_some_and(|b| *b != b'\n'));
            assert_eq!((content.iter().filter(|b| **b == b'\n').count() + last) as u64, lines, "{path:?}");
        }
    }
    println!("{compared} files compared by size");
    assert!(compared > 0, "the reference has sizes for none of the files");
    for sample in ["sample.rnx", "sample.crx"] {
        let folder = data.join("rinex/hatanaka");
        // The packed copies have CR LF where the plain file has LF; `gzip -dc` gives the same.
        let lf = |content: &[u8]| String::from_utf8_lossy(content).replace("\r\n", "\n");
        let plain = lf(&fs::read(folder.join(sample)).unwrap());
        for packed in [".Z", ".gz", ".zip"] {
            let path = folder.join(format!("{sample}{packed}"));
            let taken = take(&find(std::slice::from_ref(&path), &Limits::default()).bundles[0]);
            assert!(taken.content.values().all(|content| lf(content) == plain), "{path:?}");
            assert_eq!(taken.content.len(), 1);
        }
    }
}

/// Guards: gzip of several members, with zero padding; cut, damaged and followed by junk. The bytes before the damage are
/// delivered, and the place is named.
#[test]
fn gzip_members_and_damage() {
    let text = log(3_000);
    let (first, second) = text.split_at(60_000);
    let double = [gz(first), gz(second), vec![0; 512]].concat();
    let taken = take_bytes(&deflated(&[("log.nmea", &double)]), &Limits::default());
    assert!(taken.content["log.nmea"] == text);
    assert_eq!((taken.file("log.nmea").compressed, taken.said("log.nmea").as_str()), ("gz", ""));

    let whole = gz(&text);
    let cut = take_bytes(&stored(&[("log.gz", &whole[..whole.len() / 2])]), &Limits::default());
    let delivered = cut.content["log.gz"].len();
    assert!(delivered > text.len() / 4 && text.starts_with(&cut.content["log.gz"]));
    assert_eq!(cut.file("log.gz").outcome, Outcome::Read);
    assert!(cut.said("log.gz").contains(&format!("unreadable from byte {delivered}:")), "{}", cut.said("log.gz"));

    let mut wrong_sum = whole.clone();
    let at = wrong_sum.len() - 7;
    wrong_sum[at] ^= 1;
    let taken = take_bytes(&stored(&[("log.gz", &wrong_sum)]), &Limits::default());
    assert!(taken.content["log.gz"] == text && taken.said("log.gz").contains("checksum"));

    let junk = [whole, b"junk".to_vec()].concat();
    let taken = take_bytes(&stored(&[("log.gz", &junk)]), &Limits::default());
    assert!(taken.content["log.gz"] == text && taken.said("log.gz").contains("no gzip"));
}

/// Guards: packings that are not opened are foreign and say what to do.
#[test]
fn other_packings_are_foreign_with_a_hint() {
    let mut tar = vec![b'a'; 600];
    tar[257..262].copy_from_slice(b"ustar");
    let files: [(&str, &[u8]); 5] = [
        ("a.bz2", b"BZh91AY&SYxxxxxxxx"),
        ("b.7z", b"7z\xbc\xaf\x27\x1c\0\x04"),
        ("c.rar", b"Rar!\x1a\x07\x01\0"),
        ("d.tar", &tar),
        ("e.tgz", &gz(&tar)),
    ];
    let taken = take_bytes(&deflated(&files), &Limits::default());
    assert!(taken.content.is_empty());
    for (name, _) in files {
        assert_eq!(taken.file(name).outcome, Outcome::NotOpen);
        assert!(taken.said(name).contains("unpack it"), "{}", taken.said(name));
    }
}

// -- damage --

/// Guards: a zip cut anywhere. No panic, every delivered file is a beginning of the true one, the bundle says what is
/// wrong and what to do, and whole files before the cut are saved.
#[test]
fn a_cut_zip_gives_what_is_left() {
    let (a, b) = (log(2_000), log(3_000));
    let whole = deflated(&[("a.nmea", &a), ("b.nmea", &b)]);
    let mut streamed = ZipWriter::new_stream(Vec::new());
    for (name, content) in [("a.nmea", &a), ("b.nmea", &b)] {
        streamed.start_file(name, options(CompressionMethod::Deflated)).unwrap();
        streamed.write_all(content).unwrap();
    }
    for whole in [whole, streamed.finish().unwrap().into_inner()] {
        for cut in (0..whole.len()).step_by(whole.len() / 150) {
            let taken = take_bytes(&whole[..cut], &Limits::default());
            for (path, content) in &taken.content {
                let truth = if path == "a.nmea" { &a } else { &b };
                assert!(cut == 0 || truth.starts_with(content) || cut < 4, "{path} cut at {cut}");
            }
            assert!(
                taken.read.failed == Some(Outcome::Unreadable) || taken.read.salvaged || cut < 4,
                "cut at {cut}: {:?}",
                taken.read
            );
            if cut >= 4 {
                assert!(taken.said_of_bundle().contains("copy it again"), "{}", taken.said_of_bundle());
            }
        }
        let taken = take_bytes(&whole[..whole.len() * 9 / 10], &Limits::default());
        assert!(taken.content["a.nmea"] == a && taken.content["b.nmea"].len() > b.len() / 2);
        assert!(taken.said("b.nmea").contains("in the middle"), "{}", taken.said("b.nmea"));
    }
}

/// Guards: flipped bytes anywhere in a zip with an inner zip and gzip never panic and end.
#[test]
fn flipped_bytes_never_panic() {
    let inner = deflated(&[("i.nmea", &log(50)), ("unit.toml", b"x")]);
    let whole = deflated(&[("a.nmea", &log(200)), ("b.gz", &gz(&log(60))), ("in.zip", &inner)]);
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    let mut listed = 0;
    for _ in 0..1_000 {
        let mut bytes = whole.clone();
        for _ in 0..1 + next() % 4 {
            let at = next() as usize % bytes.len();
            bytes[at] = next() as u8;
        }
        let taken = take_bytes(&bytes, &Limits::default());
        listed += taken.read.files.len() + taken.read.problems.len();
        assert!(!taken.read.files.is_empty() || taken.read.failed.is_some());
    }
    assert!(listed > 1_000);
}

/// Guards: a wrong checksum, a damaged middle, sizes that lie. All bytes there are come out, then the problem with its
/// place.
#[test]
fn damage_inside_a_file_is_placed() {
    let text = log(4_000);
    let packed = deflate_raw(&text);
    let mut entry = raw(b"log", &packed);
    entry.method = 8;
    entry.size = text.len() as u32;
    let mut crc = flate2::Crc::new();
    crc.update(&text);
    entry.crc = crc.sum();
    let read = |entry: Raw| take_bytes(&by_hand(&[entry]), &Limits::default());

    assert_eq!(read(entry.clone()).said("log"), "");

    let mut wrong = entry.clone();
    wrong.crc ^= 1;
    let taken = read(wrong);
    assert!(taken.content["log"] == text);
    assert!(taken.said("log").starts_with(&format!("unreadable from byte {}: the checksum", text.len())));
    assert_eq!(taken.file("log").outcome, Outcome::Read);

    let mut lies = entry.clone();
    lies.size = 10;
    let taken = read(lies);
    assert!(taken.content["log"] == text && taken.said("log").contains("says the file has 10 bytes"));

    let mut damaged = entry.clone();
    let middle = damaged.data.len() / 2;
    damaged.data[middle..middle + 64].fill(0xff);
    let taken = read(damaged);
    let got = &taken.content["log"];
    let same = got.iter().zip(&text).take_while(|(a, b)| a == b).count();
    assert!(same > text.len() / 3, "only {same} of {} bytes before the damage", text.len());
    assert!(taken.said("log").contains(&format!("unreadable from byte {}", got.len())), "{}", taken.said("log"));

    let mut long = entry.clone();
    long.packed = Some(entry.data.len() as u32 + 1);
    let taken = read(long);
    assert!(taken.content["log"] == text && taken.said("log").contains("not used"));
}

/// Guards: what is no zip, is empty, or is one part of a split zip says what it is.
#[test]
fn what_is_no_zip_says_so() {
    let folder = temp_dir::TempDir::new().unwrap();
    let mut split = deflated(&[("a", b"1")]);
    let end = split.len() - 22;
    split[end + 4] = 2;
    split[end + 6] = 1;
    fs::write(folder.path().join("empty.zip"), b"").unwrap();
    fs::write(folder.path().join("none.zip"), end_record(0, 0, 0)).unwrap();
    fs::write(folder.path().join("only a head.zip"), b"PK\x03\x04").unwrap();
    fs::write(folder.path().join("split.zip"), &split).unwrap();
    let inventory = found(folder.path());
    let taken: BTreeMap<_, _> = inventory.bundles.iter().map(|b| (b.path.clone(), take(b))).collect();
    assert_eq!(taken.len(), 4);
    assert!(taken["empty.zip"].said_of_bundle().contains("copy it again"));
    assert_eq!(taken["none.zip"].read.failed, None);
    assert!(taken["only a head.zip"].said_of_bundle().contains("ends in the middle"));
    assert!(taken["split.zip"].said_of_bundle().contains("join the parts"));
}

// -- bombs --

/// Guards: a plain bomb (zeros, 1,000 to 1) stops at its limit, says so, and the next file is still judged by itself.
#[test]
fn a_plain_bomb_stops_at_the_ratio() {
    let limits = Limits { ratio_free_bytes: 1 << 20, ..Limits::default() };
    let bomb = deflated(&[("a.nmea", &vec![0; 64 << 20]), ("b.nmea", &log(2_000))]);
    assert!(bomb.len() < 200_000);
    let taken = take_bytes(&bomb, &limits);
    assert_eq!(taken.file("a.nmea").outcome, Outcome::Refused);
    assert!(taken.said("a.nmea").contains("400 times"), "{}", taken.said("a.nmea"));
    let bytes = taken.file("a.nmea").bytes;
    // 400 times the packed size of about 65 KB, and at most one more block.
    assert!(bytes < 28 << 20, "{bytes} bytes were handed out");
    // The default lets the first 256 MiB of anything pass: constant text of a standing receiver is no bomb.
    let taken =
        take_bytes(&deflated(&[("a.nmea", &b"$GPGGA,,,,,,0,,,,,,,,*66\r\n".repeat(400_000))]), &Limits::default());
    assert_eq!(taken.said("a.nmea"), "");
}

/// Guards: limits on one file, on the declared size, on the bundle and on the number of files.
#[test]
fn sizes_and_numbers_are_limited() {
    let (a, b) = (log(1_000), log(1_001));
    let zip = deflated(&[("a", &a), ("b", &b), ("c", &a), ("d", &b)]);
    let limits = Limits { max_member_bytes: a.len() as u64, ..Limits::default() };
    let taken = take_bytes(&zip, &limits);
    // Exactly at the limit is allowed.
    assert_eq!((taken.file("a").outcome, taken.file("b").outcome), (Outcome::Read, Outcome::Refused));
    assert!(taken.said("b").contains("are allowed"));
    // A size that lies does not help.
    let mut entry = raw(b"b", &b);
    entry.size = 5;
    let taken = take_bytes(&by_hand(&[entry]), &limits);
    assert_eq!((taken.file("b").outcome, taken.file("b").bytes), (Outcome::Refused, a.len() as u64));
    let taken = take_bytes(&zip, &Limits { max_bundle_bytes: a.len() as u64 + 10, ..Limits::default() });
    let outcomes: Vec<_> = taken.read.files.iter().map(|f| f.outcome).collect();
    assert_eq!(outcomes, [Outcome::Read, Outcome::Refused, Outcome::Refused, Outcome::Refused]);
    let taken = take_bytes(&zip, &Limits { max_members: 3, ..Limits::default() });
    assert_eq!(taken.read.failed, Some(Outcome::Refused));
}

/// Guards: entries that share their bytes (the overlap bomb): one is read, the others are refused.
#[test]
fn overlapping_entries_are_refused() {
    let text = log(1_000);
    let mut entries = vec![raw(b"first", &text)];
    for n in 0..500 {
        let mut copy = raw(format!("copy{n:03}").as_bytes(), &text);
        // The same header, and places inside its data.
        copy.at = Some(if n == 0 { 0 } else { 40 + n });
        entries.push(copy);
    }
    let taken = take_bytes(&by_hand(&entries), &Limits::default());
    assert_eq!(taken.read.files.len(), 501);
    assert_eq!(taken.read.files.iter().filter(|f| f.outcome == Outcome::Refused).count(), 500);
    assert_eq!(taken.read.bytes, text.len() as u64);
    assert!(taken.said("copy400").contains("overlap"));
}

/// Guards: zips in zips to depth 3 are read, deeper ones refused, and a zip that grows with every level is bounded.
#[test]
fn nesting_is_limited() {
    for method in [CompressionMethod::Stored, CompressionMethod::Deflated] {
        let mut zip = deflated(&[("log.nmea", b"deep")]);
        for depth in 1..=5 {
            zip = zip_of(&[(&format!("d{depth}.zip"), &zip)], method);
            let taken = take_bytes(&zip, &Limits::default());
            if depth <= 3 {
                assert_eq!(taken.content.values().collect::<Vec<_>>(), [b"deep"], "depth {depth}");
            } else {
                assert!(taken.content.is_empty());
                assert_eq!(taken.read.files.iter().map(|f| f.outcome).collect::<Vec<_>>(), [Outcome::Refused]);
            }
        }
    }
    let taken = take_bytes(&deflated(&[("a.gz", &gz(&gz(b"twice")))]), &Limits::default());
    assert_eq!(taken.content["a.gz"], b"twice");
    let taken = take_bytes(&deflated(&[("a.gz", &gz(&gz(&gz(&gz(b"4 times")))))]), &Limits::default());
    assert_eq!(taken.file("a.gz").outcome, Outcome::Refused);
}

/// Guards: an inner zip that does not fit in memory is refused; stored without compression it is read in place.
#[test]
fn inner_zips_in_memory_are_limited() {
    let limits = Limits { max_nested_zip_in_memory: 10_000, ..Limits::default() };
    let text: Vec<u8> = log(40_000);
    let inner = stored(&[("log.nmea", &text)]);
    let taken = take_bytes(&deflated(&[("in.zip", &inner)]), &limits);
    assert_eq!(taken.file("in.zip").outcome, Outcome::Refused);
    assert!(taken.said("in.zip").contains("memory") && taken.said("in.zip").contains("unpack the outer zip"));
    let taken = take_bytes(&stored(&[("in.zip", &inner)]), &limits);
    assert!(taken.content["in.zip!/log.nmea"] == text);
}

/// Guards: a million empty files are refused in short time, also when the end record says there are few.
#[test]
fn a_million_empty_files_are_refused() {
    for honest in [true, false] {
        let count: u64 = if honest { 1_000_000 } else { 250_000 };
        let mut bytes = by_hand(&[raw(b"0", b"")]);
        let table_at = bytes.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
        bytes.truncate(table_at);
        let empty = by_hand(&[raw(b"0", b"")]);
        let record = empty[table_at..table_at + 47].to_vec();
        for n in 0..count {
            let at = bytes.len();
            bytes.extend_from_slice(&record[..28]);
            bytes.extend_from_slice(&8u16.to_le_bytes());
            bytes.extend_from_slice(&record[30..46]);
            bytes.extend_from_slice(format!("{n:08}").as_bytes());
            assert_eq!(bytes.len() - at, 54);
        }
        let size = bytes.len() as u64 - table_at as u64;
        if honest {
            let at = bytes.len() as u64;
            bytes.extend_from_slice(b"PK\x06\x06");
            bytes.extend_from_slice(&44u64.to_le_bytes());
            bytes.extend_from_slice(&[45, 0, 45, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
            for value in [count, count, size, table_at as u64] {
                bytes.extend_from_slice(&value.to_le_bytes());
            }
            bytes.extend_from_slice(b"PK\x06\x07\0\0\0\0");
            bytes.extend_from_slice(&at.to_le_bytes());
            bytes.extend_from_slice(&1u32.to_le_bytes());
            bytes.extend_from_slice(&end_record(0xffff, 0xffff_ffff, 0xffff_ffff));
        } else {
            bytes.extend_from_slice(&end_record(7, size as u32, table_at as u32));
        }
        let start = Instant::now();
        let taken = take_bytes(&bytes, &Limits::default());
        println!("{count} empty files: {:?}", start.elapsed());
        assert_eq!(taken.read.failed, Some(Outcome::Refused));
        let allowed = format!("{} are allowed", Limits::default().max_members);
        assert!(taken.said_of_bundle().contains(&allowed), "{}", taken.said_of_bundle());
        assert!(start.elapsed() < Duration::from_secs(20));
    }
}

// -- odd entries --

/// Guards: encrypted files, methods that are not read, links and devices in a zip are listed, each with what to do.
#[test]
fn entries_that_cannot_be_read_are_listed() {
    let mut encrypted = raw(b"encrypted", b"xx");
    encrypted.flags = 1;
    let mut lzma = raw(b"lzma", b"xx");
    lzma.method = 14;
    let mut link = raw(b"link", b"/etc/passwd");
    link.unix_mode = 0o120_777;
    let mut device = raw(b"device", b"");
    device.unix_mode = 0o060_666;
    let taken = take_bytes(&by_hand(&[encrypted, lzma, link, device, raw(b"good", b"1")]), &Limits::default());
    assert_eq!(taken.order, ["good"]);
    assert!(taken.said("encrypted").contains("without a password"));
    assert!(taken.said("lzma").contains("LZMA") && taken.said("lzma").contains("deflate"));
    assert!(taken.said("link").contains("not followed"));
    assert_eq!(taken.file("device").outcome, Outcome::Refused);
    // The library's writer with its old encryption, as an outside example.
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    use zip::unstable::write::FileOptionsExt;
    let locked = options(CompressionMethod::Deflated).with_deprecated_encryption(b"secret").unwrap();
    writer.start_file("locked", locked).unwrap();
    writer.write_all(b"hidden").unwrap();
    let taken = take_bytes(&writer.finish().unwrap().into_inner(), &Limits::default());
    assert_eq!(taken.file("locked").outcome, Outcome::Unreadable);
    assert!(taken.said("locked").contains("encrypted"));
}

/// Guards: names that lead out, are absolute, hold control or direction characters or invalid UTF-8, are double or very
/// long. All are read, shown safely, and told apart.
#[test]
fn hostile_names_are_shown_safely() {
    let mut bad_utf8 = raw(b"bad\xff\xfe.nmea", b"5");
    bad_utf8.flags = 0x800;
    let entries = [
        raw(b"../../etc/passwd", b"1"),
        raw(b"/abs/olute", b"2"),
        raw(b"C:\\logs\\a.nmea", b"3"),
        raw("x\u{1b}[31m\u{202e}\r\n.nmea".as_bytes(), b"4"),
        bad_utf8,
        raw(b"old\x81.nmea", b"6"),
        raw(b"twice", b"earlier"),
        raw(b"twice", b"later"),
        raw(&[b'n'; 60_000], b"8"),
        raw(b"", b"9"),
        raw(b"CON", b"10"),
        raw(b"nul\0byte", b"11"),
    ];
    let taken = take_bytes(&by_hand(&entries), &Limits::default());
    let shown: Vec<_> = taken.read.files.iter().map(|f| f.path.as_str()).collect();
    println!("{shown:?}");
    for path in &shown {
        assert!(!path.starts_with('/') && !path.split('/').any(|part| part == ".."), "{path}");
        assert!(!path.chars().any(|c| c.is_control() || c == '\u{202e}'), "{path:?}");
        assert!(path.len() < 2_000);
    }
    assert_eq!(taken.content["(up)/(up)/etc/passwd"], b"1");
    assert!(taken.said("(up)/(up)/etc/passwd").contains("leads out"));
    assert_eq!(taken.content["abs/olute"], b"2");
    assert_eq!(taken.content["logs/a.nmea"], b"3");
    assert_eq!(taken.content["x\\u{1b}[31m\\u{202e}\\u{d}\\u{a}.nmea"], b"4");
    assert_eq!(taken.content["bad\\xff\\xfe.nmea"], b"5");
    // Code page 437, 0x81 (APPNOTE appendix D).
    assert_eq!(taken.content["oldü.nmea"], b"6");
    let twice: Vec<_> = taken.read.files.iter().filter(|f| f.path.starts_with("twice")).collect();
    assert_eq!(twice.len(), 2);
    assert_eq!(
        taken.content.iter().filter(|(p, _)| p.starts_with("twice")).map(|(_, c)| c.as_slice()).next(),
        Some(&b"later"[..])
    );
    assert_eq!(twice.iter().filter(|f| f.outcome == Outcome::Refused).count(), 1);
    assert_eq!(taken.content["(no name)"], b"9");
    assert_eq!(taken.content["nul\\u{0}byte"], b"11");
    assert_eq!(shown.len(), entries.len());
}

// -- folders --

/// Guards: what a folder tree is cut into; zips by their first bytes and not their names; side files only directly in
/// FOLDER.
#[test]
fn folders_are_cut_into_bundles() {
    let folder = temp_dir::TempDir::new().unwrap();
    let root = folder.path().join("fleet");
    let write = |path: &str, bytes: &[u8]| {
        let path = root.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    };
    let zip = deflated(&[("a.nmea", b"1")]);
    write("fleet.toml", b"");
    write("Complaints.CSV", b"");
    write("jplg0010.17i.gz", b"");
    write("loose.nmea", b"x");
    write("ex-14.zip", &zip);
    write("renamed.dat", &zip);
    write("text.zip", b"$GPGGA");
    write("card/unit.toml", b"");
    write("card/deep/er/a.nmea", b"x");
    write("card/inner.zip", &zip);
    write("card/fleet.toml", b"a stranger's");
    write("plain/x/a.nmea", b"x");
    write("plain/x/fleet.toml", b"not directly in FOLDER");
    write("plain/x/b.zip", &zip);
    write("plain/y/a.nmea", b"x");
    write("plain/y/.DS_Store", b"x");
    let inventory = found(&root);
    let shown: Vec<_> = inventory.bundles.iter().map(|b| (b.path.as_str(), b.kind)).collect();
    assert_eq!(
        shown,
        [
            ("card", BundleKind::Folder),
            ("ex-14.zip", BundleKind::Zip),
            ("fleet", BundleKind::Folder),
            ("plain/x", BundleKind::Folder),
            ("plain/x/b.zip", BundleKind::Zip),
            ("plain/y", BundleKind::Folder),
            ("renamed.dat", BundleKind::Zip),
        ]
    );
    let side: Vec<_> = inventory.side_files.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(side, ["complaints.csv", "fleet.toml", "jplg0010.17i.gz"]);
    assert_eq!(inventory.bundles[2].files, [PathBuf::from("loose.nmea"), PathBuf::from("text.zip")]);
    assert_eq!(inventory.not_taken.iter().map(|n| n.why).collect::<Vec<_>>(), [Why::Nothing]);
    let card = take(&inventory.bundles[0]);
    assert_eq!(card.order, ["unit.toml", "deep/er/a.nmea", "fleet.toml", "inner.zip!/a.nmea"]);
    // A FOLDER that is itself a bundle: all in it is that bundle's.
    let one = found(&root.join("card"));
    assert_eq!((one.bundles.len(), one.bundles[0].path.as_str(), one.side_files.len()), (1, "card", 0));
}

/// Guards: neither the order of folders nor naming one twice, or a part of one, changes anything; equal names stay apart.
#[test]
fn the_order_of_folders_changes_nothing() {
    let folder = temp_dir::TempDir::new().unwrap();
    for name in ["a/logs", "b/logs", "c"] {
        fs::create_dir_all(folder.path().join(name)).unwrap();
        fs::write(folder.path().join(name).join("x.zip"), deflated(&[("a", name.as_bytes())])).unwrap();
    }
    let [a, b, c] = ["a/logs", "b/logs", "c"].map(|name| folder.path().join(name));
    let shown = |folders: &[PathBuf]| -> Vec<String> {
        find(folders, &Limits::default()).bundles.iter().map(|b| b.path.clone()).collect()
    };
    let expected = ["a/logs/x.zip", "b/logs/x.zip", "c/x.zip"];
    assert_eq!(shown(&[a.clone(), b.clone(), c.clone()]), expected);
    assert_eq!(shown(&[c.clone(), b.clone(), a.clone(), c.join("../c"), b.join("x.zip")]), expected);
    assert_eq!(shown(std::slice::from_ref(&c)), ["x.zip"]);
    let missing = find(&[c, folder.path().join("no such")], &Limits::default());
    assert_eq!((missing.bundles.len(), missing.not_taken.len(), missing.not_taken[0].why), (1, 1, Why::Unreadable));
}

/// Guards: FIFOs, sockets, link loops and links out are listed, nothing waits, and what a link inside points to is read
/// once.
#[cfg(unix)]
#[test]
fn special_files_and_links_are_listed_and_not_opened() {
    use std::os::unix::fs::symlink;
    let folder = temp_dir::TempDir::new().unwrap();
    let outside = folder.path().join("outside.nmea");
    fs::write(&outside, b"secret").unwrap();
    for bundle in ["fleet/plain", "fleet/card"] {
        let dir = folder.path().join(bundle);
        fs::create_dir_all(&dir).unwrap();
        fs::write(dir.join("a.nmea"), b"1").unwrap();
        symlink(&outside, dir.join("out")).unwrap();
        symlink(dir.join("a.nmea"), dir.join("in")).unwrap();
        symlink("loop2", dir.join("loop1")).unwrap();
        symlink("loop1", dir.join("loop2")).unwrap();
        symlink(&dir, dir.join("self")).unwrap();
        symlink("/dev/zero", dir.join("device")).unwrap();
        let made = std::process::Command::new("mkfifo").arg(dir.join("fifo.zip")).status();
        assert!(made.unwrap().success());
        std::mem::forget(std::os::unix::net::UnixListener::bind(dir.join("socket")).unwrap());
    }
    fs::write(folder.path().join("fleet/card/unit.toml"), b"").unwrap();
    let root = folder.path().join("fleet");
    let inventory = within(Duration::from_secs(20), "finding", move || found(&root));
    assert_eq!(inventory.bundles.iter().map(|b| b.path.as_str()).collect::<Vec<_>>(), ["card", "plain"]);
    for (shown, notes) in [("plain/", &inventory.not_taken), ("", &inventory.bundles[0].not_taken)] {
        let why: BTreeMap<_, _> =
            notes.iter().map(|n| (n.path.strip_prefix(shown).unwrap(), (n.why, n.problem.what.as_str()))).collect();
        assert_eq!(why.len(), 8, "{why:?}");
        assert!(why["fifo.zip"].1.contains("FIFO") && why["socket"].1.contains("socket"));
        assert!(why["out"].1.contains("out of the given folder") && why["device"].1.contains("out of"));
        assert!(why["loop1"].1.contains("nowhere"));
        assert_eq!((why["in"].0, why["self"].0), (Why::Nothing, Why::Nothing));
    }
    let taken: Vec<_> = inventory.bundles.iter().map(take).collect();
    assert_eq!(taken[0].order, ["unit.toml", "a.nmea"]);
    assert_eq!(taken[1].order, ["a.nmea"]);
    assert_eq!(taken[0].file("out").outcome, Outcome::Refused);
}

/// Guards: a file exchanged for a FIFO after it was listed is not waited for.
#[cfg(unix)]
#[test]
fn a_file_that_becomes_a_fifo_is_not_waited_for() {
    let folder = temp_dir::TempDir::new().unwrap();
    fs::write(folder.path().join("a.nmea"), b"1").unwrap();
    let inventory = found(folder.path());
    fs::remove_file(folder.path().join("a.nmea")).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(folder.path().join("a.nmea")).status().unwrap().success());
    let bundle = inventory.bundles[0].clone();
    let taken = within(Duration::from_secs(20), "opening", move || take(&bundle));
    assert_eq!(taken.file("a.nmea").outcome, Outcome::Unreadable);
}

/// Guards: unreadable folders and files are listed, the rest is read.
#[cfg(unix)]
#[test]
fn unreadable_folders_are_listed() {
    use std::os::unix::fs::PermissionsExt;
    let folder = temp_dir::TempDir::new().unwrap();
    let locked = folder.path().join("locked");
    fs::create_dir(&locked).unwrap();
    fs::write(folder.path().join("a.nmea"), b"1").unwrap();
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o000)).unwrap();
    if fs::read_dir(&locked).is_ok() {
        println!("skipped: this user may read everything");
        return;
    }
    let inventory = found(folder.path());
    fs::set_permissions(&locked, fs::Permissions::from_mode(0o700)).unwrap();
    assert_eq!(inventory.bundles.len(), 1);
    assert_eq!(
        inventory.not_taken.iter().map(|n| (n.path.as_str(), n.why)).collect::<Vec<_>>(),
        [("locked", Why::Unreadable)]
    );
}

/// Guards: files that vanish, shrink or grow between listing and the end of reading are problems of those files only.
#[test]
fn files_that_change_while_read() {
    let folder = temp_dir::TempDir::new().unwrap();
    let text = log(60_000);
    fs::write(folder.path().join("unit.toml"), b"").unwrap();
    for name in ["a_grows", "b_shrinks", "c_vanishes", "d_stays"] {
        fs::write(folder.path().join(name), &text).unwrap();
    }
    let inventory = found(folder.path());
    let mut read_bytes = BTreeMap::new();
    let read = open(&inventory.bundles[0], &Limits::default(), &mut |member| {
        let path = folder.path().join(&member.path);
        let mut bytes = vec![0; 1_000];
        member.reader.read_exact(&mut bytes[..0]).unwrap();
        match member.path.as_str() {
            "unit.toml" => fs::remove_file(folder.path().join("c_vanishes")).unwrap(),
            "a_grows" => fs::OpenOptions::new().append(true).open(&path).unwrap().write_all(b"more").unwrap(),
            "b_shrinks" => fs::OpenOptions::new().write(true).open(&path).unwrap().set_len(100_000).unwrap(),
            _ => {}
        }
        let mut rest = Vec::new();
        let _ = member.reader.read_to_end(&mut rest);
        read_bytes.insert(member.path, rest.len());
        MemberDone::Read
    });
    let said = |name: &str| -> (Outcome, String) {
        let file = read.files.iter().find(|f| f.path == name).unwrap();
        (file.outcome, file.problems.iter().map(|p| p.what.clone()).collect())
    };
    assert_eq!(read_bytes["a_grows"], text.len());
    assert!(said("a_grows").1.contains("grew"));
    assert!(said("b_shrinks").1.contains("shorter") && said("b_shrinks").0 == Outcome::Read, "{:?}", said("b_shrinks"));
    assert_eq!(said("c_vanishes").0, Outcome::Unreadable);
    assert_eq!(said("d_stays"), (Outcome::Read, String::new()));
}

/// Guards: of a file that is not an open format only its beginning is read, and the bundle still has its hash.
#[test]
fn foreign_files_are_left_early() {
    let noise: Vec<u8> = (0..4_000_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let zip = deflated(&[("raw.bin", &noise)]);
    let (_folder, bundle) = bundle_of("b.zip", &zip);
    let visit = |bundle: &BundleRef, first: usize| {
        open(bundle, &Limits::default(), &mut |member| {
            let mut head = vec![0; first];
            member.reader.read_exact(&mut head).unwrap();
            MemberDone::NotOpen
        })
    };
    let read = visit(&bundle, 512);
    assert_eq!(read.files[0].outcome, Outcome::NotOpen);
    assert!(read.files[0].bytes < 200_000, "{} bytes", read.files[0].bytes);
    // How far the visitor looked does not change the hash, nor does the container.
    assert_eq!(read.content_hash, visit(&bundle, 90_000).content_hash);
    let folder = temp_dir::TempDir::new().unwrap();
    fs::write(folder.path().join("raw.bin"), &noise).unwrap();
    assert_eq!(read.content_hash, visit(&found(folder.path()).bundles[0], 512).content_hash);
}
