//! The shared pass: cuts a byte stream into RTCM 3 frames, NMEA sentences, lines of text and bytes that are neither.
//!
//! ```text
//! frame     0xD3, six zero bits, ten bits length, payload, CRC-24Q over all of it     (RTCM 10403.x)
//! sentence  '$' or '!', printable characters, '*', two hex digits: their XOR           (NMEA 0183, IEC 61162-1)
//! ```
//!
//! Rules. Every byte of the stream gets exactly one [`Class`]. A frame is tried wherever 0xD3 stands, a sentence wherever
//! `$` stands; what fails its check costs one byte (a frame) or ends where it is broken (a sentence), and the search goes on
//! right behind. A decision never depends on how the stream was cut into pieces: where the bytes of a candidate have not
//! come yet, the pass waits, and at the end of the stream it waits for nothing, so a false preamble with a long length
//! cannot hide what follows. At most [`MAX_FRAME_BYTES`] bytes are kept.

use super::crc::FrameCheck;
use super::found::{Body, Class, Fault, Place, Sink};
use crate::formats::rtcm::{FRAMING_BYTES, MAX_FRAME_BYTES, PREAMBLE};

/// Longest sentence, from `$` to `*`. The standard says 82; satellite lists of real receivers reach several hundred.
pub(super) const SENTENCE_MAX: usize = 1_000;
/// How many bytes are put behind a record that is not whole yet, at a time.
const TAKE: usize = 2 * 1024;

const PRINTABLE: u8 = 1;
const ZERO: u8 = 2;
const OTHER: u8 = 4;
/// Ends a run of plain bytes.
const STOP: u8 = 128;

const KINDS: [u8; 256] = kinds();

const fn kinds() -> [u8; 256] {
    let mut kinds = [OTHER; 256];
    let mut i = 0x20;
    while i < 0x7f {
        kinds[i] = PRINTABLE;
        i += 1;
    }
    kinds[b'\t' as usize] = PRINTABLE;
    kinds[0] = ZERO;
    kinds[b'\r' as usize] = STOP;
    kinds[b'\n' as usize] = STOP;
    kinds[b'$' as usize] = STOP | PRINTABLE;
    kinds[b'!' as usize] = STOP | PRINTABLE;
    kinds[PREAMBLE as usize] = STOP | OTHER;
    kinds
}

#[inline]
fn kind(byte: u8) -> u8 {
    KINDS[usize::from(byte)]
}

/// An open run of bytes that are neither frame nor sentence. Only its sum is kept, so it may be any length.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    bytes: u64,
    kinds: u8,
    first: u8,
    last: u8,
}

/// Result of looking for a record at one place.
enum Look {
    /// Not enough bytes yet.
    Wait,
    /// A record of so many bytes was there and is dealt with.
    Took(usize, Class),
    /// Nothing starts here.
    No,
}

/// The pass over one stream.
#[derive(Debug, Clone)]
pub(super) struct Scanner {
    kept: Vec<u8>,
    /// Offset of the first kept byte.
    offset: u64,
    line: u64,
    run: Run,
    /// Class of the last record on this line; `None` at the start of a line and behind a frame.
    on_line: Option<Class>,
    /// The last byte was a carriage return that ended a line of this class: a line feed now belongs to it.
    carriage: Option<Class>,
    sums: [u64; Class::ALL.len()],
    check: FrameCheck,
    /// Offsets from and to which all bytes may stand in a sentence, as far as the last candidate was looked at.
    clean: (u64, u64),
}

impl Scanner {
    pub(super) fn new() -> Scanner {
        Scanner {
            kept: Vec::new(),
            offset: 0,
            line: 1,
            run: Run::default(),
            on_line: None,
            carriage: None,
            sums: [0; Class::ALL.len()],
            check: FrameCheck::default(),
            clean: (0, 0),
        }
    }

    /// Takes the next bytes. They are read where they lie; only a record that is not whole yet is copied.
    pub(super) fn feed(&mut self, bytes: &[u8], sink: &mut impl Sink) {
        let mut rest = bytes;
        while !self.kept.is_empty() && !rest.is_empty() {
            let mut kept = std::mem::take(&mut self.kept);
            let before = kept.len();
            let more = rest.get(..TAKE).unwrap_or(rest);
            kept.extend_from_slice(more);
            let used = self.pass(&kept, false, sink);
            self.offset += used as u64;
            match used.checked_sub(before) {
                // What was kept is dealt with: go on in the bytes themselves.
                Some(n) => {
                    rest = rest.get(n..).unwrap_or_default();
                    kept.clear();
                    self.kept = kept;
                    break;
                }
                None => {
                    rest = rest.get(more.len()..).unwrap_or_default();
                    kept.drain(..used);
                    self.kept = kept;
                }
            }
        }
        if self.kept.is_empty() {
            let used = self.pass(rest, false, sink);
            self.offset += used as u64;
            self.kept.extend_from_slice(rest.get(used..).unwrap_or_default());
        }
    }

    /// Takes the end of the stream.
    pub(super) fn finish(&mut self, sink: &mut impl Sink) {
        let kept = std::mem::take(&mut self.kept);
        let used = self.pass(&kept, true, sink);
        self.offset += used as u64;
        if self.run.bytes > 0 {
            self.end_run(RunEnd::LineOrFrame);
        }
    }

    /// Bytes by class, each once.
    pub(super) fn sums(&self) -> impl Iterator<Item = (Class, u64)> {
        Class::ALL.into_iter().zip(self.sums)
    }

    /// Line that comes next, from 1.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    fn add(&mut self, class: Class, bytes: u64) {
        if let Some(sum) = self.sums.get_mut(class as usize) {
            *sum += bytes;
        }
    }

    /// Goes over `bytes` and returns how many were dealt with; with `at_end` all of them.
    fn pass(&mut self, bytes: &[u8], at_end: bool, sink: &mut impl Sink) -> usize {
        let mut at = 0;
        while let Some(here) = bytes.get(at..).filter(|here| !here.is_empty()) {
            let place = Place { offset: self.offset + at as u64, line: self.line };
            let look = match here.first() {
                Some(&b'$') => self.sentence(here, place, at_end, sink),
                Some(b'\r' | b'\n') => {
                    at += self.line_end(here);
                    continue;
                }
                Some(&PREAMBLE) => self.frame(here, place, at_end, sink),
                Some(b'!') => match encapsulated(here, at_end) {
                    None => Look::Wait,
                    Some(false) => Look::No,
                    Some(true) => self.sentence(here, place, at_end, sink),
                },
                _ => Look::No,
            };
            match look {
                Look::Wait => break,
                Look::Took(n, class) => {
                    self.add(class, n as u64);
                    self.carriage = None;
                    at += n;
                }
                Look::No => {
                    self.carriage = None;
                    at += self.plain(here);
                }
            }
        }
        at
    }

    /// Takes one byte that starts nothing and the plain bytes behind it into the run.
    fn plain(&mut self, here: &[u8]) -> usize {
        let mut kinds = 0;
        let mut n = 0;
        for (i, byte) in here.iter().enumerate() {
            let k = kind(*byte);
            if k & STOP != 0 && i > 0 {
                break;
            }
            kinds |= k;
            n += 1;
        }
        if self.run.bytes == 0 {
            self.run.first = here.first().copied().unwrap_or(0);
        }
        self.run.bytes += n as u64;
        self.run.kinds |= kinds & !STOP;
        self.run.last = here.get(n - 1).copied().unwrap_or(0);
        n
    }

    fn end_run(&mut self, end: RunEnd) -> Class {
        let run = std::mem::take(&mut self.run);
        let class = match (run.kinds, end) {
            (ZERO, _) => Class::Zero,
            (PRINTABLE, RunEnd::Sentence) if run.first == b'\\' && run.last == b'\\' && run.bytes > 1 => Class::Tag,
            (PRINTABLE, RunEnd::Sentence) => Class::Around,
            (PRINTABLE, RunEnd::LineOrFrame) => {
                if self.on_line.is_some() {
                    Class::Around
                } else {
                    Class::Text
                }
            }
            _ => Class::Unknown,
        };
        self.add(class, run.bytes);
        class
    }

    fn line_end(&mut self, here: &[u8]) -> usize {
        let first = here.first().copied().unwrap_or(b'\n');
        if first == b'\n'
            && let Some(class) = self.carriage.take()
        {
            self.add(class, 1);
            return 1;
        }
        let class =
            if self.run.bytes > 0 { self.end_run(RunEnd::LineOrFrame) } else { self.on_line.unwrap_or(Class::Blank) };
        self.on_line = None;
        self.line += 1;
        if first == b'\r' && here.get(1) == Some(&b'\n') {
            self.carriage = None;
            self.add(class, 2);
            return 2;
        }
        self.carriage = (first == b'\r').then_some(class);
        self.add(class, 1);
        1
    }

    fn frame(&mut self, here: &[u8], place: Place, at_end: bool, sink: &mut impl Sink) -> Look {
        let (Some(high), Some(low)) = (here.get(1), here.get(2)) else {
            // One more byte may already say no.
            let hopeless = here.get(1).is_some_and(|high| high & 0xFC != 0);
            return if at_end || hopeless { Look::No } else { Look::Wait };
        };
        if high & 0xFC != 0 {
            return Look::No;
        }
        let length = (usize::from(*high) << 8 | usize::from(*low)) + FRAMING_BYTES;
        debug_assert!(length <= MAX_FRAME_BYTES);
        let Some(frame) = here.get(..length) else {
            return if at_end { Look::No } else { Look::Wait };
        };
        if !self.check.good(place.offset, frame) {
            sink.fault(place, Fault::Crc, &[]);
            return Look::No;
        }
        if self.run.bytes > 0 {
            self.end_run(RunEnd::LineOrFrame);
        }
        self.on_line = None;
        Look::Took(length, sink.frame(place, frame))
    }

    fn sentence(&mut self, here: &[u8], place: Place, at_end: bool, sink: &mut impl Sink) -> Look {
        let text = here.get(1..).unwrap_or_default();
        let window = text.get(..SENTENCE_MAX).unwrap_or(text);
        // What was looked at before (an earlier candidate that was none, or the same one when its end had not come) is not
        // looked at again: bytes made of `!` and addresses would be read a hundred times.
        let start = place.offset + 1;
        let known = if (self.clean.0..self.clean.1).contains(&start) {
            ((self.clean.1 - start) as usize).min(window.len())
        } else {
            0
        };
        let (more, sum) = printable(window.get(known..).unwrap_or_default());
        let length = known + more;
        self.clean = (start, start + length as u64);
        let body = window.get(..length).unwrap_or_default();
        let (taken, class) = match window.get(length) {
            Some(b'*') => {
                let (Some(tens), Some(ones)) = (text.get(length + 1), text.get(length + 2)) else {
                    if !at_end {
                        return Look::Wait;
                    }
                    return self.broken(text.len() + 1, body, Fault::Cut, place, sink);
                };
                let (Some(tens), Some(ones)) = (hex(*tens), hex(*ones)) else {
                    return self.broken(length + 2, body, Fault::Digits, place, sink);
                };
                let written = tens << 4 | ones;
                let sum = if known > 0 { body.iter().fold(0, |sum, b| sum ^ b) } else { sum };
                if written != sum {
                    sink.fault(place, Fault::Checksum { written, computed: sum }, body);
                    (length + 4, Class::Failed)
                } else {
                    (length + 4, sink.sentence(place, Body::first(text, length), true))
                }
            }
            Some(b'\r' | b'\n') if address_like(body) => {
                (length + 1, sink.sentence(place, Body::first(text, length), false))
            }
            Some(b'\r' | b'\n') => return self.broken(length + 1, body, Fault::Cut, place, sink),
            Some(_) => return self.broken(length + 1, body, Fault::Cut, place, sink),
            None if window.len() == SENTENCE_MAX => return Look::No,
            None if at_end => return self.broken(length + 1, body, Fault::Cut, place, sink),
            None => return Look::Wait,
        };
        self.took(taken, class)
    }

    fn took(&mut self, bytes: usize, class: Class) -> Look {
        if self.run.bytes > 0 {
            self.end_run(RunEnd::Sentence);
        }
        self.on_line = Some(class);
        Look::Took(bytes, class)
    }

    /// A sentence that breaks off, if it looks like one at all; else its `$` is a plain byte.
    fn broken(&mut self, bytes: usize, body: &[u8], fault: Fault, place: Place, sink: &mut impl Sink) -> Look {
        let upper = matches!(body, [a, b, ..] if a.is_ascii_uppercase() && b.is_ascii_uppercase());
        if !upper || (body.len() > 8 && !body.iter().take(9).any(|b| *b == b',')) {
            return Look::No;
        }
        sink.fault(place, fault, body);
        self.took(bytes, Class::Cut)
    }
}

#[derive(Clone, Copy)]
enum RunEnd {
    Sentence,
    LineOrFrame,
}

/// `!` begins a sentence only before an address and a comma, for it is common in text. `None`: not enough bytes yet.
fn encapsulated(here: &[u8], at_end: bool) -> Option<bool> {
    let body = here.get(1..).unwrap_or_default();
    match body.get(..6) {
        Some(start) => Some(address_like(start)),
        None if at_end => Some(false),
        None => None,
    }
}

/// Talker, type and a comma, or a proprietary address and a comma.
fn address_like(body: &[u8]) -> bool {
    let comma = body.iter().take(9).position(|b| *b == b',');
    comma.is_some_and(|n| {
        ((5..=8).contains(&n) || (n == 4 && body.first() == Some(&b'P')))
            && body.get(..n).is_some_and(|a| a.iter().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit()))
    })
}

#[inline]
pub(in crate::formats) fn hex(digit: u8) -> Option<u8> {
    match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'A'..=b'F' => Some(digit - b'A' + 10),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    }
}

const ONES: u64 = 0x0101_0101_0101_0101;
const HIGHS: u64 = 0x8080_8080_8080_8080;

/// Marks (at least) the lowest byte of `x` that is zero.
#[inline]
fn zero_bytes(x: u64) -> u64 {
    x.wrapping_sub(ONES) & !x & HIGHS
}

/// How many bytes may stand in a sentence (printable, not `*`, not `$`), and their XOR; eight bytes at a time.
#[inline]
fn printable(bytes: &[u8]) -> (usize, u8) {
    let mut length = 0;
    let mut sum = 0_u64;
    let (eights, _) = bytes.as_chunks::<8>();
    for eight in eights {
        let x = u64::from_le_bytes(*eight);
        let below_blank = x.wrapping_sub(ONES * 0x20) & !x & HIGHS;
        let delete = zero_bytes(x ^ (ONES * 0x7F));
        let stop = below_blank | (x & HIGHS) | zero_bytes(x ^ (ONES * 0x2A)) | zero_bytes(x ^ (ONES * 0x24)) | delete;
        if stop != 0 {
            // The lowest mark is exact, whatever carries did above it.
            let n = (stop.trailing_zeros() / 8) as usize;
            length += n;
            sum ^= if n == 0 { 0 } else { x & (u64::MAX >> (64 - 8 * n)) };
            return (length, fold(sum));
        }
        sum ^= x;
        length += 8;
    }
    let mut sum = fold(sum);
    for byte in bytes.get(length..).unwrap_or_default() {
        if !(0x20..0x7F).contains(byte) || matches!(*byte, b'*' | b'$') {
            break;
        }
        sum ^= *byte;
        length += 1;
    }
    (length, sum)
}

#[inline]
fn fold(sum: u64) -> u8 {
    let sum = sum ^ sum >> 32;
    let sum = sum ^ sum >> 16;
    (sum ^ sum >> 8) as u8
}
