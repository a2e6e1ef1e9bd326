//! What tells that the sky itself was down: at the base and at a rover at once, or in the hour around.

use super::evidence::{Feature, strongest};
use super::timeline::Timeline;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// So many minutes of scintillation within the hours around tell all that they can (chosen on tuning seeds 527001-527020).
const SEEN_MIN: f64 = 15.0;

/// How far the signals of all bands are down at the base and at the rover in one stretch, 0 to 1: nothing on one mast does that.
/// Beside a listed flare signals that are weak on both sides count too: a log may begin within a burst.
pub(super) fn both_down(f: &[Feature]) -> f64 {
    let strongest = |scope: &str, kinds: &[&str]| strongest(f, scope, kinds);
    let fallen = ["all-bands-drop", "all-bands-sink", "level-drop"];
    let fall = 2.5 * strongest("base:", &fallen).min(strongest("rover:", &fallen));
    // Only as far as the flare itself can have to do with it.
    let flare = (2.0 * strongest("sky:", &["flare"])).min(1.0);
    let weak = flare * strongest("base:", &["weak-whole-sky"]).min(strongest("rover:", &["rover-weak"]));
    fall.max(weak).min(1.0)
}

/// Single satellites seldom fade for the whole of a bad night: what was seen of it within an hour of the segment, against what was seen
/// of a storm, 0 to 1.
pub(super) fn scintillation_around(base: &Timeline<'_>, from: UtcMs, to: UtcMs) -> f64 {
    let (from, to) = (from - HOUR_MS, to + HOUR_MS);
    let seen = |kind: &str| {
        let near = base.near(from, to).into_iter().map(|k| &base.events[k]).filter(|e| e.kind == kind);
        near.map(|e| (e.to.min(to) - e.from.max(from)).max(0)).sum::<i64>() as f64 / MINUTE_MS as f64
    };
    let (fading, storm) = (seen("scintillation"), seen("ionosphere-disturbed"));
    if fading <= storm {
        return 0.0;
    }
    (fading - storm) / (fading + storm) * (fading / SEEN_MIN).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::evidence::Timing;
    use crate::model::event::{Event, Origin};

    fn event(kind: &'static str, from_min: i64, to_min: i64) -> Event {
        Event {
            unit: String::new(),
            kind,
            from: from_min * MINUTE_MS,
            to: to_min * MINUTE_MS,
            value: None,
            value_unit: "",
            strength: 1.0,
            detail: String::new(),
            origin: Origin::default(),
        }
    }

    fn around(events: &[Event]) -> f64 {
        let how =
            |_: &str| Timing { after_ms: 0, resolution_ms: 0, direct: false, stops: false, alone: 0.0, group: None };
        scintillation_around(&Timeline::new("base", events, &how), 300 * MINUTE_MS, 310 * MINUTE_MS)
    }

    /// Worked by hand, a loss from minute 300 to 310: what counts lies between minutes 240 and 370.
    #[test]
    fn scintillation_within_the_hour_against_a_storm() {
        assert_eq!(around(&[event("scintillation", 250, 280)]), 1.0);
        assert_eq!(around(&[event("scintillation", 230, 246)]), 6.0 / SEEN_MIN);
        assert_eq!(around(&[event("scintillation", 250, 280), event("ionosphere-disturbed", 360, 380)]), 0.5);
        assert_eq!(around(&[event("scintillation", 250, 280), event("ionosphere-disturbed", 320, 360)]), 0.0);
        assert_eq!(around(&[event("scintillation", 100, 230), event("restart", 290, 291)]), 0.0);
    }
}
