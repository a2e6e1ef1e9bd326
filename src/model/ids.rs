//! Names of units, roles, fix states, systems and bands as every room uses them.

use serde::{Deserialize, Serialize};

/// What a unit is there for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// A machine or survey pole that uses corrections.
    Rover,
    /// A reference station that sends corrections.
    Base,
}

impl Role {
    /// The name used in unit cards and outputs.
    pub fn name(self) -> &'static str {
        match self {
            Role::Rover => "rover",
            Role::Base => "base",
        }
    }
}

/// Fix state of a rover epoch, in the words of the `findings.json` contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[repr(u8)]
pub enum FixState {
    /// RTK, integer ambiguities fixed (GGA quality 4).
    Fixed = 0,
    /// RTK float (GGA quality 5).
    Float = 1,
    /// Differential code (GGA quality 2).
    Dgnss = 2,
    /// Autonomous (GGA quality 1, 3).
    Autonomous = 3,
    /// No position (GGA quality 0 or empty).
    None = 4,
    /// Estimated, manual, simulated or unknown (GGA quality 6 to 9).
    Estimated = 5,
}

impl FixState {
    /// All states, in order of their column code.
    pub const ALL: [FixState; 6] =
        [FixState::Fixed, FixState::Float, FixState::Dgnss, FixState::Autonomous, FixState::None, FixState::Estimated];

    /// From the GGA quality digit (NMEA 0183 v4.11, GGA field 6). 9 is not in the standard: unknown, not RTK fixed.
    pub fn from_gga_quality(quality: u8) -> FixState {
        match quality {
            4 => FixState::Fixed,
            5 => FixState::Float,
            2 => FixState::Dgnss,
            1 | 3 => FixState::Autonomous,
            0 => FixState::None,
            _ => FixState::Estimated,
        }
    }

    /// From a column code; `None` for a code that is not in the table.
    pub fn from_code(code: u8) -> Option<FixState> {
        FixState::ALL.get(usize::from(code)).copied()
    }

    /// The contract's word.
    pub fn name(self) -> &'static str {
        match self {
            FixState::Fixed => "fixed",
            FixState::Float => "float",
            FixState::Dgnss => "dgnss",
            FixState::Autonomous => "autonomous",
            FixState::None => "none",
            FixState::Estimated => "estimated",
        }
    }

    /// From the contract's word.
    pub fn from_name(name: &str) -> Option<FixState> {
        FixState::ALL.into_iter().find(|s| s.name() == name)
    }
}

/// Satellite system by its RINEX letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum System {
    /// GPS.
    Gps = b'G',
    /// GLONASS.
    Glonass = b'R',
    /// Galileo.
    Galileo = b'E',
    /// BeiDou.
    Beidou = b'C',
    /// QZSS.
    Qzss = b'J',
    /// SBAS.
    Sbas = b'S',
    /// NavIC.
    Navic = b'I',
}

impl System {
    /// All systems.
    pub const ALL: [System; 7] =
        [System::Gps, System::Glonass, System::Galileo, System::Beidou, System::Qzss, System::Sbas, System::Navic];

    /// Its place in [`System::ALL`] and in tables by system.
    #[inline]
    pub fn place(self) -> usize {
        match self {
            System::Gps => 0,
            System::Glonass => 1,
            System::Galileo => 2,
            System::Beidou => 3,
            System::Qzss => 4,
            System::Sbas => 5,
            System::Navic => 6,
        }
    }

    /// The RINEX letter.
    pub fn letter(self) -> char {
        char::from(self as u8)
    }

    /// From the RINEX letter.
    pub fn from_letter(letter: u8) -> Option<System> {
        Some(match letter {
            b'G' => System::Gps,
            b'R' => System::Glonass,
            b'E' => System::Galileo,
            b'C' => System::Beidou,
            b'J' => System::Qzss,
            b'S' => System::Sbas,
            b'I' => System::Navic,
            _ => return None,
        })
    }

    /// The trade's name.
    pub fn name(self) -> &'static str {
        match self {
            System::Gps => "GPS",
            System::Glonass => "GLONASS",
            System::Galileo => "Galileo",
            System::Beidou => "BeiDou",
            System::Qzss => "QZSS",
            System::Sbas => "SBAS",
            System::Navic => "NavIC",
        }
    }
}

/// Groups of signals that live or die together. Semi-codeless L2 (attribute W) is kept apart from the modern L2
/// signals: it fades long before them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Band {
    /// 1559 to 1610 MHz: L1, E1, B1, G1.
    L1 = 1,
    /// L2C and G2.
    L2 = 2,
    /// Semi-codeless L2 P(Y), attribute W.
    L2W = 3,
    /// 1164 to 1215 MHz: L5, E5, B2, G3.
    L5 = 5,
    /// 1260 to 1300 MHz: E6, B3, L6.
    L6 = 6,
}

impl Band {
    /// All bands.
    pub const ALL: [Band; 5] = [Band::L1, Band::L2, Band::L2W, Band::L5, Band::L6];

    /// Its place in [`Band::ALL`] and in tables by band.
    #[inline]
    pub fn place(self) -> usize {
        match self {
            Band::L1 => 0,
            Band::L2 => 1,
            Band::L2W => 2,
            Band::L5 => 3,
            Band::L6 => 4,
        }
    }

    /// Column code.
    pub fn code(self) -> u8 {
        self as u8
    }

    /// From the column code.
    pub fn from_code(code: u8) -> Option<Band> {
        Band::ALL.into_iter().find(|b| *b as u8 == code)
    }

    /// Name in tables and on pages.
    pub fn name(self) -> &'static str {
        match self {
            Band::L1 => "L1",
            Band::L2 => "L2",
            Band::L2W => "L2W",
            Band::L5 => "L5",
            Band::L6 => "L6",
        }
    }

    /// The band of a RINEX 3 observation code (`1C`, `2W`, `5Q` ...) of a system. RINEX 3.05 tables 4 to 10.
    pub fn of(system: System, code: [u8; 2]) -> Option<Band> {
        match (system, code[0]) {
            (System::Beidou, b'2') => Some(Band::L1), // B1I 1561.098 MHz
            (_, b'1' | b'4') => Some(Band::L1),
            (System::Glonass, b'6') => Some(Band::L2), // G2a 1248.06 MHz
            (_, b'2') if matches!(code[1], b'W' | b'P' | b'Y' | b'D' | b'N' | b'M') && system == System::Gps => {
                Some(Band::L2W)
            }
            (_, b'2') => Some(Band::L2),
            (_, b'3' | b'5' | b'7' | b'8') => Some(Band::L5),
            (_, b'6') => Some(Band::L6),
            _ => None,
        }
    }
}

/// A satellite, packed: system letter and number (PRN or slot as RINEX writes it, `S20` for SBAS PRN 120, `J01`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Sat(u16);

impl Sat {
    /// From system and RINEX number.
    pub fn new(system: System, number: u8) -> Sat {
        Sat(u16::from(system as u8) << 8 | u16::from(number))
    }

    /// The packed column value.
    pub fn code(self) -> u16 {
        self.0
    }

    /// From the packed column value.
    pub fn from_code(code: u16) -> Option<Sat> {
        System::from_letter((code >> 8) as u8).map(|_| Sat(code))
    }

    /// Its system.
    pub fn system(self) -> System {
        System::from_letter((self.0 >> 8) as u8).unwrap_or(System::Gps)
    }

    /// Its number.
    pub fn number(self) -> u8 {
        (self.0 & 0xff) as u8
    }
}

impl std::fmt::Display for Sat {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{:02}", self.system().letter(), self.number())
    }
}

/// A signal, packed: system letter + RINEX 3 band digit and attribute (`G1C`, `E5Q`, `R2C`).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Signal {
    /// Satellite system.
    pub system: System,
    /// Band digit and attribute letter. `[b'?', n]` for a signal id `n` that no table knows.
    pub code: [u8; 2],
}

impl Signal {
    /// The packed column value.
    pub fn pack(self) -> u32 {
        u32::from(self.system as u8) << 16 | u32::from(self.code[0]) << 8 | u32::from(self.code[1])
    }

    /// From the packed column value.
    pub fn unpack(packed: u32) -> Option<Signal> {
        let system = System::from_letter((packed >> 16 & 0xff) as u8)?;
        Some(Signal { system, code: [(packed >> 8 & 0xff) as u8, (packed & 0xff) as u8] })
    }

    /// The group of signals it belongs to.
    pub fn band(self) -> Option<Band> {
        Band::of(self.system, self.code)
    }
}

impl std::fmt::Display for Signal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.code[0] == b'?' {
            write!(f, "{}?{}", self.system.letter(), self.code[1])
        } else {
            write!(f, "{}{}{}", self.system.letter(), char::from(self.code[0]), char::from(self.code[1]))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn semi_codeless_l2_is_not_l2c() {
        // RINEX 3.05 table 4: attribute W is Z-tracking (semi-codeless), S, L and X are L2C.
        assert_eq!(Band::of(System::Gps, *b"2W"), Some(Band::L2W));
        assert_eq!(Band::of(System::Gps, *b"2L"), Some(Band::L2));
        assert_eq!(Band::of(System::Glonass, *b"2P"), Some(Band::L2));
    }

    #[test]
    fn places_are_those_in_the_lists_of_all() {
        assert_eq!(System::ALL.map(System::place), [0, 1, 2, 3, 4, 5, 6]);
        assert_eq!(Band::ALL.map(Band::place), [0, 1, 2, 3, 4]);
    }

    #[test]
    fn beidou_b1i_is_a_first_frequency() {
        // RINEX 3.05 table 9: band 2 of BeiDou is B1 at 1561.098 MHz.
        assert_eq!(Band::of(System::Beidou, *b"2I"), Some(Band::L1));
        assert_eq!(Band::of(System::Beidou, *b"6I"), Some(Band::L6));
    }

    #[test]
    fn satellites_and_signals_survive_packing() {
        let sat = Sat::new(System::Glonass, 7);
        assert_eq!(Sat::from_code(sat.code()).map(|s| s.to_string()), Some("R07".to_owned()));
        let signal = Signal { system: System::Galileo, code: *b"5Q" };
        assert_eq!(Signal::unpack(signal.pack()), Some(signal));
        assert_eq!(signal.to_string(), "E5Q");
    }
}
