//! The body of a Compact RINEX 1.0 (RINEX 2) or 3.x (RINEX 3, 4) file, line by line (Hatanaka 2008).
//!
//! The epoch line and the indicators are differences of characters, the values differences in time of thousandths. What was
//! damaged cannot be repaired before the next complete epoch line (`&` in 1.0, `>` in 3.x): up to there all is counted as
//! lost, with a problem.

use super::epoch::{self, Epoch, SATELLITES_V2, SATELLITES_V3};
use super::fields::trim;
use super::header::{Header, looks_like_header};
use super::lines::{LINE_LIMIT, Line};
use super::obs::Observations;
use super::report::{Report, quote};
use super::sink::CellSink;
use super::text::event_line;
use crate::model::ids::Sat;

/// Highest order of differences that is read; writers use 3.
const ORDER_LIMIT: usize = 5;
/// No value of the format F14.3 is larger, thousandths.
const VALUE_LIMIT: u64 = 100_000_000_000_000;
/// Satellites of one epoch.
const SATELLITES_LIMIT: usize = 999;
/// Numbers of a system have two digits.
const NUMBERS: usize = 100;
const NONE: u16 = u16::MAX;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum State {
    #[default]
    Epoch,
    Clock,
    Data,
    Event,
    Lost,
}

#[derive(Debug, Clone, Copy, Default)]
struct Arc {
    /// Order of the arc; 0 to [`ORDER_LIMIT`]. Nothing is known while `level` is negative.
    order: i8,
    /// Highest difference known so far.
    level: i8,
    /// The value of this epoch is there.
    here: bool,
    /// Value and differences.
    d: [i64; ORDER_LIMIT + 1],
}

#[derive(Debug, Default)]
struct SatState {
    /// Number of the epoch it was last in.
    epoch: u32,
    arcs: Vec<Arc>,
    /// LLI and SSI of every type.
    flags: Vec<u8>,
}

/// Reader of the lines between header and end of file.
#[derive(Debug)]
pub(crate) struct Compact {
    version_3: bool,
    state: State,
    /// The epoch line as it would stand in the plain file, with all satellites.
    text: Vec<u8>,
    epoch: Option<Epoch>,
    sats: Vec<Sat>,
    at: usize,
    left: usize,
    number: u32,
    index: Vec<u16>,
    table: Vec<SatState>,
}

impl Compact {
    /// A reader for version 3 (`>`), or 1.
    pub fn new(version_3: bool) -> Compact {
        Compact {
            version_3,
            state: State::Epoch,
            text: Vec::new(),
            epoch: None,
            sats: Vec::new(),
            at: 0,
            left: 0,
            number: 1,
            index: vec![NONE; 7 * NUMBERS],
            table: Vec::new(),
        }
    }

    /// Whether the lines that come belong to an event record.
    pub fn in_event(&self) -> bool {
        self.state == State::Event
    }

    fn forget(&mut self) {
        self.text.clear();
        // No satellite was in the epoch before the next one.
        self.number = self.number.wrapping_add(2);
    }

    /// A line is missing or was too long.
    pub fn lose(&mut self) {
        self.state = State::Lost;
        self.forget();
    }

    /// The end of the file.
    pub fn finish(&mut self, line: &Line<'_>, report: &mut Report) {
        if !matches!(self.state, State::Epoch | State::Lost) {
            let left = self.left;
            report.problem(
                "file ends inside an epoch",
                line,
                || format!("the file ends inside an epoch or event; {left} records are missing"),
                "the writer was stopped or the file was cut; what is there is used",
            );
        }
        self.state = State::Epoch;
    }

    /// Takes one line.
    pub fn line<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        let complete = line.text.first() == Some(if self.version_3 { &b'>' } else { &b'&' });
        // Inside an event a complete epoch line means that lines of the event are missing.
        if complete && (self.state != State::Event || self.reads(line.text)) {
            if matches!(self.state, State::Clock | State::Data | State::Event) {
                let left = self.left;
                report.problem(
                    "epoch cut short",
                    line,
                    || format!("a new epoch begins while {left} records of the one before are missing"),
                    "what is there is used; the file was damaged",
                );
            }
            self.forget();
            self.text.extend_from_slice(line.text);
            if let Some(first) = self.text.first_mut()
                && !self.version_3
            {
                *first = b' ';
            }
            return self.epoch_line(line, header, obs, report);
        }
        match self.state {
            State::Epoch => {
                if self.text.is_empty() {
                    if trim(line.text).is_empty() {
                        return report.skipped(line, "blank line");
                    }
                    return self.damaged("a complete epoch line was expected", line, report);
                }
                if !repair(&mut self.text, line.text) {
                    return self.damaged("the epoch line grows too long", line, report);
                }
                self.epoch_line(line, header, obs, report);
            }
            State::Clock => {
                if !line.text.iter().all(|b| matches!(b, b'0'..=b'9' | b'-' | b'&' | b' ')) {
                    return self.damaged("the clock offset cannot be read", line, report);
                }
                report.decoded(line);
                self.state = if self.left == 0 { State::Epoch } else { State::Data };
            }
            State::Data => {
                self.satellite_line(line, obs, report);
                self.at += 1;
                self.left -= 1;
                if self.left == 0 {
                    self.state = State::Epoch;
                }
            }
            State::Event => {
                event_line(line, header, report);
                self.left -= 1;
                if self.left == 0 {
                    self.state = State::Epoch;
                    obs.take_header(header, false, line, report);
                }
            }
            State::Lost => report.skipped(line, "compact data after damage"),
        }
    }

    fn reads(&self, text: &[u8]) -> bool {
        !looks_like_header(text)
            && if self.version_3 { epoch::version_3(text).is_ok() } else { epoch::version_2(text).is_ok() }
    }

    fn damaged(&mut self, what: &'static str, line: &Line<'_>, report: &mut Report) {
        report.unknown(line);
        let words = || format!("{what}: {}", quote(line.text));
        report.problem(
            "damaged compact epoch",
            line,
            words,
            "nothing can be used up to the next complete epoch line; get the file again",
        );
        self.lose();
    }

    fn epoch_line<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        let read = if self.version_3 { epoch::version_3(&self.text) } else { epoch::version_2(&self.text) };
        let epoch = match read {
            Ok(epoch) => epoch,
            Err(what) => return self.damaged(what, line, report),
        };
        self.epoch = Some(epoch);
        self.left = epoch.count;
        if epoch.flag >= 2 {
            report.decoded(line);
            obs.event(&epoch, report);
            self.state = if epoch.count == 0 { State::Epoch } else { State::Event };
            // Events stand complete in the file; the next epoch line does too.
            return self.forget();
        }
        if let Err(what) = self.satellites(&epoch, obs) {
            return self.damaged(what, line, report);
        }
        self.number = self.number.wrapping_add(1);
        report.decoded(line);
        self.at = 0;
        self.state = State::Clock;
        obs.epoch(&epoch, header, line, report);
    }

    fn satellites<S: CellSink>(&mut self, epoch: &Epoch, obs: &Observations<S>) -> Result<(), &'static str> {
        if epoch.count > SATELLITES_LIMIT {
            return Err("too many satellites");
        }
        let from = if self.version_3 { SATELLITES_V3 } else { SATELLITES_V2 };
        self.sats.clear();
        for i in 0..epoch.count {
            let field = self.text.get(from + 3 * i..from + 3 * i + 3).unwrap_or_default();
            let Some(sat) = epoch::satellite(field, obs.blank) else {
                return Err("a satellite of the epoch cannot be read");
            };
            self.sats.push(sat);
        }
        let rest = self.text.get(from + 3 * epoch.count..).unwrap_or_default();
        if self.version_3 && !trim(rest).is_empty() {
            return Err("the epoch line has more satellites than it announces");
        }
        Ok(())
    }

    fn satellite_line<S: CellSink>(&mut self, line: &Line<'_>, obs: &mut Observations<S>, report: &mut Report) {
        let Some(sat) = self.sats.get(self.at).copied() else { return report.unknown(line) };
        let types = obs.types(sat.system());
        if !obs.satellite(sat) {
            report.unknown(line);
            let words = || format!("the header has no observation types for {sat}");
            return report.problem("system without observation types", line, words, "the line is not used");
        }
        let place = sat.system().place() * NUMBERS + usize::from(sat.number());
        let Some(index) = self.index.get_mut(place) else { return report.unknown(line) };
        if *index == NONE {
            *index = self.table.len() as u16;
            self.table.push(SatState::default());
        }
        let Some(state) = self.table.get_mut(usize::from(*index)) else { return report.unknown(line) };
        if state.epoch == self.number {
            report.unknown(line);
            let words = || format!("{sat} is twice in one epoch");
            return report.problem("satellite twice in an epoch", line, words, "the second line is not used");
        }
        if state.epoch.wrapping_add(1) != self.number || state.arcs.len() != types {
            state.arcs.clear();
            state.arcs.resize(types, Arc { level: -1, ..Arc::default() });
            state.flags.clear();
            state.flags.resize(2 * types, b' ');
        }
        state.epoch = self.number;
        let (unknown, rest) = differences(line, state, report);
        // The indicators of all types, as differences of characters.
        let known = rest.len().min(state.flags.len());
        for (old, new) in state.flags.iter_mut().zip(rest) {
            match new {
                b' ' => {}
                b'&' => *old = b' ',
                new => *old = *new,
            }
        }
        let extra = rest.get(known..).unwrap_or_default();
        let mut lost = unknown;
        if !trim(extra).is_empty() {
            lost += extra.len() as u64;
            let words = || format!("more indicators than the header has types for {sat}: {}", quote(extra));
            report.problem("more observations than types", line, words, "the rest of the line is not used");
        }
        report.decoded_but(line, lost);
        for (i, (arc, flags)) in state.arcs.iter().zip(state.flags.chunks_exact(2)).enumerate() {
            if arc.here {
                let [lli, ssi] = [flags.first(), flags.get(1)].map(|b| b.copied().unwrap_or(b' '));
                obs.value(i, arc.d[0], lli, ssi);
            }
        }
        obs.end_satellite();
    }
}

/// Writes the differences of a line into the arcs. Returns the bytes not understood and the rest of the line.
fn differences<'a>(line: &Line<'a>, state: &mut SatState, report: &mut Report) -> (u64, &'a [u8]) {
    let mut rest = line.text;
    let mut unknown = 0;
    for (i, arc) in state.arcs.iter_mut().enumerate() {
        let end = field_end(rest);
        let (field, after) = rest.split_at(end);
        rest = after.get(1..).unwrap_or_default();
        arc.here = false;
        if field.is_empty() {
            arc.level = -1;
            continue;
        }
        if let Err(what) = arc.take(field) {
            arc.level = -1;
            unknown += field.len() as u64;
            let words = || format!("observation {}: {what}: {}", i + 1, quote(field));
            report.problem("unreadable observation", line, words, "it counts as missing until it is given anew");
        }
    }
    (unknown, rest)
}

/// Fields are short: a plain loop is faster than a search made for long texts.
#[inline]
fn field_end(text: &[u8]) -> usize {
    text.iter().position(|b| *b == b' ').unwrap_or(text.len())
}

impl Arc {
    #[inline]
    fn take(&mut self, field: &[u8]) -> Result<(), &'static str> {
        if let [order @ b'0'..=b'9', b'&', value @ ..] = field {
            let order = order - b'0';
            if usize::from(order) > ORDER_LIMIT {
                return Err("the order of differences is too high");
            }
            self.order = order as i8;
            self.level = 0;
            self.d[0] = number(value).ok_or("not a number")?;
            self.here = true;
            return Ok(());
        }
        if self.level < 0 {
            return Err("a difference without a value before it");
        }
        let difference = number(field).ok_or("not a number")?;
        self.level = (self.level + 1).min(self.order);
        let level = self.level as usize;
        let mut sum = difference;
        // Highest difference first, then down to the value.
        let Some(known) = self.d.get_mut(..=level) else { return Err("the order of differences is too high") };
        let mut steps = known.iter_mut().rev();
        if let Some(highest) = steps.next() {
            *highest = sum;
        }
        for d in steps {
            sum = d.wrapping_add(sum);
            *d = sum;
        }
        if sum.unsigned_abs() > VALUE_LIMIT {
            return Err("the value is out of range");
        }
        self.here = true;
        Ok(())
    }
}

#[inline]
fn number(text: &[u8]) -> Option<i64> {
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        _ => (false, text),
    };
    if digits.is_empty() || digits.len() > 17 {
        return None;
    }
    let mut value = 0i64;
    for b in digits {
        let digit = b.wrapping_sub(b'0');
        if digit > 9 {
            return None;
        }
        value = value * 10 + i64::from(digit);
    }
    Some(if negative { -value } else { value })
}

/// Applies a difference of characters: a blank keeps, `&` blanks, anything else replaces. `false` when it would grow
/// beyond any line.
fn repair(old: &mut Vec<u8>, new: &[u8]) -> bool {
    if new.len() > LINE_LIMIT {
        return false;
    }
    if old.len() < new.len() {
        old.resize(new.len(), b' ');
    }
    for (o, n) in old.iter_mut().zip(new) {
        match n {
            b' ' => {}
            b'&' => *o = b' ',
            n => *o = *n,
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worked_arc_of_check_values_4_7() {
        // check-values.md 4.7 (differences made with a general Compact RINEX library): C1 and S1 of the sample.
        for (fields, values) in [
            (
                ["3&22345678901", "-312781", "668", "-7"],
                [22_345_678_901, 22_345_366_120, 22_345_054_007, 22_344_742_555],
            ),
            (["3&46250", "0", "-250", "250"], [46_250, 46_250, 46_000, 45_750]),
        ] {
            let mut arc = Arc { level: -1, ..Arc::default() };
            for (field, value) in fields.into_iter().zip(values) {
                arc.take(field.as_bytes()).unwrap();
                assert_eq!(arc.d[0], value, "{field}");
            }
        }
    }

    #[test]
    fn characters_are_kept_blanked_and_replaced() {
        let mut old = b" 17  1  1  0  0  0.0000000  0 10G31".to_vec();
        assert!(repair(&mut old, b"           3 33 4             &9  0G01"));
        assert_eq!(old, b" 17  1  1  3 33 40.0000000  0  9G30G01".to_vec());
    }
}
