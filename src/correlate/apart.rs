//! Two conditions that hold at once, told apart by the time in which only one of them does.
//!
//! A condition that always holds has all the loss of a site within its time, also what another one takes. How much it takes itself is
//! seen where the other one does not hold.

use super::grid::{CELL_MS, Grid, Spans, merge_spans};
use std::collections::BTreeMap;

/// A condition that holds for so much of the observed time has other causes within its time (chosen on seeds 528001-528020).
const MOSTLY: f64 = 0.8;
/// Less observed time with or without the other one tells nothing, ms.
const LEAST_MS: i64 = 600_000;

/// When conditions of one kind hold.
#[derive(Clone)]
pub(super) struct Holds {
    /// Its evidence id.
    pub(super) id: String,
    /// Merged.
    pub(super) spans: Spans,
    /// It can stop corrections: time with old ones counts too.
    pub(super) stops: bool,
}

impl Holds {
    pub(super) fn new(id: String, spans: Spans, stops: bool) -> Holds {
        Holds { id, spans: merge_spans(spans, 0), stops }
    }
}

/// Observed and lost time, ms.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Time {
    observed: i64,
    lost: i64,
}

impl Time {
    fn add(&mut self, other: Time) {
        self.observed += other.observed;
        self.lost += other.lost;
    }

    fn share(self) -> Option<f64> {
        (self.observed >= LEAST_MS).then(|| self.lost as f64 / self.observed as f64)
    }
}

/// Lost shares of pairs of kinds.
#[derive(Debug, Default)]
pub(super) struct Apart {
    places: BTreeMap<String, usize>,
    /// Of each kind, all its time.
    all: Vec<Time>,
    /// Observed time, with and without any of them, ms.
    observed: i64,
    /// Of each kind (row) the time in which another one (column) holds as well.
    both: Vec<Time>,
}

impl Apart {
    /// Counts over the time of some rovers.
    pub(super) fn of(kinds: &[Holds], rovers: &[&Grid]) -> Apart {
        let n = kinds.len();
        let mut out = Apart {
            places: kinds.iter().enumerate().map(|(k, kind)| (kind.id.clone(), k)).collect(),
            all: vec![Time::default(); n],
            observed: rovers.iter().map(|g| g.total().0).sum(),
            both: vec![Time::default(); n * n],
        };
        // Where the set of conditions changes, in cells.
        let mut edges: Vec<(i64, bool, usize)> = Vec::new();
        for (k, kind) in kinds.iter().enumerate() {
            for (from, to) in &kind.spans {
                edges.push((from.div_euclid(CELL_MS), true, k));
                edges.push(((to + CELL_MS - 1).div_euclid(CELL_MS), false, k));
            }
        }
        edges.sort_unstable();
        // Spans of one kind can share a cell.
        let mut open = vec![0_u32; n];
        let mut active: Vec<usize> = Vec::new();
        let mut since = i64::MIN;
        for (cell, begins, k) in edges {
            if cell > since && !active.is_empty() {
                for grid in rovers {
                    let (fresh, any) = counted(grid, since, cell);
                    for a in &active {
                        let time = if kinds[*a].stops { any } else { fresh };
                        out.all[*a].add(time);
                        active.iter().filter(|b| *b != a).for_each(|b| out.both[a * n + b].add(time));
                    }
                }
            }
            since = cell;
            match (begins, &mut open[k]) {
                (true, count) => {
                    *count += 1;
                    if *count == 1 {
                        active.push(k);
                    }
                }
                (false, count) => {
                    *count -= 1;
                    if *count == 0 {
                        active.retain(|a| *a != k);
                    }
                }
            }
        }
        out
    }

    /// Whether the kind is one of those counted.
    pub(super) fn knows(&self, id: &str) -> bool {
        self.places.contains_key(id)
    }

    /// Lost shares of the time in which the first kind holds, without and with the second one; `None` where one of them is too short, or
    /// the first one does not hold for most of the time.
    pub(super) fn shares(&self, of: &str, beside: &str) -> Option<(f64, f64)> {
        let (a, b) = (self.places.get(of)?, self.places.get(beside)?);
        let (all, both) = (self.all.get(*a)?, self.both.get(a * self.places.len() + b)?);
        if (all.observed as f64) < MOSTLY * self.observed as f64 {
            return None;
        }
        let without = Time { observed: all.observed - both.observed, lost: all.lost - both.lost };
        Some((without.share()?, both.share()?))
    }
}

/// Time of the cells `from..to`: with fresh corrections, and all.
fn counted(grid: &Grid, from: i64, to: i64) -> (Time, Time) {
    let at = |cell: i64| usize::try_from(cell.saturating_sub(grid.first)).unwrap_or(0).min(grid.observed.len());
    let (mut fresh, mut any) = (Time::default(), Time::default());
    for i in at(from)..at(to) {
        let time = Time { observed: i64::from(grid.observed[i]), lost: i64::from(grid.lost[i]) };
        any.add(time);
        if i64::from(grid.old[i]) * 2 < time.observed {
            fresh.add(time);
        }
    }
    (fresh, any)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten hours; `lost` and `old` by cell.
    fn grid(lost: impl Fn(usize) -> bool, old: impl Fn(usize) -> bool) -> Grid {
        let cells = |f: &dyn Fn(usize) -> bool| (0..3600).map(|i| if f(i) { 10_000 } else { 0 }).collect();
        Grid { first: 100, observed: vec![10_000; 3600], lost: cells(&lost), old: cells(&old) }
    }

    fn holds(id: &str, cells: &[(i64, i64)], stops: bool) -> Holds {
        Holds::new(
            id.to_owned(),
            cells.iter().map(|(a, b)| ((a + 100) * CELL_MS, (b + 100) * CELL_MS)).collect(),
            stops,
        )
    }

    #[test]
    fn shares_are_those_of_the_time_with_and_without() {
        // Lost: all of the first hour, a quarter of the rest. Worked by hand.
        let g = grid(|i| i < 360 || i % 4 == 0, |_| false);
        let (always, first) = (holds("always", &[(0, 3600)], false), holds("first", &[(0, 100), (100, 360)], false));
        let apart = Apart::of(&[always.clone(), first], &[&g]);
        assert_eq!(apart.shares("always", "first"), Some((0.25, 1.0)));
        // What holds for an hour only, or beside something of a few minutes, is not told apart; nor what is not known.
        assert_eq!(apart.shares("first", "always"), None);
        assert_eq!(Apart::of(&[always.clone(), holds("few", &[(0, 59)], false)], &[&g]).shares("always", "few"), None);
        assert_eq!(apart.shares("always", "other"), None);
        assert!(apart.knows("first") && !apart.knows("other"));
        // Two rovers: the mean over their time. The second one keeps its fix in the first hour.
        let calm = grid(|_| false, |_| false);
        let two = Apart::of(&[always, holds("first", &[(0, 360)], false)], &[&g, &calm]);
        assert_eq!(two.shares("always", "first"), Some((0.125, 0.5)));
    }

    #[test]
    fn time_with_old_corrections_counts_for_what_stops_them_only() {
        let g = grid(|i| i < 720, |i| i < 360);
        let second = holds("second", &[(360, 720)], false);
        let shares = |stops| Apart::of(&[holds("always", &[(0, 3600)], stops), second.clone()], &[&g]);
        assert_eq!(shares(false).shares("always", "second"), Some((0.0, 1.0)));
        assert_eq!(shares(true).shares("always", "second"), Some((360.0 / 3240.0, 1.0)));
    }
}
