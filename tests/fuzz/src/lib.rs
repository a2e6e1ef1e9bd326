//! What every fuzz target asks of the decoders beside not to panic: the byte ledger adds up, and the pieces in which a file
//! arrives change nothing.

use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext, HEAD_BYTES, Parsed};
use lostfix::model::look::Format;
use std::sync::LazyLock;

static SETTINGS: LazyLock<FormatSettings> = LazyLock::new(FormatSettings::default);

fn context(name: &str) -> FileContext {
    FileContext { path: name.to_owned(), hints: Default::default() }
}

/// Reads a file as the program does; then once more in pieces, when it is one of ours.
pub fn file(name: &str, bytes: &[u8]) {
    let mut rest = bytes;
    let whole = formats::read(&mut rest, &context(name), &SETTINGS).expect("memory can be read");
    let ledger = &whole.look.bytes;
    assert!(ledger.adds_up(), "{ledger:?}");
    if whole.look.format == Format::Foreign {
        return;
    }
    assert_eq!(ledger.total, bytes.len() as u64, "{:?}: bytes are lost", whole.look.format);
    let head = bytes.get(..HEAD_BYTES.min(bytes.len())).unwrap_or_default();
    let Some(mut stream) = formats::recognise(head, &context(name), &SETTINGS) else { return };
    // Lengths that hit lines and frames at every place.
    let (mut rest, mut n) = (bytes, 1);
    while !rest.is_empty() {
        let (piece, more) = rest.split_at(n.min(rest.len()));
        stream.feed(piece);
        (rest, n) = (more, n * 7 % 61 + 1);
    }
    same(&whole, &stream.finish());
}

fn same(a: &Parsed, b: &Parsed) {
    assert_eq!(a.look.bytes, b.look.bytes, "the pieces change the ledger");
    assert_eq!(a.look.counts, b.look.counts, "the pieces change the counts");
    assert_eq!(format!("{:?}", a.rows), format!("{:?}", b.rows), "the pieces change the rows");
}

/// CRC of RTCM 10403 (polynomial 0x1864CFB), a bit at a time.
fn crc24q(bytes: &[u8]) -> u32 {
    let mut crc = 0_u32;
    for b in bytes {
        crc ^= u32::from(*b) << 16;
        for _ in 0..8 {
            crc <<= 1;
            if crc & 0x100_0000 != 0 {
                crc ^= 0x186_4CFB;
            }
        }
    }
    crc & 0xFF_FFFF
}

/// Payloads as RTCM 3 frames with the right length and CRC: the input is cut at lengths that it gives itself (two bytes each).
pub fn frames(mut input: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(input.len() * 2);
    while let [a, b, rest @ ..] = input {
        let n = (usize::from(*a) << 8 | usize::from(*b)) & 1023;
        let (payload, more) = rest.split_at(n.min(rest.len()));
        let at = out.len();
        out.extend([0xD3, (payload.len() >> 8) as u8, payload.len() as u8]);
        out.extend(payload);
        let crc = crc24q(&out[at..]);
        out.extend([(crc >> 16) as u8, (crc >> 8) as u8, crc as u8]);
        input = more;
    }
    out
}

/// Lines as NMEA sentences with the right checksum.
pub fn sentences(input: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(input.len() * 2);
    for line in input.split(|b| *b == b'\n') {
        let body: Vec<u8> = line.iter().copied().filter(|b| !matches!(b, b'$' | b'*' | b'\r')).collect();
        out.push(b'$');
        out.extend(&body);
        out.extend(format!("*{:02X}\r\n", body.iter().fold(0, |x, b| x ^ b)).bytes());
    }
    out
}
