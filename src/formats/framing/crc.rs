//! CRC-24Q of RTCM 3 frames, and a way to check many overlapping candidates without reading the same bytes many times.
//!
//! Source: RTCM 10403.x, transport layer. Generator 0x1864CFB, initial value 0, most significant bit first, no final XOR.

/// The generator without its top bit, at the top of 32 bits: the register is kept left-aligned.
const GENERATOR: u32 = 0x864C_FB00;
/// Longest frame: 3 bytes of header, 1023 of payload, 3 of CRC.
pub(in crate::formats) const FRAME_MAX: usize = 1029;
/// Prefix sums older than this are dropped.
const PREFIX_MAX: usize = 64 * 1024;

const TABLES: [[u32; 256]; 8] = tables();
/// x^(8 n) modulo the generator, right-aligned, for n bytes.
const POWERS: [u32; FRAME_MAX + 1] = powers();

const fn tables() -> [[u32; 256]; 8] {
    let mut tables = [[0_u32; 256]; 8];
    let mut i = 0;
    while i < 256 {
        let mut r = (i as u32) << 24;
        let mut bit = 0;
        while bit < 8 {
            r = if r & 0x8000_0000 != 0 { (r << 1) ^ GENERATOR } else { r << 1 };
            bit += 1;
        }
        tables[0][i] = r;
        i += 1;
    }
    let mut k = 1;
    while k < 8 {
        let mut i = 0;
        while i < 256 {
            let r = tables[k - 1][i];
            tables[k][i] = (r << 8) ^ tables[0][(r >> 24) as usize];
            i += 1;
        }
        k += 1;
    }
    tables
}

const fn powers() -> [u32; FRAME_MAX + 1] {
    let mut powers = [0_u32; FRAME_MAX + 1];
    let mut r = 1_u32;
    let mut n = 0;
    while n <= FRAME_MAX {
        powers[n] = r;
        let mut bit = 0;
        while bit < 8 {
            r <<= 1;
            if r & 0x0100_0000 != 0 {
                r ^= GENERATOR >> 8 | 0x0100_0000;
            }
            bit += 1;
        }
        n += 1;
    }
    powers
}

#[inline]
fn at(table: usize, index: u32) -> u32 {
    TABLES[table & 7][(index & 0xff) as usize]
}

#[inline]
fn step(register: u32, byte: u8) -> u32 {
    (register << 8) ^ at(0, (register >> 24) ^ u32::from(byte))
}

/// CRC-24Q of some bytes; 0 for an intact frame with its three CRC bytes.
pub(in crate::formats) fn crc24q(bytes: &[u8]) -> u32 {
    let mut r = 0_u32;
    let (eights, rest) = bytes.as_chunks::<8>();
    for [a, b, c, d, e, f, g, h] in eights {
        let x = r ^ u32::from_be_bytes([*a, *b, *c, *d]);
        r = at(7, x >> 24)
            ^ at(6, x >> 16)
            ^ at(5, x >> 8)
            ^ at(4, x)
            ^ at(3, u32::from(*e))
            ^ at(2, u32::from(*f))
            ^ at(1, u32::from(*g))
            ^ at(0, u32::from(*h));
    }
    for byte in rest {
        r = step(r, *byte);
    }
    r >> 8
}

/// Product of two remainders modulo the generator, right-aligned.
fn multiply(a: u32, b: u32) -> u32 {
    let mut product = 0_u32;
    for bit in (0..24).rev() {
        product <<= 1;
        product ^= (GENERATOR >> 8 | 0x0100_0000) & 0_u32.wrapping_sub(product >> 24 & 1);
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
        if self.registers.is_empty() || offset < self.from || offset >= end || self.registers.len() > PREFIX_MAX {
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
    fn published_check_values() {
        // Catalogue value of CRC-24 with zero start: "123456789" -> 0xCDE703; RTCM 10403.x: an empty frame ends 47 EA 4B.
        assert_eq!(crc24q(b"123456789"), 0x00CD_E703);
        assert_eq!(crc24q(&[0xD3, 0, 0]), 0x0047_EA4B);
        assert_eq!(crc24q(&[0xD3, 0, 0, 0x47, 0xEA, 0x4B]), 0);
    }

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
