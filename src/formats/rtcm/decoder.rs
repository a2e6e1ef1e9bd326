//! All good frames of one stream, in order, to rows.

use super::described::{Points, Told};
use super::ephemeris::{self, Issue, Orbit};
use super::legacy::Legacy;
use super::lock::{LockMemory, extended_locks};
use super::minutes::Minutes;
use super::msm::{Msm, kind_of};
use super::observables::{Damage, Epoch};
use super::station::{GlonassBias, glonass_bias, reference_point, words};
use super::undated::Undated;
use super::{frame, message_number, notes, station_id};
use crate::formats::tally::{SPAN_GAP_MS, Tally};
use crate::model::clock::{Shift, StreamClock};
use crate::model::ids::System;
use crate::model::look::{LookDescription, LookPosition, LookSignal};
use crate::model::problem::{Problem, Problems};
use crate::model::rows::{LoggedEvent, NO_STATION, Rows, SPAN_OBSERVATIONS, SPAN_STATION, Span};
use crate::model::time::UtcMs;
use std::collections::{BTreeMap, BTreeSet, HashSet};

/// How the bytes of a frame are to be booked in the ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Booked {
    /// Understood.
    Decoded,
    /// Left aside, with the reason.
    Skipped(&'static str),
}

/// What came of one frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outcome {
    /// For the ledger.
    pub booked: Booked,
    /// The frame gave the stream a date and earlier times must move. This decoder has done so already; the *other* decoders
    /// of the same stream must be told.
    pub shift: Option<Shift>,
}

/// Reason for a message number that nothing here reads.
pub const NOT_USED: &str = "message not used";
/// Reason for 4001 to 4095.
pub const COMPANY: &str = "company message";
/// Reason for a frame without a message.
pub const EMPTY: &str = "empty frame";
/// Reason for a message that does not hold what it promises.
pub const DAMAGED: &str = "damaged message";
/// Reason for observables whose time is not a time.
pub const NO_EPOCH: &str = "epoch out of range";

/// Limits of lists that only odd streams reach; what is beyond is counted and told as a problem.
const MAX_ORBITS: usize = 50_000;
const MAX_BIASES: usize = 500;

/// Everything the frames of one stream gave.
#[derive(Debug, Clone, Default)]
pub struct Pieces {
    /// Rows.
    pub rows: Rows,
    /// Frames by message number; `empty` for fillers.
    pub counts: BTreeMap<String, u64>,
    /// DF003 of all messages that have it.
    pub station_ids: BTreeSet<u16>,
    /// Distinct base positions.
    pub positions: Vec<LookPosition>,
    /// Distinct antenna and receiver words.
    pub descriptions: Vec<LookDescription>,
    /// Signals of the observables.
    pub signals: Vec<LookSignal>,
    /// Observation epochs; `None` without observables.
    pub epochs: Option<u64>,
    /// Distinct satellites; `None` without observables.
    pub satellites: Option<u32>,
    /// First and last time of a frame.
    pub span: Option<(UtcMs, UtcMs)>,
    /// Broadcast orbits, each issue once.
    pub orbits: Vec<Orbit>,
    /// Distinct 1230 by station.
    pub glonass_biases: Vec<GlonassBias>,
    /// What was wrong.
    pub problems: Vec<Problem>,
}

/// Decodes the frames of one stream; see the module's text.
#[derive(Debug, Clone)]
pub struct Decoder {
    counts: Vec<u64>,
    empty: u64,
    stations: BTreeSet<u16>,
    last_station: u16,
    rows: Rows,
    /// Rows of frames before the first time of the stream, with time 0.
    early: Rows,
    /// Frames before the first time: station, message, count, bytes.
    early_frames: Vec<(u16, u16, u32, u32)>,
    minutes: Minutes,
    /// Frames without a time of their own since the last time of the stream.
    undated: Undated,
    tally: Tally,
    locks: LockMemory,
    points: Points,
    told: Told,
    /// Last text or announcement by station and message.
    said: Vec<(u16, u16, String)>,
    orbits: Vec<Orbit>,
    /// Those of `orbits`: a long stream has tens of thousands, and each comes again and again.
    issues: HashSet<Issue>,
    orbits_left_out: u64,
    biases: Vec<GlonassBias>,
    /// Week of the first orbit, until the stream has an epoch of its own.
    week: Option<(i64, i64, i64, &'static str)>,
    /// Whether the frames had a time of their own (otherwise times come from sentences beside them).
    own_time: bool,
    range: Option<(UtcMs, UtcMs)>,
    span: Option<Span>,
    problems: Problems,
    /// Sum of all shifts.
    moved_ms: i64,
}

impl Default for Decoder {
    fn default() -> Decoder {
        Decoder::new()
    }
}

impl Decoder {
    /// For one stream.
    pub fn new() -> Decoder {
        Decoder {
            counts: vec![0; 4096],
            empty: 0,
            stations: BTreeSet::new(),
            last_station: NO_STATION,
            rows: Rows::default(),
            early: Rows::default(),
            early_frames: Vec::new(),
            minutes: Minutes::new(),
            undated: Undated::default(),
            tally: Tally::new(SPAN_OBSERVATIONS),
            locks: LockMemory::default(),
            points: Points::default(),
            told: Told::default(),
            said: Vec::new(),
            orbits: Vec::new(),
            issues: HashSet::new(),
            orbits_left_out: 0,
            biases: Vec::new(),
            week: None,
            own_time: false,
            range: None,
            span: None,
            problems: Problems::default(),
            moved_ms: 0,
        }
    }

    /// One whole frame with a good CRC, at `offset` in the file. The clock is the one of the whole stream.
    pub fn frame(&mut self, offset: u64, frame: &[u8], clock: &mut StreamClock) -> Outcome {
        let payload = frame::payload(frame);
        let Some(message) = message_number(payload) else {
            self.empty += 1;
            return Outcome { booked: Booked::Skipped(EMPTY), shift: None };
        };
        if let Some(count) = self.counts.get_mut(usize::from(message)) {
            *count += 1;
        }
        let station = station_id(payload).unwrap_or(NO_STATION);
        if station != NO_STATION && station != self.last_station {
            self.stations.insert(station);
            self.last_station = station;
        }
        let mut shift = None;
        let read = self.message(message, payload, clock, &mut shift);
        self.count_frame(clock.last(), station, message, frame.len());
        let booked = match read {
            Ok(booked) => booked,
            Err(damage) => {
                self.problems.note("damaged RTCM message", || {
                    Problem::at(
                        offset,
                        format!("message {message} with a good CRC: {damage}"),
                        "the sender built it wrongly; the message is left out, all others are used",
                    )
                });
                Booked::Skipped(DAMAGED)
            }
        };
        if booked == Booked::Skipped(NO_EPOCH) {
            self.problems.note("RTCM epoch out of range", || {
                Problem::at(
                    offset,
                    format!("message {message}: its time is not a time of week or day"),
                    "the sender has no time yet, or is at fault; these observations are left out",
                )
            });
        }
        Outcome { booked, shift }
    }

    fn message(
        &mut self,
        message: u16,
        payload: &[u8],
        clock: &mut StreamClock,
        shift: &mut Option<Shift>,
    ) -> Result<Booked, Damage> {
        match message {
            1001..=1004 | 1009..=1012 => {
                let legacy = Legacy::parse(payload)?;
                return Ok(self.legacy(&legacy, clock, shift));
            }
            1005 | 1006 => {
                let point = reference_point(payload)?;
                let (time, rows) = self.place(clock);
                self.points.take(time, &point, &mut rows_of(rows, &mut self.rows, &mut self.early).positions);
            }
            1007 | 1008 | 1033 => {
                let station = station_id(payload).unwrap_or(NO_STATION);
                if !self.told.is_repeat(station, message, payload) {
                    let words = words(payload)?;
                    let (time, rows) = self.place(clock);
                    let out = &mut rows_of(rows, &mut self.rows, &mut self.early).descriptions;
                    self.told.take(time, message, payload, words, out);
                }
            }
            1013 => {
                let parameters = notes::system_parameters(payload)?;
                self.instant(parameters.time, "1013", clock, shift);
                self.say(parameters.station, message, parameters.detail(), clock);
            }
            1029 => {
                let text = notes::text(payload)?;
                self.instant(text.time, "1029", clock, shift);
                let detail = format!("text from station {} (1029): {}", text.station, text.text);
                self.say(text.station, message, detail, clock);
            }
            1019 | 1020 | 1041 | 1042 | 1044..=1046 => {
                let orbit = ephemeris::parse(payload, clock.last())?;
                self.orbit(orbit, clock);
            }
            1230 => {
                let bias = glonass_bias(payload)?;
                if !self.biases.contains(&bias) && self.biases.len() < MAX_BIASES {
                    self.biases.push(bias);
                }
            }
            4001..=4095 => return Ok(Booked::Skipped(COMPANY)),
            _ => {
                if kind_of(message).is_none() {
                    return Ok(Booked::Skipped(NOT_USED));
                }
                let msm = Msm::parse(payload)?;
                return Ok(self.msm(&msm, clock, shift));
            }
        }
        Ok(Booked::Decoded)
    }

    /// Time and rows for a message without a time of its own: `true` for the rows of the stream, `false` before its first
    /// time.
    fn place(&self, clock: &StreamClock) -> (UtcMs, bool) {
        clock.last().map_or((0, false), |t| (t, true))
    }

    /// A new epoch of observables.
    fn epoch(&mut self, epoch: Epoch, clock: &mut StreamClock, shift: &mut Option<Shift>) -> Option<UtcMs> {
        let mut t = epoch.utc(clock)?;
        if let Some(moved) = clock.take_weekday_shift() {
            // So far all times came from sentences.
            self.shift(&moved);
            *shift = Some(moved);
        }
        self.own_time = true;
        if let Some((week, modulus, of_week_ms, record)) = self.week.take()
            && let Some(moved) = clock.gps_week_hint(week, modulus, of_week_ms, record)
        {
            self.shift(&moved);
            t = t.saturating_add(moved.of_week_ms);
            let of_day_ms = moved.of_day_ms + shift.map_or(0, |s| s.of_day_ms);
            *shift = Some(Shift { of_day_ms, ..moved });
        }
        self.tally.epoch(t, &mut self.rows);
        Some(t)
    }

    fn msm(&mut self, msm: &Msm, clock: &mut StreamClock, shift: &mut Option<Shift>) -> Booked {
        let Some(t) = self.epoch(msm.epoch, clock, shift) else { return Booked::Skipped(NO_EPOCH) };
        let table = self.locks.table(msm.station, msm.system as u8);
        let (mut entries, tally) = (self.locks.entries(table), &mut self.tally);
        // Satellites and signals are looked up once a message.
        let mut signals = [None; 32];
        for (number, at) in signals.iter_mut().enumerate().take(msm.signal_ids().len()) {
            *at = Some(tally.signal_at(msm.signal(number)));
        }
        let wide = msm.kind >= 6;
        let extended = extended_locks();
        let (mut satellite, mut rough_ms, mut sat_at, mut sat_id) = (usize::MAX, f64::NAN, None, 0);
        for place in msm.places() {
            if place.satellite != satellite {
                satellite = place.satellite;
                rough_ms = msm.whole_rough_ms(satellite);
                sat_id = usize::from(msm.satellite_ids().get(satellite).copied().unwrap_or(0));
                sat_at = Some(tally.sat_at(msm.satellite(satellite)));
            }
            let (lock, cn0_dbhz, ranges_m) = if wide {
                let (indicator, cn0_dbhz, ranges_m) = msm.wide_cell(place.cell, rough_ms);
                (extended.get(indicator.min(extended.len() - 1)).copied(), cn0_dbhz, ranges_m)
            } else {
                (msm.lock(place.cell), msm.cn0_dbhz(place.cell), msm.ranges_m(place.cell, rough_ms))
            };
            let signal_id = usize::from(msm.signal_ids().get(place.signal).copied().unwrap_or(0));
            let slip = match lock {
                Some(lock) if sat_id > 0 && signal_id > 0 => entries.slipped(sat_id - 1, signal_id - 1, t, lock),
                _ => false,
            };
            if let (Some(sat), Some(Some(signal))) = (sat_at, signals.get(place.signal).copied()) {
                tally.ranging_cell_at(sat, signal, cn0_dbhz, slip, ranges_m);
            }
        }
        Booked::Decoded
    }

    fn legacy(&mut self, legacy: &Legacy, clock: &mut StreamClock, shift: &mut Option<Shift>) -> Booked {
        let Some(t) = self.epoch(legacy.epoch, clock, shift) else { return Booked::Skipped(NO_EPOCH) };
        let group = if legacy.system == System::Gps { 1 } else { 2 };
        let table = self.locks.table(legacy.station, group);
        let (locks, tally) = (&mut self.locks, &mut self.tally);
        legacy.signals(|s| {
            let slip = locks.slipped(table, usize::from(s.satellite_id), s.frequency, t, s.lock);
            // Without the integer part a range is a remainder only.
            let ranges = if legacy.is_whole() { [s.pseudorange_m, s.phase_m] } else { [f64::NAN; 2] };
            tally.ranging_cell(s.sat, s.signal, s.cn0_dbhz, slip, ranges);
        });
        Booked::Decoded
    }

    fn instant(
        &mut self,
        time: Option<UtcMs>,
        record: &'static str,
        clock: &mut StreamClock,
        shift: &mut Option<Shift>,
    ) {
        if let Some(time) = time
            && let Some(moved) = clock.instant(time, record)
        {
            self.shift(&moved);
            *shift = Some(moved);
        }
    }

    /// A text or announcement, logged when it is not the same as the last one.
    fn say(&mut self, station: u16, message: u16, detail: String, clock: &StreamClock) {
        match self.said.iter_mut().find(|(s, m, _)| *s == station && *m == message) {
            Some((_, _, last)) if *last == detail => return,
            Some((_, _, last)) => last.clone_from(&detail),
            None => self.said.push((station, message, detail.clone())),
        }
        let (time, rows) = self.place(clock);
        let out = rows_of(rows, &mut self.rows, &mut self.early);
        out.logged.push(LoggedEvent { time, kind: "other".to_owned(), detail });
    }

    fn orbit(&mut self, orbit: Orbit, clock: &StreamClock) {
        if self.week.is_none()
            && !clock.is_dated()
            && let Some((week, modulus, of_week_ms)) = orbit.gps_week()
        {
            let record = match orbit.message {
                1019 => "1019",
                1041 => "1041",
                1042 => "1042",
                1044 => "1044",
                1045 => "1045",
                _ => "1046",
            };
            self.week = Some((week, modulus, of_week_ms, record));
        }
        let issue = orbit.same_issue();
        if self.issues.contains(&issue) {
            return;
        }
        if self.orbits.len() < MAX_ORBITS {
            self.issues.insert(issue);
            self.orbits.push(orbit);
        } else {
            self.orbits_left_out += 1;
        }
    }

    /// Books the frame in its minute and in the spans; before the first time of the stream it waits.
    fn count_frame(&mut self, time: Option<UtcMs>, station: u16, message: u16, bytes: usize) {
        let bytes = bytes as u32;
        let Some(t) = time else {
            match self.early_frames.iter_mut().find(|(s, m, ..)| *s == station && *m == message) {
                Some((_, _, n, b)) => {
                    *n = n.saturating_add(1);
                    *b = b.saturating_add(bytes);
                }
                None => self.early_frames.push((station, message, 1, bytes)),
            }
            return;
        };
        if self.range.is_none() {
            for (station, message, count, bytes) in std::mem::take(&mut self.early_frames) {
                self.minutes.count(t, station, message, count, bytes, &mut self.rows.corrections);
            }
            let mut early = std::mem::take(&mut self.early);
            early.shift(t);
            self.rows.append(early);
        }
        self.undated.until(t, &mut self.minutes, &mut self.rows.corrections, &mut self.span);
        if self.undated.takes(message) {
            self.undated.push(t, station, message, bytes);
        } else {
            self.minutes.count(t, station, message, 1, bytes, &mut self.rows.corrections);
        }
        self.range = Some(self.range.map_or((t, t), |(a, b)| (a.min(t), b.max(t))));
        match &mut self.span {
            Some(span) if (t - span.until).abs() <= SPAN_GAP_MS => {
                if t > span.until {
                    span.until = t;
                    span.epochs = span.epochs.saturating_add(1);
                }
            }
            span => {
                let new = Span { time: t, until: t, kind: SPAN_STATION, epochs: 1 };
                if let Some(ended) = span.replace(new) {
                    self.rows.spans.push(ended);
                }
            }
        }
    }

    /// Moves all times: the stream learned its date late. Call it for shifts that other decoders of the stream found and
    /// for the one of [`StreamClock::finish`].
    pub fn shift(&mut self, shift: &Shift) {
        let delta_ms = if self.own_time { shift.of_week_ms } else { shift.of_day_ms };
        if delta_ms == 0 {
            return;
        }
        self.moved_ms = self.moved_ms.saturating_add(delta_ms);
        self.rows.shift(delta_ms);
        self.minutes.shift(delta_ms);
        self.undated.shift(delta_ms);
        self.tally.shift(delta_ms);
        self.locks.shift(delta_ms);
        self.points.shift(delta_ms);
        self.range = self.range.map(|(a, b)| (a.saturating_add(delta_ms), b.saturating_add(delta_ms)));
        if let Some(span) = &mut self.span {
            span.time = span.time.saturating_add(delta_ms);
            span.until = span.until.saturating_add(delta_ms);
        }
        for heard in self.orbits.iter_mut().filter_map(|o| o.heard.as_mut()) {
            *heard = heard.saturating_add(delta_ms);
        }
    }

    /// Bytes of rows that are held.
    pub fn held(&self) -> usize {
        self.rows.bytes()
    }

    /// Start of the minute of observables that is open.
    pub fn open_minute(&self) -> Option<UtcMs> {
        self.tally.open_minute()
    }

    /// Time of the first row of signals that may still change.
    pub fn first_changing(&self) -> Option<UtcMs> {
        self.rows.signals.time.get(self.tally.unchanging(&self.rows)).copied()
    }

    /// How far everything was moved so far, ms.
    pub fn moved_ms(&self) -> i64 {
        self.moved_ms
    }

    /// Takes out rows that nothing in the rest of the stream touches; of signals as many as `ready` says of their times. Words of
    /// antenna and receiver stay: at the end they tell who the unit is.
    pub fn give_out(&mut self, ready: impl Fn(&[UtcMs]) -> usize) -> Rows {
        let signals = ready(&self.rows.signals.time).min(self.tally.unchanging(&self.rows));
        let rows = self.rows.split_front(|table, n| match table {
            "descriptions" => 0,
            "signals" => signals,
            _ => n,
        });
        self.tally.gave_out(signals);
        rows
    }

    /// The end of the stream. Ask the clock first and pass its last shift to [`Decoder::shift`].
    pub fn finish(mut self) -> Pieces {
        self.undated.end(&mut self.minutes, &mut self.rows.corrections);
        self.minutes.finish(&mut self.rows.corrections);
        self.tally.finish(&mut self.rows);
        if let Some(span) = self.span.take() {
            self.rows.spans.push(span);
        }
        if self.range.is_none() && !self.early_frames.is_empty() {
            let frames: u32 = self.early_frames.iter().map(|(_, _, n, _)| n).sum();
            self.problems.note("RTCM without any time", || {
                Problem::whole(
                    format!("none of the {frames} RTCM frames has a time, nor has anything beside them"),
                    "they are counted and listed, but cannot be placed in time",
                )
            });
        }
        for (what, n) in [
            ("base positions", self.points.unlisted),
            ("descriptions", self.told.unlisted),
            ("broadcast orbits", self.orbits_left_out),
        ] {
            if n > 0 {
                self.problems.note("list cut", || {
                    Problem::whole(format!("{n} more {what} than are listed"), "the rows in time are complete")
                });
            }
        }
        let mut counts: BTreeMap<String, u64> = BTreeMap::new();
        for (message, n) in self.counts.iter().enumerate().filter(|(_, n)| **n > 0) {
            counts.insert(message.to_string(), *n);
        }
        if self.empty > 0 {
            counts.insert("empty".to_owned(), self.empty);
        }
        let has_cells = self.tally.epochs() > 0;
        Pieces {
            counts,
            station_ids: self.stations,
            positions: self.points.into_list(),
            descriptions: self.told.into_list(),
            signals: self.tally.look_signals(),
            epochs: has_cells.then(|| self.tally.epochs()),
            satellites: has_cells.then(|| self.tally.satellites()),
            span: self.range,
            orbits: self.orbits,
            glonass_biases: self.biases,
            problems: self.problems.into_list(),
            rows: self.rows,
        }
    }
}

fn rows_of<'a>(of_the_stream: bool, rows: &'a mut Rows, early: &'a mut Rows) -> &'a mut Rows {
    if of_the_stream { rows } else { early }
}
