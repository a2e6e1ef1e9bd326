//! Two carriers of one satellite: code multipath, geometry-free, wide-lane.

use crate::maths::{SPEED_OF_LIGHT_M_S, ionosphere};

/// Constants of a pair of carriers, f1 the higher. Phases in m unless a name says cycles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DualFrequency {
    f1_hz: f64,
    f2_hz: f64,
}

impl DualFrequency {
    /// From two frequencies in Hz; `None` when they are equal or not positive. The order is kept as given.
    pub fn new(f1_hz: f64, f2_hz: f64) -> Option<DualFrequency> {
        let usable = |f: f64| f.is_finite() && f > 0.0;
        (usable(f1_hz) && usable(f2_hz) && f1_hz != f2_hz).then_some(DualFrequency { f1_hz, f2_hz })
    }

    /// γ = α = (f1/f2)².
    pub fn gamma(&self) -> f64 {
        let q = self.f1_hz / self.f2_hz;
        q * q
    }

    /// Ionosphere-free factors (a, b): a·first - b·second (IS-GPS-200 20.3.3.3.3.3 form).
    pub fn iono_free(&self) -> (f64, f64) {
        let g = self.gamma();
        (g / (g - 1.0), 1.0 / (g - 1.0))
    }

    /// TECU per m of Φ1 - Φ2 (phase) or of P2 - P1 (code).
    pub fn tecu_per_m(&self) -> f64 {
        ionosphere::tecu_per_m(self.f1_hz, self.f2_hz)
    }

    /// Wide-lane wavelength c/(f1 - f2), m.
    pub fn wide_lane_m(&self) -> f64 {
        SPEED_OF_LIGHT_M_S / (self.f1_hz - self.f2_hz)
    }

    /// Narrow-lane wavelength c/(f1 + f2), m.
    pub fn narrow_lane_m(&self) -> f64 {
        SPEED_OF_LIGHT_M_S / (self.f1_hz + self.f2_hz)
    }

    /// Wavelength of the first carrier, m.
    pub fn wavelength1_m(&self) -> f64 {
        SPEED_OF_LIGHT_M_S / self.f1_hz
    }

    /// Wavelength of the second carrier, m.
    pub fn wavelength2_m(&self) -> f64 {
        SPEED_OF_LIGHT_M_S / self.f2_hz
    }

    /// Code multipath of the first code, m, up to a constant of the arc: P1 - (1 + 2/(α-1))Φ1 + (2/(α-1))Φ2 (Estey and Meertens
    /// 1999, doi 10.1007/PL00012778). Take the mean of every slip-free arc out before anything else.
    pub fn mp1_m(&self, p1_m: f64, phi1_m: f64, phi2_m: f64) -> f64 {
        let b = 2.0 / (self.gamma() - 1.0);
        p1_m - (1.0 + b) * phi1_m + b * phi2_m
    }

    /// Code multipath of the second code, m, up to a constant of the arc: P2 - (2α/(α-1))Φ1 + (2α/(α-1) - 1)Φ2 (Estey and
    /// Meertens 1999).
    pub fn mp2_m(&self, p2_m: f64, phi1_m: f64, phi2_m: f64) -> f64 {
        let b = 2.0 * self.gamma() / (self.gamma() - 1.0);
        p2_m - b * phi1_m + (b - 1.0) * phi2_m
    }

    /// Geometry-free phase Φ1 - Φ2, m, from phases in m.
    pub fn geometry_free_m(&self, phi1_m: f64, phi2_m: f64) -> f64 {
        phi1_m - phi2_m
    }

    /// Melbourne-Wübbena combination in wide-lane cycles, phases and codes in m (Melbourne 1985; Wübbena 1985):
    /// ((f1Φ1 - f2Φ2)/(f1-f2) - (f1P1 + f2P2)/(f1+f2))/λ_WL.
    pub fn melbourne_wubbena_cycles(&self, phi1_m: f64, phi2_m: f64, p1_m: f64, p2_m: f64) -> f64 {
        let (f1, f2) = (self.f1_hz, self.f2_hz);
        let phase = (f1 * phi1_m - f2 * phi2_m) / (f1 - f2);
        let code = (f1 * p1_m + f2 * p2_m) / (f1 + f2);
        (phase - code) / self.wide_lane_m()
    }

    /// Standard deviation of Melbourne-Wübbena in cycles for a code noise (m) equal on both codes.
    pub fn melbourne_wubbena_sigma_cycles(&self, code_sigma_m: f64) -> f64 {
        code_sigma_m * self.f1_hz.hypot(self.f2_hz) / (self.f1_hz + self.f2_hz) / self.wide_lane_m()
    }

    /// Steps that a slip of (n1, n2) cycles makes: (geometry-free m, Melbourne-Wübbena cycles, MP1 m, MP2 m).
    pub fn slip_signature(&self, n1: f64, n2: f64) -> (f64, f64, f64, f64) {
        let (phi1, phi2) = (n1 * self.wavelength1_m(), n2 * self.wavelength2_m());
        (phi1 - phi2, n1 - n2, self.mp1_m(0.0, phi1, phi2), self.mp2_m(0.0, phi1, phi2))
    }
}

/// Slip seen by phase against Doppler between two epochs: ΔΦ + ½(D1 + D2)·Δt in cycles (RINEX sign: Doppler positive when
/// approaching, so that phase falls). Above 1 cycle at 1 s is a slip (common practice, no source).
pub fn doppler_misfit_cycles(
    phase_before: f64,
    phase_after: f64,
    doppler_before_hz: f64,
    doppler_after_hz: f64,
    dt_s: f64,
) -> f64 {
    phase_after - phase_before + 0.5 * (doppler_before_hz + doppler_after_hz) * dt_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    fn pair(f1_mhz: f64, f2_mhz: f64) -> DualFrequency {
        DualFrequency::new(f1_mhz * 1e6, f2_mhz * 1e6).unwrap()
    }

    fn l1_l2() -> DualFrequency {
        pair(1575.42, 1227.60)
    }

    #[test]
    fn constants_of_check_values_5() {
        let rows = [
            (l1_l2(), [1.646944444, 2.545727780, 1.545727780, 9.519643, 0.861918, 0.106953]),
            (pair(1575.42, 1176.45), [1.793270321, 2.260604328, 1.260604328, 7.763659, 0.751416, 0.108941]),
            (pair(1575.42, 1207.14), [1.703246194, 2.421977124, 1.421977124, 8.757503, 0.814034, 0.107740]),
            (pair(1561.098, 1268.52), [1.514487513, 2.943681770, 1.943681770, 11.753858, 1.024658, 0.105948]),
            (pair(1575.42, 1268.52), [1.542403746, 2.843645084, 1.843645084, 11.354421, 0.976841, 0.105414]),
            (pair(1602.0, 1246.0), [1.653061224, 2.53125, 1.53125, 9.751380, 0.842114, 0.105264]),
        ];
        for (d, [gamma, a, b, tecu, wide, narrow]) in rows {
            near(d.gamma(), gamma, 5.1e-10);
            near(d.iono_free().0, a, 5.1e-9);
            near(d.iono_free().1, b, 5.1e-9);
            near(d.tecu_per_m(), tecu, 5.1e-7);
            near(d.wide_lane_m(), wide, 5.1e-7);
            near(d.narrow_lane_m(), narrow, 5.1e-7);
        }
        // IS-GPS-200: γ = (77/60)².
        near(l1_l2().gamma(), (77.0 / 60.0) * (77.0 / 60.0), 1e-15);
        assert!(DualFrequency::new(1e9, 1e9).is_none() && DualFrequency::new(0.0, 1e9).is_none());
    }

    #[test]
    fn multipath_factors_of_check_values_8_1() {
        // Unit phases read the factors off the combinations (Estey and Meertens 1999).
        for (d, a, b, c, e) in [
            (l1_l2(), 4.091456, 3.091456, 5.091456, 4.091456),
            (pair(1575.42, 1176.45), 3.521209, 2.521209, 4.521209, 3.521209),
            (pair(1575.42, 1207.14), 3.843954, 2.843954, 4.843954, 3.843954),
            (pair(1561.098, 1268.52), 4.887364, 3.887364, 5.887364, 4.887364),
            (pair(1602.0, 1246.0), 4.0625, 3.0625, 5.0625, 4.0625),
        ] {
            near(-d.mp1_m(0.0, 1.0, 0.0), a, 5.1e-7);
            near(d.mp1_m(0.0, 0.0, 1.0), b, 5.1e-7);
            near(-d.mp2_m(0.0, 1.0, 0.0), c, 5.1e-7);
            near(d.mp2_m(0.0, 0.0, 1.0), e, 5.1e-7);
        }
    }

    #[test]
    fn worked_sample_of_check_values_8_1() {
        let rows = [
            (
                22345682.100,
                22345683.941,
                118661886.424,
                83847478.396,
                -6739951.2598,
                -8844145.0134,
                8888887.8187,
                2104195.5946,
            ),
            (
                22345369.352,
                22345371.494,
                118660244.477,
                83846198.952,
                -6739951.5592,
                -8844145.0130,
                8888888.0139,
                2104195.5958,
            ),
            (
                22345057.504,
                22345058.847,
                118658603.057,
                83844919.917,
                -6739951.0603,
                -8844145.3146,
                8888887.8417,
                2104195.5973,
            ),
            (
                22344744.556,
                22344747.101,
                118656962.161,
                83843641.292,
                -6739951.7597,
                -8844144.8132,
                8888888.0430,
                2104195.5985,
            ),
            (
                22344432.808,
                22344434.454,
                118655322.791,
                83842364.077,
                -6739951.3828,
                -8844145.2825,
                8888888.0357,
                2104195.5457,
            ),
            (
                22344120.360,
                22344122.507,
                118653682.947,
                83841086.271,
                -6739951.7830,
                -8844145.1830,
                8888888.2461,
                2104195.5470,
            ),
        ];
        let d = l1_l2();
        let mut mp1 = Vec::new();
        for (p1, p2, l1, l2, want1, want2, wide, gf) in rows {
            let (phi1, phi2) = (l1 * d.wavelength1_m(), l2 * d.wavelength2_m());
            near(d.mp1_m(p1, phi1, phi2), want1, 1e-4);
            near(d.mp2_m(p2, phi1, phi2), want2, 1e-4);
            near(d.melbourne_wubbena_cycles(phi1, phi2, p1, p2), wide, 1e-4);
            near(d.geometry_free_m(phi1, phi2), gf, 1e-4);
            mp1.push(d.mp1_m(p1, phi1, phi2));
        }
        let arc = &mp1[..4];
        let mean = arc.iter().sum::<f64>() / 4.0;
        let rms = (arc.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / 4.0).sqrt();
        near(rms, 0.2690, 5e-5);
    }

    #[test]
    fn slips_of_check_values_8_1_and_9() {
        let d = l1_l2();
        for (n1, n2, gf, wide) in [
            (1.0, 0.0, 0.1903, 1.0),
            (0.0, 1.0, -0.2442, -1.0),
            (1.0, 1.0, -0.0539, 0.0),
            (4.0, 3.0, 0.0285, 1.0),
            (5.0, 4.0, -0.0254, 1.0),
            (9.0, 7.0, 0.0032, 2.0),
            (77.0, 60.0, 0.0, 17.0),
        ] {
            let got = d.slip_signature(n1, n2);
            near(got.0, gf, 5.1e-5);
            near(got.1, wide, 1e-12);
        }
        for (n1, n2, mp1, mp2) in
            [(1.0, 0.0, -0.7786, -0.9689), (0.0, 1.0, 0.7550, 0.9992), (1.0, 1.0, -0.0236, 0.0303)]
        {
            let got = d.slip_signature(n1, n2);
            near(got.2, mp1, 5.1e-5);
            near(got.3, mp2, 5.1e-5);
        }
        near(d.melbourne_wubbena_sigma_cycles(0.3), 0.2480, 5e-5);
        near(d.melbourne_wubbena_sigma_cycles(0.3) * d.wide_lane_m(), 0.2138, 5e-5);
        // Approaching at 1000 Hz: phase falls 1000 cycles in 1 s, misfit 0; a slip of 2 shows as 2.
        near(doppler_misfit_cycles(0.0, -998.0, 1000.0, 1000.0, 1.0), 2.0, 1e-12);
    }
}
