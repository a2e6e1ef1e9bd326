//! Received intensity of one signal within a minute: an S4-like index from C/N0.
//!
//! S4 = sqrt((<I²> - <I>²) / <I>²) over 60 s (ITU-R P.531 section 5.1), here with a straight line taken out of I first, so
//! that a satellite that rises does not count as one that scintillates. I = 10^(C/N0 / 10).

use std::sync::LazyLock;

/// Values of the table, one for every 1/16 dB (the step of RTCM's DF408).
const STEPS: usize = 16 * 80;
/// The least number of samples in a minute that an index is made of.
const LEAST: f64 = 30.0;

static LINEAR: LazyLock<Vec<f32>> = LazyLock::new(|| (0..STEPS).map(|i| 10f32.powf(i as f32 / 160.0)).collect());

/// 10^(db / 10) for 0 to 80 dB; 0 outside. Exact on steps of 1/16 dB, to 1e-6 between them.
#[inline]
fn linear(db: f32) -> f32 {
    let steps = db * 16.0;
    if !(0.0..STEPS as f32).contains(&steps) {
        return 0.0;
    }
    let whole = steps as usize;
    let rest = (steps - whole as f32) * (std::f32::consts::LN_10 / 160.0);
    LINEAR.get(whole).map_or(0.0, |v| v * (1.0 + rest + 0.5 * rest * rest))
}

/// Sums over the samples of a minute; their number is kept by the caller, who has it anyway.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Intensity {
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
    yy: f64,
}

impl Intensity {
    /// One C/N0 at a time within the minute, s.
    #[inline]
    pub(super) fn add(&mut self, at_s: f64, cn0_dbhz: f32) {
        let y = f64::from(linear(cn0_dbhz));
        self.x += at_s;
        self.xx += at_s * at_s;
        self.y += y;
        self.xy += at_s * y;
        self.yy += y * y;
    }

    /// The index of `n` samples; NaN for fewer than 30.
    pub(super) fn index(&self, n: f64) -> f32 {
        if n < LEAST || self.y <= 0.0 {
            return f32::NAN;
        }
        let mean = self.y / n;
        let sxx = self.xx - self.x * self.x / n;
        let sxy = self.xy - self.x * mean;
        let syy = self.yy - self.y * mean;
        let along = if sxx > 0.0 { sxy * sxy / sxx } else { 0.0 };
        (((syy - along).max(0.0) / n).sqrt() / mean) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn intensities_are_those_of_the_definition() {
        for db in [0.0_f32, 12.3, 33.333, 45.0, 45.0625, 61.9] {
            let want = 10f64.powf(f64::from(db) / 10.0);
            let got = f64::from(linear(db));
            assert!((got / want - 1.0).abs() < 3e-6, "{db}: {got} {want}");
        }
        assert_eq!((linear(-1.0), linear(90.0), linear(f32::NAN)), (0.0, 0.0, 0.0));
    }

    #[test]
    fn index_of_a_known_swing_and_of_a_slope() {
        // I = 1e4 (1 + 0.5 sin): S4 is 0.5 / sqrt 2 = 0.3536 by the definition (ITU-R P.531 5.1); whole periods, so the line
        // takes nothing away but 0.2 %.
        let (mut swing, mut slope, mut few) = (Intensity::default(), Intensity::default(), Intensity::default());
        for s in 0..60 {
            let phase = f64::from(s) * std::f64::consts::TAU / 6.0;
            swing.add(f64::from(s), (10.0 * (1e4 * (1.0 + 0.5 * phase.sin())).log10()) as f32);
            slope.add(f64::from(s), (10.0 * (1e4 * (1.0 + 0.01 * f64::from(s))).log10()) as f32);
            if s < 20 {
                few.add(f64::from(s), 40.0);
            }
        }
        assert!((swing.index(60.0) - 0.3536).abs() < 0.004, "{}", swing.index(60.0));
        assert!(slope.index(60.0) < 1e-3, "{}", slope.index(60.0));
        assert!(few.index(20.0).is_nan());
    }
}
