//! With what: does loss go with an event kind at a site beyond what the rest of the time shows, and beyond chance?
//!
//! Relative risk of the lost share inside the kind's windows against outside (Katz et al. 1978 for the ratio; here over
//! observed time, so without an interval: epochs of one outage are not independent). Chance is counted in clusters of
//! loss (lost runs of all rovers that touch are one): the binomial tail of how many lie inside the windows, or begin with
//! an event, given the part of the time that these cover.

use super::case::RoverCase;
use super::evidence::Timing;
use super::grid::{CELL_MS, Grid, merge_spans};
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

/// How long after the begin of an event the loss that it causes may begin, ms: corrections age, filters hold.
const ONSET_MS: i64 = 60_000;
/// Lost runs closer than this are one cluster, ms.
const CLUSTER_MS: i64 = 60_000;

/// How loss goes with one kind of event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Association {
    /// Observed time inside the windows, ms.
    pub exposed_ms: i64,
    /// Lost share inside.
    pub inside: f64,
    /// Lost share outside; `None` when nothing was observed outside.
    pub outside: Option<f64>,
    /// Windows.
    pub events: usize,
    /// Windows in which loss begins or grows.
    pub hits: usize,
    /// Probability that so many clusters of loss meet the windows by chance.
    pub chance: f64,
}

impl Association {
    /// 0: loss does not go with it; towards 1: it does. Where there is nothing to compare with at most 0.6, by the lost
    /// share.
    pub fn weight(&self) -> f64 {
        if self.exposed_ms < 5_000 {
            return 0.0;
        }
        let Some(outside) = self.outside else { return (4.0 * self.inside).clamp(0.1, 0.6) };
        let ratio = (self.inside + 0.002) / (outside + 0.002);
        let real = (1.0 - self.chance).clamp(0.0, 1.0).powi(2);
        ((ratio - 1.0) / (ratio + 2.0)).max(0.0) * real
    }

    /// Ratio of the lost shares.
    pub fn ratio(&self) -> Option<f64> {
        self.outside.map(|o| (self.inside + 0.002) / (o + 0.002))
    }
}

/// Association of each kind of `events` with the loss of `rovers` (their grids). `timing` tells how a kind works in time.
pub fn associations(
    events: &[Event],
    rovers: &[(&RoverCase, &Grid)],
    timing: impl Fn(&str) -> Timing,
) -> BTreeMap<&'static str, Association> {
    let mut kinds: BTreeMap<&'static str, (Timing, Vec<(UtcMs, UtcMs)>)> = BTreeMap::new();
    for e in events {
        let (t, windows) = kinds.entry(e.kind).or_insert_with(|| (timing(e.kind), Vec::new()));
        windows.push((e.from, e.to.max(e.from + CELL_MS).saturating_add(t.after_ms)));
    }
    if kinds.is_empty() {
        return BTreeMap::new();
    }
    let mut total = (0_i64, 0_i64);
    for (_, grid) in rovers {
        total.0 += grid.observed.iter().map(|x| i64::from(*x)).sum::<i64>();
        total.1 += grid.lost.iter().map(|x| i64::from(*x)).sum::<i64>();
    }
    let runs = rovers.iter().flat_map(|(r, _)| r.time.periods.iter().map(|p| (p.from, p.to))).collect();
    let clusters = merge_spans(runs, CLUSTER_MS);
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
            let association = Association {
                exposed_ms: observed,
                inside: lost as f64 / observed.max(1) as f64,
                outside: (out_observed > 60_000).then(|| out_lost.max(0) as f64 / out_observed as f64),
                events: n,
                hits,
                chance: chance(&clusters, &merged, &merge_spans(begins, 0), t.resolution_ms, rovers, total.0),
            };
            (kind, association)
        })
        .collect()
}

/// The smaller of two tails (doubled, for there were two tries): clusters inside the windows, clusters that begin with an
/// event.
fn chance(
    clusters: &[(UtcMs, UtcMs)],
    windows: &[(UtcMs, UtcMs)],
    begins: &[(UtcMs, UtcMs)],
    resolution_ms: i64,
    rovers: &[(&RoverCase, &Grid)],
    total_ms: i64,
) -> f64 {
    let share = |spans: &[(UtcMs, UtcMs)]| {
        let ms: i64 = spans.iter().map(|(a, b)| rovers.iter().map(|(_, g)| g.within(*a, *b).0).sum::<i64>()).sum();
        (ms as f64 / total_ms.max(1) as f64).clamp(1e-6, 1.0)
    };
    let holds = |spans: &[(UtcMs, UtcMs)], t: UtcMs| {
        let at = spans.partition_point(|(_, to)| *to < t);
        spans.get(at).is_some_and(|(from, _)| *from <= t)
    };
    // Clusters begin inside: one that was there before has another cause.
    let inside = clusters.iter().filter(|(from, _)| holds(windows, *from + resolution_ms.min(60_000))).count();
    let with = clusters.iter().filter(|(from, _)| holds(begins, *from)).count();
    let n = clusters.len();
    (2.0 * binomial_tail(n, inside, share(windows)).min(binomial_tail(n, with, share(begins)))).min(1.0)
}

/// P(X >= k) for X binomial with `n` tries of `p`.
fn binomial_tail(n: usize, k: usize, p: f64) -> f64 {
    if k == 0 {
        return 1.0;
    }
    if p >= 1.0 {
        return 1.0;
    }
    let (ln_p, ln_q) = (p.ln(), (-p).ln_1p());
    let mut ln_choose = 0.0;
    let mut sum = 0.0;
    for i in 0..=n {
        if i > 0 {
            ln_choose += ((n - i + 1) as f64).ln() - (i as f64).ln();
        }
        if i >= k {
            let term = (ln_choose + i as f64 * ln_p + (n - i) as f64 * ln_q).exp();
            sum += term;
            // Past the mode the terms only shrink.
            if i as f64 > n as f64 * p && term < 1e-12 * sum {
                break;
            }
        }
    }
    sum.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_binomial_tail_agrees_with_hand_counts() {
        // By hand: P(X >= 2 | 3, 0.5) = 4/8; P(X >= 1 | 10, 0.1) = 1 - 0.9^10 = 0.651322.
        assert!((binomial_tail(3, 2, 0.5) - 0.5).abs() < 1e-12);
        assert!((binomial_tail(10, 1, 0.1) - 0.651_321_559_9).abs() < 1e-9);
        assert_eq!(binomial_tail(5, 0, 0.1), 1.0);
        assert!(binomial_tail(10_000, 9_000, 0.5) < 1e-12);
    }

    fn association(inside: f64, outside: Option<f64>, chance: f64) -> f64 {
        Association { exposed_ms: 600_000, inside, outside, events: 1, hits: 1, chance }.weight()
    }

    #[test]
    fn loss_as_frequent_outside_or_by_chance_weighs_nothing() {
        assert!(association(0.9, Some(0.005), 0.01) > 0.9);
        assert!(association(0.05, Some(0.05), 0.01) < 0.01);
        assert!(association(0.9, Some(0.005), 1.0) == 0.0);
        assert!(association(0.02, None, 1.0) < association(0.5, None, 1.0));
    }
}
