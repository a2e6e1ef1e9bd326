//! Observations of one file: types to signals, values to cells, cells to rows and to the sink. Knows nothing of lines:
//! the plain and the compact reader both write here.

use super::codes::{self, Kind};
use super::epoch::Epoch;
use super::header::{Header, TimeSystem};
use super::lines::Line;
use super::report::Report;
use super::sink::{Cell, CellSink};
use super::site::Sites;
use crate::formats::Parsed;
use crate::formats::piece::{Piece, Settle, refuse};
use crate::formats::tally::{SPAN_GAP_MS, Tally};
use crate::maths::signals::wavelength_m;
use crate::model::ids::{Sat, Signal, System};
use crate::model::rows::{LoggedEvent, Rows, SPAN_OBSERVATIONS};
use crate::model::time::{UtcMs, rfc3339};

/// More is no C/N0 in dB-Hz (RINEX 2.11 has receiver-specific strengths; limit: common practice, no source).
const CN0_LIMIT_MILLI: i64 = 65_000;
/// From this share of values over the limit on, the whole type is not in dB-Hz (common practice, no source).
const REFUSED_SHARE: f64 = 0.01;
/// Cells of a satellite that can be told apart.
const SLOTS: usize = 64;

/// How often an observation type was met, over all headers of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TypeTotal {
    /// System.
    pub system: System,
    /// The type as the header wrote it.
    pub code: [u8; 3],
    /// The signal that its values were counted for first.
    pub signal: Signal,
    /// Version 2: the signal they were counted for where that had no pseudorange.
    pub or: Option<Signal>,
    /// Values that are not missing.
    pub count: u64,
    /// Values written as 0.000, which count as missing.
    pub zeros: u64,
    /// Values whose loss-of-lock indicator has bit 0.
    pub lost_lock: u64,
    /// Sum of the values of a strength type, thousandths, those over 65 too.
    pub strength_sum_milli: i64,
    /// Strengths over 65.
    pub over_limit: u64,
}

#[derive(Debug)]
struct Type {
    kind: Kind,
    slot: u8,
    scale: f64,
    total: TypeTotal,
}

#[derive(Debug, Default)]
struct Plan {
    types: Vec<Type>,
    cells: Vec<Cell>,
    /// Bit for every cell with a value.
    seen: u64,
    /// Cells whose phase moves to another cell when only that has a pseudorange.
    moves: Vec<(u8, u8)>,
    /// Wavelength of each cell, m; for GLONASS of frequency number 0, NaN when not known.
    waves_m: Vec<f64>,
}

/// Collects the observations of one file.
#[derive(Debug)]
pub(crate) struct Observations<S> {
    pub sink: S,
    tally: Tally,
    pub rows: Rows,
    pub version_2: bool,
    scale: TimeSystem,
    /// System of a satellite with a blank letter.
    pub blank: System,
    plans: [Plan; System::ALL.len()],
    /// GLONASS frequency numbers by slot.
    channels: [Option<i8>; 64],
    totals: Vec<TypeTotal>,
    epochs: u64,
    first: Option<UtcMs>,
    last: Option<UtcMs>,
    previous: Option<UtcMs>,
    gap_known: bool,
    after_power_failure: bool,
    site_pending: bool,
    sites: Sites,
    place: usize,
    sat: Sat,
}

impl<S: CellSink> Observations<S> {
    pub fn new(sink: S) -> Observations<S> {
        Observations {
            sink,
            tally: Tally::new(SPAN_OBSERVATIONS),
            rows: Rows::default(),
            version_2: false,
            scale: TimeSystem::Gps,
            blank: System::Gps,
            plans: Default::default(),
            channels: [None; 64],
            totals: Vec::new(),
            epochs: 0,
            first: None,
            last: None,
            previous: None,
            gap_known: false,
            after_power_failure: false,
            site_pending: false,
            sites: Sites::default(),
            place: 0,
            sat: Sat::new(System::Gps, 1),
        }
    }

    /// A header, or header lines within the data, were read to their end.
    pub fn take_header(&mut self, header: &mut Header, whole: bool, line: &Line<'_>, report: &mut Report) {
        self.site_pending |= header.take_site_change();
        if whole {
            self.version_2 = header.version < 300;
            self.scale = header.scale_of_epochs();
            self.blank = System::from_letter(header.system).unwrap_or(System::Gps);
            for (slot, channel) in &header.channels {
                self.sink.glonass_channel(*slot, *channel);
                if let Some(place) = self.channels.get_mut(usize::from(*slot)) {
                    *place = Some(*channel);
                }
            }
        }
        if let Some(interval_s) = header.interval_s {
            self.set_gap((interval_s * 1500.0) as i64);
        }
        if header.take_types_change() || whole {
            for (letter, announced, met) in header.short_types() {
                report.problem(
                    "observation types announced and listed differ",
                    line,
                    || format!("the header announces {announced} observation types ({letter}) and lists {met}"),
                    "the listed types are used; check the writer of the file",
                );
            }
            self.plan(header, line, report);
        }
    }

    fn set_gap(&mut self, gap_ms: i64) {
        self.gap_known = true;
        self.tally.set_gap(gap_ms.clamp(SPAN_GAP_MS, 3_600_000));
    }

    fn plan(&mut self, header: &Header, line: &Line<'_>, report: &mut Report) {
        self.keep_totals();
        for (place, system) in System::ALL.into_iter().enumerate() {
            let mut plan = Plan::default();
            let codes = if self.version_2 { &header.types2 } else { &header.types[place] };
            for code in codes {
                let to = if self.version_2 {
                    codes::version_2(system, *code, codes)
                } else {
                    codes::version_3(system, *code, header.version)
                };
                let Some(to) = to else {
                    report.problem(
                        "observation type of no table",
                        line,
                        || {
                            format!(
                                "observation type {}{} is in no table",
                                system.letter(),
                                String::from_utf8_lossy(code)
                            )
                        },
                        "its values are counted and not used",
                    );
                    plan.push(Kind::Other, Signal { system, code: *b"?0" }, None, *code, 1.0);
                    continue;
                };
                plan.push(to.kind, to.signal, to.or, *code, header.scale_factor(system, *code));
            }
            if let Some(slot) = self.plans.get_mut(place) {
                *slot = plan;
            }
        }
    }

    /// Number of observation types of a system.
    #[inline]
    pub fn types(&self, system: System) -> usize {
        self.plans.get(system.place()).map_or(0, |p| p.types.len())
    }

    /// Begins an observation epoch.
    pub fn epoch(&mut self, epoch: &Epoch, header: &Header, line: &Line<'_>, report: &mut Report) {
        let Some(calendar_ms) = epoch.calendar_ms else { return };
        let t = self.scale.to_utc(calendar_ms);
        if epoch.second_60 {
            report.problem(
                "second 60",
                line,
                || "the second of the epoch is 60 or more".to_owned(),
                "taken as the next minute; check the writer of the file",
            );
        }
        if let Some(previous) = self.previous {
            if t < previous {
                report.problem(
                    "epochs out of order",
                    line,
                    || format!("the epoch {} comes after {}", rfc3339(t), rfc3339(previous)),
                    "it is used at its own time",
                );
            } else if t == previous {
                report.problem(
                    "epoch repeated",
                    line,
                    || format!("the epoch {} comes twice", rfc3339(t)),
                    "both are counted; their cells are merged",
                );
            } else if !self.gap_known {
                self.set_gap((t - previous) * 3 / 2);
            }
        }
        self.previous = Some(t);
        self.first = Some(self.first.map_or(t, |f| f.min(t)));
        self.last = Some(self.last.map_or(t, |l| l.max(t)));
        self.epochs += 1;
        self.after_power_failure = epoch.flag == 1;
        if self.after_power_failure {
            report.count("power failure");
            self.rows.logged.push(LoggedEvent {
                time: t,
                kind: "power-fail".to_owned(),
                detail: "RINEX epoch flag 1: power failure since the epoch before".to_owned(),
            });
        }
        if self.site_pending {
            self.site_pending = false;
            self.sites.take(t, header, &mut self.rows, line, report);
        }
        self.tally.epoch(t, &mut self.rows);
        self.sink.epoch(t, epoch.flag);
    }

    /// Begins a satellite of the epoch; `false` when its system has no observation types.
    #[inline]
    pub fn satellite(&mut self, sat: Sat) -> bool {
        self.place = sat.system().place();
        self.sat = sat;
        let Some(plan) = self.plans.get_mut(self.place) else { return false };
        plan.seen = 0;
        !plan.types.is_empty()
    }

    /// One value of the satellite: place of its type, thousandths, LLI and SSI as written (blank or digit).
    #[inline]
    pub fn value(&mut self, i: usize, milli: i64, lli: u8, ssi: u8) {
        let Some(plan) = self.plans.get_mut(self.place) else { return };
        let Some(t) = plan.types.get_mut(i) else { return };
        if milli == 0 {
            t.total.zeros += 1;
            return;
        }
        t.total.count += 1;
        let Some(cell) = plan.cells.get_mut(usize::from(t.slot)) else { return };
        let bit = 1u64 << (t.slot & 63);
        if plan.seen & bit == 0 {
            *cell = Cell::blank(self.sat, cell.signal);
            plan.seen |= bit;
        }
        let lli = digit(lli);
        t.total.lost_lock += u64::from(lli & 1);
        let value = milli as f64 * t.scale;
        match t.kind {
            Kind::Range => {
                cell.range_m = value;
                if cell.ssi == 0 {
                    cell.ssi = digit(ssi);
                }
            }
            Kind::Phase => {
                cell.phase_cycles = value;
                cell.lli = lli;
                cell.ssi = digit(ssi);
            }
            Kind::Doppler => cell.doppler_hz = value,
            Kind::Strength => {
                t.total.strength_sum_milli += milli;
                if !(0..=CN0_LIMIT_MILLI).contains(&milli) {
                    t.total.over_limit += 1;
                } else {
                    cell.cn0_dbhz = value as f32;
                }
            }
            Kind::Other => {}
        }
    }

    /// Ends the satellite: its cells go to the rows and to the sink.
    #[inline]
    pub fn end_satellite(&mut self) {
        let Some(plan) = self.plans.get_mut(self.place) else { return };
        for (from, to) in &plan.moves {
            move_phase(&mut plan.cells, &mut plan.seen, *from, *to, self.sat);
        }
        let mut left = plan.seen;
        while left != 0 {
            let slot = left.trailing_zeros() as usize;
            left &= left - 1;
            let Some(cell) = plan.cells.get(slot) else { continue };
            let slip = cell.lli & 1 == 1 || self.after_power_failure;
            let wave_m = plan.waves_m.get(slot).copied().unwrap_or(f64::NAN);
            let wave_m = if self.sat.system() == System::Glonass {
                let channel = self.channels.get(usize::from(self.sat.number())).copied().flatten();
                glonass_wave_m(cell.signal, channel, wave_m)
            } else {
                wave_m
            };
            let ranges = [cell.range_m, cell.phase_cycles * wave_m];
            self.tally.ranging_cell(self.sat, cell.signal, cell.cn0_dbhz, slip, ranges);
            self.sink.cell(cell);
        }
    }

    /// An event record without observations.
    pub fn event(&mut self, epoch: &Epoch, report: &mut Report) {
        let (what, kind) = match epoch.flag {
            2 => ("the antenna starts to move", "moving antenna"),
            3 => ("a new site is occupied", "new site occupation"),
            4 => return report.count("header lines in the data"),
            5 => return report.count("external event"),
            _ => return report.count("cycle slip record"),
        };
        report.count(kind);
        let time = epoch.calendar_ms.map(|c| self.scale.to_utc(c)).or(self.previous);
        if let Some(time) = time {
            let detail = format!("RINEX epoch flag {}: {what}", epoch.flag);
            self.rows.logged.push(LoggedEvent { time, kind: "other".to_owned(), detail });
        }
    }

    fn keep_totals(&mut self) {
        for plan in &mut self.plans {
            for t in plan.types.drain(..) {
                let same = |o: &&mut TypeTotal| o.system == t.total.system && o.code == t.total.code;
                match self.totals.iter_mut().find(same) {
                    Some(old) => {
                        old.count += t.total.count;
                        old.zeros += t.total.zeros;
                        old.lost_lock += t.total.lost_lock;
                        old.strength_sum_milli += t.total.strength_sum_milli;
                        old.over_limit += t.total.over_limit;
                    }
                    None => self.totals.push(t.total),
                }
            }
        }
    }

    /// Bytes of rows that are held.
    pub fn held(&self) -> usize {
        self.rows.bytes()
    }

    /// Rows that nothing in the rest of the file touches. What headers say stays: later ones are compared with it.
    pub fn piece(&mut self) -> Piece {
        let signals = self.tally.unchanging(&self.rows);
        let own = self.rows.split_front(|table, n| match table {
            "positions" | "descriptions" => 0,
            "signals" => signals,
            _ => n,
        });
        self.tally.gave_out(signals);
        Piece { own, ..Piece::default() }
    }

    /// The end: everything that was collected.
    pub fn finish(mut self, mut report: Report, parsed: &mut Parsed) -> (Report, Vec<TypeTotal>, S) {
        self.keep_totals();
        self.tally.finish(&mut self.rows);
        let mut signals = self.tally.look_signals();
        let mut refused_signals = Vec::new();
        for total in self.totals.iter().filter(|t| t.over_limit > 0) {
            let name = format!("{} {}", total.system.letter(), String::from_utf8_lossy(&total.code).trim_end());
            let refused = total.over_limit as f64 >= REFUSED_SHARE * total.count as f64;
            report.whole(
                "signal strength not in dB-Hz",
                format!("{} of {} values of {name} are over 65 or negative", total.over_limit, total.count),
                if refused {
                    "the type is not in dB-Hz and is not used as C/N0; set the receiver or converter to dB-Hz"
                } else {
                    "these values are not used as C/N0"
                },
            );
            if refused {
                for signal in [Some(total.signal), total.or].into_iter().flatten() {
                    refused_signals.push(signal);
                    refuse(&mut self.rows, signal);
                    let name = signal.to_string();
                    signals.iter_mut().filter(|s| s.signal == name).for_each(|s| s.cn0_mean_dbhz = None);
                }
            }
        }
        let strengths = self.totals.iter().any(|t| t.code[0] == b'S' && t.count > 0);
        if self.epochs > 0 && !strengths {
            report.whole(
                "no signal strengths",
                "the file has no signal strength observations (S types)".to_owned(),
                "C/N0 is missing; the one-digit strengths of RINEX have steps of 6 dB and are not used",
            );
        }
        for total in self.totals.iter().filter(|t| t.count > 0) {
            let code = String::from_utf8_lossy(&total.code);
            report.counts.insert(format!("{} {}", total.system.letter(), code.trim_end()), total.count);
        }
        parsed.look.epochs = Some(self.epochs);
        parsed.look.satellites = Some(self.tally.satellites());
        parsed.look.signals = signals;
        parsed.look.positions = self.sites.look_positions;
        parsed.look.descriptions = self.sites.look_descriptions;
        parsed.span = self.first.zip(self.last);
        parsed.identity = self.sites.identity;
        parsed.rows = self.rows;
        parsed.settle = Settle { refused: refused_signals, ..Settle::default() };
        (report, self.totals, self.sink)
    }
}

impl Plan {
    fn push(&mut self, kind: Kind, signal: Signal, or: Option<Signal>, code: [u8; 3], factor: f64) {
        let total = TypeTotal {
            system: signal.system,
            code,
            signal,
            or,
            count: 0,
            zeros: 0,
            lost_lock: 0,
            strength_sum_milli: 0,
            over_limit: 0,
        };
        // A type without a signal has no cell: its slot is past the end.
        let slot = if kind == Kind::Other { u8::MAX } else { self.slot(signal) };
        if let Some(or) = or {
            let pair = (slot, self.slot(or));
            if !self.moves.contains(&pair) {
                self.moves.push(pair);
            }
        }
        self.types.push(Type { kind, slot, scale: 1e-3 / factor, total });
    }

    fn slot(&mut self, signal: Signal) -> u8 {
        let known = self.cells.iter().position(|c| c.signal == signal);
        let slot = known.unwrap_or_else(|| {
            if self.cells.len() >= SLOTS {
                return usize::from(u8::MAX);
            }
            self.cells.push(Cell::blank(Sat::new(signal.system, 1), signal));
            let digit = signal.code[0].wrapping_sub(b'0');
            self.waves_m.push(wavelength_m(signal.system.letter(), digit, Some(0)).unwrap_or(f64::NAN));
            self.cells.len() - 1
        });
        slot as u8
    }
}

/// Wavelength of a GLONASS signal: FDMA signals need the satellite's frequency number.
#[inline]
fn glonass_wave_m(signal: Signal, channel: Option<i8>, of_number_0_m: f64) -> f64 {
    // G1 in steps of 9/16 MHz from 1602, G2 in steps of 7/16 MHz from 1246 (GLONASS ICD 5.1): one ratio for both.
    match (signal.code[0], channel) {
        (b'1' | b'2', Some(k)) => of_number_0_m / (1.0 + f64::from(k) * 0.5625 / 1602.0),
        (b'1' | b'2', None) => f64::NAN,
        _ => of_number_0_m,
    }
}

/// Version 2 has one phase for two pseudoranges of a frequency: it goes with the one that is there.
fn move_phase(cells: &mut [Cell], seen: &mut u64, from: u8, to: u8, sat: Sat) {
    let bit = |slot: u8| 1u64 << (slot & 63);
    if *seen & bit(from) == 0 || *seen & bit(to) == 0 {
        return;
    }
    let (Some(a), Some(b)) = (cells.get(usize::from(from)).copied(), cells.get(usize::from(to)).copied()) else {
        return;
    };
    if !a.range_m.is_nan() || b.range_m.is_nan() {
        return;
    }
    if let Some(cell) = cells.get_mut(usize::from(to)) {
        *cell = Cell { sat, signal: b.signal, range_m: b.range_m, ..a };
    }
    *seen &= !bit(from);
}

#[inline]
fn digit(b: u8) -> u8 {
    if b.is_ascii_digit() { b - b'0' } else { 0 }
}
