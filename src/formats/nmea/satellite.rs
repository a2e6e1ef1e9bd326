//! Satellite numbers and signal ids of NMEA 0183.
//!
//! Sources: NMEA 0183 v4.11, tables of satellite numbers and of signal ids (system id 1 to 6), in agreement with two
//! independent public parsers (`check-values.md` 2.4, 2.5). The ranges above 100 are not in the standard: common practice,
//! no source.

use crate::model::ids::{Sat, Signal, System};

/// The system that a talker's satellite lists are about; `None` for talkers that mix systems or are no GNSS.
pub(super) fn system_of_talker(talker: [u8; 2]) -> Option<System> {
    Some(match &talker {
        b"GP" => System::Gps,
        b"GL" => System::Glonass,
        b"GA" => System::Galileo,
        b"GB" | b"BD" => System::Beidou,
        b"GQ" | b"QZ" | b"PQ" => System::Qzss,
        b"GI" => System::Navic,
        _ => return None,
    })
}

/// System id of v4.11 (1 GPS to 6 NavIC).
pub(super) fn system_of_id(id: u8) -> Option<System> {
    Some(match id {
        1 => System::Gps,
        2 => System::Glonass,
        3 => System::Galileo,
        4 => System::Beidou,
        5 => System::Qzss,
        6 => System::Navic,
        _ => return None,
    })
}

/// The satellite of a number in a list of `system` (`None`: a list of several systems, talker GN). `None` for a number
/// that no table knows.
pub(super) fn satellite(system: Option<System>, number: u32) -> Option<Sat> {
    let number = u16::try_from(number).ok()?;
    let new = |system: System, n: u16| u8::try_from(n).ok().filter(|n| *n > 0).map(|n| Sat::new(system, n));
    match (system, number) {
        (None | Some(System::Gps), 1..=32) => new(System::Gps, number),
        // PRN = number + 87, RINEX writes PRN - 100.
        (None | Some(System::Gps | System::Glonass), 33..=64) => new(System::Sbas, number - 13),
        (None | Some(System::Gps | System::Glonass), 65..=96) => new(System::Glonass, number - 64),
        (None | Some(System::Gps), 120..=158) => new(System::Sbas, number - 100),
        (None | Some(System::Gps | System::Qzss), 193..=200) => new(System::Qzss, number - 192),
        (None | Some(System::Gps), 201..=237) => new(System::Beidou, number - 200),
        (None | Some(System::Gps), 301..=336) => new(System::Galileo, number - 300),
        (None | Some(System::Gps), 401..=437) => new(System::Beidou, number - 400),
        (Some(System::Glonass), 1..=32) => new(System::Glonass, number),
        (Some(System::Galileo), 1..=36) => new(System::Galileo, number),
        (Some(System::Galileo), 101..=136) => new(System::Galileo, number - 100),
        (Some(System::Galileo), 301..=336) => new(System::Galileo, number - 300),
        (Some(System::Beidou), 1..=63) => new(System::Beidou, number),
        (Some(System::Beidou), 101..=163) => new(System::Beidou, number - 100),
        (Some(System::Beidou), 201..=263) => new(System::Beidou, number - 200),
        (Some(System::Beidou), 401..=463) => new(System::Beidou, number - 400),
        (Some(System::Qzss), 1..=10) => new(System::Qzss, number),
        (Some(System::Navic), 1..=15) => new(System::Navic, number),
        _ => None,
    }
}

/// What a satellite list says about its signal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SignalId {
    /// No such field (before v4.10), or 0 "all or unknown": taken as the first open signal of the system.
    First,
    /// The field is there but empty: not known.
    Empty,
    /// As written, 1 to 15.
    Id(u8),
}

/// The RINEX 3 signal of a signal id. Where NMEA does not tell data and pilot apart the RINEX code for both together is
/// taken (`1X`, `5X`). An id that the table does not have stays visible as code `?` and its number.
pub(super) fn signal(system: System, id: SignalId) -> Signal {
    let n = match id {
        SignalId::First => return Signal { system, code: first(system) },
        SignalId::Empty => return Signal { system, code: [b'?', 0] },
        SignalId::Id(n) => n,
    };
    let code: &[u8; 2] = match (system, n) {
        (System::Gps | System::Sbas, 1) => b"1C",
        (System::Gps, 2) => b"1P",
        (System::Gps, 3) => b"1M",
        (System::Gps, 4) => b"2W",
        (System::Gps, 5) => b"2S",
        (System::Gps, 6) => b"2L",
        (System::Gps | System::Sbas, 7) => b"5I",
        (System::Gps | System::Sbas, 8) => b"5Q",
        (System::Glonass, 1) => b"1C",
        (System::Glonass, 2) => b"1P",
        (System::Glonass, 3) => b"2C",
        (System::Glonass, 4) => b"2P",
        (System::Galileo, 1) => b"5X",
        (System::Galileo, 2) => b"7X",
        (System::Galileo, 3) => b"8X",
        (System::Galileo, 4) => b"6A",
        (System::Galileo, 5) => b"6X",
        (System::Galileo, 6) => b"1A",
        (System::Galileo, 7) => b"1X",
        (System::Beidou, 1) => b"2I",
        (System::Beidou, 2) => b"2Q",
        (System::Beidou, 3) => b"1X",
        (System::Beidou, 4) => b"1Z",
        (System::Beidou, 5) => b"5X",
        (System::Beidou, 6) => b"7Z",
        (System::Beidou, 7) => b"8X",
        (System::Beidou, 8) => b"6I",
        (System::Beidou, 9) => b"6Q",
        (System::Beidou, 10) => b"6Z",
        (System::Beidou, 11) => b"7I",
        (System::Beidou, 12) => b"7Q",
        (System::Qzss, 1) => b"1C",
        (System::Qzss, 2) => b"1S",
        (System::Qzss, 3) => b"1L",
        (System::Qzss, 4) => b"1Z",
        (System::Qzss, 5) => b"2S",
        (System::Qzss, 6) => b"2L",
        (System::Qzss, 7) => b"5I",
        (System::Qzss, 8) => b"5Q",
        (System::Qzss, 9) => b"6S",
        (System::Qzss, 10) => b"6E",
        (System::Navic, 1) => b"5A",
        (System::Navic, 2) => b"9A",
        (System::Navic, 3) => b"5B",
        (System::Navic, 4) => b"9B",
        (System::Navic, 5) => b"1X",
        _ => return Signal { system, code: [b'?', n] },
    };
    Signal { system, code: *code }
}

fn first(system: System) -> [u8; 2] {
    match system {
        System::Galileo => *b"1X",
        System::Beidou => *b"2I",
        System::Navic => *b"5A",
        System::Gps | System::Glonass | System::Qzss | System::Sbas => *b"1C",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::ids::Band;

    fn named(system: Option<System>, number: u32) -> String {
        satellite(system, number).map_or(String::new(), |s| s.to_string())
    }

    #[test]
    fn numbers_of_the_standard() {
        // NMEA 0183 v4.11 satellite numbers, check-values 2.5.
        assert_eq!(named(Some(System::Gps), 32), "G32");
        assert_eq!(named(Some(System::Gps), 33), "S20"); // PRN 120
        assert_eq!(named(Some(System::Gps), 51), "S38"); // PRN 138
        assert_eq!(named(Some(System::Glonass), 65), "R01");
        assert_eq!(named(Some(System::Galileo), 36), "E36");
        assert_eq!(named(Some(System::Beidou), 63), "C63");
        assert_eq!(named(Some(System::Qzss), 1), "J01");
        assert_eq!(named(Some(System::Navic), 15), "I15");
        assert_eq!(named(Some(System::Gps), 0), "");
    }

    #[test]
    fn numbers_beside_the_standard() {
        // Common practice, no source.
        assert_eq!(named(Some(System::Gps), 193), "J01");
        assert_eq!(named(Some(System::Gps), 138), "S38");
        assert_eq!(named(None, 301), "E01");
        assert_eq!(named(None, 405), "C05");
        assert_eq!(named(Some(System::Galileo), 102), "E02");
        assert_eq!(named(Some(System::Beidou), 219), "C19");
    }

    #[test]
    fn the_galileo_order_is_reversed() {
        // NMEA 0183 v4.11 signal ids: Galileo 7 is E1, 1 is E5a; BeiDou B is B2I.
        let band = |system, id| signal(system, SignalId::Id(id)).band();
        assert_eq!(band(System::Galileo, 7), Some(Band::L1));
        assert_eq!(band(System::Galileo, 1), Some(Band::L5));
        assert_eq!(band(System::Beidou, 11), Some(Band::L5));
        assert_eq!(band(System::Beidou, 1), Some(Band::L1));
        assert_eq!(band(System::Gps, 4), Some(Band::L2W));
        assert_eq!(band(System::Gps, 6), Some(Band::L2));
        assert_eq!(signal(System::Glonass, SignalId::Id(11)).to_string(), "R?11");
        assert_eq!(signal(System::Beidou, SignalId::First).to_string(), "C2I");
    }
}
