//! GSA: satellites used and dilutions of precision.
//!
//! ```text
//! --GSA,A/M,1/2/3,12 x satellite,PDOP,HDOP,VDOP[,system id]
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.6. Only HDOP is used, for epochs whose position sentence has none (RMC).

use super::field::Fields;
use super::gga::dilution;

/// HDOP; NaN when missing or there is no fix.
pub(super) fn hdop(f: &Fields<'_>) -> f32 {
    if f.get(2) == b"1" { f32::NAN } else { dilution(f.get(16)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_sentence() {
        // check-values 2.1.
        assert_eq!(hdop(&Fields::of(b"GNGSA,A,3,02,05,07,13,15,18,21,,,,,,1.1,0.6,0.9,1")), 0.6);
        assert!(hdop(&Fields::of(b"GNGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99,1")).is_nan());
    }
}
