//! GNS: position with one mode letter per system.
//!
//! ```text
//! --GNS,hhmmss.ss,lat,N/S,lon,E/W,modes,satellites,HDOP,altitude,geoid separation,age,station[,status]
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.3. It makes the fix only where an epoch has no GGA. With talker GP, GL ...
//! it carries the part of one system and no modes: then it says nothing about the fix.

use super::field::{Fields, decimal, time_of_day, whole};
use super::gga::{dilution, position, satellites};
use crate::model::ids::FixState;

/// Values of one GNS.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gns {
    /// ms of the UTC day.
    pub(super) of_day_ms: Option<i64>,
    /// Best mode over the systems; `None` without mode letters.
    pub(super) state: Option<FixState>,
    /// Degrees, NaN when there is no position.
    pub(super) lat: f64,
    /// Degrees, NaN when there is no position.
    pub(super) lon: f64,
    /// Ellipsoidal, m.
    pub(super) height_m: f64,
    /// Satellites used.
    pub(super) satellites: u8,
    /// NaN when missing.
    pub(super) hdop: f32,
    /// Seconds, NaN when missing.
    pub(super) age_s: f64,
    /// As written.
    pub(super) station: Option<u16>,
}

/// Reads the fields.
pub(super) fn read(f: &Fields<'_>) -> Gns {
    let (lat, lon, _) = position(f.get(2), f.get(3), f.get(4), f.get(5));
    Gns {
        of_day_ms: time_of_day(f.get(1)),
        state: best_mode(f.get(6)),
        lat,
        lon,
        height_m: decimal(f.get(9)).unwrap_or(f64::NAN) + decimal(f.get(10)).unwrap_or(f64::NAN),
        satellites: satellites(f.get(7)),
        hdop: dilution(f.get(8)),
        age_s: decimal(f.get(11)).unwrap_or(f64::NAN),
        station: whole(f.get(12)).and_then(|n| u16::try_from(n).ok()),
    }
}

/// The state of one mode letter (RMC, GNS, GLL). P (precise, no degradation) is a fix without corrections.
pub(super) fn mode(letter: u8) -> Option<FixState> {
    Some(match letter {
        b'R' => FixState::Fixed,
        b'F' => FixState::Float,
        b'D' => FixState::Dgnss,
        b'A' | b'P' => FixState::Autonomous,
        b'E' | b'M' | b'S' => FixState::Estimated,
        b'N' => FixState::None,
        _ => return None,
    })
}

/// The best of several letters: R, F, D, A and P, then E, M and S, then N.
fn best_mode(letters: &[u8]) -> Option<FixState> {
    let merit = |state: &FixState| match state {
        FixState::Fixed => 5,
        FixState::Float => 4,
        FixState::Dgnss => 3,
        FixState::Autonomous => 2,
        FixState::Estimated => 1,
        FixState::None => 0,
    };
    letters.iter().filter_map(|l| mode(*l)).max_by_key(merit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn modes_of_all_systems_give_one_state() {
        // Mode letters: NMEA 0183 v4.11, check-values 2.3.
        assert_eq!(best_mode(b"FFNNN"), Some(FixState::Float));
        assert_eq!(best_mode(b"RRNN"), Some(FixState::Fixed));
        assert_eq!(best_mode(b"AAN"), Some(FixState::Autonomous));
        assert_eq!(best_mode(b"NNNN"), Some(FixState::None));
        assert_eq!(best_mode(b""), None);
    }
}
