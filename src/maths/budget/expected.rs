//! Typical C/N0 by elevation, for plausibility only.

/// Signals that share one row of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum SignalClass {
    /// L1 C/A, also E1 and B1C.
    L1,
    /// L2C (S, L, X).
    L2c,
    /// L2 P(Y) semi-codeless (W).
    L2w,
    /// L5, E5a, B2a and the other 10.23 Mcps signals E5b, B2b.
    L5,
    /// E5 AltBOC.
    E5AltBoc,
    /// GLONASS G1.
    G1,
    /// GLONASS G2.
    G2,
    /// BeiDou B1I.
    B1i,
    /// BeiDou B3I.
    B3i,
}

/// Where the table comes from, to be shown beside a finding that used it.
pub const EXPECTED_CN0_ORIGIN: &str =
    "typical C/N0 by elevation: common practice, no source; differs 1 to 3 dB between receivers";

/// Lower edges of the elevation bands, degrees; the last band ends at 90.
pub const ELEVATION_BANDS_DEG: [f64; 5] = [5.0, 10.0, 20.0, 40.0, 60.0];

/// Table row of a signal by RINEX system letter, band digit and attribute (section 4.5 and 10.2 of the check values). `None`
/// for signals without a row: E6, G3, S band and others.
pub fn signal_class(system: char, band: u8, attribute: char) -> Option<SignalClass> {
    match (system, band, attribute) {
        // P(Y) is tracked semi-codeless; RINEX 2 writes it as P2. Only band 2 has a row for it.
        ('G' | 'J', 2, 'W' | 'P' | 'Y' | 'N' | 'D') => Some(SignalClass::L2w),
        ('G' | 'J', 2, 'S' | 'L' | 'X' | 'C') => Some(SignalClass::L2c),
        ('G', 1, 'W' | 'Y' | 'N' | 'P' | 'M') => None,
        ('G' | 'J' | 'S' | 'E', 1, _) => Some(SignalClass::L1),
        ('C', 1, _) => Some(SignalClass::L1),
        ('G' | 'J' | 'S' | 'E' | 'C' | 'I', 5, _) | ('E' | 'C', 7, _) => Some(SignalClass::L5),
        ('E', 8, _) => Some(SignalClass::E5AltBoc),
        ('R', 1, _) => Some(SignalClass::G1),
        ('R', 2, _) => Some(SignalClass::G2),
        ('C', 2, _) => Some(SignalClass::B1i),
        ('C', 6, _) => Some(SignalClass::B3i),
        _ => None,
    }
}

/// Typical C/N0 (low, high) in dB-Hz of a good survey antenna in a good place, by elevation band.
///
/// Check values 10.2: common practice, no source; for plausibility flags only, the fleet's own medians go before it. `None`
/// below 5 degrees or above 90.
pub fn expected_cn0_dbhz(class: SignalClass, elevation_deg: f64) -> Option<(f64, f64)> {
    if !(5.0..=90.0).contains(&elevation_deg) {
        return None;
    }
    let band = ELEVATION_BANDS_DEG.partition_point(|edge| *edge <= elevation_deg).checked_sub(1)?;
    row(class).get(band).copied()
}

fn row(class: SignalClass) -> [(f64, f64); 5] {
    match class {
        SignalClass::L1 => [(33.0, 40.0), (37.0, 43.0), (41.0, 47.0), (45.0, 50.0), (47.0, 53.0)],
        SignalClass::L2c => [(28.0, 36.0), (33.0, 40.0), (37.0, 45.0), (42.0, 49.0), (45.0, 52.0)],
        SignalClass::L2w => [(10.0, 22.0), (18.0, 30.0), (26.0, 38.0), (34.0, 44.0), (38.0, 48.0)],
        SignalClass::L5 => [(33.0, 41.0), (38.0, 45.0), (42.0, 49.0), (47.0, 53.0), (49.0, 56.0)],
        SignalClass::E5AltBoc => [(37.0, 44.0), (42.0, 48.0), (46.0, 52.0), (50.0, 56.0), (52.0, 59.0)],
        SignalClass::G1 => [(31.0, 39.0), (35.0, 42.0), (39.0, 46.0), (43.0, 50.0), (45.0, 52.0)],
        SignalClass::G2 => [(29.0, 37.0), (33.0, 40.0), (37.0, 44.0), (40.0, 47.0), (42.0, 49.0)],
        SignalClass::B1i => [(31.0, 39.0), (35.0, 42.0), (39.0, 46.0), (42.0, 48.0), (43.0, 50.0)],
        SignalClass::B3i => [(33.0, 40.0), (37.0, 44.0), (41.0, 47.0), (45.0, 50.0), (46.0, 52.0)],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_check_values_10_2() {
        // Common practice, no source.
        assert_eq!(expected_cn0_dbhz(SignalClass::L1, 5.0), Some((33.0, 40.0)));
        assert_eq!(expected_cn0_dbhz(SignalClass::L2w, 39.999), Some((26.0, 38.0)));
        assert_eq!(expected_cn0_dbhz(SignalClass::E5AltBoc, 90.0), Some((52.0, 59.0)));
        assert_eq!(expected_cn0_dbhz(SignalClass::L1, 4.9), None);
        assert_eq!(expected_cn0_dbhz(SignalClass::L1, f64::NAN), None);
    }

    #[test]
    fn semi_codeless_is_kept_apart_from_l2c() {
        // Check values 4.5 and 10.3.
        assert_eq!(signal_class('G', 2, 'W'), Some(SignalClass::L2w));
        assert_eq!(signal_class('G', 2, 'X'), Some(SignalClass::L2c));
        assert_eq!(signal_class('C', 2, 'I'), Some(SignalClass::B1i));
        assert_eq!(signal_class('C', 1, 'P'), Some(SignalClass::L1));
        assert_eq!(signal_class('E', 6, 'C'), None);
    }
}
