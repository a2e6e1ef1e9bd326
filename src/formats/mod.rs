//! Decoders: bytes of one file in, rows + problems + byte ledger out. A decoder returns what it understood *and* what it
//! did not; only reading itself can fail. Nothing here knows folders, zips, units or causes.
//!
//! To add a format: a folder or file here that implements [`Stream`], one `mod` line and one entry in [`recognise`].

pub mod bits;
pub mod ionex;
pub mod rinex;
pub mod rtcm;
pub mod sitelog;
pub mod tally;

use crate::maths::orbits::Ephemeris;
use crate::model::clock::DateHints;
use crate::model::look::FileLook;
use crate::model::rows::Rows;
use crate::model::time::UtcMs;
use std::collections::BTreeSet;
use std::io::Read;

/// What a decoder is told about the file.
#[derive(Debug, Clone, Default)]
pub struct FileContext {
    /// Path inside the bundle, for messages and file patterns.
    pub path: String,
    /// What is known about its date from outside.
    pub hints: DateHints,
}

/// Names that a file gives for the unit that wrote it; used to find the unit when no card tells.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
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
    /// What was in it, for the frames.
    pub rows: Rows,
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
    /// The end of the file: nothing may be waited for any more.
    fn finish(self: Box<Self>) -> Parsed;
}

/// How many bytes of a file are looked at to recognise it.
pub const HEAD_BYTES: usize = 64 * 1024;
/// How many bytes are read at a time.
pub const CHUNK_BYTES: usize = 256 * 1024;

/// The decoder for a file that begins with `head` (up to [`HEAD_BYTES`]; the whole file when it is shorter); content
/// decides, never the name. `None`: not one of the open formats.
pub fn recognise(_head: &[u8], _context: &FileContext) -> Option<Box<dyn Stream>> {
    None
}

/// Reads one file to its end.
///
/// # Errors
/// Only what the reader reports; the bytes read so far are then lost to the caller, who lists the file as unreadable.
pub fn read(_reader: &mut dyn Read, _context: &FileContext) -> std::io::Result<Parsed> {
    Ok(Parsed::default())
}
