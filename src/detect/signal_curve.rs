//! `weak-whole-sky`, `weak-sector`: C/N0 against the typical curve over elevation (check values 10.2: common practice, no
//! source), satellite by satellite. A whole sky that is weak on all bands alike is the signal path; a sector that is weaker
//! than the rest of its own sky stands behind something.

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::SatMinute;
use super::whole_sky::{CELL_MS, Cell, WholeSky};
use super::window::{median, stretches};
use crate::frames::UnitFrames;
use crate::model::event::Event;
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeMap;

/// Azimuth sectors of 30 degrees, low (10 to 35 degrees) and high.
const SECTORS: usize = 12;
const LEAST_MINUTES: usize = 15;
const MASK_DEG: f64 = 10.0;
const HIGH_DEG: f64 = 35.0;

/// One hour of the sky.
#[derive(Debug, Clone)]
struct Hour {
    /// Deficit of each sector against the whole, low and high; NaN when too few minutes.
    sectors: [[f64; 2]; SECTORS],
}

pub(super) fn run(frames: &UnitFrames, minutes: &[SatMinute], sky: &WholeSky, limits: &Limits) -> Vec<Event> {
    let mut by_hour: BTreeMap<UtcMs, Vec<&SatMinute>> = BTreeMap::new();
    for m in minutes.iter().filter(|m| m.elevation >= MASK_DEG && m.deficit_db.is_finite()) {
        by_hour.entry(m.time.div_euclid(HOUR_MS) * HOUR_MS).or_default().push(m);
    }
    let hours: Vec<(UtcMs, Hour)> =
        by_hour.into_iter().filter(|(_, v)| v.len() >= 100).map(|(t, v)| (t, Hour::of(&v))).collect();
    let times: Vec<UtcMs> = hours.iter().map(|h| h.0).collect();
    let maker = Maker::of_signals(frames);
    let mut events = Vec::new();
    // All bands, and in all directions: the weakest sector is not far from the rest of the same sky.
    let even: BTreeMap<UtcMs, bool> = hours
        .iter()
        .map(|(t, h)| (*t, h.sectors.iter().flatten().filter(|s| s.is_finite()).all(|s| s.abs() < limits.sector_db)))
        .collect();
    let weak: Vec<bool> = sky
        .cells
        .iter()
        .map(|l| {
            l.first_db >= limits.curve_db
                && (l.second_db.is_nan() || l.second_db >= 0.5 * limits.curve_db)
                && even.get(&(l.time.div_euclid(HOUR_MS) * HOUR_MS)).copied().unwrap_or(false)
                && !sky.is_covered(l.time, l.time + CELL_MS)
        })
        .collect();
    let level_times: Vec<UtcMs> = sky.cells.iter().map(|l| l.time).collect();
    for s in stretches(&level_times, &weak, CELL_MS, 2 * CELL_MS, 2 * CELL_MS) {
        let of = |f: &dyn Fn(&Cell) -> f64| median(sky.cells.get(s.first..s.end).unwrap_or_default().iter().map(f));
        let (first, second) = (of(&|l| l.first_db).unwrap_or(0.0), of(&|l| l.second_db));
        events.push(maker.event(
            "weak-whole-sky",
            s.from,
            s.to,
            Some(first),
            "dB",
            0.5 * first / limits.curve_db,
            format!(
                "C/N0 is {first:.1} dB under the typical curve over elevation in all directions{}",
                second.map_or_else(String::new, |d| format!(", {d:.1} dB on the other bands"))
            ),
        ));
    }
    events.extend(sectors(&hours, &times, &maker, limits));
    events
}

impl Hour {
    fn of(minutes: &[&SatMinute]) -> Hour {
        let mut cells: [[Vec<f64>; 2]; SECTORS] = Default::default();
        // Against the same minute's sky: an amplifier that comes and goes must not look like a sector.
        let mut at: BTreeMap<UtcMs, Vec<f64>> = BTreeMap::new();
        minutes.iter().for_each(|m| at.entry(m.time).or_default().push(m.deficit_db));
        let then: BTreeMap<UtcMs, f64> =
            at.into_iter().filter(|(_, v)| v.len() >= 5).filter_map(|(t, v)| Some((t, median(v)?))).collect();
        for m in minutes {
            let Some(sky_db) = then.get(&m.time) else { continue };
            let a = ((m.azimuth.rem_euclid(360.0) / 30.0) as usize).min(SECTORS - 1);
            if let Some(cell) = cells.get_mut(a).and_then(|c| c.get_mut(usize::from(m.elevation >= HIGH_DEG))) {
                cell.push(m.deficit_db - sky_db);
            }
        }
        let sectors = cells
            .map(|pair| pair.map(|v| if v.len() < LEAST_MINUTES { f64::NAN } else { median(v).unwrap_or(f64::NAN) }));
        Hour { sectors }
    }
}

/// Sectors that are weaker than the rest of the same sky, hour after hour.
fn sectors(hours: &[(UtcMs, Hour)], times: &[UtcMs], maker: &Maker, limits: &Limits) -> Vec<Event> {
    let weak = |h: &Hour| -> Vec<(usize, usize)> {
        let mut out = Vec::new();
        for (a, pair) in h.sectors.iter().enumerate() {
            for (e, d) in pair.iter().enumerate() {
                if *d >= limits.sector_db {
                    out.push((a, e));
                }
            }
        }
        out
    };
    let flags: Vec<bool> = hours.iter().map(|(_, h)| !weak(h).is_empty()).collect();
    stretches(times, &flags, HOUR_MS, HOUR_MS, 2 * HOUR_MS)
        .into_iter()
        .filter_map(|s| {
            let inside = hours.get(s.first..s.end)?;
            // A sector must be weak in most of the hours in which it is known.
            let mut kept: Vec<(usize, usize, f64)> = Vec::new();
            for a in 0..SECTORS {
                for e in 0..2 {
                    let known: Vec<f64> = inside
                        .iter()
                        .filter_map(|(_, h)| h.sectors.get(a)?.get(e).copied())
                        .filter(|d| d.is_finite())
                        .collect();
                    let bad = known.iter().filter(|d| **d >= limits.sector_db).count();
                    if known.len() >= 2 && bad * 3 >= known.len() * 2 {
                        kept.push((a, e, median(known).unwrap_or(0.0)));
                    }
                }
            }
            if kept.is_empty() {
                return None;
            }
            let worst = kept.iter().map(|k| k.2).fold(0.0, f64::max);
            let words: Vec<String> = kept
                .iter()
                .take(4)
                .map(|(a, e, d)| {
                    let where_ = if *e == 0 { "10-35" } else { "over 35" };
                    format!("azimuth {}-{} at {where_} degrees {d:.0} dB", a * 30, (a + 1) * 30)
                })
                .collect();
            let more = if kept.len() > words.len() {
                format!(" and {} more", kept.len() - words.len())
            } else {
                String::new()
            };
            Some(maker.event(
                "weak-sector",
                s.from,
                s.to,
                Some(worst),
                "dB",
                0.5 * worst / limits.sector_db * (0.6 + 0.1 * kept.len() as f64).min(1.0),
                format!("C/N0 is weaker than in the rest of the sky: {}{more}", words.join("; ")),
            ))
        })
        .collect()
}
