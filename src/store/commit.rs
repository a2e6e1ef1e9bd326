//! Bringing a bundle into the store, and taking one out that was replaced.

use super::parts::{Part, by_date};
use super::run::{self, Writer};
use super::seen::Seen;
use super::{Store, StoreError, io_error, names, table, to_json};
use serde::de::{DeserializeOwned, IgnoredAny};
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

const MANIFEST: &str = "manifest.json";
const SEEN: &str = "seen.json";

/// One Parquet file of a bundle.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TableFile {
    /// Table.
    pub table: String,
    /// UTC date of its rows.
    pub date: String,
    /// Place below the store, with `/`.
    pub path: String,
    /// Rows.
    pub rows: u64,
    /// Size.
    pub bytes: u64,
}

/// What is in a bundle. Its presence makes the bundle part of the store. The store does not look at the record, and who does not
/// need it need not hold it: that of a base of many weeks has tens of thousands of orbits.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Manifest<R = IgnoredAny> {
    /// Content hash, hexadecimal.
    pub hash: String,
    /// Site as known when it was read.
    pub site: String,
    /// Unit as known when it was read.
    pub unit: String,
    /// Its tables.
    pub tables: Vec<TableFile>,
    /// What else is known.
    pub record: R,
}

/// A bundle to be brought in.
#[derive(Debug)]
pub struct BundleEntry<'a, R> {
    /// Content hash, hexadecimal.
    pub hash: String,
    /// Site, empty when not known.
    pub site: String,
    /// Unit, empty when not known.
    pub unit: String,
    /// What else is to be kept.
    pub record: R,
    /// Tables, each once, and their rows in parts.
    pub tables: Vec<(String, Vec<Part<'a>>)>,
}

impl Store {
    fn manifest_path(&self, hash: &str) -> PathBuf {
        self.root().join("bundles").join(hash.get(..2).unwrap_or("00")).join(format!("{hash}.json"))
    }

    /// The manifest of a bundle, with what its record is to be read as; `None` when the bundle is not (or no longer) in the store.
    ///
    /// # Errors
    /// When it cannot be read or is damaged.
    pub fn manifest<R: DeserializeOwned>(&self, hash: &str) -> Result<Option<Manifest<R>>, StoreError> {
        read_manifest(&self.manifest_path(hash))
    }

    /// Whether a bundle is in the store.
    pub fn has(&self, hash: &str) -> bool {
        self.manifest_path(hash).is_file()
    }
}

fn read_manifest<R: DeserializeOwned>(path: &Path) -> Result<Option<Manifest<R>>, StoreError> {
    match fs::read(path) {
        Ok(bytes) => serde_json::from_slice(&bytes)
            .map(Some)
            .map_err(|e| StoreError::Damaged { path: path.to_owned(), what: format!("not a manifest: {e}") }),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(e) => Err(io_error(path, "read a manifest")(e)),
    }
}

impl Writer {
    /// Brings a bundle in. When this returns, it is in the store; when the process dies before, it is not, or the next run
    /// finishes it.
    ///
    /// # Errors
    /// When something cannot be written; the store is then as before.
    pub fn put<R: Serialize>(&self, entry: &BundleEntry<'_, R>, seen: &Seen) -> Result<(), StoreError> {
        match self.try_put(entry, seen) {
            // Somebody took this run for dead and removed its folder: once more.
            Err(StoreError::Io { source, .. }) if source.kind() == io::ErrorKind::NotFound => self.try_put(entry, seen),
            other => other,
        }
    }

    fn try_put<R: Serialize>(&self, entry: &BundleEntry<'_, R>, seen: &Seen) -> Result<(), StoreError> {
        let aside = self.aside()?;
        fs::create_dir_all(&aside).map_err(io_error(&aside, "make a folder for a bundle"))?;
        let done = self.write_and_commit(entry, seen, &aside);
        if done.is_err() {
            let _ = fs::remove_dir_all(&aside);
        }
        let ready = done?;
        publish(self.store(), &ready)
    }

    fn write_and_commit<R: Serialize>(
        &self,
        entry: &BundleEntry<'_, R>,
        seen: &Seen,
        aside: &Path,
    ) -> Result<PathBuf, StoreError> {
        let mut manifest = Manifest {
            hash: entry.hash.clone(),
            site: entry.site.clone(),
            unit: entry.unit.clone(),
            tables: Vec::new(),
            record: &entry.record,
        };
        for (name, parts) in &entry.tables {
            by_date(parts, &mut |date, frames| {
                let file = aside.join(format!("{}.parquet", manifest.tables.len()));
                let (rows, bytes) = table::write_all(&file, &entry.unit, frames)?;
                manifest.tables.push(TableFile {
                    table: name.clone(),
                    path: format!("{name}/site={}/date={date}/{}.parquet", names::partition(&entry.site), entry.hash),
                    date: date.to_owned(),
                    rows,
                    bytes,
                });
                Ok(())
            })?;
        }
        let path = aside.join(MANIFEST);
        let file = File::create(&path).map_err(io_error(&path, "write a record"))?;
        let mut out = BufWriter::new(file);
        serde_json::to_writer(&mut out, &manifest).map_err(|e| io_error(&path, "write a record")(e.into()))?;
        out.flush().map_err(io_error(&path, "write a record"))?;
        let path = aside.join(SEEN);
        fs::write(&path, to_json(seen)?).map_err(io_error(&path, "write a record"))?;
        let ready = self.store().root().join("ready").join(format!("{}-{}", entry.hash, self.run()));
        if let Some(folder) = ready.parent() {
            fs::create_dir_all(folder).map_err(io_error(folder, "make a folder of the store"))?;
        }
        match fs::rename(aside, &ready) {
            Ok(()) => Ok(ready),
            // Another run's end removed the empty folder between the two steps.
            Err(e) if e.kind() == io::ErrorKind::NotFound && aside.exists() => {
                let folder = self.store().root().join("ready");
                fs::create_dir_all(&folder).map_err(io_error(&folder, "make a folder of the store"))?;
                fs::rename(aside, &ready).map_err(io_error(&ready, "commit a bundle"))?;
                Ok(ready)
            }
            Err(e) => Err(io_error(&ready, "commit a bundle")(e)),
        }
    }

    /// Takes a bundle out that no path has any more.
    ///
    /// # Errors
    /// When it cannot be moved or removed; the next run goes on.
    pub fn retire(&self, hash: &str) -> Result<(), StoreError> {
        let store = self.store();
        let to = store.root().join("retired").join(format!("{hash}.json"));
        if !store.has(hash) {
            return Ok(());
        }
        run::move_to(&store.manifest_path(hash), &to)?;
        finish_retired(store, &to)
    }
}

/// Moves the files of a folder in `ready` to their places: tables, then the manifest, then the record of where it lay. Any
/// number of processes may do it at once.
pub(super) fn publish(store: &Store, ready: &Path) -> Result<(), StoreError> {
    let root = store.root();
    let manifest = ready.join(MANIFEST);
    let mut old_tables = Vec::new();
    if let Some(new) = read_manifest::<IgnoredAny>(&manifest)? {
        for (i, table) in new.tables.iter().enumerate() {
            move_if_there(&ready.join(format!("{i}.parquet")), &root.join(&table.path))?;
        }
        let place = store.manifest_path(&new.hash);
        // The same content placed at another site before: its files must not be counted twice by who reads the folders.
        if let Ok(Some(old)) = read_manifest::<IgnoredAny>(&place) {
            old_tables = old.tables.into_iter().filter(|o| !new.tables.iter().any(|n| n.path == o.path)).collect();
        }
        move_if_there(&manifest, &place)?;
    }
    for table in old_tables {
        let _ = fs::remove_file(root.join(&table.path));
    }
    let seen = ready.join(SEEN);
    match fs::read(&seen) {
        Ok(bytes) => {
            let record: Seen = serde_json::from_slice(&bytes)
                .map_err(|e| StoreError::Damaged { path: seen.clone(), what: format!("not a record: {e}") })?;
            move_if_there(&seen, &root.join(record.place()))?;
        }
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(io_error(&seen, "read a record")(e)),
    }
    match fs::remove_dir_all(ready) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(io_error(ready, "remove a folder that is done")(e)),
        _ => Ok(()),
    }
}

/// Another process may have moved it already.
fn move_if_there(from: &Path, to: &Path) -> Result<(), StoreError> {
    if !from.exists() {
        return Ok(());
    }
    match run::move_to(from, to) {
        Err(_) if !from.exists() => Ok(()),
        other => other,
    }
}

/// Removes the tables of a replaced bundle, unless it came back in the meantime.
pub(super) fn finish_retired(store: &Store, retired: &Path) -> Result<(), StoreError> {
    if let Some(manifest) = read_manifest::<IgnoredAny>(retired)? {
        let back = store.manifest::<IgnoredAny>(&manifest.hash)?;
        for table in &manifest.tables {
            let wanted = back.as_ref().is_some_and(|b| b.tables.iter().any(|t| t.path == table.path));
            if wanted {
                continue;
            }
            let path = store.root().join(&table.path);
            match fs::remove_file(&path) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => {
                    return Err(io_error(&path, "remove a table of a replaced bundle")(e));
                }
                _ => {}
            }
            // Empty folders of a site or date go too.
            let mut folder = path.parent();
            for _ in 0..2 {
                let Some(f) = folder else { break };
                if fs::remove_dir(f).is_err() {
                    break;
                }
                folder = f.parent();
            }
        }
    }
    match fs::remove_file(retired) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(io_error(retired, "remove a record that is done")(e)),
        _ => Ok(()),
    }
}
