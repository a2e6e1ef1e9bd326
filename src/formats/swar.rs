//! Digits eight bytes at a time: the bytes of a number stand in one word, the first byte in the lowest place.

/// `'0'` in every byte.
const ZEROS: u64 = 0x3030_3030_3030_3030;
const HIGHS: u64 = 0x8080_8080_8080_8080;

/// Eight bytes of 0 to 9, the first the most significant, as one number.
#[inline]
pub(super) fn eight_digits(x: u64) -> u64 {
    let x = (x.wrapping_mul(10)).wrapping_add(x >> 8) & 0x00ff_00ff_00ff_00ff;
    let x = (x.wrapping_mul(100)).wrapping_add(x >> 16) & 0x0000_ffff_0000_ffff;
    (x.wrapping_mul(10_000)).wrapping_add(x >> 32) & 0xffff_ffff
}

/// The digits that eight bytes begin with: their value and how many there are.
#[inline]
pub(super) fn leading_digits(eight: [u8; 8]) -> (u64, usize) {
    let x = u64::from_le_bytes(eight) ^ ZEROS;
    // A mark in every byte that is more than 9; the seven low bits cannot carry into the next byte.
    let others = (((x & !HIGHS) + 0x7676_7676_7676_7676) | x) & HIGHS;
    let n = others.trailing_zeros() / 8;
    // Moved up, so that zeros lead.
    let x = if n == 0 { 0 } else { x << (64 - 8 * n) };
    (eight_digits(x), n as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_agree_with_the_standard_library() {
        for text in [
            "12345678",
            "1234567,",
            "00019,,M",
            "7*4C\r\n$G",
            "0.5,1.2,",
            ",1234567",
            "99999999",
            "5\u{7ff}\u{ff}345",
            "12:34/56",
            "3655.488",
        ] {
            let mut eight = [0xff; 8];
            eight.copy_from_slice(&text.as_bytes()[..8]);
            let own: String = text.chars().take_while(char::is_ascii_digit).collect();
            assert_eq!(leading_digits(eight), (own.parse().unwrap_or(0), own.len()), "{text}");
        }
    }
}
