//! How much more a rover loses by itself than its fellows at the base: what each loses now and then is nobody's own trouble.

use super::grid::Grid;

/// Other rovers that must be lost, as a part of those observed, for a cell to be everybody's loss.
const SHARED: f64 = 0.5;
/// Lost so many times as much as the middle of its fellows says nothing of its own yet; so many times, all (set by hand).
const LIKE_OTHERS: f64 = 1.5;
const CLEARLY_MORE: f64 = 3.0;
/// A fellow that loses less counts as losing this part of its time: seconds in hours are chance (common practice, no source).
const LEAST_SHARE: f64 = 0.002;

/// Which part of its time with fresh corrections each rover loses while most of the others observed have their fix; `None` where none
/// of the others was observed.
pub(super) fn lonely_shares(grids: &[&Grid]) -> Vec<Option<f64>> {
    let first = grids.iter().map(|g| g.first).min().unwrap_or(0);
    let at = |g: &Grid| usize::try_from(g.first - first).unwrap_or(0);
    let cells = grids.iter().map(|g| at(g) + g.observed.len()).max().unwrap_or(0);
    let mut seen_and_lost = vec![(0_u16, 0_u16); cells];
    for g in grids {
        for ((cell, observed), lost) in seen_and_lost[at(g)..].iter_mut().zip(&g.observed).zip(&g.lost) {
            cell.0 += u16::from(*observed > 0);
            cell.1 += u16::from(*lost > 0);
        }
    }
    let share = |g: &&Grid| {
        let (mut observed_ms, mut lost_ms) = (0_i64, 0_i64);
        for (i, (seen, all_lost)) in seen_and_lost[at(g)..].iter().take(g.observed.len()).enumerate() {
            let (others, lost) = (seen.saturating_sub(1), all_lost.saturating_sub(u16::from(g.lost[i] > 0)));
            if g.observed[i] == 0 || g.old[i] > 0 || others == 0 || f64::from(lost) >= SHARED * f64::from(others) {
                continue;
            }
            observed_ms += i64::from(g.observed[i]);
            lost_ms += i64::from(g.lost[i]);
        }
        (observed_ms > 0).then(|| lost_ms as f64 / observed_ms as f64)
    };
    grids.iter().map(share).collect()
}

/// How far a rover loses more by itself than the middle one of its fellows, 0 to 1; 1 where nothing is known of them.
pub(super) fn more_than(own: Option<f64>, fellows: impl Iterator<Item = Option<f64>>) -> f64 {
    let mut known: Vec<f64> = fellows.flatten().collect();
    known.sort_unstable_by(f64::total_cmp);
    let (Some(own), Some(middle)) = (own, known.get(known.len() / 2)) else { return 1.0 };
    ((own / middle.max(LEAST_SHARE) - LIKE_OTHERS) / (CLEARLY_MORE - LIKE_OTHERS)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An hour in cells of ten seconds, lost where told, corrections old where told.
    fn rover(lost: impl Fn(usize) -> bool, old: impl Fn(usize) -> bool) -> Grid {
        let ms = |is: bool| if is { 10_000 } else { 0 };
        Grid {
            first: 7,
            observed: vec![10_000; 360],
            lost: (0..360).map(|i| ms(lost(i))).collect(),
            old: (0..360).map(|i| ms(old(i))).collect(),
        }
    }

    #[test]
    fn what_is_lost_together_or_with_old_corrections_is_not_its_own() {
        // Ten cells with the others, twenty with old corrections, thirty by itself: 30 of 330.
        let own = rover(|i| i < 10 || (100..120).contains(&i) || (200..230).contains(&i), |i| (100..120).contains(&i));
        let other = rover(|i| i < 10, |_| false);
        let shares = lonely_shares(&[&own, &other, &other]);
        assert!((shares[0].unwrap_or(0.0) - 30.0 / 330.0).abs() < 1e-9, "{shares:?}");
        assert_eq!(shares[1], Some(0.0));
        assert_eq!(lonely_shares(&[&own]), [None]);
    }

    #[test]
    fn three_times_as_much_as_the_fellows_is_clearly_more() {
        let more = |own: f64, fellows: &[f64]| more_than(Some(own), fellows.iter().map(|s| Some(*s)));
        assert_eq!(more(0.02, &[0.02, 0.01]), 0.0);
        assert!((more(0.045, &[0.02, 0.02]) - 0.5).abs() < 1e-9);
        assert_eq!(more(0.09, &[0.03]), 1.0);
        // A fellow that lost nothing: chance alone makes a few seconds.
        assert_eq!(more(0.002, &[0.0]), 0.0);
        assert_eq!(more_than(Some(0.02), std::iter::empty()), 1.0);
    }
}
