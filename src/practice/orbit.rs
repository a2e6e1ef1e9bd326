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
    /// GLONASS states every 900 s from `glo_t0` (GPS seconds), satellite after satellite: the broadcast instants.
    glo: Vec<[f64; 6]>,
    glo_t0: i64,
    glo_nodes: usize,
}

/// Seconds between stored GLONASS states.
const GLO_STEP: i64 = 900;

/// Motion in the rotating frame with the flattening of the Earth (GLONASS ICD 5.1, A.3.1.2), no Moon and Sun.
fn glo_rate(s: &[f64; 6]) -> [f64; 6] {
    const MU: f64 = 3.986_004_418e14;
    const AE: f64 = 6_378_136.0;
    const J2: f64 = 1_082_625.75e-9;
    const W: f64 = 7.292_115e-5;
    let [x, y, z, vx, vy, vz] = *s;
    let r2 = x * x + y * y + z * z;
    let r = r2.sqrt();
    let g = MU / (r2 * r);
    let k = 1.5 * J2 * MU * AE * AE / (r2 * r2 * r);
    let q = z * z / r2;
    [
        vx,
        vy,
        vz,
        -g * x - k * x * (1.0 - 5.0 * q) + W * W * x + 2.0 * W * vy,
        -g * y - k * y * (1.0 - 5.0 * q) + W * W * y - 2.0 * W * vx,
        -g * z - k * z * (3.0 - 5.0 * q),
    ]
}

/// Runge-Kutta of fourth order in steps of at most 60 s.
fn glo_move(mut s: [f64; 6], dt: f64) -> [f64; 6] {
    let n = (dt.abs() / 60.0).ceil().max(1.0);
    let h = dt / n;
    let along = |a: &[f64; 6], b: &[f64; 6], w: f64| std::array::from_fn::<f64, 6, _>(|k| a[k] + b[k] * w);
    for _ in 0..n as usize {
        let a = glo_rate(&s);
        let b = glo_rate(&along(&s, &a, h / 2.0));
        let c = glo_rate(&along(&s, &b, h / 2.0));
        let d = glo_rate(&along(&s, &c, h));
        s = std::array::from_fn(|k| s[k] + h / 6.0 * (a[k] + 2.0 * b[k] + 2.0 * c[k] + d[k]));
    }
    s
}

impl Constellation {
    /// The invented sky of a fleet.
    pub(super) fn new(seed: u64, t_ref: i64, days: u32) -> Constellation {
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
        let mut sky = Constellation { sats, t_ref, glo: Vec::new(), glo_t0: 0, glo_nodes: 0 };
        // Broadcast instants are whole quarter hours of GLONASS time, which is UTC plus whole hours.
        let glo_t0 = (t_ref - 86_400 - super::clock::LEAP_S).div_euclid(GLO_STEP) * GLO_STEP + super::clock::LEAP_S;
        let nodes = (i64::from(days) + 4) as usize * (86_400 / GLO_STEP) as usize;
        let mut glo = Vec::with_capacity(24 * nodes);
        for k in 0..sky.sats.len() {
            if sky.sats.get(k).is_some_and(|s| s.sys == Sys::Glo) {
                let (p, v) = (sky.kepler(k, glo_t0 as f64).0, sky.velocity(k, glo_t0 as f64));
                let mut s = [p[0], p[1], p[2], v[0], v[1], v[2]];
                for _ in 0..nodes {
                    glo.push(s);
                    s = glo_move(s, GLO_STEP as f64);
                }
            }
        }
        (sky.glo, sky.glo_t0, sky.glo_nodes) = (glo, glo_t0, nodes);
        sky
    }

    /// Position in the Earth-fixed frame at a GPS second, and the relativistic clock term in s.
    pub(super) fn position(&self, k: usize, t: f64) -> ([f64; 3], f64) {
        if self.sats.get(k).is_some_and(|s| s.sys == Sys::Glo) {
            let s = self.glonass(k, t);
            return ([s[0], s[1], s[2]], 0.0);
        }
        self.kepler(k, t)
    }

    /// State of a GLONASS satellite: the nearest stored one, moved on.
    fn glonass(&self, k: usize, t: f64) -> [f64; 6] {
        let first = self.sats.iter().position(|s| s.sys == Sys::Glo).unwrap_or(0);
        let dt = t - self.glo_t0 as f64;
        let node = ((dt / GLO_STEP as f64).round().max(0.0) as usize).min(self.glo_nodes.saturating_sub(1));
        let Some(s) = self.glo.get((k - first) * self.glo_nodes + node) else { return [0.0; 6] };
        let rest = dt - (node as i64 * GLO_STEP) as f64;
        if rest == 0.0 { *s } else { glo_move(*s, rest) }
    }

    fn kepler(&self, k: usize, t: f64) -> ([f64; 3], f64) {
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

    /// Velocity in the Earth-fixed frame, m/s.
    pub(super) fn velocity(&self, k: usize, t: f64) -> [f64; 3] {
        if self.glo_nodes > 0 && self.sats.get(k).is_some_and(|s| s.sys == Sys::Glo) {
            let s = self.glonass(k, t);
            return [s[3], s[4], s[5]];
        }
        let (a, _) = self.kepler(k, t - 0.5);
        let (b, _) = self.kepler(k, t + 0.5);
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

#[cfg(test)]
mod tests {
    use super::*;

    // GLONASS ICD (check-values 6.5): published state, integrated 600 s with constant luni-solar acceleration gives
    // 7523.174851, -10506.961864, 21999.238893 km; without that acceleration the difference stays below 1.5 m.
    #[test]
    fn published_glonass_example() {
        let s = [7_003_008.789, -12_206_626.953, 21_280_765.625, 783.5417, 2_804.253, 1_352.515];
        let e = glo_move(s, 600.0);
        for (got, want) in e.iter().zip([7_523_174.851, -10_506_961.864, 21_999_238.893]) {
            assert!((got - want).abs() < 1.5, "{got} {want}");
        }
    }

    // Broadcast elements evaluated by the equations of IS-GPS-200 Table 20-IV give the orbit they came from.
    #[test]
    fn elements_describe_the_orbit() {
        let sky = Constellation::new(3, 1_460_000_000, 1);
        for (k, s) in sky.sats.iter().enumerate().filter(|(_, s)| s.sys != Sys::Glo) {
            let toe_abs = 1_460_005_200i64;
            let toe = toe_abs.rem_euclid(604_800);
            let e = sky.elements(k, toe_abs, toe).unwrap();
            let tk = 2_000.0;
            let a = e.sqrt_a * e.sqrt_a;
            let m = e.m0 + (s.sys.mu() / (a * a * a)).sqrt() * tk;
            let mut ea = m;
            for _ in 0..20 {
                ea = m + e.e * ea.sin();
            }
            let nu = ((1.0 - e.e * e.e).sqrt() * ea.sin()).atan2(ea.cos() - e.e);
            let (u, r) = (nu + e.argp, a * (1.0 - e.e * ea.cos()));
            let node = e.node0 + (e.node_rate - s.sys.omega_e()) * tk - s.sys.omega_e() * toe as f64;
            let (x, y) = (r * u.cos(), r * u.sin());
            let want = [
                x * node.cos() - y * e.i0.cos() * node.sin(),
                x * node.sin() + y * e.i0.cos() * node.cos(),
                y * e.i0.sin(),
            ];
            let (got, _) = sky.position(k, toe_abs as f64 + tk);
            for (g, w) in got.iter().zip(want) {
                assert!((g - w).abs() < 0.01, "{g} {w}");
            }
        }
    }
}
