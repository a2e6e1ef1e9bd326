//! What tells that the sky itself was down: at the base and at a rover at once, or in the hour around.

use super::case::RoverCase;
use super::evidence::{Feature, strongest};
use super::grid::{Grid, merge_spans};
use super::timeline::Timeline;
use crate::model::event::Event;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// So many minutes of scintillation within the hours around tell all that they can (chosen on tuning seeds 527001-527020).
const SEEN_MIN: f64 = 15.0;

/// The signals of all bands fell.
const FALLEN: [&str; 3] = ["all-bands-drop", "all-bands-sink", "level-drop"];
/// Less observed time with or without tells nothing, ms.
const LEAST_MS: i64 = 300_000;

/// Where all is lost anyway a burst would have cost the fix as well: so much is left of it (chosen on seeds 528001-529010).
const OWN_WORK: f64 = 0.3;

/// Which part of the loss while signals are down at the base and at a rover is more than these rovers lose anyway, 0 to 1: a burst of
/// the Sun over a site that has no fix all day changes little (attributable fraction, Miettinen 1974). 1 where there is nothing to compare
/// with.
pub(super) fn both_down_matters(base: &[Event], rovers: &[(&RoverCase, &Grid)]) -> f64 {
    let fallen = |events: &[Event]| {
        let of = events.iter().filter(|e| FALLEN.contains(&e.kind));
        merge_spans(of.map(|e| (e.from, e.to)).collect(), 0)
    };
    let at_base = fallen(base);
    let (mut all, mut inside) = ((0, 0), (0, 0));
    for (rover, grid) in rovers {
        let (observed, lost) = grid.total();
        all = (all.0 + observed, all.1 + lost);
        for (from, to) in fallen(&rover.events) {
            for (a, b) in at_base.iter().map(|(a, b)| (*a.max(&from), *b.min(&to))).filter(|(a, b)| a < b) {
                let (observed, lost, _) = grid.within(a, b);
                inside = (inside.0 + observed, inside.1 + lost);
            }
        }
    }
    let outside = (all.0 - inside.0, all.1 - inside.1);
    if inside.0 < LEAST_MS || outside.0 < LEAST_MS || inside.1 <= 0 {
        return 1.0;
    }
    let share = |(observed, lost): (i64, i64)| lost as f64 / observed as f64;
    OWN_WORK + (1.0 - OWN_WORK) * (1.0 - share(outside) / share(inside)).clamp(0.0, 1.0)
}

/// How far the signals of all bands are down at the base and at the rover in one stretch, 0 to 1: nothing on one mast does that.
/// Beside a listed flare signals that are weak on both sides count too: a log may begin within a burst.
pub(super) fn both_down(f: &[Feature]) -> f64 {
    let strongest = |scope: &str, kinds: &[&str]| strongest(f, scope, kinds);
    let fall = 2.5 * strongest("base:", &FALLEN).min(strongest("rover:", &FALLEN));
    // Only as far as the flare itself can have to do with it.
    let flare = (2.0 * strongest("sky:", &["flare"])).min(1.0);
    let weak =
        flare * strongest("base:", &["weak-whole-sky"]).min(strongest("rover:", &["rover-weak", "rover-weak-steady"]));
    fall.max(weak).min(1.0)
}

/// How far single satellites fade at the base in a stretch, 0 to 1: whether that was seen is one question, whether the loss goes with it
/// another (the strength of a [`Feature`]).
pub(super) fn fading(base: &Timeline<'_>, from: UtcMs, to: UtcMs) -> f64 {
    let near = base.near(from, to).into_iter().map(|k| &base.events[k]).filter(|e| e.kind == "satellites-fading");
    let part = |e: &Event| (e.to.min(to) - e.from.max(from)).max(0) as f64 / (to - from).max(1) as f64;
    near.map(|e| f64::from(e.strength) * part(e)).fold(0.0, f64::max)
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
    use crate::correlate::samples;

    fn event(kind: &'static str, from_min: i64, to_min: i64) -> Event {
        samples::event(kind, from_min * 60, to_min * 60)
    }

    fn at_base(events: &[Event]) -> Timeline<'_> {
        Timeline::new("base", events, &|_: &str| Timing::default())
    }

    fn around(events: &[Event]) -> f64 {
        scintillation_around(&at_base(events), 300 * MINUTE_MS, 310 * MINUTE_MS)
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

    #[test]
    fn fading_is_seen_whatever_it_changes() {
        let events =
            [event("satellites-fading", 0, 5), event("satellites-fading", 8, 9), event("scintillation", 0, 10)];
        let strength = f64::from(events[0].strength);
        let seen = |from_min: i64, to_min: i64| fading(&at_base(&events), from_min * MINUTE_MS, to_min * MINUTE_MS);
        assert!(
            strength > 0.0 && (seen(0, 10) - 0.5 * strength).abs() < 1e-9,
            "half of the ten minutes: {}",
            seen(0, 10)
        );
        assert_eq!(seen(20, 30), 0.0);
    }

    /// Three hours; both sides are down in the first one, the base alone in the second. The rover is lost in `lost` of ten cells of the
    /// first hour and `else_lost` of ten of the rest.
    fn matters(lost: usize, else_lost: usize) -> f64 {
        let of = |i: usize| if i < 360 { lost } else { else_lost };
        let grid = Grid {
            first: 0,
            observed: vec![10_000; 1080],
            lost: (0..1080).map(|i| if i % 10 < of(i) { 10_000 } else { 0 }).collect(),
            old: vec![0; 1080],
        };
        let rover = RoverCase { events: vec![event("level-drop", 0, 60)], ..RoverCase::default() };
        both_down_matters(&[event("all-bands-sink", 0, 120)], &[(&rover, &grid)])
    }

    /// Worked by hand: 0.3 + 0.7 * (1 - outside / inside).
    #[test]
    fn a_burst_over_a_site_that_is_lost_anyway_says_little() {
        assert_eq!(matters(10, 0), 1.0);
        assert!((matters(10, 5) - 0.65).abs() < 1e-9 && (matters(9, 9) - 0.3).abs() < 1e-9);
        assert!((matters(2, 6) - 0.3).abs() < 1e-9, "less is lost than elsewhere");
        assert_eq!(matters(0, 5), 1.0, "nothing to compare");
        assert_eq!(both_down_matters(&[event("all-bands-sink", 0, 120)], &[]), 1.0);
    }
}
