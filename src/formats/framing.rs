//! Streams of NMEA 0183 sentences and RTCM 3 frames, each alone or mixed (captures of a serial port): one pass cuts the
//! bytes ([`scan`]), two decoders read them on one clock.
//!
//! - A sentence without a checksum is read only in a file whose head (the first [`super::HEAD_BYTES`]) has no sentence with
//!   one: such receivers exist. From the first checksum on, a missing one is a damaged line.
//! - Frames in a capture whose sentences are RTK fixed or float are corrections that this unit received: their rows go to
//!   [`Parsed::received`], for they are about the base. In any other file they are the unit's own.
//! - Times of day (NMEA) and of week (RTCM) share one stream clock; the first full date of either dates both.

mod crc;
pub(super) mod found;
mod scan;

use super::piece::{Moved, Piece, Settle, prefer_observables, rows_before, settled_before};
use super::rtcm::{self, Booked};
use super::{FileContext, Identity, Parsed, Stream, nmea};
use crate::model::clock::{DateSource, StreamClock};
use crate::model::ledger::Ledger;
use crate::model::look::{FileLook, Format};
use crate::model::problem::{Problem, Problems};
use crate::model::rows::Rows;
use crate::model::time::rfc3339;
use std::collections::BTreeSet;

use found::{Body, Class, Fault, Place, Sink};
use scan::Scanner;
pub(super) use scan::hex;

/// Fewest lines that look like sentences for a file without a single good one.
const LIKE_SENTENCES: u64 = 3;
/// With so many good sentences among its lines (1 of so many) a text file is a log of sentences for certain.
const CERTAIN_SHARE: u64 = 4;

/// What the head of a file holds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct HeadLook {
    /// RTCM frames with a good CRC.
    pub frames: u64,
    /// Sentences with a good checksum.
    pub sentences: u64,
    /// Sentences without checksum, by their address.
    pub unchecked: u64,
    /// Sentences whose checksum is wrong or cut off.
    pub damaged: u64,
    /// Line ends.
    pub lines: u64,
}

impl HeadLook {
    /// Looks at the head of a file.
    pub fn of(head: &[u8]) -> HeadLook {
        let mut look = HeadLook::default();
        let mut scanner = Scanner::new();
        scanner.feed(head, &mut look);
        scanner.finish(&mut look);
        look.lines = scanner.line().saturating_sub(1);
        look
    }

    /// The file is a framed stream: one good record, or some lines that look like sentences.
    pub fn is_framed(&self) -> bool {
        self.frames + self.sentences > 0 || self.unchecked + self.damaged >= LIKE_SENTENCES
    }

    /// The file is nothing else: it holds a frame, or sentences make a good part of its lines.
    pub fn is_certain(&self) -> bool {
        self.frames > 0 || (self.sentences > 0 && self.sentences * CERTAIN_SHARE >= self.lines)
    }

    /// No sentence has a checksum.
    fn accepts_unchecked(&self) -> bool {
        self.sentences == 0 && self.damaged == 0 && self.unchecked > 0
    }
}

impl Sink for HeadLook {
    fn frame(&mut self, _: Place, _: &[u8]) -> Class {
        self.frames += 1;
        Class::Decoded
    }

    fn sentence(&mut self, _: Place, _: Body<'_>, checked: bool) -> Class {
        if checked {
            self.sentences += 1;
        } else {
            self.unchecked += 1;
        }
        Class::Decoded
    }

    fn fault(&mut self, _: Place, fault: Fault, _: &[u8]) {
        if fault != Fault::Crc {
            self.damaged += 1;
        }
    }
}

/// A decoder for a framed file that begins with `head`.
pub fn stream(look: &HeadLook, context: &FileContext) -> Box<dyn Stream> {
    Box::new(Framed { scanner: Scanner::new(), readers: Readers::new(look, context) })
}

/// The stream decoder.
struct Framed {
    scanner: Scanner,
    readers: Readers,
}

impl Stream for Framed {
    fn feed(&mut self, bytes: &[u8]) {
        self.scanner.feed(bytes, &mut self.readers);
    }

    fn held(&self) -> usize {
        self.readers.nmea.held() + self.readers.rtcm.held()
    }

    fn piece(&mut self) -> Piece {
        self.readers.piece()
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        self.scanner.finish(&mut self.readers);
        self.readers.finish(&self.scanner)
    }
}

/// Both decoders and what they share.
struct Readers {
    path: String,
    clock: StreamClock,
    problems: Problems,
    nmea: nmea::Decoder,
    rtcm: rtcm::Decoder,
    frames: u64,
    /// Bytes of frames that were left aside, by reason.
    skipped_frames: Vec<(&'static str, u64)>,
    sentences: u64,
    /// Sentences that were read without a checksum.
    unchecked: u64,
    accept_unchecked: bool,
    failed: u64,
    /// Rows were given out before the end.
    gave: bool,
}

impl Readers {
    fn new(look: &HeadLook, context: &FileContext) -> Readers {
        Readers {
            path: context.path.clone(),
            clock: StreamClock::new(context.hints),
            problems: Problems::default(),
            nmea: nmea::Decoder::new(),
            rtcm: rtcm::Decoder::new(),
            frames: 0,
            skipped_frames: Vec::new(),
            sentences: 0,
            unchecked: 0,
            accept_unchecked: look.accepts_unchecked(),
            failed: 0,
            gave: false,
        }
    }

    /// Rows that nothing in the rest of the file touches; what is learned late is settled at the end ([`Settle`]).
    fn piece(&mut self) -> Piece {
        let open = [self.nmea.open_minute(), self.rtcm.open_minute()];
        let both = open.iter().all(Option::is_some) && !self.nmea.uses_corrections();
        let before = both.then(|| settled_before(open, self.rtcm.first_changing(), self.clock.last()));
        let (own, lists) = self.nmea.give_out(|times| before.map_or(times.len(), |b| rows_before(times, b)));
        let mut heard = self.rtcm.give_out(|times| before.map_or(times.len(), |b| rows_before(times, b)));
        if self.nmea.uses_corrections() {
            heard = Rows::default();
        }
        self.gave = true;
        let moved = Moved { sentences_ms: self.nmea.moved_ms(), frames_ms: self.rtcm.moved_ms() };
        Piece { own, lists, heard, moved }
    }

    fn finish(mut self, scanner: &Scanner) -> Parsed {
        self.nmea.close();
        let outcome = self.clock.finish();
        self.nmea.shift(outcome.shift);
        self.rtcm.shift(&outcome.shift);
        let moved = Moved { sentences_ms: self.nmea.moved_ms(), frames_ms: self.rtcm.moved_ms() };
        let mut look = FileLook { path: self.path, compressed: "none".to_owned(), ..FileLook::default() };
        look.format = match (self.sentences > 0, self.frames > 0) {
            (true, true) => Format::NmeaRtcm3,
            (false, true) => Format::Rtcm3,
            _ => Format::Nmea,
        };
        let mut ledger = Ledger::default();
        for (class, bytes) in scanner.sums() {
            match (class, class.reason()) {
                (Class::Unknown, _) => ledger.unknown(bytes),
                (Class::SkippedFrame, _) => {
                    self.skipped_frames.iter().for_each(|(reason, bytes)| ledger.skipped(*bytes, reason));
                }
                (_, Some(reason)) => ledger.skipped(bytes, reason),
                (_, None) => ledger.decoded(bytes),
            }
        }
        look.bytes = ledger;
        look.failed_checks = self.failed;
        let uses_corrections = self.nmea.uses_corrections();
        let settle = Settle { moved, received: uses_corrections, refused: Vec::new() };
        let mut span = self.nmea.ends();
        let mut own = self.nmea.finish(&mut look, &mut self.problems);
        let pieces = self.rtcm.finish();
        span = match (span, pieces.span) {
            (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
            (a, b) => a.or(b),
        };
        look.counts.extend(pieces.counts);
        look.station_ids.extend(&pieces.station_ids);
        look.positions = pieces.positions;
        look.descriptions = pieces.descriptions;
        look.epochs = look.epochs.or(pieces.epochs);
        let (mut heard, mut received) = (pieces.rows, Rows::default());
        if uses_corrections {
            received = heard;
        } else {
            if !pieces.signals.is_empty() {
                look.signals = pieces.signals;
                look.satellites = pieces.satellites;
            }
            prefer_observables(&mut own, &mut heard);
            own.append(heard);
        }
        if self.unchecked > 0 {
            self.problems.note("sentences without checksum", || {
                Problem::whole(
                    format!("{} sentences were read although the file has no checksums", self.unchecked),
                    "damaged lines cannot be told from good ones: switch checksums on in the receiver or logger",
                )
            });
        }
        for note in outcome.notes {
            self.problems.note("date", || {
                Problem::whole(note, "check the receiver's date, the unit card's logged_on and the file name")
            });
        }
        let undated = outcome.source.is_none() && (self.gave || !(own.is_empty() && received.is_empty()));
        if undated {
            self.problems.note("no date", || {
                Problem::whole(
                    "times of day but no date anywhere: the rows cannot be placed",
                    "give logged_on in unit.toml, or log RMC or ZDA as well",
                )
            });
        }
        look.date_from = outcome.source.filter(|_| span.is_some()).map(DateSource::words).map(str::to_owned);
        if let Some((from, to)) = span.filter(|_| !undated) {
            look.from = Some(rfc3339(from));
            look.to = Some(rfc3339(to));
        }
        look.problems = self.problems.into_list();
        look.problems.extend(pieces.problems);
        // Ids of corrections that a rover heard are not its own.
        let station_ids = if uses_corrections { BTreeSet::new() } else { pieces.station_ids };
        // 1033 of the unit's own stream; of a rover `own` holds none that it only heard.
        let serials = own.descriptions.receiver_serial.iter().map(|s| s.trim()).filter(|s| !s.is_empty());
        let receiver_serials = serials.map(str::to_owned).collect();
        let identity = Identity { station_ids, receiver_serials, ..Identity::default() };
        // An undated stream's orbits have no week either.
        let ephemerides =
            if undated { Vec::new() } else { pieces.orbits.iter().filter_map(rtcm::orbits::ephemeris).collect() };
        Parsed { look, rows: own, received, settle, span, identity, ephemerides, undated, ..Parsed::default() }
    }
}

impl Sink for Readers {
    fn frame(&mut self, place: Place, frame: &[u8]) -> Class {
        self.frames += 1;
        let outcome = self.rtcm.frame(place.offset, frame, &mut self.clock);
        if let Some(shift) = outcome.shift {
            self.nmea.shift(shift);
        }
        let Booked::Skipped(reason) = outcome.booked else { return Class::Decoded };
        let bytes = frame.len() as u64;
        match self.skipped_frames.iter_mut().find(|(r, _)| *r == reason) {
            Some((_, sum)) => *sum += bytes,
            None => self.skipped_frames.push((reason, bytes)),
        }
        Class::SkippedFrame
    }

    fn sentence(&mut self, place: Place, body: Body<'_>, checked: bool) -> Class {
        if checked {
            self.accept_unchecked = false;
        } else if self.accept_unchecked {
            self.unchecked += 1;
        } else {
            self.problems.note("sentence without checksum", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    format!("sentence {} has no checksum, other lines of the file have one", address(body.text())),
                    "the line is not used: it was probably cut",
                )
            });
            return Class::Unchecked;
        }
        self.sentences += 1;
        let outcome = self.nmea.sentence(body, place, &mut self.clock, &mut self.problems);
        if let Some(shift) = outcome.shift {
            self.rtcm.shift(&shift);
        }
        outcome.class
    }

    fn fault(&mut self, place: Place, fault: Fault, body: &[u8]) {
        match fault {
            Fault::Checksum { written, computed } => {
                self.failed += 1;
                self.problems.note("NMEA checksum", || {
                    Problem::on_line(
                        place.line,
                        place.offset,
                        format!(
                            "sentence {} says checksum {written:02X}, its characters give {computed:02X}",
                            address(body)
                        ),
                        "the line is not used; many of these: check the serial cable, baud rate and logger",
                    )
                });
            }
            Fault::Digits => self.problems.note("NMEA checksum digits", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    format!("sentence {} has no two hex digits behind '*'", address(body)),
                    "the line is not used",
                )
            }),
            Fault::Cut => self.problems.note("broken-off sentence", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    format!("sentence {} breaks off after {} characters", address(body), body.len()),
                    "the line is not used; many of these: the logger or port loses bytes",
                )
            }),
            Fault::Crc => {
                self.failed += 1;
                self.problems.note("RTCM CRC", || {
                    Problem::at(
                        place.offset,
                        "RTCM 3 preamble and length, but the CRC-24Q does not fit",
                        "a damaged frame, or a byte of other data that looks like a preamble; the search went on one byte later",
                    )
                });
            }
        }
    }
}

/// The address of a sentence for messages: at most eight printable characters.
fn address(body: &[u8]) -> String {
    let name: String = body.iter().take_while(|b| **b != b',').take(8).map(|b| char::from(*b)).collect();
    if name.is_empty() { "without address".to_owned() } else { name }
}

#[cfg(test)]
mod tests;
