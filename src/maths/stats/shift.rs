//! Circular-shift tests: does one clumpy series go with another beyond chance?
//!
//! Lotwick and Silverman 1982, J. R. Stat. Soc. B 44:406-413 (toroidal shifts). Each series keeps its own clumping; only their
//! position to each other is taken at random, so a few long outages are not mistaken for thousands of independent seconds.

use rayon::prelude::*;

/// Which shifts to try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shifts {
    /// Every shift 0 to n - 1: an exact p, never below 1/n.
    All,
    /// This many shifts drawn at random from a seed: p = (1 + hits)/(1 + count). All shifts when there are no more than that.
    Random {
        /// How many; 999 or more.
        count: usize,
        /// Seed; the same seed gives the same result on every machine and any number of threads.
        seed: u64,
    },
}

/// Result of a shift test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShiftTest {
    /// Observed samples used.
    pub n: usize,
    /// Statistic as it happened: Σ x·y (number of common samples for yes/no series).
    pub statistic: f64,
    /// Its mean over the shifts tried: what chance gives.
    pub expected: f64,
    /// Its standard deviation over the shifts tried.
    pub sd: f64,
    /// Shifts tried.
    pub tried: usize,
    /// Of these, how many gave at least the statistic that happened.
    pub at_least: usize,
    /// One-sided p of so much overlap or more.
    pub p: f64,
}

impl ShiftTest {
    /// Overlap beyond chance: statistic less its mean over shifts.
    pub fn excess(&self) -> f64 {
        self.statistic - self.expected
    }
}

/// Shift test of two yes/no series on one grid, where `observed` says which samples count for both.
///
/// The unobserved samples are cut out first and the shift runs inside the rest. The statistic of shift k is Σ x(t)·y(t+k).
/// `None` when the lengths differ, fewer than two samples are observed, or a series is constant there.
pub fn circular_shift_bool(x: &[bool], y: &[bool], observed: &[bool], shifts: Shifts) -> Option<ShiftTest> {
    if x.len() != y.len() || x.len() != observed.len() {
        return None;
    }
    let xs = Bits::kept(x, observed);
    let ys = Bits::kept(y, observed);
    let n = xs.len;
    if n < 2 || [xs.ones, ys.ones].iter().any(|k| *k == 0 || *k == n) {
        return None;
    }
    let ring = Ring::new(&ys);
    let direct = |k: usize| ring.overlap(&xs, k) as f64;
    let (runs_x, runs_y) = (xs.runs(), ys.runs());
    let by_runs = 4 * runs_x.len() * runs_y.len() + n;
    let tries = match shifts {
        Shifts::Random { count, .. } if count < n => count,
        _ => n,
    };
    // Clumpy series are cheaper by their edges than by their words: then every shift costs one addition.
    if by_runs < tries * xs.words.len() {
        let all = overlaps_by_runs(&runs_x, &runs_y, n, ring.overlap(&xs, 0), ring.overlap(&xs, 1));
        return judge(n, shifts, |k| all.get(k).map_or(0.0, |v| *v as f64));
    }
    judge(n, shifts, direct)
}

/// Shift test of two series of numbers (counts, shares, strengths), statistic Σ x(t)·y(t+k); samples that are not observed or
/// not finite are cut out. Every shift costs n products, so take random shifts above about 50 000 samples.
pub fn circular_shift_f32(x: &[f32], y: &[f32], observed: &[bool], shifts: Shifts) -> Option<ShiftTest> {
    if x.len() != y.len() || x.len() != observed.len() {
        return None;
    }
    let (xs, ys): (Vec<f32>, Vec<f32>) = x
        .iter()
        .zip(y)
        .zip(observed)
        .filter(|((a, b), seen)| **seen && a.is_finite() && b.is_finite())
        .map(|((a, b), _)| (*a, *b))
        .unzip();
    let n = xs.len();
    let constant = |v: &[f32]| v.iter().zip(v.iter().skip(1)).all(|(a, b)| a == b);
    if n < 2 || constant(&xs) || constant(&ys) {
        return None;
    }
    judge(n, shifts, |k| {
        let (head, tail) = ys.split_at(k.min(n));
        // Partial sums in f64 over the same blocks whatever the shift, so that equal overlaps give equal sums.
        let dot = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(p, q)| f64::from(*p) * f64::from(*q)).sum::<f64>();
        let cut = n - k.min(n);
        let (x_head, x_tail) = xs.split_at(cut);
        dot(x_head, tail) + dot(x_tail, head)
    })
}

/// Shift test of windows against a series of numbers on the same grid (lost time a cell), statistic Σ y over the cells inside the
/// windows. The same as [`circular_shift_f32`] with 0 and 1 for x, at the cost of one difference of sums a window and shift.
/// `None` when the lengths differ, fewer than two samples are observed, or a series is constant there.
pub fn circular_shift_windows(x: &[bool], y: &[u32], observed: &[bool], shifts: Shifts) -> Option<ShiftTest> {
    if x.len() != y.len() || x.len() != observed.len() {
        return None;
    }
    let xs = Bits::kept(x, observed);
    let n = xs.len;
    let kept = || y.iter().zip(observed).filter(|(_, seen)| **seen).map(|(v, _)| u64::from(*v));
    let first = kept().next()?;
    if n < 2 || xs.ones == 0 || xs.ones == n || kept().all(|v| v == first) {
        return None;
    }
    // Sums over the series laid twice end to end: every window of every shift is one difference.
    let mut sums = Vec::with_capacity(2 * n + 1);
    let mut sum = 0_u64;
    sums.push(sum);
    for v in kept().chain(kept()) {
        sum += v;
        sums.push(sum);
    }
    let runs = xs.runs();
    judge(n, shifts, |k| {
        let at = |i: usize| sums.get(i + k).copied().unwrap_or(sum);
        runs.iter().map(|(a, b)| at(*b) - at(*a)).sum::<u64>() as f64
    })
}

/// Test against shifts that keep the hour of the day: only whole periods (in samples) plus or minus `half_width` are tried.
///
/// For series with a daily rhythm of their own: among all shifts the common rhythm alone would look like an association.
/// The time axis is kept and nothing wraps round; samples pair up where both are observed, the statistic is φ of these pairs,
/// and shifts with fewer than a third of the pairs of shift 0 are left out. `None` with fewer than four shifts left. The
/// smallest p is one over the number of shifts, so a few days cannot give strong evidence; that is the point.
pub fn same_phase_shift_bool(
    x: &[bool],
    y: &[bool],
    observed: &[bool],
    period: usize,
    half_width: usize,
) -> Option<ShiftTest> {
    let n = x.len();
    if n != y.len() || n != observed.len() || period == 0 || half_width * 2 >= period {
        return None;
    }
    let pairs = |shift: i64| -> Option<(usize, f64)> {
        let skip = shift.unsigned_abs() as usize;
        let (from_x, from_y) = if shift >= 0 { (0, skip) } else { (skip, 0) };
        let (mut a, mut b, mut c, mut d) = (0_usize, 0_usize, 0_usize, 0_usize);
        let left = x.iter().zip(observed).skip(from_x);
        for ((xv, xo), (yv, yo)) in left.zip(y.iter().zip(observed).skip(from_y)) {
            if *xo && *yo {
                match (*xv, *yv) {
                    (true, true) => a += 1,
                    (true, false) => b += 1,
                    (false, true) => c += 1,
                    (false, false) => d += 1,
                }
            }
        }
        let table = super::Table2x2::from_counts(a as u64, b as u64, c as u64, d as u64);
        table.phi().map(|phi| (a + b + c + d, phi))
    };
    let (pairs_0, statistic) = pairs(0)?;
    let days = (n / period) as i64;
    let wanted: Vec<i64> = (-days..=days)
        .flat_map(|day| (-(half_width as i64)..=half_width as i64).map(move |off| day * period as i64 + off))
        .filter(|k| (k.unsigned_abs() as usize) < n)
        .collect();
    let values: Vec<f64> = wanted
        .par_iter()
        .filter_map(|k| pairs(*k))
        .filter(|(count, _)| 3 * count >= pairs_0)
        .map(|(_, phi)| phi)
        .collect();
    if values.len() < 4 {
        return None;
    }
    Some(summary(pairs_0, statistic, &values, true))
}

fn judge(n: usize, shifts: Shifts, value: impl Fn(usize) -> f64 + Sync) -> Option<ShiftTest> {
    let statistic = value(0);
    match shifts {
        Shifts::Random { count, seed } if count < n => {
            let mut state = seed;
            let drawn: Vec<usize> = (0..count).map(|_| 1 + (split_mix(&mut state) % (n as u64 - 1)) as usize).collect();
            let values: Vec<f64> = drawn.par_iter().map(|k| value(*k)).collect();
            (!values.is_empty()).then(|| summary(n, statistic, &values, false))
        }
        _ => {
            let values: Vec<f64> = (0..n).into_par_iter().map(&value).collect();
            Some(summary(n, statistic, &values, true))
        }
    }
}

/// `complete`: the values hold shift 0 itself, so p needs no 1 added.
fn summary(n: usize, statistic: f64, values: &[f64], complete: bool) -> ShiftTest {
    // Sums taken in another order differ in the last bits; that must not count as less.
    let limit = statistic - 1e-9 * statistic.abs().max(1e-9);
    let at_least = values.iter().filter(|v| **v >= limit).count();
    let tried = values.len();
    let expected = values.iter().sum::<f64>() / tried as f64;
    let sd = (values.iter().map(|v| (v - expected) * (v - expected)).sum::<f64>() / tried as f64).sqrt();
    let p = if complete { at_least as f64 / tried as f64 } else { (1 + at_least) as f64 / (1 + tried) as f64 };
    ShiftTest { n, statistic, expected, sd, tried, at_least, p }
}

/// SplitMix64 (Steele, Lea and Flood 2014, OOPSLA, doi 10.1145/2660193.2660195).
pub(crate) fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Observed samples of a yes/no series, 64 to a word.
struct Bits {
    words: Vec<u64>,
    len: usize,
    ones: usize,
}

impl Bits {
    fn kept(values: &[bool], observed: &[bool]) -> Bits {
        let mut bits = Bits { words: Vec::with_capacity(values.len() / 64 + 1), len: 0, ones: 0 };
        for (value, _) in values.iter().zip(observed).filter(|(_, seen)| **seen) {
            if bits.len.is_multiple_of(64) {
                bits.words.push(0);
            }
            if *value {
                if let Some(word) = bits.words.last_mut() {
                    *word |= 1 << (bits.len % 64);
                }
                bits.ones += 1;
            }
            bits.len += 1;
        }
        bits
    }

    fn get(&self, i: usize) -> bool {
        self.words.get(i / 64).is_some_and(|w| w >> (i % 64) & 1 == 1)
    }

    /// Runs of ones as start and end (not included).
    fn runs(&self) -> Vec<(usize, usize)> {
        let mut runs = Vec::new();
        let mut start = None;
        for i in 0..=self.len {
            let on = i < self.len && self.get(i);
            match (on, start) {
                (true, None) => start = Some(i),
                (false, Some(s)) => {
                    runs.push((s, i));
                    start = None;
                }
                _ => {}
            }
        }
        runs
    }
}

/// A series laid twice end to end, so that every shift is a straight window.
struct Ring {
    words: Vec<u64>,
}

impl Ring {
    fn new(bits: &Bits) -> Ring {
        let mut words = vec![0_u64; (2 * bits.len).div_ceil(64) + 1];
        for i in 0..2 * bits.len {
            if bits.get(i % bits.len)
                && let Some(word) = words.get_mut(i / 64)
            {
                *word |= 1 << (i % 64);
            }
        }
        Ring { words }
    }

    /// Σ x(t)·y(t+k), counted a word at a time. `x` has zeros after its end, so the window may run over.
    fn overlap(&self, x: &Bits, k: usize) -> u64 {
        let (skip, bit) = (k / 64, k % 64);
        let low = self.words.iter().skip(skip);
        let high = self.words.iter().skip(skip + 1).chain(std::iter::once(&0));
        x.words
            .iter()
            .zip(low.zip(high))
            .map(|(xw, (lo, hi))| {
                let window = if bit == 0 { *lo } else { lo >> bit | hi << (64 - bit) };
                u64::from((xw & window).count_ones())
            })
            .sum()
    }
}

/// All overlaps Σ x(t)·y(t+k), k = 0..n, from the runs of ones: each pair of runs adds a trapezoid in k, that is four steps of
/// the second difference; two sums give back the overlaps. Exact in whole numbers.
fn overlaps_by_runs(
    runs_x: &[(usize, usize)],
    runs_y: &[(usize, usize)],
    n: usize,
    first: u64,
    second: u64,
) -> Vec<i64> {
    let mut bend = vec![0_i64; n];
    let mut add = |k: usize, step: i64| {
        if let Some(cell) = bend.get_mut(k % n) {
            *cell += step;
        }
    };
    for (a, b) in runs_x {
        for (c, d) in runs_y {
            // y(t+k): a run [c, d) of y covers t in [c-k, d-k).
            add(n + c - b, 1);
            add(n + c - a, -1);
            add(n + d - b, -1);
            add(n + d - a, 1);
        }
    }
    let mut out = Vec::with_capacity(n);
    let (mut before, mut now) = (first as i64, second as i64);
    out.push(before);
    if n > 1 {
        out.push(now);
    }
    for step in bend.iter().skip(1).take(n.saturating_sub(2)) {
        let next = step + 2 * now - before;
        out.push(next);
        before = now;
        now = next;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;
    use crate::maths::stats::{Table2x2, clopper_pearson};

    fn bits(text: &str) -> Vec<bool> {
        text.bytes().map(|b| b == b'1').collect()
    }

    const X: &str = "00111000011000001100";
    const Y: &str = "00110000011100000100";

    #[test]
    fn windows_against_numbers_say_what_the_plain_sum_of_products_says() {
        // The plain sum of products is the definition; all shifts, and one plan of random ones.
        let x: Vec<bool> = (0..700).map(|i| (40..55).contains(&i) || (300..420).contains(&i) || i >= 690).collect();
        let y: Vec<u32> = (0..700).map(|i: u32| if (310..400).contains(&i) { 7 + i % 5 } else { i % 3 / 2 }).collect();
        let seen: Vec<bool> = (0..700).map(|i| i % 11 != 0).collect();
        let xf: Vec<f32> = x.iter().map(|v| f32::from(u8::from(*v))).collect();
        let yf: Vec<f32> = y.iter().map(|v| *v as f32).collect();
        for plan in [Shifts::All, Shifts::Random { count: 499, seed: 5 }] {
            let got = circular_shift_windows(&x, &y, &seen, plan).unwrap();
            assert_eq!(got, circular_shift_f32(&xf, &yf, &seen, plan).unwrap());
        }
        assert!(circular_shift_windows(&x, &[1; 700], &seen, Shifts::All).is_none());
        assert!(circular_shift_windows(&x, &y[1..], &seen, Shifts::All).is_none());
    }

    #[test]
    fn worked_shifts_of_check_values_13_5() {
        let (x, y) = (bits(X), bits(Y));
        let all = vec![true; 20];
        let (xs, ys) = (Bits::kept(&x, &all), Bits::kept(&y, &all));
        let want = [5, 3, 1, 0, 0, 2, 4, 5, 2, 0, 0, 1, 3, 5, 4, 2, 0, 0, 1, 4];
        let ring = Ring::new(&ys);
        // The table moves y forward in time, here k looks ahead in y: the same set in reverse order.
        let ahead: Vec<u64> = (0..20).map(|k| ring.overlap(&xs, k)).collect();
        let mut forward = ahead.clone();
        forward[1..].reverse();
        assert_eq!(forward, want);
        let runs = overlaps_by_runs(&xs.runs(), &ys.runs(), 20, ahead[0], ahead[1]);
        assert_eq!(runs, ahead.iter().map(|v| *v as i64).collect::<Vec<_>>());
        let test = circular_shift_bool(&x, &y, &all, Shifts::All).unwrap();
        assert_eq!((test.statistic, test.at_least, test.tried), (5.0, 3, 20));
        near(test.p, 0.15, 1e-12);
        // Mean over all shifts is n1·n2/n.
        near(test.expected, 7.0 * 6.0 / 20.0, 1e-12);
        let as_numbers = |v: &[bool]| v.iter().map(|b| f32::from(u8::from(*b))).collect::<Vec<_>>();
        let numbers = circular_shift_f32(&as_numbers(&x), &as_numbers(&y), &all, Shifts::All).unwrap();
        assert_eq!(numbers, test);
    }

    #[test]
    fn unobserved_samples_are_cut_out() {
        let (mut x, mut y) = (bits(X), bits(Y));
        let mut seen = vec![true; 20];
        for at in [4, 9, 20] {
            x.insert(at, true);
            y.insert(at, true);
            seen.insert(at, false);
        }
        let plain = circular_shift_bool(&bits(X), &bits(Y), &[true; 20], Shifts::All).unwrap();
        assert_eq!(circular_shift_bool(&x, &y, &seen, Shifts::All).unwrap(), plain);
        assert!(circular_shift_bool(&x, &y[1..], &seen, Shifts::All).is_none());
        assert!(circular_shift_bool(&x, &[true; 23], &seen, Shifts::All).is_none());
        assert!(circular_shift_bool(&[], &[], &[], Shifts::All).is_none());
    }

    /// Two-state chain: clumpy as outages are.
    fn chain(n: usize, to_on: f64, to_off: f64, state: &mut u64) -> Vec<bool> {
        let mut on = false;
        (0..n)
            .map(|_| {
                let draw = (split_mix(state) >> 11) as f64 / (1_u64 << 53) as f64;
                on = if on { draw >= to_off } else { draw < to_on };
                on
            })
            .collect()
    }

    #[test]
    fn words_and_runs_agree_at_any_length() {
        let mut state = 5;
        for n in [2, 3, 63, 64, 65, 127, 128, 129, 500, 1000] {
            let (x, y) = (chain(n, 0.3, 0.3, &mut state), chain(n, 0.2, 0.4, &mut state));
            let all = vec![true; n];
            let (xs, ys) = (Bits::kept(&x, &all), Bits::kept(&y, &all));
            let ring = Ring::new(&ys);
            let runs = overlaps_by_runs(&xs.runs(), &ys.runs(), n, ring.overlap(&xs, 0), ring.overlap(&xs, 1));
            for (k, by_runs) in runs.iter().enumerate() {
                let plain = (0..n).filter(|t| x[*t] && y[(t + k) % n]).count();
                assert_eq!(ring.overlap(&xs, k), plain as u64, "n {n}, shift {k}");
                assert_eq!(*by_runs, plain as i64, "n {n}, shift {k}");
            }
        }
    }

    #[test]
    fn random_shifts_are_repeatable_and_find_a_real_link() {
        let mut state = 11;
        let x = chain(20_000, 0.002, 0.02, &mut state);
        // y: what x was 3 samples ago, with other outages of its own.
        let other = chain(20_000, 0.001, 0.02, &mut state);
        let y: Vec<bool> = (0..20_000).map(|t| other[t] || (t >= 3 && x[t - 3])).collect();
        let all = vec![true; 20_000];
        let plan = Shifts::Random { count: 999, seed: 42 };
        let a = circular_shift_bool(&x, &y, &all, plan).unwrap();
        assert_eq!(a, circular_shift_bool(&x, &y, &all, plan).unwrap());
        // The true lag itself may be among the shifts drawn, hence not always the smallest p of 0.001.
        assert!(a.p <= 0.003 && a.excess() > 0.0);
        let numbers: Vec<f32> = y.iter().map(|b| f32::from(u8::from(*b))).collect();
        let xs: Vec<f32> = x.iter().map(|b| f32::from(u8::from(*b))).collect();
        near(circular_shift_f32(&xs, &numbers, &all, plan).unwrap().p, a.p, 1e-12);
    }

    /// Share of null pairs rejected at 5 % by (shift test, Fisher's test of the epochs).
    fn false_alarms(pairs: usize, n: usize, seed: u64) -> (usize, usize) {
        let mut state = seed;
        let all = vec![true; n];
        let (mut shift, mut naive) = (0, 0);
        for _ in 0..pairs {
            let x = chain(n, 1.0 / 60.0, 1.0 / 20.0, &mut state);
            let y = chain(n, 1.0 / 50.0, 1.0 / 25.0, &mut state);
            let count = |a: bool, b: bool| (0..n).filter(|t| x[*t] == a && y[*t] == b).count() as u64;
            let table =
                Table2x2::from_counts(count(true, true), count(true, false), count(false, true), count(false, false));
            shift += usize::from(circular_shift_bool(&x, &y, &all, Shifts::All).unwrap().p <= 0.05);
            naive += usize::from(table.fisher().unwrap().0 <= 0.05);
        }
        (shift, naive)
    }

    /// The nominal rate must lie in the exact binomial interval of what was seen (99 %, Clopper and Pearson 1934).
    fn assert_nominal(rejected: usize, pairs: usize) {
        let seen = clopper_pearson(rejected as u64, pairs as u64, 0.99).unwrap();
        println!("{rejected} of {pairs} null pairs rejected at 5 %, interval {:.4}-{:.4}", seen.low, seen.high);
        assert!(seen.low <= 0.05 && 0.05 <= seen.high, "false alarms {rejected} of {pairs}");
    }

    #[test]
    fn null_pairs_give_the_nominal_false_alarm_rate() {
        let (shift, naive) = false_alarms(300, 1500, 2026);
        assert_nominal(shift, 300);
        // The naive test of the same clumpy data must fail this, else the data would not be a test.
        println!("naive test: {naive} of 300");
        assert!(naive > 50);
    }

    #[test]
    #[ignore = "2,000 pairs: some seconds; the unit test above takes 300"]
    fn null_pairs_give_the_nominal_false_alarm_rate_long() {
        let (shift, _) = false_alarms(2000, 1500, 7);
        assert_nominal(shift, 2000);
    }

    #[test]
    fn a_common_daily_rhythm_is_no_association_under_same_phase_shifts() {
        // Both series can only be on in the same two hours of a day of 240 samples, and are unrelated inside them.
        let (period, days) = (240, 30);
        let mut state = 3;
        let mut daily = |rate: f64| -> Vec<bool> {
            let inside = chain(period * days, rate, 0.3, &mut state);
            (0..period * days).map(|t| (100..120).contains(&(t % period)) && inside[t]).collect()
        };
        let (x, y) = (daily(0.2), daily(0.3));
        let all = vec![true; period * days];
        let naive = circular_shift_bool(&x, &y, &all, Shifts::All).unwrap();
        let fair = same_phase_shift_bool(&x, &y, &all, period, 0).unwrap();
        println!("all shifts p {:.4}, same phase p {:.4} of {}", naive.p, fair.p, fair.tried);
        assert!(naive.p < 0.05 && fair.p > 0.05);
        // A real link stands out even so.
        let linked: Vec<bool> = (0..x.len()).map(|t| t >= 1 && x[t - 1] || x[t]).collect();
        assert!(same_phase_shift_bool(&x, &linked, &all, period, 0).unwrap().p < 0.05);
        assert!(same_phase_shift_bool(&x, &y, &all, x.len(), 0).is_none());
    }
}
