//! NMEA 0183: bodies of sentences in, epochs and rows out. Framing and checksums are done in [`super::framing`].
//!
//! Used: GGA, GNS, RMC, GLL, GST, GSA, GSV, ZDA of any talker. Other sentences are counted by type (without talker),
//! proprietary ones by their whole address. One file a sentence, with its grammar at the top.
//!
//! To add a sentence: a file here, one `mod` line, one arm in [`Decoder::sentence`].

mod epoch;
mod field;
mod gga;
mod gns;
mod gsa;
mod gst;
mod gsv;
mod rmc;
mod satellite;
mod walk;
mod zda;

use super::framing::found::{Body, Class, Place};
use super::tally::{SignalAt, Tally};
use crate::model::clock::{Shift, StreamClock};
use crate::model::ids::{FixState, Signal};
use crate::model::look::{AgeRange, FileLook};
use crate::model::problem::{Problem, Problems};
use crate::model::rows::{Rows, SPAN_OBSERVATIONS, Spans};
use crate::model::time::UtcMs;
use epoch::{Epochs, Source};
use field::Fields;
use std::collections::{BTreeMap, BTreeSet};

/// Different sentence types that are counted by name; a file with more is damaged, the rest goes under `other`.
const TYPES_MAX: usize = 100;

/// Counts by sentence type, without allocating for a type that was met before.
#[derive(Debug, Clone, Default)]
struct Counts {
    types: Vec<([u8; 8], u64)>,
    other: u64,
}

impl Counts {
    fn add(&mut self, name: &[u8]) {
        let mut key = [0; 8];
        for (to, from) in key.iter_mut().zip(name) {
            *to = *from;
        }
        match self.types.iter().position(|(k, _)| *k == key) {
            Some(i) => {
                let Some((front, [(_, n), ..])) = self.types.split_at_mut_checked(i) else { return };
                *n += 1;
                // Frequent types move to the front.
                if front.last().is_some_and(|(_, before)| before < n) {
                    self.types.swap(i, i - 1);
                }
            }
            None if self.types.len() < TYPES_MAX => self.types.push((key, 1)),
            None => self.other += 1,
        }
    }

    fn into_map(self) -> BTreeMap<String, u64> {
        let mut map: BTreeMap<String, u64> = BTreeMap::new();
        for (key, n) in self.types {
            let name: Vec<u8> = key.into_iter().filter(|b| *b != 0).collect();
            *map.entry(String::from_utf8_lossy(&name).into_owned()).or_default() += n;
        }
        if self.other > 0 {
            *map.entry("other".to_owned()).or_default() += self.other;
        }
        map
    }
}

/// Correction ages of a file.
#[derive(Debug, Clone, Copy, Default)]
struct Ages {
    n: u64,
    sum: f64,
    min: f64,
    max: f64,
}

impl Ages {
    fn add(&mut self, age_s: f64) {
        if age_s.is_nan() {
            return;
        }
        (self.min, self.max) = if self.n == 0 { (age_s, age_s) } else { (self.min.min(age_s), self.max.max(age_s)) };
        self.n += 1;
        self.sum += age_s;
    }
}

/// What a sentence did.
pub(super) struct Outcome {
    /// What its bytes count as.
    pub(super) class: Class,
    /// Times given out before must move: those of this decoder have moved already.
    pub(super) shift: Option<Shift>,
}

/// Decoder of the sentences of one stream.
#[derive(Debug, Clone)]
pub(super) struct Decoder {
    epochs: Epochs,
    counts: Counts,
    /// By quality digit, then empty, then anything else.
    qualities: [u64; 12],
    ages: Ages,
    stations: BTreeSet<u16>,
    last_station: Option<u16>,
    paging: gsv::Paging,
    tally: Tally,
    /// Rows of the tally. Its spans are dropped: satellite lists are not observations.
    sky: Rows,
    uses_corrections: bool,
    timeless_satellites: u64,
    /// Sum of all shifts.
    moved_ms: i64,
}

impl Decoder {
    /// A decoder for one stream.
    pub(super) fn new() -> Decoder {
        Decoder {
            epochs: Epochs::default(),
            counts: Counts::default(),
            qualities: [0; 12],
            ages: Ages::default(),
            stations: BTreeSet::new(),
            last_station: None,
            paging: gsv::Paging::default(),
            tally: Tally::new(SPAN_OBSERVATIONS),
            sky: Rows::default(),
            uses_corrections: false,
            timeless_satellites: 0,
            moved_ms: 0,
        }
    }

    /// Takes what stands between `$` and `*` of a sentence with a good checksum (or of a file that has none).
    pub(super) fn sentence(
        &mut self,
        body: Body<'_>,
        place: Place,
        clock: &mut StreamClock,
        problems: &mut Problems,
    ) -> Outcome {
        let text = body.text();
        // Most of a log is satellite lists and positions: they are read without cutting all fields first.
        if let [a, b, b'G', kind @ (b'S' | b'G'), last @ (b'V' | b'A'), b',', ..] = text
            && *a != b'P'
            && a.is_ascii_alphanumeric()
            && b.is_ascii_alphanumeric()
        {
            if [*kind, *last] == *b"SV" {
                self.counts.add(b"GSV");
                self.gsv([*a, *b], &body, 6, place, problems);
                return Outcome { class: Class::Decoded, shift: None };
            }
            if [*kind, *last] == *b"GA" {
                self.counts.add(b"GGA");
                self.gga(&body, place, clock, problems);
                return Outcome { class: Class::Decoded, shift: None };
            }
        }
        let fields = Fields::of(text);
        let address = fields.get(0);
        let (talker, kind): ([u8; 2], &[u8]) = match address {
            // One maker's talker for QZSS and BeiDou looks proprietary but is not.
            [b'P', b'Q', kind @ ..] if kind.len() == 3 => {
                self.counts.add(address);
                (*b"PQ", kind)
            }
            [b'P', ..] => {
                self.counts.add(address);
                return Outcome { class: Class::Proprietary, shift: None };
            }
            [a, b, kind @ ..] => {
                self.counts.add(kind);
                ([*a, *b], kind)
            }
            _ => {
                self.counts.add(address);
                return Outcome { class: Class::UnusedSentence, shift: None };
            }
        };
        let mut shift = None;
        match kind {
            b"GGA" => self.gga(&body, place, clock, problems),
            b"GNS" => self.gns(&fields, clock),
            b"RMC" => shift = self.rmc(&fields, place, clock, problems),
            b"GLL" => self.simple(Source::Gll, &rmc::read_gll(&fields), clock),
            b"GST" => {
                if let Some(gst) = gst::read(&fields) {
                    self.epochs.sigmas(gst);
                }
            }
            b"GSA" => self.epochs.hdop(gsa::hdop(&fields)),
            b"GSV" => self.gsv(talker, &body, address.len() + 1, place, problems),
            b"ZDA" => {
                if let Some((day, of_day_ms)) = zda::read(&fields) {
                    shift = self.date(day, of_day_ms, clock, "ZDA");
                }
            }
            _ => return Outcome { class: Class::UnusedSentence, shift: None },
        }
        Outcome { class: Class::Decoded, shift }
    }

    fn gga(&mut self, body: &Body<'_>, place: Place, clock: &mut StreamClock, problems: &mut Problems) {
        let gga = gga::read(body);
        let slot = match gga.quality {
            Some(digit) => usize::from(digit),
            None => 10 + usize::from(gga.odd_quality),
        };
        if let Some(n) = self.qualities.get_mut(slot) {
            *n += 1;
        }
        self.ages.add(gga.age_s);
        if gga.station.is_some() && gga.station != self.last_station {
            self.last_station = gga.station;
            self.stations.extend(gga.station);
        }
        if gga.odd_position || gga.odd_quality {
            problems.note("GGA with a field that is no position or quality", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    "GGA has a good checksum but a position or quality that is none",
                    "the receiver wrote it so; the epoch is kept without that value",
                )
            });
        }
        let Some(of_day_ms) = gga.of_day_ms else {
            self.epochs.untimed();
            return;
        };
        self.epochs.at(of_day_ms, clock);
        self.uses_corrections |= matches!(gga.quality, Some(4 | 5));
        let base = gga.quality.is_some_and(|q| q <= 8) && gga.height_m.is_finite();
        self.epochs.fill(Source::Gga, base, |fix| {
            fix.state = gga.quality.map_or(FixState::None, FixState::from_gga_quality) as u8;
            fix.satellites = gga.satellites;
            fix.hdop = gga.hdop;
            fix.correction_age_s = gga.age_s as f32;
            fix.station_id = gga::base_station(gga.quality, gga.station);
            (fix.lat, fix.lon, fix.height_m) = (gga.lat, gga.lon, gga.height_m);
        });
    }

    fn gns(&mut self, fields: &Fields<'_>, clock: &mut StreamClock) {
        let gns = gns::read(fields);
        // The parts for single systems carry no modes.
        let (Some(of_day_ms), Some(state)) = (gns.of_day_ms, gns.state) else { return };
        self.epochs.at(of_day_ms, clock);
        self.uses_corrections |= matches!(state, FixState::Fixed | FixState::Float);
        let quality = if state == FixState::Dgnss { Some(2) } else { None };
        self.epochs.fill(Source::Gns, false, |fix| {
            fix.state = state as u8;
            fix.satellites = gns.satellites;
            fix.hdop = gns.hdop;
            fix.correction_age_s = gns.age_s as f32;
            fix.station_id = gga::base_station(quality, gns.station);
            (fix.lat, fix.lon, fix.height_m) = (gns.lat, gns.lon, gns.height_m);
        });
    }

    fn rmc(
        &mut self,
        fields: &Fields<'_>,
        place: Place,
        clock: &mut StreamClock,
        problems: &mut Problems,
    ) -> Option<Shift> {
        let rmc = rmc::read(fields);
        if rmc.odd_date {
            problems.note("RMC with a date that is none", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    "RMC has a good checksum but its date field is no date (ddmmyy)",
                    "the date is taken from other sentences",
                )
            });
        }
        let mut shift = None;
        if let (Some(day), Some(of_day_ms)) = (rmc.day, rmc.of_day_ms) {
            if rmc.valid {
                shift = self.date(day, of_day_ms, clock, "RMC");
            } else {
                clock.weak_date(day, of_day_ms, "RMC");
            }
        }
        self.simple(Source::Rmc, &rmc, clock);
        shift
    }

    /// A sentence with time, position and mode only.
    fn simple(&mut self, source: Source, rmc: &rmc::Rmc, clock: &mut StreamClock) {
        self.uses_corrections |= matches!(rmc.state, FixState::Fixed | FixState::Float);
        let Some(of_day_ms) = rmc.of_day_ms else { return };
        self.epochs.at(of_day_ms, clock);
        self.epochs.fill(source, false, |fix| {
            fix.state = rmc.state as u8;
            (fix.lat, fix.lon) = (rmc.lat, rmc.lon);
        });
    }

    /// A full date: moves what was given out before and corrects the open epoch.
    fn date(&mut self, day: i64, of_day_ms: i64, clock: &mut StreamClock, record: &'static str) -> Option<Shift> {
        let shift = clock.date(day, of_day_ms, record);
        if let Some(shift) = shift {
            self.shift(shift);
        }
        if let Some(exact) = clock.last() {
            self.epochs.dated(of_day_ms, exact);
        }
        shift
    }

    fn gsv(&mut self, talker: [u8; 2], body: &Body<'_>, from: usize, place: Place, problems: &mut Problems) {
        let now = self.epochs.now();
        if let Some(now) = now {
            self.tally.epoch(now, &mut self.sky);
        }
        let tally = &mut self.tally;
        // Before the first time the tally counts no cells by itself.
        let mut known: Option<(Signal, SignalAt)> = None;
        let page = gsv::read(talker, body, from, |cell| {
            let signal = match known {
                Some((signal, at)) if signal == cell.signal => at,
                _ => known.insert((cell.signal, tally.signal_at(cell.signal))).1,
            };
            tally.listed(cell.sat, signal, cell.cn0_dbhz, cell.azimuth, cell.elevation);
        });
        if now.is_none() {
            self.timeless_satellites += 1;
        }
        let Some(page) = page else { return };
        if self.paging.gap_before(page) {
            problems.note("GSV pages missing", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    "a GSV satellite list has missing pages before this one",
                    "lines were lost on the way to the log: check the port's speed and the logger",
                )
            });
        }
        if page.odd_numbers > 0 {
            problems.note("GSV with unknown satellite numbers", || {
                Problem::on_line(
                    place.line,
                    place.offset,
                    "GSV lists a satellite number that NMEA 0183 v4.11 and common practice do not know",
                    "that satellite is left out",
                )
            });
        }
    }

    /// Moves everything that was given out (also asked for from outside, when another format of the stream had the date).
    pub(super) fn shift(&mut self, shift: Shift) {
        self.moved_ms = self.moved_ms.saturating_add(shift.of_day_ms);
        self.epochs.shift(shift.of_day_ms);
        self.tally.shift(shift.of_day_ms);
        self.sky.shift(shift.of_day_ms);
    }

    /// Bytes of rows that are held.
    pub(super) fn held(&self) -> usize {
        self.epochs.held() + self.sky.bytes()
    }

    /// Start of the minute of satellite lists that is open.
    pub(super) fn open_minute(&self) -> Option<UtcMs> {
        self.tally.open_minute()
    }

    /// How far everything was moved so far, ms.
    pub(super) fn moved_ms(&self) -> i64 {
        self.moved_ms
    }

    /// Takes out rows of epochs and rows of satellite lists, of these as many of a table as `ready` says of its times.
    pub(super) fn give_out(&mut self, ready: impl Fn(&[UtcMs]) -> usize) -> (Rows, Rows) {
        self.sky.spans = Spans::default();
        let [signals, bands, systems] =
            [&self.sky.signals.time, &self.sky.bands.time, &self.sky.systems.time].map(|times| ready(times));
        let lists = self.sky.split_front(|table, n| match table {
            "signals" => signals,
            "bands" => bands,
            "systems" => systems,
            _ => n,
        });
        self.tally.gave_out(signals);
        (self.epochs.give_out(), lists)
    }

    /// Some epoch was RTK fixed or float: the unit uses corrections of another one.
    pub(super) fn uses_corrections(&self) -> bool {
        self.uses_corrections
    }

    /// First and last epoch.
    pub(super) fn ends(&self) -> Option<(UtcMs, UtcMs)> {
        self.epochs.ends()
    }

    /// Ends the last epoch. To be called before the last shift.
    pub(super) fn close(&mut self) {
        self.epochs.finish();
        self.tally.finish(&mut self.sky);
        self.sky.spans = Spans::default();
    }

    /// Gives out the rows and writes what the file held into `look`.
    pub(super) fn finish(mut self, look: &mut FileLook, problems: &mut Problems) -> Rows {
        look.counts.extend(self.counts.into_map());
        for (slot, n) in self.qualities.iter().enumerate().filter(|(_, n)| **n > 0) {
            let name = match slot {
                10 => String::new(),
                11 => "other".to_owned(),
                digit => digit.to_string(),
            };
            look.qualities.insert(name, *n);
        }
        if self.ages.n > 0 {
            look.correction_age_s =
                Some(AgeRange { min: self.ages.min, mean: self.ages.sum / self.ages.n as f64, max: self.ages.max });
        }
        look.station_ids.extend(self.stations);
        if self.epochs.count() > 0 {
            look.epochs = Some(look.epochs.unwrap_or(0) + self.epochs.count());
        }
        let (spread, lost) = self.epochs.without_time();
        if spread > 0 {
            problems.note("GGA without time, spread", || {
                Problem::whole(
                    format!("{spread} GGA sentences carry no time of day: taken as epochs without a fix between their neighbours"),
                    "the receiver had lost its time with its satellites",
                )
            });
        }
        if lost > 0 {
            problems.note("GGA without time", || {
                Problem::whole(
                    format!("{lost} GGA sentences carry no time of day and make no rows"),
                    "the receiver had no time (start-up, no satellites), and no timed sentence is near enough",
                )
            });
        }
        if self.timeless_satellites > 0 {
            problems.note("GSV before the first time", || {
                Problem::whole(
                    format!(
                        "{} GSV sentences stand before the first time of day and make no rows",
                        self.timeless_satellites
                    ),
                    "nothing to do when it is only the start of the file",
                )
            });
        }
        if self.tally.has_cells() {
            look.satellites = Some(look.satellites.unwrap_or(0).max(self.tally.satellites()));
            look.signals.extend(self.tally.look_signals());
        }
        let mut rows = self.epochs.into_rows();
        rows.append(std::mem::take(&mut self.sky));
        rows
    }
}
