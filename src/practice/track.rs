//! A receiver following the sky second by second: C/N0, lock, slips, and what is good enough for carrier work.

use super::cause::Cause;
use super::clock;
use super::earth::Place;
use super::fault::{Act, Fault, Fx, MAX_SIGNALS};
use super::orbit::{C_MS, Constellation};
use super::plan::{Session, Unit};
use super::rng::{bits, mix, pair, smooth, uni};
use super::signal::{Band, SIGNALS, hz, pattern_dbi, sends};
use super::skyweather::irregular;

/// Seconds between nodes of the geometry grid.
const STEP: i64 = 30;

/// Directions and distances of all satellites over a session, on a grid.
pub(super) struct Geometry {
    pub t0: i64,
    /// Indices of satellites that rise above the horizon.
    pub sats: Vec<usize>,
    nodes: usize,
    az: Vec<f32>,
    el: Vec<f32>,
    range: Vec<f64>,
}

impl Geometry {
    /// For a place; the grid runs two nodes past both ends for interpolation.
    pub(super) fn new(sky: &Constellation, place: &Place, s: &Session, systems: &[bool; 4]) -> Geometry {
        let x = place.ecef();
        let nodes = s.n / STEP as usize + 6;
        let t0 = s.t0 - 2 * STEP;
        let mut g = Geometry { t0, sats: Vec::new(), nodes, az: Vec::new(), el: Vec::new(), range: Vec::new() };
        for (k, sat) in sky.sats.iter().enumerate() {
            if !systems.get(sat.sys.ix()).copied().unwrap_or(false) {
                continue;
            }
            let first = g.az.len();
            let mut up = false;
            for n in 0..nodes {
                let t = clock::gpst(t0 + n as i64 * STEP) as f64;
                let (az, el, r) = sky.look(k, place, &x, t);
                up |= el > 3.0;
                g.az.push(az as f32);
                g.el.push(el as f32);
                g.range.push(r);
            }
            if up {
                g.sats.push(k);
            } else {
                g.az.truncate(first);
                g.el.truncate(first);
                g.range.truncate(first);
            }
        }
        g
    }

    fn at(&self, row: usize, t: i64) -> (usize, f64) {
        let d = (t - self.t0).max(0);
        let k = ((d / STEP) as usize).min(self.nodes.saturating_sub(3));
        (row * self.nodes + k, (d - k as i64 * STEP) as f64 / STEP as f64)
    }

    /// Azimuth and elevation in degrees of the `row`-th visible satellite.
    pub(super) fn direction(&self, row: usize, t: i64) -> (f64, f64) {
        let (k, w) = self.at(row, t);
        let get = |v: &[f32], k: usize| f64::from(v.get(k).copied().unwrap_or(0.0));
        let (a, b) = (get(&self.az, k), get(&self.az, k + 1));
        let d = (b - a + 540.0).rem_euclid(360.0) - 180.0;
        let (c, e) = (get(&self.el, k), get(&self.el, k + 1));
        ((a + d * w).rem_euclid(360.0), c + (e - c) * w)
    }

    /// Pseudo distance (range less satellite clock, m) and its rate (m/s): Hermite between nodes, error below 1 mm.
    pub(super) fn range(&self, row: usize, t: i64) -> (f64, f64) {
        let (k, w) = self.at(row, t);
        let r = |d: isize| self.range.get((k as isize + d).max(0) as usize).copied().unwrap_or(0.0);
        let h = STEP as f64;
        let slope = |d: isize| (8.0 * (r(d + 1) - r(d - 1)) - (r(d + 2) - r(d - 2))) / (12.0 * h);
        let (p0, p1, m0, m1) = (r(0), r(1), slope(0) * h, slope(1) * h);
        let (w2, w3) = (w * w, w * w * w);
        let v =
            (2.0 * w3 - 3.0 * w2 + 1.0) * p0 + (w3 - 2.0 * w2 + w) * m0 + (3.0 * w2 - 2.0 * w3) * p1 + (w3 - w2) * m1;
        let rate = ((6.0 * w2 - 6.0 * w) * (p0 - p1) + (3.0 * w2 - 4.0 * w + 1.0) * m0 + (3.0 * w2 - 2.0 * w) * m1) / h;
        (v, rate)
    }
}

/// Extra things a rover meets at its place: trees and a blocked corner, each a level a second.
pub(super) struct Ground<'a> {
    pub trees: &'a [f32],
    pub zone: &'a [f32],
    pub zone_az: f64,
}

/// What came out, a second an entry; bit = satellite of the constellation.
#[derive(Default)]
pub(super) struct Tracked {
    /// Good on two frequencies.
    pub dual: Vec<u128>,
    /// Locked on the first frequency.
    pub any: Vec<u128>,
    /// Slipped or scintillating in this second.
    pub slip: Vec<u128>,
    pub on: Vec<bool>,
    /// Carrier error from reflections over the usable satellites, m.
    pub mp_m: Vec<f32>,
    /// Depth of scintillation and roughness of the ionosphere over the satellites good on two frequencies (root mean
    /// squares, 0 to 1).
    pub rough: Vec<[f32; 2]>,
}

/// The tracking state that a recorder sees.
pub(super) struct State {
    /// Reported C/N0 of a locked cell, dB-Hz.
    pub cn0: Vec<f32>,
    /// Second of the session since which a cell is locked; -1 = not locked. May lie before the session.
    pub since: Vec<i32>,
    /// Whole cycles lost or gained by slips.
    pub cycles: Vec<i32>,
    /// Code error from reflections, m.
    pub mp_code: Vec<f32>,
    /// Carrier error from reflections, m.
    pub mp_phase: Vec<f32>,
    /// Scintillation depth of each satellite row, first frequency.
    pub s4: Vec<f32>,
    /// Roughness of the content on the way to each satellite.
    pub rough: Vec<f32>,
    pub on: bool,
}

/// Depth of scintillation by band over that on the first frequency.
const DEPTH: [f32; 5] = [1.0, 1.45, 1.45, 1.55, 1.38];

/// Change of a level in dB when the intensity changes by `swing` of its mean.
fn decibels(swing: f32) -> f32 {
    if swing == 0.0 { 0.0 } else { 10.0 * (1.0 + swing).max(0.01).log10() }
}

/// C/N0 in dB-Hz for a clear sky, by noise densities of the five bands.
fn clear_sky(noise: &[f32; 5], sig: &super::signal::Signal, power_db: f32, gain_dbi: f32) -> f32 {
    let x = sig.dbm + power_db + gain_dbi - noise[sig.band as usize] - 1.0;
    if sig.band == Band::L2W {
        // Semi-codeless: recovered with the help of the first frequency, loss about doubled.
        let l1 = -128.5 + power_db + gain_dbi - noise[0] - 1.0 - 3.0;
        (43.0 + (x + l1) - 2.0 * 47.0).min(48.0)
    } else {
        x
    }
}

/// Loss in dB and chance of a slip a second behind an obstruction: a window of azimuth stands open above 13 degrees, and a
/// hole overhead; elsewhere walls of uneven height. Behind an edge the wave is diffracted (ITU-R P.526 section 4.1, one
/// knife edge, distance of some metres): the loss grows with the angle below the edge.
fn wall_loss(f: &Fault, unit: &Unit, az: f64, e: f64, off: f64) -> (f32, f32) {
    // Bad enough to matter for the satellites there are: fewer systems, wider window.
    // A wall that stays is lived with unless it leaves just too few; what stands there for a while may leave next to none.
    let systems = unit.systems.iter().filter(|s| **s).count().max(1) as f64;
    let wide =
        if f.mode == 0 { (28.0 + 56.0 / systems) * (0.94 + 0.12 * uni(f.seed, 18, 0)) } else { 26.0 + 56.0 / systems };
    let half = wide - 0.4 * wide * f.strength;
    let top = |k: i64| 66.0 + 8.0 * f.strength + 12.0 * (uni(f.seed, 12, k.rem_euclid(15) as u64) - 0.5);
    let (k, w) = ((az / 24.0).floor() as i64, (az / 24.0).fract());
    let wall = top(k) + (top(k + 1) - top(k)) * w;
    // Angle below the nearest edge, degrees; negative in the open.
    let behind = if off < half { 13.0 - e } else { (wall - e).min((off - half) * e.to_radians().cos()).max(13.0 - e) };
    let behind = if off < half && e > 13.0 { behind.max(-(half - off) * e.to_radians().cos()) } else { behind };
    let d = 6.0 + 12.0 * uni(f.seed, 16, 0);
    let v = behind.to_radians() * (2.0 * d / 0.19).sqrt();
    let loss = if v > -0.78 { 6.9 + 20.0 * (((v - 0.1).powi(2) + 1.0).sqrt() + v - 0.1).log10() } else { 0.0 };
    // Behind metal nothing is left but the diffracted wave, at most 30 dB down.
    let slip = if behind.abs() < 2.0 {
        0.05
    } else if behind > 0.0 {
        0.015
    } else {
        0.0
    };
    (loss.clamp(0.0, 30.0) as f32, slip)
}

/// Follows the sky through a session. `mask` selects the causes that act. `lane` separates the luck of this unit.
#[allow(clippy::too_many_arguments)]
pub(super) fn follow(
    sky: &Constellation,
    geo: &Geometry,
    place: &Place,
    s: &Session,
    unit: &Unit,
    rover: Option<u8>,
    acts: &[Act],
    mask: u16,
    ground: Option<&Ground>,
    mut record: impl FnMut(usize, &State),
) -> Tracked {
    let rows = geo.sats.len();
    let cells = rows * MAX_SIGNALS;
    let acts: Vec<&Act> =
        acts.iter().filter(|a| mask >> a.fault.bit & 1 == 1 && a.fault.touches_tracking(rover)).collect();
    let lines: Vec<[f32; 5]> = acts.iter().map(|a| a.fault.line_loss_db(unit)).collect();
    let mhz = [1575.42, 1227.6, 1227.6, 1176.45, 1268.52];
    let noise = mhz.map(|f| unit.chain.noise_dbm_hz(f, 0.0, 0.0));
    let seed = mix(unit.seed ^ s.t0 as u64);
    // Below this a receiver of this build loses lock, dB-Hz: civil signals at 18 to 20, semi-codeless L2 at 20 to 24.
    let build = uni(unit.seed, 98, 0) as f32;
    let floor = [18.0, 18.0, 20.0 + 2.0 * build, 18.0, 18.0].map(|v| v + 2.0 * build);
    let mut st = State {
        cn0: vec![0.0; cells],
        since: vec![-1; cells],
        cycles: vec![0; cells],
        mp_code: vec![0.0; cells],
        mp_phase: vec![0.0; cells],
        s4: vec![0.0; rows],
        rough: vec![0.0; rows],
        on: true,
    };
    let mut slow = vec![-99f32; cells];
    let mut ready = vec![0i32; cells];
    let mut el = vec![0f32; rows];
    let mut slip_base = vec![0f32; rows];
    let mut err = vec![0f32; rows];
    let mut used = vec![[false; MAX_SIGNALS]; rows];
    let mut band = vec![[Band::L1; MAX_SIGNALS]; rows];
    let mut lambda = vec![[0f64; MAX_SIGNALS]; rows];
    for (row, &k) in geo.sats.iter().enumerate() {
        let Some(sat) = sky.sats.get(k) else { continue };
        for (n, sig) in SIGNALS[sat.sys.ix()].iter().enumerate() {
            used[row][n] = unit.signals[sat.sys.ix()] >> n & 1 == 1 && sends(sat, sig) && unit.systems[sat.sys.ix()];
            band[row][n] = sig.band;
            lambda[row][n] = C_MS / hz(sat, sig);
        }
    }
    // A base was on long before; a rover starts cold when its log starts.
    let warm = rover.is_none();
    for (c, v) in ready.iter_mut().enumerate() {
        *v = if warm { -1 } else { 8 + (uni(seed, c as u64, 99) * 20.0) as i32 };
    }
    let mut out = Tracked {
        dual: Vec::with_capacity(s.n),
        any: Vec::with_capacity(s.n),
        slip: Vec::with_capacity(s.n),
        on: Vec::with_capacity(s.n),
        mp_m: Vec::with_capacity(s.n),
        rough: Vec::with_capacity(s.n),
    };
    let mut was_off = false;
    for i in 0..s.n {
        let t = s.t0 + i as i64;
        let it = i as i32;
        let mut fx = Fx::default();
        for (a, line) in acts.iter().zip(&lines) {
            a.fault.apply(a.level.get(i).copied().unwrap_or(0.0), line, &mut fx);
        }
        let trees = ground.map_or(0.0, |g| g.trees.get(i).copied().unwrap_or(0.0));
        let zone_on = acts.iter().any(|a| a.fault.cause == Cause::RoverObstruction);
        let zone = if zone_on { ground.map_or(0.0, |g| g.zone.get(i).copied().unwrap_or(0.0)) } else { 0.0 };
        if i % 5 == 0 {
            for row in 0..rows {
                let (az, e) = geo.direction(row, t);
                el[row] = e as f32;
                let Some(sat) = geo.sats.get(row).and_then(|k| sky.sats.get(*k)) else { continue };
                let gain = pattern_dbi(e);
                let sin = e.to_radians().sin();
                let ground_a = unit.ground_alpha * (-(e as f32).max(0.0) / 18.0).exp();
                let mut cut = 0f32;
                let mut slip = if e < 12.0 {
                    1.0 / 500.0
                } else if e < 25.0 {
                    1.0 / 5000.0
                } else {
                    1.0 / 60_000.0
                };
                let mut wall = 0f32;
                let mut wall_path = 0.0;
                for a in &acts {
                    let level = a.level.get(i).copied().unwrap_or(0.0);
                    if level <= 0.0 {
                        continue;
                    }
                    let f = a.fault;
                    let az0 = uni(f.seed, 11, 0) * 360.0;
                    let off = ((az - az0 + 540.0).rem_euclid(360.0) - 180.0).abs();
                    let s01 = f.strength;
                    match f.cause {
                        Cause::BaseObstruction => {
                            let loss = wall_loss(f, unit, az, e, off);
                            cut += level * loss.0;
                            slip += level * loss.1;
                        }
                        Cause::BaseMultipath => {
                            // Metal all round: the reflected wave is strong below a height, strongest towards the wall.
                            let reach = (1.3 - e / 75.0).clamp(0.0, 1.0) * (1.0 - off / 300.0);
                            wall = wall.max(level * (0.5 + 0.55 * s01) as f32 * reach as f32);
                            // Way round by the wall: twice its distance, seen along the ray.
                            wall_path =
                                2.0 * (2.5 + 6.0 * uni(f.seed, 13, 0)) * e.to_radians().cos() * off.to_radians().cos();
                            slip += 0.01 * wall;
                        }
                        Cause::SkyScintillation => {
                            let (lat, lon) = place.pierce(az, e.max(5.0));
                            (st.s4[row], st.rough[row]) = irregular(a, lat, lon, t, i);
                        }
                        _ => {}
                    }
                }
                if trees > 0.0 && e < 65.0 {
                    cut += trees * (6.0 + 9.0 * uni(seed, 14, (az / 12.0) as u64 + 100 * (i as u64 / 20)) as f32);
                    slip += 0.02 * trees;
                }
                if zone > 0.0 {
                    let az0 = ground.map_or(0.0, |g| g.zone_az);
                    let off = ((az - az0 + 540.0).rem_euclid(360.0) - 180.0).abs();
                    let lid = if off < 110.0 { 68.0 } else { 38.0 };
                    if e < lid {
                        cut += zone * 24.0;
                    } else {
                        cut += zone * 3.0;
                    }
                    slip += 0.01 * zone;
                }
                slip_base[row] = slip;
                // Carrier error by a reflection of relative amplitude a: at most lambda/2pi asin a.
                err[row] = if wall > 0.02 { 0.0303 * wall.min(0.98).asin() } else { 0.001 };
                for (n, sig) in SIGNALS[sat.sys.ix()].iter().enumerate() {
                    if !used[row][n] {
                        continue;
                    }
                    let c = row * MAX_SIGNALS + n;
                    let l = lambda[row][n];
                    let path = 2.0 * unit.ground_h_m * sin;
                    let turn = |p: f64| ((p / l).fract() * std::f64::consts::TAU) as f32;
                    let (sg, cg) = turn(path).sin_cos();
                    let (sw, cw) = turn(wall_path).sin_cos();
                    let amp = 1.0 + ground_a * cg + wall * 0.9 * cw;
                    // A short reflection shifts the code by its share of the sum (Georgiadou & Kleusberg 1988); the
                    // correlator of today's receivers leaves about half of it.
                    let code = |a: f32, cos: f32, p: f64| {
                        0.5 * p as f32 * a * (cos + a) / (1.0 + 2.0 * a * cos + a * a).max(0.1)
                    };
                    st.mp_code[c] = code(ground_a, cg, path) + code(wall * 0.6, cw, wall_path.abs());
                    let turned = (ground_a * sg + wall * 0.9 * sw).atan2(amp);
                    st.mp_phase[c] = (l / std::f64::consts::TAU) as f32 * turned;
                    let ripple = 20.0 * amp.max(0.12).log10();
                    slow[c] = clear_sky(&noise, sig, sat.power_db, gain) + ripple
                        - cut * if sig.band == Band::L2W { 2.0 } else { 1.0 };
                }
            }
        }
        st.on = !fx.off;
        if fx.off {
            was_off = true;
            st.since.iter_mut().for_each(|v| *v = -1);
            out.dual.push(0);
            out.any.push(0);
            out.slip.push(0);
            out.on.push(false);
            out.mp_m.push(0.0);
            out.rough.push([0.0; 2]);
            record(i, &st);
            continue;
        }
        if was_off {
            was_off = false;
            for (c, v) in ready.iter_mut().enumerate() {
                *v = it + 14 + (uni(seed, c as u64 / 4, t as u64) * 40.0) as i32;
            }
        }
        let (mut dual, mut any, mut slipped) = (0u128, 0u128, 0u128);
        let (mut mp2, mut mpn, mut deep2, mut rough2) = (0f32, 0f32, 0f32, 0f32);
        for row in 0..rows {
            let k = geo.sats[row];
            let bit = 1u128 << (k & 127);
            if f64::from(el[row]) < unit.mask_deg {
                for n in 0..MAX_SIGNALS {
                    st.since[row * MAX_SIGNALS + n] = -1;
                }
                continue;
            }
            let h = bits(seed, t as u64, k as u64);
            let (g0, g1) = pair(h);
            let h2 = mix(h);
            let (g2, g3) = pair(h2);
            let g = [g0, g1, g2, g3];
            let luck = (mix(h2) >> 40) as f32 / (1u32 << 24) as f32;
            let (s4, rough) = (st.s4[row], st.rough[row]);
            // Intensity swings with the depth of scintillation, within a few seconds.
            let swing = if s4 > 0.05 { smooth(seed ^ 0x5C, k as u64, t, 3) * 1.15 * s4 } else { 0.0 };
            let killed = sky.sats.get(k).is_some_and(|v| fx.kill2[v.sys.ix()]);
            let mut slip_p = slip_base[row] + fx.slip_p;
            if rough > 0.05 {
                slip_p += 0.15 * s4 * s4 + 0.02 * rough * rough;
            }
            let fade = decibels(swing);
            let slip_now = luck < slip_p;
            let (mut first, mut second) = (false, false);
            for n in 0..MAX_SIGNALS {
                if !used[row][n] {
                    continue;
                }
                let c = row * MAX_SIGNALS + n;
                let b = band[row][n];
                let mut v = slow[c] - fx.band_db[b as usize] + 0.45 * g[n];
                if swing != 0.0 {
                    // Depth goes with f^-1.5 (check values 7.3).
                    v += decibels(swing * DEPTH[b as usize]);
                }
                let drop = floor[b as usize];
                if (n > 0 && killed) || fx.reset {
                    v = 0.0;
                }
                if st.since[c] != -1 || (warm && i == 0) {
                    if v < drop {
                        st.since[c] = -1;
                        ready[c] = it + 1;
                    } else if warm && i == 0 {
                        st.since[c] = -(30 + (uni(seed, c as u64, 3) * 4000.0) as i32);
                        // Before the session: kept as a large value, see `lock_s`.
                        st.since[c] = st.since[c].min(-2);
                    }
                }
                if st.since[c] == -1 {
                    if v < drop + 4.0 {
                        let wait =
                            2 + (uni(seed ^ c as u64, 21, t as u64) * if b == Band::L2W { 14.0 } else { 6.0 }) as i32;
                        ready[c] = ready[c].max(it + wait);
                    } else if it >= ready[c] {
                        st.since[c] = it;
                        st.cycles[c] = (h2 >> 20 & 0x3FF) as i32 - 512;
                    }
                }
                if st.since[c] != -1 {
                    st.cn0[c] = v;
                    if slip_now && (n == 0 || rough > 0.1 || h2 & 3 == 0) {
                        st.since[c] = it;
                        st.cycles[c] += 1 + (h2 >> 33 & 7) as i32;
                    }
                    let held = lock_s(st.since[c], it) >= 5;
                    if n == 0 {
                        any |= bit;
                        first = held && v >= 30.5;
                    } else {
                        second |= held && v >= if b == Band::L2W { 22.0 } else { 29.0 };
                    }
                }
            }
            if slip_now || (s4 > 0.35 && fade < -5.0) {
                slipped |= bit;
            }
            if first && second && el[row] > 10.0 {
                dual |= bit;
                mp2 += err[row] * err[row];
                mpn += 1.0;
                deep2 += s4 * s4;
                rough2 += rough * rough;
            }
        }
        out.dual.push(dual);
        out.any.push(any);
        out.slip.push(slipped);
        out.on.push(true);
        out.mp_m.push(if mpn > 0.0 { (mp2 / mpn).sqrt() } else { 0.0 });
        out.rough.push(if mpn > 0.0 { [(deep2 / mpn).sqrt(), (rough2 / mpn).sqrt()] } else { [0.0; 2] });
        record(i, &st);
    }
    out
}

/// Seconds of lock at session second `i` for a `since` value; negative values below -1 lie before the session.
pub(super) fn lock_s(since: i32, i: i32) -> i32 {
    if since == -1 { -1 } else { i - since }
}

/// Number of satellites of each system in a set.
pub(super) fn systems_in(sky: &Constellation, set: u128) -> [u8; 4] {
    let mut n = [0u8; 4];
    for (k, s) in sky.sats.iter().enumerate() {
        if set >> (k & 127) & 1 == 1 {
            n[s.sys.ix()] += 1;
        }
    }
    n
}
