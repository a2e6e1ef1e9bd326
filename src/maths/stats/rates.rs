//! Counts over time: one rate, and the ratio of two.

use super::{Interval, clopper_pearson, special};

/// Ratio of two Poisson rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PoissonRatio {
    /// (x1/t1)/(x2/t2); infinite when x2 is 0.
    pub ratio: f64,
    /// Exact interval; the upper end is infinite when x2 is 0.
    pub interval: Interval,
    /// Exact two-sided p of equal rates (sum of outcomes no more likely than the one seen).
    pub p: f64,
    /// p of the score test, for large counts.
    pub score_p: f64,
}

/// Exact comparison of x1 events in t1 with x2 events in t2 (Przyborowski and Wilenski 1940, Biometrika 31:313-323): given the
/// sum, x1 is binomial with share t1/(t1+t2). `None` without events or without time.
pub fn poisson_ratio(x1: u64, t1: f64, x2: u64, t2: f64, level: f64) -> Option<PoissonRatio> {
    let n = x1.checked_add(x2)?;
    let time = |t: f64| t.is_finite() && t > 0.0;
    if n == 0 || n > 10_000_000 || !time(t1) || !time(t2) {
        return None;
    }
    let share = t1 / (t1 + t2);
    let ci = clopper_pearson(x1, n, level)?;
    let odds = |p: f64| p / (1.0 - p) * t2 / t1;
    let (n_f, x_f) = (n as f64, x1 as f64);
    let p_of = |k: f64| (special::ln_choose(n_f, k) + k * share.ln() + (n_f - k) * (-share).ln_1p()).exp();
    let limit = p_of(x_f) * (1.0 + 1e-7);
    let p: f64 = (0..=n).map(|k| p_of(k as f64)).filter(|p| *p <= limit).sum();
    let z = (x_f - n_f * share) / (n_f * share * (1.0 - share)).sqrt();
    Some(PoissonRatio {
        ratio: x_f / t1 / (x2 as f64 / t2),
        interval: Interval { low: odds(ci.low), high: odds(ci.high) },
        p: p.min(1.0),
        score_p: special::normal_two_sided(z),
    })
}

/// Exact interval of one Poisson rate, x events in time t (Garwood 1936, Biometrika 28:437-442). `None` without time.
pub fn garwood(x: u64, t: f64, level: f64) -> Option<Interval> {
    if !(t > 0.0 && t.is_finite() && level > 0.0 && level < 1.0) {
        return None;
    }
    let tail = (1.0 - level) / 2.0;
    let low = if x == 0 { 0.0 } else { special::gamma_quantile(tail, x as f64) };
    Some(Interval { low: low / t, high: special::gamma_quantile(1.0 - tail, x as f64 + 1.0) / t })
}

/// One-sided upper limit of a rate, x events in time t (Garwood 1936); with no events and 0.95 the rule of three.
pub fn rate_upper(x: u64, t: f64, level: f64) -> Option<f64> {
    (t > 0.0 && level > 0.0 && level < 1.0).then(|| special::gamma_quantile(level, x as f64 + 1.0) / t)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn published_ratio_of_check_values_13_7() {
        // Gu et al. 2008, Biom. J. 50:283-298.
        let r = poisson_ratio(60, 51_477.5, 30, 54_308.7, 0.95).unwrap();
        near(r.ratio, 2.109998, 1e-6);
        near(r.p, 0.000675183, 1e-9);
        near(r.interval.low, 1.339736, 1e-6);
        near(r.interval.high, 3.388366, 1e-6);
        near(r.score_p, 0.000632219, 1e-9);
    }

    #[test]
    fn service_example_of_check_values_13_7() {
        let r = poisson_ratio(24, 30.0, 6, 28.0, 0.95).unwrap();
        near(r.ratio, 3.733333, 1e-6);
        near(r.p, 0.00170463, 1e-8);
        near(r.interval.low, 1.486720, 1e-6);
        near(r.interval.high, 11.166585, 1e-6);
        let one = garwood(6, 28.0, 0.95).unwrap();
        near(one.low, 0.078639, 1e-6);
        near(one.high, 0.466410, 1e-6);
        near(rate_upper(0, 1.0, 0.95).unwrap(), 2.995732, 1e-6);
        near(garwood(0, 1.0, 0.95).unwrap().high, 3.688879, 1e-6);
    }

    #[test]
    fn edges() {
        assert!(poisson_ratio(0, 1.0, 0, 1.0, 0.95).is_none());
        assert!(poisson_ratio(3, 0.0, 1, 1.0, 0.95).is_none());
        let r = poisson_ratio(5, 10.0, 0, 10.0, 0.95).unwrap();
        assert!(r.ratio.is_infinite() && r.interval.high.is_infinite());
        // Five of five at even odds: 2·(1/2)^5.
        near(r.p, 0.0625, 1e-12);
    }
}
