//! RINEX header lines: columns 1 to 60 content, 61 to 80 label (RINEX 2.11 table A1, 3.05 and 4.02 table A2).

use super::fields::{columns, float, int, text, trim};
use crate::model::ids::System;
use crate::model::time::{BDT_BEHIND_GPST_MS, DAY_MS, GPS_ZERO_UTC_MS, UtcMs, days_from_date, gps_to_utc};

/// More observation types of one system than any table of RINEX has.
const TYPES_LIMIT: usize = 250;
/// Satellites with a GLONASS channel, with room for doubled lines.
const CHANNELS_LIMIT: usize = 64;
/// Scale factors that are kept.
const SCALES_LIMIT: usize = 500;

/// What a header line was good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Taken {
    /// Read.
    Used,
    /// A label of the standard that is not needed.
    NotNeeded,
    /// A comment.
    Comment,
    /// A field of it could not be read.
    Bad(&'static str),
    /// The header ends.
    End,
    /// No label of the standard.
    Unknown,
}

/// Scale of the epochs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeSystem {
    /// GPS, Galileo, QZSS and NavIC run together to the millisecond.
    Gps,
    /// BeiDou, 14 s behind GPS.
    Beidou,
    /// GLONASS in RINEX is UTC.
    Utc,
}

impl TimeSystem {
    /// UTC of a calendar time in this scale, given as ms since 1970 as if it were UTC.
    pub fn to_utc(self, calendar_ms: i64) -> UtcMs {
        match self {
            TimeSystem::Gps => gps_to_utc(calendar_ms - GPS_ZERO_UTC_MS),
            TimeSystem::Beidou => gps_to_utc(calendar_ms - GPS_ZERO_UTC_MS + BDT_BEHIND_GPST_MS),
            TimeSystem::Utc => calendar_ms,
        }
    }

    fn from_name(name: &[u8]) -> Option<TimeSystem> {
        match name {
            b"GPS" | b"GAL" | b"QZS" | b"IRN" | b"SBS" => Some(TimeSystem::Gps),
            b"BDT" | b"BDS" => Some(TimeSystem::Beidou),
            b"GLO" | b"UTC" => Some(TimeSystem::Utc),
            _ => None,
        }
    }
}

/// What a RINEX header said. Later lines replace earlier ones.
#[derive(Debug, Clone, Default)]
pub struct Header {
    /// Version in hundredths, 211 or 304; 0 before the first line was read.
    pub version: u32,
    /// Version as written, `3.04`.
    pub version_text: String,
    /// File type letter: `O`, `N`, `M` ... (2.x: also `G`, `H`, `E`, `L` for navigation).
    pub file_type: u8,
    /// System letter of the first line, `M` for mixed.
    pub system: u8,
    /// Marker name.
    pub marker: String,
    /// Receiver serial number, type and firmware.
    pub receiver: [String; 3],
    /// Antenna serial number and type with radome.
    pub antenna: [String; 2],
    /// Approximate position of the marker, ECEF m; `None` when absent or 0, 0, 0 (unknown).
    pub position_m: Option<[f64; 3]>,
    /// Antenna reference point over the marker: height, east, north, m.
    pub delta_hen_m: Option<[f64; 3]>,
    /// Interval of the epochs, s.
    pub interval_s: Option<f64>,
    /// Time scale of the epochs where the header names it.
    pub time_system: Option<TimeSystem>,
    /// TIME OF FIRST OBS as a calendar time in the file's scale, ms since 1970.
    pub first_obs_ms: Option<i64>,
    /// Unit of the signal strengths, `DBHZ`.
    pub strength_unit: String,
    /// Observation types as written, by place of the system in [`System::ALL`]; 2.x types of all systems are in
    /// [`Header::types2`].
    pub types: [Vec<[u8; 3]>; System::ALL.len()],
    /// Observation types of version 2.
    pub types2: Vec<[u8; 3]>,
    /// Number of types that a header line announced and that is not reached yet, by system; last: version 2.
    announced: [usize; System::ALL.len() + 1],
    current: Option<usize>,
    /// Factors the values were multiplied with: system, code (blank: all), factor.
    pub scales: Vec<(System, [u8; 3], f64)>,
    scale_of: Option<(System, f64)>,
    /// GLONASS slot and frequency number.
    pub channels: Vec<(u8, i8)>,
    /// A line about marker, position, antenna or receiver came since [`Header::take_site_change`].
    site_changed: bool,
    types_changed: bool,
}

/// Labels of the standard that are not needed.
const NOT_NEEDED: [&[u8]; 33] = [
    b"PGM / RUN BY / DATE",
    b"MARKER NUMBER",
    b"MARKER TYPE",
    b"OBSERVER / AGENCY",
    b"ANTENNA: DELTA X/Y/Z",
    b"ANTENNA: PHASECENTER",
    b"ANTENNA: B.SIGHT XYZ",
    b"ANTENNA: ZERODIR AZI",
    b"ANTENNA: ZERODIR XYZ",
    b"CENTER OF MASS: XYZ",
    b"WAVELENGTH FACT L1/2",
    b"TIME OF LAST OBS",
    b"RCV CLOCK OFFS APPL",
    b"SYS / DCBS APPLIED",
    b"SYS / PCVS APPLIED",
    b"SYS / PHASE SHIFT",
    b"SYS / PHASE SHIFTS",
    b"GLONASS COD/PHS/BIS",
    b"GLONASS COD/PHS/BIS#",
    b"LEAP SECONDS",
    b"# OF SATELLITES",
    b"PRN / # OF OBS",
    b"DOI",
    b"LICENSE OF USE",
    b"STATION INFORMATION",
    b"ION ALPHA",
    b"ION BETA",
    b"DELTA-UTC: A0,A1,T,W",
    b"CORR TO SYSTEM TIME",
    b"IONOSPHERIC CORR",
    b"TIME SYSTEM CORR",
    b"D-UTC A0,A1,T,W,S,U",
    b"MERGED FILE",
];

/// The label of a header line, blanks cut; empty when the line has none.
pub(crate) fn label(line: &[u8]) -> &[u8] {
    trim(columns(line, 60, 80))
}

/// Whether the line can only be a header line: column 61 holds a letter or `#`, which no record of data has there.
#[inline]
pub(crate) fn looks_like_header(line: &[u8]) -> bool {
    line.get(60).is_some_and(|b| b.is_ascii_uppercase() || *b == b'#') && is_label(label(line))
}

fn is_label(label: &[u8]) -> bool {
    NOT_NEEDED.contains(&label) || is_used_label(label)
}

fn is_used_label(label: &[u8]) -> bool {
    matches!(
        label,
        b"RINEX VERSION / TYPE"
            | b"COMMENT"
            | b"MARKER NAME"
            | b"REC # / TYPE / VERS"
            | b"ANT # / TYPE"
            | b"APPROX POSITION XYZ"
            | b"ANTENNA: DELTA H/E/N"
            | b"# / TYPES OF OBSERV"
            | b"SYS / # / OBS TYPES"
            | b"SIGNAL STRENGTH UNIT"
            | b"INTERVAL"
            | b"TIME OF FIRST OBS"
            | b"SYS / SCALE FACTOR"
            | b"GLONASS SLOT / FRQ #"
            | b"END OF HEADER"
    )
}

impl Header {
    /// Takes one line.
    pub(crate) fn apply(&mut self, line: &[u8]) -> Taken {
        let content = columns(line, 0, 60);
        match label(line) {
            b"COMMENT" => Taken::Comment,
            b"END OF HEADER" => Taken::End,
            b"RINEX VERSION / TYPE" => self.version_line(content),
            b"MARKER NAME" => self.site(|h| h.marker = text(content)),
            b"REC # / TYPE / VERS" => {
                self.site(|h| h.receiver = [0, 20, 40].map(|c| text(columns(content, c, c + 20))))
            }
            b"ANT # / TYPE" => self.site(|h| h.antenna = [0, 20].map(|c| text(columns(content, c, c + 20)))),
            b"APPROX POSITION XYZ" => match three(content) {
                Some(xyz) => self.site(|h| h.position_m = (xyz != [0.0; 3]).then_some(xyz)),
                None => Taken::Bad("approximate position"),
            },
            b"ANTENNA: DELTA H/E/N" => match three(content) {
                Some(hen) => self.site(|h| h.delta_hen_m = Some(hen)),
                None => Taken::Bad("antenna height and eccentricity"),
            },
            b"# / TYPES OF OBSERV" => self.types_version_2(content),
            b"SYS / # / OBS TYPES" => self.types_version_3(content),
            b"SIGNAL STRENGTH UNIT" => {
                self.strength_unit = text(trim(columns(content, 0, 20)));
                Taken::Used
            }
            b"INTERVAL" => match float(columns(content, 0, 10)) {
                Some(s) => {
                    self.interval_s = (s > 0.0).then_some(s);
                    Taken::Used
                }
                None => Taken::Bad("interval"),
            },
            b"TIME OF FIRST OBS" => self.first_obs(content),
            b"SYS / SCALE FACTOR" => self.scale(content),
            b"GLONASS SLOT / FRQ #" => self.slots(content),
            label if NOT_NEEDED.contains(&label) => Taken::NotNeeded,
            _ => Taken::Unknown,
        }
    }

    fn site(&mut self, set: impl FnOnce(&mut Header)) -> Taken {
        set(self);
        self.site_changed = true;
        Taken::Used
    }

    /// Whether a line about the site came since the last call.
    pub(crate) fn take_site_change(&mut self) -> bool {
        std::mem::take(&mut self.site_changed)
    }

    /// Whether the observation types or scales changed since the last call.
    pub(crate) fn take_types_change(&mut self) -> bool {
        std::mem::take(&mut self.types_changed)
    }

    fn version_line(&mut self, content: &[u8]) -> Taken {
        let number = trim(columns(content, 0, 20));
        let Some(version) = float(number).filter(|v| (1.0..10.0).contains(v)) else {
            return Taken::Bad("version");
        };
        self.version = (version * 100.0).round() as u32;
        self.version_text = format!("{}.{:02}", self.version / 100, self.version % 100);
        // Some writers use lower case, or words in the place of the letter: the first letter counts.
        self.file_type = content.get(20).map_or(b' ', u8::to_ascii_uppercase);
        self.system = match content.get(40).map(u8::to_ascii_uppercase) {
            None | Some(b' ') if self.version < 300 => b'G',
            None | Some(b' ') => b'M',
            Some(letter) => letter,
        };
        Taken::Used
    }

    fn types_version_2(&mut self, content: &[u8]) -> Taken {
        let v2 = System::ALL.len();
        if let Some(n) = int(columns(content, 0, 6)) {
            self.types2.clear();
            self.announced[v2] = usize::try_from(n).unwrap_or(0).min(TYPES_LIMIT);
        }
        self.types_changed = true;
        let codes = (10..60).step_by(6).map(|at| match columns(content, at, at + 2) {
            [a, b] => [*a, *b, b' '],
            [a] => [*a, b' ', b' '],
            _ => *b"   ",
        });
        push_types(&mut self.types2, codes);
        Taken::Used
    }

    fn types_version_3(&mut self, content: &[u8]) -> Taken {
        let letter = content.first().copied().unwrap_or(b' ');
        if letter != b' ' {
            let Some(system) = System::from_letter(letter.to_ascii_uppercase()) else {
                self.current = None;
                return Taken::Bad("system letter of the observation types");
            };
            let place = system.place();
            self.current = Some(place);
            self.types[place].clear();
            let n = int(columns(content, 3, 6)).and_then(|n| usize::try_from(n).ok()).unwrap_or(0);
            self.announced[place] = n.min(TYPES_LIMIT);
        }
        let Some(place) = self.current else { return Taken::Bad("observation types without a system") };
        self.types_changed = true;
        let codes = (7..59).step_by(4).map(|at| match columns(content, at, at + 3) {
            [a, b, c] => [*a, *b, *c],
            [a, b] => [*a, *b, b' '],
            _ => *b"   ",
        });
        push_types(&mut self.types[place], codes);
        Taken::Used
    }

    /// Systems (or version 2) whose lines gave another number of types than announced: name and both numbers.
    pub(crate) fn short_types(&self) -> Vec<(char, usize, usize)> {
        let mut short = Vec::new();
        for (place, system) in System::ALL.into_iter().enumerate() {
            if self.types[place].len() != self.announced[place] {
                short.push((system.letter(), self.announced[place], self.types[place].len()));
            }
        }
        let v2 = self.announced[System::ALL.len()];
        if self.types2.len() != v2 {
            short.push(('2', v2, self.types2.len()));
        }
        short
    }

    /// Whether any observation type is known.
    pub(crate) fn has_types(&self) -> bool {
        !self.types2.is_empty() || self.types.iter().any(|t| !t.is_empty())
    }

    fn first_obs(&mut self, content: &[u8]) -> Taken {
        // Other writers shift the name of the scale by a column or two.
        let name = columns(content, 43, 60).split(|b| *b == b' ').rfind(|w| !w.is_empty());
        self.time_system = name.and_then(TimeSystem::from_name);
        let part = |from: usize| int(columns(content, from, from + 6));
        let (Some(y), Some(mo), Some(d), Some(h), Some(mi), Some(s)) =
            (part(0), part(6), part(12), part(18), part(24), float(columns(content, 30, 43)))
        else {
            return Taken::Bad("time of first observation");
        };
        self.first_obs_ms = calendar_ms(y, mo, d, h, mi, s);
        if self.first_obs_ms.is_some() { Taken::Used } else { Taken::Bad("time of first observation") }
    }

    fn scale(&mut self, content: &[u8]) -> Taken {
        if let Some(system) = content.first().copied().and_then(System::from_letter) {
            let Some(factor) = int(columns(content, 2, 6)).filter(|f| *f > 0) else {
                return Taken::Bad("scale factor");
            };
            self.scale_of = Some((system, factor as f64));
            if int(columns(content, 8, 10)).unwrap_or(0) == 0 {
                self.scales.push((system, *b"   ", factor as f64));
            }
        }
        let Some((system, factor)) = self.scale_of else { return Taken::Bad("scale factor without a system") };
        for at in (11..59).step_by(4) {
            if let [a, b, c] = columns(content, at, at + 3)
                && *a != b' '
                && self.scales.len() < SCALES_LIMIT
            {
                self.scales.push((system, [*a, *b, *c], factor));
            }
        }
        self.types_changed = true;
        Taken::Used
    }

    /// The factor that values of a type were multiplied with.
    pub(crate) fn scale_factor(&self, system: System, code: [u8; 3]) -> f64 {
        let all = *b"   ";
        let fits = |s: &&(System, [u8; 3], f64)| s.0 == system && (s.1 == code || s.1 == all);
        self.scales.iter().rev().find(fits).map_or(1.0, |s| s.2)
    }

    fn slots(&mut self, content: &[u8]) -> Taken {
        // Some writers leave out the blank between entries: every entry begins with its letter.
        for entry in columns(content, 4, 60).split(|b| *b == b'R').skip(1) {
            let mut words = entry.split(|b| *b == b' ').filter(|w| !w.is_empty());
            let slot = words.next().and_then(int).and_then(|n| u8::try_from(n).ok());
            let channel = words.next().and_then(int).and_then(|k| i8::try_from(k).ok());
            let (Some(slot), Some(channel)) = (slot, channel.filter(|k| (-7..=13).contains(k))) else {
                return Taken::Bad("GLONASS slot and frequency");
            };
            self.channels.retain(|c| c.0 != slot);
            if self.channels.len() < CHANNELS_LIMIT {
                self.channels.push((slot, channel));
            }
        }
        Taken::Used
    }

    /// The scale of the epochs: as named, else by the file's system (RINEX 3.05 section 8.1 and table A2).
    pub fn scale_of_epochs(&self) -> TimeSystem {
        self.time_system.unwrap_or(match self.system {
            b'R' => TimeSystem::Utc,
            b'C' => TimeSystem::Beidou,
            _ => TimeSystem::Gps,
        })
    }

    /// Whether it is an observation file.
    pub(crate) fn is_observation(&self) -> bool {
        self.file_type == b'O'
    }

    /// Whether it is a navigation file; 2.x has a letter for each system.
    pub(crate) fn is_navigation(&self) -> bool {
        self.file_type == b'N' || self.version < 300 && matches!(self.file_type, b'G' | b'H' | b'E' | b'L' | b'Q')
    }
}

/// Adds the types of one line, also more than announced: the data have them. A blank between two types keeps its place.
fn push_types(list: &mut Vec<[u8; 3]>, codes: impl Iterator<Item = [u8; 3]>) {
    let mut blanks = 0;
    for code in codes {
        if code == *b"   " {
            blanks += 1;
            continue;
        }
        list.extend(std::iter::repeat_n(*b"   ", blanks));
        blanks = 0;
        list.push(code);
    }
    list.truncate(TYPES_LIMIT);
}

/// Three numbers of F14.4; writers that shift them by a column are understood by the blanks between.
fn three(content: &[u8]) -> Option<[f64; 3]> {
    let part = |from: usize| float(columns(content, from, from + 14));
    if let (Some(a), Some(b), Some(c)) = (part(0), part(14), part(28)) {
        return Some([a, b, c]);
    }
    let mut words = content.split(|b| *b == b' ').filter(|w| !w.is_empty());
    let all = [float(words.next()?)?, float(words.next()?)?, float(words.next()?)?];
    words.next().is_none().then_some(all)
}

/// Calendar time as ms since 1970, rounded; `None` for what no calendar has. Second 60 counts as the next minute.
pub(crate) fn calendar_ms(year: i64, month: i64, day: i64, hour: i64, minute: i64, second: f64) -> Option<i64> {
    let days = days_from_date(year.try_into().ok()?, month.try_into().ok()?, day.try_into().ok()?)?;
    let plausible = (1980..2100).contains(&year)
        && (0..24).contains(&hour)
        && (0..60).contains(&minute)
        && (0.0..61.0).contains(&second);
    plausible.then(|| days * DAY_MS + (hour * 60 + minute) * 60_000 + (second * 1000.0).round() as i64)
}
