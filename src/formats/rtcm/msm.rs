//! Multiple signal messages MSM 1 to 7 of all systems (RTCM 10403.x; `check-values.md` 3.6).
//!
//! [`Msm::parse`] reads the header and checks the length once; after that every field has a fixed place and is read only
//! when asked for, so that rows of C/N0 and slips never touch ranges and phases.

use super::lock::{LockTime, msm_lock, msm_lock_extended};
use super::observables::{Cell, Damage, Epoch, LIGHT_MS_M, require};
use super::signals::{msm_satellite, msm_signal};
use crate::formats::bits::{signed_at, unsigned_at};
use crate::model::ids::{Sat, Signal, System};
use crate::model::time::UtcMs;

/// Bits before the cell mask.
const HEADER_BITS: usize = 169;
/// Largest number of satellites times signals.
const MAX_CELLS: usize = 64;

/// System and kind (1 to 7) of a message number.
pub fn kind_of(message: u16) -> Option<(System, u8)> {
    let system = match message {
        1071..=1077 => System::Gps,
        1081..=1087 => System::Glonass,
        1091..=1097 => System::Galileo,
        1101..=1107 => System::Sbas,
        1111..=1117 => System::Qzss,
        1121..=1127 => System::Beidou,
        1131..=1137 => System::Navic,
        _ => return None,
    };
    Some((system, (message % 10) as u8))
}

/// Widths of the fields of a kind, bits; 0 where the kind has no such field.
#[derive(Debug, Clone, Copy)]
struct Widths {
    /// Satellite block: DF397, extended info, DF398, DF399.
    sat: [u32; 4],
    /// Signal block: pseudorange, phase range, lock time, half cycle, C/N0, rate.
    cell: [u32; 6],
}

const PSEUDORANGE: usize = 0;
const PHASE: usize = 1;
const LOCK: usize = 2;
const HALF: usize = 3;
const CN0: usize = 4;
const RATE: usize = 5;

fn widths(kind: u8) -> Widths {
    let (sat, cell) = match kind {
        1 => ([0, 0, 10, 0], [15, 0, 0, 0, 0, 0]),
        2 => ([0, 0, 10, 0], [0, 22, 4, 1, 0, 0]),
        3 => ([0, 0, 10, 0], [15, 22, 4, 1, 0, 0]),
        4 => ([8, 0, 10, 0], [15, 22, 4, 1, 6, 0]),
        5 => ([8, 4, 10, 14], [15, 22, 4, 1, 6, 15]),
        6 => ([8, 0, 10, 0], [20, 24, 10, 1, 10, 0]),
        _ => ([8, 4, 10, 14], [20, 24, 10, 1, 10, 15]),
    };
    Widths { sat, cell }
}

/// A parsed header over the payload of one MSM.
#[derive(Debug, Clone)]
pub struct Msm<'a> {
    payload: &'a [u8],
    /// DF002.
    pub message: u16,
    /// Its system.
    pub system: System,
    /// 1 to 7.
    pub kind: u8,
    /// DF003.
    pub station: u16,
    /// Its time.
    pub epoch: Epoch,
    /// DF393: more messages of this epoch and station follow.
    pub more: bool,
    /// Satellite ids, the first [`Msm::satellite_count`] are set.
    satellites: [u8; 64],
    satellite_count: usize,
    signals: [u8; 32],
    signal_count: usize,
    /// Cell mask, first cell in the highest bit.
    mask: u64,
    widths: Widths,
    sat_block: usize,
    /// First bit of each field's column in the signal block.
    columns: [usize; 6],
}

/// Units of the fine ranges of MSM 6 and 7, ms: 2^-29 and 2^-31.
const WIDE: (f64, f64) = (1.0 / 536_870_912.0, 1.0 / 2_147_483_648.0);

/// A cell's place in its message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Number among the cells that are there.
    pub cell: usize,
    /// Number of the satellite in the satellite mask.
    pub satellite: usize,
    /// Number of the signal in the signal mask.
    pub signal: usize,
}

/// Fills `ids` with the 1-based positions of the set bits, from the highest of `width` bits.
fn set_bits<const N: usize>(mut mask: u64, width: u32) -> ([u8; N], usize) {
    let mut ids = [0; N];
    let mut count = 0;
    mask <<= 64 - width;
    while mask != 0 {
        let place = mask.leading_zeros();
        if let Some(id) = ids.get_mut(count) {
            *id = place as u8 + 1;
            count += 1;
        }
        mask &= !(1 << (63 - place));
    }
    (ids, count)
}

impl<'a> Msm<'a> {
    /// Reads the header and checks that the payload holds all that it promises.
    ///
    /// # Errors
    /// [`Damage`] for another message, a payload that is too short, and more cells than an MSM may have.
    pub fn parse(payload: &'a [u8]) -> Result<Msm<'a>, Damage> {
        let message = super::message_number(payload).ok_or(Damage::OtherMessage)?;
        let (system, kind) = kind_of(message).ok_or(Damage::OtherMessage)?;
        require(payload, HEADER_BITS)?;
        let epoch = match system {
            System::Glonass => {
                let day = unsigned_at(payload, 24, 3) as u8;
                Epoch::Glonass((day < 7).then_some(day), unsigned_at(payload, 27, 27) as u32)
            }
            System::Beidou => Epoch::BeidouWeek(unsigned_at(payload, 24, 30) as u32),
            _ => Epoch::Week(unsigned_at(payload, 24, 30) as u32),
        };
        let (satellites, satellite_count) = set_bits(unsigned_at(payload, 73, 64), 64);
        let (signals, signal_count) = set_bits(unsigned_at(payload, 137, 32), 32);
        let pairs = satellite_count * signal_count;
        if pairs > MAX_CELLS {
            return Err(Damage::TooManyCells(pairs));
        }
        require(payload, HEADER_BITS + pairs)?;
        let mask = if pairs == 0 { 0 } else { unsigned_at(payload, HEADER_BITS, pairs as u32) << (64 - pairs) };
        let cells = mask.count_ones() as usize;
        let widths = widths(kind);
        let sat_block = HEADER_BITS + pairs;
        let mut at = sat_block + satellite_count * widths.sat.iter().sum::<u32>() as usize;
        let mut columns = [0; 6];
        for (column, width) in columns.iter_mut().zip(widths.cell) {
            *column = at;
            at += cells * width as usize;
        }
        require(payload, at)?;
        Ok(Msm {
            payload,
            message,
            system,
            kind,
            station: unsigned_at(payload, 12, 12) as u16,
            epoch,
            more: unsigned_at(payload, 54, 1) == 1,
            satellites,
            satellite_count,
            signals,
            signal_count,
            mask,
            widths,
            sat_block,
            columns,
        })
    }

    /// Satellite ids (1 to 64) of the message.
    pub fn satellite_ids(&self) -> &[u8] {
        self.satellites.get(..self.satellite_count).unwrap_or_default()
    }

    /// Signal ids (1 to 32) of the message.
    pub fn signal_ids(&self) -> &[u8] {
        self.signals.get(..self.signal_count).unwrap_or_default()
    }

    /// The satellite with a number in the mask.
    pub fn satellite(&self, number: usize) -> Sat {
        msm_satellite(self.system, self.satellites.get(number).copied().unwrap_or(0))
    }

    /// The signal with a number in the mask.
    pub fn signal(&self, number: usize) -> Signal {
        msm_signal(self.system, self.signals.get(number).copied().unwrap_or(0))
    }

    /// The cells that are there, satellite by satellite.
    pub fn places(&self) -> Places {
        Places { mask: self.mask, signals: self.signal_count.max(1), next: 0, satellite: 0, first_pair: 0 }
    }

    #[inline]
    fn column(&self, field: usize, cell: usize) -> Option<(usize, u32)> {
        let width = *self.widths.cell.get(field)?;
        if width == 0 {
            return None;
        }
        Some((self.columns.get(field)? + cell * width as usize, width))
    }

    #[inline]
    fn number(&self, field: usize, cell: usize) -> Option<u32> {
        self.column(field, cell).map(|(at, width)| unsigned_at(self.payload, at, width) as u32)
    }

    /// A signed field times 2 to the power of `-scale`; `None` where the kind has no such field or it holds the lowest
    /// number, which means invalid.
    fn fraction(&self, field: usize, cell: usize, scale: i32) -> Option<f64> {
        let (at, width) = self.column(field, cell)?;
        let raw = signed_at(self.payload, at, width);
        (raw != -(1 << (width - 1))).then(|| raw as f64 * f64::powi(2.0, -scale))
    }

    /// C/N0 in dB-Hz (DF403, DF408), NaN when the message has none or 0.
    #[inline]
    pub fn cn0_dbhz(&self, cell: usize) -> f32 {
        match self.number(CN0, cell) {
            None | Some(0) => f32::NAN,
            Some(n) if self.kind < 6 => n as f32,
            Some(n) => n as f32 / 16.0,
        }
    }

    /// Lock time (DF402, DF407).
    #[inline]
    pub fn lock(&self, cell: usize) -> Option<LockTime> {
        let n = self.number(LOCK, cell)?;
        Some(if self.kind < 6 { msm_lock(n as u8) } else { msm_lock_extended(n as u16) })
    }

    /// DF420: half-cycle ambiguity not resolved.
    pub fn half_cycle(&self, cell: usize) -> bool {
        self.number(HALF, cell) == Some(1)
    }

    fn satellite_field(&self, field: usize, satellite: usize) -> Option<(usize, u32)> {
        let width = *self.widths.sat.get(field)?;
        if width == 0 {
            return None;
        }
        let before: u32 = self.widths.sat.get(..field)?.iter().sum();
        Some((self.sat_block + self.satellite_count * before as usize + satellite * width as usize, width))
    }

    /// Rough range of a satellite, ms, and whether it is whole; `None` when invalid.
    fn rough_ms(&self, satellite: usize) -> Option<f64> {
        let whole = match self.satellite_field(0, satellite) {
            Some((at, width)) => match unsigned_at(self.payload, at, width) {
                255 => return None,
                n => n as f64,
            },
            None => 0.0,
        };
        let (at, width) = self.satellite_field(2, satellite)?;
        Some(whole + unsigned_at(self.payload, at, width) as f64 / 1024.0)
    }

    /// Rough phase range rate (DF399), m/s.
    fn rough_rate_m_s(&self, satellite: usize) -> Option<f64> {
        let (at, width) = self.satellite_field(3, satellite)?;
        let raw = signed_at(self.payload, at, width);
        (raw != -8192).then_some(raw as f64)
    }

    /// GLONASS frequency number (DF419); 14 and 15 are not defined.
    pub fn glonass_channel(&self, satellite: usize) -> Option<i8> {
        if self.system != System::Glonass {
            return None;
        }
        let (at, width) = self.satellite_field(1, satellite)?;
        let raw = unsigned_at(self.payload, at, width) as i8;
        (raw < 14).then_some(raw - 7)
    }

    /// Pseudorange and phase range of a cell, m, whole only with the kinds that have the whole rough range (4 to 7): else NaN.
    /// `rough_ms` comes from [`Msm::whole_rough_ms`] of the cell's satellite.
    #[inline]
    pub fn ranges_m(&self, cell: usize, rough_ms: f64) -> [f64; 2] {
        let (code, phase) = if self.kind < 6 { (1.0 / 16_777_216.0, 1.0 / 536_870_912.0) } else { WIDE };
        let range = |field: usize, unit: f64| {
            let Some((at, width)) = self.column(field, cell) else { return f64::NAN };
            let raw = signed_at(self.payload, at, width);
            if raw == -(1 << (width - 1)) { f64::NAN } else { (rough_ms + raw as f64 * unit) * LIGHT_MS_M }
        };
        // Not `map` over an array: the compiler leaves that as a call a cell.
        [range(PSEUDORANGE, code), range(PHASE, phase)]
    }

    /// Lock time indicator, C/N0 (dB-Hz) and ranges (as [`Msm::ranges_m`]) of a cell of kind 6 or 7, whose fields have the
    /// same widths: known to the compiler, they cost a third.
    #[inline(always)]
    pub fn wide_cell(&self, cell: usize, rough_ms: f64) -> (usize, f32, [f64; 2]) {
        let signed = |field: usize, width: u32, unit: f64| {
            let raw = signed_at(self.payload, self.columns[field] + cell * width as usize, width);
            if raw == -(1 << (width - 1)) { f64::NAN } else { (rough_ms + raw as f64 * unit) * LIGHT_MS_M }
        };
        let number = |field: usize| unsigned_at(self.payload, self.columns[field] + cell * 10, 10) as u32;
        let cn0_dbhz = match number(CN0) {
            0 => f32::NAN,
            n => n as f32 / 16.0,
        };
        (number(LOCK) as usize, cn0_dbhz, [signed(PSEUDORANGE, 20, WIDE.0), signed(PHASE, 24, WIDE.1)])
    }

    /// Rough range of a satellite, ms; NaN when invalid or only a remainder.
    #[inline]
    pub fn whole_rough_ms(&self, satellite: usize) -> f64 {
        if self.kind < 4 { f64::NAN } else { self.rough_ms(satellite).unwrap_or(f64::NAN) }
    }

    /// Every cell with all its values.
    pub fn decode(&self, time: UtcMs, sink: &mut impl FnMut(&Cell)) {
        let (code_scale, phase_scale) = if self.kind < 6 { (24, 29) } else { (29, 31) };
        for place in self.places() {
            let rough = self.rough_ms(place.satellite);
            let range = |fine: Option<f64>| rough.zip(fine).map_or(f64::NAN, |(r, f)| (r + f) * LIGHT_MS_M);
            let rate = self.rough_rate_m_s(place.satellite).zip(self.column(RATE, place.cell)).and_then(
                |(rough, (at, width))| {
                    let raw = signed_at(self.payload, at, width);
                    (raw != -16384).then_some(rough + raw as f64 * 1e-4)
                },
            );
            sink(&Cell {
                time,
                sat: self.satellite(place.satellite),
                signal: self.signal(place.signal),
                pseudorange_m: range(self.fraction(PSEUDORANGE, place.cell, code_scale)),
                phase_m: range(self.fraction(PHASE, place.cell, phase_scale)),
                whole_range: self.kind >= 4,
                modulus_m: LIGHT_MS_M,
                lock_ms: self.lock(place.cell).map(|l| l.least_ms),
                half_cycle: self.half_cycle(place.cell),
                cn0_dbhz: self.cn0_dbhz(place.cell),
                rate_m_s: rate.unwrap_or(f64::NAN),
                glonass_channel: self.glonass_channel(place.satellite),
            });
        }
    }
}

/// Runs over the set bits of a cell mask.
#[derive(Debug, Clone)]
pub struct Places {
    mask: u64,
    signals: usize,
    next: usize,
    satellite: usize,
    /// Pair number of the satellite's first signal.
    first_pair: usize,
}

impl Iterator for Places {
    type Item = Place;

    #[inline]
    fn next(&mut self) -> Option<Place> {
        if self.mask == 0 {
            return None;
        }
        let pair = self.mask.leading_zeros() as usize;
        self.mask &= !(1 << (63 - pair));
        while pair >= self.first_pair + self.signals {
            self.first_pair += self.signals;
            self.satellite += 1;
        }
        let cell = self.next;
        self.next += 1;
        Some(Place { cell, satellite: self.satellite, signal: pair - self.first_pair })
    }
}
