//! Station messages: 1005, 1006 (position), 1007, 1008, 1033 (antenna and receiver), 1230 (GLONASS code-phase biases)
//! (RTCM 10403.x; `check-values.md` 3.3).

use super::observables::{Damage, require};
use crate::formats::bits::Bits;

/// 1005 or 1006. Lengths stay in the message's unit of 0.1 mm, so that equal means equal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReferencePoint {
    /// DF003.
    pub station: u16,
    /// DF021, reserved for the ITRF year.
    pub itrf_year: u8,
    /// DF022, DF023, DF024: GPS, GLONASS, Galileo service.
    pub service: [bool; 3],
    /// DF141: not a physical station.
    pub is_virtual: bool,
    /// DF142: one oscillator for all systems.
    pub single_oscillator: bool,
    /// DF364, quarter-cycle indicator.
    pub quarter_cycle: u8,
    /// DF025 to DF027: ECEF of the antenna reference point, 0.1 mm.
    pub xyz: [i64; 3],
    /// DF028 of 1006, 0.1 mm.
    pub antenna_height: Option<u16>,
}

/// Metres of a length in 0.1 mm.
pub fn metres(tenths_of_mm: i64) -> f64 {
    tenths_of_mm as f64 / 10_000.0
}

/// Reads 1005 or 1006.
///
/// # Errors
/// [`Damage`] for another message and a payload that is too short.
pub fn reference_point(payload: &[u8]) -> Result<ReferencePoint, Damage> {
    let with_height = match super::message_number(payload) {
        Some(1005) => false,
        Some(1006) => true,
        _ => return Err(Damage::OtherMessage),
    };
    require(payload, if with_height { 168 } else { 152 })?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let station = bits.medium(12);
    let itrf_year = bits.small(6);
    let service = [bits.flag(), bits.flag(), bits.flag()];
    let is_virtual = bits.flag();
    let x = bits.signed(38);
    let single_oscillator = bits.flag();
    bits.skip(1);
    let y = bits.signed(38);
    let quarter_cycle = bits.small(2);
    let z = bits.signed(38);
    let antenna_height = with_height.then(|| bits.medium(16));
    Ok(ReferencePoint {
        station,
        itrf_year,
        service,
        is_virtual,
        single_oscillator,
        quarter_cycle,
        xyz: [x, y, z],
        antenna_height,
    })
}

/// 1007, 1008 or 1033; a text that the message does not have is `None`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Words {
    /// DF003.
    pub station: u16,
    /// DF030 antenna descriptor.
    pub antenna: String,
    /// DF031 setup id; above 0 the calibration is of this station alone.
    pub setup_id: u8,
    /// DF033.
    pub antenna_serial: Option<String>,
    /// DF228 receiver type.
    pub receiver: Option<String>,
    /// DF230 receiver firmware.
    pub firmware: Option<String>,
    /// DF232.
    pub receiver_serial: Option<String>,
}

/// Reads 1007, 1008 or 1033. Blanks and zero bytes at the end of a text are cut.
///
/// # Errors
/// [`Damage`] for another message and a payload that is shorter than its counters promise.
pub fn words(payload: &[u8]) -> Result<Words, Damage> {
    let message = super::message_number(payload).ok_or(Damage::OtherMessage)?;
    if !matches!(message, 1007 | 1008 | 1033) {
        return Err(Damage::OtherMessage);
    }
    require(payload, 24)?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let mut words = Words { station: bits.medium(12), antenna: text(&mut bits)?, ..Words::default() };
    require(payload, bits.at() + 8)?;
    words.setup_id = bits.small(8);
    if message != 1007 {
        words.antenna_serial = Some(text(&mut bits)?);
    }
    if message == 1033 {
        words.receiver = Some(text(&mut bits)?);
        words.firmware = Some(text(&mut bits)?);
        words.receiver_serial = Some(text(&mut bits)?);
    }
    Ok(words)
}

/// A counter of 8 bits and so many ISO 8859-1 characters.
fn text(bits: &mut Bits) -> Result<String, Damage> {
    let at = bits.at();
    let have = at + bits.left();
    if bits.left() < 8 {
        return Err(Damage::Short { needed: at + 8, have });
    }
    let count = usize::from(bits.small(8));
    let bytes = bits.bytes(count).ok_or(Damage::Short { needed: at + 8 + 8 * count, have })?;
    let text: String = bytes.into_iter().map(char::from).collect();
    Ok(text.trim_end_matches([' ', '\0']).to_owned())
}

/// 1230, metres; `None` for a bias that the mask leaves out or that is invalid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlonassBias {
    /// DF003.
    pub station: u16,
    /// DF421: code and phase are aligned to the same epoch already.
    pub aligned: bool,
    /// DF423 to DF426: L1 C/A, L1 P, L2 C/A, L2 P.
    pub bias_m: [Option<f64>; 4],
}

/// Reads 1230.
///
/// # Errors
/// [`Damage`] for another message and a payload that is shorter than its mask promises.
pub fn glonass_bias(payload: &[u8]) -> Result<GlonassBias, Damage> {
    if super::message_number(payload) != Some(1230) {
        return Err(Damage::OtherMessage);
    }
    require(payload, 32)?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let station = bits.medium(12);
    let aligned = bits.flag();
    bits.skip(3);
    let mask = bits.small(4);
    require(payload, 32 + 16 * mask.count_ones() as usize)?;
    let mut bias_m = [None; 4];
    for (i, bias) in bias_m.iter_mut().enumerate() {
        if mask & (8 >> i) != 0 {
            let raw = bits.signed(16);
            *bias = (raw != -32_768).then(|| raw as f64 * 0.02);
        }
    }
    Ok(GlonassBias { station, aligned, bias_m })
}
