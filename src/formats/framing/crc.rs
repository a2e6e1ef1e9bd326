//! Checks many overlapping RTCM 3 frame candidates without reading the same bytes many times.
//!
//! Source of the CRC: RTCM 10403.x, transport layer (CRC-24Q, generator 0x1864CFB, start 0). That the CRC register behind a
//! piece follows from the registers before and behind it is plain polynomial arithmetic.

use crate::formats::rtcm::{MAX_FRAME_BYTES, crc24q};

/// The generator with its top bit.
const GENERATOR: u32 = 0x0186_4CFB;
/// More registers than this are not kept.
const REGISTERS_MAX: usize = 64 * 1024;
/// A byte moved through the register, left-aligned in 32 bits.
const TABLE: [u32; 256] = table();
/// x^(8 n) modulo the generator, for n bytes.
const POWERS: [u32; MAX_FRAME_BYTES + 1] = powers();

const fn table() -> [u32; 256] {
    let mut table = [0_u32; 256];
    let mut i = 0;
    while i < 256 {
        let mut r = (i as u32) << 24;
        let mut bit = 0;
        while bit < 8 {
            r = if r & 0x8000_0000 != 0 { (r << 1) ^ (GENERATOR << 8) } else { r << 1 };
            bit += 1;
        }
        table[i] = r;
        i += 1;
    }
    table
}

const fn powers() -> [u32; MAX_FRAME_BYTES + 1] {
    let mut powers = [0_u32; MAX_FRAME_BYTES + 1];
    let mut r = 1_u32;
    let mut n = 0;
    while n <= MAX_FRAME_BYTES {
        powers[n] = r;
        let mut bit = 0;
        while bit < 8 {
            r <<= 1;
            if r & 0x0100_0000 != 0 {
                r ^= GENERATOR;
            }
            bit += 1;
        }
        n += 1;
    }
    powers
}

#[inline]
fn step(register: u32, byte: u8) -> u32 {
    (register << 8) ^ TABLE[usize::from((register >> 24) as u8 ^ byte)]
}

/// Product of two remainders modulo the generator, right-aligned.
fn multiply(a: u32, b: u32) -> u32 {
    let mut product = 0_u32;
    for bit in (0..24).rev() {
        product <<= 1;
        product ^= GENERATOR & 0_u32.wrapping_sub(product >> 24 & 1);
        product ^= b & 0_u32.wrapping_sub(a >> bit & 1);
    }
    product
}

/// Checks frame candidates at rising places of one stream.
///
/// Bytes made of false preambles would make a plain check read each byte up to 500 times. So only the first of a row of
/// overlapping candidates is read as a whole. For the others the CRC registers behind every byte are kept: the CRC of a
/// piece is the register at its end, minus the register at its start moved on by the piece's length.
#[derive(Debug, Clone, Default)]
pub(super) struct FrameCheck {
    /// Offset in the stream behind the last candidate that failed.
    failed_until: u64,
    /// Offset of the first byte that `registers` covers.
    from: u64,
    /// Register (right-aligned) before byte `from + i`.
    registers: Vec<u32>,
}

impl FrameCheck {
    /// Whether `frame`, which lies at `offset` of the stream, has a good CRC. `offset` must not fall.
    pub(super) fn good(&mut self, offset: u64, frame: &[u8]) -> bool {
        let good = if offset >= self.failed_until {
            self.registers.clear();
            crc24q(frame) == 0
        } else {
            self.good_overlapping(offset, frame)
        };
        if !good {
            self.failed_until = self.failed_until.max(offset + frame.len() as u64);
        }
        good
    }

    fn good_overlapping(&mut self, offset: u64, frame: &[u8]) -> bool {
        let end = self.from + self.registers.len() as u64;
        if self.registers.is_empty() || offset < self.from || offset >= end || self.registers.len() > REGISTERS_MAX {
            self.registers.clear();
            self.registers.push(0);
            self.from = offset;
        }
        let first = (offset - self.from) as usize;
        // Byte `k` of the frame is behind register `first + k`.
        let known = self.registers.len() - 1 - first;
        let mut r = self.registers.last().copied().unwrap_or(0) << 8;
        for byte in frame.get(known..).unwrap_or_default() {
            r = step(r, *byte);
            self.registers.push(r >> 8);
        }
        match (self.registers.get(first), self.registers.get(first + frame.len()), POWERS.get(frame.len())) {
            (Some(start), Some(stop), Some(power)) => multiply(*start, *power) == *stop,
            _ => crc24q(frame) == 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overlapping_candidates_are_judged_as_single_ones() {
        // Against the plain CRC at every place of pseudo-random bytes with real frames in them.
        let mut bytes = Vec::new();
        let mut seed = 12_345_u32;
        for i in 0..6_000 {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            bytes.push((seed >> 24) as u8);
            if i % 500 == 0 {
                let start = bytes.len();
                bytes.extend([0xD3, 0, 20]);
                bytes.extend((0..20).map(|k| k * 7));
                let crc = crc24q(bytes.get(start..).unwrap());
                bytes.extend(crc.to_be_bytes().get(1..).unwrap());
            }
        }
        let mut check = FrameCheck::default();
        let mut good = 0;
        for start in 0..bytes.len() - 900 {
            for length in [26, 900] {
                let piece = &bytes[start..start + length];
                let expected = crc24q(piece) == 0;
                good += u32::from(expected);
                assert_eq!(check.good(start as u64, piece), expected, "{start} {length}");
            }
        }
        assert!(good >= 10);
    }
}
