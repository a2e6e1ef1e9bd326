//! `second-frequency-ageing`: a second frequency falls day after day over the whole sky while the first stays: the antenna
//! element or its amplifier ages (check-values 18: common practice, no source).

use super::Maker;
use super::level::Level;
use super::limits::Limits;
use super::window::median;
use crate::frames::UnitFrames;
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::time::DAY_MS;
use std::collections::BTreeMap;

pub(super) fn run(frames: &UnitFrames, level: &Level, limits: &Limits) -> Vec<Event> {
    let Some((_, first_fall, _)) = trend(level, Band::L1, limits) else { return Vec::new() };
    let maker = Maker::of_signals(frames);
    // The semi-codeless signal is left out: it follows the first frequency twice over (check-values 10.3).
    [Band::L2, Band::L5]
        .into_iter()
        .filter_map(|band| {
            let (days, fall_db, steady) = trend(level, band, limits)?;
            if fall_db < limits.ageing_db || first_fall.abs() > fall_db / 3.0 || !steady {
                return None;
            }
            let (from, to) = (*days.first()? * DAY_MS, (*days.last()? + 1) * DAY_MS);
            Some(maker.event(
                "second-frequency-ageing",
                from,
                to,
                Some(fall_db),
                "dB",
                0.5 * fall_db / limits.ageing_db,
                format!(
                    "C/N0 on {} falls by {fall_db:.1} dB over {} days on all satellites, L1 by {first_fall:.1} dB: the \
                     antenna element or its amplifier ages; try another antenna, then another cable",
                    band.name(),
                    (to - from) / DAY_MS
                ),
            ))
        })
        .collect()
}

/// Days with data, the fall over them (dB, Theil-Sen slope times span) and whether it went on through the whole time.
fn trend(level: &Level, band: Band, limits: &Limits) -> Option<(Vec<i64>, f64, bool)> {
    let mut by_day: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for ((b, hour), value) in &level.by_hour {
        if *b == band.code() {
            by_day.entry(hour.div_euclid(DAY_MS)).or_default().push(*value);
        }
    }
    // A day with a few hours has another sky: half a day at least.
    let points: Vec<(i64, f64)> =
        by_day.into_iter().filter(|(_, v)| v.len() >= 12).filter_map(|(d, v)| Some((d, median(v)?))).collect();
    if (points.len() as f64) < limits.ageing_days.max(3.0) || points.len() > 1_000 {
        return None;
    }
    let mut slopes = Vec::new();
    for (i, a) in points.iter().enumerate() {
        for b in &points[i + 1..] {
            slopes.push((b.1 - a.1) / (b.0 - a.0) as f64);
        }
    }
    let falling = slopes.iter().filter(|s| **s < 0.0).count() as f64 / slopes.len().max(1) as f64;
    let slope = median(slopes)?;
    let span = (points.last()?.0 - points.first()?.0) as f64;
    // A single step is not a fade over weeks: both halves must fall.
    let half = points.len() / 2;
    let part = |p: &[(i64, f64)]| median(p.windows(2).map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0) as f64));
    let both = part(&points[..=half]).is_some_and(|s| s < 0.2 * slope)
        && part(&points[half..]).is_some_and(|s| s < 0.2 * slope);
    Some((points.iter().map(|p| p.0).collect(), -slope * span, falling > 0.8 && both))
}
