//! Fields of a sentence and their grammar: numbers, angles, times, dates. Nothing here allocates.

use crate::model::time::{HOUR_MS, MINUTE_MS, SECOND_MS, days_from_date, year_from_two_digits};

/// More fields than any sentence that is used.
const FIELDS_MAX: usize = 64;
/// Powers of ten that are exact in a double.
pub(super) const TENS: [f64; 19] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18];

/// The same as whole numbers, as far as angles need them.
pub(super) const WHOLE_TENS: [u64; 11] =
    [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000, 10_000_000_000];

/// A sentence cut at its commas. Field 0 is the address.
pub(super) struct Fields<'a> {
    body: &'a [u8],
    ends: [u16; FIELDS_MAX],
    count: usize,
}

impl<'a> Fields<'a> {
    /// Cuts what stands between `$` and `*` (shorter than 65 536 bytes).
    #[inline]
    pub(super) fn of(body: &'a [u8]) -> Fields<'a> {
        let mut fields = Fields { body, ends: [0; FIELDS_MAX], count: 0 };
        let (eights, rest) = body.as_chunks::<8>();
        let mut at = 0_usize;
        for eight in eights {
            // Exact marks of the commas of eight bytes: all bytes are below 128.
            let x = u64::from_le_bytes(*eight) ^ 0x2C2C_2C2C_2C2C_2C2C;
            let mut marks = !(x.wrapping_add(0x7F7F_7F7F_7F7F_7F7F) | x) & 0x8080_8080_8080_8080;
            while marks != 0 {
                fields.end(at + (marks.trailing_zeros() / 8) as usize);
                marks &= marks - 1;
            }
            at += 8;
        }
        for (i, byte) in rest.iter().enumerate() {
            if *byte == b',' {
                fields.end(at + i);
            }
        }
        fields.end(body.len());
        fields
    }

    #[inline]
    fn end(&mut self, at: usize) {
        if let Some(end) = self.ends.get_mut(self.count) {
            *end = at as u16;
            self.count += 1;
        }
    }

    /// Number of fields behind the address.
    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.count.saturating_sub(1)
    }

    /// Field `i`, counted from 1 behind the address; empty when there is none.
    #[inline]
    pub(super) fn get(&self, i: usize) -> &'a [u8] {
        if i >= self.count {
            return &[];
        }
        let from = match i.checked_sub(1).and_then(|before| self.ends.get(before)) {
            Some(end) => usize::from(*end) + 1,
            None => 0,
        };
        let to = self.ends.get(i).map_or(0, |end| usize::from(*end));
        self.body.get(from..to).unwrap_or_default()
    }
}

fn trimmed(mut text: &[u8]) -> &[u8] {
    while let [b' ', rest @ ..] = text {
        text = rest;
    }
    while let [rest @ .., b' '] = text {
        text = rest;
    }
    text
}

/// A whole number without sign, up to 9 digits. `None` when empty or not a number.
#[inline]
pub(super) fn whole(text: &[u8]) -> Option<u32> {
    if text.is_empty() || text.len() > 9 {
        return None;
    }
    let mut value = 0_u32;
    for byte in text {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            let shorter = trimmed(text);
            return if shorter.len() < text.len() { whole(shorter) } else { None };
        }
        value = value * 10 + u32::from(digit);
    }
    Some(value)
}

/// Digits of a decimal: value of all digits, how many stand behind the point, whether it is negative.
#[inline]
fn digits(text: &[u8]) -> Option<(u64, usize, bool)> {
    let (negative, unsigned) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, text),
    };
    let mut value = 0_u64;
    let mut decimals = 0_usize;
    let mut seen = 0_usize;
    let mut point = false;
    for byte in unsigned {
        let digit = byte.wrapping_sub(b'0');
        if digit <= 9 {
            // More than 17 digits say nothing that a double can hold.
            if value < 10_000_000_000_000_000 {
                value = value * 10 + u64::from(digit);
                decimals += usize::from(point);
            } else if !point {
                return None;
            }
            seen += 1;
        } else if *byte == b'.' && !point {
            point = true;
        } else {
            let shorter = trimmed(text);
            return if shorter.len() < text.len() { digits(shorter) } else { None };
        }
    }
    (seen > 0).then_some((value, decimals, negative))
}

/// Digits up to the first byte that is none: their value and how many there are (at most `most` are read).
#[inline]
fn run(text: &[u8], most: usize) -> (u64, usize) {
    let (mut value, mut n) = (0, 0);
    for byte in text.iter().take(most) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        value = value * 10 + u64::from(digit);
        n += 1;
    }
    (value, n)
}

/// The form of nearly all numbers, `digits[.digits]` with at most eight and eight: whole part, part behind the point, how
/// many digits that has. `None` for any other form, which is then looked at in full.
#[inline]
fn usual(text: &[u8]) -> Option<(u64, u64, usize)> {
    let (whole, n) = run(text, 8);
    if n == 0 {
        return None;
    }
    match text.get(n..) {
        Some([]) => Some((whole, 0, 0)),
        Some([b'.', behind @ ..]) => {
            let (part, decimals) = run(behind, 8);
            (decimals == behind.len()).then_some((whole, part, decimals))
        }
        _ => None,
    }
}

/// A decimal number, correctly rounded up to 15 digits. `None` when empty or not a number.
#[inline]
pub(super) fn decimal(text: &[u8]) -> Option<f64> {
    if let Some((whole, part, decimals)) = usual(text) {
        // Up to 16 digits: exact where the double is.
        let value = whole * WHOLE_TENS.get(decimals)? + part;
        return Some(value as f64 / TENS.get(decimals)?);
    }
    let (value, decimals, negative) = digits(text)?;
    let value = value as f64 / TENS.get(decimals)?;
    Some(if negative { -value } else { value })
}

/// An angle `[d]ddmm.mmm` with its hemisphere letter, in degrees: whole numbers up to the one division, so the result is
/// the double nearest to the exact value. A sign with a hemisphere: the letter decides for `S` and `W`, the sign for `N`,
/// `E` or no letter. `None` when the field is empty, no number, minutes are 60 or more, or it is beyond `limit` degrees.
#[inline]
pub(super) fn angle(text: &[u8], hemisphere: &[u8], limit: u64) -> Option<f64> {
    let (whole, part, decimals, negative) = match usual(text) {
        Some((whole, part, decimals)) => (whole, part, decimals, false),
        None => {
            let (mut value, mut decimals, negative) = digits(text)?;
            while decimals > 10 {
                value /= 10;
                decimals -= 1;
            }
            let scale = WHOLE_TENS.get(decimals).copied()?;
            (value / scale, value % scale, decimals, negative)
        }
    };
    angle_of(whole, part, decimals, negative, hemisphere, limit)
}

/// The same from the digits of the number.
#[inline]
pub(super) fn angle_of(
    whole: u64,
    part: u64,
    decimals: usize,
    negative: bool,
    hemisphere: &[u8],
    limit: u64,
) -> Option<f64> {
    let scale = WHOLE_TENS.get(decimals).copied()?;
    let (degrees, minutes) = (whole / 100, whole % 100);
    if minutes >= 60 || degrees > limit || (degrees == limit && (minutes > 0 || part > 0)) {
        return None;
    }
    let parts = (degrees * 60 + minutes) * scale + part;
    let magnitude = parts as f64 / (60 * scale) as f64;
    let below = match hemisphere {
        [b'S' | b's' | b'W' | b'w'] => true,
        [b'N' | b'n' | b'E' | b'e'] | [] => negative,
        _ => return None,
    };
    Some(if below { -magnitude } else { magnitude })
}

/// `hhmmss` with any number of decimals: ms of the day, cut to the ms. Second 60 is a leap second. `None` when empty or
/// no time.
#[inline]
pub(super) fn time_of_day(text: &[u8]) -> Option<i64> {
    let [h1, h0, m1, m0, s1, s0, rest @ ..] = text else { return None };
    let two = |tens: &u8, ones: &u8| {
        let (tens, ones) = (tens.wrapping_sub(b'0'), ones.wrapping_sub(b'0'));
        (tens <= 9 && ones <= 9).then(|| i64::from(tens) * 10 + i64::from(ones))
    };
    let (hours, minutes, seconds) = (two(h1, h0)?, two(m1, m0)?, two(s1, s0)?);
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let mut ms = 0;
    match rest {
        [] => {}
        [b'.', decimals @ ..] => {
            let mut scale = 100;
            for byte in decimals {
                let digit = byte.wrapping_sub(b'0');
                if digit > 9 {
                    return None;
                }
                ms += i64::from(digit) * scale;
                scale /= 10;
            }
        }
        _ => return None,
    }
    Some(hours * HOUR_MS + minutes * MINUTE_MS + seconds * SECOND_MS + ms)
}

/// The same from its digits: `hhmmss` as a number, and what stands behind the point (at most eight digits).
#[inline]
pub(super) fn time_of(hhmmss: u64, part: u64, decimals: usize) -> Option<i64> {
    let (hours, minutes, seconds) = (hhmmss / 10_000, hhmmss / 100 % 100, hhmmss % 100);
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let ms = match decimals {
        0..=3 => part * WHOLE_TENS.get(3 - decimals)?,
        more => part / WHOLE_TENS.get(more - 3)?,
    };
    Some(hours as i64 * HOUR_MS + minutes as i64 * MINUTE_MS + seconds as i64 * SECOND_MS + ms as i64)
}

/// `ddmmyy`: days since 1970, two-digit year with pivot 80. `None` when empty or no date.
pub(super) fn date(text: &[u8]) -> Option<i64> {
    if text.len() != 6 {
        return None;
    }
    let value = whole(text)?;
    let year = year_from_two_digits(i32::try_from(value % 100).ok()?);
    days_from_date(year, value / 100 % 100, value / 10_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn angles_of_worked_sentences() {
        // check-values 2.1, angle decode (NMEA 0183 v4.11 field forms), computed there by exact arithmetic.
        let near = |a: Option<f64>, b: f64| assert!((a.unwrap() - b).abs() < 5e-13, "{a:?} {b}");
        near(angle(b"5130.12345678", b"N", 90), 51.0 + 30.123_456_78 / 60.0);
        near(angle(b"00007.65432100", b"W", 180), -0.127_572_016_666_666_67);
        near(angle(b"4807.038", b"N", 90), 48.1173);
        near(angle(b"3352.12345", b"S", 90), -33.868_724_166_666_67);
        near(angle(b"15112.54321", b"E", 180), 151.209_053_5);
        assert_eq!(angle(b"4807.038", b"N", 90), Some(48.1173)); // the nearest double, not just close
        assert_eq!(angle(b"-0214.41467156", b"W", 180), angle(b"00214.41467156", b"W", 180));
        assert_eq!(angle(b"9000.0001", b"N", 90), None);
        assert_eq!(angle(b"4860.0", b"N", 90), None);
        assert_eq!(angle(b"", b"N", 90), None);
        assert_eq!(angle(b"4807.038", b"X", 90), None);
    }

    #[test]
    fn numbers_in_the_forms_that_are_met() {
        assert_eq!(decimal(b"0.021"), Some(0.021));
        assert_eq!(decimal(b"-32.133"), Some(-32.133));
        assert_eq!(decimal(b"00460.0"), Some(460.0));
        assert_eq!(decimal(b"235111"), Some(235_111.0));
        assert_eq!(decimal(b" 1.0"), Some(1.0));
        assert_eq!(decimal(b"12."), Some(12.0));
        assert_eq!(decimal(b"."), None);
        assert_eq!(decimal(b"X.138"), None);
        assert_eq!(decimal(b"123456789012345678901234567890"), None);
        assert_eq!(whole(b"0123"), Some(123));
        assert_eq!(whole(b"EHT"), None);
    }

    #[test]
    fn times_and_dates() {
        assert_eq!(time_of_day(b"235959.90"), Some(86_399_900));
        assert_eq!(time_of_day(b"123519"), Some(45_319_000));
        assert_eq!(time_of_day(b"235960.5"), Some(86_400_500)); // leap second
        assert_eq!(time_of_day(b"120000.00000"), Some(43_200_000));
        assert_eq!(time_of_day(b"246060"), None);
        assert_eq!(time_of_day(b"12000"), None);
        assert_eq!(date(b"010326"), days_from_date(2026, 3, 1));
        assert_eq!(date(b"310280"), None);
    }

    #[test]
    fn fields_of_a_sentence() {
        let fields = Fields::of(b"GNGSA,A,3,66,76,,,,,,,,,,,9.62,5.88,7.62,2");
        assert_eq!(fields.len(), 18);
        assert_eq!(fields.get(0), b"GNGSA");
        assert_eq!(fields.get(3), b"66");
        assert_eq!(fields.get(5), b"");
        assert_eq!(fields.get(18), b"2");
        assert_eq!(fields.get(19), b"");
        let many = [b','; 500];
        assert_eq!(Fields::of(&many).get(100), b"");
    }
}
