//! A spike in the spectrum that begins together with a fall of the signals: both are the work of one transmitter.

use crate::model::event::Event;
use crate::model::time::UtcMs;

/// Falls and jumps of the signals of a unit.
const FALLS: [&str; 8] = [
    "band-drop",
    "band-jumps",
    "all-bands-drop",
    "all-bands-jump",
    "lower-bands-drop",
    "level-drop",
    "common-slip",
    "second-frequency-lost",
];
/// Sweeps come every minute or two: a spike is seen so much after the fall that it makes, ms ...
const SEEN_AFTER_MS: i64 = 180_000;
/// ... and hardly before it, ms.
const SEEN_BEFORE_MS: i64 = 30_000;
/// Shortest time for which a spike and what it does to the signals works on after its end, ms (as long as falls do).
const WORKS_AFTER_MS: i64 = 120_000;

/// When the spikes of a unit's spectrum that came with a fall of its signals can be at work. One that stands there whether signals fall or
/// not does not come with any.
pub(super) fn spikes_with_fall(events: &[Event]) -> Vec<(UtcMs, UtcMs)> {
    let with_fall = |spike: &&Event| {
        events
            .iter()
            .any(|e| FALLS.contains(&e.kind) && (-SEEN_BEFORE_MS..=SEEN_AFTER_MS).contains(&(spike.from - e.from)))
    };
    let works = |spike: &Event| (spike.from - SEEN_AFTER_MS, spike.to + WORKS_AFTER_MS);
    events.iter().filter(|e| e.kind == "spectrum-spike").filter(with_fall).map(works).collect()
}

/// How far a stretch lies within one of these times, 0 to 1.
pub(super) fn within_one(spikes: &[(UtcMs, UtcMs)], (from, to): (UtcMs, UtcMs)) -> f64 {
    let part = |(a, b): &(UtcMs, UtcMs)| (to.min(*b) - from.max(*a)).max(0) as f64 / (to - from).max(1) as f64;
    spikes.iter().map(part).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::samples::event;

    #[test]
    fn a_spike_counts_that_begins_with_a_fall() {
        let with = |fall_s: i64, from_s: i64, to_s: i64| {
            let events = [event("all-bands-drop", fall_s, fall_s + 300), event("spectrum-spike", 1_060, 1_400)];
            within_one(&spikes_with_fall(&events), (from_s * 1_000, to_s * 1_000))
        };
        assert_eq!(with(1_000, 1_010, 1_200), 1.0);
        assert_eq!(with(1_000, 5_000, 5_100), 0.0, "elsewhere");
        assert_eq!(with(400, 1_010, 1_200), 0.0, "it came ten minutes after the fall");
        assert_eq!(with(1_000, 1_500, 1_540), 0.5, "two minutes after its end it is over");
    }
}
