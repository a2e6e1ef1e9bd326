//! When the same satellite stands at the same place in the sky again: what tells site-bound causes from human hours.

/// Mean sidereal day, s.
pub const SIDEREAL_DAY_S: f64 = 86_164.090_5;

/// Repeat of a system's geometry.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeat {
    /// After this many days of the calendar ...
    pub days: u32,
    /// ... the geometry comes this much earlier by the clock, s.
    pub advance_s: f64,
    /// Where the figure comes from.
    pub origin: &'static str,
}

/// Repeat of the satellite geometry over a place by RINEX system letter (and BeiDou number, which tells the orbit kind).
///
/// GPS 245 s a day (Choi et al. 2004, doi 10.1029/2004GL021621; Agnew and Larson 2007, doi 10.1007/s10291-006-0038-4); GLONASS 17
/// revolutions in 8 sidereal days, Galileo 17 in 10 (ICDs); BeiDou MEO 13 in 7 (from memory), the others one sidereal day.
pub fn repeat_advance(system: char, number: u8) -> Option<Repeat> {
    let sidereal =
        |days: u32, origin| Repeat { days, advance_s: f64::from(days) * (86_400.0 - SIDEREAL_DAY_S), origin };
    match system {
        'G' => Some(Repeat { days: 1, advance_s: 245.0, origin: "Choi et al. 2004, Agnew and Larson 2007" }),
        'R' => Some(sidereal(8, "17 revolutions in 8 sidereal days, GLONASS ICD")),
        'E' => Some(sidereal(10, "17 revolutions in 10 sidereal days, Galileo ICD")),
        'C' if is_beidou_meo(number) => Some(sidereal(7, "13 revolutions in 7 sidereal days, from memory")),
        'C' | 'J' | 'I' => Some(sidereal(1, "geosynchronous")),
        _ => None,
    }
}

/// BeiDou medium orbits by number: C11, C12, C14, C19 to C30, C32 to C37, C41 to C46 and C57, C58 (constellation status as
/// published; common practice, no source in a standard).
fn is_beidou_meo(number: u8) -> bool {
    matches!(number, 11 | 12 | 14 | 19..=30 | 32..=37 | 41..=46 | 57 | 58)
}

/// Clock time of day, s, at which an event of `days` before comes again with the geometry.
pub fn repeated_time_of_day_s(time_of_day_s: f64, days: f64, repeat: &Repeat) -> f64 {
    (time_of_day_s - days / f64::from(repeat.days) * repeat.advance_s).rem_euclid(86_400.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn table_of_check_values_8_4() {
        near(86_400.0 - SIDEREAL_DAY_S, 235.91, 0.005);
        for (system, number, days, advance) in [
            ('R', 3, 8, 1887.28),
            ('E', 11, 10, 2359.10),
            ('C', 20, 7, 1651.37),
            ('C', 8, 1, 235.91),
            ('G', 5, 1, 245.0),
        ] {
            let got = repeat_advance(system, number).unwrap();
            assert_eq!(got.days, days);
            near(got.advance_s, advance, 0.0051);
        }
        // Periods of one revolution in the table.
        near(8.0 * SIDEREAL_DAY_S / 17.0, 40_547.8, 0.05);
        near(10.0 * SIDEREAL_DAY_S / 17.0, 50_684.8, 0.05);
        near(7.0 * SIDEREAL_DAY_S / 13.0, 46_396.0, 0.05);
    }

    #[test]
    fn gps_event_repeats_as_in_check_values_8_4() {
        let gps = repeat_advance('G', 1).unwrap();
        let hms = |h: f64, m: f64, s: f64| h * 3600.0 + m * 60.0 + s;
        let start = hms(14.0, 0.0, 0.0);
        for (day, want) in [(1.0, hms(13.0, 55.0, 55.0)), (2.0, hms(13.0, 51.0, 50.0)), (3.0, hms(13.0, 47.0, 45.0))] {
            near(repeated_time_of_day_s(start, day, &gps), want, 1e-9);
        }
        near(30.0 * gps.advance_s / 60.0, 122.5, 1e-9);
    }
}
