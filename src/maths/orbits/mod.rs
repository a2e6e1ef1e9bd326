//! Satellite positions and clocks from broadcast ephemerides, and where a satellite stands in a station's sky.
//!
//! Times are seconds of week in the time scale of the system ([`tow_in_system_s`] turns GPS time into it); GLONASS is
//! kept in GPS time here. Differences are folded into half a week, so the caller must judge the age of an ephemeris
//! itself (`age_s`).

mod glonass;
mod kepler;
mod shelf;

pub use glonass::GlonassEphemeris;
pub use kepler::{KeplerEphemeris, KeplerState, eccentric_anomaly_rad, is_beidou_geo};
pub use shelf::{GLONASS_DIRECTION_S, KEPLER_DIRECTION_S, Shelf, direction};

use super::SPEED_OF_LIGHT_M_S;
use super::geodesy::{self, Geodetic, LookAngles};
use serde::{Deserialize, Serialize};

/// One week, s.
pub const WEEK_S: f64 = 604_800.0;

/// μ of GPS, QZSS and NavIC broadcast orbits, m³/s² (IS-GPS-200; IS-QZSS-PNT; ISRO-IRNSS-ICD-SPS).
pub const MU_GPS: f64 = 3.986_005e14;
/// μ of Galileo and BeiDou broadcast orbits, m³/s² (Galileo OS SIS ICD; BDS-SIS-ICD), and of PZ-90.11 for GLONASS.
pub const MU_GALILEO_BEIDOU: f64 = 3.986_004_418e14;
/// Earth rotation of GPS, QZSS, Galileo and NavIC broadcast orbits, rad/s (IS-GPS-200; Galileo OS SIS ICD).
pub const OMEGA_E_GPS: f64 = 7.292_115_146_7e-5;
/// Earth rotation of BeiDou broadcast orbits (CGCS2000) and of PZ-90.11, rad/s (BDS-SIS-ICD; GLONASS ICD).
pub const OMEGA_E_BEIDOU_GLONASS: f64 = 7.292_115e-5;
/// π of the broadcast-orbit ICDs (IS-GPS-200 20.3.3.4.3.3): semicircles to radians in decoders.
#[allow(clippy::approx_constant)] // the ICD cuts π on purpose
pub const PI_ICD: f64 = 3.141_592_653_589_8;

/// μ in m³/s² used by a system's broadcast orbits; `None` for a system without Keplerian elements.
pub fn mu(system: char) -> Option<f64> {
    match system {
        'G' | 'J' | 'I' => Some(MU_GPS),
        'E' | 'C' => Some(MU_GALILEO_BEIDOU),
        _ => None,
    }
}

/// Earth rotation rate in rad/s used by a system's broadcast orbits (RINEX letter).
pub fn earth_rate_rad_s(system: char) -> f64 {
    match system {
        'C' | 'R' => OMEGA_E_BEIDOU_GLONASS,
        _ => OMEGA_E_GPS,
    }
}

/// GPS seconds of week as the system's own seconds of week: BeiDou runs 14 s behind, the others with GPS
/// (BDS-SIS-ICD 3.3; Galileo OS SIS ICD 5.1.2). The result is folded into one week.
pub fn tow_in_system_s(system: char, gps_tow_s: f64) -> f64 {
    let shifted = if system == 'C' { gps_tow_s - 14.0 } else { gps_tow_s };
    shifted.rem_euclid(WEEK_S)
}

/// Difference of two seconds-of-week values folded into ±302 400 s (IS-GPS-200 20.3.3.4.3).
pub fn fold_week_s(difference_s: f64) -> f64 {
    (difference_s + WEEK_S / 2.0).rem_euclid(WEEK_S) - WEEK_S / 2.0
}

/// Turns an Earth-fixed position by the rotation of the Earth during the flight time (Sagnac; IS-GPS-200 20.3.3.4.3.3.2).
pub fn rotate_for_flight(xyz_m: [f64; 3], flight_s: f64, earth_rate_rad_s: f64) -> [f64; 3] {
    let (sin, cos) = (earth_rate_rad_s * flight_s).sin_cos();
    let [x, y, z] = xyz_m;
    [cos * x + sin * y, -sin * x + cos * y, z]
}

/// Any broadcast ephemeris.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Ephemeris {
    /// GPS, Galileo, QZSS, BeiDou, NavIC.
    Kepler(KeplerEphemeris),
    /// GLONASS.
    Glonass(GlonassEphemeris),
}

impl Ephemeris {
    /// RINEX letter of the system.
    pub fn system(&self) -> char {
        match self {
            Ephemeris::Kepler(e) => e.system,
            Ephemeris::Glonass(_) => 'R',
        }
    }

    /// Number within the system (PRN, slot).
    pub fn number(&self) -> u8 {
        match self {
            Ephemeris::Kepler(e) => e.number,
            Ephemeris::Glonass(e) => e.number,
        }
    }

    /// Health word as broadcast; 0 is healthy.
    pub fn health(&self) -> u16 {
        match self {
            Ephemeris::Kepler(e) => e.health,
            Ephemeris::Glonass(e) => e.health,
        }
    }

    /// Seconds from the reference time of the orbit to a full GPS time (week, seconds of week), not folded: its age.
    pub fn age_s(&self, gps_week: u32, gps_tow_s: f64) -> f64 {
        let (week, toe_s) = match self {
            Ephemeris::Kepler(e) => (e.gps_week, if e.system == 'C' { e.toe_s + 14.0 } else { e.toe_s }),
            Ephemeris::Glonass(e) => (e.gps_week, e.toe_s),
        };
        (f64::from(gps_week) - f64::from(week)) * WEEK_S + gps_tow_s - toe_s
    }

    /// Earth-fixed position in m at a transmission time in GPS seconds of week.
    pub fn position_m(&self, gps_tow_s: f64) -> Option<[f64; 3]> {
        match self {
            Ephemeris::Kepler(e) => e.position_m(tow_in_system_s(e.system, gps_tow_s)),
            Ephemeris::Glonass(e) => e.state(gps_tow_s).map(|(position_m, _)| position_m),
        }
    }

    /// Satellite clock minus system time, s, relativity included, no group delay, at GPS seconds of week.
    pub fn clock_s(&self, gps_tow_s: f64) -> Option<f64> {
        match self {
            Ephemeris::Kepler(e) => e.clock_s(tow_in_system_s(e.system, gps_tow_s)),
            Ephemeris::Glonass(e) => Some(e.clock_s(gps_tow_s)),
        }
    }

    /// The satellite as a station receives it at a GPS time: flight time and Earth rotation solved by iteration.
    ///
    /// `None` when the ephemeris gives no position or a value is not finite.
    pub fn seen_from(&self, station_ecef_m: [f64; 3], receive_gps_tow_s: f64) -> Option<Seen> {
        let rate = earth_rate_rad_s(self.system());
        let mut flight_s = 0.075;
        let mut position_m = [0.0; 3];
        // Range rate is below 1e-5 of light, so every round gains five digits; four rounds are below a micrometre.
        for _ in 0..4 {
            let at_transmission = self.position_m(receive_gps_tow_s - flight_s)?;
            position_m = rotate_for_flight(at_transmission, flight_s, rate);
            flight_s = geodesy::slant_m(position_m, station_ecef_m) / SPEED_OF_LIGHT_M_S;
            if !flight_s.is_finite() {
                return None;
            }
        }
        let clock_s = self.clock_s(receive_gps_tow_s - flight_s)?;
        Some(Seen { position_m, flight_s, clock_s })
    }

    /// Azimuth, elevation and range at a station given in both forms, at a GPS receive time (seconds of week).
    pub fn look(&self, station: &Geodetic, station_ecef_m: [f64; 3], receive_gps_tow_s: f64) -> Option<LookAngles> {
        let seen = self.seen_from(station_ecef_m, receive_gps_tow_s)?;
        geodesy::look_angles_from(station, station_ecef_m, seen.position_m)
    }
}

/// A satellite as a station receives it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// Position at transmission in the Earth-fixed frame of the receive time, m.
    pub position_m: [f64; 3],
    /// Flight time, s.
    pub flight_s: f64,
    /// Satellite clock minus system time at transmission, s.
    pub clock_s: f64,
}

#[cfg(test)]
mod real_data_tests;
