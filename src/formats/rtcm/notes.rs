//! Messages that speak of the stream itself: 1013 (system parameters) and 1029 (text) (RTCM 10403.x; `check-values.md` 3.3).

use super::observables::{Damage, require};
use crate::formats::bits::Bits;
use crate::model::time::{DAY_MS, SECOND_MS, UtcMs, days_from_mjd};
use std::fmt::Write;

/// UTC of DF051 and DF052; `None` when they cannot be a date of a GNSS stream (many units send zeros).
fn instant(mjd: u16, second: u32) -> Option<UtcMs> {
    // 44 244 is 1980-01-06, the first day of GPS.
    (mjd >= 44_244 && second <= 86_400).then(|| days_from_mjd(i64::from(mjd)) * DAY_MS + i64::from(second) * SECOND_MS)
}

/// What a station announces about one of its messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Announced {
    /// DF055.
    pub message: u16,
    /// DF056: sent in step with the others.
    pub synchronous: bool,
    /// DF057, 0.1 s.
    pub interval_tenths_s: u16,
}

/// 1013.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SystemParameters {
    /// DF003.
    pub station: u16,
    /// DF051, DF052; `None` when not set.
    pub time: Option<UtcMs>,
    /// DF054, GPST minus UTC, s.
    pub leap_s: u8,
    /// The announced messages.
    pub announced: Vec<Announced>,
}

impl SystemParameters {
    /// In words.
    pub fn detail(&self) -> String {
        let mut text = format!("station {} announces (1013): leap seconds {}", self.station, self.leap_s);
        for a in &self.announced {
            let _ = write!(text, "; {} every {}.{} s", a.message, a.interval_tenths_s / 10, a.interval_tenths_s % 10);
        }
        text
    }
}

/// Reads 1013.
///
/// # Errors
/// [`Damage`] for another message and a payload that is shorter than its count promises.
pub fn system_parameters(payload: &[u8]) -> Result<SystemParameters, Damage> {
    if super::message_number(payload) != Some(1013) {
        return Err(Damage::OtherMessage);
    }
    require(payload, 70)?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let station = bits.medium(12);
    let mjd = bits.medium(16);
    let second = bits.unsigned(17) as u32;
    let count = usize::from(bits.small(5));
    let leap_s = bits.small(8);
    require(payload, 70 + 29 * count)?;
    let announced = (0..count)
        .map(|_| Announced { message: bits.medium(12), synchronous: bits.flag(), interval_tenths_s: bits.medium(16) })
        .collect();
    Ok(SystemParameters { station, time: instant(mjd, second), leap_s, announced })
}

/// 1029.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Text {
    /// DF003.
    pub station: u16,
    /// DF051, DF052; `None` when not set.
    pub time: Option<UtcMs>,
    /// DF138: characters, as the sender counted them.
    pub characters: u8,
    /// The text; bytes that are not UTF-8 are replaced.
    pub text: String,
}

/// Reads 1029.
///
/// # Errors
/// [`Damage`] for another message and a payload that is shorter than its count promises.
pub fn text(payload: &[u8]) -> Result<Text, Damage> {
    if super::message_number(payload) != Some(1029) {
        return Err(Damage::OtherMessage);
    }
    require(payload, 72)?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let station = bits.medium(12);
    let mjd = bits.medium(16);
    let second = bits.unsigned(17) as u32;
    let characters = bits.small(7);
    let count = usize::from(bits.small(8));
    let needed = 72 + 8 * count;
    let bytes = bits.bytes(count).ok_or(Damage::Short { needed, have: payload.len() * 8 })?;
    let text = String::from_utf8_lossy(&bytes).trim_end_matches('\0').to_owned();
    Ok(Text { station, time: instant(mjd, second), characters, text })
}
