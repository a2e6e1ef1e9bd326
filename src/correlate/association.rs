//! With what: does loss go with an event kind at a site beyond what the rest of the time shows, and beyond chance?
//!
//! Relative risk of the lost share inside the kind's windows against outside (Katz et al. 1978 for the ratio; here over
//! observed time, so without an interval: epochs of one outage are not independent). Chance: circular shifts of the windows
//! inside the observed time (Lotwick and Silverman 1982), which keep the clumping of both; and whether clusters of loss (lost
//! runs of all rovers that touch are one) begin with the events.

use super::case::RoverCase;
use super::evidence::Timing;
use super::grid::{CELL_MS, Grid, Spans, holds, merge_spans};
use crate::maths::stats::{Shifts, circular_shift_windows};
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

/// How long after the begin of an event the loss that it causes may begin, ms: corrections age, filters hold.
const ONSET_MS: i64 = 60_000;
/// Lost runs closer than this are one cluster, ms.
const CLUSTER_MS: i64 = 60_000;

/// Share of the observed time that a site without a fault loses (common practice, no source: 0.5 to 2 %).
const USUAL_LOSS: f64 = 0.01;

/// How loss goes with one kind of event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Association {
    /// Observed time inside the windows, ms.
    pub exposed_ms: i64,
    /// Lost share inside.
    pub inside: f64,
    /// Lost share outside; `None` when nearly nothing was observed outside (a condition that always holds).
    pub outside: Option<f64>,
    /// Windows.
    pub events: usize,
    /// Windows in which loss begins or grows.
    pub hits: usize,
    /// Probability that so much loss meets the windows by chance, or begins with them.
    pub chance: f64,
    /// The shift test alone; `None` where the windows hold nothing or everything, or nothing is lost.
    pub shift_p: Option<f64>,
    /// The kind can stop corrections, and does not here: measured on the time with fresh ones, and true of it alone.
    pub stops_not: bool,
}

/// From this weight on a kind stands against others.
const STRONG: f64 = 0.4;
/// ... when at least so much more is lost inside than outside.
const STRONG_RATIO: f64 = 3.0;

impl Association {
    /// 0: loss does not go with it; towards 1: it does. A condition that always holds is compared with the share that a
    /// good site loses anyway, at most 0.9. `alone`: how far the kind convinces although few clusters of loss could have
    /// met it by chance.
    pub fn weight(&self, alone: f64) -> f64 {
        if self.exposed_ms < 5_000 {
            return 0.0;
        }
        let excess = |ratio: f64| ((ratio - 1.0) / (ratio + 2.0)).max(0.0);
        let Some(outside) = self.outside else {
            return excess((self.inside + 0.002) / (USUAL_LOSS + 0.002)).clamp(0.1, 0.9);
        };
        let ratio = (self.inside + 0.002) / (outside + 0.002);
        let real = (1.0 - self.chance).clamp(0.0, 1.0).powi(2).max(alone);
        // Beside another cause the ratio is small although nearly all of the time inside is lost.
        let weight = excess(ratio).max(self.inside - outside) * real;
        // Where nearly everything is lost, inside or also outside, there is little to compare with: only what convinces by
        // itself counts.
        let all_lost = ((outside.max(self.inside) - 0.5) / 0.4).clamp(0.0, 1.0) * self.inside;
        weight.max(0.8 * alone * all_lost)
    }

    /// Whether it is shown well enough to stand against other kinds.
    pub(super) fn is_strong(&self, alone: f64) -> bool {
        self.weight(alone) >= STRONG && self.ratio().is_some_and(|r| r >= STRONG_RATIO)
    }

    /// Ratio of the lost shares.
    pub fn ratio(&self) -> Option<f64> {
        self.outside.map(|o| (self.inside + 0.002) / (o + 0.002))
    }
}

/// The time in which an event works: at least one cell, and its after effects.
pub(super) fn window(event: &Event, timing: &Timing) -> (UtcMs, UtcMs) {
    (event.from, event.to.max(event.from + CELL_MS).saturating_add(timing.after_ms))
}

/// Association of each kind of `events` with the loss of `rovers` (their grids). `timing` tells how a kind works in time.
pub fn associations(
    events: &[Event],
    rovers: &[(&RoverCase, &Grid)],
    timing: impl Fn(&str) -> Timing,
) -> BTreeMap<&'static str, Association> {
    let mut kinds: BTreeMap<&'static str, (Timing, Spans)> = BTreeMap::new();
    for e in events {
        let (t, windows) = kinds.entry(e.kind).or_insert_with(|| (timing(e.kind), Vec::new()));
        windows.push(window(e, t));
    }
    if kinds.is_empty() {
        return BTreeMap::new();
    }
    let mut total = (0_i64, 0_i64);
    for (_, grid) in rovers {
        let (observed, lost) = grid.total();
        total = (total.0 + observed, total.1 + lost);
    }
    let loss = Loss::of(rovers);
    let axis = Axis::of(rovers);
    kinds
        .into_iter()
        .map(|(kind, (t, windows))| {
            let n = windows.len();
            let begins: Vec<(UtcMs, UtcMs)> =
                windows.iter().map(|(from, _)| (from - t.resolution_ms, from + t.resolution_ms + ONSET_MS)).collect();
            let merged = merge_spans(windows, 0);
            let (mut observed, mut lost, mut hits) = (0, 0, 0);
            for (from, to) in &merged {
                let mut hit = false;
                for (_, grid) in rovers {
                    let (o, l, _) = grid.within(*from, *to);
                    observed += o;
                    lost += l;
                    hit |= o > 0 && l * 5 > o;
                }
                hits += usize::from(hit);
            }
            let (out_observed, out_lost) = (total.0 - observed, total.1 - lost);
            let shift_p = axis.shift_p(&merged);
            let association = Association {
                exposed_ms: observed,
                inside: lost as f64 / observed.max(1) as f64,
                outside: (out_observed > (total.0 / 20).max(60_000))
                    .then(|| out_lost.max(0) as f64 / out_observed as f64),
                events: n,
                hits,
                chance: chance(&loss, shift_p.unwrap_or(1.0), &merge_spans(begins, 0), rovers, total.0),
                shift_p,
                stops_not: false,
            };
            (kind, association)
        })
        .collect()
}

/// Shifts that are tried at random; all where the observed time has no more cells.
const SHIFTS: Shifts = Shifts::Random { count: 999, seed: 0x10_57F1 };

/// The cells of all rovers on one time axis.
struct Axis {
    /// Index of the first cell.
    first: i64,
    observed: Vec<bool>,
    /// Lost rover-ms a cell.
    lost: Vec<u32>,
}

impl Axis {
    fn of(rovers: &[(&RoverCase, &Grid)]) -> Axis {
        let grids = || rovers.iter().map(|(_, g)| *g).filter(|g| !g.observed.is_empty());
        let first = grids().map(|g| g.first).min().unwrap_or(0);
        let end = grids().map(|g| g.first + g.observed.len() as i64).max().unwrap_or(0);
        let n = usize::try_from(end - first).unwrap_or(0);
        let mut axis = Axis { first, observed: vec![false; n], lost: vec![0; n] };
        for g in grids() {
            let at = usize::try_from(g.first - first).unwrap_or(0);
            for (observed, o) in axis.observed.iter_mut().skip(at).zip(&g.observed) {
                *observed |= *o > 0;
            }
            for (lost, l) in axis.lost.iter_mut().skip(at).zip(&g.lost) {
                *lost += u32::from(*l);
            }
        }
        axis
    }

    /// How often shifted windows hold as much lost time as these do.
    fn shift_p(&self, windows: &[(UtcMs, UtcMs)]) -> Option<f64> {
        let mut inside = vec![false; self.observed.len()];
        for (from, to) in windows {
            let at = |t: i64| usize::try_from(t - self.first).unwrap_or(0).min(inside.len());
            let (a, b) = (at(from.div_euclid(CELL_MS)), at((to + CELL_MS - 1).div_euclid(CELL_MS)));
            if let Some(part) = inside.get_mut(a..b) {
                part.fill(true);
            }
        }
        circular_shift_windows(&inside, &self.lost, &self.observed, SHIFTS).map(|t| t.p)
    }
}

/// Lost time in clusters: of each, and of each run in it with its begin.
struct Loss {
    /// Sum over clusters, rover-ms.
    total: f64,
    /// Sum of squares over clusters.
    squares: f64,
    /// Begin and lost ms of each cluster, by time.
    clusters: Vec<(UtcMs, f64)>,
    /// The same of each run in them.
    runs: Vec<(UtcMs, f64)>,
}

impl Loss {
    fn of(rovers: &[(&RoverCase, &Grid)]) -> Loss {
        // What the grid does not hold was taken out: it is explained by something else.
        let left = |grid: &Grid, from, to| {
            let (_, lost, _) = grid.within(from, to);
            lost as f64
        };
        let mut runs: Vec<(UtcMs, UtcMs, f64)> = rovers
            .iter()
            .flat_map(|(r, g)| {
                r.time.periods.iter().map(move |p| (p.from, p.to, left(g, p.from, p.to).min(p.lost_ms as f64)))
            })
            .filter(|(.., ms)| *ms > 0.0)
            .collect();
        runs.sort_by_key(|r| (r.0, r.1));
        let mut clusters: Vec<(UtcMs, f64)> = Vec::new();
        let mut end = UtcMs::MIN;
        for (from, to, ms) in &runs {
            match clusters.last_mut() {
                Some(c) if *from <= end.saturating_add(CLUSTER_MS) => c.1 += ms,
                _ => clusters.push((*from, *ms)),
            }
            end = end.max(*to);
        }
        Loss {
            total: clusters.iter().map(|c| c.1).sum(),
            squares: clusters.iter().map(|c| c.1 * c.1).sum(),
            clusters,
            runs: runs.into_iter().map(|r| (r.0, r.2)).collect(),
        }
    }

    /// Upper bound of the probability that `met` of the lost time falls into a part `share` of the time when each cluster
    /// is put anywhere by itself (Cantelli's inequality: exact for a single cluster).
    fn chance(&self, met: f64, share: f64) -> f64 {
        let variance = share * (1.0 - share) * self.squares;
        let excess = met - share * self.total;
        if excess <= 0.0 {
            return 1.0;
        }
        if variance <= 0.0 { 1.0 } else { variance / (variance + excess * excess) }
    }
}

/// The smaller of two chances (doubled, for there were two tries): lost time inside the windows, by shifts; clusters or runs that
/// begin with an event.
fn chance(loss: &Loss, shift_p: f64, begins: &[(UtcMs, UtcMs)], rovers: &[(&RoverCase, &Grid)], total_ms: i64) -> f64 {
    let begin_ms: i64 = begins.iter().map(|(a, b)| rovers.iter().map(|(_, g)| g.within(*a, *b).0).sum::<i64>()).sum();
    let share_begin = (begin_ms as f64 / total_ms.max(1) as f64).clamp(0.0, 1.0);
    let begun = |spans: &[(UtcMs, f64)]| -> f64 {
        spans.iter().filter(|(from, _)| holds(begins, *from)).map(|(_, ms)| ms).sum()
    };
    // A short loss just before may have been joined to the cluster: then its runs speak.
    let begun = begun(&loss.clusters).max(begun(&loss.runs));
    (2.0 * shift_p.min(loss.chance(begun, share_begin))).min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_cluster_is_met_by_chance_as_often_as_its_share_of_the_time() {
        // By hand: a single cluster falls into a tenth of the time with probability 0.1; two equal ones both with 0.01,
        // for which Cantelli gives 0.18 / (0.18 + 1.8 * 1.8).
        let one = Loss { total: 100.0, squares: 10_000.0, clusters: Vec::new(), runs: Vec::new() };
        assert!((one.chance(100.0, 0.1) - 0.1).abs() < 1e-12);
        let two = Loss { total: 2.0, squares: 2.0, clusters: Vec::new(), runs: Vec::new() };
        assert!((two.chance(2.0, 0.1) - 0.18 / (0.18 + 3.24)).abs() < 1e-12);
        assert_eq!(one.chance(5.0, 0.1), 1.0);
        assert_eq!(one.chance(100.0, 1.0), 1.0);
    }

    fn association(inside: f64, outside: Option<f64>, chance: f64) -> f64 {
        Association {
            exposed_ms: 600_000,
            inside,
            outside,
            events: 1,
            hits: 1,
            chance,
            shift_p: None,
            stops_not: false,
        }
        .weight(0.0)
    }

    #[test]
    fn loss_as_frequent_outside_or_by_chance_weighs_nothing() {
        assert!(association(0.9, Some(0.005), 0.01) > 0.9);
        assert!(association(0.05, Some(0.05), 0.01) < 0.01);
        assert!(association(0.9, Some(0.005), 1.0) == 0.0);
        assert!(association(0.02, None, 1.0) < association(0.5, None, 1.0));
        // All is lost, inside and outside: what convinces by itself still does, what does not stays silent.
        let all = Association {
            exposed_ms: 600_000,
            inside: 1.0,
            outside: Some(1.0),
            events: 1,
            hits: 1,
            chance: 1.0,
            shift_p: None,
            stops_not: false,
        };
        assert!(all.weight(0.7) > 0.5 && all.weight(0.0) == 0.0);
    }
}
