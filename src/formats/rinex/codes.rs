//! Observation types to signals, and where the values of a type go.
//!
//! RINEX 3 and 4 name every signal (`C1C`). RINEX 2 does not; its types become signals like this (RINEX 2.11 section
//! 10.1.1 and table A1; RINEX 3.05 tables 4 to 10):
//!
//! | type | GPS | GLONASS | Galileo | SBAS | QZSS | BeiDou | NavIC |
//! |---|---|---|---|---|---|---|---|
//! | C1, P1 | 1C, 1W | 1C, 1P | 1X | 1C | 1C | 2I | 1X |
//! | C2, P2 | 2X, 2W | 2C, 2P | - | - | 2X | 2I | - |
//! | C5 | 5X | - | 5X | 5X | 5X | 5X | 5X |
//! | C6, C7, C8 | - | - | 6X, 7X, 8X | - | 6X, -, - | 6I, 7I, - | - |
//!
//! The attribute X means "which part was tracked is not told". Phase, Doppler and strength have one type per frequency for
//! two pseudoranges: they go with C1 before P1, and with P2 before C2 (receivers that give both have the semi-codeless phase
//! there); where a satellite has only the other pseudorange, with that.

use crate::model::ids::{Signal, System};

/// Kind of an observation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Pseudorange, m.
    Range,
    /// Carrier phase, cycles.
    Phase,
    /// Doppler, Hz.
    Doppler,
    /// C/N0, dB-Hz.
    Strength,
    /// Channel number, ionosphere phase delay or what no standard has.
    Other,
}

/// Where a type belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Where {
    /// What it is.
    pub kind: Kind,
    /// Its signal.
    pub signal: Signal,
    /// The signal it belongs to when the satellite has no pseudorange on `signal` but on this one.
    pub or: Option<Signal>,
}

fn kind(letter: u8) -> Kind {
    match letter {
        b'C' | b'P' => Kind::Range,
        b'L' => Kind::Phase,
        b'D' => Kind::Doppler,
        b'S' => Kind::Strength,
        _ => Kind::Other,
    }
}

/// A type of RINEX 3 or 4; `None` when no table has it. `version` in hundredths.
pub(crate) fn version_3(system: System, code: [u8; 3], version: u32) -> Option<Where> {
    let kind = match code[0] {
        b'P' => Kind::Other,
        letter => kind(letter),
    };
    if !code[1].is_ascii_digit() || !(code[2].is_ascii_uppercase()) {
        return (kind == Kind::Other).then_some(Where { kind, signal: Signal { system, code: *b"?0" }, or: None });
    }
    // 3.02 called B1I band 1; `1I` never means anything else, `1Q` and `1X` only in that version.
    let old_b1 = system == System::Beidou
        && code[1] == b'1'
        && (code[2] == b'I' || (300..=302).contains(&version) && matches!(code[2], b'Q' | b'X'));
    let band = if old_b1 { b'2' } else { code[1] };
    Some(Where { kind, signal: Signal { system, code: [band, code[2]] }, or: None })
}

/// A type of RINEX 2, given all types of the file.
pub(crate) fn version_2(system: System, code: [u8; 3], all: &[[u8; 3]]) -> Option<Where> {
    let [letter, band, _] = code;
    let kind = kind(letter);
    let make = |code: [u8; 2]| Signal { system, code };
    if kind == Kind::Other {
        return Some(Where { kind, signal: make(*b"?0"), or: None });
    }
    let has = |letter: u8| all.iter().any(|t| t[0] == letter && t[1] == band);
    let plain = match (system, band) {
        (System::Gps | System::Glonass | System::Sbas | System::Qzss, b'1') => *b"1C",
        (System::Galileo | System::Navic, b'1') => *b"1X",
        (System::Beidou, b'1' | b'2') => *b"2I",
        (System::Beidou, b'6') => *b"6I",
        (System::Beidou, b'7') => *b"7I",
        (System::Gps | System::Qzss, b'2') => *b"2X",
        (System::Glonass, b'2') => *b"2C",
        (System::Glonass, b'3') => *b"3X",
        (_, b'5'..=b'8') => [band, b'X'],
        // 2.12: the second character names the signal.
        (System::Gps | System::Glonass | System::Qzss | System::Sbas, b'A') => *b"1C",
        (System::Gps | System::Qzss, b'B') => *b"1X",
        (System::Gps | System::Qzss, b'C') => *b"2X",
        // Types are declared for all systems of a mixed file: a band that the system has not, kept apart.
        _ => [b'?', band],
    };
    let precise = match (system, band) {
        (System::Gps, b'1') => *b"1W",
        (System::Gps, b'2') => *b"2W",
        (System::Glonass, b'1') => *b"1P",
        (System::Glonass, b'2') => *b"2P",
        _ => plain,
    };
    let (signal, or) = match letter {
        b'C' => (plain, None),
        b'P' => (precise, None),
        _ if band == b'2' => {
            if has(b'P') || !has(b'C') {
                (precise, Some(plain))
            } else {
                (plain, Some(precise))
            }
        }
        _ if has(b'C') || !has(b'P') => (plain, Some(precise)),
        _ => (precise, Some(plain)),
    };
    Some(Where { kind, signal: make(signal), or: or.filter(|o| *o != signal).map(make) })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn types_of_both_versions() {
        // RINEX 2.11 section 10.1.1 (C2 is L2C, P2 the P code), RINEX 3.02 and 3.03 tables for BeiDou B1I.
        let name = |w: Option<Where>| w.map(|w| w.signal.to_string());
        let all: Vec<[u8; 3]> = [*b"C1 ", *b"P1 ", *b"P2 ", *b"C2 ", *b"L2 ", *b"L1 "].to_vec();
        assert_eq!(name(version_2(System::Gps, *b"C2 ", &all)).as_deref(), Some("G2X"));
        assert_eq!(name(version_2(System::Gps, *b"L2 ", &all)).as_deref(), Some("G2W"));
        assert_eq!(version_2(System::Gps, *b"L2 ", &all).and_then(|w| w.or).map(|s| s.code), Some(*b"2X"));
        assert_eq!(name(version_2(System::Gps, *b"L1 ", &all)).as_deref(), Some("G1C"));
        assert_eq!(name(version_2(System::Glonass, *b"P2 ", &all)).as_deref(), Some("R2P"));
        assert_eq!(name(version_2(System::Gps, *b"S2 ", &[*b"C2 ", *b"S2 "])).as_deref(), Some("G2X"));
        assert_eq!(name(version_3(System::Beidou, *b"C1I", 302)).as_deref(), Some("C2I"));
        assert_eq!(name(version_3(System::Beidou, *b"L1X", 302)).as_deref(), Some("C2X"));
        assert_eq!(name(version_3(System::Beidou, *b"L1X", 304)).as_deref(), Some("C1X"));
        assert_eq!(name(version_3(System::Gps, *b"S2W", 304)).as_deref(), Some("G2W"));
    }
}
