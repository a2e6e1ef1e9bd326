//! `position-moved`, `position-alternates`, `position-drift`, `position-unlike-reference`: what a base says about where it
//! is, against itself and against the surveyed reference.
//!
//! Only positions of station messages (1005, 1006) with millimetres count. Virtual stations (DF141) follow the rover and
//! are never a moved base.

use super::Maker;
use super::limits::Limits;
use super::setup::Setup;
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::time::{DAY_MS, UtcMs};

struct Said {
    time: UtcMs,
    xyz: [f64; 3],
}

pub(super) fn run(frames: &UnitFrames, setup: &Setup, limits: &Limits) -> Vec<Event> {
    let table = &frames.positions;
    let times = view::i64s(table, "time");
    let (x, y, z) = (view::f64s(table, "x_m"), view::f64s(table, "y_m"), view::f64s(table, "z_m"));
    let virtual_station = view::bools(table, "is_virtual");
    let rtcm = view::bools(table, "from_rtcm");
    let said: Vec<Said> = (0..times.len())
        .filter(|i| rtcm[*i] && !virtual_station[*i] && x[*i].hypot(y[*i]).hypot(z[*i]) > 6.0e6)
        .map(|i| Said { time: times[i], xyz: [x[i], y[i], z[i]] })
        .collect();
    let (Some(first), Some(last)) = (said.first(), said.last()) else { return Vec::new() };
    let maker = Maker::new(frames, table);
    let mut events = Vec::new();

    if let Some(reference) = setup.reference_xyz_m {
        let off: Vec<(UtcMs, f64)> = said.iter().map(|s| (s.time, distance(s.xyz, reference))).collect();
        for (from, to, worst) in far_stretches(&off, limits.position_unlike_m) {
            events.push(maker.event(
                "position-unlike-reference",
                from,
                to,
                Some(worst),
                "m",
                strength(worst, limits.position_unlike_m),
                format!("reported position is {} from the surveyed reference", metres(worst)),
            ));
        }
    }

    // Clusters in order of appearance; a change of cluster is a move, a change back and forth an alternation.
    let mut centres: Vec<[f64; 3]> = Vec::new();
    let mut sequence: Vec<(UtcMs, usize)> = Vec::new();
    for s in &said {
        let known = centres.iter().position(|c| distance(*c, s.xyz) <= limits.position_moved_m);
        let id = known.unwrap_or_else(|| {
            if centres.len() < 1000 {
                centres.push(s.xyz);
            }
            centres.len() - 1
        });
        if sequence.last().is_none_or(|(_, before)| *before != id) {
            sequence.push((s.time, id));
        }
    }
    let span_days = (last.time - first.time) as f64 / DAY_MS as f64;
    let total = distance(first.xyz, last.xyz);
    let steps: Vec<f64> = said.windows(2).map(|w| distance(w[0].xyz, w[1].xyz)).collect();
    let largest_step = steps.iter().copied().fold(0.0, f64::max);
    let steady = steps.iter().filter(|s| **s > 0.0).count() >= 10 && largest_step < total / 3.0;
    if steady && total > limits.position_moved_m {
        let per_day = total / span_days.max(1.0 / 24.0);
        if per_day >= limits.position_drift_m_day {
            events.push(maker.event(
                "position-drift",
                first.time,
                last.time,
                Some(total),
                "m",
                strength(total, limits.position_moved_m),
                format!("reported position drifts by {} in {:.1} h", metres(total), span_days * 24.0),
            ));
        }
    } else {
        let returns = sequence.len() > centres.len() && sequence.len() >= 4;
        for (i, pair) in sequence.windows(2).enumerate() {
            let (from, to) = (pair[0].1, pair[1].1);
            let by = match (centres.get(from), centres.get(to)) {
                (Some(a), Some(b)) => distance(*a, *b),
                _ => continue,
            };
            let until = sequence.get(i + 2).map_or(last.time, |(t, _)| *t);
            let kind = if returns { "position-alternates" } else { "position-moved" };
            // Back and forth: it is each change that hurts, not the stay (the way back ends the trouble).
            let until = if returns { until.min(pair[1].0 + 60_000) } else { until };
            events.push(maker.event(
                kind,
                pair[1].0,
                until,
                Some(by),
                "m",
                strength(by, limits.position_moved_m),
                format!("reported position changes by {}", metres(by)),
            ));
            if events.len() > 500 {
                break;
            }
        }
    }
    events
}

/// Two stations in one stream report in turns: what is far again within this time was far meanwhile, ms.
const IN_TURNS_MS: i64 = 90_000;

/// When a position was more than `limit_m` from its reference, and by how much at most: from the first report of it to the report that is
/// near again, or the last one.
fn far_stretches(off: &[(UtcMs, f64)], limit_m: f64) -> Vec<(UtcMs, UtcMs, f64)> {
    let mut out: Vec<(UtcMs, UtcMs, f64)> = Vec::new();
    // Whether a near report came after the last far one.
    let mut ended = true;
    for (t, d) in off {
        if *d > limit_m {
            match out.last_mut().filter(|last| !ended || t - last.1 <= IN_TURNS_MS) {
                Some(last) => (last.1, last.2) = (*t, last.2.max(*d)),
                None => out.push((*t, *t, *d)),
            }
            ended = false;
        } else if let Some(last) = out.last_mut().filter(|_| !ended) {
            last.1 = *t;
            ended = true;
        }
    }
    out
}

fn strength(value: f64, limit: f64) -> f64 {
    // At the limit 0.5, at three times the limit nearly 1.
    1.0 - 0.5 / (value / limit).max(1.0)
}

fn metres(m: f64) -> String {
    if m < 1.0 { format!("{:.0} mm", m * 1000.0) } else { format!("{m:.2} m") }
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2) + (a[2] - b[2]).powi(2)).sqrt()
}
