//! Interference: jammer power over distance, loss of C/N0, solar bursts.

use super::{BOLTZMANN, from_db, radio, to_db};
use crate::maths::SPEED_OF_LIGHT_M_S;

/// GPS L1 C/A power at the ground used in the worked values, dBm (IS-GPS-200 Table 3-V).
pub const L1_CA_DBM: f64 = -128.5;

/// Power of an emitter at a receiver in free space into 0 dBi, dBm; EIRP in dBm.
pub fn received_dbm(eirp_dbm: f64, frequency_mhz: f64, distance_km: f64) -> f64 {
    eirp_dbm - radio::free_space_db(frequency_mhz, distance_km)
}

/// Jammer over signal, dB, in free space.
pub fn j_over_s_db(eirp_dbm: f64, frequency_mhz: f64, distance_km: f64, signal_dbm: f64) -> f64 {
    received_dbm(eirp_dbm, frequency_mhz, distance_km) - signal_dbm
}

/// Distance in km at which an emitter of this EIRP (dBm) reaches a jammer over signal of `j_over_s_db` in free space.
pub fn range_for_j_over_s_km(eirp_dbm: f64, frequency_mhz: f64, j_over_s_db: f64, signal_dbm: f64) -> f64 {
    let loss_db = eirp_dbm - (j_over_s_db + signal_dbm);
    10f64.powf((loss_db - radio::free_space_db(frequency_mhz, 1.0)) / 20.0)
}

/// Effective C/N0, dB-Hz, under interference: 1/(C/N0)eff = 1/(C/N0) + (J/S)/(Q·Rc) (Kaplan and Hegarty, Understanding
/// GPS/GNSS, from memory). Q 1 narrowband, 1.5 matched spectrum; Rc chips per second.
pub fn effective_cn0_dbhz(cn0_dbhz: f64, j_over_s_db: f64, q: f64, chip_rate_hz: f64) -> f64 {
    -to_db(1.0 / from_db(cn0_dbhz) + from_db(j_over_s_db) / (q * chip_rate_hz))
}

/// Loss of C/N0 in a solar radio burst, dB: added antenna temperature ½·S·Ae/k, Ae = Gλ²/4π, S in solar flux units of
/// 1e-22 W/m²/Hz (check values 7.6; agrees with Klobuchar et al. 1999, doi 10.1007/PL00012794, within 1.6 dB).
pub fn solar_burst_loss_db(flux_sfu: f64, antenna_gain_dbi: f64, system_temperature_k: f64, frequency_mhz: f64) -> f64 {
    let wavelength_m = SPEED_OF_LIGHT_M_S / (frequency_mhz * 1e6);
    let aperture_m2 = from_db(antenna_gain_dbi) * wavelength_m * wavelength_m / (4.0 * std::f64::consts::PI);
    let added_k = 0.5 * flux_sfu * 1e-22 * aperture_m2 / BOLTZMANN;
    to_db(1.0 + added_k / system_temperature_k)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn jammer_range_of_check_values_11_2() {
        for (km, dbm, js) in [(0.1, -66.4, 62.1), (1.0, -86.4, 42.1), (5.0, -100.4, 28.1)] {
            near(received_dbm(10.0, 1575.42, km), dbm, 0.05);
            near(j_over_s_db(10.0, 1575.42, km, L1_CA_DBM), js, 0.05);
            near(range_for_j_over_s_km(10.0, 1575.42, js, L1_CA_DBM), km, 0.006 * km);
        }
    }

    #[test]
    fn effective_cn0_of_check_values_11_2() {
        for (js, q, want) in [(30.0, 1.0, 29.96), (40.0, 1.0, 20.08), (50.0, 1.0, 10.10), (30.0, 1.5, 31.65)] {
            near(effective_cn0_dbhz(45.0, js, q, 1.023e6), want, 0.005);
        }
    }

    #[test]
    fn solar_bursts_of_check_values_7_6() {
        let rows = [
            (1e3, 0.13, 0.25),
            (1e4, 1.13, 2.03),
            (4e4, 3.41, 5.29),
            (1e5, 6.00, 8.42),
            (2e5, 8.43, 11.11),
            (1e6, 14.89, 17.82),
        ];
        for (sfu, at_0, at_3) in rows {
            near(solar_burst_loss_db(sfu, 0.0, 350.0, 1575.42), at_0, 0.005);
            near(solar_burst_loss_db(sfu, 3.0, 350.0, 1575.42), at_3, 0.006);
        }
        // Published: 4e4 SFU about 3 dB, 2e5 SFU about 10 dB (Klobuchar et al. 1999 as quoted in Flores-Soriano 2024).
        near(solar_burst_loss_db(4e4, 0.0, 350.0, 1575.42), 3.0, 1.6);
        near(solar_burst_loss_db(2e5, 0.0, 350.0, 1575.42), 10.0, 1.6);
    }
}
