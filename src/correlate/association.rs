//! With what: does loss go with an event kind at a site beyond what the rest of the time shows?
//!
//! Relative risk of the lost share inside the kind's windows against outside (Katz et al. 1978 for the ratio; here over
//! observed time, so without an interval: epochs of one outage are not independent).

use super::case::RoverCase;
use super::grid::{CELL_MS, Grid, merge_spans};
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

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
}

impl Association {
    /// 0: loss does not go with it; towards 1: it does. 0.6 where there is nothing to compare with.
    pub fn weight(&self) -> f64 {
        if self.exposed_ms < 5_000 {
            return 0.0;
        }
        let Some(outside) = self.outside else { return if self.inside > 0.2 { 0.6 } else { 0.2 } };
        let ratio = (self.inside + 0.002) / (outside + 0.002);
        ((ratio - 1.0) / (ratio + 2.0)).max(0.0)
    }

    /// Ratio of the lost shares.
    pub fn ratio(&self) -> Option<f64> {
        self.outside.map(|o| (self.inside + 0.002) / (o + 0.002))
    }
}

/// Association of each kind of `events` with the loss of `rovers` (their grids). `after_ms` tells how long a kind goes on
/// to work after its end.
pub fn associations(
    events: &[Event],
    rovers: &[(&RoverCase, &Grid)],
    after_ms: impl Fn(&str) -> i64,
) -> BTreeMap<&'static str, Association> {
    let mut kinds: BTreeMap<&'static str, Vec<(UtcMs, UtcMs)>> = BTreeMap::new();
    for e in events {
        kinds.entry(e.kind).or_default().push((e.from, e.to.max(e.from + CELL_MS) + after_ms(e.kind)));
    }
    let mut total = (0_i64, 0_i64);
    for (_, grid) in rovers {
        total.0 += grid.observed.iter().map(|x| i64::from(*x)).sum::<i64>();
        total.1 += grid.lost.iter().map(|x| i64::from(*x)).sum::<i64>();
    }
    kinds
        .into_iter()
        .map(|(kind, windows)| {
            let n = windows.len();
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
            };
            (kind, association)
        })
        .collect()
}
