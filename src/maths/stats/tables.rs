//! Two-by-two tables: relative risk, odds ratio, exact test, pooled ratios, attributable fractions.

use super::{Interval, Z_95, special};

/// A two-by-two table of counts (or of time, where only ratios are wanted).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Table2x2 {
    /// Exposed and lost.
    pub a: f64,
    /// Exposed and not lost.
    pub b: f64,
    /// Not exposed and lost.
    pub c: f64,
    /// Not exposed and not lost.
    pub d: f64,
}

/// A ratio with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// The ratio.
    pub value: f64,
    /// 95 % interval.
    pub interval: Interval,
    /// Standard error of its logarithm.
    pub se_ln: f64,
    /// True when 0.5 was added to every cell because one was zero (Haldane-Anscombe); to be said in a report.
    pub corrected: bool,
}

impl Ratio {
    fn from_ln(ln: f64, se_ln: f64, corrected: bool) -> Option<Ratio> {
        if !ln.is_finite() || !se_ln.is_finite() {
            return None;
        }
        let interval = Interval { low: (ln - Z_95 * se_ln).exp(), high: (ln + Z_95 * se_ln).exp() };
        Some(Ratio { value: ln.exp(), interval, se_ln, corrected })
    }
}

impl Table2x2 {
    /// From whole counts.
    pub fn from_counts(a: u64, b: u64, c: u64, d: u64) -> Table2x2 {
        Table2x2 { a: a as f64, b: b as f64, c: c as f64, d: d as f64 }
    }

    /// Sum of the cells.
    pub fn total(&self) -> f64 {
        self.a + self.b + self.c + self.d
    }

    fn is_valid(&self) -> bool {
        [self.a, self.b, self.c, self.d].iter().all(|v| v.is_finite() && *v >= 0.0)
            && self.a + self.b > 0.0
            && self.c + self.d > 0.0
    }

    /// 0.5 added to every cell when one is zero (Haldane 1956, Anscombe 1956), and whether that was done.
    fn corrected(&self) -> (Table2x2, bool) {
        let zero = [self.a, self.b, self.c, self.d].contains(&0.0);
        let add = if zero { 0.5 } else { 0.0 };
        (Table2x2 { a: self.a + add, b: self.b + add, c: self.c + add, d: self.d + add }, zero)
    }

    /// Relative risk (a/n1)/(c/n0) with the log interval of Katz et al. 1978 (Biometrics 34:469-474). `None` when a row is empty.
    pub fn relative_risk(&self) -> Option<Ratio> {
        if !self.is_valid() {
            return None;
        }
        let (t, corrected) = self.corrected();
        let (n1, n0) = (t.a + t.b, t.c + t.d);
        let se = (1.0 / t.a - 1.0 / n1 + 1.0 / t.c - 1.0 / n0).sqrt();
        Ratio::from_ln((t.a / n1 / (t.c / n0)).ln(), se, corrected)
    }

    /// Odds ratio ad/bc with the log interval of Woolf 1955 (Ann. Hum. Genet. 19:251-253).
    pub fn odds_ratio(&self) -> Option<Ratio> {
        if !self.is_valid() {
            return None;
        }
        let (t, corrected) = self.corrected();
        let se = (1.0 / t.a + 1.0 / t.b + 1.0 / t.c + 1.0 / t.d).sqrt();
        Ratio::from_ln((t.a * t.d / (t.b * t.c)).ln(), se, corrected)
    }

    /// Risk difference a/n1 - c/n0.
    pub fn risk_difference(&self) -> Option<f64> {
        self.is_valid().then(|| self.a / (self.a + self.b) - self.c / (self.c + self.d))
    }

    /// φ = (ad - bc)/√((a+b)(c+d)(a+c)(b+d)); `None` when a margin is empty. Below 1 at most when the margins differ.
    pub fn phi(&self) -> Option<f64> {
        let margins = (self.a + self.b) * (self.c + self.d) * (self.a + self.c) * (self.b + self.d);
        (self.is_valid() && margins > 0.0).then(|| (self.a * self.d - self.b * self.c) / margins.sqrt())
    }

    /// χ² = N·φ² without correction, and its p with one degree of freedom (Pearson 1900).
    pub fn chi2(&self) -> Option<(f64, f64)> {
        let phi = self.phi()?;
        let chi2 = self.total() * phi * phi;
        Some((chi2, special::chi2_sf(chi2, 1.0)))
    }

    /// Share of the union that is common, a/(a+b+c) (Jaccard 1901).
    pub fn jaccard(&self) -> Option<f64> {
        let union = self.a + self.b + self.c;
        (self.is_valid() && union > 0.0).then(|| self.a / union)
    }

    /// Fisher's exact test: (one-sided p for more overlap, two-sided p by the sum of tables no more likely than this one)
    /// (Fisher 1935, The Design of Experiments). Cells are rounded to whole counts.
    pub fn fisher(&self) -> Option<(f64, f64)> {
        let cells = [self.a, self.b, self.c, self.d].map(f64::round);
        if !cells.iter().all(|v| v.is_finite() && *v >= 0.0) || self.total() > 1e7 {
            return None;
        }
        let [a, b, c, d] = cells;
        let (row, column, total) = (a + b, a + c, a + b + c + d);
        let base = special::ln_choose(total, column);
        let p_of = |k: f64| (special::ln_choose(row, k) + special::ln_choose(total - row, column - k) - base).exp();
        let (low, high) = ((row + column - total).max(0.0), row.min(column));
        // Equal probabilities must count as equal although their logarithms were summed in another order.
        let limit = p_of(a) * (1.0 + 1e-7);
        let (mut greater, mut two_sided) = (0.0, 0.0);
        let mut k = low;
        while k <= high {
            let p = p_of(k);
            if k >= a {
                greater += p;
            }
            if p <= limit {
                two_sided += p;
            }
            k += 1.0;
        }
        Some((greater.min(1.0), two_sided.min(1.0)))
    }
}

/// Share of the losses among the exposed that would not have come without the exposure: (RR - 1)/RR.
pub fn attributable_fraction_exposed(relative_risk: f64) -> f64 {
    (relative_risk - 1.0) / relative_risk
}

/// Population attributable fraction of Levin 1953 (Acta Unio Int. Contra Cancrum 9:531-541): p(RR-1)/(1+p(RR-1)), p the
/// exposed share of all time. Biased with an adjusted ratio; say "up to".
pub fn levin_fraction(exposed_share: f64, relative_risk: f64) -> f64 {
    let excess = exposed_share * (relative_risk - 1.0);
    excess / (1.0 + excess)
}

/// Population attributable fraction of Miettinen 1974 (Am. J. Epidemiol. 99:325-332): pc(RR-1)/RR, pc the exposed share of the
/// losses. Right with an adjusted ratio.
pub fn miettinen_fraction(exposed_share_of_losses: f64, relative_risk: f64) -> f64 {
    exposed_share_of_losses * (relative_risk - 1.0) / relative_risk
}

/// Mantel-Haenszel relative risk over strata, interval of Greenland and Robins 1985 (Biometrics 41:55-68). `None` without
/// losses on either side.
pub fn mantel_haenszel_relative_risk(strata: &[Table2x2]) -> Option<Ratio> {
    let (mut top, mut bottom, mut spread) = (0.0, 0.0, 0.0);
    for t in strata.iter().filter(|t| t.is_valid()) {
        let (n1, n0, n) = (t.a + t.b, t.c + t.d, t.total());
        top += t.a * n0 / n;
        bottom += t.c * n1 / n;
        spread += (n1 * n0 * (t.a + t.c) - t.a * t.c * n) / (n * n);
    }
    if top <= 0.0 || bottom <= 0.0 {
        return None;
    }
    Ratio::from_ln((top / bottom).ln(), (spread / (top * bottom)).sqrt(), false)
}

/// Mantel-Haenszel odds ratio over strata (Mantel and Haenszel 1959), interval of Robins, Breslow and Greenland 1986
/// (Biometrics 42:311-323).
pub fn mantel_haenszel_odds_ratio(strata: &[Table2x2]) -> Option<Ratio> {
    let (mut r, mut s, mut pr, mut mixed, mut qs) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for t in strata.iter().filter(|t| t.is_valid()) {
        let n = t.total();
        let (ri, si) = (t.a * t.d / n, t.b * t.c / n);
        let (p, q) = ((t.a + t.d) / n, (t.b + t.c) / n);
        r += ri;
        s += si;
        pr += p * ri;
        mixed += p * si + q * ri;
        qs += q * si;
    }
    if r <= 0.0 || s <= 0.0 {
        return None;
    }
    let variance = pr / (2.0 * r * r) + mixed / (2.0 * r * s) + qs / (2.0 * s * s);
    Ratio::from_ln((r / s).ln(), variance.sqrt(), false)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    /// Aspirin study (Agresti, Categorical Data Analysis), check values 13.1.
    fn aspirin() -> Table2x2 {
        Table2x2::from_counts(189, 11_034 - 189, 104, 11_037 - 104)
    }

    fn small() -> Table2x2 {
        Table2x2::from_counts(30, 70, 10, 190)
    }

    #[test]
    fn textbook_table_of_check_values_13_1() {
        let rr = aspirin().relative_risk().unwrap();
        near(rr.value, 1.817802, 1e-6);
        near(rr.se_ln, 0.121347, 1e-6);
        near(rr.interval.low, 1.433031, 1e-6);
        near(rr.interval.high, 2.305884, 1e-6);
        let or = aspirin().odds_ratio().unwrap();
        near(or.value, 1.832054, 1e-6);
        near(or.interval.low, 1.440042, 1e-6);
        near(or.interval.high, 2.330780, 1e-6);
        near(aspirin().risk_difference().unwrap(), 0.007706, 1e-6);
        near(aspirin().phi().unwrap(), 0.033665, 1e-6);
        let (chi2, p) = aspirin().chi2().unwrap();
        near(chi2, 25.013884, 1e-6);
        near(p, 5.692e-7, 1e-10);
    }

    #[test]
    fn small_table_of_check_values_13_1() {
        let rr = small().relative_risk().unwrap();
        near(rr.value, 6.0, 1e-12);
        near(rr.interval.low, 3.057322, 1e-6);
        near(rr.interval.high, 11.775010, 1e-6);
        let or = small().odds_ratio().unwrap();
        near(or.value, 8.142857, 1e-6);
        near(or.interval.low, 3.784040, 1e-6);
        near(or.interval.high, 17.522575, 1e-6);
        near(small().phi().unwrap(), 0.346688, 1e-6);
        near(small().fisher().unwrap().1, 7.6173e-9, 1e-13);
        near(small().jaccard().unwrap(), 0.272727, 1e-6);
    }

    #[test]
    fn zero_cells_and_empty_rows() {
        let t = Table2x2::from_counts(4, 6, 0, 10);
        let rr = t.relative_risk().unwrap();
        assert!(rr.corrected);
        // Haldane-Anscombe by hand: (4.5/11)/(0.5/11) = 9.
        near(rr.value, 9.0, 1e-12);
        assert!(Table2x2::from_counts(0, 0, 3, 4).relative_risk().is_none());
        assert!(Table2x2 { a: f64::NAN, ..t }.relative_risk().is_none());
        assert!(Table2x2::from_counts(0, 5, 0, 5).phi().is_none());
    }

    #[test]
    fn tea_tasting_of_check_values_13_10() {
        let (greater, two_sided) = Table2x2::from_counts(3, 1, 1, 3).fisher().unwrap();
        near(greater, 0.242857, 1e-6);
        near(two_sided, 0.485714, 1e-6);
    }

    #[test]
    fn naive_fisher_of_check_values_13_5() {
        // x and y of the shift example: both 5, only x 2, only y 1, neither 12.
        near(Table2x2::from_counts(5, 2, 1, 12).fisher().unwrap().1, 0.00722, 5e-6);
    }

    #[test]
    fn attributable_fractions_of_check_values_13_6() {
        near(levin_fraction(0.30, 4.0), 0.473684, 1e-6);
        near(levin_fraction(100.0 / 300.0, 6.0), 0.625, 1e-12);
        let t = aspirin();
        let rr = t.relative_risk().unwrap().value;
        near(attributable_fraction_exposed(rr), 0.449885, 1e-6);
        near(miettinen_fraction(t.a / (t.a + t.c), rr), 0.290199, 1e-6);
        near(levin_fraction((t.a + t.b) / t.total(), rr), 0.290199, 1e-6);
    }

    #[test]
    fn kidney_stones_of_check_values_13_9() {
        // Charig et al. 1986, BMJ 292:879-882: the crude ratio points the other way (Simpson).
        let strata = [Table2x2::from_counts(81, 6, 234, 36), Table2x2::from_counts(192, 71, 55, 25)];
        near(strata[0].relative_risk().unwrap().value, 1.074271, 1e-6);
        near(strata[1].relative_risk().unwrap().value, 1.061873, 1e-6);
        near(Table2x2::from_counts(273, 77, 289, 61).relative_risk().unwrap().value, 0.944637, 1e-6);
        near(mantel_haenszel_relative_risk(&strata).unwrap().value, 1.069000, 1e-6);
        let or = mantel_haenszel_odds_ratio(&strata).unwrap();
        near(or.value, 1.446847, 1e-6);
        near(or.interval.low, 0.915793, 1e-6);
        near(or.interval.high, 2.285849, 1e-6);
        assert!(mantel_haenszel_relative_risk(&[]).is_none());
    }

    #[test]
    fn one_stratum_is_the_plain_ratio() {
        // Greenland and Robins 1985: with one stratum estimate and interval are those of Katz et al.
        let (pooled, plain) = (mantel_haenszel_relative_risk(&[small()]).unwrap(), small().relative_risk().unwrap());
        near(pooled.value, plain.value, 1e-12);
        near(pooled.se_ln, plain.se_ln, 1e-12);
    }
}
