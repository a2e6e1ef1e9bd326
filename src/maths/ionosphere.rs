//! Ionosphere: electron content, its rate, scintillation indices, pierce points, maps in IONEX.
//!
//! STEC is in TECU (1e16 electrons/m²). The first-order constant is 40.3 (ITU-R P.531), not the fuller 40.308193.

use super::geodesy::wrap_180;

/// First-order constant 40.3 m³/s², ITU-R P.531 section 4.4.
pub const K_IONO: f64 = 40.3;
/// Electrons per m² in one TECU.
pub const TECU: f64 = 1e16;
/// GPS L1, Hz (IS-GPS-200).
const L1_HZ: f64 = 1575.42e6;
/// Earth radius of the thin shell, m (check values 7.1; IONEX 1.0 base radius).
pub const SHELL_EARTH_RADIUS_M: f64 = 6_371_000.0;
/// Usual height of the thin shell, m.
pub const SHELL_HEIGHT_M: f64 = 450_000.0;

/// First-order delay of one TECU on a frequency, m: 40.3e16/f² (ITU-R P.531; Klobuchar 1996). Code is delayed, phase advanced.
pub fn delay_m_per_tecu(frequency_hz: f64) -> f64 {
    K_IONO * TECU / (frequency_hz * frequency_hz)
}

/// Where a ray crosses the thin shell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PiercePoint {
    /// Latitude, degrees.
    pub lat_deg: f64,
    /// Longitude, -180 to 180 degrees.
    pub lon_deg: f64,
    /// Earth-centred angle between station and pierce point, degrees.
    pub angle_deg: f64,
}

/// Pierce point of the thin shell: ψ = 90° - el - asin(Re cos el/(Re+h)) (check values 7.1; IS-GPS-200 20.3.3.5.2.5 form
/// without its approximations). `None` below the horizon or for values that are not finite.
pub fn pierce_point(
    lat_deg: f64,
    lon_deg: f64,
    azimuth_deg: f64,
    elevation_deg: f64,
    shell_height_m: f64,
) -> Option<PiercePoint> {
    let sin_zenith = shell_zenith_sine(elevation_deg, shell_height_m)?;
    let angle_deg = 90.0 - elevation_deg - sin_zenith.asin().to_degrees();
    let (sin_a, cos_a) = angle_deg.to_radians().sin_cos();
    let (sin_l, cos_l) = lat_deg.to_radians().sin_cos();
    let (sin_az, cos_az) = azimuth_deg.to_radians().sin_cos();
    let lat = (sin_l * cos_a + cos_l * sin_a * cos_az).clamp(-1.0, 1.0).asin();
    // atan2 instead of the asin of the usual formula: it stays right when the ray passes over a pole.
    let east = (sin_a * sin_az).atan2(cos_l * cos_a - sin_l * sin_a * cos_az);
    let lon_deg = wrap_180(lon_deg + east.to_degrees());
    if !lat.is_finite() || !lon_deg.is_finite() {
        return None;
    }
    Some(PiercePoint { lat_deg: lat.to_degrees(), lon_deg, angle_deg })
}

/// Thin-shell mapping M = 1/√(1 - (Re cos el/(Re+h))²): slant over vertical content (Schaer 1999). `None` below the horizon.
pub fn mapping(elevation_deg: f64, shell_height_m: f64) -> Option<f64> {
    let sin_zenith = shell_zenith_sine(elevation_deg, shell_height_m)?;
    Some(1.0 / (1.0 - sin_zenith * sin_zenith).sqrt())
}

fn shell_zenith_sine(elevation_deg: f64, shell_height_m: f64) -> Option<f64> {
    if !(0.0..=90.0).contains(&elevation_deg) || shell_height_m.is_nan() || shell_height_m <= 0.0 {
        return None;
    }
    Some(SHELL_EARTH_RADIUS_M * elevation_deg.to_radians().cos() / (SHELL_EARTH_RADIUS_M + shell_height_m))
}

/// TECU per metre of geometry-free phase Φ1 - Φ2 (or of code P2 - P1): f1²f2²/(40.3e16·(f1² - f2²)).
pub fn tecu_per_m(f1_hz: f64, f2_hz: f64) -> f64 {
    let (a, b) = (f1_hz * f1_hz, f2_hz * f2_hz);
    a * b / (K_IONO * TECU * (a - b))
}

/// Rate of STEC in TECU/min between two values `dt_s` apart (Pi et al. 1997, doi 10.1029/97GL02273).
pub fn rot_tecu_min(stec_before: f64, stec_after: f64, dt_s: f64) -> Option<f64> {
    let rate = (stec_after - stec_before) / (dt_s / 60.0);
    (dt_s > 0.0 && rate.is_finite()).then_some(rate)
}

/// ROTI of a window of ROT values, TECU/min: √(⟨ROT²⟩ - ⟨ROT⟩²), population form (Pi et al. 1997).
///
/// The definition takes 30 s samples over 5 min (10 values); other intervals give other values. `None` for fewer than two.
pub fn roti(rot_tecu_min: &[f64]) -> Option<f64> {
    population_sd(rot_tecu_min).map(|(_, sd)| sd)
}

/// Class of a ROTI value. Limits 0.25, 0.5, 1.0 TECU/min: no source confirmed; 0.5 as onset after Ma and Maruyama 2006,
/// doi 10.1029/2006GL027512 (from memory).
pub fn roti_class(roti_tecu_min: f64) -> &'static str {
    match roti_tecu_min {
        r if r < 0.25 => "none",
        r if r < 0.5 => "weak",
        r if r <= 1.0 => "moderate",
        _ => "strong",
    }
}

/// S4 of intensities: √((⟨I²⟩ - ⟨I⟩²)/⟨I⟩²) (ITU-R P.531 section 5.1). `None` for fewer than two or no signal.
pub fn s4_of_intensity(intensity: &[f64]) -> Option<f64> {
    let (mean, sd) = population_sd(intensity)?;
    (mean > 0.0).then(|| sd / mean)
}

/// S4-like index from C/N0 in dB-Hz, I = 10^(C/N0/10). From 1 Hz values only a comparative index: it under-reads fast
/// scintillation and over-reads multipath. `scratch` is reused so that loops do not allocate.
pub fn s4_of_cn0(cn0_dbhz: &[f64], scratch: &mut Vec<f64>) -> Option<f64> {
    scratch.clear();
    scratch.extend(cn0_dbhz.iter().map(|c| 10f64.powf(c / 10.0)));
    s4_of_intensity(scratch)
}

/// S4-like index of one window of C/N0 (dB-Hz) after a straight line was taken out of it (in dB), so that the slow change
/// with elevation does not count (detrending of Van Dierendonck et al. 1993, here by a line in place of a filter).
pub fn s4_of_cn0_detrended(cn0_dbhz: &[f64], scratch: &mut Vec<f64>) -> Option<f64> {
    let n = cn0_dbhz.len() as f64;
    if cn0_dbhz.len() < 3 {
        return None;
    }
    let mean_y = cn0_dbhz.iter().sum::<f64>() / n;
    let mean_x = (n - 1.0) / 2.0;
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for (k, y) in cn0_dbhz.iter().enumerate() {
        let x = k as f64 - mean_x;
        sxy += x * (y - mean_y);
        sxx += x * x;
    }
    let slope = sxy / sxx;
    scratch.clear();
    scratch.extend(cn0_dbhz.iter().enumerate().map(|(k, y)| 10f64.powf((y - slope * (k as f64 - mean_x)) / 10.0)));
    s4_of_intensity(scratch)
}

/// S4 that receiver noise alone makes with 50 Hz samples: √((100/S)(1 + 500/(19 S))), S = 10^(C/N0/10)
/// (Van Dierendonck et al. 1993, ION GPS; from memory). Not for 1 Hz values.
pub fn s4_of_noise(cn0_dbhz: f64) -> f64 {
    let s = 10f64.powf(cn0_dbhz / 10.0);
    (100.0 / s * (1.0 + 500.0 / (19.0 * s))).sqrt()
}

/// S4 less its noise part, 0 when the noise explains all of it.
pub fn s4_corrected(s4: f64, s4_noise: f64) -> f64 {
    (s4 * s4 - s4_noise * s4_noise).max(0.0).sqrt()
}

/// Mean and population standard deviation; `None` for fewer than two values or values that are not finite.
fn population_sd(values: &[f64]) -> Option<(f64, f64)> {
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    // The two-pass form: intensities near 1e5 would lose digits in ⟨I²⟩ - ⟨I⟩².
    let sd = (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n).sqrt();
    sd.is_finite().then_some((mean, sd))
}

/// Bilinear value in a cell, p and q in 0..1 from the lower-left corner (IONEX 1.0, Schaer, Gurtner and Feltens 1998):
/// (1-p)(1-q)E00 + p(1-q)E10 + (1-p)q E01 + pq E11. Index: first digit longitude, second latitude.
pub fn bilinear(p: f64, q: f64, e00: f64, e10: f64, e01: f64, e11: f64) -> f64 {
    (1.0 - p) * (1.0 - q) * e00 + p * (1.0 - q) * e10 + (1.0 - p) * q * e01 + p * q * e11
}

/// One map of an IONEX file. Values by row (latitude) then column (longitude); NaN where the file has 9999.
#[derive(Debug, Clone, Copy)]
pub struct IonexMap<'a> {
    /// Latitude of the first row, degrees (LAT1).
    pub lat1_deg: f64,
    /// Step of the rows, degrees, usually negative (DLAT).
    pub dlat_deg: f64,
    /// Longitude of the first column, degrees (LON1).
    pub lon1_deg: f64,
    /// Step of the columns, degrees (DLON).
    pub dlon_deg: f64,
    /// Number of columns.
    pub columns: usize,
    /// Values in TECU, NaN for none.
    pub values_tecu: &'a [f32],
}

impl IonexMap<'_> {
    /// Vertical content at a place by bilinear interpolation, TECU. Longitude wraps; `None` outside the rows or beside a
    /// cell without value.
    pub fn value_tecu(&self, lat_deg: f64, lon_deg: f64) -> Option<f64> {
        if self.columns < 2 || self.dlat_deg == 0.0 || self.dlon_deg == 0.0 {
            return None;
        }
        let rows = self.values_tecu.len() / self.columns;
        let row = (lat_deg - self.lat1_deg) / self.dlat_deg;
        // Columns counted from LON1 in the direction of DLON, taken round the globe.
        let round = 360.0 / self.dlon_deg.abs();
        let column = ((lon_deg - self.lon1_deg) / self.dlon_deg).rem_euclid(round);
        if !row.is_finite() || !column.is_finite() || rows < 2 || row < 0.0 || row > (rows - 1) as f64 {
            return None;
        }
        let (r0, c0) = ((row.floor() as usize).min(rows - 2), column.floor() as usize);
        // The usual file repeats the first meridian as the last column; one that does not is closed here.
        let wrap = |c: usize| if c < self.columns { c } else { c % (round.round() as usize).max(1) };
        let cell = |r: usize, c: usize| {
            let c = wrap(c);
            if c >= self.columns {
                return None;
            }
            self.values_tecu.get(r * self.columns + c).map(|v| f64::from(*v)).filter(|v| v.is_finite())
        };
        let (p, q) = (column - c0 as f64, row - r0 as f64);
        Some(bilinear(p, q, cell(r0, c0)?, cell(r0, c0 + 1)?, cell(r0 + 1, c0)?, cell(r0 + 1, c0 + 1)?))
    }
}

/// Content between two maps in time with each map turned with the Sun: λi' = λ + (t - Ti)·15°/h (IONEX 1.0).
///
/// `t_s`, `t1_s`, `t2_s` on one time scale, t between them. `None` outside or without value.
pub fn ionex_between(
    first: &IonexMap<'_>,
    t1_s: f64,
    second: &IonexMap<'_>,
    t2_s: f64,
    t_s: f64,
    lat_deg: f64,
    lon_deg: f64,
) -> Option<f64> {
    if t2_s <= t1_s || !(t1_s..=t2_s).contains(&t_s) {
        return None;
    }
    let at = |map: &IonexMap<'_>, epoch_s: f64| map.value_tecu(lat_deg, rotated_lon_deg(lon_deg, t_s, epoch_s));
    let part = (t_s - t1_s) / (t2_s - t1_s);
    // At a map's own epoch the other map is not needed and may be missing there.
    if part == 0.0 {
        return at(first, t1_s);
    }
    if part == 1.0 {
        return at(second, t2_s);
    }
    Some((1.0 - part) * at(first, t1_s)? + part * at(second, t2_s)?)
}

/// A point between two maps: their epochs and its own, s on one time scale, with t between them.
#[derive(Debug, Clone, Copy)]
pub struct Between<'a> {
    /// The map before.
    pub first: IonexMap<'a>,
    /// Its epoch.
    pub t1_s: f64,
    /// The map after.
    pub second: IonexMap<'a>,
    /// Its epoch.
    pub t2_s: f64,
}

impl Between<'_> {
    /// How much the vertical delay on L1 changes with the distance on a sphere of `shell_radius_m`, mm per km: the length of the
    /// horizontal gradient, by central differences over one cell of the grid. `None` outside, beside a cell without value and
    /// within 10 degrees of a pole, where the meridians are too close.
    ///
    /// Content to delay: ITU-R P.531, 40.3 TEC / f². Two receivers that see a satellite through the shell are as far apart there as on
    /// the ground (check values 12.2: relative delay = gradient times distance).
    pub fn gradient_mm_per_km(&self, t_s: f64, (lat_deg, lon_deg): (f64, f64), shell_radius_m: f64) -> Option<f64> {
        if lat_deg.abs() > 80.0 {
            return None;
        }
        let at = |lat, lon| ionex_between(&self.first, self.t1_s, &self.second, self.t2_s, t_s, lat, lon);
        let (dlat, dlon) = (self.first.dlat_deg.abs(), self.first.dlon_deg.abs());
        let km_per_deg = shell_radius_m.to_radians() / 1000.0;
        let north = at(lat_deg + dlat / 2.0, lon_deg)? - at(lat_deg - dlat / 2.0, lon_deg)?;
        let east = at(lat_deg, lon_deg + dlon / 2.0)? - at(lat_deg, lon_deg - dlon / 2.0)?;
        let tecu_per_km = (north / (dlat * km_per_deg)).hypot(east / (dlon * km_per_deg * lat_deg.to_radians().cos()));
        Some(tecu_per_km * delay_m_per_tecu(L1_HZ) * 1000.0)
    }
}

/// Longitude to sample in a map of another epoch: λ + (t - T)·15°/h, folded to ±180 degrees.
pub fn rotated_lon_deg(lon_deg: f64, t_s: f64, map_epoch_s: f64) -> f64 {
    wrap_180(lon_deg + (t_s - map_epoch_s) * 15.0 / 3600.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    const L1: f64 = 1575.42e6;
    const L2: f64 = 1227.60e6;
    const L5: f64 = 1176.45e6;

    #[test]
    fn constants_of_check_values_7_1() {
        // ITU-R P.531: 0.162 m per TECU at L1.
        near(delay_m_per_tecu(L1), 0.162372, 1e-6);
        near(delay_m_per_tecu(L2), 0.267418, 1e-6);
        near(delay_m_per_tecu(L5), 0.291178, 1e-6);
        near(tecu_per_m(L1, L2), 9.519643, 1e-6);
        near(tecu_per_m(L1, L5), 7.763659, 1e-6);
    }

    #[test]
    fn geometry_free_example_of_check_values_7_1() {
        let c = crate::maths::SPEED_OF_LIGHT_M_S;
        let gf = |l1: f64, l2: f64| l1 * c / L1 - l2 * c / L2;
        let before = gf(112_345_678.125, 87_542_602.250);
        let after = gf(112_352_345.625, 87_547_797.750);
        near(before, -125.865785, 1e-6);
        near(after, -125.876886, 1e-6);
        let k = tecu_per_m(L1, L2);
        near(k * (after - before), -0.105672, 1e-6);
        near(rot_tecu_min(k * before, k * after, 30.0).unwrap(), -0.211345, 1e-6);
    }

    #[test]
    fn mapping_and_pierce_point_of_check_values_7_1() {
        for (el, want) in [
            (5.0, 2.72955),
            (10.0, 2.54907),
            (15.0, 2.31849),
            (30.0, 1.70080),
            (45.0, 1.33180),
            (60.0, 1.13090),
            (90.0, 1.0),
        ] {
            near(mapping(el, 450e3).unwrap(), want, 5e-6);
        }
        for (el, want) in [(10.0, 2.78927), (30.0, 1.75121), (60.0, 1.13566)] {
            near(mapping(el, 350e3).unwrap(), want, 5e-6);
        }
        for (h, angle, lat, lon) in [(450e3, 6.012246, 47.073031, 6.115455), (350e3, 4.822340, 47.975368, 4.966723)] {
            let p = pierce_point(51.50205761, -0.12757202, 135.0, 30.0, h).unwrap();
            near(p.angle_deg, angle, 1e-6);
            near(p.lat_deg, lat, 1e-6);
            near(p.lon_deg, lon, 1e-6);
        }
        assert!(pierce_point(0.0, 0.0, 0.0, -1.0, 450e3).is_none());
        // Over the pole the point lies on the opposite meridian.
        near(pierce_point(88.0, 10.0, 0.0, 10.0, 450e3).unwrap().lon_deg, -170.0, 1e-9);
    }

    #[test]
    fn roti_of_check_values_7_2() {
        let rot = [0.10, -0.20, 0.45, 0.80, -0.55, -0.30, 0.15, 0.60, -0.75, 0.20];
        near(roti(&rot).unwrap(), 0.473814, 1e-6);
        assert_eq!(roti_class(0.473814), "weak");
        assert!(roti(&rot[..1]).is_none());
    }

    #[test]
    fn s4_of_check_values_7_3() {
        let cn0 = [45.0, 44.2, 42.8, 40.9, 43.5, 45.8, 46.1, 44.7, 41.2, 43.9];
        let mut scratch = Vec::new();
        near(s4_of_cn0(&cn0, &mut scratch).unwrap(), 0.351535, 1e-6);
        near(scratch.iter().sum::<f64>() / 10.0, 25_766.868, 1e-3);
        for (c, want) in [(30.0, 0.320362), (35.0, 0.178566), (40.0, 0.100131), (45.0, 0.056258), (50.0, 0.031627)] {
            near(s4_of_noise(c), want, 1e-6);
        }
        near(s4_corrected(0.05, 0.10), 0.0, 0.0);
        // A straight rise in dB is no scintillation.
        let ramp: Vec<f64> = (0..60).map(|k| 40.0 + 0.05 * f64::from(k)).collect();
        near(s4_of_cn0_detrended(&ramp, &mut scratch).unwrap(), 0.0, 1e-9);
        assert!(s4_of_cn0(&ramp, &mut scratch).unwrap() > 0.1);
    }

    #[test]
    fn ionex_of_check_values_7_7() {
        // Corners in TECU at 52.5°N then 50°N, 5°W then 0°; point 51.5°N 2.5°W.
        let first = [11.0, 11.6, 12.0, 12.4];
        let second = [14.1, 14.5, 15.0, 15.2];
        let map = |values_tecu| IonexMap {
            lat1_deg: 52.5,
            dlat_deg: -2.5,
            lon1_deg: -5.0,
            dlon_deg: 5.0,
            columns: 2,
            values_tecu,
        };
        let a = map(&first).value_tecu(51.5, -2.5).unwrap();
        let b = map(&second).value_tecu(51.5, -2.5).unwrap();
        near(a, 11.66, 1e-6);
        near(b, 14.62, 1e-6);
        near(0.75 * a + 0.25 * b, 12.40, 1e-6);
        near(rotated_lon_deg(-2.5, 15.0 * 60.0, 0.0), 1.25, 1e-12);
        near(rotated_lon_deg(-2.5, 15.0 * 60.0, 3600.0), -13.75, 1e-12);
        assert!(map(&first).value_tecu(53.0, -2.5).is_none());
        assert!(map(&first).value_tecu(51.0, 20.0).is_none());
    }

    #[test]
    fn ionex_turns_with_the_sun_and_wraps() {
        // A content that depends on longitude only through solar time is the same at all times when turned.
        let columns = 73;
        let fill = |epoch_h: f64| -> Vec<f32> {
            (0..2 * columns)
                .map(|k| {
                    let lon = -180.0 + 5.0 * (k % columns) as f64;
                    (20.0 + 10.0 * (lon + 15.0 * epoch_h).to_radians().cos()) as f32
                })
                .collect()
        };
        let (v1, v2) = (fill(12.0), fill(14.0));
        let map = |values_tecu| IonexMap {
            lat1_deg: 87.5,
            dlat_deg: -2.5,
            lon1_deg: -180.0,
            dlon_deg: 5.0,
            columns,
            values_tecu,
        };
        for lon in [-179.0, -3.0, 0.0, 95.0, 180.0] {
            let got = ionex_between(&map(&v1), 12.0 * 3600.0, &map(&v2), 14.0 * 3600.0, 13.25 * 3600.0, 86.0, lon);
            near(got.unwrap(), 20.0 + 10.0 * f64::to_radians(lon + 15.0 * 13.25).cos(), 0.02);
        }
        let mut holed = v1.clone();
        holed[0] = f32::NAN;
        assert!(map(&holed).value_tecu(87.0, -178.0).is_none());
    }

    /// Worked by hand with the formula of ITU-R P.531: 2 TECU a degree northward and 1 eastward at 50 degrees, on a sphere of 6821 km
    /// (119.049 km a degree): hypot(0.016800, 0.013068) TECU/km x 162.372 mm = 3.456 mm/km.
    #[test]
    fn gradient_of_an_inclined_plane() {
        let columns = 5;
        let values: Vec<f32> = (0..5 * columns)
            .map(|k| 30.0 + 2.0 * (5.0 - 2.5 * (k / columns) as f32) + (5.0 * (k % columns) as f32 - 10.0))
            .collect();
        let map = |values_tecu| IonexMap {
            lat1_deg: 55.0,
            dlat_deg: -2.5,
            lon1_deg: -10.0,
            dlon_deg: 5.0,
            columns,
            values_tecu,
        };
        let between = |values| Between { first: map(values), t1_s: 0.0, second: map(values), t2_s: 3600.0 };
        let got = between(&values).gradient_mm_per_km(0.0, (50.0, 0.0), 6_821_000.0).unwrap();
        near(got, 3.456, 0.001);
        // Half an hour later the second map is read 7.5 degrees to the west, half a cell further beyond its edge.
        assert!(between(&values).gradient_mm_per_km(1800.0, (50.0, 0.0), 6_821_000.0).is_none());
        assert!(between(&values).gradient_mm_per_km(0.0, (55.0, 0.0), 6_821_000.0).is_none(), "edge of the map");
        let mut holed = values.clone();
        holed[12] = f32::NAN;
        assert!(between(&holed).gradient_mm_per_km(0.0, (50.0, 0.0), 6_821_000.0).is_none());
    }
}
