//! RMC and GLL: time, position and mode; RMC has the date.
//!
//! ```text
//! --RMC,hhmmss.ss,status,lat,N/S,lon,E/W,knots,course,ddmmyy,variation,E/W[,mode[,nav status]]
//! --GLL,lat,N/S,lon,E/W,hhmmss.ss,status[,mode]
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.3, 2.6. They make the fix only where an epoch has neither GGA nor GNS.

use super::field::{Fields, date, time_of_day};
use super::gga::position;
use super::gns::mode;
use crate::model::ids::FixState;

/// Values of one RMC or GLL.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Rmc {
    /// ms of the UTC day.
    pub(super) of_day_ms: Option<i64>,
    /// Days since 1970; GLL has none.
    pub(super) day: Option<i64>,
    /// A date is written that cannot be one.
    pub(super) odd_date: bool,
    /// Status A: the sentence calls itself valid.
    pub(super) valid: bool,
    /// From the mode letter; from the status where there is no letter (before v2.3).
    pub(super) state: FixState,
    /// Degrees, NaN when there is no position.
    pub(super) lat: f64,
    /// Degrees, NaN when there is no position.
    pub(super) lon: f64,
}

/// Reads the fields of RMC.
pub(super) fn read(f: &Fields<'_>) -> Rmc {
    let day = date(f.get(9));
    let mut rmc = common(f.get(1), f.get(2), f.get(12), position(f.get(3), f.get(4), f.get(5), f.get(6)));
    rmc.odd_date = day.is_none() && !f.get(9).is_empty();
    rmc.day = day;
    rmc
}

/// Reads the fields of GLL.
pub(super) fn read_gll(f: &Fields<'_>) -> Rmc {
    common(f.get(5), f.get(6), f.get(7), position(f.get(1), f.get(2), f.get(3), f.get(4)))
}

fn common(time: &[u8], status: &[u8], letter: &[u8], (lat, lon, _): (f64, f64, bool)) -> Rmc {
    let valid = status == b"A";
    let state = match letter {
        _ if !valid => FixState::None,
        [letter] => mode(*letter).unwrap_or(FixState::Autonomous),
        _ => FixState::Autonomous,
    };
    let (lat, lon) = if valid { (lat, lon) } else { (f64::NAN, f64::NAN) };
    Rmc { of_day_ms: time_of_day(time), day: None, odd_date: false, valid, state, lat, lon }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::days_from_date;

    #[test]
    fn worked_sentences() {
        // check-values 2.1.
        let f = Fields::of(b"GNRMC,120000.00,A,5130.12345678,N,00007.65432100,W,0.02,124.5,010326,,,R,V");
        let rmc = read(&f);
        assert_eq!((rmc.day, rmc.state, rmc.valid), (days_from_date(2026, 3, 1), FixState::Fixed, true));
        let gll = read_gll(&Fields::of(b"GPGLL,4916.45,N,12311.12,W,225444,A,"));
        assert_eq!((gll.of_day_ms, gll.state), (Some(82_484_000), FixState::Autonomous));
        assert!((gll.lat - 49.274_166_666_666_67).abs() < 1e-13);
        let none = read(&Fields::of(b"GPRMC,235948.00,V,0000.0000,N,00000.0000,E,,,161206,,,N"));
        assert!(!none.valid && none.lat.is_nan() && none.state == FixState::None);
    }
}
