//! Rows of one long file put aside while it is read: in one file of their own, table by table, until the shelf is dropped.

use super::{StoreError, io_error};
use crate::model::packed::TABLES;
use crate::model::rows::Rows;
use crate::model::time::DAY_MS;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Rows by UTC day (days since 1970).
pub type Days = BTreeMap<i64, u64>;

/// One table of some rows.
#[derive(Debug, Default)]
struct Section {
    at: u64,
    bytes: usize,
    rows: usize,
    days: Days,
}

/// Where the rows are.
#[derive(Debug)]
pub struct Shelf {
    path: PathBuf,
    // It is read through the handle that wrote it: who takes this run for dead may remove its folder meanwhile.
    file: Mutex<File>,
    end: u64,
    /// By number, the tables in the order of [`TABLES`].
    sections: Vec<[Section; TABLES.len()]>,
    buffer: Vec<u8>,
}

impl Shelf {
    /// An empty one.
    ///
    /// # Errors
    /// When the file cannot be made.
    pub fn new(path: PathBuf) -> Result<Shelf, StoreError> {
        let file = File::options().read(true).write(true).create(true).truncate(true).open(&path);
        let file = file.map_err(io_error(&path, "make a file for the rows of a long log"))?;
        Ok(Shelf { path, file: Mutex::new(file), end: 0, sections: Vec::new(), buffer: Vec::new() })
    }

    /// Puts rows aside; gives their number.
    ///
    /// # Errors
    /// When they cannot be written.
    pub fn put(&mut self, mut rows: Rows) -> Result<usize, StoreError> {
        let mut sections: [Section; TABLES.len()] = Default::default();
        for (table, section) in TABLES.iter().zip(&mut sections) {
            self.buffer.clear();
            rows.pack(table, &mut self.buffer);
            let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
            let written = file.seek(SeekFrom::Start(self.end)).and_then(|_| file.write_all(&self.buffer));
            written.map_err(io_error(&self.path, "put rows of a long log aside"))?;
            let times = rows.times(table);
            *section = Section { at: self.end, bytes: self.buffer.len(), rows: times.len(), days: days_of(times) };
            self.end += self.buffer.len() as u64;
        }
        self.sections.push(sections);
        Ok(self.sections.len() - 1)
    }

    fn section(&self, number: usize, table: &str) -> Option<&Section> {
        let at = TABLES.iter().position(|t| *t == table)?;
        self.sections.get(number)?.get(at)
    }

    /// How many rows a table has.
    pub fn rows(&self, number: usize, table: &str) -> usize {
        self.section(number, table).map_or(0, |s| s.rows)
    }

    /// The same by day, as the times were when they were put here.
    pub fn days(&self, number: usize, table: &str) -> Days {
        self.section(number, table).map(|s| s.days.clone()).unwrap_or_default()
    }

    /// Reads tables back into `rows`.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn load(&self, number: usize, tables: &[&str], rows: &mut Rows) -> Result<(), StoreError> {
        for table in tables {
            let Some(section) = self.section(number, table).filter(|s| s.rows > 0) else { continue };
            let mut bytes = vec![0; section.bytes];
            let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
            let read = file.seek(SeekFrom::Start(section.at)).and_then(|_| file.read_exact(&mut bytes));
            drop(file);
            read.map_err(io_error(&self.path, "read rows of a long log back"))?;
            if !rows.unpack(table, section.rows, &bytes) {
                return Err(damaged(&self.path));
            }
        }
        Ok(())
    }
}

fn damaged(path: &Path) -> StoreError {
    StoreError::Damaged { path: path.to_owned(), what: "rows put aside are not what was written".to_owned() }
}

/// How many of the times lie in each day.
pub fn days_of(times: &[i64]) -> Days {
    let mut days = Days::new();
    for some in times.chunk_by(|a, b| a.div_euclid(DAY_MS) == b.div_euclid(DAY_MS)) {
        if let Some(first) = some.first() {
            *days.entry(first.div_euclid(DAY_MS)).or_default() += some.len() as u64;
        }
    }
    days
}

impl Drop for Shelf {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.path);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::rows::{LoggedEvent, SignalMinute};

    #[test]
    fn rows_come_back_table_by_table_and_nothing_is_left() {
        let folder = temp_dir::TempDir::new().unwrap();
        let path = folder.path().join("rows");
        let mut shelf = Shelf::new(path.clone()).unwrap();
        let part = |from: i64| {
            let mut rows = Rows::default();
            for i in from..from + 3 {
                rows.signals.push(SignalMinute { time: i * DAY_MS / 2, ..SignalMinute::default() });
            }
            rows.logged.push(LoggedEvent { time: from, kind: "restart".into(), detail: "ü".into() });
            rows
        };
        assert_eq!((shelf.put(part(0)).unwrap(), shelf.put(part(7)).unwrap()), (0, 1));
        assert_eq!((shelf.rows(1, "signals"), shelf.rows(1, "fixes"), shelf.rows(2, "signals")), (3, 0, 0));
        assert_eq!(shelf.days(0, "signals"), Days::from([(0, 2), (1, 1)]));
        let mut back = Rows::default();
        shelf.load(1, &["logged", "fixes"], &mut back).unwrap();
        assert_eq!((back.logged.time.as_slice(), back.signals.len()), ([7].as_slice(), 0));
        shelf.load(0, &["signals"], &mut back).unwrap();
        assert_eq!(back.signals.time, part(0).signals.time);
        drop(shelf);
        assert!(!path.exists());
    }
}
