//! The correction radio: path loss, horizon, Fresnel zone.

use crate::maths::SPEED_OF_LIGHT_M_S;

/// Free-space loss, dB (ITU-R P.525): 20·log10(4πd/λ), 32.4478 + 20 log f(MHz) + 20 log d(km).
pub fn free_space_db(frequency_mhz: f64, distance_km: f64) -> f64 {
    let wavelengths = distance_km * 1e9 * frequency_mhz / SPEED_OF_LIGHT_M_S;
    20.0 * (4.0 * std::f64::consts::PI * wavelengths).log10()
}

/// Plane-earth loss, dB: 40 log d - 20 log h1 - 20 log h2, all in m (any propagation textbook). Valid beyond
/// [`breakpoint_m`]; nearer the free-space value is the larger truth.
pub fn plane_earth_db(distance_m: f64, h1_m: f64, h2_m: f64) -> f64 {
    40.0 * distance_m.log10() - 20.0 * h1_m.log10() - 20.0 * h2_m.log10()
}

/// Distance beyond which plane-earth loss holds: 4·h1·h2/λ, m.
pub fn breakpoint_m(frequency_mhz: f64, h1_m: f64, h2_m: f64) -> f64 {
    4.0 * h1_m * h2_m * frequency_mhz * 1e6 / SPEED_OF_LIGHT_M_S
}

/// Radio horizon of two antennas over a 4/3 Earth, km: 4.1218·(√h1 + √h2), h in m (effective radius of ITU-R P.310, Re 6371 km).
pub fn radio_horizon_km(h1_m: f64, h2_m: f64) -> f64 {
    let effective_m: f64 = 6_371_000.0 * 4.0 / 3.0;
    (2.0 * effective_m).sqrt() * (h1_m.max(0.0).sqrt() + h2_m.max(0.0).sqrt()) / 1000.0
}

/// Radius of the first Fresnel zone, m, at d1 and d2 (m) from the ends: √(λ·d1·d2/(d1+d2)) (ITU-R P.526).
pub fn fresnel_radius_m(frequency_mhz: f64, d1_m: f64, d2_m: f64) -> f64 {
    let wavelength_m = SPEED_OF_LIGHT_M_S / (frequency_mhz * 1e6);
    (wavelength_m * d1_m * d2_m / (d1_m + d2_m)).sqrt()
}

/// Distance at which a power density is reached, m: √(EIRP/(4πS)), EIRP in W, S in W/m².
pub fn power_density_distance_m(eirp_w: f64, density_w_m2: f64) -> f64 {
    (eirp_w / (4.0 * std::f64::consts::PI * density_w_m2)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn free_space_of_check_values_12_5() {
        for (f, d, want) in [
            (450.0, 1.0, 85.51),
            (450.0, 10.0, 105.51),
            (450.0, 20.0, 111.53),
            (915.0, 5.0, 105.66),
            (915.0, 10.0, 111.68),
            (1575.42, 20_200.0, 182.50),
        ] {
            near(free_space_db(f, d), want, 0.005);
        }
        // ITU-R P.525: constant 32.4 (32.4478).
        near(free_space_db(1.0, 1.0), 32.4478, 5e-5);
    }

    #[test]
    fn plane_earth_of_check_values_12_5() {
        for (d, want) in [(1000.0, 98.06), (5000.0, 126.02), (10_000.0, 138.06), (15_000.0, 145.11)] {
            near(plane_earth_db(d, 5.0, 2.5), want, 0.005);
        }
        // 2 W, 2 dBi at both ends, 3 dB feeder at 10 km.
        near(33.0103 + 4.0 - 3.0 - plane_earth_db(10_000.0, 5.0, 2.5), -104.1, 0.06);
        near(breakpoint_m(450.0, 5.0, 2.5), 75.05, 0.01);
    }

    #[test]
    fn horizon_and_fresnel_of_check_values_12_5() {
        for (a, b, want) in [(2.0, 2.0, 11.65), (5.0, 2.0, 15.04), (10.0, 3.0, 20.16), (30.0, 3.0, 29.70)] {
            // The worked values use the rounded 4.12; the exact 4.1218 is 0.04 % longer.
            near(radio_horizon_km(a, b), want, 0.016);
        }
        near(radio_horizon_km(1.0, 0.0), 4.1218, 5e-5);
        for (f, d, want) in [(450.0, 5e3, 28.9), (450.0, 10e3, 40.8), (915.0, 5e3, 20.2), (915.0, 10e3, 28.6)] {
            near(fresnel_radius_m(f, d / 2.0, d / 2.0), want, 0.05);
        }
    }

    #[test]
    fn exposure_distance_of_check_values_14() {
        // 4 W into 2.15 dBi and 35 W into 5.15 dBi at 2.25 W/m².
        near(power_density_distance_m(4.0 * 10f64.powf(0.215), 2.25), 0.48, 0.005);
        near(power_density_distance_m(35.0 * 10f64.powf(0.515), 2.25), 2.01, 0.005);
    }
}
