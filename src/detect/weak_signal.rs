//! `weak-signal`: the strong satellites of a base are weaker than a good installation gives, hour after hour, against the
//! expected C/N0 and against the other bases of the run.
//!
//! Expected: typical C/N0 by elevation of a good survey antenna, check-values 10.2 (common practice, no source); without
//! elevations the upper quartile over satellites stands for 40 to 90 degrees. Receivers differ by 1 to 3 dB between makes,
//! so the fleet's own median counts where there are enough bases. Where directions are known and the satellites overhead are as strong as
//! ever, the others stand behind something: then it is not the signal path.

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::typical_dbhz;
use super::window::{median, quantile, stretches};
use crate::frames::{UnitFrames, view};
use crate::maths::for_text;
use crate::model::event::Event;
use crate::model::ids::{Band, Signal};
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeMap;

/// C/N0 that the upper quartile of satellites reaches with a good antenna, dB-Hz, by band.
const EXPECTED_DBHZ: [(Band, f64); 3] = [(Band::L1, 46.0), (Band::L2, 43.5), (Band::L5, 48.0)];

/// Upper quartile of C/N0 by hour and band of one unit.
#[derive(Debug, Clone, Default)]
pub struct Level {
    /// Band code and hour start to upper quartile, dB-Hz.
    pub by_hour: BTreeMap<(u8, UtcMs), f64>,
}

/// What [`Level::of`] takes from the signals, besides their times.
pub const LEVEL_COLUMNS: [&str; 2] = ["band", "cn0_mean"];

impl Level {
    /// Measures a unit.
    pub fn of(frames: &UnitFrames) -> Level {
        let times = view::i64s(&frames.signals, "time");
        let bands = view::u32s_full(&frames.signals, "band");
        let cn0 = view::f32s(&frames.signals, "cn0_mean");
        let mut values: BTreeMap<(u8, UtcMs), Vec<f64>> = BTreeMap::new();
        for i in 0..times.len() {
            if cn0[i].is_finite() {
                values
                    .entry((bands[i] as u8, times[i].div_euclid(HOUR_MS) * HOUR_MS))
                    .or_default()
                    .push(f64::from(cn0[i]));
            }
        }
        let by_hour = values
            .into_iter()
            .filter(|(_, v)| v.len() >= 30)
            .filter_map(|(k, v)| Some((k, quantile(v, 0.75)?)))
            .collect();
        Level { by_hour }
    }

    /// The median over the hours of a band, dB-Hz.
    pub fn usual(&self, band: Band) -> Option<f64> {
        median(self.by_hour.iter().filter(|((b, _), _)| *b == band.code()).map(|(_, v)| *v))
    }
}

/// What no wall or tree around an antenna hides, degrees ...
const OVERHEAD_DEG: f64 = 70.0;
/// ... in so many minutes of satellites an hour.
const OVERHEAD_LEAST: usize = 30;
/// The satellites overhead are so much less weak than the strong ones of the whole sky, as a part of what those are weaker than elsewhere ...
const OVERHEAD_PART: f64 = 0.5;
/// ... and dB (makes differ by 1 to 3 dB, the typical curve holds for all).
const OVERHEAD_DB: f64 = 3.0;

/// How far the first frequency of the satellites overhead is under the typical curve, dB, by hour; no entry where their directions are not known.
fn overhead(frames: &UnitFrames) -> BTreeMap<UtcMs, f64> {
    let table = &frames.signals;
    let (times, bands) = (view::i64s(table, "time"), view::u32s_full(table, "band"));
    let (signals, cn0) = (view::u32s_full(table, "signal"), view::f32s(table, "cn0_mean"));
    let elevations = view::f32s(table, "elevation");
    let mut by_hour: BTreeMap<UtcMs, Vec<f64>> = BTreeMap::new();
    for (i, elevation) in elevations.iter().enumerate() {
        let elevation = f64::from(*elevation);
        if elevation < OVERHEAD_DEG || bands[i] != u32::from(Band::L1.code()) || !cn0[i].is_finite() {
            continue;
        }
        if let Some(typical) = Signal::unpack(signals[i]).and_then(|s| typical_dbhz(s.system, Band::L1, elevation)) {
            by_hour.entry(times[i].div_euclid(HOUR_MS) * HOUR_MS).or_default().push(typical - f64::from(cn0[i]));
        }
    }
    by_hour.into_iter().filter(|(_, v)| v.len() >= OVERHEAD_LEAST).filter_map(|(t, v)| Some((t, median(v)?))).collect()
}

/// Weak hours of one base. `fleet` holds the levels of the other bases of the run.
pub fn run(frames: &UnitFrames, level: &Level, fleet: &[&Level], limits: &Limits) -> Vec<Event> {
    let maker = Maker::new(frames, &frames.signals);
    let mut weak_hours: BTreeMap<UtcMs, Vec<(Band, f64)>> = BTreeMap::new();
    // Smallest part of its limit that a measured band's deficit reaches.
    let mut least: BTreeMap<UtcMs, f64> = BTreeMap::new();
    for (band, expected) in EXPECTED_DBHZ {
        let others: Vec<f64> = fleet.iter().filter_map(|l| l.usual(band)).collect();
        let fleet_level = if others.len() >= 3 { median(others) } else { None };
        for ((b, hour), value) in &level.by_hour {
            if *b != band.code() {
                continue;
            }
            let (deficit, limit) = match fleet_level {
                Some(f) => (f - value, limits.weak_fleet_db),
                None => (expected - value, limits.weak_db),
            };
            let part = least.entry(*hour).or_insert(f64::INFINITY);
            *part = part.min(deficit / limit);
            if deficit >= limit {
                weak_hours.entry(*hour).or_default().push((band, deficit));
            }
        }
    }
    // The whole sky and all bands are weak, or it is not the signal path: the first frequency over its limit, every other
    // measured band at least near it (makes differ by 1 to 3 dB).
    let overhead = if weak_hours.is_empty() { BTreeMap::new() } else { overhead(frames) };
    let hours: Vec<UtcMs> = weak_hours.keys().copied().collect();
    let flags: Vec<bool> = weak_hours
        .iter()
        .map(|(hour, v)| {
            let Some((_, deficit)) = v.iter().find(|(b, _)| *b == Band::L1) else { return false };
            let usual = EXPECTED_DBHZ[0].1 - level.by_hour.get(&(Band::L1.code(), *hour)).copied().unwrap_or(f64::NAN);
            let blocked =
                overhead.get(hour).is_some_and(|high| usual - high > (OVERHEAD_PART * deficit).max(OVERHEAD_DB));
            !blocked && least.get(hour).is_some_and(|part| *part >= 0.4)
        })
        .collect();
    let against =
        if fleet.len() >= 3 { "the fleet's bases" } else { "a good installation (common practice, no source)" };
    stretches(&hours, &flags, HOUR_MS, HOUR_MS, 0)
        .into_iter()
        .map(|s| {
            let of = |band: Band| {
                median(
                    weak_hours
                        .range(s.from..s.to)
                        .flat_map(|(_, v)| v.iter().filter(|(b, _)| *b == band).map(|(_, d)| *d)),
                )
            };
            let l1 = of(Band::L1).unwrap_or(0.0);
            let others: Vec<String> = [Band::L2, Band::L5]
                .iter()
                .filter_map(|b| of(*b).map(|d| format!("{} {:.1} dB", b.name(), for_text(d, 1))))
                .collect();
            let more = if others.is_empty() { String::new() } else { format!(", {}", others.join(", ")) };
            maker.event(
                "weak-signal",
                s.from,
                s.to,
                Some(l1),
                "dB",
                (0.5 * l1 / limits.weak_db).min(1.0),
                format!("strong satellites are weaker than at {against}: L1 {:.1} dB{more}", for_text(l1, 1)),
            )
        })
        .collect()
}
