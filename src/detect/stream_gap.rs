//! `stream-gap`: the base's own log of its corrections has a hole. Whether the base or only the log was silent is decided
//! later, by the rovers' correction age.

use super::Maker;
use super::limits::Limits;
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::rows::SPAN_OBSERVATIONS;

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let spans = &frames.spans;
    let (from, until, kind) = (view::i64s(spans, "time"), view::i64s(spans, "until"), view::u32s_full(spans, "kind"));
    let maker = Maker::new(frames, spans);
    let mut covered: Option<i64> = None;
    let mut events = Vec::new();
    for i in 0..from.len() {
        if kind[i] != u32::from(SPAN_OBSERVATIONS) {
            continue;
        }
        if let Some(end) = covered {
            let gap_s = (from[i] - end) as f64 / 1000.0;
            if gap_s > limits.stream_gap_s && gap_s <= limits.stream_end_s {
                let detail = format!("no observables for {gap_s:.0} s");
                events.push(maker.event("stream-gap", end, from[i], Some(gap_s), "s", 0.8, detail));
            }
        }
        covered = Some(covered.unwrap_or(i64::MIN).max(until[i]));
    }
    events
}
