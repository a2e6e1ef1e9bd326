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
    let observations: Vec<usize> = (0..from.len()).filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS)).collect();
    let begins: Vec<i64> = observations.iter().map(|i| from[*i]).collect();
    for (k, i) in observations.into_iter().enumerate() {
        if let Some(end) = covered.filter(|_| !is_interval(&begins, k)) {
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

/// Whether a hole before the span at `k` is only the interval of a base that sends seldom (told by `messages`): the spans around begin as far
/// apart.
fn is_interval(begins: &[i64], k: usize) -> bool {
    const AROUND: usize = 3;
    let Some(window) = begins.get(k.saturating_sub(AROUND + 1)..(k + AROUND + 1).min(begins.len())) else {
        return false;
    };
    let hole = begins[k] - begins[k.saturating_sub(1)];
    window.len() > AROUND && window.windows(2).all(|w| ((w[1] - w[0]) - hole).abs() * 5 <= hole)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_that_begin_evenly_are_an_interval() {
        let even: Vec<i64> = (0..10).map(|k| k * 20_000).collect();
        assert!((1..10).all(|k| is_interval(&even, k)));
        let odd = [0, 20_000, 40_000, 95_000, 115_000, 135_000, 155_000, 175_000, 195_000, 215_000];
        assert!(!is_interval(&odd, 3) && !is_interval(&odd, 1) && is_interval(&odd, 9));
        assert!(!is_interval(&[0, 400_000], 1), "a single hole");
    }
}
