//! The signals of a unit slice by slice: by far its longest table. Of a base with weeks of data they do not stay in memory while its
//! detectors look at them one after the other.

use super::schema::{Columns, Wanted};
use super::{Loader, UnitFrames, view};
use polars::frame::DataFrame;
use polars::prelude::PolarsResult;
use std::sync::{Arc, Mutex, PoisonError};

/// Rows that are looked at at once.
const SLICE_ROWS: usize = 128 * 1024;

/// Slices of a table that lie elsewhere, in their order.
#[derive(Clone, Default)]
pub struct Aside {
    slices: Vec<Loader>,
    /// Why one of them did not come back.
    failed: Arc<Mutex<Option<String>>>,
}

impl std::fmt::Debug for Aside {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} slices", self.slices.len())
    }
}

/// Where rows were read, by time: kept where it changes.
#[derive(Debug, Clone, Default)]
pub struct OriginRuns {
    first: Option<u32>,
    /// Time from which on rows have an origin.
    runs: Vec<(i64, u32)>,
}

impl OriginRuns {
    /// Adds rows behind those that are there; times do not fall.
    pub fn add(&mut self, times: &[i64], origins: &[u32]) {
        for (time, origin) in times.iter().zip(origins) {
            self.first.get_or_insert(*origin);
            // Of rows with one time the last one tells.
            while self.runs.last().is_some_and(|r| r.0 == *time) {
                self.runs.pop();
            }
            if self.runs.last().is_none_or(|r| r.1 != *origin) {
                self.runs.push((*time, *origin));
            }
        }
    }

    /// The origin of the last row at or before a time, else of the first row.
    pub fn at(&self, time: i64) -> Option<u32> {
        let behind = self.runs.partition_point(|r| r.0 <= time);
        behind.checked_sub(1).and_then(|i| self.runs.get(i)).map(|r| r.1).or(self.first)
    }
}

/// A table in slices, without a copy.
pub fn slices(table: &DataFrame) -> impl Iterator<Item = DataFrame> + '_ {
    (0..table.height()).step_by(SLICE_ROWS).map(|at| table.slice(at as i64, SLICE_ROWS))
}

impl UnitFrames {
    /// The signals slice by slice, with at least these columns, time and origin.
    pub fn signal_slices<'a>(&'a self, columns: &'a [&'a str]) -> impl Iterator<Item = DataFrame> + 'a {
        let mut wanted = columns.to_vec();
        wanted.extend(["time", "origin"]);
        let here = slices(&self.signals);
        let aside = self.signals_aside.slices.iter().map_while(move |load| {
            let wanted = Wanted { table: "signals", columns: Columns::Only(&wanted) };
            match load(Some(wanted)) {
                Ok(batch) => Some(batch.tables.into_iter().map(|t| t.1)),
                Err(e) => {
                    let mut failed = self.signals_aside.failed.lock().unwrap_or_else(PoisonError::into_inner);
                    failed.get_or_insert(e.to_string());
                    None
                }
            }
        });
        here.chain(aside.flatten())
    }

    /// Where the signals were read.
    pub fn signal_origins(&self) -> &OriginRuns {
        self.signal_origins.get_or_init(|| {
            let mut runs = OriginRuns::default();
            for slice in self.signal_slices(&[]) {
                runs.add(&view::i64s(&slice, "time"), &view::u32s_full(&slice, "origin"));
            }
            runs
        })
    }

    /// Gives the signals to `put` in slices, which brings them back when they are asked for.
    ///
    /// # Errors
    /// What `put` says.
    pub fn put_signals_aside<E>(&mut self, mut put: impl FnMut(DataFrame) -> Result<Loader, E>) -> Result<(), E> {
        let table = std::mem::take(&mut self.signals);
        for mut slice in slices(&table) {
            slice.rechunk_mut();
            self.signals_aside.slices.push(put(slice)?);
        }
        Ok(())
    }

    /// Takes the other tables of the same unit from `more`.
    #[must_use]
    pub fn with_others(self, more: UnitFrames) -> UnitFrames {
        let UnitFrames { signals, signals_aside, expected, geometry_from, signal_origins, .. } = self;
        UnitFrames { signals, signals_aside, expected, geometry_from, signal_origins, ..more }
    }

    /// Whether all slices came back so far.
    ///
    /// # Errors
    /// Why not.
    pub fn check_aside(&self) -> PolarsResult<()> {
        let failed = self.signals_aside.failed.lock().unwrap_or_else(PoisonError::into_inner);
        failed.as_ref().map_or(Ok(()), |why| Err(super::loader_error(why.clone())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_origins_tell_what_the_rows_tell() {
        // Any times in order, many of them equal, and origins in runs.
        let n = |i: u64| i.wrapping_mul(6_364_136_223_846_793_005) >> 59;
        let mut times: Vec<i64> = (0..400).map(|i| n(i) as i64 * 10 + i as i64 / 7).collect();
        times.sort_unstable();
        let origins: Vec<u32> = (0..400_u64).map(|i| n(i / 5) as u32 % 3).collect();
        for cut in [0, 1, 133, 400] {
            let mut runs = OriginRuns::default();
            runs.add(&times[..cut], &origins[..cut]);
            runs.add(&times[cut..], &origins[cut..]);
            for t in -5..700 {
                let at = times.partition_point(|x| *x <= t).saturating_sub(1);
                assert_eq!(runs.at(t), Some(origins[at]), "{t}");
            }
        }
        assert_eq!(OriginRuns::default().at(0), None);
    }
}
