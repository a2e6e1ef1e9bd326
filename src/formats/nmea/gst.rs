//! GST: error estimates of the position.
//!
//! ```text
//! --GST,hhmmss.ss,rms of residuals,semi-major,semi-minor,orientation,sigma lat,sigma lon,sigma height
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.6. All 1 sigma, m. The horizontal sigma is the root of
//! `sigma lat^2 + sigma lon^2` (distance rms); with empty latitude and longitude fields, of the ellipse's half axes, which
//! have the same sum of squares.

use super::field::{Fields, decimal, time_of_day};

/// Sigmas of one epoch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gst {
    /// ms of the UTC day.
    pub(super) of_day_ms: i64,
    /// Horizontal, m, NaN when missing.
    pub(super) sigma_h_m: f32,
    /// Vertical, m, NaN when missing.
    pub(super) sigma_v_m: f32,
}

/// Reads the fields; `None` without a time.
pub(super) fn read(f: &Fields<'_>) -> Option<Gst> {
    let both = |a: usize, b: usize| Some(decimal(f.get(a))?.hypot(decimal(f.get(b))?));
    Some(Gst {
        of_day_ms: time_of_day(f.get(1))?,
        sigma_h_m: both(6, 7).or_else(|| both(3, 4)).map_or(f32::NAN, |s| s as f32),
        sigma_v_m: decimal(f.get(8)).map_or(f32::NAN, |s| s as f32),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_sentence() {
        // check-values 2.1, 2.6: 0.008^2 + 0.007^2 = 1.13e-4; the ellipse gives 0.009^2 + 0.006^2 = 1.17e-4.
        let gst = read(&Fields::of(b"GNGST,120000.00,0.021,0.009,0.006,37.2,0.008,0.007,0.014")).unwrap();
        assert!((f64::from(gst.sigma_h_m).powi(2) - 1.13e-4).abs() < 1e-9);
        assert_eq!((gst.of_day_ms, gst.sigma_v_m), (43_200_000, 0.014));
        let axes = read(&Fields::of(b"GNGST,120000.00,0.021,0.009,0.006,37.2,,,0.014")).unwrap();
        assert!((f64::from(axes.sigma_h_m).powi(2) - 1.17e-4).abs() < 1e-9);
    }
}
