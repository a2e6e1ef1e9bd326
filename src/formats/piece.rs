//! Rows of a long file that are given out before its end, so that memory does not grow with the file.
//!
//! A decoder gives out rows that it will not touch any more. What it learns only at the end of the file (a late date, whose
//! corrections these were, a column that was no C/N0) is told of all pieces at once by [`Settle`]; settled pieces, one behind the
//! other, and behind them the rows of [`super::Parsed`] are the rows that the file gives when nothing is given out early.

use crate::model::ids::Signal;
use crate::model::rows::Rows;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, BTreeSet};

/// Rows that a decoder may hold before it is asked for its first piece, bytes. A file of one day stays below it.
pub const FIRST_BYTES: usize = 16 * 1024 * 1024;
/// Rows that come together before it is asked for another one: a file of many pieces is long anyway, and small ones leave small holes.
pub const PIECE_BYTES: usize = 4 * 1024 * 1024;
/// A minute that has been open for so long has ended without a successor.
const STALE_MS: i64 = HOUR_MS;

/// Rows of a file that its decoder will not touch any more.
#[derive(Debug, Clone, Default)]
pub struct Piece {
    /// What the unit says of itself.
    pub own: Rows,
    /// Satellite lists (GSV); in minutes with observables these count.
    pub lists: Rows,
    /// What correction frames say: of this unit, or received from its base.
    pub heard: Rows,
    /// Moves of sentences and of frames before these rows were given out, ms.
    pub moved: Moved,
}

/// How far times from sentences and times from frames were moved so far, ms.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Moved {
    /// Sentences.
    pub sentences_ms: i64,
    /// Correction frames.
    pub frames_ms: i64,
}

/// What is to be done with the pieces of a file, known at its end.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Settle {
    /// All moves until the end.
    pub moved: Moved,
    /// The unit uses corrections itself: what frames said is about its base and does not count.
    pub received: bool,
    /// Signals whose strength was none.
    pub refused: Vec<Signal>,
}

/// Takes the pieces of one file, in their order.
pub trait Shelf {
    /// Puts a piece aside; `false`: it could not, the rest of the file need not be read.
    fn put(&mut self, piece: Piece) -> bool;
}

/// Tables in which lists give way to observables.
pub const OF_LISTS: [&str; 3] = ["signals", "bands", "systems"];

impl Settle {
    /// How far the times of a piece must still move: those of sentences, those of frames.
    pub fn still(&self, moved: Moved) -> Moved {
        Moved {
            sentences_ms: self.moved.sentences_ms.saturating_sub(moved.sentences_ms),
            frames_ms: self.moved.frames_ms.saturating_sub(moved.frames_ms),
        }
    }

    /// The rows of a piece. Any of its tables may be left out but `signals`, which decides about the others of [`OF_LISTS`].
    pub fn rows(&self, piece: Piece) -> Rows {
        let still = self.still(piece.moved);
        let Piece { mut own, mut lists, mut heard, .. } = piece;
        own.shift(still.sentences_ms);
        lists.shift(still.sentences_ms);
        if self.received {
            heard = Rows::default();
        }
        heard.shift(still.frames_ms);
        prefer_observables(&mut lists, &mut heard);
        own.append(lists);
        own.append(heard);
        self.refused.iter().for_each(|s| refuse(&mut own, *s));
        own
    }
}

/// The time before which all rows of lists and of observables are there, so that [`prefer_observables`] may be asked about them.
/// `open`: the minutes that the two have not closed yet; `changing`: the first row of observables that may still change.
pub(super) fn settled_before(open: [Option<UtcMs>; 2], changing: Option<UtcMs>, now: Option<UtcMs>) -> UtcMs {
    // One of the two may have ended long ago: its last minute must not hold back all that follows.
    let stale = |t: &UtcMs| now.is_some_and(|now| now.saturating_sub(*t) > STALE_MS);
    let open = open.into_iter().flatten().filter(|t| !stale(t));
    open.chain(changing).min().unwrap_or(UtcMs::MAX)
}

/// Rows at the front of a table that are before a time.
pub(super) fn rows_before(times: &[UtcMs], before: UtcMs) -> usize {
    times.iter().position(|t| *t >= before).unwrap_or(times.len())
}

/// A base that logs satellite lists beside its observables tells the same signals twice. In the minutes of observables only
/// these count; the lists give them the directions of the satellites.
pub(super) fn prefer_observables(lists: &mut Rows, observables: &mut Rows) {
    if lists.signals.is_empty() || observables.signals.is_empty() {
        return;
    }
    let mut directions = BTreeMap::new();
    for i in 0..lists.signals.len() {
        if let Some(row) = lists.signals.get(i).filter(|row| !row.azimuth.is_nan()) {
            directions.insert((row.time, row.sat), (row.azimuth, row.elevation));
        }
    }
    let signals = &mut observables.signals;
    for (i, key) in signals.time.iter().zip(&signals.sat).enumerate() {
        if let Some((azimuth, elevation)) = directions.get(&(*key.0, *key.1))
            && let (Some(a), Some(e)) = (signals.azimuth.get_mut(i), signals.elevation.get_mut(i))
            && a.is_nan()
        {
            (*a, *e) = (*azimuth, *elevation);
        }
    }
    let minutes: BTreeSet<UtcMs> = signals.time.iter().copied().collect();
    let outside = |times: &[UtcMs]| -> Vec<u32> {
        let minute = |t: &UtcMs| t - t.rem_euclid(MINUTE_MS);
        (0_u32..).zip(times).filter(|(_, t)| !minutes.contains(&minute(t))).map(|(i, _)| i).collect()
    };
    lists.signals = lists.signals.take(&outside(&lists.signals.time));
    lists.bands = lists.bands.take(&outside(&lists.bands.time));
    lists.systems = lists.systems.take(&outside(&lists.systems.time));
}

/// Takes the C/N0 of a signal out of the rows: it was no C/N0. The ten seconds of its band mix signals and lose theirs too.
pub(super) fn refuse(rows: &mut Rows, signal: Signal) {
    let packed = signal.pack();
    for (i, s) in rows.signals.signal.iter().enumerate() {
        if *s == packed {
            for column in [
                &mut rows.signals.cn0_mean,
                &mut rows.signals.cn0_min,
                &mut rows.signals.cn0_sd,
                &mut rows.signals.s4_like,
            ] {
                if let Some(v) = column.get_mut(i) {
                    *v = f32::NAN;
                }
            }
        }
    }
    let band = signal.band().map_or(0, |b| b.code());
    for (i, b) in rows.bands.band.iter().enumerate() {
        if *b == band {
            for column in [&mut rows.bands.cn0_median, &mut rows.bands.cn0_step_max] {
                if let Some(v) = column.get_mut(i) {
                    *v = f32::NAN;
                }
            }
        }
    }
}
