//! Carrier frequencies by system and RINEX band digit.

use crate::maths::SPEED_OF_LIGHT_M_S;

/// Carrier frequency in Hz of a RINEX 3 band digit.
///
/// Sources: IS-GPS-200/705/800, GLONASS ICD 5.1 and CDMA ICDs 2016, Galileo OS SIS ICD, BDS-SIS-ICDs, IS-QZSS-PNT, ISRO ICDs;
/// digits of RINEX 3.05. `k` is the GLONASS frequency number (-7 to 6), needed for its bands 1 and 2 only. BeiDou B1I is band 2
/// (band 1 is B1C); the caller maps `C1I` of RINEX 3.02. `None` for an unknown band, or GLONASS FDMA without k.
pub fn frequency_hz(system: char, band: u8, k: Option<i8>) -> Option<f64> {
    let mhz = match (system, band) {
        ('G' | 'J' | 'S' | 'E' | 'C' | 'I', 1) => 1575.42,
        ('G' | 'J', 2) => 1227.60,
        ('G' | 'J' | 'S' | 'E' | 'C' | 'I', 5) => 1176.45,
        ('E', 6) | ('J', 6) => 1278.75,
        ('E' | 'C', 7) => 1207.14,
        ('E' | 'C', 8) => 1191.795,
        ('C', 2) => 1561.098,
        ('C', 6) => 1268.52,
        ('I', 9) => 2492.028,
        ('R', 1) => 1602.0 + 0.5625 * f64::from(frequency_number(k)?),
        ('R', 2) => 1246.0 + 0.4375 * f64::from(frequency_number(k)?),
        ('R', 3) => 1202.025,
        ('R', 4) => 1600.995,
        ('R', 6) => 1248.06,
        _ => return None,
    };
    Some(mhz * 1e6)
}

/// Wavelength in m of a RINEX 3 band digit; see [`frequency_hz`].
pub fn wavelength_m(system: char, band: u8, k: Option<i8>) -> Option<f64> {
    frequency_hz(system, band, k).map(|f| SPEED_OF_LIGHT_M_S / f)
}

/// A GLONASS frequency number inside -7 to 6.
fn frequency_number(k: Option<i8>) -> Option<i8> {
    k.filter(|k| (-7..=6).contains(k))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::ionosphere::delay_m_per_tecu;
    use crate::maths::near;

    #[test]
    fn table_of_check_values_5() {
        let rows = [
            (('G', 1), 1575.42, 0.190293673, 0.162372),
            (('C', 2), 1561.098, 0.192039486, 0.165365),
            (('R', 1), 1602.0, 0.187136366, 0.157029),
            (('R', 4), 1600.995, 0.187253838, 0.157226),
            (('E', 6), 1278.75, 0.234441805, 0.246453),
            (('C', 6), 1268.52, 0.236332465, 0.250444),
            (('R', 6), 1248.06, 0.240206767, 0.258722),
            (('R', 2), 1246.0, 0.240603899, 0.259579),
            (('J', 2), 1227.60, 0.244210213, 0.267418),
            (('E', 7), 1207.14, 0.248349370, 0.276560),
            (('R', 3), 1202.025, 0.249406175, 0.278919),
            (('E', 8), 1191.795, 0.251547001, 0.283728),
            (('C', 5), 1176.45, 0.254828049, 0.291178),
            (('I', 9), 2492.028, 0.120300598, 0.064893),
        ];
        for ((system, band), mhz, wavelength, per_tecu) in rows {
            let f = frequency_hz(system, band, Some(0)).unwrap();
            near(f, mhz * 1e6, 1e-3);
            near(wavelength_m(system, band, Some(0)).unwrap(), wavelength, 5.1e-10);
            near(delay_m_per_tecu(f), per_tecu, 5.1e-7);
        }
    }

    #[test]
    fn glonass_channels_of_check_values_5() {
        for (k, f1, f2, w1, w2) in [
            (-7, 1598.0625, 1242.9375, 0.187597455, 0.241196728),
            (-1, 1601.4375, 1245.5625, 0.187202097, 0.240688410),
            (6, 1605.3750, 1248.6250, 0.186742947, 0.240098074),
        ] {
            near(frequency_hz('R', 1, Some(k)).unwrap(), f1 * 1e6, 1e-3);
            near(frequency_hz('R', 2, Some(k)).unwrap(), f2 * 1e6, 1e-3);
            near(wavelength_m('R', 1, Some(k)).unwrap(), w1, 5.1e-10);
            near(wavelength_m('R', 2, Some(k)).unwrap(), w2, 5.1e-10);
            near(f1 / f2, 9.0 / 7.0, 1e-15);
        }
        assert!(frequency_hz('R', 1, None).is_none());
        assert!(frequency_hz('R', 1, Some(13)).is_none());
        assert!(frequency_hz('R', 3, None).is_some());
        assert!(frequency_hz('G', 7, None).is_none() && frequency_hz('X', 1, None).is_none());
    }
}
