//! One minute of one satellite over all its signals, and what a good antenna would have given: shared by the detectors of
//! the sky. Directions must be known; without them these detectors say nothing.

use crate::frames::{UnitFrames, view};
use crate::model::ids::{Band, Sat, Signal, System};
use crate::model::time::UtcMs;

/// One minute of one satellite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct SatMinute {
    pub time: UtcMs,
    pub sat: u16,
    pub azimuth: f64,
    pub elevation: f64,
    /// C/N0 of the first frequency under what a good antenna gives, dB; NaN when not known. The same of the others, by
    /// their mean.
    pub deficit_db: f64,
    pub deficit_2_db: f64,
    /// C/N0 of the first frequency, dB-Hz.
    pub cn0_dbhz: f64,
    /// Standard deviation of its C/N0 within the minute, dB.
    pub cn0_sd_db: f64,
    /// S4-like index of the first frequency and the highest of the others.
    s4: f32,
    s4_2: f32,
    rot: f32,
    roti: f32,
    /// Largest code multipath against that of a clean antenna at the elevation and C/N0; NaN when not known.
    pub reflected: f64,
    /// The same in m.
    mp_m: f32,
    /// Largest code multipath against the thermal noise of the code at the C/N0 of its signal; NaN when not known.
    pub over_noise: f64,
}

impl SatMinute {
    // As the tables have them: of a base with weeks of data there are millions.
    pub(super) fn s4(&self) -> f64 {
        f64::from(self.s4)
    }
    pub(super) fn s4_2(&self) -> f64 {
        f64::from(self.s4_2)
    }
    pub(super) fn rot(&self) -> f64 {
        f64::from(self.rot)
    }
    pub(super) fn roti(&self) -> f64 {
        f64::from(self.roti)
    }
    pub(super) fn mp_m(&self) -> f64 {
        f64::from(self.mp_m)
    }
}

/// Centres of the elevation classes of check values 10.2, degrees.
const CLASSES: [f64; 5] = [7.5, 15.0, 30.0, 50.0, 75.0];

/// Middle of the typical C/N0 of a good survey antenna, dB-Hz (check values 10.2: common practice, no source; receivers
/// differ by 1 to 3 dB). Straight lines between the classes.
pub(super) fn typical_dbhz(system: System, band: Band, elevation_deg: f64) -> Option<f64> {
    let row = match (system, band) {
        (System::Glonass, Band::L1) => [35.0, 38.5, 42.5, 46.5, 48.5],
        (System::Glonass, Band::L2) => [33.0, 36.5, 40.5, 43.5, 45.5],
        (System::Beidou, Band::L1) => [35.0, 38.5, 42.5, 45.0, 46.5],
        (_, Band::L1) => [36.5, 40.0, 44.0, 47.5, 50.0],
        (_, Band::L2) => [32.0, 36.5, 41.0, 45.5, 48.5],
        (_, Band::L2W) => [16.0, 24.0, 32.0, 39.0, 43.0],
        (_, Band::L5) => [37.0, 41.5, 45.5, 50.0, 52.5],
        (_, Band::L6) => [36.5, 40.5, 44.0, 47.5, 49.0],
    };
    if !elevation_deg.is_finite() {
        return None;
    }
    along(&row, elevation_deg)
}

/// A value between the classes; constant beyond the ends.
fn along(row: &[f64; 5], elevation_deg: f64) -> Option<f64> {
    let above = CLASSES.partition_point(|c| *c <= elevation_deg);
    match above {
        0 => row.first().copied(),
        5 => row.last().copied(),
        i => {
            let (a, b) = (CLASSES.get(i - 1)?, CLASSES.get(i)?);
            let (x, y) = (row.get(i - 1)?, row.get(i)?);
            Some(x + (y - x) * (elevation_deg - a) / (b - a))
        }
    }
}

/// Where the values of [`clean_mp_m`] come from.
pub const CLEAN_MP_ORIGIN: &str = "common practice, no published source; with the thermal noise of the code";

/// Code multipath RMS of a clean antenna, m: good is under 0.3 m over all elevations on the first frequency, 0.4 m on the
/// second; two to three times as much at 10 to 15 degrees as high up (check values 8.2: common practice, no source). With it
/// the noise of the code at the C/N0: 0.2 m at 45 dB-Hz, growing with 10^(-C/N0 / 20) (thermal noise of a delay lock loop,
/// Kaplan and Hegarty).
pub fn clean_mp_m(band: Band, elevation_deg: f64, cn0_dbhz: f64) -> f64 {
    let high = along(&[0.70, 0.55, 0.38, 0.27, 0.22], elevation_deg).unwrap_or(0.5);
    let factor = if band == Band::L1 { 1.0 } else { 1.3 };
    (high * factor).hypot(code_noise_m(cn0_dbhz))
}

/// Thermal noise of the code, m: 0.2 m at 45 dB-Hz, growing with 10^(-C/N0 / 20).
fn code_noise_m(cn0_dbhz: f64) -> f64 {
    0.2 * 10f64.powf((45.0 - cn0_dbhz).clamp(-10.0, 25.0) / 20.0)
}

/// What [`sat_minutes`] takes from the signals.
const COLUMNS: [&str; 11] =
    ["sat", "signal", "band", "cn0_mean", "cn0_sd", "azimuth", "elevation", "s4_like", "rot", "roti", "mp_rms_m"];

/// How many minutes of satellites there are at most: a list of many must not grow by copying.
fn count(frames: &UnitFrames) -> usize {
    let (mut n, mut last) = (0, None);
    for table in frames.signal_slices(&["sat"]) {
        for key in view::i64s(&table, "time").into_iter().zip(view::u32s_full(&table, "sat")) {
            n += usize::from(last != Some(key));
            last = Some(key);
        }
    }
    n
}

/// All minutes with directions, by time and satellite.
pub(super) fn sat_minutes(frames: &UnitFrames) -> Vec<SatMinute> {
    let mut out: Vec<SatMinute> = Vec::with_capacity(count(frames));
    // Sum and number of the second deficits of the open minute.
    let mut second = (0.0, 0.0);
    for table in frames.signal_slices(&COLUMNS) {
        let times = view::i64s(&table, "time");
        let sats = view::u32s_full(&table, "sat");
        let signals = view::u32s_full(&table, "signal");
        let bands = view::u32s_full(&table, "band");
        let [cn0, cn0_sd, azimuth, elevation, s4, rot, roti, mp] =
            ["cn0_mean", "cn0_sd", "azimuth", "elevation", "s4_like", "rot", "roti", "mp_rms_m"]
                .map(|c| view::f32s(&table, c));
        for i in 0..times.len() {
            let (Some(band), Some(signal)) = (Band::from_code(bands[i] as u8), Signal::unpack(signals[i])) else {
                continue;
            };
            let told = |column: &Vec<f32>| column.get(i).copied().unwrap_or(f32::NAN);
            let at = |column: &Vec<f32>| f64::from(told(column));
            if !at(&elevation).is_finite() || !at(&azimuth).is_finite() {
                continue;
            }
            if out.last().is_none_or(|m| (m.time, m.sat) != (times[i], sats[i] as u16)) {
                second = (0.0, 0.0);
                out.push(SatMinute {
                    time: times[i],
                    sat: sats[i] as u16,
                    azimuth: at(&azimuth),
                    elevation: at(&elevation),
                    deficit_db: f64::NAN,
                    deficit_2_db: f64::NAN,
                    cn0_dbhz: f64::NAN,
                    cn0_sd_db: f64::NAN,
                    s4: f32::NAN,
                    s4_2: f32::NAN,
                    rot: f32::NAN,
                    roti: f32::NAN,
                    reflected: f64::NAN,
                    mp_m: f32::NAN,
                    over_noise: f64::NAN,
                });
            }
            let Some(minute) = out.last_mut() else { continue };
            let deficit = typical_dbhz(signal.system, band, minute.elevation).map_or(f64::NAN, |t| t - at(&cn0));
            if band == Band::L1 {
                // The strongest of several first-frequency signals.
                if minute.deficit_db.is_nan() || deficit < minute.deficit_db {
                    minute.deficit_db = deficit;
                    minute.cn0_dbhz = at(&cn0);
                    minute.cn0_sd_db = at(&cn0_sd);
                }
                minute.s4 = minute.s4.max(told(&s4));
                if at(&roti).is_finite() {
                    (minute.rot, minute.roti) = (told(&rot), told(&roti));
                }
            } else if band != Band::L2W {
                if deficit.is_finite() {
                    second = (second.0 + deficit, second.1 + 1.0);
                    minute.deficit_2_db = second.0 / second.1;
                }
                minute.s4_2 = minute.s4_2.max(told(&s4));
            }
            let mp_m = at(&mp);
            // Semi-codeless code is much noisier than any reflection table.
            if mp_m.is_finite() && band != Band::L2W {
                let ratio =
                    mp_m / clean_mp_m(band, minute.elevation, if at(&cn0).is_finite() { at(&cn0) } else { 40.0 });
                if at(&cn0).is_finite() {
                    minute.over_noise = minute.over_noise.max(mp_m / code_noise_m(at(&cn0)));
                }
                if minute.reflected.is_nan() || ratio > minute.reflected {
                    (minute.reflected, minute.mp_m) = (ratio, told(&mp));
                }
            }
        }
    }
    out
}

/// The name of a satellite code.
pub(super) fn sat_name(code: u16) -> String {
    Sat::from_code(code).map_or_else(|| "?".to_owned(), |s| s.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_curve_is_that_of_check_values_10_2() {
        // Middles of 33-40, 41-47 and 47-53 dB-Hz for L1 C/A; 10-22 for semi-codeless L2; 39-46 for G1.
        for (system, band, el, want) in [
            (System::Gps, Band::L1, 7.5, 36.5),
            (System::Gps, Band::L1, 30.0, 44.0),
            (System::Gps, Band::L1, 89.0, 50.0),
            (System::Gps, Band::L2W, 5.0, 16.0),
            (System::Glonass, Band::L1, 30.0, 42.5),
        ] {
            assert_eq!(typical_dbhz(system, band, el), Some(want));
        }
        assert_eq!(typical_dbhz(System::Gps, Band::L1, 40.0), Some(45.75));
        assert_eq!(typical_dbhz(System::Gps, Band::L1, f64::NAN), None);
    }

    #[test]
    fn a_clean_antenna_is_within_the_good_class() {
        // Check values 8.2: good is under 0.3 m over all elevations over 10 degrees (unweighted here), low is 2 to 3 times high.
        let mean = (10..90).map(|e| clean_mp_m(Band::L1, f64::from(e), 60.0).powi(2)).sum::<f64>() / 80.0;
        assert!((0.25..0.40).contains(&mean.sqrt()), "{}", mean.sqrt());
        let ratio = clean_mp_m(Band::L1, 12.5, 60.0) / clean_mp_m(Band::L1, 75.0, 60.0);
        assert!((2.0..3.2).contains(&ratio), "{ratio}");
    }
}
