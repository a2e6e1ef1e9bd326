//! Invented constellations: Kepler orbits with a steady node rate, and the broadcast elements that describe them.
//!
//! Constants and equations: IS-GPS-200 Table 20-IV, Galileo OS SIS ICD, BDS-SIS-ICD, GLONASS ICD 5.1. Harmonic terms
//! are zero by design, so that a reader of the ephemerides finds the very orbit the observables came from.

use super::rng;
use std::f64::consts::{PI, TAU};

/// Speed of light, m/s.
pub(super) const C_MS: f64 = 299_792_458.0;

/// Satellite systems of the practice world.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Sys {
    Gps,
    Glo,
    Gal,
    Bds,
}

impl Sys {
    pub(super) const ALL: [Sys; 4] = [Sys::Gps, Sys::Glo, Sys::Gal, Sys::Bds];

    pub(super) fn ix(self) -> usize {
        self as usize
    }

    fn mu(self) -> f64 {
        match self {
            Sys::Gps => 3.986_005e14,
            _ => 3.986_004_418e14,
        }
    }

    fn omega_e(self) -> f64 {
        match self {
            Sys::Bds => 7.292_115_0e-5,
            Sys::Glo => 7.292_115e-5,
            _ => 7.292_115_146_7e-5,
        }
    }
}

/// One satellite: orbit at the reference instant and clock.
#[derive(Debug, Clone)]
pub(super) struct Sat {
    pub sys: Sys,
    /// PRN, slot or E-number.
    pub id: u8,
    /// GLONASS frequency number -7..=6, 0 elsewhere.
    pub fcn: i8,
    /// Transmits the modern civil second frequency (GPS L2C).
    pub l2c: bool,
    /// Transmits L5.
    pub l5: bool,
    /// Above the guaranteed power, dB.
    pub power_db: f32,
    a_m: f64,
    e: f64,
    i: f64,
    node: f64,
    node_rate: f64,
    argp: f64,
    m0: f64,
    /// Clock offset at the reference, s, and rate, s/s.
    pub af0: f64,
    pub af1: f64,
}

/// Broadcast Keplerian elements of one issue.
pub(super) struct Elements {
    pub sqrt_a: f64,
    pub e: f64,
    pub i0: f64,
    pub node0: f64,
    pub node_rate: f64,
    pub argp: f64,
    pub m0: f64,
    pub af0: f64,
    pub af1: f64,
}

/// All satellites; `t_ref` is the GPS second the elements hold for.
pub(super) struct Constellation {
    pub sats: Vec<Sat>,
    pub t_ref: i64,
}

impl Constellation {
    /// The invented sky of a fleet.
    pub(super) fn new(seed: u64, t_ref: i64) -> Constellation {
        let mut r = rng::Rng::new(rng::sub(seed, "constellation"));
        let mut sats = Vec::new();
        let mut plane = |sys: Sys, ids: &[u8], planes: usize, a_m: f64, inc_deg: f64, rate: f64, r: &mut rng::Rng| {
            let node0 = r.range(0.0, TAU);
            let phase0 = r.range(0.0, TAU);
            let per = ids.len().div_ceil(planes);
            for (k, &id) in ids.iter().enumerate() {
                let (p, s) = (k / per, k % per);
                let node = node0 + TAU * p as f64 / planes as f64 + r.range(-0.03, 0.03);
                let u = phase0
                    + TAU * s as f64 / per as f64
                    + TAU * p as f64 / (planes * per) as f64
                    + r.range(-0.08, 0.08) * if sys == Sys::Gps { 2.0 } else { 0.3 };
                let argp = r.range(-PI, PI);
                sats.push(Sat {
                    sys,
                    id,
                    fcn: 0,
                    l2c: true,
                    l5: true,
                    power_db: r.range(1.0, 3.0) as f32,
                    a_m: a_m + r.range(-300.0, 300.0),
                    e: if sys == Sys::Gps { r.range(0.001, 0.015) } else { r.range(0.0002, 0.002) },
                    i: (inc_deg + r.range(-0.7, 0.7)).to_radians(),
                    node,
                    node_rate: rate,
                    argp,
                    m0: u - argp,
                    af0: r.range(-3e-4, 3e-4),
                    af1: r.range(-5e-12, 5e-12),
                });
            }
        };
        let gps: Vec<u8> = (1..=32).filter(|p| *p != 11 && *p != 28).collect();
        plane(Sys::Gps, &gps, 6, 26_560_000.0, 55.2, -8.0e-9, &mut r);
        plane(Sys::Glo, &(1..=24).collect::<Vec<u8>>(), 3, 25_508_000.0, 64.8, -6.7e-9, &mut r);
        let gal: Vec<u8> = (1..=36).filter(|p| p % 3 != 0).collect();
        plane(Sys::Gal, &gal, 3, 29_600_300.0, 56.0, -5.6e-9, &mut r);
        plane(Sys::Bds, &(19..=42).collect::<Vec<u8>>(), 3, 27_906_100.0, 55.2, -7.0e-9, &mut r);
        // Antipodal GLONASS satellites share a frequency number.
        const FCN: [i8; 12] = [1, -4, 5, 6, -2, -7, 0, -1, 3, 2, 4, -3];
        for s in &mut sats {
            match s.sys {
                Sys::Glo => {
                    let k = usize::from(s.id - 1);
                    s.fcn = FCN.get(k / 8 * 4 + k % 4).copied().unwrap_or(0);
                    s.l5 = false;
                }
                Sys::Gps => {
                    s.l2c = s.id % 5 != 0;
                    s.l5 = s.id % 2 == 1 && s.l2c;
                }
                _ => {}
            }
        }
        Constellation { sats, t_ref }
    }

    /// Position (and, by difference elsewhere, velocity) in the Earth-fixed frame at a GPS second, and the relativistic
    /// clock term in s.
    pub(super) fn position(&self, k: usize, t: f64) -> ([f64; 3], f64) {
        let Some(s) = self.sats.get(k) else { return ([0.0; 3], 0.0) };
        let dt = t - self.t_ref as f64;
        let n = (s.sys.mu() / (s.a_m * s.a_m * s.a_m)).sqrt();
        let m = (s.m0 + n * dt).rem_euclid(TAU);
        let mut ea = m + s.e * m.sin();
        for _ in 0..5 {
            ea -= (ea - s.e * ea.sin() - m) / (1.0 - s.e * ea.cos());
        }
        let (se, ce) = ea.sin_cos();
        let nu = ((1.0 - s.e * s.e).sqrt() * se).atan2(ce - s.e);
        let u = nu + s.argp;
        let rr = s.a_m * (1.0 - s.e * ce);
        let node = s.node + (s.node_rate - s.sys.omega_e()) * dt;
        let (su, cu) = u.sin_cos();
        let (sn, cn) = node.sin_cos();
        let (si, ci) = s.i.sin_cos();
        let (x, y) = (rr * cu, rr * su);
        let rel = -4.442_807_633e-10 * s.e * s.a_m.sqrt() * se;
        ([x * cn - y * ci * sn, x * sn + y * ci * cn, y * si], if s.sys == Sys::Glo { 0.0 } else { rel })
    }

    /// Velocity in the Earth-fixed frame, m/s (central difference, good to 1e-6).
    pub(super) fn velocity(&self, k: usize, t: f64) -> [f64; 3] {
        let (a, _) = self.position(k, t - 0.5);
        let (b, _) = self.position(k, t + 0.5);
        [b[0] - a[0], b[1] - a[1], b[2] - a[2]]
    }

    /// Satellite clock offset in s (polynomial only).
    pub(super) fn clock(&self, k: usize, t: f64) -> f64 {
        self.sats.get(k).map_or(0.0, |s| s.af0 + s.af1 * (t - self.t_ref as f64))
    }

    /// Broadcast elements for a time of ephemeris, given as GPS second and as second of the system's own week.
    pub(super) fn elements(&self, k: usize, toe_gps: i64, toe_sow: i64) -> Option<Elements> {
        let s = self.sats.get(k)?;
        let dt = (toe_gps - self.t_ref) as f64;
        let n = (s.sys.mu() / (s.a_m * s.a_m * s.a_m)).sqrt();
        let wrap = |x: f64| (x + PI).rem_euclid(TAU) - PI;
        Some(Elements {
            sqrt_a: s.a_m.sqrt(),
            e: s.e,
            i0: s.i,
            node0: wrap(s.node + (s.node_rate - s.sys.omega_e()) * dt + s.sys.omega_e() * toe_sow as f64),
            node_rate: s.node_rate,
            argp: wrap(s.argp),
            m0: wrap(s.m0 + n * dt),
            af0: s.af0 + s.af1 * dt,
            af1: s.af1,
        })
    }

    /// Signal travel geometry: azimuth, elevation (degrees), pseudo distance (m: range with Earth rotation less the
    /// satellite clock) from a station.
    pub(super) fn look(&self, k: usize, place: &super::earth::Place, x: &[f64; 3], t: f64) -> (f64, f64, f64) {
        let mut tau = 0.075;
        let mut out = (0.0, -90.0, 0.0);
        for _ in 0..3 {
            let (p, rel) = self.position(k, t - tau);
            let w = self.sats.get(k).map_or(7.292_115e-5, |s| s.sys.omega_e()) * tau;
            let (sw, cw) = w.sin_cos();
            let q = [p[0] * cw + p[1] * sw, p[1] * cw - p[0] * sw, p[2]];
            let (az, el, r) = place.look(x, &q);
            tau = r / C_MS;
            out = (az, el, r - C_MS * (self.clock(k, t - tau) + rel));
        }
        out
    }
}
