//! Numbers in fixed columns, read by hand: Fortran F, I and D formats.

use crate::formats::swar::eight_digits;

/// An observation field.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Field {
    /// Nothing but blanks.
    Blank,
    /// Value in thousandths.
    Milli(i64),
    /// Not a number.
    Bad,
}

const BLANKS: u64 = 0x2020_2020_2020_2020;

/// The columns `from..to` of a line; less when the line is shorter, nothing when it ends before.
pub(crate) fn columns(line: &[u8], from: usize, to: usize) -> &[u8] {
    line.get(from..to.min(line.len())).unwrap_or_default()
}

/// Without blanks at both ends.
pub(crate) fn trim(text: &[u8]) -> &[u8] {
    text.trim_ascii()
}

/// Text of a header field for people: blanks at the end cut, Latin-1 where it is not UTF-8.
pub(crate) fn text(field: &[u8]) -> String {
    let field = field.trim_ascii_end();
    match std::str::from_utf8(field) {
        Ok(s) => s.to_owned(),
        Err(_) => field.iter().map(|b| char::from(*b)).collect(),
    }
}

/// F14.3 in its 14 columns (shorter at the end of a line).
#[inline]
pub(crate) fn milli(field: &[u8]) -> Field {
    let Some(field) = field.first_chunk::<14>() else { return milli_slow(field) };
    // Eight columns at once: blanks become zeros (0x20 | 0x10 = 0x30), anything else but digits goes the slow way.
    let head = u64::from_le_bytes([field[0], field[1], field[2], field[3], field[4], field[5], field[6], field[7]]);
    let tail = u64::from_le_bytes([field[8], field[9], field[10], field[11], field[12], field[13], b' ', b' ']);
    if head == BLANKS && tail == BLANKS {
        return Field::Blank;
    }
    let blank = zero_bytes(head ^ BLANKS);
    // Blanks only in front: their bytes are the low ones and form one run of ones.
    let run = (blank >> 7).wrapping_mul(0xff);
    let zeroed = head | 0x1010_1010_1010_1010;
    let digits = zeroed ^ 0x3030_3030_3030_3030;
    let tens = if field[8] == b' ' && (head == BLANKS) { 0 } else { field[8].wrapping_sub(b'0') };
    let ones = if field[9] == b' ' && field[8] == b' ' && head == BLANKS { 0 } else { field[9].wrapping_sub(b'0') };
    let (a, b, c) = (field[11].wrapping_sub(b'0'), field[12].wrapping_sub(b'0'), field[13].wrapping_sub(b'0'));
    let plain = field[10] == b'.'
        && run & run.wrapping_add(1) == 0
        && all_digits(digits)
        && (tens | ones | a | b | c) < 16
        && tens.max(ones).max(a).max(b).max(c) < 10;
    if !plain {
        return milli_slow(field);
    }
    let whole = eight_digits(digits) * 100 + u64::from(tens) * 10 + u64::from(ones);
    Field::Milli((whole * 1000 + u64::from(a) * 100 + u64::from(b) * 10 + u64::from(c)) as i64)
}

/// 0x80 in every byte that is zero.
#[inline]
fn zero_bytes(x: u64) -> u64 {
    const LOW: u64 = 0x7f7f_7f7f_7f7f_7f7f;
    !(((x & LOW) + LOW) | x | LOW)
}

/// Whether every byte is 0 to 9.
#[inline]
fn all_digits(x: u64) -> bool {
    (x & 0xf0f0_f0f0_f0f0_f0f0) == 0 && (x.wrapping_add(0x0606_0606_0606_0606) & 0xf0f0_f0f0_f0f0_f0f0) == 0
}

/// Any decimal number, rounded to thousandths.
fn milli_slow(field: &[u8]) -> Field {
    let field = trim(field);
    let (negative, digits) = match field {
        [] => return Field::Blank,
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, field),
    };
    let (mut value, mut places, mut seen) = (0i64, None::<u32>, false);
    for b in digits {
        match (b, places) {
            (b'.', None) => places = Some(0),
            (b'0'..=b'9', _) => {
                seen = true;
                let digit = i64::from(b - b'0');
                match &mut places {
                    None if value < 100_000_000_000_000 => value = value * 10 + digit,
                    Some(n @ 0..3) => {
                        value = value * 10 + digit;
                        *n += 1;
                    }
                    Some(n @ 3) => {
                        value += i64::from(digit >= 5);
                        *n += 1;
                    }
                    Some(_) => {}
                    None => return Field::Bad,
                }
            }
            _ => return Field::Bad,
        }
    }
    if !seen {
        return Field::Bad;
    }
    for _ in places.unwrap_or(0)..3 {
        value *= 10;
    }
    Field::Milli(if negative { -value } else { value })
}

/// A whole number with blanks around it; `None` when there is none.
pub(crate) fn int(field: &[u8]) -> Option<i64> {
    let field = trim(field);
    let (negative, digits) = match field {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, field),
    };
    if digits.is_empty() || digits.len() > 18 {
        return None;
    }
    let mut value = 0i64;
    for b in digits {
        if !b.is_ascii_digit() {
            return None;
        }
        value = value * 10 + i64::from(b - b'0');
    }
    Some(if negative { -value } else { value })
}

/// A finite number in F, E or D format; `None` for blanks and anything else.
pub(crate) fn float(field: &[u8]) -> Option<f64> {
    let field = trim(field);
    let mut copy = [0u8; 40];
    let room = copy.get_mut(..field.len())?;
    for (to, from) in room.iter_mut().zip(field) {
        *to = if matches!(from, b'D' | b'd') { b'E' } else { *from };
    }
    let value: f64 = std::str::from_utf8(room).ok()?.parse().ok()?;
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_and_slow_numbers_agree_with_the_standard_library() {
        // Fortran F14.3 as in RINEX 3.05 table A3; the reference is the decimal parser of the standard library.
        let mut seed = 7u64;
        let mut next = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            seed >> 33
        };
        for _ in 0..20_000 {
            let size = 10u64.pow((next() % 11) as u32);
            let whole = (next() * 7919 % size) as i64 % 1_000_000_000;
            let value = (whole * 1000 + (next() % 1000) as i64) * if next() % 4 == 0 { -1 } else { 1 };
            let text = format!("{:14.3}", value as f64 / 1000.0);
            assert_eq!(milli(text.as_bytes()), Field::Milli(value), "{text:?}");
        }
    }

    #[test]
    fn blanks_and_rubbish() {
        assert_eq!(milli(b"              "), Field::Blank);
        assert_eq!(milli(b""), Field::Blank);
        assert_eq!(milli(b"         0.000"), Field::Milli(0));
        assert_eq!(milli(b"          .250"), Field::Milli(250));
        assert_eq!(milli(b"        62.0000"), Field::Milli(62_000));
        assert_eq!(milli(b"    62.0"), Field::Milli(62_000));
        assert_eq!(milli(b"        46"), Field::Milli(46_000));
        assert_eq!(milli(b"-999999999.999"), Field::Milli(-999_999_999_999));
        assert_eq!(milli(b"9999999999.999"), Field::Milli(9_999_999_999_999));
        for bad in [
            "  12 4567.123 ",
            "        . ",
            "      1 23.456",
            "  246x7891.123",
            "12345678901234",
            "         -.   ",
            "  2345678 .123",
        ] {
            let got = milli(bad.as_bytes());
            assert!(got == Field::Bad || bad == "12345678901234", "{bad:?} {got:?}");
        }
        assert_eq!(float(b" 0.615818426013D-04"), Some(0.615_818_426_013e-4));
        assert_eq!(float(b"            .123D+02"), Some(12.3));
        assert_eq!(float(b"   "), None);
        assert_eq!(float(b"nan"), None);
        assert_eq!(int(b" -12 "), Some(-12));
        assert_eq!(int(b"1 2"), None);
    }
}
