//! `weak-signal`: the strong satellites of a base are weaker than a good installation gives, hour after hour, against the
//! expected C/N0 and against the other bases of the run.
//!
//! Expected: typical C/N0 by elevation of a good survey antenna, check-values 10.2 (common practice, no source); without
//! elevations the upper quartile over satellites stands for 40 to 90 degrees. Receivers differ by 1 to 3 dB between makes,
//! so the fleet's own median counts where there are enough bases. Where directions are known and the satellites overhead are as strong as
//! ever, the others stand behind something: then it is not the signal path, nor where something covers the antenna.

use super::Maker;
use super::level::Level;
use super::limits::Limits;
use super::sky_minutes::SatMinute;
use super::whole_sky::WholeSky;
use super::window::{median, stretches};
use crate::frames::UnitFrames;
use crate::maths::for_text;
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeMap;

/// C/N0 that the upper quartile of satellites reaches with a good antenna, dB-Hz, by band.
const EXPECTED_DBHZ: [(Band, f64); 3] = [(Band::L1, 46.0), (Band::L2, 43.5), (Band::L5, 48.0)];

/// What no wall or tree around an antenna hides, degrees ...
const OVERHEAD_DEG: f64 = 70.0;
/// ... in so many minutes of satellites an hour.
const OVERHEAD_LEAST: usize = 30;
/// The satellites overhead are so much less weak than the strong ones of the whole sky, as a part of what those are weaker than elsewhere ...
const OVERHEAD_PART: f64 = 0.5;
/// ... and dB (makes differ by 1 to 3 dB, the typical curve holds for all).
const OVERHEAD_DB: f64 = 3.0;

/// How far the first frequency of the satellites overhead is under the typical curve, dB, by hour; no entry where their directions are not known.
fn overhead(minutes: &[SatMinute]) -> BTreeMap<UtcMs, f64> {
    let mut by_hour: BTreeMap<UtcMs, Vec<f64>> = BTreeMap::new();
    for m in minutes.iter().filter(|m| m.elevation >= OVERHEAD_DEG && m.deficit_db.is_finite()) {
        by_hour.entry(m.time.div_euclid(HOUR_MS) * HOUR_MS).or_default().push(m.deficit_db);
    }
    by_hour.into_iter().filter(|(_, v)| v.len() >= OVERHEAD_LEAST).filter_map(|(t, v)| Some((t, median(v)?))).collect()
}

/// Weak hours of one base. `fleet` holds the levels of the other bases of the run.
pub(super) fn run(
    frames: &UnitFrames,
    level: &Level,
    fleet: &[&Level],
    (minutes, sky): (&[SatMinute], &WholeSky),
    limits: &Limits,
) -> Vec<Event> {
    let maker = Maker::of_signals(frames);
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
    let overhead = if weak_hours.is_empty() { BTreeMap::new() } else { overhead(minutes) };
    let hours: Vec<UtcMs> = weak_hours.keys().copied().collect();
    // The whole sky and all bands are weak, or it is not the signal path: the first frequency over its limit, every other
    // measured band at least near it (makes differ by 1 to 3 dB).
    let flags: Vec<bool> = weak_hours
        .iter()
        .map(|(hour, v)| {
            let Some((_, deficit)) = v.iter().find(|(b, _)| *b == Band::L1) else { return false };
            let usual = EXPECTED_DBHZ[0].1 - level.by_hour.get(&(Band::L1.code(), *hour)).copied().unwrap_or(f64::NAN);
            let blocked =
                overhead.get(hour).is_some_and(|high| usual - high > (OVERHEAD_PART * deficit).max(OVERHEAD_DB));
            let covered = sky.is_covered(*hour, hour + HOUR_MS);
            !blocked && !covered && least.get(hour).is_some_and(|part| *part >= 0.4)
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
