//! Whether the corrections of the others stop with this rover's: what stops them at the base's radio stops them for all at once and lets
//! them all go on; where each rover is at the end of the range, the others' are old as often while this one's are fresh.

use super::grid::{CELL_MS, Grid, Others};
use crate::model::time::{HOUR_MS, UtcMs};

/// So long before and after a stretch is looked at, ms.
const AROUND_MS: i64 = HOUR_MS;
/// Less time with old, or with fresh corrections tells nothing, ms.
const LEAST_OLD_MS: f64 = 60_000.0;
const LEAST_FRESH_MS: f64 = 300_000.0;
/// From this share on of the others being old it is about them at all.
const OTHERS_OLD: f64 = 0.3;

/// At the end of the range corrections come back about so soon: what is old a minute later is a new draw, ms (common practice, no source).
const LASTS_MS: f64 = 60_000.0;

/// Sums up to each cell of a rover's grid: its time with old corrections and the others' old share in it, the same with fresh ones.
pub(super) struct StoppedWith {
    first: i64,
    sums: Vec<[f64; 4]>,
}

impl StoppedWith {
    pub(super) fn of(own: &Grid, others: &[&Grid]) -> StoppedWith {
        let mut sum = [0.0; 4];
        let mut sums = Vec::with_capacity(own.observed.len() + 1);
        sums.push(sum);
        for (i, (observed, old)) in own.observed.iter().zip(&own.old).enumerate() {
            let cell = own.first + i as i64;
            let (mut n, mut share) = (0.0, 0.0);
            for other in others {
                let at = usize::try_from(cell - other.first).unwrap_or(usize::MAX);
                if let Some((observed, old)) = other.observed.get(at).zip(other.old.get(at)).filter(|(o, _)| **o > 0) {
                    n += 1.0;
                    share += f64::from(*old) / f64::from(*observed);
                }
            }
            if n > 0.0 {
                let (old, fresh) = (f64::from(*old), f64::from(observed.saturating_sub(*old)));
                for (sum, of) in sum.iter_mut().zip([old, old * share / n, fresh, fresh * share / n]) {
                    *sum += of;
                }
            }
            sums.push(sum);
        }
        StoppedWith { first: own.first, sums }
    }

    /// How far the others' corrections are old in the hours around a stretch whatever this rover's are, 0 (only together) to 1. Less where
    /// so many of them are old for so much of the stretch itself that this is no chance: then something stops them all.
    pub(super) fn anyway(&self, from: UtcMs, to: UtcMs, here: &Others) -> Option<f64> {
        let last = self.sums.len().checked_sub(1)?;
        let at = |t: i64| usize::try_from(t - self.first).unwrap_or(0).min(last);
        let a = self.sums.get(at((from - AROUND_MS).div_euclid(CELL_MS)))?;
        let b = self.sums.get(at((to + AROUND_MS).div_euclid(CELL_MS) + 1))?;
        let [old, with_old, fresh, with_fresh] = std::array::from_fn(|k| b[k] - a[k]);
        if old < LEAST_OLD_MS || fresh < LEAST_FRESH_MS || with_old <= 0.0 {
            return None;
        }
        let (with_old, with_fresh) = (with_old / old, with_fresh / fresh);
        // By how many standard deviations more of them are old in the stretch than while this rover's are fresh.
        let independent = (here.observed as f64 * (to - from) as f64 / LASTS_MS).max(1.0);
        let usual = with_fresh.clamp(0.05, 0.95);
        let beyond = (here.old_share - usual) / (usual * (1.0 - usual) / independent).sqrt();
        let chance = 1.0 - ((beyond - 1.0) / 2.0).clamp(0.0, 1.0);
        Some((with_fresh / with_old).min(1.0) * (with_old / OTHERS_OLD).min(1.0) * chance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two hours of cells; `old`: whether the corrections are old in a cell.
    fn grid(old: impl Fn(usize) -> bool) -> Grid {
        Grid {
            first: 1000,
            observed: vec![10_000; 720],
            lost: vec![0; 720],
            old: (0..720).map(|i| if old(i) { 10_000 } else { 0 }).collect(),
        }
    }

    fn anyway(own: impl Fn(usize) -> bool, other: impl Fn(usize) -> bool) -> Option<f64> {
        let (own, other) = (grid(own), grid(other));
        StoppedWith::of(&own, &[&other]).anyway(1360 * CELL_MS, 1370 * CELL_MS, &Others::default())
    }

    /// Worked by hand.
    #[test]
    fn old_together_or_each_at_its_own_times() {
        // The same minutes: nothing of it anyway.
        assert_eq!(anyway(|i| i % 60 < 12, |i| i % 60 < 12), Some(0.0));
        // Half of the time each, independent of each other: 0.5 with old, 0.5 with fresh ones.
        assert_eq!(anyway(|i| i % 4 < 2, |i| i % 2 == 0), Some(1.0));
        // The others are old in all of this rover's old cells and in a quarter of its fresh ones.
        let half = anyway(|i| i % 10 < 2, |i| i % 10 < 4).unwrap();
        assert!((half - 0.25).abs() < 1e-9, "{half}");
        // The others seldom are: 0.1 of the time is a third of what is about them at all.
        let seldom = anyway(|i| i % 10 < 5, |i| i % 10 == 0 || i % 10 == 9).unwrap();
        assert!((seldom - 0.2 / 0.3).abs() < 1e-9, "{seldom}");
        // Nothing to compare with.
        assert_eq!(anyway(|_| true, |i| i % 2 == 0), None);
        assert_eq!(anyway(|_| false, |i| i % 2 == 0), None);
        assert_eq!(anyway(|i| i % 2 == 0, |_| false), None);
    }

    #[test]
    fn what_lies_further_away_than_an_hour_does_not_count() {
        let own = grid(|i| i % 60 < 12);
        let other = Grid { first: 1000, ..grid(|i| if i < 300 { true } else { i % 60 < 12 }) };
        let (told, here) = (StoppedWith::of(&own, &[&other]), Others::default());
        assert!(told.anyway(1300 * CELL_MS, 1310 * CELL_MS, &here).unwrap() > 0.4);
        assert_eq!(told.anyway(1700 * CELL_MS, 1710 * CELL_MS, &here), Some(0.0));
        // Before and behind the grid.
        assert_eq!(told.anyway(0, 10, &here), None);
        assert_eq!(told.anyway(5000 * CELL_MS, 5001 * CELL_MS, &here), None);
        assert_eq!(StoppedWith::of(&Grid::default(), &[]).anyway(0, 10, &here), None);
    }

    /// By hand: the other one is old in half of all cells whatever happens; that two of two are for six minutes is 0.5 against 0.5 /
    /// sqrt(12): 3.46 standard deviations, no chance any more; for one minute 1.41: 1 - 0.41 / 2.
    #[test]
    fn what_stops_all_for_minutes_is_no_chance() {
        let told = StoppedWith::of(&grid(|i| i % 4 < 2), &[&grid(|i| i % 2 == 0)]);
        let all = Others { observed: 2, old_share: 1.0, ..Others::default() };
        assert_eq!(told.anyway(1360 * CELL_MS, 1396 * CELL_MS, &all), Some(0.0));
        let minute = told.anyway(1360 * CELL_MS, 1366 * CELL_MS, &all).unwrap();
        assert!((minute - (1.0 - (2.0_f64.sqrt() - 1.0) / 2.0)).abs() < 0.01, "{minute}");
    }
}
