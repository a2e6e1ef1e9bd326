//! RTCM 3 (RTCM 10403.x): frames, station messages, observables, orbits.
//!
//! The framing room finds frames with [`frame_at`] and hands each whole good frame to [`Decoder::frame`]; at the end
//! [`Decoder::finish`] gives rows, counts and problems. Nothing here keeps the bytes. For ranges and phases use
//! [`decode_observables`].

use crate::formats::bits::unsigned_at;

mod decoder;
mod described;
pub mod ephemeris;
mod frame;
mod legacy;
mod lock;
mod minutes;
mod msm;
mod notes;
mod observables;
pub mod orbits;
mod signals;
mod station;
mod undated;

#[cfg(test)]
mod malformed;
#[cfg(test)]
mod oracle;
#[cfg(test)]
mod reference;
#[cfg(test)]
mod samples;

pub use decoder::{Booked, Decoder, Outcome, Pieces};
pub use frame::{FRAMING_BYTES, FrameAt, MAX_FRAME_BYTES, PREAMBLE, crc24q, frame_at, payload};
pub use legacy::{Legacy, LegacySignal};
pub use lock::{LockTime, NEW_ARC_MS, legacy_lock, msm_lock, msm_lock_extended};
pub use msm::{Msm, Place, Places, kind_of};
pub use notes::{Announced, SystemParameters, Text, system_parameters, text};
pub use observables::{Cell, Damage, Epoch, LIGHT_MS_M, decode_observables};
pub use signals::{legacy_first, legacy_gps_satellite, legacy_second, msm_satellite, msm_signal};
pub use station::{GlonassBias, ReferencePoint, Words, glonass_bias, metres, reference_point, words};

/// DF002 of a payload; `None` for a filler of less than two bytes.
pub fn message_number(payload: &[u8]) -> Option<u16> {
    let [high, low, ..] = payload else { return None };
    Some(u16::from(*high) << 4 | u16::from(*low) >> 4)
}

/// DF003 of a payload, for the messages that carry it: most have it right after DF002, the residual messages after their
/// epoch.
pub fn station_id(payload: &[u8]) -> Option<u16> {
    let message = message_number(payload)?;
    let at = match message {
        1001..=1013 | 1029 | 1032..=1035 | 1230 => 12,
        1030 => 32,
        1031 => 29,
        _ if kind_of(message).is_some() => 12,
        _ => return None,
    };
    (payload.len() * 8 >= at + 12).then(|| unsigned_at(payload, at, 12) as u16)
}
