//! Middle values and spreads that a few bad samples cannot move.

/// Quantile p of finite values by linear interpolation (type 7 of Hyndman and Fan 1996, Am. Stat. 50:361-365). Sorts the
/// slice; values that are not finite are left out. `None` when nothing is left.
pub fn quantile(values: &mut [f64], p: f64) -> Option<f64> {
    let kept = finite_first(values);
    let sorted = values.get_mut(..kept)?;
    sorted.sort_by(f64::total_cmp);
    let last = kept.checked_sub(1)?;
    let at = p.clamp(0.0, 1.0) * last as f64;
    let low = *sorted.get(at.floor() as usize)?;
    let high = *sorted.get((at.floor() as usize + 1).min(last))?;
    Some(low + (high - low) * at.fract())
}

/// Median of finite values; reorders the slice. `None` when there is none.
pub fn median(values: &mut [f64]) -> Option<f64> {
    let kept = finite_first(values);
    let kept = values.get_mut(..kept)?;
    if kept.is_empty() {
        return None;
    }
    let middle = kept.len() / 2;
    let even = kept.len().is_multiple_of(2);
    let (below, upper, _) = kept.select_nth_unstable_by(middle, f64::total_cmp);
    let upper = *upper;
    if !even {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// Median and median absolute deviation; reorders the slice and leaves the deviations in it.
pub fn mad(values: &mut [f64]) -> Option<(f64, f64)> {
    let middle = median(values)?;
    for v in values.iter_mut() {
        *v = (*v - middle).abs();
    }
    Some((middle, median(values)?))
}

/// Score of a value in robust standard deviations, (value - median)/(1.4826·MAD) (Rousseeuw and Croux 1993, JASA 88:1273-1283).
/// `None` when the MAD is 0.
pub fn robust_score(value: f64, median: f64, mad: f64) -> Option<f64> {
    let sigma = 1.4826 * mad;
    (sigma > 0.0 && value.is_finite()).then(|| (value - median) / sigma)
}

/// Moves finite values to the front and returns how many there are.
fn finite_first(values: &mut [f64]) -> usize {
    let mut kept = 0;
    for i in 0..values.len() {
        if values[i].is_finite() {
            values.swap(kept, i);
            kept += 1;
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn robust_step_of_check_values_13_10() {
        let mut v = [44.1, 44.3, 43.9, 44.0, 44.2, 38.0, 44.1];
        let (m, d) = mad(&mut v).unwrap();
        near(m, 44.1, 1e-12);
        near(d, 0.1, 1e-12);
        near(robust_score(38.0, m, d).unwrap(), -41.14, 0.005);
    }

    #[test]
    fn quantiles() {
        // Hyndman and Fan 1996, type 7: position (n - 1)p.
        near(quantile(&mut [4.0, 1.0, 3.0, 2.0], 0.25).unwrap(), 1.75, 1e-12);
        near(quantile(&mut [4.0, f64::NAN, 1.0], 1.0).unwrap(), 4.0, 1e-12);
        near(median(&mut [4.0, 1.0, 3.0, 2.0]).unwrap(), 2.5, 1e-12);
        assert!(median(&mut [f64::NAN]).is_none() && quantile(&mut [], 0.5).is_none());
        assert!(robust_score(1.0, 1.0, 0.0).is_none());
    }
}
