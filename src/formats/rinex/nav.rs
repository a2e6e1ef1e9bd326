//! Navigation files: records to broadcast orbits (RINEX 2.11 tables A4, A11; 3.05 tables A6 to A13; 4.02 tables A8 to A33).
//!
//! A record ends where the next one begins, so that records with more or fewer lines than expected (GLONASS with four or
//! five, spares left out) do not shift what follows.

use super::fields::{columns, float, int, trim};
use super::header::{Header, TimeSystem, calendar_ms};
use super::lines::Line;
use super::report::{Report, quote};
use crate::maths::orbits::{Ephemeris, GlonassEphemeris, KeplerEphemeris};
use crate::model::ids::System;
use crate::model::time::{
    DAY_MS, GLONASS_AHEAD_UTC_MS, GPS_ZERO_UTC_MS, SECOND_MS, UtcMs, WEEK_MS, utc_to_gps, year_from_two_digits,
};

/// Lines of one record that are kept.
const LINES_LIMIT: usize = 12;
/// Ephemerides of one file that are kept; a merged file of a day has about 10 000.
const KEPT_LIMIT: usize = 200_000;
/// Square root of the semi-major axis of any navigation satellite, from 16 000 to 64 000 km.
const SQRT_A_RANGE: std::ops::Range<f64> = 4_000.0..8_000.0;
/// Values 1 to 20 of the table are clock and orbit; later ones are not needed for either.
const ORBIT_VALUES: u64 = 0x1f_fffe;
/// Days are in the BeiDou week count from here: week 0 of BDT is GPS week 1356.
const BDT_WEEK_OFFSET: i64 = 1356;

/// No week is further from week 0.
const MOST_WEEKS: f64 = 1e6;

/// Where the lines of the open record belong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Message {
    /// An orbit that is read.
    Orbit,
    /// A known message that is not used: the reason.
    NotUsed(&'static str),
}

#[derive(Debug, Clone, Copy)]
struct Open {
    system: System,
    number: u8,
    message: Message,
    /// Line of its start, for messages.
    line: u64,
    offset: u64,
    bytes: u64,
    lines: usize,
    /// Calendar time of the clock reference in the system's scale, ms since 1970.
    toc_ms: Option<i64>,
    values: [f64; 4 * LINES_LIMIT],
    /// Bit for every value that is no number.
    bad: u64,
}

/// Reader of the lines between header and end of file.
#[derive(Debug, Default)]
pub(crate) struct Navigation {
    open: Option<Open>,
    /// Version 4: what the `>` line announced.
    announced: Option<Message>,
    ephemerides: Vec<Ephemeris>,
    span: Option<(UtcMs, UtcMs)>,
    satellites: std::collections::BTreeSet<(char, u8)>,
}

impl Navigation {
    /// Takes one line.
    pub fn line(&mut self, line: &Line<'_>, header: &Header, report: &mut Report) {
        let text = line.text;
        if trim(text).is_empty() {
            return report.skipped(line, "blank line");
        }
        let version_2 = header.version < 300;
        if text.first() == Some(&b'>') {
            self.close(report);
            return self.announce(line, report);
        }
        let start = if version_2 {
            columns(text, 0, 3).iter().any(|b| *b != b' ')
        } else {
            text.first().is_some_and(|b| *b != b' ')
        };
        if start && !matches!(self.announced, Some(Message::NotUsed(_))) {
            self.close(report);
            return self.start(line, header, version_2, report);
        }
        match (&mut self.open, self.announced) {
            (Some(open), _) => {
                open.bytes += line.bytes;
                if open.lines < LINES_LIMIT {
                    let first = if version_2 { 3 } else { 4 };
                    open.bad |= read_values(&mut open.values, open.lines * 4, text, first, 4);
                }
                open.lines += 1;
            }
            (None, Some(Message::NotUsed(reason))) => report.skipped(line, reason),
            (None, _) => {
                report.unknown(line);
                let words = || format!("no record begins before {}", quote(text));
                report.problem("navigation data without a record", line, words, "the line is not used");
            }
        }
    }

    /// `> EPH G02 LNAV`.
    fn announce(&mut self, line: &Line<'_>, report: &mut Report) {
        let mut words = line.text.get(1..).unwrap_or_default().split(|b| *b == b' ').filter(|w| !w.is_empty());
        let kind = words.next().unwrap_or_default();
        let system = words.next().and_then(|w| w.first()).map_or('?', |b| char::from(*b));
        let message = words.next().unwrap_or_default();
        let known = matches!(kind, b"EPH" | b"STO" | b"EOP" | b"ION");
        report.decoded(line);
        if !known {
            let words = || format!("record {} is in no table", quote(line.text));
            report.problem("unknown navigation record", line, words, "skipped up to the next record");
        }
        report.count(&format!("{} {system} {}", String::from_utf8_lossy(kind), String::from_utf8_lossy(message)));
        self.announced = Some(match (kind, message) {
            (b"EPH", b"LNAV" | b"INAV" | b"FNAV" | b"D1" | b"D2" | b"FDMA") => Message::Orbit,
            (b"EPH", b"SBAS") => Message::NotUsed("SBAS orbit: not used"),
            (b"EPH", _) => Message::NotUsed("modern navigation message: the legacy one of the same satellite is used"),
            _ => Message::NotUsed("time, Earth or ionosphere parameters: not used"),
        });
    }

    fn start(&mut self, line: &Line<'_>, header: &Header, version_2: bool, report: &mut Report) {
        let text = line.text;
        let system = if version_2 {
            match header.file_type {
                b'G' => Some(System::Glonass),
                b'H' => Some(System::Sbas),
                b'E' | b'L' => Some(System::Galileo),
                b'Q' => Some(System::Qzss),
                _ => Some(System::Gps),
            }
        } else {
            text.first().and_then(|b| System::from_letter(b.to_ascii_uppercase()))
        };
        let digits = if version_2 { columns(text, 0, 2) } else { columns(text, 1, 3) };
        let number = int(digits).and_then(|n| u8::try_from(n).ok()).filter(|n| *n > 0);
        let (Some(system), Some(number)) = (system, number) else {
            report.unknown(line);
            let words = || format!("no satellite in {}", quote(text));
            return report.problem("navigation record without a satellite", line, words, "the line is not used");
        };
        if self.announced.is_none() {
            report.count(&system.letter().to_string());
        }
        let at: [(usize, usize); 6] = if version_2 {
            [(3, 5), (6, 8), (9, 11), (12, 14), (15, 17), (17, 22)]
        } else {
            [(4, 8), (9, 11), (12, 14), (15, 17), (18, 20), (21, 23)]
        };
        let [y, mo, d, h, mi] = [0, 1, 2, 3, 4].map(|i| at.get(i).and_then(|(a, b)| int(columns(text, *a, *b))));
        let second = float(columns(text, at[5].0, at[5].1));
        let toc_ms = (|| {
            let year = if version_2 { i64::from(year_from_two_digits(y?.try_into().ok()?)) } else { y? };
            calendar_ms(year, mo?, d?, h?, mi?, second?)
        })();
        let message = match (self.announced, system) {
            (_, System::Sbas) => Message::NotUsed("SBAS orbit: not used"),
            (Some(message), _) => message,
            (None, _) => Message::Orbit,
        };
        let mut open = Open {
            system,
            number,
            message,
            line: line.number,
            offset: line.offset,
            bytes: line.bytes,
            lines: 1,
            toc_ms,
            values: [0.0; 4 * LINES_LIMIT],
            bad: 0,
        };
        // The first line has three values; the place of the fourth in the table stays empty.
        open.bad = read_values(&mut open.values, 1, text, if version_2 { 22 } else { 23 }, 3);
        self.open = Some(open);
    }

    /// Ends the open record.
    fn close(&mut self, report: &mut Report) {
        let Some(open) = self.open.take() else { return };
        let place = Line { text: &[], bytes: open.bytes, number: open.line, offset: open.offset, overlong: false };
        if let Message::NotUsed(reason) = open.message {
            self.met(&open);
            return report.skipped(&place, reason);
        }
        let name = || format!("{}{:02}", open.system.letter(), open.number);
        let wanted = if open.system == System::Glonass { 4 } else { 8 };
        let bad = if open.lines < wanted - usize::from(wanted == 8) {
            Some(format!("the record of {} has {} lines of {wanted}", name(), open.lines))
        } else if open.bad & ORBIT_VALUES != 0 {
            Some(format!("a value of the record of {} cannot be read", name()))
        } else if open.toc_ms.is_none() {
            Some(format!("the time of the record of {} cannot be read", name()))
        } else {
            None
        };
        if let Some(what) = bad {
            report.unknown(&place);
            return report.problem("unreadable navigation record", &place, || what, "the record is not used");
        }
        let ephemeris = if open.system == System::Glonass { glonass(&open) } else { kepler(&open, &place, report) };
        let Some(ephemeris) = ephemeris else {
            report.unknown(&place);
            let words = || format!("the record of {} is no orbit", name());
            return report.problem("navigation record that is no orbit", &place, words, "the record is not used");
        };
        if open.bad != 0 {
            let words = || format!("a value of the record of {} that is no orbit element cannot be read", name());
            report.problem("unreadable navigation value", &place, words, "it counts as 0");
        }
        self.met(&open);
        if self.ephemerides.len() < KEPT_LIMIT {
            self.ephemerides.push(ephemeris);
            report.decoded(&place);
        } else {
            report.skipped(&place, "more ephemerides than are kept");
            let words = || format!("more than {KEPT_LIMIT} ephemerides");
            report.problem("too many ephemerides", &place, words, "split the file by days");
        }
    }

    fn met(&mut self, open: &Open) {
        self.satellites.insert((open.system.letter(), open.number));
        let Some(toc_ms) = open.toc_ms else { return };
        let t = scale_of(open.system).to_utc(toc_ms);
        self.span = Some(self.span.map_or((t, t), |(a, b)| (a.min(t), b.max(t))));
    }

    /// A line was too long: the record is lost.
    pub fn lose(&mut self) {
        if let Some(open) = &mut self.open {
            open.bad = u64::MAX;
        }
    }

    /// The end of the file: ephemerides in the order of the file, first and last clock reference, satellites.
    pub fn finish(mut self, report: &mut Report) -> (Vec<Ephemeris>, Option<(UtcMs, UtcMs)>, u32) {
        self.close(report);
        (self.ephemerides, self.span, self.satellites.len() as u32)
    }
}

fn scale_of(system: System) -> TimeSystem {
    match system {
        System::Glonass => TimeSystem::Utc,
        System::Beidou => TimeSystem::Beidou,
        _ => TimeSystem::Gps,
    }
}

/// D19.12 values from a column on, into the table from `at` on; blanks are 0 (spares). Bits of those that are no numbers.
fn read_values(values: &mut [f64], at: usize, text: &[u8], first: usize, count: usize) -> u64 {
    let mut bad = 0;
    for i in 0..count {
        let field = columns(text, first + 19 * i, first + 19 * i + 19);
        if trim(field).is_empty() {
            continue;
        }
        match (float(field), values.get_mut(at + i)) {
            (Some(value), Some(slot)) => *slot = value,
            _ => bad |= 1 << (at + i).min(63),
        }
    }
    bad
}

/// Elements of the table, four a line; the first line has its three from place 1 on.
fn kepler(open: &Open, place: &Line<'_>, report: &mut Report) -> Option<Ephemeris> {
    let v = &open.values;
    let beidou = open.system == System::Beidou;
    // Scale of the system itself: BDT counts from its own zero, but its weeks begin with the GPS weeks (14 s later).
    let toc_own_ms = open.toc_ms? - GPS_ZERO_UTC_MS;
    let (toc_week, toc_s) = (toc_own_ms.div_euclid(WEEK_MS), toc_own_ms.rem_euclid(WEEK_MS) as f64 / 1000.0);
    let toe_s = v[12];
    if !(0.0..=604_800.0).contains(&toe_s) || !SQRT_A_RANGE.contains(&v[11]) || !(0.0..0.9).contains(&v[9]) {
        return None;
    }
    // The week that puts the orbit's reference time next to that of the clock; the written week can be mod 1024 or missing.
    let week = toc_week
        + match toe_s - toc_s {
            d if d > 302_400.0 => -1,
            d if d < -302_400.0 => 1,
            _ => 0,
        };
    // Damaged text can give any number.
    let written = v[22].clamp(-MOST_WEEKS, MOST_WEEKS) as i64 + if beidou { BDT_WEEK_OFFSET } else { 0 };
    if written != week && (written - week).rem_euclid(1024) != 0 {
        report.problem(
            "week of a navigation record",
            place,
            || format!("the week {} of {}{:02} does not fit its epoch", v[22], open.system.letter(), open.number),
            "the week of the epoch is used",
        );
    }
    let issue = if v[4] >= 0.0 { v[4] as u16 } else { 0 };
    Some(Ephemeris::Kepler(KeplerEphemeris {
        system: open.system.letter(),
        number: open.number,
        gps_week: u32::try_from(week).ok()?,
        toe_s,
        toc_s,
        issue,
        health: v[25].clamp(0.0, f64::from(u16::MAX)) as u16,
        sqrt_a: v[11],
        e: v[9],
        i0: v[16],
        idot: v[20],
        omega0: v[14],
        omega_dot: v[19],
        omega: v[18],
        m0: v[7],
        delta_n: v[6],
        cuc: v[8],
        cus: v[10],
        crc: v[17],
        crs: v[5],
        cic: v[13],
        cis: v[15],
        af0: v[1],
        af1: v[2],
        af2: v[3],
        tgd_s: v[26],
    }))
}

fn glonass(open: &Open) -> Option<Ephemeris> {
    let v = &open.values;
    let utc = open.toc_ms?;
    let gps = utc_to_gps(utc);
    let vector = |i: usize| [v[i] * 1e3, v[i + 4] * 1e3, v[i + 8] * 1e3];
    let position_m = vector(4);
    let radius_m = position_m.iter().map(|x| x * x).sum::<f64>().sqrt();
    if !(6.0e6..1.0e8).contains(&radius_m) {
        return None;
    }
    let moscow_ms = (utc + GLONASS_AHEAD_UTC_MS).rem_euclid(DAY_MS);
    Some(Ephemeris::Glonass(GlonassEphemeris {
        number: open.number,
        frequency_number: v[11].clamp(-128.0, 127.0) as i8,
        gps_week: u32::try_from(gps.div_euclid(WEEK_MS)).ok()?,
        toe_s: gps.rem_euclid(WEEK_MS) as f64 / 1000.0,
        position_m,
        velocity_m_s: vector(5),
        acceleration_m_s2: vector(6),
        minus_tau_s: v[1],
        gamma: v[2],
        health: v[7].clamp(0.0, f64::from(u16::MAX)) as u16,
        issue: (moscow_ms / (15 * 60 * SECOND_MS)) as u16,
    }))
}
