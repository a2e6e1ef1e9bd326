//! `stream-gap`: the base's own log of its corrections has a hole. Whether the base or only the log was silent is decided
//! later, by the rovers' correction age. Where other messages go on it is no gap but an incomplete message set (see
//! `messages`).

use super::Maker;
use super::limits::Limits;
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::rows::{SPAN_OBSERVATIONS, SPAN_STATION};

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let spans = &frames.spans;
    let (from, until, kind) = (view::i64s(spans, "time"), view::i64s(spans, "until"), view::u32s_full(spans, "kind"));
    let maker = Maker::new(frames, spans);
    let mut covered: Option<i64> = None;
    let mut events = Vec::new();
    let station: Vec<usize> = (0..from.len()).filter(|i| kind[*i] == u32::from(SPAN_STATION)).collect();
    let alive_ms = |a: i64, b: i64| station.iter().map(|i| (until[*i].min(b) - from[*i].max(a)).max(0)).sum::<i64>();
    for i in 0..from.len() {
        if kind[i] != u32::from(SPAN_OBSERVATIONS) {
            continue;
        }
        if let Some(end) = covered {
            let gap_s = (from[i] - end) as f64 / 1000.0;
            let alive = alive_ms(end, from[i]) * 2 > from[i] - end;
            if gap_s > limits.stream_gap_s && gap_s <= limits.stream_end_s && !alive {
                let detail = format!("no observables for {gap_s:.0} s");
                events.push(maker.event("stream-gap", end, from[i], Some(gap_s), "s", 0.8, detail));
            }
        }
        covered = Some(covered.unwrap_or(i64::MIN).max(until[i]));
    }
    events
}
