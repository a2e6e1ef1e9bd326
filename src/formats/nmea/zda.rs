//! ZDA: UTC time and full date.
//!
//! ```text
//! --ZDA,hhmmss.ss,dd,mm,yyyy,zone hours,zone minutes
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.6. Time and date are UTC whatever the zone says. It opens no epoch: real
//! receivers stamp it some ms after the position of the same epoch.

use super::field::{Fields, time_of_day, whole};
use crate::model::time::days_from_date;

/// Day since 1970 and ms of the day; `None` while the receiver has no date.
pub(super) fn read(f: &Fields<'_>) -> Option<(i64, i64)> {
    let year = i32::try_from(whole(f.get(4))?).ok()?;
    let day = days_from_date(year, whole(f.get(3))?, whole(f.get(2))?)?;
    Some((day, time_of_day(f.get(1))?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_sentence() {
        // check-values 2.1.
        let read = |text: &str| read(&Fields::of(text.as_bytes()));
        assert_eq!(read("GNZDA,120000.00,01,03,2026,00,00"), Some((days_from_date(2026, 3, 1).unwrap(), 43_200_000)));
        assert_eq!(read("GPZDA,000427.00,22,08,1999,,").map(|z| z.0), days_from_date(1999, 8, 22));
        assert_eq!(read("GPZDA,,,,,,"), None);
    }
}
