//! What makes a receiver stop need not be seen to cost the fix itself: where its stops begin with a low supply again and again, the
//! loss that goes with the stops goes with the supply.

use super::association::window;
use super::evidence::Feature;
use super::grid::{holds, merge_spans};
use super::onsets::excess;
use super::rivals::{CONSEQUENCES, REASONS};
use super::timeline::Timeline;
use crate::model::time::UtcMs;

/// So soon after the begin of a reason the receiver stops, ms.
const SOON_MS: i64 = 60_000;
/// Fewer consequences tell nothing.
const LEAST: usize = 4;

/// Reason, consequence, and how likely a consequence that begins while the reason holds is its work, 0 to 1.
#[derive(Debug, Default)]
pub(super) struct Leads(Vec<(String, String, f64)>);

impl Leads {
    /// Over the events of one unit (or of the bases of a site) within `from..to`.
    pub(super) fn of(timeline: &Timeline<'_>, (from, to): (UtcMs, UtcMs)) -> Leads {
        let mut out = Vec::new();
        for reason in REASONS {
            let of_reason = || timeline.events.iter().enumerate().filter(|(_, e)| e.kind == reason);
            let works = of_reason().map(|(k, e)| {
                let how = timeline.how(k).1;
                (e.from - how.resolution_ms, window(e, &how).1)
            });
            let begins = of_reason().map(|(k, e)| {
                let exact = timeline.how(k).1.resolution_ms;
                (e.from - exact, e.from + exact + SOON_MS)
            });
            for spans in [merge_spans(works.collect(), 0), merge_spans(begins.collect(), 0)] {
                let held: i64 = spans.iter().map(|(a, b)| (b.min(&to) - a.max(&from)).max(0)).sum();
                let by_chance = (held as f64 / (to - from).max(1) as f64).clamp(0.0, 1.0);
                for consequence in CONSEQUENCES {
                    let seen = || timeline.events.iter().filter(|e| e.kind == consequence).map(|e| e.from);
                    let n = seen().count();
                    let with = seen().filter(|t| holds(&spans, *t)).count();
                    if let Some(part) =
                        excess(with as u64, n as u64, by_chance).filter(|part| n >= LEAST && *part > 0.0)
                    {
                        out.push((timeline.id(reason), timeline.id(consequence), part));
                    }
                }
            }
        }
        Leads(out)
    }

    /// A reason that is there counts as much as what it leads to.
    pub(super) fn pass_on(&self, features: &mut [Feature]) {
        for (reason, consequence, part) in &self.0 {
            let strength = |id: &str| features.iter().find(|f| f.id == id).map(|f| f.strength);
            let Some(passed) = strength(consequence).map(|s| s * part) else { continue };
            if let Some(f) = features.iter_mut().find(|f| f.id == *reason) {
                f.strength = f.strength.max(passed);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::evidence::Timing;
    use crate::correlate::samples::event;
    use crate::model::event::Event;

    /// What the low supply counts beside a stop, both at 0.3 and 0.9 before.
    fn passed(events: &[Event]) -> f64 {
        const HOW: Timing =
            Timing { after_ms: 60_000, resolution_ms: 10_000, direct: false, stops: true, alone: 0.3, group: None };
        let timeline = Timeline::new("base", events, &|_: &str| HOW);
        let mut f = [("base:supply-voltage-low", 0.3), ("base:stream-gap", 0.9)].map(|(id, strength)| Feature {
            id: id.to_owned(),
            strength,
            event: None,
        });
        Leads::of(&timeline, (0, 36_000_000)).pass_on(&mut f);
        assert_eq!(f[1].strength, 0.9);
        f[0].strength
    }

    /// Ten hours, ten times a low supply for a minute. By hand: the ten windows at its begin hold 800 s of 36,000; of ten stops that all
    /// begin there the Wilson interval begins at 10 / (10 + 1.96 squared) = 0.722; 1 - (0.278 / 0.978) * 0.0222 / 0.722 = 0.991.
    #[test]
    fn stops_that_begin_with_a_low_supply_are_its_work() {
        let low = |k: i64| event("supply-voltage-low", k * 3600 + 100, k * 3600 + 160);
        let stop = |k: i64, after_s: i64| event("stream-gap", k * 3600 + 100 + after_s, k * 3600 + 200 + after_s);
        let with: Vec<Event> = (0..10).flat_map(|k| [low(k), stop(k, 30)]).collect();
        assert!((passed(&with) - 0.9 * 0.991).abs() < 1e-3, "{}", passed(&with));
        // Half an hour later: not its work. Three of them tell nothing.
        let apart: Vec<Event> = (0..10).flat_map(|k| [low(k), stop(k, 1800)]).collect();
        assert_eq!(passed(&apart), 0.3);
        assert_eq!(passed(&with[..6]), 0.3);
        // A supply that is low all the time tells nothing of when.
        let always: Vec<Event> = (0..10).map(|k| stop(k, 30)).chain([event("supply-voltage-low", 0, 36_000)]).collect();
        assert_eq!(passed(&always), 0.3);
    }
}
