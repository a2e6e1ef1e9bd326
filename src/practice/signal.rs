//! Signals, antenna pattern, cable table and the noise cascade (Friis 1944).
//!
//! Guaranteed powers are those of the interface documents; pattern and losses are common practice and reproduce the
//! table "typical C/N0 by elevation" of the project's check values.

use super::orbit::{Sat, Sys};

/// Bands that live or die together; semi-codeless L2 apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Band {
    L1 = 0,
    L2 = 1,
    L2W = 2,
    L5 = 3,
    L6 = 4,
}

/// One signal kind of a system.
#[derive(Debug, Clone, Copy)]
pub(super) struct Signal {
    /// MSM signal id (RTCM 10403.x).
    pub msm: u8,
    /// NMEA 4.11 signal id digit.
    pub nmea: u8,
    pub band: Band,
    pub mhz: f64,
    /// Power at the ground for 0 dBi, dBm.
    pub dbm: f32,
}

/// Signals per system, at most four; the first is the one on the first frequency.
pub(super) const SIGNALS: [&[Signal]; 4] = [
    &[
        Signal { msm: 2, nmea: b'1', band: Band::L1, mhz: 1575.42, dbm: -128.5 },
        Signal { msm: 10, nmea: b'4', band: Band::L2W, mhz: 1227.60, dbm: -131.5 },
        Signal { msm: 16, nmea: b'6', band: Band::L2, mhz: 1227.60, dbm: -129.8 },
        Signal { msm: 23, nmea: b'8', band: Band::L5, mhz: 1176.45, dbm: -127.0 },
    ],
    &[
        Signal { msm: 2, nmea: b'1', band: Band::L1, mhz: 1602.0, dbm: -129.5 },
        Signal { msm: 8, nmea: b'3', band: Band::L2, mhz: 1246.0, dbm: -132.0 },
    ],
    &[
        Signal { msm: 5, nmea: b'7', band: Band::L1, mhz: 1575.42, dbm: -128.2 },
        Signal { msm: 16, nmea: b'2', band: Band::L5, mhz: 1207.14, dbm: -126.2 },
        Signal { msm: 24, nmea: b'1', band: Band::L5, mhz: 1176.45, dbm: -126.4 },
    ],
    &[
        Signal { msm: 2, nmea: b'1', band: Band::L1, mhz: 1561.098, dbm: -130.5 },
        Signal { msm: 8, nmea: b'8', band: Band::L6, mhz: 1268.52, dbm: -129.5 },
        Signal { msm: 23, nmea: b'5', band: Band::L5, mhz: 1176.45, dbm: -127.0 },
    ],
];

/// Frequency in Hz of a satellite's signal (GLONASS by its number: 1602 + 0.5625 k, 1246 + 0.4375 k MHz).
pub(super) fn hz(sat: &Sat, sig: &Signal) -> f64 {
    let k = f64::from(sat.fcn);
    let mhz = match (sat.sys, sig.band) {
        (Sys::Glo, Band::L1) => sig.mhz + 0.5625 * k,
        (Sys::Glo, _) => sig.mhz + 0.4375 * k,
        _ => sig.mhz,
    };
    mhz * 1e6
}

/// Whether a satellite sends a signal at all.
pub(super) fn sends(sat: &Sat, sig: &Signal) -> bool {
    match (sat.sys, sig.band) {
        (Sys::Gps, Band::L2) => sat.l2c,
        (Sys::Gps, Band::L5) => sat.l5,
        _ => true,
    }
}

/// Antenna gain over elevation, dBi, good survey antenna.
pub(super) fn pattern_dbi(el_deg: f64) -> f32 {
    let s = (1.0 - el_deg.max(0.0).to_radians().sin()).max(0.0);
    (4.0 - 14.0 * s.powf(1.6)) as f32
}

/// One cable kind: `k1·sqrt(f) + k2·f` dB per 100 ft, f in MHz (see check values 10.5).
pub(super) struct Cable {
    pub name: &'static str,
    pub k1: f64,
    pub k2: f64,
}

/// The cable table.
pub(super) const CABLES: &[Cable] = &[
    Cable { name: "RG-58", k1: 0.44390, k2: 0.001289 },
    Cable { name: "RG-213", k1: 0.18958, k2: 0.001387 },
    Cable { name: "240-class", k1: 0.24208, k2: 0.000330 },
    Cable { name: "400-class", k1: 0.12229, k2: 0.000260 },
];

impl Cable {
    /// Loss in dB of a length at a frequency.
    pub(super) fn loss_db(&self, mhz: f64, length_m: f64) -> f64 {
        (self.k1 * mhz.sqrt() + self.k2 * mhz) / 30.48 * length_m
    }
}

/// What stands between the sky and the correlator.
#[derive(Debug, Clone)]
pub(super) struct Chain {
    pub lna_gain_db: f64,
    pub lna_nf_db: f64,
    pub cable: usize,
    pub cable_m: f64,
    pub connectors: u8,
    pub rx_nf_db: f64,
}

impl Chain {
    /// Loss between antenna amplifier and receiver, dB.
    pub(super) fn loss_db(&self, mhz: f64) -> f64 {
        CABLES.get(self.cable).map_or(0.0, |c| c.loss_db(mhz, self.cable_m)) + 0.2 * f64::from(self.connectors)
    }

    /// System temperature in K for 100 K of sky, with extra loss in the cable and a change of the amplifier's gain.
    pub(super) fn tsys_k(&self, mhz: f64, extra_db: f64, gain_db: f64) -> f64 {
        let lin = |db: f64| 10f64.powf(db / 10.0);
        let (g1, f1) = (lin(self.lna_gain_db + gain_db), lin(self.lna_nf_db));
        let l = lin(self.loss_db(mhz) + extra_db);
        let f3 = lin(self.rx_nf_db);
        let f = f1 + (l - 1.0) / g1 + (f3 - 1.0) * l / g1;
        100.0 + 290.0 * (f - 1.0)
    }

    /// Noise density at the antenna, dBm/Hz.
    pub(super) fn noise_dbm_hz(&self, mhz: f64, extra_db: f64, gain_db: f64) -> f32 {
        (10.0 * (1.380_649e-23 * self.tsys_k(mhz, extra_db, gain_db) * 1000.0).log10()) as f32
    }
}

/// Loss of C/N0 in dB that a dead antenna amplifier causes on top of its gain: it also attenuates.
pub(super) const DEAD_LNA_DB: f64 = -12.0;

#[cfg(test)]
mod tests {
    use super::*;

    // check-values 10.4 (Friis 1944, worked): cascade and C/N0 for C = -128.5 dBm; 10.5: cable table.
    #[test]
    fn worked_cascade_and_cable() {
        for (gain, cable_db, tsys, cn0) in [
            (30.0, 0.0, 272.23, 45.75),
            (30.0, 20.0, 559.33, 42.62),
            (40.0, 30.0, 559.59, 42.62),
            (30.0, 40.0, 29_269.33, 25.44),
        ] {
            let c = Chain { lna_gain_db: gain, lna_nf_db: 2.0, cable: 9, cable_m: 0.0, connectors: 0, rx_nf_db: 10.0 };
            assert!((c.tsys_k(1575.42, cable_db, 0.0) - tsys).abs() < 0.01 * tsys / 100.0);
            assert!((-128.5 - f64::from(c.noise_dbm_hz(1575.42, cable_db, 0.0)) - cn0).abs() < 0.01);
        }
        assert!((CABLES[0].loss_db(1575.42, 100.0) - 64.5).abs() < 0.06);
        assert!((CABLES[1].loss_db(1227.6, 100.0) - 27.4).abs() < 0.06);
        assert!((CABLES[3].loss_db(450.0, 100.0) - 8.9).abs() < 0.06);
    }
}
