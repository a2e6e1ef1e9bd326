//! The sample bundles in memory, and small piles made of them: every stream shortened to the same part of the day, so that a
//! whole report takes a moment. Nothing else is changed; the small zips are stored, not deflated.

use lostfix::crawl::{BundleKind, Limits, MemberDone, find, open};
use lostfix::model::time::UtcMs;
use std::collections::BTreeMap;
use std::fs;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// One file inside a bundle, decompressed.
#[derive(Debug, Clone)]
pub struct Inside {
    pub path: String,
    pub time: Option<UtcMs>,
    pub data: Vec<u8>,
}

/// One bundle of the samples.
#[derive(Debug, Clone)]
pub struct Bundle {
    /// Below `sample-bundles`, as in every output.
    pub path: String,
    pub is_zip: bool,
    pub files: Vec<Inside>,
}

pub fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-bundles")
}

/// Every bundle of the samples with all files decompressed.
pub fn bundles() -> Vec<Bundle> {
    let inventory = find(&[samples()], &Limits::default());
    let mut out = Vec::new();
    for bundle in &inventory.bundles {
        let mut files = Vec::new();
        open(bundle, &Limits::default(), &mut |member| {
            let mut data = Vec::new();
            // The broken download ends with an error on purpose; what came before is kept.
            let _ = member.reader.read_to_end(&mut data);
            files.push(Inside { path: member.path, time: member.member_time, data });
            MemberDone::Read
        });
        out.push(Bundle { path: bundle.path.clone(), is_zip: bundle.kind == BundleKind::Zip, files });
    }
    out
}

/// The unit of a sample file: its bundle's name says it.
pub fn unit_of(path: &str) -> String {
    let part = path.split('/').find(|p| p.contains("_2026-")).unwrap_or("");
    part.split('_').next().unwrap_or("").to_owned()
}

/// Streams longer than this are shortened.
const SHORT: usize = 40_000;

/// The part of a stream between two shares of its length, from one record to another.
fn part(inside: &Inside, from: f64, to: f64) -> Vec<u8> {
    let data = &inside.data;
    if data.len() <= SHORT {
        return data.clone();
    }
    let at = |share: f64| (data.len() as f64 * share) as usize;
    if inside.path.contains(".rtcm3") {
        let starts = frames(data);
        let near = |wanted: usize| starts.iter().copied().find(|s| *s >= wanted).unwrap_or(data.len());
        return data[near(at(from))..near(at(to))].to_vec();
    }
    let near = |wanted: usize| data[wanted..].iter().position(|b| *b == b'\n').map_or(data.len(), |p| wanted + p + 1);
    data[near(at(from))..near(at(to))].to_vec()
}

/// Where RTCM 3 frames begin in a clean stream: 0xD3, six bits 0, ten bits length, three bytes CRC (RTCM 10403.x, 4).
pub fn frames(data: &[u8]) -> Vec<usize> {
    let (mut at, mut out) = (0, Vec::new());
    while at + 3 <= data.len() && data[at] == 0xD3 {
        out.push(at);
        at += 6 + (usize::from(data[at + 1] & 3) << 8 | usize::from(data[at + 2]));
    }
    out
}

/// The bytes of a zip, without compression.
pub fn zip_of(files: &[Inside]) -> Vec<u8> {
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for file in files {
        let options = SimpleFileOptions::default()
            .compression_method(CompressionMethod::Stored)
            .last_modified_time(zip::DateTime::from_date_and_time(2026, 5, 9, 12, 0, 0).unwrap());
        writer.start_file(file.path.as_str(), options).unwrap();
        writer.write_all(&file.data).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

/// A pile of files in memory: path below FOLDER and content.
pub type Pile = BTreeMap<String, Vec<u8>>;

/// The small pile of some sites (all bundles and strays of their folders), with the files beside the bundles.
pub fn small_pile(bundles: &[Bundle], sites: &[&str], from: f64, to: f64) -> Pile {
    let mut pile = Pile::new();
    for bundle in bundles.iter().filter(|b| sites.iter().any(|s| b.path.contains(&format!("/{s}/")))) {
        // The second copies of a part of the day are in the samples to show that it counts once; they stay whole.
        let files: Vec<Inside> = bundle.files.iter().map(|f| Inside { data: part(f, from, to), ..f.clone() }).collect();
        if bundle.is_zip {
            pile.insert(bundle.path.clone(), zip_of(&files));
        } else {
            for file in files {
                pile.insert(format!("{}/{}", bundle.path, file.path.trim_end_matches(".gz")), file.data);
            }
        }
    }
    for beside in ["catalogue.toml", "complaints.csv", "fleet.toml", "kp.txt", "places.csv"] {
        pile.insert(beside.to_owned(), fs::read(samples().join(beside)).unwrap());
    }
    for site in sites.iter().filter(|s| **s == "incoming") {
        for name in ["broken_download.zip", "hours_of_work.sheet"] {
            let path = format!("bundles/{site}/{name}");
            pile.insert(path.clone(), fs::read(samples().join(&path)).unwrap());
        }
    }
    pile
}

/// Writes one file of a pile; folders are made as needed.
pub fn put(folder: &Path, path: &str, data: &[u8]) {
    let full = folder.join(path);
    fs::create_dir_all(full.parent().unwrap()).unwrap();
    fs::write(full, data).unwrap();
}

/// Writes a pile.
pub fn put_all(folder: &Path, pile: &Pile) {
    for (path, data) in pile {
        put(folder, path, data);
    }
}
