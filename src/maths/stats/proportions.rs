//! Shares with intervals, and false discovery control over many tests.

use super::{Interval, special};

/// Wilson interval of x successes in n (Wilson 1927, JASA 22:209-212) for a normal point z. `None` for n = 0 or x > n.
pub fn wilson(x: u64, n: u64, z: f64) -> Option<Interval> {
    if n == 0 || x > n {
        return None;
    }
    let n_f = n as f64;
    let p = x as f64 / n_f;
    let scale = 1.0 + z * z / n_f;
    let centre = (p + z * z / (2.0 * n_f)) / scale;
    let half = z * (p * (1.0 - p) / n_f + z * z / (4.0 * n_f * n_f)).sqrt() / scale;
    // At the ends the formula gives 0 and 1 exactly, but for rounding.
    let low = if x == 0 { 0.0 } else { (centre - half).max(0.0) };
    let high = if x == n { 1.0 } else { (centre + half).min(1.0) };
    Some(Interval { low, high })
}

/// Exact interval of x successes in n (Clopper and Pearson 1934, Biometrika 26:404-413) at a level such as 0.95.
pub fn clopper_pearson(x: u64, n: u64, level: f64) -> Option<Interval> {
    if n == 0 || x > n || !(level > 0.0 && level < 1.0) {
        return None;
    }
    let (x_f, n_f, tail) = (x as f64, n as f64, (1.0 - level) / 2.0);
    let low = if x == 0 { 0.0 } else { special::beta_quantile(tail, x_f, n_f - x_f + 1.0) };
    let high = if x == n { 1.0 } else { special::beta_quantile(1.0 - tail, x_f + 1.0, n_f - x_f) };
    Some(Interval { low, high })
}

/// Adjusted p of Benjamini and Hochberg 1995 (doi 10.1111/j.2517-6161.1995.tb02031.x), in the order given: a test is kept at
/// rate q when its adjusted p is at most q. A NaN stays NaN and is not counted among the tests.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|i| !p[*i].is_nan()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let m = order.len() as f64;
    let mut adjusted = vec![f64::NAN; p.len()];
    let mut smallest = 1.0_f64;
    for (rank, index) in order.iter().enumerate().rev() {
        smallest = smallest.min(p[*index] * m / (rank + 1) as f64);
        adjusted[*index] = smallest;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn intervals_of_check_values_13_4() {
        // Newcombe 1998 (Stat. Med. 17:857-872) for the first four Wilson rows.
        let rows = [
            (81, 263, 0.255289, 0.366210, 0.252737, 0.367622),
            (15, 148, 0.062386, 0.160487, 0.057844, 0.161650),
            (0, 20, 0.0, 0.161125, 0.0, 0.168433),
            (1, 29, 0.006113, 0.171755, 0.000873, 0.177644),
            (29, 29, 0.883030, 1.0, 0.880555, 1.0),
            (8, 10, 0.490162, 0.943318, 0.443905, 0.974789),
        ];
        for (x, n, wl, wh, cl, ch) in rows {
            let w = wilson(x, n, super::super::Z_95).unwrap();
            near(w.low, wl, 1e-6);
            near(w.high, wh, 1e-6);
            let c = clopper_pearson(x, n, 0.95).unwrap();
            near(c.low, cl, 1e-6);
            near(c.high, ch, 1e-6);
        }
        assert!(wilson(3, 2, 1.96).is_none() && clopper_pearson(0, 0, 0.95).is_none());
    }

    #[test]
    fn false_discovery_of_check_values_13_3() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
            0.7590, 1.0,
        ];
        let want = [
            0.0015, 0.0030, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.581182, 0.714875,
            0.753231, 0.813214, 1.0,
        ];
        let got = benjamini_hochberg(&p);
        for (g, w) in got.iter().zip(want) {
            near(*g, w, 1e-6);
        }
        // The paper rejects four at 5 %.
        assert_eq!(got.iter().filter(|q| **q <= 0.05).count(), 4);
        // Order does not matter, a missing p does not count.
        let mut mixed: Vec<f64> = p.iter().rev().copied().collect();
        mixed.push(f64::NAN);
        let got = benjamini_hochberg(&mixed);
        near(got[14], 0.0015, 1e-12);
        near(got[11], 0.035625, 1e-12);
        assert!(got[15].is_nan());
    }
}
