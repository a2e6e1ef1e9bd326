//! Keplerian broadcast orbits (IS-GPS-200 Table 20-IV; Galileo OS SIS ICD; BDS-SIS-ICD; IS-QZSS-PNT).

use super::{earth_rate_rad_s, fold_week_s, mu};
use serde::{Deserialize, Serialize};

/// Broadcast orbit and clock of a GPS, Galileo, QZSS, BeiDou or NavIC satellite. SI units and radians throughout.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct KeplerEphemeris {
    /// RINEX letter of the system: G, E, C, J or I.
    pub system: char,
    /// PRN or number within the system.
    pub number: u8,
    /// GPS week (not rolled over) of the reference time `toe_s`. BeiDou week + 1356, Galileo week + 1024.
    pub gps_week: u32,
    /// Reference time of the orbit, seconds of week in the system's own scale (BDT for BeiDou).
    pub toe_s: f64,
    /// Reference time of the clock, seconds of week in the system's own scale.
    pub toc_s: f64,
    /// Issue of the orbit data: IODE, IODnav or AODE.
    pub issue: u16,
    /// Health word as broadcast; 0 is healthy.
    pub health: u16,
    /// Square root of the semi-major axis, √m.
    pub sqrt_a: f64,
    /// Eccentricity.
    pub e: f64,
    /// Inclination at the reference time, rad.
    pub i0: f64,
    /// Rate of inclination, rad/s.
    pub idot: f64,
    /// Longitude of the ascending node at the start of the week, rad.
    pub omega0: f64,
    /// Rate of the node, rad/s.
    pub omega_dot: f64,
    /// Argument of perigee, rad.
    pub omega: f64,
    /// Mean anomaly at the reference time, rad.
    pub m0: f64,
    /// Mean motion difference, rad/s.
    pub delta_n: f64,
    /// Cosine correction to the argument of latitude, rad.
    pub cuc: f64,
    /// Sine correction to the argument of latitude, rad.
    pub cus: f64,
    /// Cosine correction to the radius, m.
    pub crc: f64,
    /// Sine correction to the radius, m.
    pub crs: f64,
    /// Cosine correction to the inclination, rad.
    pub cic: f64,
    /// Sine correction to the inclination, rad.
    pub cis: f64,
    /// Clock bias, s.
    pub af0: f64,
    /// Clock drift, s/s.
    pub af1: f64,
    /// Clock drift rate, s/s².
    pub af2: f64,
    /// Group delay of the first signal: TGD, BGD or TGD1, s.
    pub tgd_s: f64,
}

/// Orbit state at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeplerState {
    /// Earth-fixed position, m.
    pub position_m: [f64; 3],
    /// Eccentric anomaly, rad.
    pub eccentric_anomaly_rad: f64,
    /// Distance from the Earth's centre with the radius correction, m.
    pub radius_m: f64,
    /// Relativistic clock correction F·e·√A·sin E, s.
    pub relativity_s: f64,
}

/// Whether a BeiDou number is a geostationary satellite: C01 to C05, C59 to C63 (BDS-SIS-ICD B1I 3.0).
pub fn is_beidou_geo(number: u8) -> bool {
    matches!(number, 1..=5 | 59..=63)
}

/// Solves Kepler's equation M = E - e·sin E by Newton steps (IS-GPS-200 Table 20-IV); `None` for e outside 0 to 0.9.
pub fn eccentric_anomaly_rad(mean_anomaly_rad: f64, e: f64) -> Option<f64> {
    if !(0.0..0.9).contains(&e) || !mean_anomaly_rad.is_finite() {
        return None;
    }
    let mut anomaly = mean_anomaly_rad + e * mean_anomaly_rad.sin();
    for _ in 0..30 {
        let step = (anomaly - e * anomaly.sin() - mean_anomaly_rad) / (1.0 - e * anomaly.cos());
        anomaly -= step;
        if step.abs() < 1e-14 {
            break;
        }
    }
    Some(anomaly)
}

impl KeplerEphemeris {
    /// Corrected mean motion √(μ/A³) + Δn, rad/s; `None` for a system without Keplerian orbits or no semi-major axis.
    pub fn mean_motion_rad_s(&self) -> Option<f64> {
        let a_m = self.sqrt_a * self.sqrt_a;
        // Below the Earth's radius there is no orbit: an all-zero or damaged record.
        if a_m.is_nan() || a_m < 6.4e6 {
            return None;
        }
        Some((mu(self.system)? / (a_m * a_m * a_m)).sqrt() + self.delta_n)
    }

    /// Period of one revolution, s. Twice this is the repeat time of a GPS satellite over the same ground.
    pub fn period_s(&self) -> Option<f64> {
        self.mean_motion_rad_s().map(|n| 2.0 * std::f64::consts::PI / n)
    }

    /// Orbit state at a transmission time in seconds of week of the system's own scale.
    ///
    /// BeiDou geostationary satellites are turned by Rz(Ω̇e·tk)·Rx(-5°) as BDS-SIS-ICD says. `None` for elements that
    /// describe no orbit.
    pub fn state(&self, t_s: f64) -> Option<KeplerState> {
        let rate = earth_rate_rad_s(self.system);
        let tk = fold_week_s(t_s - self.toe_s);
        let n = self.mean_motion_rad_s()?;
        let anomaly = eccentric_anomaly_rad(self.m0 + n * tk, self.e)?;
        let (sin_e, cos_e) = anomaly.sin_cos();
        let true_anomaly = ((1.0 - self.e * self.e).sqrt() * sin_e).atan2(cos_e - self.e);
        let phi = true_anomaly + self.omega;
        let (sin_2, cos_2) = (2.0 * phi).sin_cos();
        let u = phi + self.cus * sin_2 + self.cuc * cos_2;
        let a_m = self.sqrt_a * self.sqrt_a;
        let radius_m = a_m * (1.0 - self.e * cos_e) + self.crs * sin_2 + self.crc * cos_2;
        let i = self.i0 + self.cis * sin_2 + self.cic * cos_2 + self.idot * tk;
        let (sin_u, cos_u) = u.sin_cos();
        let (x_plane, y_plane) = (radius_m * cos_u, radius_m * sin_u);
        let (sin_i, cos_i) = i.sin_cos();
        let geo = self.system == 'C' && is_beidou_geo(self.number);
        // A geostationary orbit is given in an inertial-like frame tilted by 5°, hence no Earth rate in the node yet.
        let node_rate = if geo { self.omega_dot } else { self.omega_dot - rate };
        let (sin_o, cos_o) = (self.omega0 + node_rate * tk - rate * self.toe_s).sin_cos();
        let x = x_plane * cos_o - y_plane * cos_i * sin_o;
        let y = x_plane * sin_o + y_plane * cos_i * cos_o;
        let z = y_plane * sin_i;
        let position_m = if geo { turn_geo([x, y, z], rate * tk) } else { [x, y, z] };
        if !position_m.iter().all(|v| v.is_finite()) {
            return None;
        }
        Some(KeplerState {
            position_m,
            eccentric_anomaly_rad: anomaly,
            radius_m,
            relativity_s: relativity_factor(self.system)? * self.e * self.sqrt_a * sin_e,
        })
    }

    /// Earth-fixed position (m) at seconds of week of the system's own scale; see [`KeplerEphemeris::state`].
    pub fn position_m(&self, t_s: f64) -> Option<[f64; 3]> {
        self.state(t_s).map(|s| s.position_m)
    }

    /// Satellite clock minus system time, s: af0 + af1·dt + af2·dt² + relativity (IS-GPS-200 20.3.3.3.3.1). The group
    /// delay `tgd_s` is left to the caller, as it depends on the signal.
    pub fn clock_s(&self, t_s: f64) -> Option<f64> {
        let dt = fold_week_s(t_s - self.toc_s);
        let state = self.state(t_s)?;
        Some(self.af0 + self.af1 * dt + self.af2 * dt * dt + state.relativity_s)
    }
}

/// F = -2√μ/c², s/√m (IS-GPS-200 20.3.3.3.3.1: -4.442807633e-10; Galileo OS SIS ICD: -4.442807309e-10).
fn relativity_factor(system: char) -> Option<f64> {
    let c = crate::maths::SPEED_OF_LIGHT_M_S;
    mu(system).map(|mu| -2.0 * mu.sqrt() / (c * c))
}

/// Rz(angle)·Rx(-5°) of BDS-SIS-ICD B1I Table 5-11.
fn turn_geo(xyz: [f64; 3], angle_rad: f64) -> [f64; 3] {
    let (sin_5, cos_5) = (-5f64).to_radians().sin_cos();
    let [x, y, z] = xyz;
    let (y, z) = (cos_5 * y + sin_5 * z, -sin_5 * y + cos_5 * z);
    let (sin_a, cos_a) = angle_rad.sin_cos();
    [cos_a * x + sin_a * y, -sin_a * x + cos_a * y, z]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::geodesy::{Geodetic, geodetic_to_ecef, look_angles};
    use crate::maths::near;
    use crate::maths::orbits::rotate_for_flight;

    /// Elements of check values 6.4 (constructed; double and 30-digit arithmetic agree).
    pub(super) fn example() -> KeplerEphemeris {
        KeplerEphemeris {
            system: 'G',
            number: 7,
            toe_s: 396000.0,
            toc_s: 396000.0,
            sqrt_a: 5153.65531921,
            e: 0.00628762657288,
            i0: 0.961685061380,
            omega0: 1.64046615454,
            omega: -2.56865522,
            m0: -1.44556,
            delta_n: 4.46e-9,
            omega_dot: -8.0925e-9,
            idot: -1.2e-10,
            cuc: -1.91852450371e-6,
            cus: 7.27884471416e-6,
            crc: 234.1875,
            crs: -37.5625,
            cic: 9.31322574615e-8,
            cis: -1.11758708954e-8,
            ..KeplerEphemeris::default()
        }
    }

    #[test]
    fn worked_orbit_of_check_values_6_4() {
        let rows = [
            (396000.0, [18659721.9747, 8506570.2259, 16847613.4028], -1.451803164649, 26540328.5313, 1.4294786e-8),
            (399600.0, [21408928.3817, 13567937.8939, 7595812.7842], -0.925487415076, 26459922.9968, 1.1501637e-8),
            (403200.0, [21391914.7297, 15027811.8332, -3721476.5358], -0.397804078225, 26406410.8107, 5.5771643e-9),
        ];
        for (t, xyz, anomaly, radius, relativity) in rows {
            let got = example().state(t).unwrap();
            for (g, w) in got.position_m.iter().zip(xyz) {
                near(*g, w, 1e-4);
            }
            near(got.eccentric_anomaly_rad, anomaly, 2e-12);
            near(got.radius_m, radius, 1e-4);
            near(got.relativity_s, relativity, 2e-15);
        }
        near(example().mean_motion_rad_s().unwrap() - 4.46e-9, 1.458555005256e-4, 1e-16);
    }

    #[test]
    fn directions_of_check_values_6_4() {
        let station = geodetic_to_ecef(&Geodetic { lat_deg: 51.50205761, lon_deg: -0.12757202, h_m: 109.143 });
        for (t, az, el) in [(396000.0, 115.5181, 62.7914), (399600.0, 131.3496, 35.3957), (403200.0, 141.5868, 9.4020)]
        {
            let look = look_angles(station, example().position_m(t).unwrap()).unwrap();
            near(look.azimuth_deg, az, 1e-4);
            near(look.elevation_deg, el, 1e-4);
        }
    }

    #[test]
    fn flight_rotation_of_check_values_6_4() {
        let at = example().position_m(403200.0).unwrap();
        let turned = rotate_for_flight(at, 0.07, crate::maths::orbits::OMEGA_E_GPS);
        near(turned[0], 21391991.4386, 1e-4);
        near(turned[1], 15027702.6384, 1e-4);
        near(crate::maths::orbits::OMEGA_E_GPS * 0.07, 5.10448060e-6, 1e-14);
    }

    #[test]
    fn relativity_constants_of_the_icds() {
        near(relativity_factor('G').unwrap(), -4.442807633e-10, 1e-19);
        near(relativity_factor('E').unwrap(), -4.442807309e-10, 1e-19);
    }

    #[test]
    fn repeat_time_of_check_values_8_4() {
        let e = KeplerEphemeris { system: 'G', sqrt_a: 26_560_000f64.sqrt(), ..KeplerEphemeris::default() };
        near(e.period_s().unwrap(), 43077.75, 0.01);
        near(86400.0 - 2.0 * e.period_s().unwrap(), 244.49, 0.01);
    }

    #[test]
    fn week_fold_and_clock() {
        let mut e = example();
        e.toe_s = 604_000.0;
        e.toc_s = 604_000.0;
        let a = e.position_m(604_800.0 + 100.0).unwrap();
        let b = e.position_m(100.0).unwrap();
        near(a[0], b[0], 1e-6);
        e.af0 = 1e-4;
        e.af1 = 2e-12;
        let dt = 900.0;
        let relativity = e.state(100.0).unwrap().relativity_s;
        near(e.clock_s(100.0).unwrap(), 1e-4 + 2e-12 * dt + relativity, 1e-18);
    }

    #[test]
    fn broken_elements_give_nothing() {
        assert!(KeplerEphemeris { system: 'G', ..KeplerEphemeris::default() }.position_m(0.0).is_none());
        assert!(KeplerEphemeris { e: 1.5, ..example() }.position_m(0.0).is_none());
        assert!(KeplerEphemeris { system: 'R', ..example() }.position_m(0.0).is_none());
        assert!(KeplerEphemeris { m0: f64::NAN, ..example() }.position_m(0.0).is_none());
        assert!(KeplerEphemeris { cus: f64::INFINITY, ..example() }.position_m(396000.0).is_none());
    }
}
