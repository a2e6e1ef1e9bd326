//! Time, solved once: UTC in integer milliseconds, the GNSS scales, leap seconds, text forms.
//!
//! Sources: IS-GPS-200 §3.3.4 (GPST), Galileo OS SIS ICD §5.1.2 (GST), BDS-SIS-ICD §3.3 (BDT), GLONASS ICD 5.1 §3.3.3,
//! IERS Bulletin C (leap seconds). The stream clock that finds dates is in [`crate::model::clock`].

use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, Timelike, Utc};
use std::sync::LazyLock;

/// UTC, milliseconds since 1970-01-01 00:00:00, leap seconds not counted (as in Unix time).
pub type UtcMs = i64;
/// GPS time, milliseconds since 1980-01-06 00:00:00 GPST.
pub type GpsMs = i64;

/// One second in ms.
pub const SECOND_MS: i64 = 1_000;
/// One minute in ms.
pub const MINUTE_MS: i64 = 60 * SECOND_MS;
/// One hour in ms.
pub const HOUR_MS: i64 = 60 * MINUTE_MS;
/// One day in ms.
pub const DAY_MS: i64 = 24 * HOUR_MS;
/// One week in ms.
pub const WEEK_MS: i64 = 7 * DAY_MS;
/// BDT is this far behind GPST.
pub const BDT_BEHIND_GPST_MS: i64 = 14 * SECOND_MS;
/// GLONASS time is UTC plus three hours.
pub const GLONASS_AHEAD_UTC_MS: i64 = 3 * HOUR_MS;
/// 1980-01-06 00:00:00 UTC.
pub const GPS_ZERO_UTC_MS: UtcMs = 3_657 * DAY_MS;

/// GPST minus UTC in s, valid from the UTC date on (IERS Bulletin C). Data, not code: add a line when a new leap second is
/// announced. Checked against two public leap-second files up to the end of 2026.
const LEAP_SECONDS: [(i32, u32, u32, i64); 19] = [
    (1980, 1, 6, 0),
    (1981, 7, 1, 1),
    (1982, 7, 1, 2),
    (1983, 7, 1, 3),
    (1985, 7, 1, 4),
    (1988, 1, 1, 5),
    (1990, 1, 1, 6),
    (1991, 1, 1, 7),
    (1992, 7, 1, 8),
    (1993, 7, 1, 9),
    (1994, 7, 1, 10),
    (1996, 1, 1, 11),
    (1997, 7, 1, 12),
    (1999, 1, 1, 13),
    (2006, 1, 1, 14),
    (2009, 1, 1, 15),
    (2012, 7, 1, 16),
    (2015, 7, 1, 17),
    (2017, 1, 1, 18),
];

/// The same as UTC ms and ms, newest first: decoders ask several times a message.
static LEAPS: LazyLock<[(UtcMs, i64); LEAP_SECONDS.len()]> = LazyLock::new(|| {
    let mut leaps = LEAP_SECONDS.map(|(year, month, day, seconds)| {
        (days_from_date(year, month, day).unwrap_or(0) * DAY_MS, seconds * SECOND_MS)
    });
    leaps.reverse();
    leaps
});

/// GPST minus UTC in ms at a UTC time.
pub fn leap_ms_at_utc(utc: UtcMs) -> i64 {
    LEAPS.iter().find(|(from, _)| utc >= *from).map_or(0, |(_, leap)| *leap)
}

/// UTC to GPS time.
pub fn utc_to_gps(utc: UtcMs) -> GpsMs {
    utc - GPS_ZERO_UTC_MS + leap_ms_at_utc(utc)
}

/// GPS time to UTC. The inserted second itself maps to the first millisecond range of the next day, as Unix time does.
pub fn gps_to_utc(gps: GpsMs) -> UtcMs {
    let guess = gps + GPS_ZERO_UTC_MS - leap_ms_at_utc(gps + GPS_ZERO_UTC_MS);
    // The leap second count was taken at a time that is late by the count itself: take it again at the result.
    gps + GPS_ZERO_UTC_MS - leap_ms_at_utc(guess)
}

/// GPS week and time of week in ms.
pub fn gps_week(gps: GpsMs) -> (i64, i64) {
    (gps.div_euclid(WEEK_MS), gps.rem_euclid(WEEK_MS))
}

/// Days since 1970-01-01 of a calendar date; `None` when there is no such date.
pub fn days_from_date(year: i32, month: u32, day: u32) -> Option<i64> {
    let date = NaiveDate::from_ymd_opt(year, month, day)?;
    Some(i64::from(date.num_days_from_ce()) - 719_163)
}

/// Days since 1970-01-01 of year and day of year (1 to 366).
pub fn days_from_year_day(year: i32, day_of_year: u32) -> Option<i64> {
    let date = NaiveDate::from_yo_opt(year, day_of_year)?;
    Some(i64::from(date.num_days_from_ce()) - 719_163)
}

/// Days since 1970-01-01 of a modified Julian date.
pub fn days_from_mjd(mjd: i64) -> i64 {
    mjd - 40_587
}

/// Year of a two-digit year with pivot 80 (RINEX 2.11, NMEA 0183 RMC).
pub fn year_from_two_digits(yy: i32) -> i32 {
    if yy >= 80 { 1900 + yy } else { 2000 + yy }
}

/// RFC 3339 with `Z`, with milliseconds only where there are some.
pub fn rfc3339(utc: UtcMs) -> String {
    match DateTime::<Utc>::from_timestamp_millis(utc) {
        // Nearly all: formats that are read at run time take several times as long.
        Some(t) if utc.rem_euclid(SECOND_MS) == 0 && (0..=9999).contains(&t.year()) => {
            let (date, time) = (t.date_naive(), t.time());
            let (hour, minute, second) = (time.hour(), time.minute(), time.second());
            format!("{:04}-{:02}-{:02}T{hour:02}:{minute:02}:{second:02}Z", date.year(), date.month(), date.day())
        }
        Some(t) if utc.rem_euclid(SECOND_MS) == 0 => t.format("%Y-%m-%dT%H:%M:%SZ").to_string(),
        Some(t) => t.format("%Y-%m-%dT%H:%M:%S%.3fZ").to_string(),
        None => format!("{utc} ms"),
    }
}

/// `2026-05-04` of a day since 1970.
pub fn date_text(day: i64) -> String {
    match DateTime::<Utc>::from_timestamp_millis(day.saturating_mul(DAY_MS)) {
        Some(t) => t.format("%Y-%m-%d").to_string(),
        None => format!("day {day}"),
    }
}

/// `09:05` or `09:05:30` UTC, for people.
pub fn clock_text(utc: UtcMs) -> String {
    match DateTime::<Utc>::from_timestamp_millis(utc) {
        Some(t) if utc.rem_euclid(MINUTE_MS) == 0 => t.format("%H:%M").to_string(),
        Some(t) => t.format("%H:%M:%S").to_string(),
        None => String::new(),
    }
}

/// RFC 3339, a date alone (its midnight), or the same without a zone, which counts as UTC. `T` or a blank between date
/// and time.
pub fn parse_utc(text: &str) -> Option<UtcMs> {
    let text = text.trim();
    if let Ok(t) = DateTime::parse_from_rfc3339(text) {
        return Some(t.timestamp_millis());
    }
    if let Some(t) = parse_local(text) {
        return Some(t);
    }
    DateTime::parse_from_str(text, "%Y-%m-%d %H:%M:%S%.f%:z").ok().map(|t| t.timestamp_millis())
}

/// A date or date and time without a zone, as if it were UTC.
pub fn parse_local(text: &str) -> Option<UtcMs> {
    let text = text.trim();
    for form in ["%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"] {
        if let Ok(t) = NaiveDateTime::parse_from_str(text, form) {
            return Some(t.and_utc().timestamp_millis());
        }
    }
    let date = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok()?;
    Some((i64::from(date.num_days_from_ce()) - 719_163) * DAY_MS)
}

/// A date in a file name: `2026-05-04`, `2026_05_04`, `20260504`, RINEX short (`ssssdddh.yyo`) and long
/// (`..._YYYYDDDHHMM_...`) names. Days since 1970. Day-first forms are not guessed.
pub fn date_in_name(name: &str) -> Option<i64> {
    let base = name.rsplit(['/', '\\']).next().unwrap_or(name).as_bytes();
    let digits = |from: usize, n: usize| -> Option<i32> {
        let part = base.get(from..from.checked_add(n)?)?;
        if part.iter().all(u8::is_ascii_digit) { std::str::from_utf8(part).ok()?.parse().ok() } else { None }
    };
    let plausible = |y: i32, m: i32, d: i32| -> Option<i64> {
        if (1990..2100).contains(&y) { days_from_date(y, u32::try_from(m).ok()?, u32::try_from(d).ok()?) } else { None }
    };
    for at in 0..base.len() {
        let starts = at == 0 || !base[at - 1].is_ascii_digit();
        if !starts {
            continue;
        }
        let separator = base.get(at + 4).copied();
        if let (Some(sep @ (b'-' | b'_' | b'.')), Some(y), Some(m), Some(d)) =
            (separator, digits(at, 4), digits(at + 5, 2), digits(at + 8, 2))
            && base.get(at + 7) == Some(&sep)
            && let Some(day) = plausible(y, m, d)
        {
            return Some(day);
        }
        let run = base[at..].iter().take_while(|b| b.is_ascii_digit()).count();
        if matches!(run, 8 | 10 | 12 | 14)
            && let (Some(y), Some(m), Some(d)) = (digits(at, 4), digits(at + 4, 2), digits(at + 6, 2))
            && let Some(day) = plausible(y, m, d)
        {
            return Some(day);
        }
        if run == 11
            && let (Some(y), Some(doy)) = (digits(at, 4), digits(at + 4, 3))
            && (1990..2100).contains(&y)
            && let Some(day) = days_from_year_day(y, u32::try_from(doy).ok()?)
        {
            return Some(day);
        }
    }
    // RINEX short name: four characters, three digits of day, session, dot, two digits of year, type letter.
    if let (Some(doy), Some(b'.'), Some(yy)) = (digits(4, 3), base.get(8), digits(9, 2))
        && base
            .get(11)
            .is_some_and(|c| matches!(c.to_ascii_lowercase(), b'o' | b'd' | b'n' | b'g' | b'p' | b'l' | b'h'))
    {
        return days_from_year_day(year_from_two_digits(yy), u32::try_from(doy).ok()?);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> UtcMs {
        parse_utc(text).unwrap()
    }

    #[test]
    fn scales_agree_with_the_worked_conversions() {
        // Worked conversions: weeks and seconds computed in two independent ways from IS-GPS-200 §3.3.4 and IERS Bulletin C.
        for (text, week, tow_ms) in [
            ("1980-01-06T00:00:00Z", 0, 0),
            ("1999-08-21T23:59:47Z", 1024, 0),
            ("2006-01-01T00:00:00Z", 1356, 14_000),
            ("2016-12-31T23:59:59Z", 1930, 16_000),
            ("2017-01-01T00:00:00Z", 1930, 18_000),
            ("2019-04-06T23:59:42Z", 2048, 0),
            ("2020-02-29T12:00:00Z", 2094, 561_618_000),
            ("2024-05-11T02:00:00Z", 2313, 525_618_000),
            ("2026-03-01T06:07:08.5Z", 2408, 22_046_500),
        ] {
            assert_eq!(gps_week(utc_to_gps(utc(text))), (week, tow_ms), "{text}");
            assert_eq!(gps_to_utc(week * WEEK_MS + tow_ms), utc(text), "{text}");
        }
    }

    #[test]
    fn dates_in_names() {
        let day = days_from_date(2026, 5, 4);
        assert_eq!(date_in_name("logs/ex14_2026-05-04_0600.nmea"), day);
        assert_eq!(date_in_name("20260504.log"), day);
        assert_eq!(date_in_name("BASE00XXX_R_20261240000_01D_30S_MO.rnx"), day);
        assert_eq!(date_in_name("base1240.26o"), day);
        assert_eq!(date_in_name("04052026.log"), None); // day first is not guessed
        assert_eq!(date_in_name("EX-14.nmea"), None);
    }

    #[test]
    fn times_without_a_zone_are_utc() {
        assert_eq!(utc("2026-05-04"), utc("2026-05-04T00:00:00Z"));
        assert_eq!(utc("2026-05-04 06:00:00"), utc("2026-05-04T08:00:00+02:00"));
        assert_eq!(rfc3339(utc("2026-05-04T06:00:00.25Z")), "2026-05-04T06:00:00.250Z");
    }
}
