//! Bringing a bundle into the store, and taking one out that was replaced.

use super::run::{self, Writer};
use super::seen::Seen;
use super::{Store, StoreError, io_error, names, polars, table, to_json};
use crate::frames::view;
use crate::model::time::{DAY_MS, date_text};
use polars::frame::DataFrame;
use polars::prelude::{BooleanChunked, NewChunkedArray};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// A bundle of more dates than this has clocks that ran wild: the rest of its rows has no date of its own.
const MOST_DATES: usize = 400;
/// What Hive calls the partition of rows without the value; its readers take it for null.
const NO_DATE: &str = "__HIVE_DEFAULT_PARTITION__";
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

/// What is in a bundle. Its presence makes the bundle part of the store.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Manifest {
    /// Content hash, hexadecimal.
    pub hash: String,
    /// Site as known when it was read.
    pub site: String,
    /// Unit as known when it was read.
    pub unit: String,
    /// Its tables.
    pub tables: Vec<TableFile>,
    /// What else is known; the store does not look at it.
    pub record: serde_json::Value,
}

/// A bundle to be brought in.
#[derive(Debug)]
pub struct BundleEntry {
    /// Content hash, hexadecimal.
    pub hash: String,
    /// Site, empty when not known.
    pub site: String,
    /// Unit, empty when not known.
    pub unit: String,
    /// What else is to be kept.
    pub record: serde_json::Value,
    /// Table and frame.
    pub tables: Vec<(String, DataFrame)>,
}

impl Store {
    fn manifest_path(&self, hash: &str) -> PathBuf {
        self.root().join("bundles").join(hash.get(..2).unwrap_or("00")).join(format!("{hash}.json"))
    }

    /// The manifest of a bundle; `None` when the bundle is not (or no longer) in the store.
    ///
    /// # Errors
    /// When it cannot be read or is damaged.
    pub fn manifest(&self, hash: &str) -> Result<Option<Manifest>, StoreError> {
        read_manifest(&self.manifest_path(hash))
    }

    /// Whether a bundle is in the store.
    pub fn has(&self, hash: &str) -> bool {
        self.manifest_path(hash).is_file()
    }
}

fn read_manifest(path: &Path) -> Result<Option<Manifest>, StoreError> {
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
    pub fn put(&self, entry: &BundleEntry, seen: &Seen) -> Result<(), StoreError> {
        match self.try_put(entry, seen) {
            // Somebody took this run for dead and removed its folder: once more.
            Err(StoreError::Io { source, .. }) if source.kind() == io::ErrorKind::NotFound => self.try_put(entry, seen),
            other => other,
        }
    }

    fn try_put(&self, entry: &BundleEntry, seen: &Seen) -> Result<(), StoreError> {
        let aside = self.aside()?;
        fs::create_dir_all(&aside).map_err(io_error(&aside, "make a folder for a bundle"))?;
        let done = self.write_and_commit(entry, seen, &aside);
        if done.is_err() {
            let _ = fs::remove_dir_all(&aside);
        }
        let ready = done?;
        publish(self.store(), &ready)
    }

    fn write_and_commit(&self, entry: &BundleEntry, seen: &Seen, aside: &Path) -> Result<PathBuf, StoreError> {
        let mut manifest = Manifest {
            hash: entry.hash.clone(),
            site: entry.site.clone(),
            unit: entry.unit.clone(),
            tables: Vec::new(),
            record: entry.record.clone(),
        };
        for (name, frame) in &entry.tables {
            for (date, part) in by_date(frame)? {
                let file = aside.join(format!("{}.parquet", manifest.tables.len()));
                let bytes = table::write(&file, &entry.unit, &part)?;
                manifest.tables.push(TableFile {
                    table: name.clone(),
                    path: format!("{name}/site={}/date={date}/{}.parquet", names::partition(&entry.site), entry.hash),
                    date,
                    rows: part.height() as u64,
                    bytes,
                });
            }
        }
        for (name, text) in [(MANIFEST, to_json(&manifest)?), (SEEN, to_json(seen)?)] {
            let path = aside.join(name);
            fs::write(&path, text).map_err(io_error(&path, "write a record"))?;
        }
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
    if let Some(new) = read_manifest(&manifest)? {
        for (i, table) in new.tables.iter().enumerate() {
            move_if_there(&ready.join(format!("{i}.parquet")), &root.join(&table.path))?;
        }
        let place = store.manifest_path(&new.hash);
        // The same content placed at another site before: its files must not be counted twice by who reads the folders.
        if let Ok(Some(old)) = read_manifest(&place) {
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
    if let Some(manifest) = read_manifest(retired)? {
        let back = store.manifest(&manifest.hash)?;
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

/// The rows of a frame by their UTC date.
fn by_date(frame: &DataFrame) -> Result<Vec<(String, DataFrame)>, StoreError> {
    if frame.height() == 0 {
        return Ok(Vec::new());
    }
    let days: Vec<i64> = view::i64s(frame, "time").into_iter().map(|t| t.div_euclid(DAY_MS)).collect();
    let mut counts: BTreeMap<i64, usize> = BTreeMap::new();
    for day in &days {
        *counts.entry(*day).or_default() += 1;
    }
    if counts.len() == 1 {
        let date = days.first().map(|d| date_text(*d)).unwrap_or_default();
        return Ok(vec![(date, frame.clone())]);
    }
    let mut order: Vec<(i64, usize)> = counts.into_iter().collect();
    if order.len() > MOST_DATES {
        order.sort_by_key(|(day, n)| (std::cmp::Reverse(*n), *day));
        order.truncate(MOST_DATES);
        order.sort_unstable();
    }
    let own: Vec<i64> = order.into_iter().map(|(day, _)| day).collect();
    let part = |wanted: &dyn Fn(i64) -> bool| -> Result<DataFrame, StoreError> {
        let mask: Vec<bool> = days.iter().map(|d| wanted(*d)).collect();
        polars(frame.filter(&BooleanChunked::from_slice("date".into(), &mask)))
    };
    let mut out = Vec::new();
    for day in &own {
        out.push((date_text(*day), part(&|d| d == *day)?));
    }
    let rest = part(&|d| own.binary_search(&d).is_err())?;
    if rest.height() > 0 {
        out.push((NO_DATE.to_owned(), rest));
    }
    Ok(out)
}
