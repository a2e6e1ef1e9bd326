//! Compact RINEX of the open data, decoded by lostfix and by the crate rinex in one run, in turns: MB/s of the compact text and
//! how many times as fast. Both get the same bytes out of memory; lostfix also makes its tables meanwhile.
//!
//! `cargo run --release [FILE...]` in this folder (`CARGO_TARGET_DIR=../../target` saves building polars again); without FILE
//! the compact files of ../shared/data (or LOSTFIX_SHARED_DATA).

use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext};
use std::hint::black_box;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::time::Instant;

const ROUNDS: usize = 7;

fn open_data() -> Vec<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data");
    let all = [std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from), Some(beside)];
    let Some(root) = all.into_iter().flatten().map(|p| p.join("rinex")).find(|p| p.is_dir()) else { return Vec::new() };
    [
        "georinex/CEBR00ESP_R_20182000000_01D_30S_MO.crx.gz",
        "nav-solutions/AJAC00FRA_R_20242090000_01D_30S_MO.crx.gz",
        "nav-solutions/GRAS00FRA_R_20223151700_15M_01S_MO.crx.gz",
    ]
    .map(|name| root.join(name))
    .into()
}

fn bytes_of(path: &Path) -> std::io::Result<Vec<u8>> {
    let raw = std::fs::read(path)?;
    if path.extension().is_none_or(|e| e != "gz") {
        return Ok(raw);
    }
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(raw.as_slice()).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Seconds, and epochs found.
fn by_lostfix(bytes: &[u8]) -> (f64, u64) {
    let from = Instant::now();
    let mut reader = bytes;
    let parsed = formats::read(&mut reader, &FileContext::default(), &FormatSettings::default());
    let epochs = parsed.ok().and_then(|p| black_box(p).look.epochs).unwrap_or(0);
    (from.elapsed().as_secs_f64(), epochs)
}

fn by_rinex(bytes: &[u8]) -> (f64, Result<u64, String>) {
    let from = Instant::now();
    let parsed = rinex::prelude::Rinex::parse(&mut BufReader::new(bytes));
    let time = from.elapsed().as_secs_f64();
    let epochs = parsed.map(|r| black_box(r).epoch_iter().count() as u64).map_err(|e| e.to_string());
    (time, epochs)
}

fn main() {
    let named: Vec<PathBuf> = std::env::args().skip(1).map(PathBuf::from).collect();
    let files = if named.is_empty() { open_data() } else { named };
    if files.is_empty() {
        return println!("skipped: no folder of open data (LOSTFIX_SHARED_DATA)");
    }
    for path in files {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let bytes = match bytes_of(&path) {
            Ok(bytes) => bytes,
            Err(e) => {
                println!("{name}: {e}");
                continue;
            }
        };
        let (mut own, mut other) = (Vec::new(), Vec::new());
        let mut found = (0, Ok(0));
        for _ in 0..ROUNDS {
            let (time, epochs) = by_lostfix(&bytes);
            own.push(time);
            found.0 = epochs;
            let (time, epochs) = by_rinex(&bytes);
            other.push(time);
            found.1 = epochs;
        }
        let best = |times: &[f64]| times.iter().copied().fold(f64::INFINITY, f64::min);
        let mb = bytes.len() as f64 / 1e6;
        println!(
            "{name}: {mb:.1} MB; lostfix {:.1} MB/s, {} epochs; rinex {:.1} MB/s, {:?} epochs; {:.1} times as fast (best of {ROUNDS})",
            mb / best(&own),
            found.0,
            mb / best(&other),
            found.1,
            best(&other) / best(&own),
        );
    }
}
