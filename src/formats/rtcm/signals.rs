//! Which signal a number in a message means (RTCM 10403.x tables of DF395; `check-values.md` 3.7; codes as in RINEX 3).

use crate::model::ids::{Sat, Signal, System};

/// RINEX code by MSM signal id minus 1; `b"??"` where no signal is defined.
type Table = [&'static [u8; 2]; 32];

const NO: &[u8; 2] = b"??";

#[rustfmt::skip]
const GPS: Table = [
    NO, b"1C", b"1P", b"1W", NO, NO, NO, b"2C", b"2P", b"2W", NO, NO, NO, NO, b"2S", b"2L",
    b"2X", NO, NO, NO, NO, b"5I", b"5Q", b"5X", NO, NO, NO, NO, NO, b"1S", b"1L", b"1X",
];
#[rustfmt::skip]
const GLONASS: Table = [
    NO, b"1C", b"1P", NO, NO, NO, NO, b"2C", b"2P", NO, NO, NO, NO, NO, NO, NO,
    NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
];
#[rustfmt::skip]
const GALILEO: Table = [
    NO, b"1C", b"1A", b"1B", b"1X", b"1Z", NO, b"6C", b"6A", b"6B", b"6X", b"6Z", NO, b"7I", b"7Q", b"7X",
    NO, b"8I", b"8Q", b"8X", NO, b"5I", b"5Q", b"5X", NO, NO, NO, NO, NO, NO, NO, NO,
];
#[rustfmt::skip]
const SBAS: Table = [
    NO, b"1C", NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
    NO, NO, NO, NO, NO, b"5I", b"5Q", b"5X", NO, NO, NO, NO, NO, NO, NO, NO,
];
#[rustfmt::skip]
const QZSS: Table = [
    NO, b"1C", NO, NO, NO, NO, NO, NO, b"6S", b"6L", b"6X", NO, NO, NO, b"2S", b"2L",
    b"2X", NO, NO, NO, NO, b"5I", b"5Q", b"5X", NO, NO, NO, NO, NO, b"1S", b"1L", b"1X",
];
#[rustfmt::skip]
const BEIDOU: Table = [
    NO, b"2I", b"2Q", b"2X", NO, NO, NO, b"6I", b"6Q", b"6X", NO, NO, NO, b"7I", b"7Q", b"7X",
    NO, NO, NO, NO, NO, b"5D", b"5P", b"5X", b"7D", NO, NO, NO, NO, b"1D", b"1P", b"1X",
];
#[rustfmt::skip]
const NAVIC: Table = [
    NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
    NO, NO, NO, NO, NO, b"5A", NO, NO, NO, NO, NO, NO, NO, NO, NO, NO,
];

/// The signal of an MSM signal id (1 to 32); an id that the table does not know is kept as `?` and its number.
pub fn msm_signal(system: System, id: u8) -> Signal {
    let table = match system {
        System::Gps => &GPS,
        System::Glonass => &GLONASS,
        System::Galileo => &GALILEO,
        System::Sbas => &SBAS,
        System::Qzss => &QZSS,
        System::Beidou => &BEIDOU,
        System::Navic => &NAVIC,
    };
    let known = usize::from(id).checked_sub(1).and_then(|i| table.get(i)).filter(|code| **code != NO);
    Signal { system, code: known.map_or([b'?', id], |code| **code) }
}

/// The satellite of an MSM satellite id (1 to 64). SBAS id 1 is PRN 120, which RINEX writes `S20`; QZSS id 1 is `J01`.
pub fn msm_satellite(system: System, id: u8) -> Sat {
    Sat::new(system, if system == System::Sbas { id.saturating_add(19) } else { id })
}

/// The satellite of DF009 in the GPS messages 1001 to 1004: 40 to 58 are SBAS PRN 120 to 138.
pub fn legacy_gps_satellite(id: u8) -> Sat {
    if (40..=58).contains(&id) { Sat::new(System::Sbas, id - 20) } else { Sat::new(System::Gps, id) }
}

/// First-frequency signal of a legacy message; `code` is DF010 or DF039.
pub fn legacy_first(system: System, code: u8) -> Signal {
    Signal { system, code: if code == 0 { *b"1C" } else { *b"1P" } }
}

/// Second-frequency signal of a legacy message; `code` is DF016 (GPS) or DF046 (GLONASS, where 2 and 3 are reserved).
/// Code 0 of GPS is "C/A or L2C", which is L2C in practice; it does not tell which of its components.
pub fn legacy_second(system: System, code: u8) -> Signal {
    let code = match (system, code) {
        (System::Glonass, 0) => *b"2C",
        (_, 0) => *b"2X",
        (_, 1) => *b"2P",
        (System::Gps | System::Sbas, 2) => *b"2D",
        (System::Gps | System::Sbas, 3) => *b"2W",
        (_, other) => [b'?', other],
    };
    Signal { system, code }
}
