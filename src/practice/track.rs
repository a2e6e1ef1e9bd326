//! A receiver following the sky second by second: C/N0, lock, slips, and what is good enough for carrier work.

use super::cause::Cause;
use super::earth::Place;
use super::fault::{Act, Fx, MAX_SIGNALS};
use super::geometry::Geometry;
use super::obstacles::Way;
use super::orbit::{C_MS, Constellation, Sat};
use super::plan::{Session, Unit};
use super::rng::{bits, mix, pair, smooth, uni};
use super::signal::{Band, SIGNALS, Signal, hz, pattern_dbi, sends};
use super::skyweather::irregular;

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

impl Tracked {
    fn with_capacity(n: usize) -> Tracked {
        Tracked {
            dual: Vec::with_capacity(n),
            any: Vec::with_capacity(n),
            slip: Vec::with_capacity(n),
            on: Vec::with_capacity(n),
            mp_m: Vec::with_capacity(n),
            rough: Vec::with_capacity(n),
        }
    }

    fn push(&mut self, s: &Second) {
        self.dual.push(s.dual);
        self.any.push(s.any);
        self.slip.push(s.slip);
        self.on.push(s.on);
        let rms = |sum: f32| if s.n > 0.0 { (sum / s.n).sqrt() } else { 0.0 };
        self.mp_m.push(rms(s.mp2));
        self.rough.push([rms(s.deep2), rms(s.rough2)]);
    }
}

/// One second of all satellites; the default is that of a receiver that is off.
#[derive(Default)]
struct Second {
    on: bool,
    dual: u128,
    any: u128,
    slip: u128,
    /// Satellites good on two frequencies, and over these the sums of the squares of reflections and irregularities.
    n: f32,
    mp2: f32,
    deep2: f32,
    rough2: f32,
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

impl State {
    /// No cell is locked yet.
    fn unlocked(rows: usize) -> State {
        let cells = rows * MAX_SIGNALS;
        State {
            cn0: vec![0.0; cells],
            since: vec![-1; cells],
            cycles: vec![0; cells],
            mp_code: vec![0.0; cells],
            mp_phase: vec![0.0; cells],
            s4: vec![0.0; rows],
            rough: vec![0.0; rows],
            on: true,
        }
    }
}

/// Depth of scintillation by band over that on the first frequency.
const DEPTH: [f32; 5] = [1.0, 1.45, 1.45, 1.55, 1.38];

/// Change of a level in dB when the intensity changes by `swing` of its mean.
fn decibels(swing: f32) -> f32 {
    if swing == 0.0 { 0.0 } else { 10.0 * (1.0 + swing).max(0.01).log10() }
}

/// C/N0 in dB-Hz for a clear sky, by noise densities of the five bands.
fn clear_sky(noise: &[f32; 5], sig: &Signal, power_db: f32, gain_dbi: f32) -> f32 {
    let x = sig.dbm + power_db + gain_dbi - noise[sig.band as usize] - 1.0;
    if sig.band == Band::L2W {
        // Semi-codeless: recovered with the help of the first frequency, loss about doubled.
        let l1 = -128.5 + power_db + gain_dbi - noise[0] - 1.0 - 3.0;
        (43.0 + (x + l1) - 2.0 * 47.0).min(48.0)
    } else {
        x
    }
}

/// A receiver at work: under which sky, where, when, and which. `rover`: `None` = the base.
pub(super) struct Receiver<'a> {
    pub sky: &'a Constellation,
    pub geo: &'a Geometry,
    pub place: &'a Place,
    pub session: &'a Session,
    pub unit: &'a Unit,
    pub rover: Option<u8>,
    pub ground: Option<Ground<'a>>,
}

impl Receiver<'_> {
    /// Follows the sky through the session. `mask` selects the causes that act.
    pub(super) fn follow(&self, acts: &[Act], mask: u16, mut record: impl FnMut(usize, &State)) -> Tracked {
        let acts: Vec<&Act> =
            acts.iter().filter(|a| mask >> a.fault.bit & 1 == 1 && a.fault.touches_tracking(self.rover)).collect();
        let lines: Vec<[f32; 5]> = acts.iter().map(|a| a.fault.line_loss_db(self.unit)).collect();
        let mut loops = Loops::new(self, &acts);
        let mut out = Tracked::with_capacity(self.session.n);
        let mut was_off = false;
        for i in 0..self.session.n {
            let mut fx = Fx::default();
            for (a, line) in acts.iter().zip(&lines) {
                a.fault.apply(a.level.get(i).copied().unwrap_or(0.0), line, &mut fx);
            }
            if i % 5 == 0 {
                loops.surroundings(i);
            }
            if fx.off {
                loops.switch_off();
                out.push(&Second::default());
            } else {
                if was_off {
                    loops.switch_on(i);
                }
                out.push(&loops.second(i, &fx));
            }
            was_off = fx.off;
            record(i, &loops.st);
        }
        out
    }
}

/// The tracking loops of a receiver: one cell a satellite row and signal.
struct Loops<'a> {
    of: &'a Receiver<'a>,
    acts: &'a [&'a Act<'a>],
    /// A corner with a blocked sky acts.
    corner: bool,
    /// Noise densities of the five bands, dBm/Hz.
    noise: [f32; 5],
    /// Below this a receiver of this build loses lock, dB-Hz, by band.
    floor: [f32; 5],
    seed: u64,
    /// On long before the session.
    warm: bool,
    st: State,
    /// By cell: C/N0 by all that changes slowly, and the second from which it may lock.
    slow: Vec<f32>,
    ready: Vec<i32>,
    /// By row: elevation in degrees, chance of a slip a second, carrier error by reflections in m.
    el: Vec<f32>,
    slip_base: Vec<f32>,
    err: Vec<f32>,
    /// By row and signal.
    used: Vec<[bool; MAX_SIGNALS]>,
    band: Vec<[Band; MAX_SIGNALS]>,
    lambda: Vec<[f64; MAX_SIGNALS]>,
}

impl<'a> Loops<'a> {
    fn new(of: &'a Receiver<'a>, acts: &'a [&'a Act<'a>]) -> Loops<'a> {
        let unit = of.unit;
        let rows = of.geo.sats.len();
        let cells = rows * MAX_SIGNALS;
        let mhz = [1575.42, 1227.6, 1227.6, 1176.45, 1268.52];
        let seed = mix(unit.seed ^ of.session.t0 as u64);
        // Civil signals at 18 to 20, semi-codeless L2 at 20 to 24.
        let build = uni(unit.seed, 98, 0) as f32;
        // A base was on long before; a rover starts cold when its log starts.
        let warm = of.rover.is_none();
        let cold_start = |c: usize| 8 + (uni(seed, c as u64, 99) * 20.0) as i32;
        let mut loops = Loops {
            of,
            acts,
            corner: acts.iter().any(|a| a.fault.cause == Cause::RoverObstruction),
            noise: mhz.map(|f| unit.chain.noise_dbm_hz(f, 0.0, 0.0)),
            floor: [18.0, 18.0, 20.0 + 2.0 * build, 18.0, 18.0].map(|v| v + 2.0 * build),
            seed,
            warm,
            st: State::unlocked(rows),
            slow: vec![-99.0; cells],
            ready: (0..cells).map(|c| if warm { -1 } else { cold_start(c) }).collect(),
            el: vec![0.0; rows],
            slip_base: vec![0.0; rows],
            err: vec![0.0; rows],
            used: vec![[false; MAX_SIGNALS]; rows],
            band: vec![[Band::L1; MAX_SIGNALS]; rows],
            lambda: vec![[0.0; MAX_SIGNALS]; rows],
        };
        for (row, &k) in of.geo.sats.iter().enumerate() {
            let Some(sat) = of.sky.sats.get(k) else { continue };
            let sys = sat.sys.ix();
            for (n, sig) in SIGNALS[sys].iter().enumerate() {
                loops.used[row][n] = unit.signals[sys] >> n & 1 == 1 && sends(sat, sig) && unit.systems[sys];
                loops.band[row][n] = sig.band;
                loops.lambda[row][n] = C_MS / hz(sat, sig);
            }
        }
        loops
    }

    /// What changes slowly, worked out every few seconds: directions, and what stands in the way.
    fn surroundings(&mut self, i: usize) {
        let of = self.of;
        let t = of.session.t0 + i as i64;
        let level = |of: &[f32]| of.get(i).copied().unwrap_or(0.0);
        let trees = of.ground.as_ref().map_or(0.0, |g| level(g.trees));
        let (zone_az, zone) =
            of.ground.as_ref().filter(|_| self.corner).map_or((0.0, 0.0), |g| (g.zone_az, level(g.zone)));
        for (row, &k) in of.geo.sats.iter().enumerate() {
            let direction = of.geo.direction(row, t);
            self.el[row] = direction.1 as f32;
            let Some(sat) = of.sky.sats.get(k) else { continue };
            let mut way = Way::clear(of.unit, direction);
            self.planted(row, direction, i, &mut way);
            way.trees(self.seed, trees, i);
            way.corner(zone_az, zone);
            self.slip_base[row] = way.slip;
            self.err[row] = way.carrier_error_m();
            self.levels(row, sat, direction.1, &way);
        }
    }

    /// The planted faults that act on single satellites.
    fn planted(&mut self, row: usize, (az, el): (f64, f64), i: usize, way: &mut Way) {
        for a in self.acts {
            let level = a.level.get(i).copied().unwrap_or(0.0);
            if level <= 0.0 {
                continue;
            }
            match a.fault.cause {
                Cause::BaseObstruction => way.obstruct(a.fault, self.of.unit, level),
                Cause::BaseMultipath => way.reflect(a.fault, level),
                Cause::SkyScintillation => {
                    let (lat, lon) = self.of.place.pierce(az, el.max(5.0));
                    (self.st.s4[row], self.st.rough[row]) = irregular(a, lat, lon, self.of.session.t0 + i as i64, i);
                }
                _ => {}
            }
        }
    }

    /// Levels and reflections of the signals of one satellite.
    fn levels(&mut self, row: usize, sat: &Sat, el: f64, way: &Way) {
        let gain = pattern_dbi(el);
        for (n, sig) in SIGNALS[sat.sys.ix()].iter().enumerate() {
            if !self.used[row][n] {
                continue;
            }
            let c = row * MAX_SIGNALS + n;
            let echo = way.echo(self.lambda[row][n]);
            self.st.mp_code[c] = echo.code_m;
            self.st.mp_phase[c] = echo.phase_m;
            self.slow[c] = clear_sky(&self.noise, sig, sat.power_db, gain) + echo.ripple_db
                - way.cut_db * if sig.band == Band::L2W { 2.0 } else { 1.0 };
        }
    }

    fn switch_off(&mut self) {
        self.st.on = false;
        self.st.since.iter_mut().for_each(|v| *v = -1);
    }

    /// On again at second `i`: satellites are found one after the other.
    fn switch_on(&mut self, i: usize) {
        self.st.on = true;
        let t = self.of.session.t0 + i as i64;
        for (c, v) in self.ready.iter_mut().enumerate() {
            *v = i as i32 + 14 + (uni(self.seed, c as u64 / 4, t as u64) * 40.0) as i32;
        }
    }

    /// A second of all satellites.
    fn second(&mut self, i: usize, fx: &Fx) -> Second {
        let mut sum = Second { on: true, ..Second::default() };
        for row in 0..self.el.len() {
            if f64::from(self.el[row]) < self.of.unit.mask_deg {
                for n in 0..MAX_SIGNALS {
                    self.st.since[row * MAX_SIGNALS + n] = -1;
                }
            } else {
                self.satellite(row, i, fx, &mut sum);
            }
        }
        sum
    }

    /// A second of one satellite.
    fn satellite(&mut self, row: usize, i: usize, fx: &Fx, sum: &mut Second) {
        let (t, it) = (self.of.session.t0 + i as i64, i as i32);
        let k = self.of.geo.sats[row];
        let bit = 1u128 << (k & 127);
        let h = bits(self.seed, t as u64, k as u64);
        let (g0, g1) = pair(h);
        let h2 = mix(h);
        let (g2, g3) = pair(h2);
        let luck = (mix(h2) >> 40) as f32 / (1u32 << 24) as f32;
        let (s4, rough) = (self.st.s4[row], self.st.rough[row]);
        // Intensity swings with the depth of scintillation, within a few seconds.
        let swing = if s4 > 0.05 { smooth(self.seed ^ 0x5C, k as u64, t, 3) * 1.15 * s4 } else { 0.0 };
        let killed = self.of.sky.sats.get(k).is_some_and(|v| fx.kill2[v.sys.ix()]);
        let mut slip_p = self.slip_base[row] + fx.slip_p;
        if rough > 0.05 {
            slip_p += 0.15 * s4 * s4 + 0.02 * rough * rough;
        }
        let slip_now = luck < slip_p;
        let (mut first, mut second) = (false, false);
        for (n, wobble) in [g0, g1, g2, g3].into_iter().enumerate() {
            if !self.used[row][n] {
                continue;
            }
            let c = row * MAX_SIGNALS + n;
            let b = self.band[row][n];
            let mut v = self.slow[c] - fx.band_db[b as usize] + 0.45 * wobble;
            if swing != 0.0 {
                // Depth goes with f^-1.5 (check values 7.3).
                v += decibels(swing * DEPTH[b as usize]);
            }
            if (n > 0 && killed) || fx.reset {
                v = 0.0;
            }
            self.lock(c, b, v, i, h2);
            if self.st.since[c] == -1 {
                continue;
            }
            self.st.cn0[c] = v;
            if slip_now && (n == 0 || rough > 0.1 || h2 & 3 == 0) {
                self.st.since[c] = it;
                self.st.cycles[c] += 1 + (h2 >> 33 & 7) as i32;
            }
            let held = lock_s(self.st.since[c], it) >= 5;
            if n == 0 {
                sum.any |= bit;
                first = held && v >= 30.5;
            } else {
                second |= held && v >= if b == Band::L2W { 22.0 } else { 29.0 };
            }
        }
        if slip_now || (s4 > 0.35 && decibels(swing) < -5.0) {
            sum.slip |= bit;
        }
        if first && second && self.el[row] > 10.0 {
            sum.dual |= bit;
            sum.n += 1.0;
            sum.mp2 += self.err[row] * self.err[row];
            sum.deep2 += s4 * s4;
            sum.rough2 += rough * rough;
        }
    }

    /// Loses, keeps or finds the lock of cell `c` at a C/N0 of `v` dB-Hz.
    #[inline]
    fn lock(&mut self, c: usize, b: Band, v: f32, i: usize, luck: u64) {
        let it = i as i32;
        let drop = self.floor[b as usize];
        let held_before = self.warm && i == 0;
        let since = &mut self.st.since[c];
        if *since != -1 || held_before {
            if v < drop {
                *since = -1;
                self.ready[c] = it + 1;
            } else if held_before {
                // Before the session: kept as a large value, see `lock_s`.
                *since = (-(30 + (uni(self.seed, c as u64, 3) * 4000.0) as i32)).min(-2);
            }
        }
        if *since == -1 {
            if v < drop + 4.0 {
                let longest = if b == Band::L2W { 14.0 } else { 6.0 };
                let t = self.of.session.t0 + i as i64;
                let wait = 2 + (uni(self.seed ^ c as u64, 21, t as u64) * longest) as i32;
                self.ready[c] = self.ready[c].max(it + wait);
            } else if it >= self.ready[c] {
                *since = it;
                self.st.cycles[c] = (luck >> 20 & 0x3FF) as i32 - 512;
            }
        }
    }
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
