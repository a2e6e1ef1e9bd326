//! Ripple of C/N0 from a horizontal reflector, and bounds of multipath.
//!
//! Georgiadou and Kleusberg 1988 (Manuscripta Geodaetica 13:172-179); Bilich and Larson 2007, doi 10.1029/2007RS003652; Larson
//! and Nievinski 2013, doi 10.1007/s10291-012-0259-7.

/// Cycles of the ripple per unit of sin(elevation): 2H/λ, H the antenna's height over the reflector.
pub fn ripple_cycles_per_sin_elevation(height_m: f64, wavelength_m: f64) -> f64 {
    2.0 * height_m / wavelength_m
}

/// Height over the reflector, m, from the frequency of the ripple in cycles per unit of sin(elevation).
pub fn reflector_height_m(cycles_per_sin_elevation: f64, wavelength_m: f64) -> f64 {
    cycles_per_sin_elevation * wavelength_m / 2.0
}

/// Period of the ripple in time, s: λ/(2H·cos el·del/dt), elevation rate in degrees per s. `None` for no height or a satellite
/// that does not rise or set.
pub fn ripple_period_s(height_m: f64, wavelength_m: f64, elevation_deg: f64, rate_deg_per_s: f64) -> Option<f64> {
    let period = wavelength_m / (2.0 * height_m * elevation_deg.to_radians().cos() * rate_deg_per_s.abs().to_radians());
    (period.is_finite() && period > 0.0).then_some(period)
}

/// Largest height over the reflector, m, whose ripple samples of an interval can still show: two samples a period.
pub fn max_height_m(wavelength_m: f64, elevation_deg: f64, rate_deg_per_s: f64, interval_s: f64) -> f64 {
    wavelength_m / (4.0 * interval_s * elevation_deg.to_radians().cos() * rate_deg_per_s.abs().to_radians())
}

/// Largest carrier multipath, m, for a reflection of relative amplitude a below 1: λ/(2π)·asin a (Georgiadou and Kleusberg 1988).
pub fn carrier_multipath_m(wavelength_m: f64, amplitude: f64) -> f64 {
    wavelength_m / (2.0 * std::f64::consts::PI) * amplitude.clamp(0.0, 1.0).asin()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;
    use crate::maths::signals::wavelength_m;

    fn l1() -> f64 {
        wavelength_m('G', 1, None).unwrap()
    }

    fn l2() -> f64 {
        wavelength_m('G', 2, None).unwrap()
    }

    #[test]
    fn ripple_of_check_values_8_3() {
        for (h, a, b) in
            [(1.5, 15.7651, 12.2845), (2.0, 21.0201, 16.3793), (5.0, 52.5504, 40.9483), (10.0, 105.1007, 81.8967)]
        {
            near(ripple_cycles_per_sin_elevation(h, l1()), a, 5.1e-5);
            near(ripple_cycles_per_sin_elevation(h, l2()), b, 5.1e-5);
            near(reflector_height_m(a, l1()), h, 1e-5);
        }
        let rate = 30.0 / 3600.0;
        for (el, a, b) in [(5.0, 328.3, 421.4), (10.0, 332.1, 426.2), (20.0, 348.1, 446.7), (30.0, 377.7, 484.7)] {
            near(ripple_period_s(2.0, l1(), el, rate).unwrap(), a, 0.051);
            near(ripple_period_s(2.0, l2(), el, rate).unwrap(), b, 0.051);
        }
        let rise = 25f64.to_radians().sin() - 5f64.to_radians().sin();
        near(ripple_cycles_per_sin_elevation(2.0, l1()) * rise, 7.0515, 5e-5);
        near(ripple_cycles_per_sin_elevation(2.0, l2()) * rise, 5.4947, 5e-5);
        assert!(ripple_period_s(2.0, l1(), 10.0, 0.0).is_none());
        // An open reflectometry manual: at 30 s heights above roughly 9 m alias (order of magnitude).
        let limit = max_height_m(l1(), 10.0, rate, 30.0);
        assert!((5.0..20.0).contains(&limit), "{limit}");
    }

    #[test]
    fn carrier_bounds_of_check_values_8_2() {
        near(carrier_multipath_m(l1(), 1.0), 0.0476, 5e-5);
        near(carrier_multipath_m(l2(), 1.0), 0.0611, 5e-5);
        near(carrier_multipath_m(l1(), 0.1), 0.00303, 5e-6);
    }
}
