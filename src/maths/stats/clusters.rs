//! Shares of time that gets lost in clusters. Seconds of one outage are not independent, and outages of one day have one
//! cause: what varies by itself is the day.

use super::{Interval, special};

/// Clusters that a side must have: with two the spread is a guess of one number.
pub const FEWEST_CLUSTERS: usize = 3;
/// The share of a cluster scatters by at least this, whatever a few clusters show (common practice, no source).
const LEAST_SCATTER: f64 = 0.01;

/// A share before and after, and how far they are apart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareChange {
    /// Share of the first clusters, 0 to 1.
    pub first: f64,
    /// Share of the second ones, 0 to 1.
    pub second: f64,
    /// Interval of second minus first.
    pub interval: Interval,
}

/// Share of a side, the variance of that share, degrees of freedom.
fn side(clusters: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let of: Vec<(f64, f64)> =
        clusters.iter().copied().filter(|(part, all)| part.is_finite() && all.is_finite() && *all > 0.0).collect();
    if of.len() < FEWEST_CLUSTERS {
        return None;
    }
    let n = of.len() as f64;
    let all: f64 = of.iter().map(|c| c.1).sum();
    let share = of.iter().map(|c| c.0).sum::<f64>() / all;
    let squares: f64 = of.iter().map(|(part, x)| (part - share * x).powi(2)).sum();
    let variance = n / (n - 1.0) * squares / (all * all);
    Some((share, variance.max(LEAST_SCATTER * LEAST_SCATTER / n), n - 1.0))
}

/// Change of a share between two groups of clusters, each cluster a pair (part, whole) in any one unit. The variance of a
/// share is that of a ratio estimator over clusters (Cochran 1977, Sampling Techniques, 3rd edition, section 6.4:
/// n/(n-1) Σ(y-rx)²/(Σx)²); the interval is Welch's (1947, Biometrika 34:28-35). `None` with fewer than
/// [`FEWEST_CLUSTERS`] on a side or a level that is none.
pub fn share_change(first: &[(f64, f64)], second: &[(f64, f64)], level: f64) -> Option<ShareChange> {
    if !(level > 0.0 && level < 1.0) {
        return None;
    }
    let ((a, var_a, free_a), (b, var_b, free_b)) = (side(first)?, side(second)?);
    let variance = var_a + var_b;
    let free = variance * variance / (var_a * var_a / free_a + var_b * var_b / free_b);
    let half = special::student_quantile(1.0 - level, free) * variance.sqrt();
    Some(ShareChange { first: a, second: b, interval: Interval { low: b - a - half, high: b - a + half } })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;
    use crate::maths::stats::shift::split_mix;

    /// Clusters of one size are Welch's test of two means. By hand: means 0.2 and 0.5, variances 0.01 and 0.04 of three each,
    /// so the error is sqrt(0.05/3) = 0.1291 with 0.05²/(0.01²/2 + 0.04²/2) = 2.941 degrees of freedom.
    #[test]
    fn clusters_of_one_size_are_two_means() {
        let first = [(1.0, 10.0), (2.0, 10.0), (3.0, 10.0)];
        let second = [(3.0, 10.0), (5.0, 10.0), (7.0, 10.0)];
        let change = share_change(&first, &second, 0.95).unwrap();
        near(change.first, 0.2, 1e-12);
        near(change.second, 0.5, 1e-12);
        let half = special::student_quantile(0.05, 2.941_176_470_588_235) * (0.05_f64 / 3.0).sqrt();
        near(change.interval.low, 0.3 - half, 1e-9);
        near(change.interval.high, 0.3 + half, 1e-9);
        assert!(half > 0.4, "three against three are no proof: {half}");
        assert!(share_change(&first[..2], &second, 0.95).is_none());
    }

    /// Days with loss that comes in lumps (exponential, a third of the days none at all) and without any change: "95 %" must
    /// not call more than about one in twenty changed; a tenfold change between fortnights must be seen more often than not.
    #[test]
    fn a_change_is_called_seldom_where_there_is_none() {
        let mut state = 7;
        let mut uniform = move || (split_mix(&mut state) >> 11) as f64 / (1_u64 << 53) as f64;
        let mut day = |mean: f64| {
            let all = 4.0 + 20.0 * uniform();
            let share = if uniform() < 1.0 / 3.0 { 0.0 } else { (-uniform().max(1e-9).ln() * mean * 1.5).min(1.0) };
            (share * all, all)
        };
        for days in [3, 7, 15] {
            let (mut called, mut seen) = (0, 0);
            for _ in 0..2000 {
                let mut half = |mean: f64| (0..days).map(|_| day(mean)).collect::<Vec<_>>();
                let (a, b, c) = (half(0.03), half(0.03), half(0.30));
                let apart = |x: &[(f64, f64)], y: &[(f64, f64)]| {
                    share_change(x, y, 0.95).is_some_and(|s| s.interval.low > 0.0 || s.interval.high < 0.0)
                };
                called += u32::from(apart(&a, &b));
                seen += u32::from(apart(&a, &c));
            }
            println!("{days} days a side: {called} of 2000 called without, {seen} with a change");
            assert!(called <= 120, "{days}: {called} of 2000");
            assert!(days < 15 || seen >= 1000, "{days}: {seen} of 2000");
        }
    }

    /// Days that agree to the second are no proof of anything near their difference.
    #[test]
    fn equal_days_still_have_an_interval() {
        let change = share_change(&[(1.0, 10.0); 3], &[(1.1, 10.0); 3], 0.95).unwrap();
        assert!(change.interval.low < 0.0 && change.interval.high > 0.0, "{change:?}");
        let change = share_change(&[(10.0, 10.0); 3], &[(0.0, 10.0); 3], 0.95).unwrap();
        assert!(change.interval.high < -0.9, "{change:?}");
    }
}
