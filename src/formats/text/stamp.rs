//! Times as text files write them: RFC 3339 fast, anything else refused rather than guessed.

use crate::model::time::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, UtcMs, days_from_date, parse_utc};

/// Rows outside of these years come from a clock that was never set.
const EARLIEST_MS: UtcMs = 7_305 * DAY_MS; // 1990-01-01
const LATEST_MS: UtcMs = 47_482 * DAY_MS; // 2100-01-01

/// Why a time was not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BadTime {
    /// The field is empty.
    Missing,
    /// Not RFC 3339.
    Form,
    /// Digits and slashes or dots: day and month cannot be told apart.
    DateOrder,
    /// Before 1990 or after 2100.
    ClockNotSet,
}

impl BadTime {
    /// What was met, and what to do.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            BadTime::Missing => ("a row without a time", "the row was left out"),
            BadTime::Form => (
                "a time that is not RFC 3339",
                "write times like 2026-05-04T06:00:00Z, or name the format in a [[column_map]]",
            ),
            BadTime::DateOrder => (
                "a time whose date order is not known",
                "write times like 2026-05-04T06:00:00Z, or name the format in a [[column_map]] (time_format = \"%d/%m/%Y %H:%M:%S\")",
            ),
            BadTime::ClockNotSet => (
                "a time before 1990 or after 2100: the unit's clock was not set",
                "the row cannot be placed in time and was left out",
            ),
        }
    }
}

/// A time within the years in use.
///
/// # Errors
/// [`BadTime::ClockNotSet`] outside of them.
pub fn plausible(t: UtcMs) -> Result<UtcMs, BadTime> {
    if (EARLIEST_MS..LATEST_MS).contains(&t) { Ok(t) } else { Err(BadTime::ClockNotSet) }
}

/// RFC 3339 with or without a zone (then UTC), date alone, blank instead of `T`.
///
/// # Errors
/// Anything else; day-first and month-first forms are never guessed.
pub fn utc(bytes: &[u8]) -> Result<UtcMs, BadTime> {
    if bytes.is_empty() {
        return Err(BadTime::Missing);
    }
    if let Some(t) = fast(bytes) {
        return plausible(t);
    }
    let Ok(text) = std::str::from_utf8(bytes) else { return Err(BadTime::Form) };
    if let Some(t) = parse_utc(text) {
        return plausible(t);
    }
    let first = bytes.iter().take_while(|b| b.is_ascii_digit()).count();
    if (1..=2).contains(&first) && matches!(bytes.get(first), Some(b'/' | b'.' | b'-')) {
        return Err(BadTime::DateOrder);
    }
    Err(BadTime::Form)
}

/// `2026-05-04T06:00:00[.fff][Z|+hh:mm]`, the form of nearly every row.
fn fast(bytes: &[u8]) -> Option<UtcMs> {
    let day = days(bytes.get(..10)?)?;
    if !matches!(bytes.get(10)?, b'T' | b't' | b' ') {
        return None;
    }
    let (of_day, rest) = clock(bytes.get(11..)?)?;
    let local = day * DAY_MS + of_day;
    match rest {
        [] | [b'Z' | b'z'] => Some(local),
        [sign @ (b'+' | b'-'), h1, h2, b':', m1, m2] => {
            let (h, m) = (two(*h1, *h2)?, two(*m1, *m2)?);
            if h > 23 || m > 59 {
                return None;
            }
            let ahead = h * HOUR_MS + m * MINUTE_MS;
            Some(if *sign == b'+' { local - ahead } else { local + ahead })
        }
        _ => None,
    }
}

fn days(bytes: &[u8]) -> Option<i64> {
    let [y1, y2, y3, y4, b'-', m1, m2, b'-', d1, d2] = *bytes else { return None };
    let year = two(y1, y2)? * 100 + two(y3, y4)?;
    days_from_date(i32::try_from(year).ok()?, u32::try_from(two(m1, m2)?).ok()?, u32::try_from(two(d1, d2)?).ok()?)
}

/// `hh:mm:ss[.f...]` to ms of day and what follows. Digits beyond the millisecond are cut.
pub fn clock(bytes: &[u8]) -> Option<(i64, &[u8])> {
    let [h1, h2, b':', m1, m2, b':', s1, s2, rest @ ..] = bytes else { return None };
    let (h, m, s) = (two(*h1, *h2)?, two(*m1, *m2)?, two(*s1, *s2)?);
    if h > 23 || m > 59 || s > 60 {
        return None;
    }
    let mut ms = h * HOUR_MS + m * MINUTE_MS + s * SECOND_MS;
    let mut rest = rest;
    if let [b'.' | b',', tail @ ..] = rest {
        let digits = tail.iter().take_while(|b| b.is_ascii_digit()).count();
        if digits == 0 {
            return None;
        }
        let mut scale = 100;
        for d in tail.iter().take(digits.min(3)) {
            ms += i64::from(d - b'0') * scale;
            scale /= 10;
        }
        rest = tail.get(digits..)?;
    }
    Some((ms, rest))
}

fn two(a: u8, b: u8) -> Option<i64> {
    (a.is_ascii_digit() && b.is_ascii_digit()).then(|| i64::from(a - b'0') * 10 + i64::from(b - b'0'))
}

/// A number; a decimal comma only where the separator is `;`. `None` for anything else, infinities included.
pub fn number(bytes: &[u8], decimal_comma: bool) -> Option<f64> {
    let text = std::str::from_utf8(bytes).ok()?;
    let value: f64 = if decimal_comma && text.contains(',') && !text.contains('.') {
        text.replacen(',', ".", 1).parse().ok()?
    } else {
        text.parse().ok()?
    };
    value.is_finite().then_some(value)
}

/// Words that loggers write for "no value".
pub fn is_no_value(bytes: &[u8]) -> bool {
    bytes.is_empty()
        || [&b"nan"[..], b"na", b"n/a", b"null", b"none", b"-", b"--"].iter().any(|w| bytes.eq_ignore_ascii_case(w))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::rfc3339;

    #[test]
    fn the_examples_of_rfc_3339() {
        // RFC 3339 section 5.8: both of these are the same instants as the UTC forms beside them.
        assert_eq!(utc(b"1996-12-19T16:39:57-08:00"), utc(b"1996-12-20T00:39:57Z"));
        assert_eq!(utc(b"1985-04-12T23:20:50.52Z"), Err(BadTime::ClockNotSet));
        assert_eq!(utc(b"2026-05-04T06:00:00.25").map(rfc3339).as_deref(), Ok("2026-05-04T06:00:00.250Z"));
        assert_eq!(utc(b"2026-05-04").map(rfc3339).as_deref(), Ok("2026-05-04T00:00:00Z"));
    }

    #[test]
    fn the_fast_way_agrees_with_chrono() {
        for text in [
            "2024-02-29T23:59:59.999Z",
            "2026-01-01T00:00:00+14:00",
            "2026-12-31 12:30:01",
            "2100-01-01T00:00:00+05:45",
        ] {
            assert_eq!(fast(text.as_bytes()), parse_utc(text), "{text}");
        }
        for text in ["2025-02-29T00:00:00Z", "2026-05-04T24:00:00Z", "2026-05-04T06:00:00+25:00"] {
            assert_eq!(fast(text.as_bytes()), None, "{text}");
        }
    }

    #[test]
    fn date_order_is_never_guessed() {
        assert_eq!(utc(b"04/05/2026 06:00:00"), Err(BadTime::DateOrder));
        assert_eq!(utc(b"4.5.2026 06:00"), Err(BadTime::DateOrder));
        assert_eq!(utc(b"yesterday"), Err(BadTime::Form));
    }

    #[test]
    fn decimal_comma_only_where_it_is_allowed() {
        assert_eq!(number(b"4,87", true), Some(4.87));
        assert_eq!(number(b"4,87", false), None);
        assert_eq!(number(b"1.234,5", true), None);
        assert_eq!(number(b"inf", false), None);
    }
}
