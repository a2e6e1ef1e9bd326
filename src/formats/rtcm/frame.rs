//! The frame of RTCM 3: preamble, length, payload, CRC-24Q (RTCM 10403.x; `check-values.md` 3.1).

/// First byte of a frame.
pub const PREAMBLE: u8 = 0xd3;
/// Bytes of a frame around its payload.
pub const FRAMING_BYTES: usize = 6;
/// Longest frame.
pub const MAX_FRAME_BYTES: usize = 1023 + FRAMING_BYTES;

/// What begins at a place of the bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FrameAt {
    /// A whole frame with a good CRC; its length in bytes.
    Found(usize),
    /// Preamble, empty reserved bits and a length, but the CRC does not fit: search again from the next byte, never from
    /// behind the announced length, which may be noise.
    BadCrc,
    /// No frame.
    No,
    /// The bytes end before the frame does. At the end of a file this means `No`.
    Short,
}

/// Looks for a frame that begins with the first byte. Non-zero reserved bits are taken as a false preamble.
pub fn frame_at(bytes: &[u8]) -> FrameAt {
    match bytes {
        [] => FrameAt::Short,
        [PREAMBLE] => FrameAt::Short,
        [PREAMBLE, high, ..] if high & 0xfc != 0 => FrameAt::No,
        [PREAMBLE, _] => FrameAt::Short,
        [PREAMBLE, high, low, ..] => {
            let length = (usize::from(*high) << 8 | usize::from(*low)) + FRAMING_BYTES;
            match bytes.get(..length) {
                None => FrameAt::Short,
                // The CRC over a frame with its own CRC is zero.
                Some(frame) if crc24q(frame) == 0 => FrameAt::Found(length),
                Some(_) => FrameAt::BadCrc,
            }
        }
        _ => FrameAt::No,
    }
}

/// The payload of a whole frame; empty for anything shorter than a frame.
pub fn payload(frame: &[u8]) -> &[u8] {
    frame.len().checked_sub(3).and_then(|end| frame.get(3..end)).unwrap_or_default()
}

/// Generator polynomial without its highest term, moved to the top of 32 bits.
const POLYNOMIAL: u32 = 0x0086_4cfb << 8;
/// Table `n` moves a byte through the register and `n` zero bytes after it.
const TABLES: [[u32; 256]; 8] = tables();

const fn tables() -> [[u32; 256]; 8] {
    let mut tables = [[0u32; 256]; 8];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u32) << 24;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x8000_0000 != 0 { crc << 1 ^ POLYNOMIAL } else { crc << 1 };
            bit += 1;
        }
        tables[0][byte] = crc;
        byte += 1;
    }
    let mut table = 1;
    while table < 8 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[table - 1][byte];
            tables[table][byte] = before << 8 ^ tables[0][(before >> 24) as usize];
            byte += 1;
        }
        table += 1;
    }
    tables
}

/// CRC-24Q: polynomial 0x864CFB, initial value 0, most significant bit first, no final exclusive-or.
pub fn crc24q(bytes: &[u8]) -> u32 {
    let (blocks, rest) = bytes.as_chunks::<8>();
    let mut crc = 0u32;
    for [a, b, c, d, e, f, g, h] in blocks {
        let [w, x, y, z] = (crc ^ u32::from_be_bytes([*a, *b, *c, *d])).to_be_bytes();
        crc = TABLES[7][usize::from(w)]
            ^ TABLES[6][usize::from(x)]
            ^ TABLES[5][usize::from(y)]
            ^ TABLES[4][usize::from(z)]
            ^ TABLES[3][usize::from(*e)]
            ^ TABLES[2][usize::from(*f)]
            ^ TABLES[1][usize::from(*g)]
            ^ TABLES[0][usize::from(*h)];
    }
    for byte in rest {
        crc = crc << 8 ^ TABLES[0][usize::from((crc >> 24) as u8 ^ byte)];
    }
    crc >> 8
}

#[cfg(test)]
mod tests {
    use super::super::samples::{bytes, with_crc};
    use super::*;

    #[test]
    fn crc_agrees_with_the_published_check_value() {
        // Catalogue value of CRC-24 with generator 0x864CFB and initial value 0 over "123456789".
        assert_eq!(crc24q(b"123456789"), 0xcde703);
        assert_eq!(crc24q(b""), 0);
    }

    #[test]
    fn crc_of_every_length_agrees_with_bit_by_bit_division() {
        let data: Vec<u8> = (0..40u32).map(|i| (i * i * 7 + 13) as u8).collect();
        for n in 0..data.len() {
            let mut crc = 0u32;
            for byte in &data[..n] {
                crc ^= u32::from(*byte) << 16;
                for _ in 0..8 {
                    crc = if crc & 0x80_0000 != 0 { crc << 1 ^ 0x186_4cfb } else { crc << 1 };
                }
            }
            assert_eq!(crc24q(&data[..n]), crc, "{n} bytes");
        }
    }

    #[test]
    fn frames_are_found_whole_only() {
        // Sample 1005 of RTCM 10403.x.
        let good = bytes("D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98");
        assert_eq!(frame_at(&good), FrameAt::Found(25));
        for n in 0..good.len() {
            assert_eq!(frame_at(&good[..n]), FrameAt::Short, "{n} bytes");
        }
        let mut bad = good.clone();
        bad[24] = 0x99;
        assert_eq!(frame_at(&bad), FrameAt::BadCrc);
        assert_eq!(frame_at(&bytes("D3000047EA4B")), FrameAt::Found(6)); // the legal filler
        assert_eq!(frame_at(&bytes("D30400")), FrameAt::No);
        assert_eq!(frame_at(b"$GPGGA"), FrameAt::No);
        assert_eq!(payload(&with_crc(&[1, 2, 3])), [1, 2, 3]);
        assert!(payload(&[1, 2]).is_empty());
    }
}
