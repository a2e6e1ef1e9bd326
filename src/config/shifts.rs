//! Working hours of a site: `"Mon-Fri 06:00-18:00"`, may cross midnight, `24:00` allowed; in the site's time zone.

use crate::model::time::UtcMs;
use chrono::{DateTime, Datelike, TimeZone, Timelike, Utc};
use chrono_tz::Tz;

/// One line of working hours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// Weekdays on which it begins, Monday first.
    days: [bool; 7],
    /// Begin, minutes of the local day.
    from_min: u32,
    /// End, minutes of the local day; at or before the begin: on the next day.
    to_min: u32,
}

const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

impl Shift {
    /// Reads `Mon-Fri 06:00-18:00`, `Sat 07:00-12:00`, `Mon,Wed 22:00-06:00` or `06:00-18:00` (every day).
    ///
    /// # Errors
    /// What was found and what is expected.
    pub fn parse(text: &str) -> Result<Shift, String> {
        let wrong = || format!("`{text}`: expected working hours like \"Mon-Fri 06:00-18:00\"");
        let text_trimmed = text.trim();
        let (day_part, hours) = match text_trimmed.rsplit_once(char::is_whitespace) {
            Some((d, h)) => (d.trim(), h.trim()),
            None => ("Mon-Sun", text_trimmed),
        };
        let mut days = [false; 7];
        for part in day_part.split(',') {
            let index = |name: &str| {
                let name = name.trim().to_ascii_lowercase();
                DAYS.iter().position(|d| name.len() >= 2 && name.starts_with(&d[..name.len().min(3)])).ok_or_else(wrong)
            };
            match part.split_once('-') {
                Some((a, b)) => {
                    let (mut at, last) = (index(a)?, index(b)?);
                    loop {
                        days[at] = true;
                        if at == last {
                            break;
                        }
                        at = (at + 1) % 7;
                    }
                }
                None => days[index(part)?] = true,
            }
        }
        let (from, to) = hours.split_once('-').ok_or_else(wrong)?;
        let minutes = |t: &str| -> Result<u32, String> {
            let (h, m) = t.trim().split_once(':').ok_or_else(wrong)?;
            let (h, m): (u32, u32) = (h.parse().map_err(|_| wrong())?, m.parse().map_err(|_| wrong())?);
            if h > 24 || m > 59 || (h == 24 && m > 0) { Err(wrong()) } else { Ok(h * 60 + m) }
        };
        Ok(Shift { days, from_min: minutes(from)?, to_min: minutes(to)? })
    }

    fn holds(&self, weekday: usize, minute: u32) -> bool {
        if self.to_min > self.from_min {
            return self.days[weekday] && (self.from_min..self.to_min).contains(&minute);
        }
        // Over midnight: the evening part belongs to its day, the morning part to the day before.
        (self.days[weekday] && minute >= self.from_min) || (self.days[(weekday + 6) % 7] && minute < self.to_min)
    }
}

/// Whether a time is inside any of the shifts; without shifts every time is.
pub fn in_shifts(shifts: &[Shift], zone: Tz, utc: UtcMs) -> bool {
    if shifts.is_empty() {
        return true;
    }
    let Some(local) = DateTime::<Utc>::from_timestamp_millis(utc).map(|t| t.with_timezone(&zone)) else { return false };
    let weekday = local.weekday().num_days_from_monday() as usize;
    let minute = local.hour() * 60 + local.minute();
    shifts.iter().any(|s| s.holds(weekday, minute))
}

/// A local time of a zone as UTC; the earlier one where the clock is set back, and moved on by an hour where it is skipped.
pub fn local_to_utc(zone: Tz, local_ms: UtcMs) -> UtcMs {
    let Some(naive) = DateTime::<Utc>::from_timestamp_millis(local_ms).map(|t| t.naive_utc()) else { return local_ms };
    match zone.from_local_datetime(&naive).earliest() {
        Some(t) => t.timestamp_millis(),
        None => local_to_utc(zone, local_ms + 3_600_000),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::parse_utc;

    fn at(text: &str) -> UtcMs {
        parse_utc(text).unwrap()
    }

    #[test]
    fn hours_are_those_of_the_sites_zone() {
        let shifts = [Shift::parse("Mon-Fri 06:00-18:00").unwrap()];
        let zone: Tz = "Etc/GMT-2".parse().unwrap(); // UTC+2
        assert!(in_shifts(&shifts, zone, at("2026-05-04T04:00:00Z")));
        assert!(!in_shifts(&shifts, zone, at("2026-05-04T03:59:59Z")));
        assert!(!in_shifts(&shifts, zone, at("2026-05-04T16:00:00Z")));
        assert!(!in_shifts(&shifts, zone, at("2026-05-09T10:00:00Z"))); // Saturday
    }

    #[test]
    fn a_night_shift_crosses_midnight() {
        let shifts = [Shift::parse("Fri 22:00-06:00").unwrap()];
        assert!(in_shifts(&shifts, Tz::UTC, at("2026-05-08T23:00:00Z")));
        assert!(in_shifts(&shifts, Tz::UTC, at("2026-05-09T05:59:00Z")));
        assert!(!in_shifts(&shifts, Tz::UTC, at("2026-05-08T05:00:00Z")));
        assert!(in_shifts(&[Shift::parse("Sat-Sun 00:00-24:00").unwrap()], Tz::UTC, at("2026-05-10T23:59:00Z")));
    }

    #[test]
    fn what_is_no_shift_is_told() {
        for bad in ["", "Mon", "Mon-Fri 6-18", "Foo 06:00-18:00", "Mon 06:00-24:30", "Mon 25:00-26:00"] {
            assert!(Shift::parse(bad).is_err(), "{bad}");
        }
    }
}
