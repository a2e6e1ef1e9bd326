//! `rover-few-satellites`, `rover-weak`, `rover-weak-steady`: what a rover itself tracks against what it usually tracks.

use super::Maker;
use super::limits::Limits;
use super::window::{median, quantile, step_ms, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::time::MINUTE_MS;

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let mut events = few_satellites(frames, limits);
    events.extend(weak(frames, limits));
    events
}

fn few_satellites(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.fixes, "time");
    let used = view::u32s(&frames.fixes, "satellites");
    let usual = quantile(used.iter().flatten().map(|n| f64::from(*n)), 0.75).unwrap_or(0.0);
    // Some receivers cap the number at 12 (common practice, no source): then only the absolute limit speaks.
    let flags: Vec<bool> = used
        .iter()
        .map(|n| n.is_some_and(|n| f64::from(n) < limits.few_satellites.min(limits.few_satellites_share * usual)))
        .collect();
    let maker = Maker::new(frames, &frames.fixes);
    let step = step_ms(&times);
    stretches(&times, &flags, step, 10 * step, 5_000)
        .into_iter()
        .map(|s| {
            let inside = median(used[s.first..s.end].iter().flatten().map(|n| f64::from(*n))).unwrap_or(0.0);
            maker.event(
                "rover-few-satellites",
                s.from,
                s.to,
                Some(inside),
                "count",
                (1.0 - 0.5 * inside / limits.few_satellites.max(1.0)).clamp(0.3, 1.0),
                format!("{inside:.0} satellites used, usually {usual:.0}"),
            )
        })
        .collect()
}

/// So long within so little is steady (common practice, no source).
const STEADY_MS: i64 = 10 * MINUTE_MS;
const STEADY_DB: f64 = 4.0;

/// The rover's strong satellites, minute by minute, against its own best hours and against what a good antenna gives.
fn weak(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let mut series: Vec<(i64, f64)> = Vec::new();
    // Rows are by time.
    let (mut minute, mut values) = (i64::MIN, Vec::new());
    let mut close = |minute: i64, values: &mut Vec<f64>| {
        let enough = values.len() >= 5;
        series.extend(quantile(values.drain(..), 0.75).filter(|_| enough).map(|level| (minute, level)));
    };
    for table in frames.signal_slices(&["band", "cn0_mean"]) {
        let times = view::i64s(&table, "time");
        let bands = view::u32s_full(&table, "band");
        let cn0 = view::f32s(&table, "cn0_mean");
        for i in 0..times.len() {
            if bands[i] == u32::from(Band::L1.code()) && cn0[i].is_finite() {
                if times[i] != minute {
                    close(minute, &mut values);
                    minute = times[i];
                }
                values.push(f64::from(cn0[i]));
            }
        }
    }
    close(minute, &mut values);
    let best = quantile(series.iter().map(|(_, v)| *v), 0.9).unwrap_or(0.0);
    let t: Vec<i64> = series.iter().map(|(t, _)| *t).collect();
    let flags: Vec<bool> = series.iter().map(|(_, v)| best - v >= limits.own_drop_db).collect();
    let maker = Maker::of_signals(frames);
    stretches(&t, &flags, MINUTE_MS, 2 * MINUTE_MS, MINUTE_MS)
        .into_iter()
        .map(|s| {
            let levels = || series[s.first..s.end].iter().map(|(_, v)| *v);
            let inside = median(levels()).unwrap_or(0.0);
            let drop = best - inside;
            // An antenna, a cable or water in a connector takes as much for long; what is near comes and goes.
            let spread = quantile(levels(), 0.9).zip(quantile(levels(), 0.1)).map_or(0.0, |(high, low)| high - low);
            let steady = s.to - s.from >= STEADY_MS && spread <= STEADY_DB;
            maker.event(
                if steady { "rover-weak-steady" } else { "rover-weak" },
                s.from,
                s.to,
                Some(drop),
                "dB",
                (0.5 * drop / limits.own_drop_db).min(1.0),
                match steady {
                    true => format!(
                        "the rover's own strong satellites are {drop:.1} dB weaker than at its best, for {} min within {spread:.1} dB",
                        (s.to - s.from) / MINUTE_MS
                    ),
                    false => format!("the rover's own strong satellites are {drop:.1} dB weaker than at its best"),
                },
            )
        })
        .collect()
}
