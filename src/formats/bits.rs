//! Reads fields of any width from bytes, most significant bit first (the order of RTCM 3 and of navigation data).
//!
//! Nothing here can fail on input: a field that lies past the end reads as 0 and [`Bits::short`] says so. A decoder checks
//! the length that a message promises first, or asks at the end.

/// The `width` bits (up to 64) at bit `at`; 0 when any of them lies past the end.
#[inline]
pub fn unsigned_at(bytes: &[u8], at: usize, width: u32) -> u64 {
    if width == 0 || width > 64 {
        return 0;
    }
    let first = at / 8;
    let inside = (at % 8) as u32;
    if inside + width <= 64
        && let Some(window) = bytes.get(first..).and_then(|rest| rest.first_chunk::<8>())
    {
        return (u64::from_be_bytes(*window) << inside) >> (64 - width);
    }
    near_the_end(bytes, at, width)
}

/// The same for fields at the last bytes, and for those that touch nine bytes.
#[cold]
fn near_the_end(bytes: &[u8], at: usize, width: u32) -> u64 {
    let Some(end) = at.checked_add(width as usize) else { return 0 };
    if end > bytes.len().saturating_mul(8) {
        return 0;
    }
    let mut value: u128 = 0;
    let last = (end - 1) / 8;
    for byte in bytes.get(at / 8..=last).unwrap_or_default() {
        value = value << 8 | u128::from(*byte);
    }
    let below = (last + 1) * 8 - end;
    let mask = if width == 64 { u64::MAX } else { (1 << width) - 1 };
    (value >> below) as u64 & mask
}

/// The two's complement number in the `width` bits (up to 64) at bit `at`; 0 past the end.
#[inline]
pub fn signed_at(bytes: &[u8], at: usize, width: u32) -> i64 {
    if width == 0 || width > 64 {
        return 0;
    }
    let shift = 64 - width;
    ((unsigned_at(bytes, at, width) << shift) as i64) >> shift
}

/// Reads one field after another.
#[derive(Debug, Clone)]
pub struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    short: bool,
}

impl<'a> Bits<'a> {
    /// At the first bit.
    pub fn new(bytes: &'a [u8]) -> Bits<'a> {
        Bits { bytes, at: 0, short: false }
    }

    /// Bit position of the next field.
    pub fn at(&self) -> usize {
        self.at
    }

    /// Bits that are left.
    pub fn left(&self) -> usize {
        self.bytes.len().saturating_mul(8).saturating_sub(self.at)
    }

    /// Whether a field lay past the end.
    pub fn short(&self) -> bool {
        self.short
    }

    /// Leaves bits out.
    pub fn skip(&mut self, width: usize) {
        self.short |= width > self.left();
        self.at = self.at.saturating_add(width);
    }

    /// The next `width` bits, up to 64; 0 past the end.
    #[inline]
    pub fn unsigned(&mut self, width: u32) -> u64 {
        let value = unsigned_at(self.bytes, self.at, width);
        self.skip(width as usize);
        value
    }

    /// The next `width` bits as a two's complement number; 0 past the end.
    #[inline]
    pub fn signed(&mut self, width: u32) -> i64 {
        let value = signed_at(self.bytes, self.at, width);
        self.skip(width as usize);
        value
    }

    /// The next `width` bits as sign and magnitude (GLONASS); 0 past the end.
    pub fn sign_magnitude(&mut self, width: u32) -> i64 {
        if width == 0 {
            return 0;
        }
        let negative = self.flag();
        let size = self.unsigned(width.min(64) - 1) as i64;
        if negative { -size } else { size }
    }

    /// The next bit.
    pub fn flag(&mut self) -> bool {
        self.unsigned(1) == 1
    }

    /// The next `width` bits, at most 8.
    pub fn small(&mut self, width: u32) -> u8 {
        self.unsigned(width.min(8)) as u8
    }

    /// The next `width` bits, at most 16.
    pub fn medium(&mut self, width: u32) -> u16 {
        self.unsigned(width.min(16)) as u16
    }

    /// The next `count` bytes, whatever bit they start at; `None` when there are fewer.
    pub fn bytes(&mut self, count: usize) -> Option<Vec<u8>> {
        if count.saturating_mul(8) > self.left() {
            self.short = true;
            return None;
        }
        Some((0..count).map(|_| self.small(8)).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bit by bit, as the definition says.
    fn slowly(bytes: &[u8], at: usize, width: u32) -> u64 {
        if at + width as usize > bytes.len() * 8 {
            return 0;
        }
        (at..at + width as usize).fold(0, |v, bit| v << 1 | u64::from(bytes[bit / 8] >> (7 - bit % 8) & 1))
    }

    #[test]
    fn every_place_and_width_agrees_with_the_definition() {
        let bytes: Vec<u8> = (0..19u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for at in 0..160 {
            for width in 1..=64 {
                let expected = slowly(&bytes, at, width);
                assert_eq!(unsigned_at(&bytes, at, width), expected, "{width} bits at {at}");
                let sign = at + width as usize <= 152 && expected >> (width - 1) & 1 == 1;
                let signed = if sign { i128::from(expected) - (1i128 << width) } else { i128::from(expected) };
                assert_eq!(i128::from(signed_at(&bytes, at, width)), signed, "{width} bits at {at}");
            }
        }
        assert_eq!(unsigned_at(&bytes, usize::MAX, 64), 0);
        assert_eq!(unsigned_at(&[], 0, 1), 0);
    }

    #[test]
    fn past_the_end_is_told() {
        let mut bits = Bits::new(&[0xff, 0x80]);
        assert_eq!((bits.unsigned(9), bits.short(), bits.left()), (511, false, 7));
        assert_eq!((bits.unsigned(8), bits.short()), (0, true));
        let mut bits = Bits::new(&[0b1000_0101]);
        assert_eq!(bits.sign_magnitude(8), -5);
        assert_eq!(bits.bytes(1), None);
    }
}
