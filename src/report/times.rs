//! Times for people: the site's zone first, UTC beside it.

use super::text::name;
use crate::model::time::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, UtcMs, parse_utc};
use chrono::{DateTime, Duration, NaiveDate, NaiveDateTime, TimeZone, Utc};
use chrono_tz::Tz;

/// The zone of a site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Zone {
    tz: Tz,
}

/// A label on the time axis.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    /// Where.
    pub(super) at: UtcMs,
    /// In the site's zone.
    pub(super) local: String,
    /// In UTC.
    pub(super) utc: String,
}

impl Zone {
    /// UTC.
    pub(super) const UTC: Self = Self { tz: Tz::UTC };

    /// An IANA name; UTC when it is none.
    pub(super) fn named(name: &str) -> Self {
        Self { tz: name.trim().parse().unwrap_or(Tz::UTC) }
    }

    /// True when local time is UTC by name.
    pub(super) fn is_utc(self) -> bool {
        matches!(self.tz, Tz::UTC | Tz::Etc__UTC | Tz::Etc__GMT | Tz::GMT)
    }

    /// The IANA name. A zone that is nothing but an offset is named by it: `Etc/GMT+10` is 10 h behind, whatever its sign says.
    pub(super) fn title(self) -> String {
        if self.is_utc() {
            return "UTC".to_owned();
        }
        let name = self.tz.name();
        match name.strip_prefix("Etc/GMT").map(|hours| hours.split_at(usize::from(!hours.is_empty()))) {
            Some(("+", hours)) => format!("UTC-{hours:0>2}"),
            Some(("-", hours)) => format!("UTC+{hours:0>2}"),
            _ => name.to_owned(),
        }
    }

    fn local(self, utc: DateTime<Utc>) -> DateTime<Tz> {
        utc.with_timezone(&self.tz)
    }

    /// `Mon 2026-05-04 09:05 to 11:20 CEST (07:05 to 09:20 UTC)`; the date stands again only where it changes. Text that is
    /// no time is shown as it is.
    pub(super) fn span(self, from: &str, to: &str) -> String {
        match (parse_utc(from), parse_utc(to)) {
            (Some(a), Some(b)) => self.span_ms(a, b),
            _ if from.is_empty() && to.is_empty() => "time not known".to_owned(),
            _ if from == to || to.is_empty() => name(from),
            _ => format!("{} to {}", name(from), name(to)),
        }
    }

    /// The same in whole minutes, outwards: for a window or a complaint, whose seconds nobody means.
    pub(super) fn span_min(self, from: &str, to: &str) -> String {
        match (parse_utc(from), parse_utc(to)) {
            (Some(a), Some(b)) => self.span_ms_min(a, b),
            _ => self.span(from, to),
        }
    }

    /// The same of times in ms.
    pub(super) fn span_ms_min(self, from: UtcMs, to: UtcMs) -> String {
        self.span_ms(
            from.div_euclid(MINUTE_MS) * MINUTE_MS,
            to.saturating_add(MINUTE_MS - 1).div_euclid(MINUTE_MS) * MINUTE_MS,
        )
    }

    /// A moment to the minute: `Mon 2026-05-04 09:05 CEST (07:05 UTC)`.
    pub(super) fn moment_min(self, at: &str) -> String {
        match parse_utc(at).map(|t| t.div_euclid(MINUTE_MS) * MINUTE_MS) {
            Some(t) => self.span_ms(t, t),
            None => self.span(at, at),
        }
    }

    /// The same of times in ms.
    pub(super) fn span_ms(self, from: UtcMs, to: UtcMs) -> String {
        let (Some(a), Some(b)) = (DateTime::from_timestamp_millis(from), DateTime::from_timestamp_millis(to)) else {
            return "time not known".to_owned();
        };
        let seconds = [from, to].iter().any(|t| t.rem_euclid(MINUTE_MS) != 0);
        let clock = if seconds { "%H:%M:%S" } else { "%H:%M" };
        let (la, lb) = (self.local(a), self.local(b));
        let end = if to == from {
            String::new()
        } else if la.date_naive() == lb.date_naive() {
            format!(" to {}", lb.format(clock))
        } else {
            format!(" to {} {}", lb.format("%a %Y-%m-%d"), lb.format(clock))
        };
        let begin = format!("{} {}", la.format("%a %Y-%m-%d"), la.format(clock));
        if self.is_utc() {
            return format!("{begin}{end} UTC");
        }
        let date = |utc: DateTime<Utc>, local: NaiveDate| -> String {
            if utc.date_naive() == local { String::new() } else { utc.format("%Y-%m-%d ").to_string() }
        };
        let utc_end = if to == from {
            String::new()
        } else if a.date_naive() == b.date_naive() {
            format!(" to {}", b.format(clock))
        } else {
            format!(" to {}{}", date(b, lb.date_naive()), b.format(clock))
        };
        // Zones without letters of their own give their offset, which alone reads like a number.
        let mut zone = lb.format("%Z").to_string();
        if zone.starts_with(['+', '-']) {
            let offset = lb.format("%:z").to_string();
            zone = format!("UTC{}", offset.strip_suffix(":00").unwrap_or(&offset));
        }
        format!("{begin}{end} {zone} ({}{}{utc_end} UTC)", date(a, la.date_naive()), a.format(clock))
    }

    /// The local day of a time: `Mon 2026-05-04`.
    pub(super) fn day(self, at: UtcMs) -> String {
        DateTime::from_timestamp_millis(at)
            .map_or_else(|| "day not known".to_owned(), |t| self.local(t).format("%a %Y-%m-%d").to_string())
    }

    /// Ticks of an axis: at most about eight, on round local times.
    pub(super) fn ticks(self, from: UtcMs, to: UtcMs) -> Vec<Tick> {
        const STEPS_H: [i64; 9] = [1, 2, 3, 6, 12, 24, 48, 168, 720];
        let span = to.saturating_sub(from);
        let (Some(first), true) = (DateTime::from_timestamp_millis(from), span > 0) else {
            return Vec::new();
        };
        let step_h = STEPS_H.into_iter().find(|h| span / (h * HOUR_MS) <= 8).unwrap_or(span / (8 * HOUR_MS) + 1);
        let Some(midnight) = self.local(first).date_naive().and_hms_opt(0, 0, 0) else {
            return Vec::new();
        };
        let mut ticks = Vec::new();
        for n in 0..=(span / (step_h * HOUR_MS) + 24 / step_h.min(24) + 1) {
            let Some(local) = midnight.checked_add_signed(Duration::hours(n.saturating_mul(step_h))) else { break };
            let Some(at) = self.to_utc(local) else { continue };
            if at < from || at > to {
                continue;
            }
            let Some(utc) = DateTime::from_timestamp_millis(at) else { continue };
            let (date, clock) = ("%a %d %b", "%H:%M");
            let by_day = step_h >= 24;
            ticks.push(Tick {
                at,
                local: local.format(if by_day || local.time() == midnight.time() { date } else { clock }).to_string(),
                utc: utc.format(if by_day { "%d %b %H:%M" } else { clock }).to_string(),
            });
        }
        ticks
    }

    /// A local time as UTC; `None` in the hour that a change of clocks leaves out.
    fn to_utc(self, local: NaiveDateTime) -> Option<UtcMs> {
        self.tz.from_local_datetime(&local).earliest().map(|t| t.timestamp_millis())
    }
}

/// A length of time in words: `45 s`, `12 min`, `2.1 h`, `6.0 days`.
pub(super) fn duration(ms: i64) -> String {
    match ms.max(0) {
        ms if ms < MINUTE_MS => format!("{:.0} s", ms as f64 / SECOND_MS as f64),
        ms if ms < HOUR_MS => format!("{:.0} min", ms as f64 / MINUTE_MS as f64),
        ms if ms < 2 * DAY_MS => format!("{:.1} h", ms as f64 / HOUR_MS as f64),
        ms => format!("{:.1} days", ms as f64 / DAY_MS as f64),
    }
}

/// The length between two RFC 3339 times in words; empty when one cannot be read.
pub(super) fn duration_between(from: &str, to: &str) -> String {
    match (parse_utc(from), parse_utc(to)) {
        (Some(a), Some(b)) => duration(b.saturating_sub(a)),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zone_first_and_utc_beside() {
        // Central European summer time is UTC+2 in May (EU directive 2000/84/EC); Kathmandu is UTC+5:45.
        let zurich = Zone::named("Europe/Zurich");
        assert_eq!(
            zurich.span("2026-05-04T07:05:00Z", "2026-05-04T09:20:00Z"),
            "Mon 2026-05-04 09:05 to 11:20 CEST (07:05 to 09:20 UTC)"
        );
        assert_eq!(
            zurich.span("2026-05-03T22:30:00Z", "2026-05-04T00:30:05Z"),
            "Mon 2026-05-04 00:30:00 to 02:30:05 CEST (2026-05-03 22:30:00 to 00:30:05 UTC)"
        );
        assert_eq!(
            Zone::named("Asia/Kathmandu").span("2026-05-04T00:00:00Z", "2026-05-04T00:00:00Z"),
            "Mon 2026-05-04 05:45 UTC+05:45 (00:00 UTC)"
        );
        assert_eq!(Zone::named("no/where").span("2026-05-04", ""), "2026-05-04");
        assert_eq!(
            Zone::UTC.span("2026-05-04T01:00:00Z", "2026-05-05T01:00:00Z"),
            "Mon 2026-05-04 01:00 to Tue 2026-05-05 01:00 UTC"
        );
        assert_eq!(Zone::UTC.span("", ""), "time not known");
        // Ten hours east: the UTC date is another one, and stands once.
        assert_eq!(
            Zone::named("Etc/GMT-10").span_min("2026-05-09T22:34:47Z", "2026-05-09T23:03:01Z"),
            "Sun 2026-05-10 08:34 to 09:04 UTC+10 (2026-05-09 22:34 to 23:04 UTC)"
        );
        assert_eq!(Zone::UTC.span_min("soon", ""), "soon");
        assert_eq!(Zone::UTC.moment_min("2026-05-09T22:34:47Z"), "Sat 2026-05-09 22:34 UTC");
        assert_eq!(Zone::UTC.moment_min("soon"), "soon");
    }

    #[test]
    fn a_bare_offset_is_named_with_the_sign_that_people_mean() {
        assert_eq!(Zone::named("Etc/GMT+10").title(), "UTC-10");
        assert_eq!(Zone::named("Etc/GMT-2").title(), "UTC+02");
        assert_eq!(Zone::named("Etc/GMT").title(), "UTC");
        assert_eq!(Zone::named("Europe/Zurich").title(), "Europe/Zurich");
    }

    #[test]
    fn ticks_stand_on_local_midnights_also_over_a_change_of_clocks() {
        // Clocks go from 2 to 3 o'clock on 2026-03-29 in Zurich: midnight is 23:00 UTC before and 22:00 UTC after.
        let at = |t: &str| parse_utc(t).unwrap_or_default();
        let ticks = Zone::named("Europe/Zurich").ticks(at("2026-03-27T00:00:00Z"), at("2026-03-31T00:00:00Z"));
        let days: Vec<i64> = ticks.iter().filter(|t| t.local.contains("Mar")).map(|t| t.at).collect();
        assert_eq!(
            days,
            ["2026-03-27T23:00:00Z", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z", "2026-03-30T22:00:00Z"].map(at)
        );
        assert!(Zone::UTC.ticks(5, 5).is_empty());
        for days in [1, 2, 7, 31, 400] {
            let n = Zone::UTC.ticks(0, days * DAY_MS).len();
            assert!((3..=10).contains(&n), "{days} days: {n} ticks");
        }
    }
}
