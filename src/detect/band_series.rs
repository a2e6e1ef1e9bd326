//! The median C/N0 of all satellites of a band, cell by cell of ten seconds, against its own last half hour: what [`super::band_drop`] looks
//! at, and when nothing of it is down.

use super::limits::Limits;
use super::window::{median, stretches, trailing_median};
use crate::frames::{UnitFrames, view};
use crate::model::ids::Band;
use crate::model::time::{MINUTE_MS, UtcMs};

/// One band.
pub(super) struct Series {
    pub(super) band: Band,
    /// Times of the cells.
    pub(super) t: Vec<UtcMs>,
    /// How far the median is below its own last half hour, dB.
    pub(super) drop: Vec<f64>,
    /// Largest common change from epoch to epoch, dB.
    pub(super) step: Vec<f64>,
    /// How much each satellite changes for itself, dB.
    pub(super) scatter: Vec<f64>,
    /// The same in the middle of the series.
    usual_scatter: f64,
}

impl Series {
    /// A change of a cell that all satellites share: more than what each of them does for itself.
    pub(super) fn shared_step(&self, i: usize, limits: &Limits) -> bool {
        let (step, scatter) = (self.step[i], self.scatter[i]);
        step.is_finite() && step >= limits.band_jump_db && !(scatter.is_finite() && step < 1.5 * scatter)
    }

    /// At how many of some times it has at least `least` cells near, and at how many a common step.
    pub(super) fn steps_near(&self, at: &[UtcMs], least: usize, limits: &Limits) -> (usize, usize) {
        let (mut seen, mut steps) = (0, 0);
        for t in at {
            let i = self.t.partition_point(|x| *x < t - 10_000);
            let mut near = (i..self.t.len()).take_while(|i| self.t[*i] <= t + 10_000);
            seen += usize::from(near.clone().count() >= least);
            steps += usize::from(near.any(|i| self.shared_step(i, limits)));
        }
        (seen, steps)
    }

    /// Whether it is there at most of some times and hardly ever makes a common step.
    pub(super) fn is_calm(&self, at: &[UtcMs], limits: &Limits) -> bool {
        let (seen, steps) = self.steps_near(at, 1, limits);
        2 * seen >= at.len() && 4 * steps <= seen
    }

    /// Whether the satellites fade each for itself in a stretch: then a low median is no common fall.
    pub(super) fn fades(&self, first: usize, end: usize, depth: f64) -> bool {
        let inside = median(self.scatter[first..end].iter().copied()).unwrap_or(0.0);
        inside >= 1.5 && inside >= 2.0 * self.usual_scatter && inside >= 0.35 * depth
    }
}

/// The series of all bands that the log holds, in the order of the bands.
pub(super) fn all_series(frames: &UnitFrames, limits: &Limits) -> Vec<Series> {
    let table = &frames.bands;
    let times = view::i64s(table, "time");
    let bands = view::u32s_full(table, "band");
    let medians = view::f32s(table, "cn0_median");
    let steps = view::f32s(table, "cn0_step_max");
    let scatters = view::f32s(table, "cn0_scatter");
    let satellites = view::u32s_full(table, "satellites");
    let mut all: Vec<Series> = Vec::new();
    for band in Band::ALL {
        let rows: Vec<usize> = (0..times.len())
            .filter(|i| bands[*i] == u32::from(band.code()) && satellites[*i] >= 4 && medians[*i].is_finite())
            .collect();
        if rows.len() < 30 {
            continue;
        }
        let t: Vec<UtcMs> = rows.iter().map(|i| times[*i]).collect();
        let value: Vec<f64> = rows.iter().map(|i| f64::from(medians[*i])).collect();
        let base = trailing_median(&t, &value, 180, 60 * MINUTE_MS, 12, |i, b| {
            b.is_finite() && b - value[i] > limits.band_drop_db
        });
        let fallback = median(value.iter().copied()).unwrap_or(f64::NAN);
        let drop: Vec<f64> =
            value.iter().zip(&base).map(|(v, b)| if b.is_finite() { b - v } else { fallback - v }).collect();
        let step: Vec<f64> = rows.iter().map(|i| f64::from(steps[*i])).collect();
        let scatter: Vec<f64> = rows.iter().map(|i| f64::from(scatters[*i])).collect();
        let usual_scatter = median(scatter.iter().copied()).unwrap_or(0.0);
        all.push(Series { band, t, drop, step, scatter, usual_scatter });
    }
    all
}

/// A band that is down by less than this part of a fall is as strong as ever.
const AS_EVER: f64 = 0.8;

/// When two carriers and more were there and each as strong as in the half hour before: begins and ends, UTC ms. What a transmitter near by
/// takes the fix with shows in C/N0 (effective C/N0 under interference, Kaplan and Hegarty 2017, chapter 9, from memory); with one
/// carrier in the log it may work on another.
pub(super) fn steady_spans(all: &[Series], limits: &Limits) -> Vec<(UtcMs, UtcMs)> {
    // Cell by cell: carriers that are there, and whether one is down. Semi-codeless L2 goes with L1 and is no carrier of its own.
    let mut cells: Vec<(UtcMs, bool, bool)> = Vec::new();
    for series in all {
        let carrier = series.band != Band::L2W;
        cells.extend(
            series.t.iter().zip(&series.drop).map(|(t, drop)| (*t, carrier, *drop >= AS_EVER * limits.band_drop_db)),
        );
    }
    // Each band's cells are in order already: the stable sort joins them.
    cells.sort();
    let (mut t, mut steady) = (Vec::new(), Vec::new());
    for cell in cells.chunk_by(|a, b| a.0 == b.0) {
        t.push(cell[0].0);
        steady.push(cell.iter().filter(|c| c.1).count() >= 2 && cell.iter().all(|c| !c.2));
    }
    stretches(&t, &steady, 10_000, 60_000, 0).into_iter().map(|s| (s.from, s.to)).collect()
}
