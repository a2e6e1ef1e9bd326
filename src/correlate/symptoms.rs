//! Known trouble of a firmware speaks where the unit shows something that a receiver does by itself.

use super::evidence::{Feature, strongest};
use super::grid::{Spans, merge_spans};
use super::rivals::REASONS;
use crate::model::event::Event;
use crate::model::time::UtcMs;

/// The kind of a unit whose firmware the catalogue lists.
pub(super) const FIRMWARE: &str = "firmware-trouble";

/// What a weak or disturbed signal does as well.
const OF_SIGNALS: [&str; 2] = ["common-slip", "rover-few-satellites"];
const SECOND: &str = "second-frequency-lost";
const SHOWN: [&str; 7] = [
    "stream-gap",
    "observables-missing",
    "observables-irregular",
    "system-stopped",
    "lock-reset",
    "restart",
    "log-silent",
];
const SIGNALS: [&str; 6] =
    ["weak-signal", "weak-whole-sky", "all-bands-sink", "all-bands-drop", "band-drop", "band-sinks"];
/// What speaks of the settings of the output.
const SET: [&str; 1] = ["observables-slow"];

/// A receiver that loses a frequency by itself has it back within so long, and keeps it for a while, ms (common practice, no source).
const BRIEF_MS: f64 = 120_000.0;
const LONG_MS: f64 = 360_000.0;
const KEEPS_MS: i64 = 60_000;

/// When a unit was without its second frequency.
pub(super) struct Without {
    /// Of its evidence: `base:` or `rover:`.
    scope: &'static str,
    /// Merged.
    spans: Spans,
}

impl Without {
    pub(super) fn of(scope: &'static str, events: &[Event]) -> Without {
        let of = events.iter().filter(|e| e.kind == SECOND);
        Without { scope, spans: merge_spans(of.map(|e| (e.from, e.to)).collect(), KEEPS_MS) }
    }

    /// 1 where the longest run within a segment is brief, 0 where it is long.
    fn brief(&self, from: UtcMs, to: UtcMs) -> f64 {
        let at = self.spans.partition_point(|(_, end)| *end < from);
        let inside = self.spans[at..].iter().take_while(|(begin, _)| *begin <= to);
        let longest = inside.map(|(a, b)| b - a).max().unwrap_or(0) as f64;
        ((LONG_MS - longest) / (LONG_MS - BRIEF_MS)).clamp(0.0, 1.0)
    }
}

/// How far the evidence of a segment shows what a receiver (the unit of `without`) does by itself: it stops, starts again, loses its lock or for a moment a
/// frequency. Without any of it, or where its ports or its signals show why it did, only a quarter counts, as far as the unit fares worse than
/// its fellows without the trouble (`worse`, 0 to 1).
pub(super) fn symptom(features: &[Feature], without: &Without, (from, to): (UtcMs, UtcMs), worse: f64) -> f64 {
    let strongest = |kinds: &[&str]| strongest(features, without.scope, kinds);
    let by_itself = 1.0 - strongest(&REASONS);
    let second = strongest(&[SECOND]) * without.brief(from, to);
    let lost = strongest(&OF_SIGNALS).max(second) * by_itself.min(1.0 - strongest(&SIGNALS));
    let shown = strongest(&SHOWN) * by_itself.min(1.0 - strongest(&SET));
    (0.25 * worse + lost.max(shown)).min(1.0)
}

/// A fall so strong of one band stands for what it does (set by hand).
const STANDS: f64 = 0.3;

/// A second frequency that falls within seconds, while the first is spared, is lost by that fall: one observation, which the fall tells better.
pub(super) fn lost_by_a_fall(features: &mut [Feature]) {
    let fall = strongest(features, "rover:", &["band-drop"]);
    for f in features.iter_mut().filter(|f| f.id.strip_prefix("rover:") == Some(SECOND)) {
        f.strength *= 1.0 - (fall / STANDS).min(1.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::samples;

    fn feature(kind: &str, strength: f64) -> Feature {
        Feature { id: format!("base:{kind}"), strength, event: None }
    }

    /// How much the trouble counts beside these kinds, a second frequency gone for so long twice with a hole between.
    fn shown(features: &[Feature], gone_s: i64, hole_s: i64) -> f64 {
        let gone = |from: i64| samples::event(SECOND, from, from + gone_s);
        let without = Without::of("base:", &[gone(1000), gone(1000 + gone_s + hole_s)]);
        symptom(features, &without, (1_000_000, 1_010_000), 1.0)
    }

    #[test]
    fn a_second_frequency_that_a_fall_takes_is_the_work_of_that_fall() {
        let left = |fall: f64| {
            let of = |kind: &str, strength| Feature { id: format!("rover:{kind}"), strength, event: None };
            let mut features = vec![of("band-drop", fall), of(SECOND, 0.8)];
            lost_by_a_fall(&mut features);
            features.iter().find(|f| f.id.ends_with(SECOND)).map_or(0.0, |f| f.strength)
        };
        assert_eq!((left(0.0), left(0.6)), (0.8, 0.0));
        assert!((left(0.15) - 0.4).abs() < 1e-9);
    }

    /// Worked by hand: a quarter, and the strength of what is shown; of four minutes (360 - 240) / 240 = 0.5 of it.
    #[test]
    fn a_frequency_that_is_gone_for_long_is_no_lapse_of_a_receiver() {
        let second = [feature(SECOND, 0.6)];
        assert!((shown(&second, 60, 120) - 0.85).abs() < 1e-9);
        assert!((shown(&second, 240, 120) - 0.55).abs() < 1e-9);
        assert!((shown(&second, 600, 120) - 0.25).abs() < 1e-9);
        // Back for seconds only: one run.
        assert!((shown(&second, 240, 30) - 0.25).abs() < 1e-9);
    }

    #[test]
    fn where_ports_signals_or_settings_show_why_it_says_little() {
        let with = |kind: &str, other: &str| shown(&[feature(kind, 0.6), feature(other, 1.0)], 60, 120);
        assert!((shown(&[feature("stream-gap", 0.6)], 60, 120) - 0.85).abs() < 1e-9);
        assert_eq!(with("stream-gap", "supply-voltage-low"), 0.25);
        assert_eq!(with("observables-irregular", "observables-slow"), 0.25);
        assert_eq!(with(SECOND, "weak-signal"), 0.25);
        assert_eq!(shown(&[], 60, 120), 0.25);
    }
}
