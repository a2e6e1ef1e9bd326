//! GGA: position, fix quality, correction age and station.
//!
//! ```text
//! --GGA,hhmmss.ss,lat,N/S,lon,E/W,quality,satellites,HDOP,altitude,M,geoid separation,M,age,station
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.2. Ellipsoidal height is altitude plus geoid separation; when either is
//! missing there is no height.

use super::field::{Fields, angle, angle_of, decimal, time_of, time_of_day, whole};
use super::walk::{Number, Walk};
use crate::formats::framing::found::Body;
use crate::model::rows::{NO_COUNT, NO_STATION};

/// Values of one GGA.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Gga {
    /// ms of the UTC day.
    pub(super) of_day_ms: Option<i64>,
    /// Quality digit; `None` when empty.
    pub(super) quality: Option<u8>,
    /// The quality field is neither empty nor a digit.
    pub(super) odd_quality: bool,
    /// Degrees, NaN when there is no position.
    pub(super) lat: f64,
    /// Degrees, NaN when there is no position.
    pub(super) lon: f64,
    /// A position is written that cannot be one.
    pub(super) odd_position: bool,
    /// Ellipsoidal, m.
    pub(super) height_m: f64,
    /// Satellites used.
    pub(super) satellites: u8,
    /// NaN when missing, 0 or 99 and more (both written for "none").
    pub(super) hdop: f32,
    /// Seconds, NaN when missing.
    pub(super) age_s: f64,
    /// As written.
    pub(super) station: Option<u16>,
}

/// Reads the fields.
#[inline]
pub(super) fn read(body: &Body<'_>) -> Gga {
    usual(body).unwrap_or_else(|| any(&Fields::of(body.text())))
}

/// The form of nearly all: a two-letter talker, a time, a position, a quality; every number is one.
#[inline]
fn usual(body: &Body<'_>) -> Option<Gga> {
    let mut walk = Walk::from(body, "GPGGA,".len());
    let time = walk.number();
    walk.comma();
    let lat = walk.number();
    walk.comma();
    let north = walk.letter();
    let lon = walk.number();
    walk.comma();
    let east = walk.letter();
    let quality = walk.letter().wrapping_sub(b'0');
    let satellites = walk.integer();
    walk.comma();
    let hdop = walk.decimal();
    walk.comma();
    let altitude = walk.decimal();
    walk.comma();
    walk.letter();
    let separation = walk.decimal();
    walk.comma();
    walk.letter();
    let age_s = walk.decimal();
    walk.comma();
    let station = walk.integer();
    if !walk.is_whole() || time.digits != 6 || time.negative || quality > 9 || lat.digits == 0 || lon.digits == 0 {
        return None;
    }
    let angle = |n: Number, letter: u8, limit| angle_of(n.whole, n.part, n.decimals, n.negative, &[letter], limit);
    let (lat, lon) = (angle(lat, north, 90)?, angle(lon, east, 180)?);
    let (lat, lon) = if quality == 0 && lat == 0.0 && lon == 0.0 { (f64::NAN, f64::NAN) } else { (lat, lon) };
    Some(Gga {
        of_day_ms: time_of(time.whole, time.part, time.decimals),
        quality: Some(quality),
        odd_quality: false,
        lat,
        lon,
        odd_position: false,
        height_m: if lat.is_nan() { f64::NAN } else { altitude + separation },
        satellites: count(satellites),
        hdop: dilution_of(hdop),
        age_s,
        station: station.and_then(|n| u16::try_from(n).ok()),
    })
}

/// Any form.
fn any(f: &Fields<'_>) -> Gga {
    let quality_field = f.get(6);
    let quality = match quality_field {
        [digit @ b'0'..=b'9'] => Some(digit - b'0'),
        _ => None,
    };
    let (mut lat, mut lon, mut odd_position) = position(f.get(2), f.get(3), f.get(4), f.get(5));
    if matches!(quality, None | Some(0)) && lat == 0.0 && lon == 0.0 {
        (lat, lon, odd_position) = (f64::NAN, f64::NAN, false);
    }
    let altitude = decimal(f.get(9)).unwrap_or(f64::NAN);
    let separation = decimal(f.get(11)).unwrap_or(f64::NAN);
    Gga {
        of_day_ms: time_of_day(f.get(1)),
        quality,
        odd_quality: quality.is_none() && !quality_field.is_empty(),
        lat,
        lon,
        odd_position,
        height_m: if lat.is_nan() { f64::NAN } else { altitude + separation },
        satellites: satellites(f.get(7)),
        hdop: dilution(f.get(8)),
        age_s: decimal(f.get(13)).unwrap_or(f64::NAN),
        station: whole(f.get(14)).and_then(|n| u16::try_from(n).ok()),
    }
}

/// Latitude and longitude in degrees (both NaN when one is missing), and whether something is written that is no position.
pub(super) fn position(lat: &[u8], north: &[u8], lon: &[u8], east: &[u8]) -> (f64, f64, bool) {
    match (angle(lat, north, 90), angle(lon, east, 180)) {
        (Some(lat), Some(lon)) => (lat, lon, false),
        _ => (f64::NAN, f64::NAN, !(lat.is_empty() && lon.is_empty())),
    }
}

/// Count of satellites, [`NO_COUNT`] when missing.
pub(super) fn satellites(text: &[u8]) -> u8 {
    count(whole(text))
}

#[inline]
fn count(n: Option<u32>) -> u8 {
    n.map_or(NO_COUNT, |n| u8::try_from(n).unwrap_or(NO_COUNT))
}

/// A dilution of precision. It cannot be 0, and 99 and more stand for none (common practice, no source).
pub(super) fn dilution(text: &[u8]) -> f32 {
    dilution_of(decimal(text).unwrap_or(f64::NAN))
}

#[inline]
fn dilution_of(d: f64) -> f32 {
    if d > 0.0 && d < 99.0 { d as f32 } else { f32::NAN }
}

/// The station id that may be a base: not 0 (unset), not 1023 (the largest of ten bits, a placeholder), not the PRN of an
/// SBAS satellite at quality 2, not beyond the twelve bits of DF003. `check-values.md` 2.2.
pub(super) fn base_station(quality: Option<u8>, written: Option<u16>) -> u16 {
    match written {
        None | Some(0 | 1023 | 4096..) => NO_STATION,
        Some(120..=158) if quality == Some(2) => NO_STATION,
        Some(id) => id,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gga(text: &str) -> Gga {
        let body = Body::alone(text.as_bytes());
        let gga = read(&body);
        // Both ways of reading agree, with bytes behind the sentence and without.
        let longer = format!("{text}*00\r\n$GPGGA,12");
        let words = |gga: &Gga| format!("{gga:?}");
        assert_eq!(words(&read(&Body::first(longer.as_bytes(), text.len()))), words(&gga));
        assert_eq!(words(&any(&Fields::of(text.as_bytes()))), words(&gga));
        gga
    }

    #[test]
    fn worked_sentences() {
        // check-values 2.1 and 2.2.
        let fixed = gga("GNGGA,120000.00,5130.12345678,N,00007.65432100,W,4,21,0.6,63.412,M,45.731,M,1.0,0123");
        assert_eq!((fixed.quality, fixed.satellites, fixed.station), (Some(4), 21, Some(123)));
        assert!((fixed.height_m - 109.143).abs() < 1e-9);
        assert!((fixed.lon + 0.127_572_016_667).abs() < 1e-12);
        assert_eq!(fixed.of_day_ms, Some(43_200_000));
        let none = gga("GNGGA,120003.00,,,,,0,00,99.9,,,,,,");
        assert!(none.lat.is_nan() && none.hdop.is_nan() && none.age_s.is_nan() && !none.odd_position);
        let old = gga("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,");
        assert!((old.lat - 48.1173).abs() < 1e-13 && (old.height_m - 592.3).abs() < 1e-9);
        assert_eq!(gga("GNGGA,235959.90,3352.12345,S,15112.54321,E,9,18,0.7,40.1,M,22.4,M,8,0402").age_s, 8.0);
        assert_eq!(gga("GPGGA,1,,,,,,02,0.0,,,,,,").quality, None); // empty quality, HDOP 0.0
    }

    #[test]
    fn ids_that_are_no_base() {
        // check-values 2.2: 0, 1023 and SBAS PRNs at quality 2.
        assert_eq!(base_station(Some(2), Some(138)), NO_STATION);
        assert_eq!(base_station(Some(4), Some(138)), 138);
        assert_eq!(base_station(Some(4), Some(0)), NO_STATION);
        assert_eq!(base_station(Some(4), Some(1023)), NO_STATION);
        assert_eq!(base_station(Some(4), Some(4095)), 4095);
        assert_eq!(base_station(Some(4), Some(5000)), NO_STATION);
    }
}
