//! A sentence read from front to back, eight bytes at a time, while it has the form that nearly all have. Where it has not,
//! [`Walk::is_whole`] says so at the end, and it is read anew by [`super::field::Fields`]: both give the same values.

use super::field::{TENS, WHOLE_TENS};
use crate::formats::framing::found::Body;
use crate::formats::swar::leading_digits;

/// Digits of a number: in front of the point, behind it, and how many stand behind it (at most eight and eight).
#[derive(Debug, Clone, Copy)]
pub(super) struct Number {
    pub(super) whole: u64,
    /// How many digits that has.
    pub(super) digits: usize,
    pub(super) part: u64,
    pub(super) decimals: usize,
    pub(super) negative: bool,
}

/// A place in a sentence. Nothing here branches on what was met before, only [`Walk::is_whole`] asks for it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Walk<'a> {
    window: &'a [u8],
    at: usize,
    /// Where the sentence ends: nothing there is a digit, a point or a comma.
    end: usize,
    whole: bool,
}

impl<'a> Walk<'a> {
    /// From a place on.
    #[inline]
    pub(super) fn from(body: &Body<'a>, at: usize) -> Walk<'a> {
        Walk { window: body.window(), at, end: body.length(), whole: true }
    }

    /// Whether all was as expected and the sentence ends here.
    #[inline]
    pub(super) fn is_whole(&self) -> bool {
        self.whole && self.at == self.end
    }

    #[inline(always)]
    fn eight(&mut self) -> [u8; 8] {
        match self.window.get(self.at..).and_then(|rest| rest.first_chunk::<8>()) {
            Some(eight) => *eight,
            None => {
                self.whole = false;
                [0; 8]
            }
        }
    }

    /// Steps over a comma.
    #[inline(always)]
    pub(super) fn comma(&mut self) {
        self.whole &= self.window.get(self.at) == Some(&b',');
        self.at += 1;
    }

    /// A field of one byte, with its comma.
    #[inline(always)]
    pub(super) fn letter(&mut self) -> u8 {
        let letter = self.window.get(self.at).copied().unwrap_or(b',');
        self.whole &= letter != b',';
        self.at += 1;
        self.comma();
        letter
    }

    /// `[-]digits[.digits]`; what stands behind it is up to the next step. No digits: an empty field, or not a number, which
    /// the next step then sees.
    #[inline(always)]
    pub(super) fn number(&mut self) -> Number {
        let mut eight = self.eight();
        let negative = eight[0] == b'-';
        if negative {
            self.at += 1;
            eight = self.eight();
        }
        let (whole, digits) = leading_digits(eight);
        self.at += digits;
        let (mut part, mut decimals) = (0, 0);
        if digits > 0 && self.window.get(self.at) == Some(&b'.') {
            self.at += 1;
            (part, decimals) = leading_digits(self.eight());
            self.at += decimals;
        }
        self.whole &= digits > 0 || !negative;
        Number { whole, digits, part, decimals, negative }
    }

    /// A decimal, correctly rounded up to 15 digits; NaN for an empty field.
    #[inline(always)]
    pub(super) fn decimal(&mut self) -> f64 {
        let Number { whole, digits, part, decimals, negative } = self.number();
        if digits == 0 {
            return f64::NAN;
        }
        let value = whole * WHOLE_TENS.get(decimals).copied().unwrap_or(1) + part;
        let value = value as f64 / TENS.get(decimals).copied().unwrap_or(1.0);
        if negative { -value } else { value }
    }

    /// A whole number; `None` for an empty field.
    #[inline(always)]
    pub(super) fn integer(&mut self) -> Option<u32> {
        let (value, digits) = leading_digits(self.eight());
        self.at += digits;
        (digits > 0).then_some(value as u32)
    }
}
