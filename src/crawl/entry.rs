//! What is decided about one entry of a zip before it is read, and the readers around its content.

use super::Outcome;
use super::inflate::Inflate;
use super::limits::{Limits, size_text};
use super::magic::PEEK_BYTES;
use super::source::Section;
use super::zipdir::Entry;
use crate::model::problem::Problem;
use crate::model::time::{DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, UtcMs, days_from_date};
use std::collections::BTreeMap;
use std::io::{self, Cursor, Read};

/// Of several entries with one name the last counts, as it would when the zip is unpacked.
pub(super) fn superseded(sorted: &[Entry]) -> BTreeMap<usize, Problem> {
    let mut refused = BTreeMap::new();
    for (n, pair) in sorted.windows(2).enumerate() {
        if let [earlier, later] = pair
            && earlier.name == later.name
        {
            // The sort is stable, so the order of the table is kept among equals.
            refused.insert(
                n,
                Problem::whole(
                    "the zip holds several files of this name; the last one is read",
                    "if the earlier ones matter, give each its own name",
                ),
            );
        }
    }
    refused
}

/// Entries whose bytes lie inside those of another: the mark of a zip made by hand to unpack to more than it holds.
pub(super) fn overlapping(entries: &[Entry]) -> BTreeMap<usize, Problem> {
    let mut by_place: Vec<usize> = (0..entries.len()).collect();
    by_place.sort_by_key(|n| entries.get(*n).map(|entry| (entry.header_at, *n)));
    let mut refused = BTreeMap::new();
    let mut end = 0;
    for n in by_place {
        let Some(entry) = entries.get(n) else { continue };
        if entry.header_at < end {
            refused.insert(
                n,
                Problem::whole(
                    "its bytes overlap with those of another file of the zip",
                    "no ordinary program writes such a zip; see who made it",
                ),
            );
        } else {
            end = entry.end();
        }
    }
    refused
}

/// Entries that are not even tried.
pub(super) fn cannot_read(entry: &Entry, limits: &Limits) -> Option<(Outcome, Problem)> {
    let whole = |outcome, what: String, hint: &str| Some((outcome, Problem::whole(what, hint)));
    match entry.unix_type {
        0 | 0o100_000 => {}
        0o120_000 => {
            return whole(
                Outcome::Refused,
                "it is a link, which is not followed".into(),
                "put the file itself into the zip",
            );
        }
        _ => return whole(Outcome::Refused, "it is not a regular file".into(), "leave it out of the zip"),
    }
    if entry.encrypted {
        return whole(Outcome::Unreadable, "it is encrypted".into(), "ask for it without a password");
    }
    if entry.method != 0 && entry.method != 8 {
        let what = format!("it is packed with {}, which is not read", method_name(entry.method));
        return whole(Outcome::Unreadable, what, "zip it again with the ordinary method (deflate)");
    }
    match entry.size {
        Some(size) if size > limits.max_member_bytes => {
            let what = format!(
                "it says it unpacks to {}, {} are allowed",
                size_text(size),
                size_text(limits.max_member_bytes)
            );
            whole(Outcome::Refused, what, "see whether this is a log at all; if so, raise the limit")
        }
        _ => None,
    }
}

/// Methods of APPNOTE 6.3.10 §4.4.5.
fn method_name(method: u16) -> String {
    match method {
        1 => "shrink".into(),
        2..=5 => "reduce".into(),
        6 => "implode".into(),
        9 => "deflate64".into(),
        12 => "bzip2".into(),
        14 => "LZMA".into(),
        93 => "zstd".into(),
        95 => "xz".into(),
        98 => "PPMd".into(),
        99 => "encryption (AES)".into(),
        other => format!("method {other}"),
    }
}

/// A DOS date and time as if it were UTC.
pub(super) fn dos_time(date: u16, time: u16) -> Option<UtcMs> {
    let (year, month, day) = (1980 + i32::from(date >> 9), u32::from((date >> 5) & 15), u32::from(date & 31));
    let (hour, minute, second) = (i64::from(time >> 11), i64::from((time >> 5) & 63), i64::from(time & 31) * 2);
    if (year, month, day) == (1980, 1, 1) || hour > 23 || minute > 59 || second > 59 {
        return None;
    }
    let days = days_from_date(year, month, day)?;
    Some(days * DAY_MS + hour * HOUR_MS + minute * MINUTE_MS + second * SECOND_MS)
}

/// The first bytes of a stream, and the stream with them put back. An error is left for the next reader to meet.
pub(super) fn peek(mut reader: Box<dyn Read>) -> (Vec<u8>, Box<dyn Read>) {
    let mut head = vec![0; PEEK_BYTES];
    let mut filled = 0;
    let mut error = None;
    while let Some(rest) = head.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        match reader.read(rest) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => {
                error = Some(e);
                break;
            }
        }
    }
    head.truncate(filled);
    let front = Cursor::new(head.clone());
    match error {
        Some(e) => (head, Box::new(front.chain(Failing(Some(e))))),
        None => (head, Box::new(front.chain(reader))),
    }
}

/// Gives an error once.
struct Failing(Option<io::Error>);

impl Read for Failing {
    fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
        self.0.take().map_or(Ok(0), Err)
    }
}

/// Compares what came out of a zip entry with what its table says.
pub(super) struct Checked<R> {
    inner: R,
    crc: crc32fast::Hasher,
    bytes: u64,
    expect_crc: Option<u32>,
    expect_size: Option<u64>,
    /// The table's compressed size can be relied on.
    sure_of_packed: bool,
    ended: bool,
}

impl<R: Unused> Checked<R> {
    pub fn new(inner: R, entry: &Entry) -> Checked<R> {
        Checked {
            inner,
            crc: crc32fast::Hasher::new(),
            bytes: 0,
            expect_crc: entry.crc,
            expect_size: entry.size,
            sure_of_packed: entry.crc.is_some(),
            ended: false,
        }
    }

    fn at_end(&mut self) -> io::Result<usize> {
        self.ended = true;
        let wrong = |what: String| Err(io::Error::new(io::ErrorKind::InvalidData, what));
        if self.expect_crc.is_some_and(|crc| crc != self.crc.clone().finalize()) {
            return wrong("the checksum does not match: some bytes before this place are wrong".into());
        }
        match self.expect_size {
            Some(size) if size != self.bytes => {
                return wrong(format!("the zip says the file has {size} bytes, it has {}", self.bytes));
            }
            _ => {}
        }
        let left = if self.sure_of_packed { self.inner.unused() } else { 0 };
        if left > 0 {
            return wrong(format!("{left} compressed bytes of the file are not used by it"));
        }
        Ok(0)
    }
}

/// Compressed bytes that a reader did not need.
pub(super) trait Unused: Read {
    fn unused(&mut self) -> u64;
}

impl Unused for Section {
    fn unused(&mut self) -> u64 {
        0
    }
}

impl Unused for Inflate<Section> {
    fn unused(&mut self) -> u64 {
        self.input().left()
    }
}

impl<R: Unused> Read for Checked<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if self.ended || out.is_empty() {
            return Ok(0);
        }
        match self.inner.read(out) {
            Ok(0) => self.at_end(),
            Ok(n) => {
                self.crc.update(out.get(..n).unwrap_or_default());
                self.bytes += n as u64;
                Ok(n)
            }
            Err(e) => {
                if e.kind() != io::ErrorKind::Interrupted {
                    self.ended = true;
                }
                Err(e)
            }
        }
    }
}
