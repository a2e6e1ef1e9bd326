//! `restart`, `power-fail`, `antenna-open`, ... : what the unit logged itself, and `lock-reset`: a silence after which
//! nearly all satellites lost lock together, which is a restart that nobody logged; `common-slip`: the same without a silence.

use super::Maker;
use super::limits::Limits;
use super::window::stretches;
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::rows::{SPAN_OBSERVATIONS, SPAN_POSITIONS};
use crate::model::time::UtcMs;

/// Kinds of the contract that are events of their own; the rest is kept as `other` and is no event.
const LOGGED: [(&str, &str, f64); 14] = [
    ("restart", "restart logged", 1.0),
    ("power-fail", "power failure logged", 1.0),
    ("power-restored", "power restored logged", 0.8),
    ("antenna-open", "antenna line open, logged", 1.0),
    ("antenna-short", "antenna line shorted, logged", 1.0),
    ("settings-change", "settings changed", 0.6),
    ("position-change", "position changed by somebody", 0.9),
    ("firmware-update", "firmware updated", 0.8),
    ("radio-off", "radio off, logged", 1.0),
    ("radio-on", "radio on, logged", 0.6),
    ("overheat", "overheating logged", 0.8),
    ("water", "water logged", 0.9),
    ("moved", "moved, logged", 0.9),
    ("other", "", 0.0),
];

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let mut events = logged(frames);
    events.extend(lock_resets(frames, limits));
    events.extend(common_slips(frames, limits));
    events
}

/// Cells of ten seconds in which nearly all satellites lose lock although the log goes on: the receiver starts its tracking anew,
/// or the antenna was knocked.
pub(super) fn common_slip_cells(frames: &UnitFrames, limits: &Limits) -> Vec<UtcMs> {
    const CELL_MS: i64 = 10_000;
    let spans = &frames.spans;
    let (from, until, kind) = (view::i64s(spans, "time"), view::i64s(spans, "until"), view::u32s_full(spans, "kind"));
    let times = view::i64s(&frames.bands, "time");
    let bands = view::u32s_full(&frames.bands, "band");
    let satellites = view::u32s_full(&frames.bands, "satellites");
    let lost = view::u32s_full(&frames.bands, "lost_lock");
    // Stretches of observations, joined; all locks are new at their begins.
    let mut observed: Vec<(UtcMs, UtcMs)> =
        (0..from.len()).filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS)).map(|i| (from[i], until[i])).collect();
    observed.sort_unstable();
    let mut joined: Vec<(UtcMs, UtcMs)> = Vec::new();
    for (a, b) in observed {
        match joined.last_mut() {
            Some(last) if a <= last.1 + CELL_MS => last.1 = last.1.max(b),
            _ => joined.push((a, b)),
        }
    }
    let within = |t: UtcMs| {
        let at = joined.partition_point(|(a, _)| *a <= t - 2 * CELL_MS);
        at.checked_sub(1).and_then(|i| joined.get(i)).is_some_and(|(_, b)| *b >= t)
    };
    (0..times.len())
        .filter(|i| bands[*i] == u32::from(Band::L1.code()) && satellites[*i] >= 5)
        .filter(|i| f64::from(lost[*i]) >= limits.lock_reset_share * f64::from(satellites[*i]) && within(times[*i]))
        .map(|i| times[i])
        .collect()
}

fn common_slips(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let cells = common_slip_cells(frames, limits);
    let maker = Maker::new(frames, &frames.bands);
    let flags = vec![true; cells.len()];
    stretches(&cells, &flags, 10_000, 20_000, 0)
        .into_iter()
        .map(|s| {
            maker.event(
                "common-slip",
                s.from,
                s.to,
                Some(limits.lock_reset_share),
                "share",
                0.9,
                format!(
                    "{:.0} % and more of the satellites lose lock within ten seconds while the log goes on",
                    limits.lock_reset_share * 100.0
                ),
            )
        })
        .collect()
}

fn logged(frames: &UnitFrames) -> Vec<Event> {
    let maker = Maker::new(frames, &frames.logged);
    let times = view::i64s(&frames.logged, "time");
    let kinds = view::texts(&frames.logged, "kind");
    let details = view::texts(&frames.logged, "detail");
    let origins = view::u32s_full(&frames.logged, "origin");
    let mut events = Vec::new();
    for i in 0..times.len() {
        let Some((kind, words, strength)) = LOGGED.iter().find(|(k, _, s)| *k == kinds[i] && *s > 0.0) else {
            continue;
        };
        let detail = if details[i].is_empty() { (*words).to_owned() } else { format!("{words}: {}", details[i]) };
        let mut event = maker.event(kind, times[i], times[i], None, "", *strength, detail);
        event.origin = frames.origin(origins[i]);
        events.push(event);
    }
    events
}

fn lock_resets(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let spans = &frames.spans;
    let (from, until, kind) = (view::i64s(spans, "time"), view::i64s(spans, "until"), view::u32s_full(spans, "kind"));
    let band_times = view::i64s(&frames.bands, "time");
    let bands = view::u32s_full(&frames.bands, "band");
    let satellites = view::u32s_full(&frames.bands, "satellites");
    let lost = view::u32s_full(&frames.bands, "lost_lock");
    let maker = Maker::new(frames, spans);
    let mut events = Vec::new();
    for wanted in [SPAN_OBSERVATIONS, SPAN_POSITIONS] {
        // Several logs of one unit overlap: a gap counts only where no span of the kind covers it.
        let mut covered: Option<i64> = None;
        for i in 0..from.len() {
            if kind[i] != u32::from(wanted) {
                continue;
            }
            if let Some(end) = covered
                && from[i] > end
                && from[i] - end <= 900_000
            {
                let (mut all, mut reset) = (0_u32, 0_u32);
                let at = band_times.partition_point(|t| *t < from[i] - 10_000);
                for j in at..band_times.len() {
                    if band_times[j] > from[i] + 20_000 {
                        break;
                    }
                    if bands[j] == u32::from(Band::L1.code()) {
                        all = all.max(satellites[j]);
                        reset += lost[j];
                    }
                }
                let share = f64::from(reset) / f64::from(all.max(1));
                if wanted == SPAN_OBSERVATIONS && all >= 4 && share >= limits.lock_reset_share {
                    events.push(maker.event(
                        "lock-reset",
                        end,
                        from[i],
                        Some(share.min(1.0)),
                        "share",
                        share.min(1.0),
                        format!(
                            "silent for {} s, then {} of {all} satellites with new lock: a restart",
                            (from[i] - end) / 1000,
                            // Summed over three cells: a satellite that comes up twice counts once.
                            reset.min(all)
                        ),
                    ));
                } else if wanted == SPAN_POSITIONS && from[i] - end >= 15_000 {
                    events.push(maker.event(
                        "log-silent",
                        end,
                        from[i],
                        Some((from[i] - end) as f64 / 1000.0),
                        "s",
                        0.5,
                        format!("no positions for {} s", (from[i] - end) / 1000),
                    ));
                }
            }
            covered = Some(covered.unwrap_or(i64::MIN).max(until[i]));
        }
    }
    events
}
