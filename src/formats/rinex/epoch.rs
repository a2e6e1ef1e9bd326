//! Epoch lines of both versions (RINEX 2.11 table A2, RINEX 3.05 table A3).

use super::fields::{columns, float, int, trim};
use super::header::calendar_ms;
use crate::model::ids::{Sat, System};
use crate::model::time::year_from_two_digits;

/// An epoch line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Epoch {
    /// Calendar time in the file's scale, ms since 1970; events may have none.
    pub calendar_ms: Option<i64>,
    /// 0 and 1 observations, 2 to 5 events, 6 cycle slips.
    pub flag: u8,
    /// Satellites, or lines of an event.
    pub count: usize,
    /// The second was 60 or more.
    pub second_60: bool,
}

/// Column where the satellites of a compact (and version 2) epoch line begin.
pub(crate) const SATELLITES_V2: usize = 32;
/// The same of a compact version 3 epoch line.
pub(crate) const SATELLITES_V3: usize = 41;

struct Layout {
    /// Year, month, day, hour, minute, second, flag, count: first and past-the-last column.
    at: [(usize, usize); 8],
}

const V2: Layout = Layout { at: [(1, 3), (4, 6), (7, 9), (10, 12), (13, 15), (15, 26), (28, 29), (29, 32)] };
const V3: Layout = Layout { at: [(2, 6), (7, 9), (10, 12), (13, 15), (16, 18), (18, 29), (31, 32), (32, 35)] };

/// Reads an epoch line of version 2.
pub(crate) fn version_2(line: &[u8]) -> Result<Epoch, &'static str> {
    read(line, &V2, true)
}

/// Reads an epoch line of version 3 or 4.
pub(crate) fn version_3(line: &[u8]) -> Result<Epoch, &'static str> {
    read(line, &V3, false)
}

fn read(line: &[u8], layout: &Layout, short_year: bool) -> Result<Epoch, &'static str> {
    let field = |i: usize| layout.at.get(i).map_or(&line[..0], |(from, to)| columns(line, *from, *to));
    let flag = match trim(field(6)) {
        [] => 0,
        [d @ b'0'..=b'6'] => d - b'0',
        _ => return Err("the epoch flag is not 0 to 6"),
    };
    let count = int(field(7)).and_then(|n| usize::try_from(n).ok());
    let Some(count) = count.or((2..=5).contains(&flag).then_some(0)) else {
        return Err("the number of satellites cannot be read");
    };
    let mut second_60 = false;
    let mut time = || {
        let year = int(field(0))?;
        let year = if short_year { i64::from(year_from_two_digits(year.try_into().ok()?)) } else { year };
        let second = float(field(5))?;
        second_60 = second >= 60.0;
        calendar_ms(year, int(field(1))?, int(field(2))?, int(field(3))?, int(field(4))?, second)
    };
    let calendar_ms = time();
    if calendar_ms.is_none() && !(2..=6).contains(&flag) {
        return Err("the time of the epoch cannot be read");
    }
    Ok(Epoch { calendar_ms, flag, count, second_60 })
}

/// Whether a line can only be an epoch line of version 2: its decimal points stand where no observation has them.
#[inline]
pub(crate) fn is_version_2(line: &[u8]) -> bool {
    if line.get(18) == Some(&b'.') {
        return line.get(10) != Some(&b'.') && version_2(line).is_ok_and(|e| e.calendar_ms.is_some());
    }
    is_event_version_2(line)
}

/// Event lines may have no time: blanks up to the flag.
fn is_event_version_2(line: &[u8]) -> bool {
    matches!(line.get(28), Some(b'2'..=b'5'))
        && columns(line, 0, 28).iter().all(|b| *b == b' ')
        && int(columns(line, 29, 32)).is_some()
        && columns(line, 32, line.len()).iter().all(|b| *b == b' ')
}

/// A satellite in three columns; a blank letter is the file's own system.
#[inline]
pub(crate) fn satellite(field: &[u8], blank: System) -> Option<Sat> {
    let [letter, tens, ones] = *field.first_chunk::<3>()?;
    let system = if letter == b' ' { blank } else { System::from_letter(letter.to_ascii_uppercase())? };
    let tens = match tens {
        b' ' => 0,
        b'0'..=b'9' => tens - b'0',
        _ => return None,
    };
    let number = tens * 10 + if ones.is_ascii_digit() { ones - b'0' } else { return None };
    (number > 0).then(|| Sat::new(system, number))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::parse_utc;

    #[test]
    fn epochs_of_both_versions() {
        // Lines in the form of the examples of RINEX 2.11 (table A7) and 3.05 (table A11).
        let e = version_2(b" 05  3 24 13 10 36.0000000  0  4G12G 9G 6E11                         -.123456789").unwrap();
        assert_eq!(e.calendar_ms, parse_utc("2005-03-24T13:10:36Z"));
        assert_eq!((e.flag, e.count), (0, 4));
        let e = version_3(b"> 2006 03 24 13 10 36.9960000  1  5      -0.123456789012").unwrap();
        assert_eq!(e.calendar_ms, parse_utc("2006-03-24T13:10:36.996Z"));
        assert_eq!((e.flag, e.count), (1, 5));
        assert!(is_version_2(b"                            4  2"));
        assert!(version_3(b"> 2006 13 24 13 10 36.9960000  0  5").is_err());
        assert!(version_2(b" 10  3  5  0  0 0 .0000000  0  8G13").is_err());
        assert_eq!(satellite(b" 7x", System::Gps), None);
        assert_eq!(satellite(b"  7", System::Glonass).map(|s| s.to_string()).as_deref(), Some("R07"));
    }
}
