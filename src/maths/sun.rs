//! The Sun: direction, elevation at a place, solar local time.
//!
//! Low-precision formulas of the US Naval Observatory ("Computing Approximate Solar Coordinates", Astronomical Applications
//! Department; the same series as the Astronomical Almanac, page C5): about 1 arcminute within two centuries of 2000.

use super::geodesy::wrap_180;

/// Unix time of the epoch J2000.0 (2000-01-01 12:00 TT taken as UT), ms.
const J2000_UNIX_MS: i64 = 946_728_000_000;

/// Where the Sun stands on the celestial sphere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunPlace {
    /// Declination, degrees.
    pub declination_deg: f64,
    /// Right ascension, 0 to 360 degrees.
    pub right_ascension_deg: f64,
    /// Equation of time (apparent less mean solar time), minutes.
    pub equation_of_time_min: f64,
    /// Greenwich mean sidereal time, 0 to 360 degrees.
    pub gmst_deg: f64,
}

fn days_since_j2000(unix_ms: i64) -> f64 {
    (unix_ms - J2000_UNIX_MS) as f64 / 86_400_000.0
}

/// Declination, right ascension and equation of time at a UTC time in Unix ms.
pub fn sun_place(unix_ms: i64) -> SunPlace {
    let d = days_since_j2000(unix_ms);
    let anomaly = (357.529 + 0.985_600_28 * d).to_radians();
    let mean_longitude = 280.459 + 0.985_647_36 * d;
    let longitude = (mean_longitude + 1.915 * anomaly.sin() + 0.020 * (2.0 * anomaly).sin()).to_radians();
    let obliquity = (23.439 - 0.000_000_36 * d).to_radians();
    let right_ascension_deg = (obliquity.cos() * longitude.sin()).atan2(longitude.cos()).to_degrees();
    SunPlace {
        declination_deg: (obliquity.sin() * longitude.sin()).asin().to_degrees(),
        right_ascension_deg: right_ascension_deg.rem_euclid(360.0),
        equation_of_time_min: wrap_180(mean_longitude - right_ascension_deg) * 4.0,
        // GMST of the same department ("Computing Greenwich Apparent Sidereal Time"): 18.697374558 + 24.06570982441908 D h.
        gmst_deg: ((18.697_374_558 + 24.065_709_824_419_08 * d) * 15.0).rem_euclid(360.0),
    }
}

/// Geometric elevation of the Sun's centre (no refraction), degrees, at a UTC time in Unix ms.
pub fn sun_elevation_deg(unix_ms: i64, lat_deg: f64, lon_deg: f64) -> f64 {
    let sun = sun_place(unix_ms);
    let hour_angle = (sun.gmst_deg + lon_deg - sun.right_ascension_deg).to_radians();
    let (sin_l, cos_l) = lat_deg.to_radians().sin_cos();
    let (sin_d, cos_d) = sun.declination_deg.to_radians().sin_cos();
    (sin_l * sin_d + cos_l * cos_d * hour_angle.cos()).clamp(-1.0, 1.0).asin().to_degrees()
}

/// Mean solar local time UTC + longitude/15, hours from 0 to 24: the local time of ionospheric rules, never the civil zone.
pub fn solar_local_time_h(unix_ms: i64, lon_deg: f64) -> f64 {
    let utc_h = unix_ms.rem_euclid(86_400_000) as f64 / 3_600_000.0;
    (utc_h + lon_deg / 15.0).rem_euclid(24.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn published_solar_positions() {
        // Meeus, Astronomical Algorithms, 2nd ed., example 25.a: 1992-10-13 0h, RA 198.380 83°, declination -7.785 07°;
        // example 28.a, same date: equation of time +13 m 42.6 s (13.71 min). Formula good to about 1'.
        let at = sun_place(718_934_400_000);
        near(at.right_ascension_deg, 198.38083, 0.017);
        near(at.declination_deg, -7.78507, 0.017);
        near(at.equation_of_time_min, 13.71, 0.07);
    }

    #[test]
    fn published_elevation() {
        // Reda and Andreas 2008, NREL/TP-560-34302, appendix A.5: 2003-10-17 12:30:30 UTC-7, 39.742476°N 105.1786°W,
        // elevation without refraction 39.872046°, declination -9.31434°.
        let at = 1_066_419_030_000;
        near(sun_elevation_deg(at, 39.742476, -105.1786), 39.872046, 0.02);
        near(sun_place(at).declination_deg, -9.31434, 0.017);
    }

    #[test]
    fn solstice_and_equinox() {
        // Almanac: June solstice 2025-06-21 02:42 UTC (declination 23.44°), March equinox 2025-03-20 09:01 UTC.
        near(sun_place(1_750_473_720_000).declination_deg, 23.44, 0.01);
        near(sun_place(1_742_461_260_000).declination_deg, 0.0, 0.01);
    }

    #[test]
    fn solar_local_time_of_check_values_7_4() {
        let at = 1_740_792_600_000; // 2025-03-01 01:30 UTC
        near(solar_local_time_h(at, -77.0428), 20.3638, 1e-4);
        near(solar_local_time_h(at, 103.8198), 8.4213, 1e-4);
        near(solar_local_time_h(-1, 0.0), 24.0, 1e-3);
    }
}
