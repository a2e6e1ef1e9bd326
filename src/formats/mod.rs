//! Decoders: bytes of one file in, rows + problems + byte ledger out. A decoder returns what it understood *and* what it
//! did not; only reading itself can fail. Nothing here knows folders, zips, units or causes.
//!
//! To add a format: a folder or file here that implements [`Stream`], one `mod` line and one entry in [`recognise`].

pub mod bits;
pub mod framing;
pub mod ionex;
mod nmea;
pub mod piece;
pub mod rinex;
pub mod rtcm;
pub mod sitelog;
mod swar;
pub mod tally;
pub mod text;

use crate::maths::orbits::Ephemeris;
use crate::model::clock::DateHints;
use crate::model::look::FileLook;
use crate::model::problem::Problem;
use crate::model::rows::Rows;
use crate::model::time::UtcMs;
use piece::{FIRST_BYTES, PIECE_BYTES, Piece, Settle, Shelf};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io::Read;
use text::FormatSettings;

/// What a decoder is told about the file.
#[derive(Debug, Clone, Default)]
pub struct FileContext {
    /// Path inside the bundle, for messages and file patterns.
    pub path: String,
    /// What is known about its date from outside.
    pub hints: DateHints,
}

/// Names that a file gives for the unit that wrote it; used to find the unit when no card tells.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// RTCM station ids (DF003) of a correction stream in the file.
    pub station_ids: BTreeSet<u16>,
    /// RINEX marker names.
    pub markers: BTreeSet<String>,
    /// Receiver serial numbers.
    pub receiver_serials: BTreeSet<String>,
}

/// Everything one file gave.
#[derive(Debug, Clone, Default)]
pub struct Parsed {
    /// What was in it, for people (`lostfix look`, run.log).
    pub look: FileLook,
    /// What was in it, for the frames; of a file that was read onto a shelf, what is behind its pieces.
    pub rows: Rows,
    /// What is to be done with these pieces.
    pub settle: Settle,
    /// Rows of correction frames in a capture of a unit that uses corrections itself: about the base that sent them.
    pub received: Rows,
    /// First and last epoch.
    pub span: Option<(UtcMs, UtcMs)>,
    /// Who wrote it, by its own words.
    pub identity: Identity,
    /// Broadcast orbits, in the order of the file.
    pub ephemerides: Vec<Ephemeris>,
    /// Ionosphere maps (IONEX).
    pub maps: Option<Box<ionex::Maps>>,
    /// Antenna, cable and receiver history (IGS site log).
    pub site_log: Option<Box<sitelog::SiteLog>>,
    /// The rows have times of day or week but no date is known: they cannot be placed.
    pub undated: bool,
}

/// A decoder of one file, fed in pieces of any size.
pub trait Stream {
    /// The next bytes of the file.
    fn feed(&mut self, bytes: &[u8]);
    /// Bytes of rows that are held, about; only of decoders that give out pieces.
    fn held(&self) -> usize {
        0
    }
    /// Gives out rows that nothing in the rest of the file touches.
    fn piece(&mut self) -> Piece {
        Piece::default()
    }
    /// The end of the file: nothing may be waited for any more.
    fn finish(self: Box<Self>) -> Parsed;
}

/// How many bytes of a file are looked at to recognise it.
pub const HEAD_BYTES: usize = 64 * 1024;
/// How many bytes are read at a time.
pub const CHUNK_BYTES: usize = 256 * 1024;

/// The decoder for a file that begins with `head` (up to [`HEAD_BYTES`]; the whole file when it is shorter); content
/// decides, never the name. `None`: not one of the open formats.
pub fn recognise(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    if foreign_by_form(head).is_some() {
        return None;
    }
    let framed = framing::HeadLook::of(head);
    if framed.is_certain() {
        return Some(framing::stream(&framed, context));
    }
    let archive =
        rinex::sniff(head, context).or_else(|| ionex::sniff(head, context)).or_else(|| sitelog::sniff(head, context));
    if archive.is_some() {
        return archive;
    }
    // A syslog may hold a sentence, so only certain streams come before it.
    if let Some(stream) = text::sniff(head, context, settings) {
        return Some(stream);
    }
    if framed.is_framed() {
        return Some(framing::stream(&framed, context));
    }
    text::sniff_mismatch(head, context, settings)
}

/// Shortest file that can say what it is.
const SHORTEST: usize = 4;

/// Why a file is foreign by its form alone, in words and with a hint.
fn foreign_by_form(head: &[u8]) -> Option<(&'static str, &'static str)> {
    match head {
        [] => return Some(("the file is empty", "nothing to do; if data was expected, the logger wrote none")),
        _ if head.len() < SHORTEST => {
            return Some((
                "the file is too short to say what it is",
                "nothing to do; if data was expected, it was cut off",
            ));
        }
        _ => {}
    }
    if is_utf16(head) {
        return Some(("text in UTF-16, which no open format uses", "save the file as plain text (ASCII or UTF-8)"));
    }
    None
}

/// Text with two bytes a character: a byte order mark and zero bytes, or zeros in every second place only.
fn is_utf16(head: &[u8]) -> bool {
    let head = head.get(..4_096).unwrap_or(head);
    let zeros = |from: usize| head.iter().skip(from).step_by(2).filter(|b| **b == 0).count();
    let (even, odd) = (zeros(0), zeros(1));
    let half = head.len() / 2;
    let marked = matches!(head, [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..]);
    let one_sided = even.min(odd) * 20 < half && even.max(odd) * 10 > half * 8;
    // In the other places there must be text.
    let text = head.iter().filter(|b| matches!(b, b' '..=b'~' | b'\r' | b'\n' | b'\t')).count() * 10 > half * 8;
    one_sided && (marked || text)
}

/// A file of none of the open formats: only counted.
struct Foreign {
    path: String,
    bytes: u64,
    reason: (&'static str, &'static str),
}

impl Stream for Foreign {
    fn feed(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
    }

    fn finish(self: Box<Self>) -> Parsed {
        let mut look = FileLook { path: self.path, compressed: "none".to_owned(), ..FileLook::default() };
        look.bytes.unknown(self.bytes);
        look.problems.push(Problem::whole(self.reason.0, self.reason.1));
        Parsed { look, ..Parsed::default() }
    }
}

/// The decoder for a file that begins with `head`, or one that only counts the bytes of a foreign file.
fn decoder(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Box<dyn Stream> {
    recognise(head, context, settings).unwrap_or_else(|| {
        let reason = foreign_by_form(head).unwrap_or((
            "not one of the open formats",
            "if the receiver can also log NMEA, RTCM 3 or RINEX, ask for that; a CSV can be read with a column_map",
        ));
        Box::new(Foreign { path: context.path.clone(), bytes: 0, reason })
    })
}

/// Reads one file to its end. A file of no open format gives [`crate::model::look::Format::Foreign`], all bytes unknown.
///
/// # Errors
/// Only what the reader reports; the bytes read so far are then lost to the caller, who lists the file as unreadable.
pub fn read(reader: &mut dyn Read, context: &FileContext, settings: &FormatSettings) -> std::io::Result<Parsed> {
    read_onto(reader, context, settings, None)
}

/// The same; rows of a long file go onto the shelf in pieces.
///
/// # Errors
/// As [`read`].
pub fn read_onto(
    reader: &mut dyn Read,
    context: &FileContext,
    settings: &FormatSettings,
    mut shelf: Option<&mut dyn Shelf>,
) -> std::io::Result<Parsed> {
    let mut head = Vec::with_capacity(HEAD_BYTES);
    reader.take(HEAD_BYTES as u64).read_to_end(&mut head)?;
    let mut stream = decoder(&head, context, settings);
    stream.feed(&head);
    if head.len() == HEAD_BYTES {
        let mut chunk = head;
        chunk.resize(CHUNK_BYTES, 0);
        // What stays behind a piece must not be asked for again and again.
        let mut limit = FIRST_BYTES;
        loop {
            match reader.read(&mut chunk) {
                Ok(0) => break,
                Ok(n) => stream.feed(chunk.get(..n).unwrap_or_default()),
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
            if let Some(shelf) = &mut shelf
                && stream.held() >= limit
            {
                if !shelf.put(stream.piece()) {
                    break;
                }
                limit = stream.held() + PIECE_BYTES;
            }
        }
    }
    Ok(stream.finish())
}
