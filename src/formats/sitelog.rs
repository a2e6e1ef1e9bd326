//! IGS site log 2.0 (blocks 0 to 13; label to column 31, value from column 33): who stood there, with which antenna, cable
//! and receiver, from when to when. Latin-1 or UTF-8.

use super::rinex::fields::{text, trim};
use super::rinex::lines::{Line, Lines};
use super::rinex::report::{Report, quote};
use super::{FileContext, Parsed, Stream};
use crate::maths::geodesy::{ecef_to_geodetic, enu_to_ecef_delta};
use crate::model::look::{FileLook, Format, LookDescription, LookPosition};
use crate::model::rows::{Description, NO_STATION, Position};
use crate::model::time::{UtcMs, parse_utc, rfc3339};

/// Installations of one kind that are kept.
const BLOCKS_LIMIT: usize = 1_000;
/// Bytes of a text of several lines that are kept.
const TEXT_LIMIT: usize = 4_000;

/// One receiver (block 3).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Receiver {
    /// Type.
    pub kind: String,
    /// Satellite systems, `GPS+GLONASS`.
    pub systems: String,
    /// Serial number.
    pub serial: String,
    /// Firmware version.
    pub firmware: String,
    /// Elevation cutoff setting, degrees.
    pub elevation_cutoff_deg: Option<f64>,
    /// Installed, UTC ms.
    pub installed: Option<UtcMs>,
    /// Removed, UTC ms; `None`: still there, or not told.
    pub removed: Option<UtcMs>,
}

/// One antenna (block 4).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Antenna {
    /// Type with radome, 20 characters.
    pub kind: String,
    /// Serial number.
    pub serial: String,
    /// Radome type.
    pub radome: String,
    /// Marker to antenna reference point: up, north, east, m.
    pub up_north_east_m: [Option<f64>; 3],
    /// Alignment from true north, degrees clockwise.
    pub alignment_deg: Option<f64>,
    /// Cable type as written.
    pub cable_kind: String,
    /// Cable length, m.
    pub cable_length_m: Option<f64>,
    /// Installed, UTC ms.
    pub installed: Option<UtcMs>,
    /// Removed, UTC ms; `None`: still there, or not told.
    pub removed: Option<UtcMs>,
}

/// Conditions at the site (block 9) and episodic effects (block 10).
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Condition {
    /// Label of the block: `Radio Interferences`, `Multipath Sources`, `Signal Obstructions`, `Date`.
    pub label: String,
    /// What was written, its lines joined.
    pub text: String,
}

/// The parts of a site log that say something about signals.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SiteLog {
    /// Site name.
    pub name: String,
    /// Four (or nine) character id.
    pub id: String,
    /// IERS DOMES number.
    pub domes: String,
    /// Date of the log, UTC ms.
    pub prepared: Option<UtcMs>,
    /// Approximate position of the marker, ECEF m.
    pub position_m: [Option<f64>; 3],
    /// Receivers in order of the file.
    pub receivers: Vec<Receiver>,
    /// Antennas in order of the file.
    pub antennas: Vec<Antenna>,
    /// Blocks 9 and 10.
    pub conditions: Vec<Condition>,
}

/// Decoder of one site log.
#[derive(Debug)]
pub struct SiteLogStream {
    lines: Lines,
    core: Core,
}

#[derive(Debug, Default)]
struct Core {
    path: String,
    log: SiteLog,
    block: u32,
    /// The block is a form to be filled in (`3.x`).
    template: bool,
    seen: [bool; 14],
    /// The last field takes lines that go on.
    goes_on: bool,
    report: Report,
    end: (u64, u64),
}

/// A decoder when the file begins like a site log.
pub fn sniff(head: &[u8], context: &FileContext) -> Option<Box<dyn Stream>> {
    let start: Vec<u8> = head.iter().take(4096).map(u8::to_ascii_lowercase).collect();
    let has = |words: &[u8]| memchr::memmem::find(&start, words).is_some();
    let is_log = has(b"site log") || has(b"site information form");
    (is_log && has(b"form") && (has(b"prepared by") || has(b"date prepared") || has(b"site identification")))
        .then(|| Box::new(SiteLogStream::new(context)) as Box<dyn Stream>)
}

impl SiteLogStream {
    /// An empty decoder.
    pub fn new(context: &FileContext) -> SiteLogStream {
        let core = Core { path: context.path.clone(), ..Core::default() };
        SiteLogStream { lines: Lines::default(), core }
    }
}

impl Stream for SiteLogStream {
    fn feed(&mut self, bytes: &[u8]) {
        let core = &mut self.core;
        self.lines.feed(bytes, &mut |line| core.line(&line));
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        let core = &mut self.core;
        self.lines.finish(&mut |line| core.line(&line));
        self.core.finish()
    }
}

/// A value that is only the form's own explanation, `(CCYY-MM-DDThh:mmZ)`.
fn is_placeholder(value: &str) -> bool {
    value.is_empty() || value.starts_with('(') && value.ends_with(')')
}

/// The number at the beginning of a value, `0.1657 m`.
fn leading_number(value: &str) -> Option<f64> {
    let end = value.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(value.len());
    value.get(..end)?.parse().ok()
}

/// `2016-12-20T08:55Z`, with or without time, seconds and Z.
fn date(value: &str) -> Option<UtcMs> {
    let value = value.trim().trim_end_matches(['Z', 'z']);
    parse_utc(value)
}

impl Core {
    fn line(&mut self, line: &Line<'_>) {
        self.end = (line.number, line.offset);
        if line.overlong {
            self.report.unknown(line);
            let words = || format!("a line of {} bytes", line.bytes);
            return self.report.problem("line too long", line, words, "not a line of a site log; skipped");
        }
        let whole = text(line.text);
        if whole.trim().is_empty() {
            self.goes_on = false;
            return self.report.skipped(line, "blank line");
        }
        let (label, value) = match whole.split_once(':') {
            Some((label, value)) => (label.trim(), Some(value.trim())),
            None => (whole.trim(), None),
        };
        let label = self.heading(&whole, label);
        if label.is_empty() || label.starts_with(':') {
            return self.more(value.unwrap_or_default(), line);
        }
        let Some(value) = value else {
            // A heading, or a line of free text that goes on.
            if whole.starts_with(' ') || whole.starts_with('\t') {
                return self.more(whole.trim(), line);
            }
            return self.report.decoded(line);
        };
        self.field(&label, value, line);
    }

    /// Takes the block number off a label: `3.1  Receiver Type`, `4.   GNSS Antenna Information`.
    fn heading(&mut self, whole: &str, label: &str) -> String {
        let starts_at_margin = whole.starts_with(|c: char| c.is_ascii_digit());
        if !starts_at_margin {
            return label.to_owned();
        }
        let number_end = label.find(|c: char| c.is_whitespace()).unwrap_or(label.len());
        let (number, rest) = label.split_at(number_end);
        let mut parts = number.split('.');
        let Some(block) = parts.next().and_then(|p| p.parse::<u32>().ok()).filter(|b| *b < 14) else {
            return label.to_owned();
        };
        self.block = block;
        self.goes_on = false;
        if let Some(seen) = self.seen.get_mut(block as usize) {
            *seen = true;
        }
        self.template = number.contains(['x', 'X']);
        if !self.template && !rest.trim().is_empty() {
            let sub = parts.next().is_some_and(|p| !p.is_empty());
            match (block, sub) {
                (3, true) if self.log.receivers.len() < BLOCKS_LIMIT => self.log.receivers.push(Receiver::default()),
                (4, true) if self.log.antennas.len() < BLOCKS_LIMIT => self.log.antennas.push(Antenna::default()),
                _ => {}
            }
        }
        rest.trim().to_owned()
    }

    /// A line that continues the field before it.
    fn more(&mut self, value: &str, line: &Line<'_>) {
        if self.goes_on
            && let Some(last) = self.log.conditions.last_mut()
            && last.text.len() + value.len() < TEXT_LIMIT
        {
            last.text.push(' ');
            last.text.push_str(value);
            return self.report.decoded(line);
        }
        self.report.skipped(line, "free text");
    }

    fn field(&mut self, label: &str, value: &str, line: &Line<'_>) {
        self.goes_on = false;
        if self.template || is_placeholder(value) {
            return self.report.skipped(line, "not filled in");
        }
        let used = match self.block {
            0 if label == "Date Prepared" => self.date(value, line, |log, t| log.prepared = Some(t)),
            1 => self.site(label, value),
            2 => self.location(label, value, line),
            3 => self.receiver(label, value, line),
            4 => self.antenna(label, value, line),
            9 | 10 => self.condition(label, value),
            _ => false,
        };
        if used { self.report.decoded(line) } else { self.report.skipped(line, "field that is not used") }
    }

    fn site(&mut self, label: &str, value: &str) -> bool {
        match label {
            "Site Name" => self.log.name = value.to_owned(),
            "Four Character ID" | "Nine Character ID" => self.log.id = value.to_owned(),
            "IERS DOMES Number" => self.log.domes = value.to_owned(),
            _ => return false,
        }
        true
    }

    fn location(&mut self, label: &str, value: &str, line: &Line<'_>) -> bool {
        let Some(axis) = ["X coordinate (m)", "Y coordinate (m)", "Z coordinate (m)"].iter().position(|l| *l == label)
        else {
            return false;
        };
        let number = leading_number(value);
        self.log.position_m[axis] = number;
        if number.is_none() {
            self.bad(label, value, line);
        }
        true
    }

    fn receiver(&mut self, label: &str, value: &str, line: &Line<'_>) -> bool {
        let text = || value.to_owned();
        let Some(last) = self.log.receivers.last_mut() else { return false };
        match label {
            "Receiver Type" => last.kind = text(),
            "Satellite System" => last.systems = text(),
            "Serial Number" => last.serial = text(),
            "Firmware Version" => last.firmware = text(),
            "Elevation Cutoff Setting" => last.elevation_cutoff_deg = leading_number(value),
            "Date Installed" => {
                return self.date(value, line, |l, t| set_last(&mut l.receivers, |r| r.installed = Some(t)));
            }
            "Date Removed" => {
                return self.date(value, line, |l, t| set_last(&mut l.receivers, |r| r.removed = Some(t)));
            }
            _ => return false,
        }
        true
    }

    fn antenna(&mut self, label: &str, value: &str, line: &Line<'_>) -> bool {
        let text = || value.to_owned();
        let number = leading_number(value);
        let Some(last) = self.log.antennas.last_mut() else { return false };
        match label {
            "Antenna Type" => last.kind = text(),
            "Serial Number" => last.serial = text(),
            "Antenna Radome Type" => last.radome = text(),
            "Antenna Cable Type" => last.cable_kind = text(),
            "Antenna Cable Length" => {
                last.cable_length_m = number;
                if number.is_none() {
                    self.bad(label, value, line);
                }
            }
            "Alignment from True N" => last.alignment_deg = number,
            _ if label.starts_with("Marker->ARP Up") => last.up_north_east_m[0] = number,
            _ if label.starts_with("Marker->ARP North") => last.up_north_east_m[1] = number,
            _ if label.starts_with("Marker->ARP East") => last.up_north_east_m[2] = number,
            "Date Installed" => {
                return self.date(value, line, |l, t| set_last(&mut l.antennas, |a| a.installed = Some(t)));
            }
            "Date Removed" => return self.date(value, line, |l, t| set_last(&mut l.antennas, |a| a.removed = Some(t))),
            _ => return false,
        }
        true
    }

    fn condition(&mut self, label: &str, value: &str) -> bool {
        if self.log.conditions.len() >= BLOCKS_LIMIT {
            return false;
        }
        let cut = value.chars().take(TEXT_LIMIT).collect();
        self.log.conditions.push(Condition { label: label.to_owned(), text: cut });
        self.goes_on = true;
        true
    }

    fn date(&mut self, value: &str, line: &Line<'_>, set: impl FnOnce(&mut SiteLog, UtcMs)) -> bool {
        match date(value) {
            Some(t) => set(&mut self.log, t),
            None => self.bad("date", value, line),
        }
        true
    }

    fn bad(&mut self, label: &str, value: &str, line: &Line<'_>) {
        let words = || format!("{label} cannot be read: {}", quote(trim(value.as_bytes())));
        self.report.problem("unreadable value", line, words, "it counts as missing; correct the site log");
    }

    fn finish(mut self) -> Parsed {
        for (i, name) in [(3usize, "receiver"), (4, "antenna")] {
            if !self.seen.get(i).copied().unwrap_or(false) {
                let words = format!("the site log has no {name} block");
                self.report.whole("site log without a block", words, "fill in the site log");
            }
        }
        let log = &self.log;
        let mut parsed = Parsed::default();
        let times = log.changes();
        for t in &times {
            let (receiver, antenna) = log.at(*t);
            add_position(&mut parsed, *t, log.position_m, &antenna);
            add_description(&mut parsed, *t, receiver, antenna);
        }
        if !log.id.is_empty() {
            parsed.identity.markers.insert(log.id.clone());
        }
        parsed.identity.receiver_serials =
            log.receivers.iter().map(|r| r.serial.clone()).filter(|s| !s.is_empty()).collect();
        self.report.counts.insert("receiver".to_owned(), log.receivers.len() as u64);
        self.report.counts.insert("antenna".to_owned(), log.antennas.len() as u64);
        let ends = log.receivers.iter().map(|r| r.removed).chain(log.antennas.iter().map(|a| a.removed)).flatten();
        let last = ends.chain(times.last().copied()).chain(log.prepared).max();
        parsed.span = times.first().copied().zip(last);
        parsed.look = FileLook {
            path: self.path,
            format: Format::Sitelog,
            compressed: "none".to_owned(),
            from: parsed.span.map(|s| rfc3339(s.0)),
            to: parsed.span.map(|s| rfc3339(s.1)),
            bytes: self.report.ledger,
            counts: self.report.counts,
            date_from: parsed.span.is_some().then(|| "dates of the site log".to_owned()),
            problems: self.report.problems.into_list(),
            ..parsed.look
        };
        parsed.site_log = Some(Box::new(self.log));
        parsed
    }
}

impl SiteLog {
    /// Times from which another antenna or receiver stood there.
    fn changes(&self) -> Vec<UtcMs> {
        let mut times: Vec<UtcMs> = self.receivers.iter().filter_map(|r| r.installed).collect();
        times.extend(self.antennas.iter().filter_map(|a| a.installed));
        times.sort_unstable();
        times.dedup();
        times
    }

    /// What stood there at a time; empty where nothing did.
    fn at(&self, t: UtcMs) -> (Receiver, Antenna) {
        let stands = |from: Option<UtcMs>, to: Option<UtcMs>| from.is_some_and(|f| f <= t) && to.is_none_or(|r| r > t);
        let receiver = self.receivers.iter().rev().find(|r| stands(r.installed, r.removed));
        let antenna = self.antennas.iter().rev().find(|a| stands(a.installed, a.removed));
        (receiver.cloned().unwrap_or_default(), antenna.cloned().unwrap_or_default())
    }
}

/// Where the reference point of an antenna stood from `t` on, when the marker is known.
fn add_position(parsed: &mut Parsed, t: UtcMs, marker_m: [Option<f64>; 3], antenna: &Antenna) {
    let [Some(x), Some(y), Some(z)] = marker_m else { return };
    let Some(place) = ecef_to_geodetic([x, y, z]).filter(|p| p.h_m.abs() < 100_000.0) else { return };
    let [up, north, east] = antenna.up_north_east_m.map(|v| v.unwrap_or(0.0));
    let [dx, dy, dz] = enu_to_ecef_delta(&place, [east, north, up]);
    let height = antenna.up_north_east_m[0];
    let look = LookPosition { station_id: 0, x_m: x + dx, y_m: y + dy, z_m: z + dz, antenna_height_m: height };
    if !parsed.look.positions.contains(&look) {
        parsed.look.positions.push(look);
        parsed.rows.positions.push(Position {
            time: t,
            station_id: NO_STATION,
            x_m: look.x_m,
            y_m: look.y_m,
            z_m: look.z_m,
            antenna_height_m: height.map_or(f32::NAN, |h| h as f32),
            is_virtual: false,
            from_rtcm: false,
        });
    }
}

/// What stood there from `t` on.
fn add_description(parsed: &mut Parsed, t: UtcMs, receiver: Receiver, antenna: Antenna) {
    let words = LookDescription {
        antenna: antenna.kind.clone(),
        receiver: receiver.kind.clone(),
        firmware: receiver.firmware.clone(),
    };
    if !parsed.look.descriptions.contains(&words) {
        parsed.look.descriptions.push(words);
    }
    parsed.rows.descriptions.push(Description {
        time: t,
        station_id: NO_STATION,
        antenna: antenna.kind,
        antenna_serial: antenna.serial,
        receiver: receiver.kind,
        firmware: receiver.firmware,
        receiver_serial: receiver.serial,
    });
}

fn set_last<T>(list: &mut [T], set: impl FnOnce(&mut T)) {
    if let Some(last) = list.last_mut() {
        set(last);
    }
}

#[cfg(test)]
mod tests;
