//! Which bundle lay at which path, and the FOLDERs that were read.

use super::run::Writer;
use super::{Store, StoreError, io_error, names, to_json};
use crate::model::findings::NotRead;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// A bundle that was met at a path. One small file each; the last one written counts.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    /// Path to show.
    pub path: String,
    /// FOLDER below which it lay.
    pub root: String,
    /// Size and age on disk, and how it was read: another stamp means it must be read again.
    pub stamp: String,
    /// Content hash, hexadecimal; `None` when it could not be read.
    pub hash: Option<String>,
    /// First and last epoch, UTC ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub span: Option<(i64, i64)>,
    /// Of a bundle that could not be read: digest of its raw bytes, to know copies of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Of a bundle that could not be read: what there is to say about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub record: Option<serde_json::Value>,
}

impl Seen {
    pub(super) fn place(&self) -> PathBuf {
        let key = names::short_hash(&format!("{}\0{}", self.path, self.root));
        Path::new("seen").join(key.get(..2).unwrap_or("00")).join(format!("{key}.json"))
    }
}

/// A FOLDER that was read.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FolderNote {
    /// Its real path.
    pub root: String,
    /// What in it belongs to no bundle and was not read.
    pub not_taken: Vec<NotRead>,
    /// Files beside the bundles: name, path to show. Their copies lie in the store.
    pub side_files: Vec<(String, String)>,
}

impl FolderNote {
    pub(super) fn key(&self) -> String {
        names::short_hash(&self.root)
    }
}

/// Reads every JSON file below `seen/` or `folders/`. One that cannot be read (another process replaces it, or it is
/// damaged) is given as a path: its bundle is read again.
fn read_all<T: serde::de::DeserializeOwned>(folder: &Path) -> Result<(Vec<T>, Vec<PathBuf>), StoreError> {
    let (mut out, mut bad) = (Vec::new(), Vec::new());
    let mut waiting = vec![folder.to_owned()];
    while let Some(folder) = waiting.pop() {
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => return Err(io_error(&folder, "list a folder of the store")(e)),
        };
        for entry in entries {
            let entry = entry.map_err(io_error(&folder, "list a folder of the store"))?;
            let path = entry.path();
            if entry.file_type().is_ok_and(|t| t.is_dir()) {
                waiting.push(path);
            } else if path.extension().is_some_and(|e| e == "json") {
                match fs::read(&path).map(|bytes| serde_json::from_slice(&bytes)) {
                    Ok(Ok(value)) => out.push(value),
                    Err(e) if e.kind() == io::ErrorKind::NotFound => {}
                    _ => bad.push(path),
                }
            }
        }
    }
    Ok((out, bad))
}

impl Store {
    /// Every bundle that was met, by path; and files that could not be read.
    ///
    /// # Errors
    /// When a folder cannot be listed.
    pub fn seen(&self) -> Result<(Vec<Seen>, Vec<PathBuf>), StoreError> {
        let (mut seen, bad) = read_all::<Seen>(&self.root.join("seen"))?;
        seen.sort_by(|a, b| (&a.path, &a.root).cmp(&(&b.path, &b.root)));
        Ok((seen, bad))
    }

    /// Every FOLDER that was read, by its path.
    ///
    /// # Errors
    /// When a folder cannot be listed.
    pub fn folders(&self) -> Result<Vec<FolderNote>, StoreError> {
        let (mut notes, _) = read_all::<FolderNote>(&self.root.join("folders"))?;
        notes.sort_by(|a, b| a.root.cmp(&b.root));
        Ok(notes)
    }

    /// Where the copy of a file beside the bundles lies.
    pub fn side_file(&self, note: &FolderNote, name: &str) -> PathBuf {
        self.root.join("beside").join(note.key()).join(name)
    }
}

impl Writer {
    /// Notes a bundle that needs no tables: a copy of a known one, or one that could not be read.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn note(&self, seen: &Seen) -> Result<(), StoreError> {
        self.place_text(&to_json(seen)?, &seen.place())
    }

    /// Notes a FOLDER and keeps copies of the files beside its bundles.
    ///
    /// # Errors
    /// When a copy cannot be read or written.
    pub fn folder(&self, note: &FolderNote, sources: &[(String, PathBuf)]) -> Result<(), StoreError> {
        for (name, source) in sources {
            let bytes = fs::read(source).map_err(io_error(source, "copy a file beside the bundles"))?;
            self.place_bytes(&bytes, &Path::new("beside").join(note.key()).join(name))?;
        }
        self.place_text(&to_json(note)?, &Path::new("folders").join(format!("{}.json", note.key())))
    }
}
