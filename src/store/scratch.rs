//! Tables of one run put aside: in memory up to a limit, beyond it as Parquet files in a folder that goes with the run.
//!
//! A run that is killed leaves its folder; the next one that puts something aside at the same place removes it.

use super::{StoreError, io_error, names, run, table};
use crate::frames::schema::Wanted;
use polars::frame::DataFrame;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

const PREFIX: &str = ".lostfix-scratch-";

/// Where tables are put aside. Dropping it removes what was written.
#[derive(Debug)]
pub struct Scratch {
    parent: PathBuf,
    folder: PathBuf,
    limit: u64,
    used: AtomicU64,
    count: AtomicU64,
    /// Made with the first file; its lock tells others that this run lives.
    owner: Mutex<Option<Option<File>>>,
}

/// Tables that were put aside.
#[derive(Debug, Default)]
pub struct Kept {
    tables: Vec<(String, Where)>,
    bytes: u64,
}

/// Bytes that were put aside.
#[derive(Debug)]
pub struct Bytes {
    path: PathBuf,
    /// Its end removes the file.
    _folder: Arc<Scratch>,
}

impl Bytes {
    /// All of them.
    ///
    /// # Errors
    /// When the file is gone.
    pub fn read(&self) -> Result<Vec<u8>, StoreError> {
        fs::read(&self.path).map_err(io_error(&self.path, "read what was put aside"))
    }
}

/// A table on disk; its end removes the file.
#[derive(Debug)]
pub struct OnDisk {
    name: String,
    path: PathBuf,
    rows: u64,
}

impl OnDisk {
    /// What is wanted of it.
    ///
    /// # Errors
    /// When the file is gone or damaged.
    pub fn load(&self, wanted: Wanted<'_>) -> Result<Vec<(String, DataFrame)>, StoreError> {
        Ok(vec![(self.name.clone(), table::read(&self.path, self.rows, wanted)?)])
    }
}

impl Drop for OnDisk {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.path);
    }
}

#[derive(Debug)]
enum Where {
    Memory(DataFrame),
    File(PathBuf, u64),
}

impl Scratch {
    /// Tables up to `limit` bytes stay in memory; more go into a folder in `parent`, which is made when it is needed.
    pub fn new(parent: &Path, limit: u64) -> Scratch {
        Scratch {
            parent: parent.to_owned(),
            folder: parent.join(format!("{PREFIX}{}", names::run_name())),
            limit,
            used: AtomicU64::new(0),
            count: AtomicU64::new(0),
            owner: Mutex::new(None),
        }
    }

    /// Puts a table aside.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn keep(&self, kept: &mut Kept, name: &str, mut frame: DataFrame) -> Result<(), StoreError> {
        let bytes = frame.estimated_size() as u64;
        kept.bytes += bytes;
        if self.fits(bytes) {
            // It is looked at several times.
            frame.rechunk_mut();
            kept.tables.push((name.to_owned(), Where::Memory(frame)));
            return Ok(());
        }
        let path = self.next("parquet")?;
        table::write(&path, "", &frame)?;
        kept.tables.push((name.to_owned(), Where::File(path, frame.height() as u64)));
        Ok(())
    }

    /// Puts a table on disk, whatever room there is in memory.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn write(&self, name: &str, frame: &DataFrame) -> Result<OnDisk, StoreError> {
        let out = OnDisk { name: name.to_owned(), path: self.next("parquet")?, rows: frame.height() as u64 };
        table::write(&out.path, "", frame)?;
        Ok(out)
    }

    /// Whether so many bytes more may stay in memory; then they count.
    pub fn fits(&self, bytes: u64) -> bool {
        let fits = self.used.fetch_add(bytes, Ordering::Relaxed) + bytes <= self.limit;
        if !fits {
            self.used.fetch_sub(bytes, Ordering::Relaxed);
        }
        fits
    }

    /// Puts bytes into a file. It goes when neither this nor what it gave out is held any more.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn put(self: &Arc<Self>, bytes: &[u8]) -> Result<Bytes, StoreError> {
        let path = self.next("bytes")?;
        fs::write(&path, bytes).map_err(io_error(&path, "put aside what memory should not hold"))?;
        Ok(Bytes { path, _folder: Arc::clone(self) })
    }

    /// A path for a file of its own; who makes it removes it.
    ///
    /// # Errors
    /// When the folder cannot be made.
    pub fn place(&self) -> Result<PathBuf, StoreError> {
        self.next("rows")
    }

    fn next(&self, kind: &str) -> Result<PathBuf, StoreError> {
        self.make()?;
        Ok(self.folder.join(format!("{}.{kind}", self.count.fetch_add(1, Ordering::Relaxed))))
    }

    /// Whether anything was written to disk.
    pub fn on_disk(&self) -> bool {
        self.count.load(Ordering::Relaxed) > 0
    }

    fn make(&self) -> Result<(), StoreError> {
        let mut owner = self.owner.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if owner.is_none() {
            fs::create_dir_all(&self.parent).map_err(io_error(&self.parent, "make the folder for tables put aside"))?;
            *owner = Some(run::own(&self.folder)?);
            for entry in run::list(&self.parent)? {
                let ours = entry.file_name().is_some_and(|n| n.to_string_lossy().starts_with(PREFIX));
                if ours && entry != self.folder && run::is_dead(&entry, &self.folder.join(run::OWNER)) {
                    // Another user's, or somebody else is removing it too.
                    let _ = fs::remove_dir_all(&entry);
                }
            }
        }
        Ok(())
    }
}

impl Kept {
    /// What they take in memory when loaded.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The table that is wanted.
    ///
    /// # Errors
    /// When a file is gone or damaged.
    pub fn load(&self, wanted: Wanted<'_>) -> Result<Vec<(String, DataFrame)>, StoreError> {
        let mut out = Vec::new();
        for (name, place) in self.tables.iter().filter(|(name, _)| name == wanted.table) {
            let frame = match place {
                Where::Memory(frame) => super::polars(wanted.of(frame.clone()))?,
                Where::File(path, rows) => table::read(path, *rows, wanted)?,
            };
            out.push((name.clone(), frame));
        }
        Ok(out)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let owner = self.owner.get_mut().unwrap_or_else(std::sync::PoisonError::into_inner);
        if owner.take().is_some() {
            let _ = fs::remove_dir_all(&self.folder);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::Batch;
    use crate::model::event::Origin;
    use crate::model::rows::{LoggedEvent, Rows};

    fn tables(kind: &str) -> Vec<(String, DataFrame)> {
        let mut rows = Rows::default();
        for time in 0..1000 {
            rows.logged.push(LoggedEvent { time, kind: kind.into(), detail: String::new() });
        }
        Batch::of(vec![(Origin::default(), rows)]).unwrap().tables
    }

    #[test]
    fn what_is_too_much_goes_to_disk_and_leaves_it_again() {
        let parent = temp_dir::TempDir::new().unwrap();
        // What a killed run left; and one of another machine, whose lock tells nothing here.
        for (name, host) in [(".lostfix-scratch-dead", names::host()), (".lostfix-scratch-far", "far".to_owned())] {
            fs::create_dir(parent.path().join(name)).unwrap();
            fs::write(parent.path().join(name).join(run::OWNER), host).unwrap();
        }
        let bytes = tables("a").iter().map(|(_, t)| t.estimated_size() as u64).sum::<u64>();
        let scratch = Scratch::new(parent.path(), bytes + bytes / 2);
        let keep = |kind| {
            let mut kept = Kept::default();
            tables(kind).into_iter().for_each(|(name, t)| scratch.keep(&mut kept, &name, t).unwrap());
            kept
        };
        let first = keep("a");
        assert!(!scratch.on_disk() && first.bytes() == bytes);
        let second = keep("b");
        assert!(scratch.on_disk());
        for (kept, kind) in [(&first, "a"), (&second, "b")] {
            for _ in 0..2 {
                let back = kept.load(Wanted::whole("logged")).unwrap();
                let [(name, frame)] = back.as_slice() else { panic!("{back:?}") };
                assert!(name == "logged" && frame.equals_missing(&tables(kind)[0].1));
            }
            assert!(kept.load(Wanted::whole("fixes")).unwrap().is_empty());
        }
        let left = || fs::read_dir(parent.path()).unwrap().map(|e| e.unwrap().file_name()).collect::<Vec<_>>();
        assert_eq!(left().len(), 2, "the dead one is gone: {:?}", left());
        drop(scratch);
        assert_eq!(left(), [".lostfix-scratch-far"]);
        assert!(second.load(Wanted::whole("logged")).is_err() && first.load(Wanted::whole("logged")).is_ok());
    }
}
