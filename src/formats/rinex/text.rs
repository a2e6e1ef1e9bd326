//! The body of a plain observation file, line by line.

use super::epoch::{self, Epoch, SATELLITES_V2};
use super::fields::{Field, columns, milli, trim};
use super::header::{Header, Taken};
use super::lines::Line;
use super::obs::Observations;
use super::report::{Report, quote};
use super::sink::CellSink;
use crate::model::ids::Sat;

/// Bytes of an observation with its two indicators.
const FIELD: usize = 16;
/// Observations on a line of version 2.
const PER_LINE: usize = 5;

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum State {
    /// An epoch line comes.
    #[default]
    Epoch,
    /// More satellites of a version 2 epoch come.
    List,
    /// Data of satellites come.
    Data,
    /// Lines of an event come.
    Event,
    /// Records of flag 6 come: not observations.
    Slips,
    /// After damage: nothing is used up to the next epoch line.
    Lost,
}

/// Reader of the lines between header and end of file.
#[derive(Debug, Default)]
pub(crate) struct Text {
    state: State,
    epoch: Option<Epoch>,
    /// Satellites of a version 2 epoch; `None` for one that cannot be read.
    sats: Vec<Option<Sat>>,
    /// Place in the epoch: satellite, and line of the satellite (version 2).
    at: usize,
    line_of_sat: usize,
    /// Lines or satellites still to come.
    left: usize,
}

/// Lines of an event record; the same in plain and compact files. `false`: the line is none.
pub(crate) fn event_line(line: &Line<'_>, header: &mut Header, report: &mut Report) {
    match header.apply(line.text) {
        Taken::Comment => report.skipped(line, "comment"),
        Taken::Used | Taken::NotNeeded | Taken::End => report.decoded(line),
        Taken::Bad(what) => {
            report.unknown(line);
            let words = || format!("{what} cannot be read in {}", quote(line.text));
            report.problem("unreadable header line in the data", line, words, "the value before it stays in use");
        }
        Taken::Unknown if trim(line.text).is_empty() => report.skipped(line, "blank line"),
        Taken::Unknown => {
            report.unknown(line);
            let words = || format!("no header line in an event record: {}", quote(line.text));
            report.problem("event record with other lines", line, words, "the line is not used");
        }
    }
}

impl Text {
    /// Takes one line.
    pub fn line<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        if obs.version_2 {
            self.version_2(line, header, obs, report)
        } else {
            self.version_3(line, header, obs, report)
        }
    }

    /// Whether the lines that come belong to an event record.
    pub fn in_event(&self) -> bool {
        self.state == State::Event
    }

    /// A line is missing or was too long: what was begun cannot be trusted.
    pub fn lose(&mut self) {
        self.state = State::Lost;
    }

    /// The end of the file.
    pub fn finish(&mut self, line: &Line<'_>, report: &mut Report) {
        if self.state != State::Epoch && self.state != State::Lost {
            report.problem(
                "file ends inside an epoch",
                line,
                || format!("the file ends inside an epoch or event; {} records are missing", self.missing()),
                "the writer was stopped or the file was cut; what is there is used",
            );
        }
        self.state = State::Epoch;
    }

    fn missing(&self) -> usize {
        if self.state == State::List { self.sats.len() + self.left } else { self.left }
    }

    fn cut_short(&mut self, line: &Line<'_>, report: &mut Report) {
        if !matches!(self.state, State::Epoch | State::Lost) {
            report.problem(
                "epoch cut short",
                line,
                || format!("a new epoch begins while {} records of the one before are missing", self.missing()),
                "what is there is used; the file was damaged or two writers wrote at once",
            );
        }
    }

    fn version_3<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        if line.text.first() == Some(&b'>') {
            self.cut_short(line, report);
            match epoch::version_3(line.text) {
                Ok(epoch) => {
                    report.decoded(line);
                    self.left = epoch.count;
                    self.begin(epoch, line, header, obs, report);
                }
                Err(what) => self.damaged(what, line, report),
            }
            return;
        }
        match self.state {
            State::Data => {
                self.left -= 1;
                if self.left == 0 {
                    self.state = State::Epoch;
                }
                satellite_line(line, obs, report);
            }
            State::Event => self.event(line, header, obs, report),
            State::Slips => self.slip(line, 1, report),
            State::Lost => report.skipped(line, "data of an unreadable epoch"),
            State::Epoch | State::List => {
                if trim(line.text).is_empty() {
                    return report.skipped(line, "blank line");
                }
                let is_data =
                    self.epoch.is_some_and(|e| e.flag < 2) && epoch::satellite(line.text, obs.blank).is_some();
                let words = || format!("expected an epoch line, found {}", quote(line.text));
                if is_data && line.text.len() > 3 {
                    report.problem("more satellites than announced", line, words, "used with the epoch before it");
                    satellite_line(line, obs, report);
                } else {
                    report.problem("no epoch line", line, words, "skipped up to the next epoch");
                    report.unknown(line);
                    self.state = State::Lost;
                }
            }
        }
    }

    fn version_2<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        let text = line.text;
        let begins = match self.state {
            State::Epoch => true,
            State::Data | State::List | State::Lost | State::Slips | State::Event => epoch::is_version_2(text),
        };
        if begins {
            if self.state == State::Epoch && trim(text).is_empty() {
                return report.skipped(line, "blank line");
            }
            self.cut_short(line, report);
            return match epoch::version_2(text) {
                Ok(epoch) => {
                    report.decoded(line);
                    self.sats.clear();
                    self.left = epoch.count;
                    if matches!(epoch.flag, 0 | 1 | 6) {
                        self.list(line, epoch.count, obs, report);
                    }
                    self.begin(epoch, line, header, obs, report);
                    if self.sats.len() < self.left && matches!(epoch.flag, 0 | 1 | 6) {
                        self.left -= self.sats.len();
                        self.state = State::List;
                    }
                }
                Err(what) => self.damaged(what, line, report),
            };
        }
        match self.state {
            State::List => {
                if columns(text, 0, SATELLITES_V2).iter().any(|b| *b != b' ') || text.len() <= SATELLITES_V2 {
                    return self.damaged("the list of satellites does not go on", line, report);
                }
                let before = self.sats.len();
                self.list(line, self.left, obs, report);
                self.left -= (self.sats.len() - before).min(self.left);
                report.decoded(line);
                if self.left == 0 {
                    self.left = self.sats.len();
                    self.state = if self.epoch.is_some_and(|e| e.flag == 6) { State::Slips } else { State::Data };
                }
            }
            State::Data => self.data_line_2(line, obs, report),
            State::Event => self.event(line, header, obs, report),
            State::Slips => {
                let lines = header.types2.len().div_ceil(PER_LINE).max(1);
                self.slip(line, lines, report);
            }
            State::Lost | State::Epoch => report.skipped(line, "data of an unreadable epoch"),
        }
    }

    fn begin<S: CellSink>(
        &mut self,
        epoch: Epoch,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        self.epoch = Some(epoch);
        self.at = 0;
        self.line_of_sat = 0;
        self.state = match epoch.flag {
            _ if epoch.count == 0 => State::Epoch,
            0 | 1 => State::Data,
            6 => State::Slips,
            _ => State::Event,
        };
        if epoch.flag < 2 {
            obs.epoch(&epoch, header, line, report);
        } else {
            obs.event(&epoch, report);
        }
    }

    fn damaged(&mut self, what: &'static str, line: &Line<'_>, report: &mut Report) {
        report.unknown(line);
        let words = || format!("{what}: {}", quote(line.text));
        report.problem("unreadable epoch", line, words, "skipped up to the next epoch line");
        self.state = State::Lost;
        self.epoch = None;
    }

    fn event<S: CellSink>(
        &mut self,
        line: &Line<'_>,
        header: &mut Header,
        obs: &mut Observations<S>,
        report: &mut Report,
    ) {
        event_line(line, header, report);
        self.left -= 1;
        if self.left == 0 {
            self.state = State::Epoch;
            obs.take_header(header, false, line, report);
        }
    }

    fn slip(&mut self, line: &Line<'_>, lines: usize, report: &mut Report) {
        report.skipped(line, "cycle slip record (flag 6)");
        self.line_of_sat += 1;
        if self.line_of_sat >= lines {
            self.line_of_sat = 0;
            self.left -= 1;
            if self.left == 0 {
                self.state = State::Epoch;
            }
        }
    }

    /// Up to twelve satellites of a version 2 epoch line.
    fn list<S: CellSink>(&mut self, line: &Line<'_>, wanted: usize, obs: &Observations<S>, report: &mut Report) {
        for i in 0..wanted.min(12) {
            let field = columns(line.text, SATELLITES_V2 + 3 * i, SATELLITES_V2 + 3 * i + 3);
            let sat = epoch::satellite(field, obs.blank);
            if sat.is_none() {
                let words = || format!("satellite {} of the epoch cannot be read: {}", i + 1, quote(field));
                report.problem("unreadable satellite", line, words, "its data lines are skipped");
            }
            self.sats.push(sat);
        }
    }

    fn data_line_2<S: CellSink>(&mut self, line: &Line<'_>, obs: &mut Observations<S>, report: &mut Report) {
        let sat = self.sats.get(self.at).copied().flatten();
        // Types are the same for all systems in version 2.
        let types = obs.types(sat.map_or(obs.blank, Sat::system));
        let lines = types.div_ceil(PER_LINE).max(1);
        let first = self.line_of_sat * PER_LINE;
        match sat {
            Some(sat) => {
                if self.line_of_sat == 0 {
                    obs.satellite(sat);
                }
                let count = types.saturating_sub(first).min(PER_LINE);
                let unknown = values(line, 0, first, count, obs, report);
                report.decoded_but(line, unknown);
            }
            None => report.unknown(line),
        }
        self.line_of_sat += 1;
        if self.line_of_sat >= lines {
            if sat.is_some() {
                obs.end_satellite();
            }
            self.line_of_sat = 0;
            self.at += 1;
            self.left = self.sats.len() - self.at;
            if self.left == 0 {
                self.state = State::Epoch;
            }
        }
    }
}

/// One satellite of version 3 or 4.
#[inline]
fn satellite_line<S: CellSink>(line: &Line<'_>, obs: &mut Observations<S>, report: &mut Report) {
    let Some(sat) = epoch::satellite(line.text, obs.blank) else {
        report.unknown(line);
        let words = || format!("the satellite cannot be read: {}", quote(line.text));
        return report.problem("unreadable satellite", line, words, "the line is not used");
    };
    if !obs.satellite(sat) {
        report.unknown(line);
        let words = || format!("the header has no observation types for {sat}");
        return report.problem("system without observation types", line, words, "the line is not used");
    }
    let unknown = values(line, 3, 0, obs.types(sat.system()), obs, report);
    report.decoded_but(line, unknown);
    obs.end_satellite();
}

/// The values of a line from column `from` on: `count` types from `first` on. Returns the bytes that were not understood.
#[inline]
fn values<S: CellSink>(
    line: &Line<'_>,
    from: usize,
    first: usize,
    count: usize,
    obs: &mut Observations<S>,
    report: &mut Report,
) -> u64 {
    let mut unknown = 0;
    let data = line.text.get(from..).unwrap_or_default();
    let mut fields = data.chunks(FIELD);
    for i in first..first + count {
        let Some(field) = fields.next() else { return unknown };
        let (number, flags) = field.split_at(field.len().min(14));
        match milli(number) {
            Field::Blank => {}
            Field::Milli(value) => {
                let lli = flags.first().copied().unwrap_or(b' ');
                let ssi = flags.get(1).copied().unwrap_or(b' ');
                obs.value(i, value, lli, ssi);
            }
            Field::Bad => {
                unknown += field.len() as u64;
                let words = || format!("observation {} cannot be read: {}", i + 1, quote(field));
                report.problem("unreadable observation", line, words, "it counts as missing");
            }
        }
    }
    for field in fields {
        if !trim(field).is_empty() {
            unknown += field.len() as u64;
            let words = || format!("more observations than the header has types ({}): {}", first + count, quote(field));
            report.problem("more observations than types", line, words, "the rest of the line is not used");
        }
    }
    unknown
}
