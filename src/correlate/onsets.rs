//! Losses that begin within seconds after an event, again and again: where each costs the fix for a minute and they come every few
//! minutes, the lost share within their windows hardly stands out, but the moments at which losses begin do.

use super::case::RoverCase;
use super::evidence::Timing;
use super::grid::{Grid, holds, merge_spans};
use crate::maths::stats::wilson;
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

/// So soon after an event its loss begins, ms (a rover notices within a few epochs; common practice, no source).
const SOON_MS: i64 = 20_000;
/// Longer events have no moment.
const BRIEF_MS: i64 = 30_000;
/// Fewer events, or fewer losses that begin with them, tell nothing.
const LEAST: u64 = 8;
/// 95 %.
const Z: f64 = 1.96;

/// How the begins of losses go with one kind of event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Begun {
    /// Losses that begin with such an event; those of several rovers at once count once.
    pub with: u64,
    /// All losses.
    pub of: u64,
    /// How many would begin with one by chance.
    pub by_chance: f64,
    /// Of the losses that begin with one, the part that would not have begun there by chance, 0 to 1.
    pub excess: f64,
}

/// By kind, where more losses begin with it than by chance.
#[derive(Debug, Clone, Default)]
pub struct Onsets(pub BTreeMap<&'static str, Begun>);

impl Onsets {
    /// Losses of several rovers at once count once.
    pub(super) fn of(events: &[Event], rovers: &[(&RoverCase, &Grid)], timing: impl Fn(&str) -> Timing) -> Onsets {
        let mut begins: Vec<UtcMs> = rovers.iter().flat_map(|(r, _)| r.time.periods.iter().map(|p| p.from)).collect();
        begins.sort_unstable();
        begins.dedup_by(|later, first| *later - *first <= SOON_MS);
        let total: i64 = rovers.iter().map(|(_, g)| g.total()).map(|(observed, lost)| observed - lost).sum();
        let mut kinds: BTreeMap<&'static str, Vec<&Event>> = BTreeMap::new();
        for e in events {
            kinds.entry(e.kind).or_default().push(e);
        }
        let begun = |kind: &str, events: &[&Event]| -> Option<Begun> {
            let brief = events.iter().filter(|e| e.to - e.from <= BRIEF_MS).count();
            if (events.len() as u64) < LEAST || brief * 10 < events.len() * 9 || total <= 0 {
                return None;
            }
            let how = timing(kind);
            let windows = merge_spans(events.iter().map(|e| soon(e, how)).collect(), 0);
            // Only a rover that has its fix can lose it.
            let left = |(from, to): &(UtcMs, UtcMs)| -> i64 {
                rovers.iter().map(|(_, g)| g.within(*from, *to)).map(|(observed, lost, _)| observed - lost).sum()
            };
            let by_chance = (windows.iter().map(left).sum::<i64>() as f64 / total as f64).clamp(0.0, 1.0);
            let with = begins.iter().filter(|t| holds(&windows, **t)).count() as u64;
            if with < LEAST {
                return None;
            }
            let of = begins.len() as u64;
            let excess = excess(with, of, by_chance)?;
            (excess > 0.0).then_some(Begun { with, of, by_chance: by_chance * of as f64, excess })
        };
        Onsets(kinds.iter().filter_map(|(kind, events)| Some((*kind, begun(kind, events)?))).collect())
    }

    /// How likely a loss that begins then is the work of this event; 0 where it does not begin with it.
    pub(super) fn began(&self, event: &Event, how: Timing, loss_from: UtcMs) -> f64 {
        let (from, to) = soon(event, how);
        let excess = self.0.get(event.kind).map_or(0.0, |b| b.excess);
        if (from..=to).contains(&loss_from) { excess } else { 0.0 }
    }
}

/// Of those that begin with something (`with` of `of`), the part that would not have by chance: the attributable fraction among the
/// exposed (Miettinen 1974), with the lower end of the Wilson interval for the share that begins with it.
pub(super) fn excess(with: u64, of: u64, by_chance: f64) -> Option<f64> {
    if by_chance >= 1.0 {
        return None;
    }
    let share = wilson(with, of, Z)?.low;
    let elsewhere = (1.0 - share) / (1.0 - by_chance);
    Some(1.0 - elsewhere * by_chance / share.max(f64::MIN_POSITIVE))
}

fn soon(event: &Event, how: Timing) -> (UtcMs, UtcMs) {
    (event.from - how.resolution_ms.min(SOON_MS), event.to + SOON_MS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::{PeriodLimits, rover_time};
    use crate::correlate::samples;

    const HOW: Timing =
        Timing { after_ms: 120_000, resolution_ms: 10_000, direct: false, stops: false, alone: 0.3, group: None };

    fn event(from_s: i64, long_s: i64) -> Event {
        samples::event("common-slip", from_s, from_s + long_s)
    }

    /// Four hours of a rover that loses its fix for 40 s at each of the given seconds.
    fn rover(losses_s: &[i64]) -> (RoverCase, Grid) {
        let times: Vec<i64> = (0..14_400).map(|s| s * 1000).collect();
        let lost = |s: i64| losses_s.iter().any(|l| (*l..l + 40).contains(&s));
        let states: Vec<u32> = (0..14_400).map(|s| if lost(s) { 1 } else { 0 }).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let case =
            RoverCase { unit: "r".into(), ages_s: vec![1.0; times.len()], times, states, time, ..RoverCase::default() };
        let grid = Grid::of(&case, 10.0);
        (case, grid)
    }

    fn excess(events: &[Event], losses_s: &[i64]) -> f64 {
        let (case, grid) = rover(losses_s);
        let onsets = Onsets::of(events, &[(&case, &grid)], |_| HOW);
        onsets.0.get("common-slip").map_or(0.0, |b| b.excess)
    }

    /// 24 events in 4 hours, every 600 s: their windows of 40 s hold 1 in 15 of the time. Worked by hand: with all 24 losses the Wilson
    /// interval begins at 24 / (24 + 1.96 squared) = 0.862; 1 - (0.138 / 0.933) * 0.0667 / 0.862 = 0.99.
    #[test]
    fn losses_that_begin_with_the_events_are_theirs() {
        let events: Vec<Event> = (0..24).map(|k| event(k * 600 + 100, 10)).collect();
        let with: Vec<i64> = (0..24).map(|k| k * 600 + 112).collect();
        let found = excess(&events, &with);
        assert!((found - 0.99).abs() < 0.01, "{found}");
        // A minute and a half later: not theirs. Neither are a few that do, nor those of long conditions.
        let later: Vec<i64> = (0..24).map(|k| k * 600 + 200).collect();
        assert_eq!(excess(&events, &later), 0.0);
        assert_eq!(excess(&events[..7], &with), 0.0);
        let long: Vec<Event> = (0..24).map(|k| event(k * 600 + 100, 120)).collect();
        assert_eq!(excess(&long, &with), 0.0);
    }

    #[test]
    fn a_loss_belongs_to_the_event_that_it_begins_with() {
        let events: Vec<Event> = (0..24).map(|k| event(k * 600 + 100, 10)).collect();
        let (case, grid) = rover(&(0..24).map(|k| k * 600 + 112).collect::<Vec<_>>());
        let onsets = Onsets::of(&events, &[(&case, &grid)], |_| HOW);
        assert!(onsets.began(&events[0], HOW, 112_000) > 0.9);
        assert_eq!(onsets.began(&events[0], HOW, 60_000), 0.0);
        assert_eq!(onsets.began(&events[0], HOW, 712_000), 0.0);
    }
}
