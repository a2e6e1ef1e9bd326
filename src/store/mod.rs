//! Room: store. Tables of bundles as Parquet files in a folder that many processes on many machines may write at once.
//!
//! ```text
//! lostfix-store.json                                         format of the store; written first
//! fixes/site=larkfield/date=2026-05-04/<content hash>.parquet  one immutable file a bundle, table and UTC date
//! bundles/ab/<content hash>.json                             what was in a bundle, and the list of its files
//! seen/ab/<path hash>.json                                   which bundle lay at which path, and how long and old it was
//! folders/<hash>.json, beside/<hash>/                        FOLDERs that were read, and copies of the files beside the bundles
//! ready/<content hash>-<run>/                                a finished bundle on its way to its places
//! retired/<content hash>.json                                a bundle that was replaced, on its way out
//! tmp/<run>/                                                 what a running process writes, and rows of long files until their end
//! ```
//!
//! How it stays right without locks: a bundle is written whole into `tmp`, then its folder is renamed into `ready` (that is
//! the commit), then its files are renamed to their places, the manifest after the tables. Names depend on the content
//! alone, so two processes that bring the same bundle write the same bytes to the same names, and whoever finds a folder in
//! `ready` may finish it. A process that is killed leaves at most a folder in `tmp`, which the next one removes, or one in
//! `ready`, which the next one finishes. File locks only tell sooner that a process is dead; nothing relies on them. Only
//! plain files and renames are used: no links, no memory maps.
//!
//! Columns are those of [`crate::frames::schema`], whatever they are, with the unit in front; `Int64` columns are times and
//! stand as UTC timestamps of milliseconds. `site=` is what was known when the bundle was read; the analysis places bundles
//! anew.

mod commit;
mod names;
mod parts;
mod run;
mod same;
mod scratch;
mod seen;
mod shelf;
mod table;

pub use commit::{BundleEntry, Manifest, TableFile};
pub use parts::{Load, Part};
pub use run::Writer;
pub use scratch::{Bytes, Kept, OnDisk, Scratch};
pub use seen::{FolderNote, Seen};
pub use shelf::{Days, Shelf, days_of};

use crate::frames::schema::{self, Wanted};
use crate::model::time::{UtcMs, date_text};
use polars::frame::DataFrame;
use polars::prelude::PolarsResult;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Version of the layout and of the meaning of the values. To be raised when a decoder gives other values for the same bytes.
pub const FORMAT: u32 = 1;
const HEAD: &str = "lostfix-store.json";

/// Why the store could not be used, with what to do.
#[derive(Debug)]
pub enum StoreError {
    /// A file or folder.
    Io {
        /// Where.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// The folder is no store, or one of another version: a matter of configuration.
    NotUsable(String),
    /// A file of the store is not what it should be.
    Damaged {
        /// Where.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

impl std::fmt::Display for StoreError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            StoreError::Io { path, doing, source } => {
                let hint = match source.kind() {
                    io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                        "the disk is full: make room and run again; what was read so far is kept"
                    }
                    io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                        "give the user who runs this the right to write there"
                    }
                    _ => "see that the disk or share is all right and run again; what was read so far is kept",
                };
                write!(f, "{}: could not {doing}: {source}; {hint}", path.display())
            }
            StoreError::NotUsable(why) => f.write_str(why),
            StoreError::Damaged { path, what } => {
                write!(f, "{}: {what}; delete this file and run `lostfix read` over the bundles again", path.display())
            }
        }
    }
}

impl std::error::Error for StoreError {}

pub(crate) fn io_error<'a>(path: &'a Path, doing: &'static str) -> impl FnOnce(io::Error) -> StoreError + 'a {
    move |source| StoreError::Io { path: path.to_owned(), doing, source }
}

#[derive(Debug, Serialize, Deserialize)]
struct Head {
    schema: String,
    format: u32,
    tables: String,
    made_by: String,
}

/// A store that was opened.
#[derive(Debug, Clone)]
pub struct Store {
    root: PathBuf,
}

impl Store {
    /// Opens a store for reading.
    ///
    /// # Errors
    /// When there is none, or one of another version.
    pub fn open(root: &Path) -> Result<Store, StoreError> {
        let path = root.join(HEAD);
        let text = match fs::read_to_string(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                return Err(StoreError::NotUsable(format!(
                    "{}: there is no store; make one with `lostfix read FOLDER --store {}`",
                    root.display(),
                    root.display()
                )));
            }
            Err(e) => return Err(io_error(&path, "read the store's head")(e)),
        };
        let head: Head = serde_json::from_str(&text)
            .map_err(|e| StoreError::Damaged { path: path.clone(), what: format!("not the head of a store: {e}") })?;
        if head.format != FORMAT || head.tables != tables_text()? {
            return Err(StoreError::NotUsable(format!(
                "{}: the store was written by {} in another form (format {}, this program writes {FORMAT}{}); its bundles \
                 must be read again: give another folder to --store, or delete this one, and run `lostfix read` over the \
                 bundles",
                root.display(),
                head.made_by,
                head.format,
                if head.format == FORMAT { " with other columns" } else { "" }
            )));
        }
        Ok(Store { root: root.to_owned() })
    }

    /// Opens a store for writing; makes it where there is an empty folder or none.
    ///
    /// # Errors
    /// When the folder holds something else, is of another version, or cannot be written.
    pub fn open_or_create(root: &Path) -> Result<Store, StoreError> {
        if !root.join(HEAD).exists() {
            fs::create_dir_all(root).map_err(io_error(root, "make the folder of the store"))?;
            let entries = fs::read_dir(root).map_err(io_error(root, "list the folder of the store"))?;
            for entry in entries.flatten() {
                // Another process may be making the same store right now.
                let name = entry.file_name().to_string_lossy().into_owned();
                if !name.starts_with(".lostfix-store") && name != HEAD && !root.join(HEAD).exists() {
                    return Err(StoreError::NotUsable(format!(
                        "{}: the folder is not empty and is no store; give an empty or a new folder to --store",
                        root.display()
                    )));
                }
            }
            let head = Head {
                schema: "lostfix-store/1".to_owned(),
                format: FORMAT,
                tables: tables_text()?,
                made_by: concat!("lostfix ", env!("CARGO_PKG_VERSION")).to_owned(),
            };
            let text = to_json(&head)?;
            let aside = root.join(format!(".lostfix-store-{}", names::run_name()));
            fs::write(&aside, text).map_err(io_error(&aside, "write the store's head"))?;
            let to = root.join(HEAD);
            if let Err(e) = fs::rename(&aside, &to)
                && !to.exists()
            {
                return Err(io_error(&to, "put the store's head in place")(e));
            }
        }
        Store::open(root)
    }

    /// Where it is.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The frames of a bundle with these `tables`, of the table that is `wanted`, date by date: those of dates within `from..to` (UTC ms,
    /// `None` open) and, whatever the date, the tables of `whole`.
    ///
    /// # Errors
    /// A file that is missing or damaged.
    pub fn load(
        &self,
        tables: &[TableFile],
        from: Option<UtcMs>,
        to: Option<UtcMs>,
        whole: &[&str],
        wanted: Wanted<'_>,
    ) -> Result<Vec<(String, DataFrame)>, StoreError> {
        let inside = |date: &str| {
            let (first, last) = (
                from.map(|t| date_text(t.div_euclid(86_400_000))),
                to.map(|t| date_text((t - 1).div_euclid(86_400_000))),
            );
            !date.starts_with(|c: char| c.is_ascii_digit())
                || (first.is_none_or(|f| date >= f.as_str()) && last.is_none_or(|l| date <= l.as_str()))
        };
        let mut out = Vec::new();
        for table in tables.iter().filter(|t| t.table == wanted.table) {
            if !whole.contains(&table.table.as_str()) && !inside(&table.date) {
                continue;
            }
            let path = self.root.join(&table.path);
            out.push((table.table.clone(), table::read(&path, table.rows, wanted)?));
        }
        Ok(out)
    }
}

fn tables_text() -> Result<String, StoreError> {
    polars(schema::fingerprint())
}

/// A polars error is a fault of the program or of memory, not of the store.
fn polars<T>(result: PolarsResult<T>) -> Result<T, StoreError> {
    result.map_err(|e| StoreError::NotUsable(format!("a table could not be made: {e}")))
}

fn to_json<T: Serialize>(value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| StoreError::NotUsable(format!("a record could not be written: {e}")))
}
