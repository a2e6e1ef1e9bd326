//! Broadcast orbits of messages as the maths room computes with them: weeks counted in full, GLONASS in GPS time.
//!
//! A message has a short week (10 to 13 bits) or only a time of day; the time at which it was heard makes it whole, because a
//! reference time lies within hours of the broadcast (IS-GPS-200 20.3.4.5; GLONASS ICD 5.1 4.4).

use super::ephemeris::{Motion, Orbit};
use crate::maths::orbits::{Ephemeris, GlonassEphemeris, KeplerEphemeris};
use crate::model::ids::System;
use crate::model::time::{BDT_BEHIND_GPST_MS, DAY_MS, GLONASS_AHEAD_UTC_MS, GpsMs, UtcMs, WEEK_MS, utc_to_gps};

/// The value nearest to `near` that equals `of_cycle` modulo `cycle`.
fn nearest(near: i64, of_cycle: i64, cycle: i64) -> i64 {
    near + (of_cycle - near + cycle / 2).rem_euclid(cycle) - cycle / 2
}

/// The orbit with its full reference time; `None` when the stream had no time before it was heard.
pub fn ephemeris(orbit: &Orbit) -> Option<Ephemeris> {
    let heard = orbit.heard?;
    let (number, health, issue) = (orbit.sat.number(), orbit.health, orbit.issue);
    match &orbit.motion {
        Motion::Kepler(k) => {
            // BeiDou weeks begin with the GPS weeks, 14 s later.
            let behind = if orbit.sat.system() == System::Beidou { BDT_BEHIND_GPST_MS } else { 0 };
            let toe = nearest(utc_to_gps(heard) - behind, (k.toe_s * 1000.0) as i64, WEEK_MS);
            Some(Ephemeris::Kepler(KeplerEphemeris {
                system: orbit.sat.system().letter(),
                number,
                gps_week: u32::try_from(toe.div_euclid(WEEK_MS)).ok()?,
                toe_s: k.toe_s,
                toc_s: k.toc_s,
                issue,
                health,
                sqrt_a: k.sqrt_a,
                e: k.eccentricity,
                i0: k.i0,
                idot: k.i_dot,
                omega0: k.omega0,
                omega_dot: k.omega_dot,
                omega: k.omega,
                m0: k.m0,
                delta_n: k.delta_n,
                cuc: k.cuc,
                cus: k.cus,
                crc: k.crc,
                crs: k.crs,
                cic: k.cic,
                cis: k.cis,
                af0: k.af0,
                af1: k.af1,
                af2: k.af2,
                tgd_s: k.group_delay_s,
            }))
        }
        Motion::Glonass(g) => {
            let toe: UtcMs = nearest(heard, (g.tb_s * 1000.0) as i64 - GLONASS_AHEAD_UTC_MS, DAY_MS);
            let toe: GpsMs = utc_to_gps(toe);
            Some(Ephemeris::Glonass(GlonassEphemeris {
                number,
                frequency_number: g.channel,
                gps_week: u32::try_from(toe.div_euclid(WEEK_MS)).ok()?,
                toe_s: toe.rem_euclid(WEEK_MS) as f64 / 1000.0,
                position_m: g.position_m,
                velocity_m_s: g.velocity_m_s,
                acceleration_m_s2: g.acceleration_m_s2,
                minus_tau_s: g.clock_s,
                gamma: g.clock_rate,
                health,
                issue,
            }))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::ephemeris::{GlonassState, Kepler};
    use super::*;
    use crate::model::ids::Sat;
    use crate::model::time::{days_from_date, gps_to_utc};

    fn orbit(system: System, week: u16, motion: Motion, heard: UtcMs) -> Orbit {
        Orbit { heard: Some(heard), message: 0, sat: Sat::new(system, 7), week, issue: 3, health: 0, motion }
    }

    #[test]
    fn weeks_become_whole_by_the_time_of_hearing() {
        // 2026-11-25 12:00 UTC is GPS week 2446 (1024 * 2 + 398), day 3. Elements for Saturday's last minutes heard on
        // Sunday belong to the week before.
        let noon = days_from_date(2026, 11, 25).unwrap() * DAY_MS + DAY_MS / 2;
        let kepler = |toe_s: f64| Motion::Kepler(Kepler { toe_s, sqrt_a: 5153.0, ..Kepler::default() });
        let week = |system, toe_s, heard| match ephemeris(&orbit(system, 398, kepler(toe_s), heard)) {
            Some(Ephemeris::Kepler(k)) => k.gps_week,
            _ => 0,
        };
        assert_eq!(week(System::Gps, 3.5 * 86_400.0, noon), 2446);
        let sunday = gps_to_utc(2446 * WEEK_MS + 60_000);
        assert_eq!(week(System::Gps, 604_784.0, sunday), 2445);
        assert_eq!(week(System::Beidou, 600.0, sunday), 2446);
        let heard_never = Orbit { heard: None, ..orbit(System::Gps, 398, kepler(0.0), 0) };
        assert!(ephemeris(&heard_never).is_none());
    }

    #[test]
    fn glonass_times_count_from_moscow_midnight_in_gps_time() {
        // t_b 11 700 s of the Moscow day (GLONASS ICD example) is 00:15 UTC; GPS time is 18 s ahead (IERS Bulletin C).
        let heard = days_from_date(2026, 11, 25).unwrap() * DAY_MS + 20 * 60_000;
        let state = GlonassState { tb_s: 11_700.0, position_m: [2.5e7, 0.0, 0.0], ..GlonassState::default() };
        let Some(Ephemeris::Glonass(g)) = ephemeris(&orbit(System::Glonass, 0, Motion::Glonass(state), heard)) else {
            panic!("no GLONASS orbit");
        };
        assert_eq!((g.gps_week, g.toe_s), (2446, 3.0 * 86_400.0 + 15.0 * 60.0 + 18.0));
    }
}
