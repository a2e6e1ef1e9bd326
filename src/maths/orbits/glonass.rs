//! GLONASS broadcast orbits: numerical integration in PZ-90 (GLONASS ICD 5.1 A.3.1.2; CDMA ICD 2016 Appendix J).

use super::{MU_GALILEO_BEIDOU, OMEGA_E_BEIDOU_GLONASS, fold_week_s};
use serde::{Deserialize, Serialize};

/// Equatorial radius of PZ-90.11, m.
const AE_M: f64 = 6_378_136.0;
/// J2 of PZ-90.11.
const J2: f64 = 1_082_625.75e-9;
/// Longest step of the integration, s.
const STEP_S: f64 = 60.0;
/// The broadcast state serves ±15 min; beyond this it says nothing, and integrating on would only cost time.
const MAX_SPAN_S: f64 = 6.0 * 3600.0;

/// Broadcast orbit and clock of a GLONASS satellite. SI units, PZ-90.11 axes.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct GlonassEphemeris {
    /// Slot 1 to 24 (27).
    pub number: u8,
    /// Frequency number, -7 to 6.
    pub frequency_number: i8,
    /// GPS week of the reference time t_b.
    pub gps_week: u32,
    /// Reference time t_b in GPS seconds of week (the decoder adds the leap seconds).
    pub toe_s: f64,
    /// Position at t_b, m.
    pub position_m: [f64; 3],
    /// Velocity at t_b, m/s.
    pub velocity_m_s: [f64; 3],
    /// Luni-solar acceleration as broadcast, m/s².
    pub acceleration_m_s2: [f64; 3],
    /// Clock term -τn as in RINEX, s: satellite clock minus GLONASS time at t_b.
    pub minus_tau_s: f64,
    /// Relative frequency offset γn, s/s.
    pub gamma: f64,
    /// Health word as broadcast; 0 is healthy.
    pub health: u16,
    /// Issue: t_b in units of 15 min, or another number the decoder chooses.
    pub issue: u16,
}

impl GlonassEphemeris {
    /// Position (m) and velocity (m/s) at a transmission time in GPS seconds of week, by Runge-Kutta steps of at most 60 s.
    ///
    /// `None` more than 6 h from t_b or for a state that is no orbit (all zero, not finite).
    pub fn state(&self, gps_tow_s: f64) -> Option<([f64; 3], [f64; 3])> {
        let span = fold_week_s(gps_tow_s - self.toe_s);
        let [x, y, z] = self.position_m;
        let [vx, vy, vz] = self.velocity_m_s;
        let radius_m = (x * x + y * y + z * z).sqrt();
        if span.abs() > MAX_SPAN_S || span.is_nan() || !radius_m.is_finite() || radius_m < AE_M {
            return None;
        }
        let mut state = [x, y, z, vx, vy, vz];
        let steps = (span.abs() / STEP_S).ceil().max(1.0);
        let h = span / steps;
        for _ in 0..steps as u32 {
            let k1 = self.derivative(state);
            let k2 = self.derivative(along(state, k1, h / 2.0));
            let k3 = self.derivative(along(state, k2, h / 2.0));
            let k4 = self.derivative(along(state, k3, h));
            for (i, s) in state.iter_mut().enumerate() {
                *s += h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]);
            }
        }
        let [x, y, z, vx, vy, vz] = state;
        if !state.iter().all(|v| v.is_finite()) {
            return None;
        }
        Some(([x, y, z], [vx, vy, vz]))
    }

    /// Satellite clock minus GLONASS time, s: -τn + γn·(t - t_b) (GLONASS ICD 5.1 section 3.3.3).
    pub fn clock_s(&self, gps_tow_s: f64) -> f64 {
        self.minus_tau_s + self.gamma * fold_week_s(gps_tow_s - self.toe_s)
    }

    fn derivative(&self, s: [f64; 6]) -> [f64; 6] {
        let [x, y, z, vx, vy, vz] = s;
        let r2 = x * x + y * y + z * z;
        let r = r2.sqrt();
        let w = OMEGA_E_BEIDOU_GLONASS;
        let central = -MU_GALILEO_BEIDOU / (r2 * r);
        let oblate = -1.5 * J2 * MU_GALILEO_BEIDOU * AE_M * AE_M / (r2 * r2 * r);
        let z2 = 5.0 * z * z / r2;
        let [ax, ay, az] = self.acceleration_m_s2;
        [
            vx,
            vy,
            vz,
            central * x + oblate * x * (1.0 - z2) + w * w * x + 2.0 * w * vy + ax,
            central * y + oblate * y * (1.0 - z2) + w * w * y - 2.0 * w * vx + ay,
            central * z + oblate * z * (3.0 - z2) + az,
        ]
    }
}

fn along(s: [f64; 6], k: [f64; 6], h: f64) -> [f64; 6] {
    let mut out = s;
    for (o, d) in out.iter_mut().zip(k) {
        *o += h * d;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    /// The worked example of the GLONASS CDMA ICD 2016, Appendix J.
    fn example() -> GlonassEphemeris {
        GlonassEphemeris {
            toe_s: 11_700.0,
            position_m: [7_003_008.789, -12_206_626.953, 21_280_765.625],
            velocity_m_s: [783.5417, 2804.2530, 1352.5150],
            acceleration_m_s2: [0.0, 1.7e-6, -5.41e-6],
            ..GlonassEphemeris::default()
        }
    }

    #[test]
    fn published_example_of_check_values_6_5() {
        let (position, velocity) = example().state(12_300.0).unwrap();
        // Published (ICD), full luni-solar model: within 1 m.
        for (g, w) in position.iter().zip([7_523_174.819, -10_506_961.965, 21_999_239.413]) {
            near(*g, w, 1.0);
        }
        // scipy at 1e-13 with constant acceleration (check values 6.5).
        for (g, w) in position.iter().zip([7_523_174.851, -10_506_961.864, 21_999_238.893]) {
            near(*g, w, 1e-3);
        }
        for (g, w) in velocity.iter().zip([950.126096, 2855.688136, 1040.678121]) {
            // Those figures used μ 3.9860044e14 of ICD 5.1; PZ-90.11 is 4.5e-9 larger: 0.5 mm and 1.5 µm/s in 600 s.
            near(*g, w, 3e-6);
        }
    }

    #[test]
    fn backward_integration_returns_to_the_start() {
        let start = example();
        let (position_m, velocity_m_s) = start.state(12_600.0).unwrap();
        let there = GlonassEphemeris { toe_s: 12_600.0, position_m, velocity_m_s, ..start.clone() };
        let (back, _) = there.state(11_700.0).unwrap();
        for (g, w) in back.iter().zip(start.position_m) {
            near(*g, w, 1e-3);
        }
    }

    #[test]
    fn clock_and_broken_states() {
        let e = GlonassEphemeris { minus_tau_s: 1e-5, gamma: -2e-12, ..example() };
        near(e.clock_s(12_300.0), 1e-5 - 1.2e-9, 1e-18);
        assert!(GlonassEphemeris::default().state(10.0).is_none());
        assert!(example().state(11_700.0 + 90_000.0).is_none());
        assert!(GlonassEphemeris { velocity_m_s: [f64::NAN; 3], ..example() }.state(11_760.0).is_none());
    }
}
