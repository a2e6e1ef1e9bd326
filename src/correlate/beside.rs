//! Loss that something else explains is taken out before an event kind is compared with the rest of the time: at a site with two
//! causes each would otherwise be hidden by what the other one takes outside its windows.

use super::association::{Association, associations, window};
use super::case::RoverCase;
use super::evidence::Timing;
use super::grid::{CELL_MS, Grid, Spans, merge_spans, overlap_ms};
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

/// Windows that lie in those of another kind for more than this part are the same trouble seen twice.
const SAME: f64 = 0.5;
/// By how much more the loss with fresh corrections must go with a kind that can stop them before it is said not to stop them.
const STOPS_NOT: f64 = 0.1;
/// Part of the exposed time that must be left to compare.
const LEAST_LEFT: f64 = 0.3;

/// Windows of the kinds whose loss is well shown, merged a kind.
pub(super) type Strong = BTreeMap<&'static str, Spans>;

/// Windows of the kinds whose loss is well shown.
pub(super) fn strong_windows(
    events: &[Event],
    shown: &BTreeMap<&'static str, Association>,
    timing: impl Fn(&str) -> Timing,
) -> Strong {
    let mut out = Strong::new();
    for e in events {
        let Some(a) = shown.get(e.kind) else { continue };
        let t = timing(e.kind);
        if a.is_strong(t.alone) {
            out.entry(e.kind).or_default().push(window(e, &t));
        }
    }
    out.into_iter().map(|(kind, spans)| (kind, merge_spans(spans, 0))).collect()
}

/// The associations of `events` again, each without the time in which another strong kind works, and, unless the kind stops
/// corrections by itself, without the time in which a rover's corrections were old. `elsewhere`: strong windows of other units, one for
/// each rover or one for all. Where too little time is left to compare, the first association stands.
pub(super) fn beside_others(
    events: &[Event],
    rovers: &[(&RoverCase, &Grid)],
    timing: impl Fn(&str) -> Timing,
    first: BTreeMap<&'static str, Association>,
    elsewhere: &[&Strong],
) -> BTreeMap<&'static str, Association> {
    let strong = strong_windows(events, &first, &timing);
    let old: i64 = rovers.iter().flat_map(|(_, g)| &g.old).map(|x| i64::from(*x)).sum();
    first
        .into_iter()
        .map(|(kind, before)| {
            let t = timing(kind);
            let mine: Vec<Event> = events.iter().filter(|e| e.kind == kind).cloned().collect();
            // In the time of a condition that always holds lies everything else: that alone does not make it the same trouble.
            let always = before.outside.is_none();
            let own = merge_spans(mine.iter().map(|e| window(e, &t)).collect(), 0);
            let away = |of: usize| -> Spans {
                let other = elsewhere.get(of).or(if elsewhere.len() == 1 { elsewhere.first() } else { None });
                let rivals = strong.iter().filter(|(k, _)| **k != kind).chain(other.into_iter().flat_map(|s| s.iter()));
                merge_spans(
                    rivals
                        .filter(|(_, s)| always || !mostly_inside(s, &own))
                        .flat_map(|(_, s)| s.iter().copied())
                        .collect(),
                    0,
                )
            };
            let away: Vec<Spans> = (0..rovers.len()).map(away).collect();
            let nothing_away = away.iter().all(Vec::is_empty);
            let again = |without_old: bool| -> Option<Association> {
                if t.direct || (nothing_away && !without_old) {
                    return None;
                }
                let left: Vec<Grid> =
                    rovers.iter().zip(&away).map(|((_, g), away)| masked(g, away, without_old)).collect();
                let pairs: Vec<(&RoverCase, &Grid)> = rovers.iter().map(|(r, _)| *r).zip(&left).collect();
                associations(&mine, &pairs, |_| t).remove(kind).filter(|a| {
                    a.exposed_ms as f64 >= LEAST_LEFT * before.exposed_ms as f64
                        // A condition that held all the time is not compared with a rest that only the mask has made.
                        && a.outside.is_some() == before.outside.is_some()
                })
            };
            if !t.stops {
                return (kind, again(old > 0).unwrap_or(before));
            }
            // What can stop the corrections need not do so here: at a site whose link fails by itself it shows beside it.
            let with_old = again(false).unwrap_or(before);
            match again(old > 0).filter(|a| a.weight(t.alone) > with_old.weight(t.alone) + STOPS_NOT) {
                Some(fresh) => (kind, Association { stops_not: true, ..fresh }),
                None => (kind, with_old),
            }
        })
        .collect()
}

fn mostly_inside(spans: &[(UtcMs, UtcMs)], of: &[(UtcMs, UtcMs)]) -> bool {
    let total: i64 = spans.iter().map(|(a, b)| b - a).sum();
    let inside: i64 = spans.iter().map(|(a, b)| overlap_ms(of, *a, *b)).sum();
    inside as f64 > SAME * total as f64
}

/// A grid without the cells in `away` and, if wanted, without those with old corrections.
fn masked(grid: &Grid, away: &[(UtcMs, UtcMs)], without_old: bool) -> Grid {
    let mut out = grid.clone();
    let mut clear = |from: usize, to: usize| {
        for cells in [&mut out.observed, &mut out.lost] {
            let to = to.min(cells.len());
            if let Some(part) = cells.get_mut(from..to) {
                part.fill(0);
            }
        }
    };
    for (from, to) in away {
        let at = |t: UtcMs| usize::try_from(t - grid.first).unwrap_or(0);
        clear(at(from.div_euclid(CELL_MS)), at((to + CELL_MS - 1).div_euclid(CELL_MS)));
    }
    if without_old {
        for (i, old) in grid.old.iter().enumerate() {
            if *old > 0 {
                clear(i, i + 1);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::{PeriodLimits, rover_time};
    use crate::correlate::samples::event;

    fn timing(_: &str) -> Timing {
        Timing { resolution_ms: 10_000, ..Timing::default() }
    }

    /// Analysis.md, Coincidence 3 (relative risk): a kind that takes all of one hour of four, beside another one that takes
    /// nearly all of another hour: compared with the rest of the time each has nothing but its own loss.
    #[test]
    fn two_causes_do_not_hide_each_other() {
        let times: Vec<i64> = (0..14_400).map(|s| s * 1000).collect();
        let lost = |s: i64| (1000..3000).contains(&s) && s % 100 < 60 || (6000..9600).contains(&s);
        let states: Vec<u32> = (0..14_400).map(|s| u32::from(lost(s))).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let rover = RoverCase { ages_s: vec![1.0; times.len()], times, states, time, ..RoverCase::default() };
        let grid = Grid::of(&rover, 5.0);
        let pairs = [(&rover, &grid)];
        let events = [event("weak", 1000, 3000), event("strong", 6000, 9600)];
        let first = associations(&events, &pairs, timing);
        let before = first["weak"];
        let after = beside_others(&events, &pairs, timing, first, &[]);
        assert!(before.ratio().unwrap() < 3.0 && after["weak"].ratio().unwrap() > 20.0, "{before:?} {after:?}");
    }

    #[test]
    fn what_only_goes_with_old_corrections_loses_its_weight_unless_it_can_stop_them() {
        let times: Vec<i64> = (0..14_400).map(|s| s * 1000).collect();
        let bad = |s: i64| (6000..7200).contains(&s);
        let states: Vec<u32> = (0..14_400).map(|s| u32::from(bad(s))).collect();
        let ages_s = (0..14_400).map(|s| if bad(s) { 40.0 } else { 1.0 }).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let rover = RoverCase { ages_s, times, states, time, ..RoverCase::default() };
        let grid = Grid::of(&rover, 5.0);
        let pairs = [(&rover, &grid)];
        let events = [event("seen", 5000, 9000)];
        let first = associations(&events, &pairs, timing);
        assert!(first["seen"].inside > 0.25);
        let after = beside_others(&events, &pairs, timing, first.clone(), &[]);
        assert_eq!(after["seen"].inside, 0.0);
        let stops = |k: &str| Timing { stops: true, ..timing(k) };
        assert_eq!(beside_others(&events, &pairs, stops, first.clone(), &[]), first);
    }
}
