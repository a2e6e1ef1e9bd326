//! Many broadcast ephemerides of many satellites, and which of them serves at a time.

use super::{Ephemeris, WEEK_S, rotate_for_flight};
use crate::maths::geodesy::{Geodetic, LookAngles, look_angles_from};
use std::collections::BTreeMap;

/// How far from its reference time a Keplerian ephemeris may serve for directions, s. For ranges it is 2 h (IS-GPS-200 20.3.4.4);
/// a direction stands longer: an orbit that is some km off after a day turns it by about 0.01 degrees (an estimate, not measured).
pub const KEPLER_DIRECTION_S: f64 = 86_400.0;
/// The same for GLONASS state vectors, which serve ±15 min for ranges (GLONASS ICD 5.1).
pub const GLONASS_DIRECTION_S: f64 = 2.0 * 3600.0;
/// Flight time to the ground of all navigation satellites is 0.064 to 0.13 s; 0.01 s off turns a direction by less than
/// 1e-4 degrees.
const FLIGHT_S: f64 = 0.075;

/// Ephemerides by satellite, each reference time once.
#[derive(Debug, Clone, Default)]
pub struct Shelf {
    by_sat: BTreeMap<(char, u8), Vec<(f64, Ephemeris)>>,
}

/// Reference time in GPS seconds since its zero.
fn reference_s(e: &Ephemeris) -> f64 {
    -e.age_s(0, 0.0)
}

impl Shelf {
    /// Adds one; the same reference time and health again is left out.
    pub fn add(&mut self, e: &Ephemeris) {
        let toe = reference_s(e);
        let list = self.by_sat.entry((e.system(), e.number())).or_default();
        let at = list.partition_point(|(t, _)| *t < toe);
        let same = |i: usize| list.get(i).is_some_and(|(t, o)| (t - toe).abs() < 1.0 && o.health() == e.health());
        if !(same(at) || (at > 0 && same(at - 1))) {
            list.insert(at, (toe, e.clone()));
        }
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.by_sat.is_empty()
    }

    /// Satellites with at least one.
    pub fn satellites(&self) -> impl Iterator<Item = (char, u8)> {
        self.by_sat.keys().copied()
    }

    /// The ephemeris whose reference time is nearest to a GPS time (s since its zero), healthy ones first; `None` when none
    /// is near enough for a direction.
    pub fn nearest(&self, system: char, number: u8, gps_s: f64) -> Option<&Ephemeris> {
        let list = self.by_sat.get(&(system, number))?;
        let limit = if system == 'R' { GLONASS_DIRECTION_S } else { KEPLER_DIRECTION_S };
        let at = list.partition_point(|(t, _)| *t < gps_s);
        let of = |healthy: bool| {
            let fits = |(t, e): &&(f64, Ephemeris)| (gps_s - t).abs() <= limit && (e.health() == 0) == healthy;
            let before = list.get(..at)?.iter().rev().take_while(|(t, _)| gps_s - t <= limit).find(fits);
            let after = list.get(at..)?.iter().take_while(|(t, _)| t - gps_s <= limit).find(fits);
            match (before, after) {
                (Some(b), Some(a)) => Some(if gps_s - b.0 <= a.0 - gps_s { &b.1 } else { &a.1 }),
                (one, other) => one.or(other).map(|x| &x.1),
            }
        };
        of(true).or_else(|| of(false))
    }
}

/// Azimuth and elevation of a satellite at a station at a GPS time (s since its zero), good to 0.001 degrees beyond the
/// ephemeris's own error; for loops over minutes, where [`Ephemeris::look`] would solve more than is needed.
pub fn direction(e: &Ephemeris, station: &Geodetic, station_ecef_m: [f64; 3], gps_s: f64) -> Option<LookAngles> {
    let sent = e.position_m((gps_s - FLIGHT_S).rem_euclid(WEEK_S))?;
    let received = rotate_for_flight(sent, FLIGHT_S, super::earth_rate_rad_s(e.system()));
    look_angles_from(station, station_ecef_m, received)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::geodesy::geodetic_to_ecef;
    use crate::maths::orbits::KeplerEphemeris;

    fn at(toe_s: f64, health: u16) -> Ephemeris {
        Ephemeris::Kepler(KeplerEphemeris {
            system: 'G',
            number: 7,
            gps_week: 2000,
            toe_s,
            health,
            sqrt_a: 5153.65531921,
            e: 0.00628762657288,
            i0: 0.961685061380,
            omega0: 1.64046615454,
            omega: -2.56865522,
            m0: -1.44556,
            ..KeplerEphemeris::default()
        })
    }

    #[test]
    fn the_nearest_healthy_one_serves() {
        let mut shelf = Shelf::default();
        for e in [at(7_200.0, 0), at(0.0, 0), at(14_400.0, 63), at(7_200.0, 0)] {
            shelf.add(&e);
        }
        let zero = 2000.0 * WEEK_S;
        let toe = |t: f64| shelf.nearest('G', 7, zero + t).map(|e| -e.age_s(2000, 0.0));
        assert_eq!(toe(3_000.0), Some(0.0));
        assert_eq!(toe(4_000.0), Some(7_200.0));
        assert_eq!(toe(14_400.0), Some(7_200.0), "a healthy one before a nearer sick one");
        assert_eq!(toe(200_000.0), None);
        assert_eq!(toe(7_200.0 + 86_400.0 + 3_600.0), Some(14_400.0), "sick, but the only one near");
        assert!(shelf.nearest('E', 7, zero).is_none());
    }

    #[test]
    fn fast_directions_agree_with_the_full_solution() {
        let station = Geodetic { lat_deg: 51.50205761, lon_deg: -0.12757202, h_m: 109.143 };
        let ecef = geodetic_to_ecef(&station);
        for k in 0..200 {
            let t = f64::from(k) * 300.0;
            let e = at(30_000.0, 0);
            let (fast, full) = (direction(&e, &station, ecef, 2000.0 * WEEK_S + t), e.look(&station, ecef, t));
            let (fast, full) = (fast.unwrap(), full.unwrap());
            assert!((fast.elevation_deg - full.elevation_deg).abs() < 1e-3);
            let turn = crate::maths::geodesy::wrap_180(fast.azimuth_deg - full.azimuth_deg);
            assert!(turn.abs() * full.elevation_deg.to_radians().cos() < 1e-3);
        }
    }
}
