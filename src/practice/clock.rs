//! Time scales of the practice world: UTC Unix seconds inside, broadcast scales at the edge.
//!
//! Scenarios start in 2017 or later, so GPST - UTC is 18 s throughout (IERS Bulletin C 52); BDT = GPST - 14 s
//! (BDS-SIS-ICD 3.3); GLONASS time = UTC + 3 h (GLONASS ICD 5.1, 3.3.3).

/// GPST - UTC in seconds since 2017-01-01.
pub(super) const LEAP_S: i64 = 18;
/// Whether a receiver that logs every `interval_s` seconds has an epoch now: it counts in GPS time.
pub(super) fn on_beat(t: i64, interval_s: i64) -> bool {
    (t + LEAP_S).rem_euclid(interval_s.max(1)) == 0
}

/// Unix time of the GPS epoch, 1980-01-06.
const GPS_EPOCH: i64 = 315_964_800;
/// Seconds of a week.
pub(super) const WEEK_S: i64 = 604_800;

/// Days since 1970-01-01 of a civil date (proleptic Gregorian).
pub(super) fn days_of(y: i64, m: i64, d: i64) -> i64 {
    let y = if m <= 2 { y - 1 } else { y };
    let era = y.div_euclid(400);
    let yoe = y.rem_euclid(400);
    let doy = (153 * ((m + 9) % 12) + 2) / 5 + d - 1;
    era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
}

/// Civil date of days since 1970-01-01.
pub(super) fn civil(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let d = doy - (153 * mp + 2) / 5 + 1;
    let m = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + i64::from(m <= 2), m, d)
}

/// `2026-05-04T06:00:00Z`.
pub(super) fn rfc3339(t: i64) -> String {
    let (y, m, d) = civil(t.div_euclid(86_400));
    let s = t.rem_euclid(86_400);
    format!("{y:04}-{m:02}-{d:02}T{:02}:{:02}:{:02}Z", s / 3600, s / 60 % 60, s % 60)
}

/// `2026-05-04`.
pub(super) fn date(t: i64) -> String {
    let (y, m, d) = civil(t.div_euclid(86_400));
    format!("{y:04}-{m:02}-{d:02}")
}

/// Reads `YYYY-MM-DD` into the Unix time of its midnight, UTC.
pub(super) fn parse_date(text: &str) -> Option<i64> {
    let mut p = text.split('-');
    let (y, m, d) = (p.next()?.parse().ok()?, p.next()?.parse().ok()?, p.next()?.parse().ok()?);
    if p.next().is_some() || !(1..=12).contains(&m) || !(1..=31).contains(&d) {
        return None;
    }
    let days = days_of(y, m, d);
    (civil(days) == (y, m, d)).then_some(days * 86_400)
}

/// Seconds since the GPS epoch in GPS time.
pub(super) fn gpst(t: i64) -> i64 {
    t - GPS_EPOCH + LEAP_S
}

/// GPS week and second of week.
pub(super) fn gps_week(t: i64) -> (i64, i64) {
    let g = gpst(t);
    (g.div_euclid(WEEK_S), g.rem_euclid(WEEK_S))
}

/// BeiDou second of week (BDT).
pub(super) fn bdt_sow(t: i64) -> i64 {
    (gpst(t) - 14).rem_euclid(WEEK_S)
}

/// GLONASS day of week (0 = Sunday) and second of day, in GLONASS time.
pub(super) fn glonass(t: i64) -> (i64, i64) {
    let g = t + 10_800;
    ((g.div_euclid(86_400) + 4).rem_euclid(7), g.rem_euclid(86_400))
}

/// Modified Julian day and second of day, UTC.
pub(super) fn mjd(t: i64) -> (i64, i64) {
    (t.div_euclid(86_400) + 40_587, t.rem_euclid(86_400))
}

#[cfg(test)]
mod tests {
    use super::*;

    // check-values 1.3 (week and TOW by two independent calculations) and 1.4.
    #[test]
    fn worked_conversions() {
        let t = days_of(2026, 3, 3) * 86_400 + 43_182;
        assert_eq!(gps_week(t), (2408, 216_000));
        assert_eq!(bdt_sow(t), 215_986);
        assert_eq!(glonass(t), (2, 53_982));
        assert_eq!(mjd(t).0, 61_102);
        let t = days_of(2025, 6, 30) * 86_400 + 86_382;
        assert_eq!(gps_week(t), (2373, 172_800));
        assert_eq!(rfc3339(t), "2025-06-30T23:59:42Z");
        assert_eq!(parse_date("2020-02-29"), Some(days_of(2020, 2, 29) * 86_400));
        assert_eq!(parse_date("2021-02-29"), None);
    }
}
