//! What every observable message is turned into, and why one could not be read.

use crate::model::clock::StreamClock;
use crate::model::ids::{Sat, Signal};
use crate::model::time::{DAY_MS, SECOND_MS, UtcMs, WEEK_MS};

/// Metres that light travels in a millisecond.
pub const LIGHT_MS_M: f64 = 299_792.458;

/// One observation with everything that the message says about it. `NaN` stands for a value that is missing or invalid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// UTC ms of the epoch.
    pub time: UtcMs,
    /// Satellite.
    pub sat: Sat,
    /// Signal.
    pub signal: Signal,
    /// Pseudorange, m.
    pub pseudorange_m: f64,
    /// Phase range, m (divide by the wavelength for cycles).
    pub phase_m: f64,
    /// Whether both ranges are whole. MSM 1 to 3 and 1001, 1003, 1009, 1011 give only the remainder of
    /// [`Cell::modulus_m`].
    pub whole_range: bool,
    /// What the ranges are modulo to when not whole, m.
    pub modulus_m: f64,
    /// Shortest lock time that the indicator allows, ms; `None` when the message has none (MSM 1).
    pub lock_ms: Option<u32>,
    /// Half-cycle ambiguity not resolved.
    pub half_cycle: bool,
    /// C/N0, dB-Hz.
    pub cn0_dbhz: f32,
    /// Phase range rate, m/s (Doppler in Hz is minus this by the wavelength).
    pub rate_m_s: f64,
    /// GLONASS frequency number, -7 to 6, where the message has it.
    pub glonass_channel: Option<i8>,
}

/// Why a message could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// The payload is shorter than its own counts promise; both in bits.
    Short {
        /// Promised.
        needed: usize,
        /// There.
        have: usize,
    },
    /// An MSM with more than 64 satellite and signal pairs, which the standard does not allow.
    TooManyCells(usize),
    /// Not a message of this kind.
    OtherMessage,
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Damage::Short { needed, have } => {
                write!(f, "the payload has {have} bits, its own counts promise {needed}")
            }
            Damage::TooManyCells(n) => write!(f, "{n} satellite and signal pairs; an MSM holds at most 64"),
            Damage::OtherMessage => write!(f, "not a message of the expected kind"),
        }
    }
}

/// Fails when the payload holds fewer than `needed` bits.
pub(super) fn require(payload: &[u8], needed: usize) -> Result<(), Damage> {
    let have = payload.len() * 8;
    if have < needed { Err(Damage::Short { needed, have }) } else { Ok(()) }
}

/// The epoch field of an observable message, in its own scale (`check-values.md` 1.4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Epoch {
    /// DF004, DF248, DF428, DF546: ms of the GPS week.
    Week(u32),
    /// DF427: ms of the BeiDou week.
    BeidouWeek(u32),
    /// DF034 with DF416: ms of the GLONASS day, day of week where known.
    Glonass(Option<u8>, u32),
}

impl Epoch {
    /// The number in the message, ms.
    pub fn field_ms(self) -> u32 {
        match self {
            Epoch::Week(ms) | Epoch::BeidouWeek(ms) | Epoch::Glonass(_, ms) => ms,
        }
    }

    /// Whether the number is in the range of its field. GLONASS days may have a leap second.
    pub fn is_valid(self) -> bool {
        match self {
            Epoch::Week(ms) | Epoch::BeidouWeek(ms) => i64::from(ms) < WEEK_MS,
            Epoch::Glonass(_, ms) => i64::from(ms) < DAY_MS + SECOND_MS,
        }
    }

    /// UTC by the stream's clock; `None` for a number out of range.
    pub fn utc(self, clock: &mut StreamClock) -> Option<UtcMs> {
        if !self.is_valid() {
            return None;
        }
        Some(match self {
            Epoch::Week(ms) => clock.gps_time_of_week(i64::from(ms)),
            Epoch::BeidouWeek(ms) => clock.beidou_time_of_week(i64::from(ms)),
            Epoch::Glonass(day, ms) => clock.glonass(day, i64::from(ms)),
        })
    }
}

/// Every observation of a frame (1001 to 1004, 1009 to 1012, MSM 1 to 7) with all its values, in the order of the message.
/// `time` is written into the cells. Use it where ranges are needed; rows of C/N0 and slips do not.
///
/// # Errors
/// [`Damage`] when the payload is too short; cells given before are none.
pub fn decode_observables(frame: &[u8], time: UtcMs, sink: &mut impl FnMut(&Cell)) -> Result<(), Damage> {
    let payload = super::frame::payload(frame);
    match super::message_number(payload) {
        Some(1001..=1004 | 1009..=1012) => {
            super::legacy::Legacy::parse(payload)?.decode(time, sink);
            Ok(())
        }
        Some(n) if super::msm::kind_of(n).is_some() => {
            super::msm::Msm::parse(payload)?.decode(time, sink);
            Ok(())
        }
        _ => Err(Damage::OtherMessage),
    }
}
