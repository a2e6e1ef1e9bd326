//! Puts files together as bundles: zips (with fixed times, so that a seed gives the same bytes) or folders.

use super::PracticeError;
use super::clock;
use std::io::Write;
use std::path::Path;

/// A file inside a bundle.
pub(super) struct File {
    pub name: String,
    pub bytes: Vec<u8>,
}

fn io(path: &Path, e: impl std::fmt::Display) -> PracticeError {
    PracticeError::Io(format!("cannot write {}: {e}", path.display()))
}

/// Writes bytes, making folders as needed.
pub(super) fn put(path: &Path, bytes: &[u8]) -> Result<u64, PracticeError> {
    if let Some(dir) = path.parent() {
        std::fs::create_dir_all(dir).map_err(|e| io(dir, e))?;
    }
    std::fs::write(path, bytes).map_err(|e| io(path, e))?;
    Ok(bytes.len() as u64)
}

/// A zip in memory; every member carries the time `t`.
pub(super) fn zip(files: &[File], t: i64, hard: bool) -> Result<Vec<u8>, PracticeError> {
    let bad = |e: &dyn std::fmt::Display| PracticeError::Io(format!("cannot build a zip: {e}"));
    let (y, m, d) = clock::civil(t.div_euclid(86_400));
    let s = t.rem_euclid(86_400);
    let time = zip::DateTime::from_date_and_time(y as u16, m as u8, d as u8, (s / 3600) as u8, (s / 60 % 60) as u8, 0)
        .map_err(|e| bad(&e))?;
    let options = zip::write::SimpleFileOptions::default()
        .compression_method(zip::CompressionMethod::Deflated)
        .compression_level(Some(if hard { 9 } else { 3 }))
        .last_modified_time(time)
        .unix_permissions(0o644);
    let mut w = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for f in files {
        w.start_file(f.name.as_str(), options).map_err(|e| bad(&e))?;
        w.write_all(&f.bytes).map_err(|e| bad(&e))?;
    }
    Ok(w.finish().map_err(|e| bad(&e))?.into_inner())
}

/// A gzip member without name or time.
pub(super) fn gzip(bytes: &[u8]) -> Result<Vec<u8>, PracticeError> {
    let mut w = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::new(5));
    w.write_all(bytes).and_then(|()| w.finish()).map_err(|e| PracticeError::Io(format!("cannot compress: {e}")))
}
