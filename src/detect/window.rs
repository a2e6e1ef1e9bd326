//! Small maths that detectors share: stretches of a flag on a grid, medians, running medians.

use crate::model::time::UtcMs;

/// A stretch of flagged grid cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stretch {
    pub from: UtcMs,
    pub to: UtcMs,
    /// Index of the first flagged cell.
    pub first: usize,
    /// Index behind the last flagged cell.
    pub end: usize,
}

/// Stretches of `flags` over cells that start at `times` and last `cell_ms`. Stretches closer than `bridge_ms` are one;
/// shorter than `shortest_ms` are left out. A hole in `times` longer than the bridge ends a stretch.
pub(crate) fn stretches(
    times: &[UtcMs],
    flags: &[bool],
    cell_ms: i64,
    bridge_ms: i64,
    shortest_ms: i64,
) -> Vec<Stretch> {
    let mut out: Vec<Stretch> = Vec::new();
    for (i, (t, flag)) in times.iter().zip(flags).enumerate() {
        if !flag {
            continue;
        }
        match out.last_mut() {
            Some(s) if t - s.to <= bridge_ms => {
                s.to = t + cell_ms;
                s.end = i + 1;
            }
            _ => out.push(Stretch { from: *t, to: t + cell_ms, first: i, end: i + 1 }),
        }
    }
    out.retain(|s| s.to - s.from >= shortest_ms);
    out
}

/// Usual step of ascending times, ms, at least 1 s and at most 60 s; 1 s for fewer than two times.
pub(crate) fn step_ms(times: &[UtcMs]) -> i64 {
    let steps = times.windows(2).take(10_000).filter(|w| w[1] > w[0]).map(|w| (w[1] - w[0]) as f64);
    median(steps).map_or(1_000, |m| m as i64).clamp(1_000, 60_000)
}

/// Median of the values that are numbers; `None` when there is none.
pub(crate) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile `q` (nearest rank) of the values that are numbers.
pub(crate) fn quantile(values: impl IntoIterator<Item = f64>, q: f64) -> Option<f64> {
    let values = values.into_iter();
    let mut v: Vec<f64> = Vec::with_capacity(values.size_hint().1.unwrap_or(0));
    v.extend(values.filter(|x| x.is_finite()));
    if v.is_empty() {
        return None;
    }
    let at = ((v.len() - 1) as f64 * q).round() as usize;
    Some(*v.select_nth_unstable_by(at, f64::total_cmp).1)
}

/// For each cell the median of the up to `n` finite values before it (not the cell itself) no older than `reach_ms`.
/// Values for which `skip` is true do not enter. NaN when fewer than `least` values are there.
pub(crate) fn trailing_median(
    times: &[UtcMs],
    values: &[f64],
    n: usize,
    reach_ms: i64,
    least: usize,
    mut skip: impl FnMut(usize, f64) -> bool,
) -> Vec<f64> {
    let mut kept: std::collections::VecDeque<(UtcMs, f64)> = std::collections::VecDeque::new();
    let mut sorted: Vec<f64> = Vec::new();
    let mut out = Vec::with_capacity(values.len());
    for (i, (t, v)) in times.iter().zip(values).enumerate() {
        while let Some((old, x)) = kept.front().copied() {
            if kept.len() > n || t - old > reach_ms {
                kept.pop_front();
                if let Ok(at) = sorted.binary_search_by(|p| p.total_cmp(&x)) {
                    sorted.remove(at);
                }
            } else {
                break;
            }
        }
        let base = if sorted.len() >= least { sorted[sorted.len() / 2] } else { f64::NAN };
        out.push(base);
        if v.is_finite() && !skip(i, base) {
            kept.push_back((*t, *v));
            let at = sorted.partition_point(|p| p < v);
            sorted.insert(at, *v);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_stretches_are_one_and_holes_end_them() {
        let times: Vec<i64> = vec![0, 10, 20, 30, 40, 200, 210];
        let flags = [true, false, true, false, false, true, true];
        let s = stretches(&times, &flags, 10, 10, 0);
        assert_eq!(s.iter().map(|s| (s.from, s.to)).collect::<Vec<_>>(), [(0, 30), (200, 220)]);
        assert_eq!(stretches(&times, &flags, 10, 10, 25).len(), 1);
    }

    #[test]
    fn the_running_median_follows_and_leaves_out_what_is_skipped() {
        let times: Vec<i64> = (0..8).collect();
        let values = [1.0, 1.0, 1.0, 9.0, 9.0, 9.0, 1.0, 1.0];
        let base = trailing_median(&times, &values, 100, 1000, 2, |i, b| b.is_finite() && values[i] - b > 3.0);
        assert!(base[..2].iter().all(|b| b.is_nan()));
        assert!(base[2..].iter().all(|b| *b == 1.0));
    }
}
