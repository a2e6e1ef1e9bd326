//! Tests on ranks, and hours of the day on the circle.

use super::special;

/// Largest product of group sizes for which the exact distribution of U is counted.
const EXACT_LIMIT: usize = 2_500;

/// Result of a Mann-Whitney test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// U of the first group: pairs in which its value is the larger, ties by half.
    pub u: f64,
    /// Two-sided p.
    pub p: f64,
    /// P(X > Y) + P(X = Y)/2, the size of the effect.
    pub share: f64,
    /// True when p comes from the exact distribution.
    pub exact: bool,
}

/// Mann-Whitney test (Mann and Whitney 1947, Ann. Math. Stat. 18:50-60): exact for small groups without ties, else the
/// normal approximation with tie correction and a half unit of continuity. `None` for an empty group.
pub fn mann_whitney(x: &[f64], y: &[f64]) -> Option<MannWhitney> {
    let (m, n) = (x.len(), y.len());
    if m == 0 || n == 0 || x.iter().chain(y).any(|v| v.is_nan()) {
        return None;
    }
    let all: Vec<f64> = x.iter().chain(y).copied().collect();
    let (ranks, ties) = average_ranks(&all);
    let (m_f, n_f) = (m as f64, n as f64);
    let rank_sum: f64 = ranks.iter().take(m).sum();
    let u = rank_sum - m_f * (m_f + 1.0) / 2.0;
    let share = u / (m_f * n_f);
    if ties == 0.0 && m * n <= EXACT_LIMIT {
        return Some(MannWhitney { u, p: exact_u_p(m, n, u), share, exact: true });
    }
    let total = m_f + n_f;
    let variance = m_f * n_f / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
    let gap = ((u - m_f * n_f / 2.0).abs() - 0.5).max(0.0);
    let p = if variance > 0.0 { special::normal_two_sided(gap / variance.sqrt()) } else { 1.0 };
    Some(MannWhitney { u, p, share, exact: false })
}

/// Two-sided exact p: twice the smaller tail, counted by the recursion of Mann and Whitney 1947.
fn exact_u_p(m: usize, n: usize, u: f64) -> f64 {
    // Generating function Π (1 - q^(n+i))/(1 - q^i), i = 1..m, up to degree m·n; as shares so that nothing overflows.
    let top = m * n;
    let mut ways = vec![0.0_f64; top + 1];
    ways[0] = 1.0;
    for i in 1..=m {
        for k in (n + i..=top).rev() {
            ways[k] -= ways[k - n - i];
        }
        for k in i..=top {
            ways[k] += ways[k - i];
        }
        let sum: f64 = ways.iter().sum();
        if sum > 1e200 {
            ways.iter_mut().for_each(|w| *w /= sum);
        }
    }
    let total: f64 = ways.iter().sum();
    let low = u.min(top as f64 - u).round() as usize;
    let tail: f64 = ways.iter().take(low + 1).sum();
    (2.0 * tail / total).min(1.0)
}

/// Average ranks (from 1) and the tie sum Σ(t³ - t).
fn average_ranks(values: &[f64]) -> (Vec<f64>, f64) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut ties = 0.0;
    let mut done = 0;
    for group in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let t = group.len() as f64;
        let rank = done as f64 + (t + 1.0) / 2.0;
        for i in group {
            ranks[*i] = rank;
        }
        ties += t * t * t - t;
        done += group.len();
    }
    (ranks, ties)
}

/// A trend and its two-sided p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Coefficient, -1 to 1.
    pub coefficient: f64,
    /// Two-sided p.
    pub p: f64,
    /// Pairs used.
    pub n: usize,
}

/// Spearman's rank correlation with average ranks, p from Student's t with n - 2 degrees of freedom (Kendall and Gibbons 1990,
/// Rank Correlation Methods). Pairs with a value that is not finite are left out; `None` for fewer than three or no spread.
pub fn spearman(x: &[f64], y: &[f64]) -> Option<Trend> {
    let (xs, ys) = finite_pairs(x, y);
    let n = xs.len();
    if n < 3 {
        return None;
    }
    let (rx, _) = average_ranks(&xs);
    let (ry, _) = average_ranks(&ys);
    let mean = (n as f64 + 1.0) / 2.0;
    let (mut sxy, mut sxx, mut syy) = (0.0, 0.0, 0.0);
    for (a, b) in rx.iter().zip(&ry) {
        sxy += (a - mean) * (b - mean);
        sxx += (a - mean) * (a - mean);
        syy += (b - mean) * (b - mean);
    }
    if sxx <= 0.0 || syy <= 0.0 {
        return None;
    }
    let r = (sxy / (sxx * syy).sqrt()).clamp(-1.0, 1.0);
    let degrees = n as f64 - 2.0;
    let p =
        if r.abs() >= 1.0 { 0.0 } else { special::student_two_sided(r * (degrees / (1.0 - r * r)).sqrt(), degrees) };
    Some(Trend { coefficient: r, p, n })
}

/// Kendall's τ-b with the tie-corrected normal approximation (Kendall and Gibbons 1990): the Mann-Kendall trend test when x is
/// time. Works over all pairs, so keep n to a few thousand.
pub fn kendall(x: &[f64], y: &[f64]) -> Option<Trend> {
    let (xs, ys) = finite_pairs(x, y);
    let n = xs.len();
    if n < 3 {
        return None;
    }
    let mut score = 0_i64;
    for i in 0..n {
        for j in 0..i {
            let sign = |a: f64, b: f64| i64::from(a > b) - i64::from(a < b);
            score += sign(xs[i], xs[j]) * sign(ys[i], ys[j]);
        }
    }
    let n_f = n as f64;
    let (tx, ty) = (tie_sums(&xs), tie_sums(&ys));
    let pairs = n_f * (n_f - 1.0) / 2.0;
    let (free_x, free_y) = (pairs - tx.pairs, pairs - ty.pairs);
    if free_x <= 0.0 || free_y <= 0.0 {
        return None;
    }
    let v0 = n_f * (n_f - 1.0) * (2.0 * n_f + 5.0);
    let variance = (v0 - tx.v - ty.v) / 18.0
        + tx.pairs * ty.pairs * 2.0 / (n_f * (n_f - 1.0))
        + tx.triples * ty.triples / (9.0 * n_f * (n_f - 1.0) * (n_f - 2.0));
    let s = score as f64;
    let p = if variance > 0.0 { special::normal_two_sided(s / variance.sqrt()) } else { 1.0 };
    Some(Trend { coefficient: s / (free_x * free_y).sqrt(), p, n })
}

struct TieSums {
    pairs: f64,
    v: f64,
    triples: f64,
}

fn tie_sums(values: &[f64]) -> TieSums {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut out = TieSums { pairs: 0.0, v: 0.0, triples: 0.0 };
    for group in sorted.chunk_by(|a, b| a == b) {
        let t = group.len() as f64;
        out.pairs += t * (t - 1.0) / 2.0;
        out.v += t * (t - 1.0) * (2.0 * t + 5.0);
        out.triples += t * (t - 1.0) * (t - 2.0);
    }
    out
}

fn finite_pairs(x: &[f64], y: &[f64]) -> (Vec<f64>, Vec<f64>) {
    x.iter().zip(y).filter(|(a, b)| a.is_finite() && b.is_finite()).map(|(a, b)| (*a, *b)).unzip()
}

/// Clustering of hours on a circle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rayleigh {
    /// Mean direction, in the unit of the input, 0 to the period.
    pub mean: f64,
    /// Length of the mean vector, 0 (spread) to 1 (one hour).
    pub r: f64,
    /// Rayleigh's Z = n·R².
    pub z: f64,
    /// p of no clustering.
    pub p: f64,
}

/// Rayleigh test of hours of a 24 h day (Fisher 1993, Statistical Analysis of Circular Data; p after Greenwood and Durand
/// 1955). `None` for no hours.
pub fn rayleigh_hours(hours: &[f64]) -> Option<Rayleigh> {
    rayleigh(hours, 24.0)
}

/// Rayleigh test of times folded at any period (for example the sidereal day).
pub fn rayleigh(times: &[f64], period: f64) -> Option<Rayleigh> {
    let kept = times.iter().filter(|t| t.is_finite());
    let turn = 2.0 * std::f64::consts::PI / period;
    let (mut sin, mut cos, mut n) = (0.0, 0.0, 0.0);
    for t in kept {
        let (s, c) = (t * turn).sin_cos();
        sin += s;
        cos += c;
        n += 1.0;
    }
    if n == 0.0 || period.is_nan() || period <= 0.0 {
        return None;
    }
    let length: f64 = f64::hypot(sin, cos);
    let p = ((1.0 + 4.0 * n + 4.0 * (n * n - length * length)).sqrt() - (1.0 + 2.0 * n)).exp();
    Some(Rayleigh {
        mean: (sin.atan2(cos) / turn).rem_euclid(period),
        r: length / n,
        z: length * length / n,
        p: p.min(1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn mann_whitney_of_check_values_13_10() {
        let got = mann_whitney(&[1.1, 2.2, 3.3, 4.4], &[2.0, 3.0, 5.0, 6.0]).unwrap();
        assert!(got.exact);
        near(got.u, 5.0, 1e-12);
        near(got.p, 0.485714, 1e-6);
        near(got.share, 0.3125, 1e-12);
    }

    #[test]
    fn mann_whitney_critical_values() {
        // Table of Mann and Whitney 1947 / any handbook: m = n = 10, two-sided 5 % limit U = 23; p(23) ≤ 0.05 < p(24).
        assert!(exact_u_p(10, 10, 23.0) <= 0.05 && exact_u_p(10, 10, 24.0) > 0.05);
        near(exact_u_p(3, 3, 0.0), 0.1, 1e-12);
        let tied = mann_whitney(&[1.0, 2.0, 2.0], &[2.0, 3.0, 3.0]).unwrap();
        assert!(!tied.exact && tied.p > 0.05 && tied.p < 1.0);
        near(mann_whitney(&[1.0; 5], &[1.0; 5]).unwrap().p, 1.0, 1e-12);
        assert!(mann_whitney(&[], &[1.0]).is_none());
    }

    #[test]
    fn rayleigh_of_check_values_13_10() {
        let got = rayleigh_hours(&[19.5, 20.0, 20.3, 21.1, 20.7, 19.9, 22.0, 20.4]).unwrap();
        near(got.mean, 20.4840, 1e-4);
        near(got.r, 0.981701, 1e-6);
        near(got.z, 7.709903, 1e-6);
        near(got.p, 2.7607e-5, 1e-9);
        assert!(rayleigh_hours(&[]).is_none());
    }

    #[test]
    fn trends() {
        // Hollander and Wolfe 1973, Nonparametric Statistical Methods, p. 187 (lightness and quality of canned tuna):
        // 26 concordant of 36 pairs, τ = 0.4444; Spearman 0.6 (Σd² = 48).
        let x = [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1];
        let y = [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8];
        near(kendall(&x, &y).unwrap().coefficient, (26.0 - 10.0) / 36.0, 1e-12);
        near(spearman(&x, &y).unwrap().coefficient, 0.6, 1e-12);
        let up: Vec<f64> = (0..12).map(f64::from).collect();
        near(kendall(&up, &up).unwrap().coefficient, 1.0, 1e-12);
        assert!(spearman(&up, &[1.0; 12]).is_none() && kendall(&up, &[1.0; 12]).is_none());
        assert!(spearman(&up[..2], &up[..2]).is_none());
    }
}
