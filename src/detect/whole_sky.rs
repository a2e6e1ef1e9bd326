//! `sky-covered`: the whole sky of a base is weak and each satellite swings for itself, minute after minute: metal, a roof or leaves
//! over the antenna. A weak antenna, cable or amplifier takes from all satellites alike and steadily.
//!
//! With it the level of the whole sky, cell by cell, which other detectors need to know: under a weak sky low satellites are not
//! tracked and all of them slip, without anything standing in front of them.

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::SatMinute;
use super::window::{Stretch, median, quantile, stretches};
use crate::frames::UnitFrames;
use crate::model::event::Event;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::BTreeMap;

/// Satellites below are weak and restless under any sky, degrees.
const MASK_DEG: f64 = 10.0;
/// Cells, ms: the whole sky can fall and come back within an hour.
pub(super) const CELL_MS: i64 = 5 * MINUTE_MS;
/// Satellite minutes that a cell needs.
const LEAST_MINUTES: usize = 20;
/// Under typical by so much the second frequency of satellites below 30 degrees falls under what a receiver tracks, about 28 dB-Hz (typical
/// 37 to 41 dB-Hz there, check values 10.2: common practice, no source), dB.
const LOSES_LOW_DB: f64 = 8.0;

/// Under a cover the level comes and goes: a cell may be so much less weak than what is weak by itself, as a part.
const COVER_PART: f64 = 0.6;
/// What covers an antenna stays, ms.
const LEAST_COVERED_MS: i64 = 30 * MINUTE_MS;
/// Cells of a strong sky that tell how much satellites swing there anyway.
const LEAST_STRONG: usize = 6;

/// One cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub time: UtcMs,
    /// Median under the typical curve, of the first and of the other bands, dB.
    pub first_db: f64,
    pub second_db: f64,
    /// What the best fifth of the satellites is under it at least, first band, dB: what nothing stands in front of.
    best_db: f64,
    /// How much the satellite in the middle changes from minute to minute beside the others, dB.
    pub swing_db: f64,
}

/// The level of the whole sky over a base; empty without directions.
#[derive(Debug, Clone, Default)]
pub(super) struct WholeSky {
    pub cells: Vec<Cell>,
    /// Stretches in which something covers the antenna, with their cells.
    covered: Vec<Stretch>,
}

/// How much satellites change from minute to minute beside the others.
#[derive(Default)]
struct Swings {
    /// Minute and deficit of each satellite when it was last seen.
    last: BTreeMap<u16, (UtcMs, f64)>,
}

impl Swings {
    /// Adds the changes since the minute before, less what the others have, dB; `minute` holds the satellites of one.
    fn add(&mut self, minute: &[SatMinute], out: &mut Vec<f64>) {
        let first = out.len();
        for m in minute.iter().filter(|m| counts(m)) {
            let before = self.last.insert(m.sat, (m.time, m.deficit_db));
            out.extend(before.filter(|(t, _)| m.time - t == MINUTE_MS).map(|(_, db)| m.deficit_db - db));
        }
        let changes = &mut out[first..];
        let common = median(changes.iter().copied()).unwrap_or(0.0);
        changes.iter_mut().for_each(|c| *c = (*c - common).abs());
    }
}

fn counts(minute: &SatMinute) -> bool {
    minute.elevation >= MASK_DEG && minute.deficit_db.is_finite()
}

/// The cells; `minutes` are sorted by time.
fn cells(minutes: &[SatMinute]) -> Vec<Cell> {
    let mut swings = Swings::default();
    let mut changes = Vec::new();
    let mut cell = |inside: &[SatMinute]| {
        changes.clear();
        inside.chunk_by(|a, b| a.time == b.time).for_each(|minute| swings.add(minute, &mut changes));
        let counted = || inside.iter().filter(|m| counts(m));
        if counted().count() < LEAST_MINUTES {
            return None;
        }
        Some(Cell {
            time: inside.first()?.time.div_euclid(CELL_MS) * CELL_MS,
            first_db: median(counted().map(|m| m.deficit_db))?,
            second_db: median(counted().map(|m| m.deficit_2_db)).unwrap_or(f64::NAN),
            best_db: quantile(counted().map(|m| m.deficit_db), 0.2)?,
            swing_db: median(changes.iter().copied()).unwrap_or(0.0),
        })
    };
    let of_cell = |a: &SatMinute, b: &SatMinute| a.time.div_euclid(CELL_MS) == b.time.div_euclid(CELL_MS);
    minutes.chunk_by(of_cell).filter_map(&mut cell).collect()
}

impl WholeSky {
    pub(super) fn of(minutes: &[SatMinute], limits: &Limits) -> WholeSky {
        let cells = cells(minutes);
        let times: Vec<UtcMs> = cells.iter().map(|c| c.time).collect();
        let both = |c: &Cell| c.second_db.is_nan() || c.second_db >= 0.5 * COVER_PART * limits.curve_db;
        let weak = |c: &Cell| c.first_db >= COVER_PART * limits.curve_db && both(c);
        // Reflections make satellites swing under a strong sky as well.
        let strong: Vec<f64> = cells.iter().filter(|c| !weak(c)).map(|c| c.swing_db).collect();
        let anyway_db = if strong.len() >= LEAST_STRONG { median(strong).unwrap_or(0.0) } else { 0.0 };
        let swings = limits.cover_swing_db.max(2.0 * anyway_db);
        let flags: Vec<bool> = cells.iter().map(|c| weak(c) && c.swing_db >= swings).collect();
        let mut covered = stretches(&times, &flags, CELL_MS, 2 * CELL_MS, LEAST_COVERED_MS);
        let level = |s: &Stretch| median(cells[s.first..s.end].iter().map(|c| c.first_db)).unwrap_or(0.0);
        covered.retain(|s| level(s) >= 0.8 * limits.curve_db);
        WholeSky { cells, covered }
    }

    /// Whether something covers the antenna for at least half of a time.
    pub(super) fn is_covered(&self, from: UtcMs, to: UtcMs) -> bool {
        let ms: i64 = self.covered.iter().map(|s| (s.to.min(to) - s.from.max(from)).max(0)).sum();
        ms > 0 && 2 * ms >= to - from
    }

    /// Whether even the best part of the sky is so weak for at least half of a time, and steadily so, that low satellites get lost by it.
    pub(super) fn loses_low(&self, from: UtcMs, to: UtcMs) -> bool {
        let first = self.cells.partition_point(|c| c.time + CELL_MS <= from);
        let inside = || self.cells[first..].iter().take_while(|c| c.time < to);
        let weak = inside().filter(|c| c.best_db >= LOSES_LOW_DB).count();
        weak > 0 && 2 * weak >= inside().count() && !self.is_covered(from, to)
    }

    /// The events.
    pub(super) fn events(&self, frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
        let maker = Maker::of_signals(frames);
        let told = |s: &Stretch| {
            let inside = || self.cells.get(s.first..s.end).unwrap_or_default().iter();
            let (weak, swing) = (median(inside().map(|c| c.first_db))?, median(inside().map(|c| c.swing_db))?);
            Some(maker.event(
                "sky-covered",
                s.from,
                s.to,
                Some(swing),
                "dB",
                0.5 * swing / limits.cover_swing_db,
                format!(
                    "C/N0 is {weak:.1} dB under the typical curve over elevation and changes by {swing:.1} dB from minute to minute, \
                     each satellite for itself: metal, a roof or leaves over the antenna"
                ),
            ))
        };
        self.covered.iter().filter_map(told).collect()
    }
}
