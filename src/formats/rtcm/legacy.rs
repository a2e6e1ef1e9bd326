//! Legacy observables: 1001 to 1004 (GPS) and 1009 to 1012 (GLONASS) (RTCM 10403.x; `check-values.md` 3.4).

use super::lock::{LockTime, legacy_lock};
use super::observables::{Cell, Damage, Epoch, LIGHT_MS_M, require};
use super::signals::{legacy_first, legacy_gps_satellite, legacy_second};
use crate::formats::bits::{Bits, unsigned_at};
use crate::model::ids::{Sat, Signal, System};
use crate::model::time::UtcMs;

/// The parsed header over the payload of one message.
#[derive(Debug, Clone)]
pub struct Legacy<'a> {
    payload: &'a [u8],
    /// DF002.
    pub message: u16,
    /// GPS or GLONASS; 1001 to 1004 may hold SBAS satellites too.
    pub system: System,
    /// DF003.
    pub station: u16,
    /// Its time.
    pub epoch: Epoch,
    /// DF005, DF034: more observables of the same epoch follow.
    pub more: bool,
    /// Satellites.
    pub satellites: usize,
    first_bit: usize,
    /// With C/N0 and the integer part of the range (1002, 1004, 1010, 1012).
    extended: bool,
    /// With the second frequency (1003, 1004, 1011, 1012).
    second: bool,
}

/// One signal of one satellite as the message has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LegacySignal {
    /// DF009 or DF038.
    pub satellite_id: u8,
    /// Satellite.
    pub sat: Sat,
    /// Signal.
    pub signal: Signal,
    /// 0: first frequency, 1: second.
    pub frequency: usize,
    /// m; NaN when invalid.
    pub pseudorange_m: f64,
    /// m; NaN when invalid.
    pub phase_m: f64,
    /// Lock time.
    pub lock: LockTime,
    /// dB-Hz; NaN when 0 or not in the message.
    pub cn0_dbhz: f32,
    /// GLONASS frequency number.
    pub channel: Option<i8>,
}

impl LegacySignal {
    /// Whether the receiver had anything: a satellite that is seen on one frequency only fills the other with invalid values.
    fn is_there(&self) -> bool {
        !(self.pseudorange_m.is_nan() && self.phase_m.is_nan() && self.cn0_dbhz.is_nan())
    }
}

fn cn0(raw: u8) -> f32 {
    if raw == 0 { f32::NAN } else { f32::from(raw) * 0.25 }
}

impl<'a> Legacy<'a> {
    /// Reads the header and checks that the payload holds all satellites.
    ///
    /// # Errors
    /// [`Damage`] for another message and a payload that is too short.
    pub fn parse(payload: &'a [u8]) -> Result<Legacy<'a>, Damage> {
        let message = super::message_number(payload).ok_or(Damage::OtherMessage)?;
        let (system, first_bit, each) = match message {
            1001 => (System::Gps, 64, 58),
            1002 => (System::Gps, 64, 74),
            1003 => (System::Gps, 64, 101),
            1004 => (System::Gps, 64, 125),
            1009 => (System::Glonass, 61, 64),
            1010 => (System::Glonass, 61, 79),
            1011 => (System::Glonass, 61, 107),
            1012 => (System::Glonass, 61, 130),
            _ => return Err(Damage::OtherMessage),
        };
        require(payload, first_bit)?;
        let time_bits = if system == System::Gps { 30 } else { 27 };
        let field = unsigned_at(payload, 24, time_bits) as u32;
        let after = 24 + time_bits as usize;
        let satellites = unsigned_at(payload, after + 1, 5) as usize;
        require(payload, first_bit + satellites * each)?;
        Ok(Legacy {
            payload,
            message,
            system,
            station: unsigned_at(payload, 12, 12) as u16,
            epoch: if system == System::Gps { Epoch::Week(field) } else { Epoch::Glonass(None, field) },
            more: unsigned_at(payload, after, 1) == 1,
            satellites,
            first_bit,
            extended: matches!(message, 1002 | 1004 | 1010 | 1012),
            second: matches!(message, 1003 | 1004 | 1011 | 1012),
        })
    }

    /// Whether the ranges are whole (1002, 1004, 1010, 1012).
    pub fn is_whole(&self) -> bool {
        self.extended
    }

    /// What the ranges of a message without an integer part are modulo to, m.
    fn modulus_m(&self) -> f64 {
        if self.system == System::Gps { LIGHT_MS_M } else { 2.0 * LIGHT_MS_M }
    }

    /// Every signal that is there, satellite by satellite.
    pub fn signals(&self, mut sink: impl FnMut(&LegacySignal)) {
        let gps = self.system == System::Gps;
        let mut bits = Bits::new(self.payload);
        bits.skip(self.first_bit);
        for _ in 0..self.satellites {
            let id = bits.small(6);
            let sat = if gps { legacy_gps_satellite(id) } else { Sat::new(System::Glonass, id) };
            // An SBAS satellite in a GPS message has SBAS signals.
            let system = sat.system();
            let first_code = bits.small(1);
            let channel = if gps { None } else { Some(bits.small(5) as i8 - 7) };
            // Half of the field's range means invalid; so does anything beyond the modulus (some writers set all bits).
            let (width, invalid, beyond) = if gps { (24, 0x80_0000, 14_989_623) } else { (25, 0x100_0000, 29_979_246) };
            let remainder = bits.unsigned(width);
            let first_difference = bits.signed(20);
            let first_lock = legacy_lock(bits.small(7));
            let (mut whole, mut first_cn0) = (0, f32::NAN);
            if self.extended {
                whole = bits.small(if gps { 8 } else { 7 });
                first_cn0 = cn0(bits.small(8));
            }
            let range = remainder as f64 * 0.02 + f64::from(whole) * self.modulus_m();
            let code_is_there = remainder != invalid && remainder <= beyond;
            let phase = |difference: i64| {
                if difference == -524_288 || !code_is_there { f64::NAN } else { range + difference as f64 * 0.0005 }
            };
            let one = LegacySignal {
                satellite_id: id,
                sat,
                signal: legacy_first(system, first_code),
                frequency: 0,
                pseudorange_m: if code_is_there { range } else { f64::NAN },
                phase_m: phase(first_difference),
                lock: first_lock,
                cn0_dbhz: first_cn0,
                channel,
            };
            if one.is_there() {
                sink(&one);
            }
            if self.second {
                let code = bits.small(2);
                let difference = bits.signed(14);
                let phase_difference = bits.signed(20);
                let lock_field = bits.small(7);
                let lock = legacy_lock(lock_field);
                let second_cn0 = if self.extended { cn0(bits.small(8)) } else { f32::NAN };
                // Some writers leave all bits 0 instead of the invalid values when there is no second signal (seen in real
                // streams for SBAS and single GLONASS satellites). A true signal never has all of them 0.
                if code == 0 && difference == 0 && phase_difference == 0 && lock_field == 0 && second_cn0.is_nan() {
                    continue;
                }
                let two = LegacySignal {
                    signal: legacy_second(system, code),
                    frequency: 1,
                    pseudorange_m: if difference == -8192 || !code_is_there {
                        f64::NAN
                    } else {
                        range + difference as f64 * 0.02
                    },
                    phase_m: phase(phase_difference),
                    lock,
                    cn0_dbhz: second_cn0,
                    ..one
                };
                if two.is_there() {
                    sink(&two);
                }
            }
        }
    }

    /// Every signal as a cell.
    pub fn decode(&self, time: UtcMs, sink: &mut impl FnMut(&Cell)) {
        let modulus_m = self.modulus_m();
        self.signals(|s| {
            sink(&Cell {
                time,
                sat: s.sat,
                signal: s.signal,
                pseudorange_m: s.pseudorange_m,
                phase_m: s.phase_m,
                whole_range: self.extended,
                modulus_m,
                lock_ms: Some(s.lock.least_ms),
                half_cycle: false,
                cn0_dbhz: s.cn0_dbhz,
                rate_m_s: f64::NAN,
                glonass_channel: s.channel,
            });
        });
    }
}
