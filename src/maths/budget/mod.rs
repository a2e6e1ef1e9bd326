//! Signal strength: noise cascade, expected C/N0, cable, DC feed, radio link, interference.

pub mod cable;
pub mod expected;
pub mod interference;
pub mod radio;

pub use cable::{Cable, cable, cables, max_run_m};
pub use expected::{SignalClass, expected_cn0_dbhz, signal_class};

/// Boltzmann constant, J/K, exact (SI).
pub const BOLTZMANN: f64 = 1.380_649e-23;
/// Reference temperature of noise figures, K (Friis 1944).
pub const T0_K: f64 = 290.0;

/// Power ratio of decibels.
pub fn from_db(db: f64) -> f64 {
    10f64.powf(db / 10.0)
}

/// Decibels of a power ratio.
pub fn to_db(ratio: f64) -> f64 {
    10.0 * ratio.log10()
}

/// Thermal noise density kT of a temperature, dBm/Hz.
pub fn noise_density_dbm_hz(temperature_k: f64) -> f64 {
    to_db(BOLTZMANN * temperature_k * 1000.0)
}

/// One stage of a receiving chain, from the antenna inwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// Gain, dB; negative for a loss.
    pub gain_db: f64,
    /// Noise figure, dB.
    pub noise_figure_db: f64,
}

impl Stage {
    /// An amplifier or receiver.
    pub fn active(gain_db: f64, noise_figure_db: f64) -> Stage {
        Stage { gain_db, noise_figure_db }
    }

    /// A passive loss at 290 K: its noise figure is the loss.
    pub fn loss(loss_db: f64) -> Stage {
        Stage { gain_db: -loss_db, noise_figure_db: loss_db }
    }
}

/// Noise of a chain, seen at its input.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cascade {
    /// Noise figure, dB.
    pub noise_figure_db: f64,
    /// Noise temperature 290·(F - 1), K.
    pub temperature_k: f64,
    /// Gain of all stages, dB.
    pub gain_db: f64,
}

/// Cascade F = F1 + (F2-1)/G1 + (F3-1)/(G1·G2) + … (Friis 1944, doi 10.1109/JRPROC.1944.232049). `None` for no stage or
/// values that are not finite.
pub fn friis(stages: &[Stage]) -> Option<Cascade> {
    let first = stages.first()?;
    let mut factor = from_db(first.noise_figure_db);
    let mut gain = from_db(first.gain_db);
    for stage in stages.iter().skip(1) {
        factor += (from_db(stage.noise_figure_db) - 1.0) / gain;
        gain *= from_db(stage.gain_db);
    }
    if !factor.is_finite() || !gain.is_finite() {
        return None;
    }
    Some(Cascade { noise_figure_db: to_db(factor), temperature_k: T0_K * (factor - 1.0), gain_db: to_db(gain) })
}

/// C/N0 in dB-Hz: C - 10·log10(k·Tsys·1000), C in dBm, Tsys = antenna temperature + cascade temperature in K.
pub fn cn0_dbhz(carrier_dbm: f64, system_temperature_k: f64) -> f64 {
    carrier_dbm - noise_density_dbm_hz(system_temperature_k)
}

/// What a chain costs in C/N0 against a better one (the same without its cable, say), dB.
pub fn cn0_cost_db(chain: &Cascade, better: &Cascade, antenna_temperature_k: f64) -> f64 {
    to_db((antenna_temperature_k + chain.temperature_k) / (antenna_temperature_k + better.temperature_k))
}

/// Voltage at the antenna end: V - I·R·L, R the loop resistance in ohm per km, L in m.
pub fn dc_at_antenna_v(port_v: f64, current_a: f64, loop_ohm_per_km: f64, length_m: f64) -> f64 {
    port_v - current_a * loop_ohm_per_km * length_m / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    #[test]
    fn thermal_noise_of_check_values_10_4() {
        for (t, want) in [(290.0, -173.9752), (150.0, -176.8383), (100.0, -178.5992), (500.0, -171.6095)] {
            near(noise_density_dbm_hz(t), want, 1e-4);
        }
    }

    #[test]
    fn cascade_of_check_values_10_4() {
        // LNA gain, cable dB, Te, Tsys, NF, C/N0, loss; LNA NF 2 dB, receiver NF 10 dB, Tant 100 K, C -128.5 dBm.
        let rows = [
            (30.0, 0.0, 172.23, 272.23, 2.025, 45.75, 0.0),
            (30.0, 10.0, 198.33, 298.33, 2.263, 45.35, 0.398),
            (30.0, 20.0, 459.33, 559.33, 4.123, 42.62, 3.127),
            (30.0, 30.0, 3069.33, 3169.33, 10.639, 35.09, 10.660),
            (30.0, 40.0, 29_169.33, 29_269.33, 20.068, 25.44, 20.315),
            (40.0, 0.0, 169.88, 269.88, 2.002, 45.79, 0.0),
            (40.0, 10.0, 172.49, 272.49, 2.027, 45.75, 0.042),
            (40.0, 20.0, 198.59, 298.59, 2.265, 45.35, 0.439),
            (40.0, 30.0, 459.59, 559.59, 4.124, 42.62, 3.167),
            (40.0, 40.0, 3069.59, 3169.59, 10.639, 35.09, 10.698),
        ];
        for (gain, cable, te, tsys, nf, cn0, cost) in rows {
            let chain = |loss| friis(&[Stage::active(gain, 2.0), Stage::loss(loss), Stage::active(0.0, 10.0)]).unwrap();
            let got = chain(cable);
            near(got.temperature_k, te, 0.005);
            near(got.noise_figure_db, nf, 0.0005);
            near(cn0_dbhz(-128.5, 100.0 + got.temperature_k), cn0, 0.005);
            near(100.0 + got.temperature_k, tsys, 0.005);
            near(cn0_cost_db(&got, &chain(0.0), 100.0), cost, 0.0005);
        }
        // Loss before the amplifier.
        for (loss, tsys) in [(1.0, 391.9), (3.0, 732.3), (6.0, 1650.2)] {
            let got = friis(&[Stage::loss(loss), Stage::active(30.0, 2.0), Stage::active(0.0, 10.0)]).unwrap();
            near(100.0 + got.temperature_k, tsys, 0.05);
        }
        assert!(friis(&[]).is_none());
    }

    #[test]
    fn dc_drop_of_check_values_10_5() {
        for (ohm, drop) in [(51.0, 0.51), (10.0, 0.10), (23.0, 0.23)] {
            near(5.0 - dc_at_antenna_v(5.0, 0.1, ohm, 100.0), drop, 1e-12);
        }
    }
}
