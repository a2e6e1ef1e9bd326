//! From two receivers and a radio path to a fix state, once with and once without each cause.

use super::cause::Cause;
use super::clock::on_beat;
use super::fault::{Act, Fault, Target, sway_m};
use super::machine::Path;
use super::orbit::Constellation;
use super::plan::{Plan, Rover, Session};
use super::radio::{Air, Radio};
use super::rng::{mix, smooth, sub, uni};
use super::skyweather::{Weather, gradient_mm_km, storm_mm_km};
use super::track::{Tracked, systems_in};

/// What the base put on air in one second.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sent {
    /// An epoch of observables.
    pub obs: bool,
    /// A reference position.
    pub pos: bool,
    /// Company-assigned messages instead of open ones.
    pub closed: bool,
    /// Generation of the coordinates sent: a new number = other coordinates.
    pub generation: u32,
    /// Sent coordinates less true ones: east, north, up, m.
    pub offset_m: [f64; 3],
}

/// What the base sends, with the causes of `mask` acting.
pub(super) fn base_sends(plan: &Plan, s: &Session, acts: &[Act], mask: u16, base: &Tracked) -> Vec<Sent> {
    let mut out = Vec::with_capacity(s.n);
    let mut generation = 0u32;
    let mut offset = [0.0; 3];
    let mut moving = false;
    let mut next_change = 0usize;
    let acts: Vec<&Act> = acts.iter().filter(|a| mask >> a.fault.bit & 1 == 1).collect();
    let mean_m = plan.rovers.iter().map(|r| r.centre_m.0.hypot(r.centre_m.1)).fold(300.0, f64::max);
    for i in 0..s.n {
        let t = s.t0 + i as i64;
        let on = base.on.get(i).copied().unwrap_or(false);
        let mut e = Sent {
            obs: on && on_beat(t, plan.interval_s) && base.any.get(i).is_some_and(|m| *m != 0),
            pos: on && t.rem_euclid(10) == 3,
            closed: false,
            generation,
            offset_m: offset,
        };
        for a in &acts {
            let level = a.level.get(i).copied().unwrap_or(0.0);
            let f = a.fault;
            match f.cause {
                Cause::BaseMessages if f.mode == 0 => {
                    // Inside the bad stretch an epoch goes out only at the marked seconds (level 0 there).
                    let before = i.checked_sub(1).and_then(|k| a.level.get(k)).copied().unwrap_or(0.0);
                    if level > 0.5 {
                        e.obs = false;
                    } else if before > 0.5 {
                        e.obs = on;
                    }
                }
                Cause::BaseMessages if f.mode == 1 && level > 0.5 => e.pos = false,
                Cause::BaseMessages if level > 0.5 => {
                    e.closed = e.obs;
                    e.obs = false;
                }
                Cause::BaseFirmware if f.mode == 1 && level > 0.5 => {
                    e.obs = false;
                    e.pos = false;
                }
                Cause::BaseMoved if !f.loose_mount() => {
                    if level > 0.5 {
                        if f.mode == 1 {
                            if !moving {
                                moving = true;
                                generation += 1;
                                // Set up again with a rough position: far enough off to spoil the baseline.
                                let m = (0.16 + 0.14 * f.strength) * 2.0e7 / mean_m;
                                let az = uni(f.seed, u64::from(s.day), 51) * std::f64::consts::TAU;
                                offset = [m.min(60_000.0) * az.sin(), m.min(60_000.0) * az.cos(), m.min(900.0) * 0.05];
                            }
                        } else if !moving || i >= next_change {
                            // Averages its own position again and again.
                            moving = true;
                            generation += 1;
                            let k = u64::from(generation) + 1000 * u64::from(s.day);
                            let size = 0.3 + 1.7 * uni(f.seed, k, 52);
                            let az = uni(f.seed, k, 53) * std::f64::consts::TAU;
                            offset = [size * az.sin(), size * az.cos(), (uni(f.seed, k, 54) - 0.5) * 3.0];
                            let pause = 30.0 + 100.0 * uni(f.seed, k, 55) * (1.6 - f.strength);
                            next_change = i + pause as usize;
                        }
                    } else if moving {
                        moving = false;
                        generation += 1;
                        offset = [0.0; 3];
                    }
                    e.generation = generation;
                    e.offset_m = offset;
                }
                _ => {}
            }
        }
        out.push(e);
    }
    out
}

/// Everything about one rover's surroundings that no cause of tracking changes.
pub(super) struct Field<'a> {
    pub sky: &'a Constellation,
    pub weather: &'a Weather,
    pub plan: &'a Plan,
    pub rover: &'a Rover,
    pub index: u8,
    pub session: &'a Session,
    pub path: &'a Path,
}

/// One epoch of a rover. `state`: GGA quality digit, 255 = off or not logging.
#[derive(Debug, Clone, Copy)]
pub(super) struct Epoch {
    pub state: u8,
    pub age_s: f32,
    pub used: u8,
    pub foreign: bool,
    pub offset_m: [f32; 3],
    pub loss_pct: f32,
    pub rssi_dbm: f32,
}

impl Epoch {
    const OFF: Epoch =
        Epoch { state: 255, age_s: 0.0, used: 0, foreign: false, offset_m: [0.0; 3], loss_pct: 0.0, rssi_dbm: 0.0 };
}

/// Runs a rover's fix state with the causes of `mask` acting.
pub(super) fn run(f: &Field, acts: &[Act], mask: u16, base: &Tracked, sent: &[Sent], own: &Tracked) -> Vec<Epoch> {
    let s = f.session;
    let mine = |a: &&Act| mask >> a.fault.bit & 1 == 1 && !matches!(a.fault.target, Target::Rover(k) if k != f.index);
    let acts: Vec<&Act> = acts.iter().filter(mine).collect();
    let seed = mix(sub(f.rover.unit.seed, "fix") ^ s.t0 as u64);
    let radio = Radio::new(f, &acts, seed);
    let spoilers = Spoilers::new(f, &acts, seed);
    let mut got = Corrections::default();
    let mut common = Common::default();
    let mut fix = Fix::default();
    let mut loss_pct = 0f32;
    let mut out = Vec::with_capacity(s.n);
    for i in 0..s.n {
        let t = s.t0 + i as i64;
        if !own.on.get(i).copied().unwrap_or(false) || (i as i64) < f.rover.start_delay_s {
            got.forget();
            fix = Fix::default();
            out.push(Epoch::OFF);
            continue;
        }
        let at = f.path.at.get(i).copied().unwrap_or((0.0, 0.0));
        let d_m = f64::from(at.0).hypot(f64::from(at.1));
        let air = radio.air(i, t, at, d_m);
        loss_pct += (air.p_loss as f32 * 100.0 - loss_pct) * 0.1;
        if got.receive(f.plan, sent, i, t, seed, &air) {
            fix.lose();
        }
        let age = got.last.map_or(999.0, |k| (i - k) as f32);
        common.update(f.sky, own, base, &got, i, fix.fixed);
        let err = spoilers.error_m(i, t, d_m, &got, age, base);
        fix.second(f, i, t, seed, &Quality { n_eff: common.n_eff(), err, age, known: got.known.is_some() });
        let any = own.any.get(i).copied().unwrap_or(0).count_ones();
        let state = if any < 4 {
            0
        } else if fix.fixed {
            4
        } else if got.last.is_none() || age > 60.0 || got.known.is_none() {
            1
        } else if common.any >= 5 {
            5
        } else {
            2
        };
        let used = match state {
            4 | 5 => (common.set.count_ones().max(common.any * 8 / 10)).max(4),
            0 => 0,
            _ => any,
        };
        out.push(Epoch {
            state,
            age_s: if got.last.is_some() && age < 300.0 { age } else { -1.0 },
            used: used.min(60) as u8,
            foreign: got.foreign,
            offset_m: if state == 4 || state == 5 { got.offset } else { [0.0; 3] },
            loss_pct,
            rssi_dbm: air.rssi as f32,
        });
    }
    out
}

/// What the rover holds of its corrections.
#[derive(Default)]
struct Corrections {
    /// Second of the session of the last epoch that arrived.
    last: Option<usize>,
    /// Generation of the coordinates that arrived last.
    known: Option<u32>,
    /// Those coordinates less the true ones, m.
    offset: [f32; 3],
    /// The last epoch came from another base on the channel.
    foreign: bool,
}

impl Corrections {
    fn forget(&mut self) {
        (self.last, self.known, self.foreign) = (None, None, false);
    }

    /// What arrives in second `i` is the epoch of the second before. True: it comes from another base or place than
    /// what came before, and a fix on that is void.
    fn receive(&mut self, plan: &Plan, sent: &[Sent], i: usize, t: i64, seed: u64, air: &Air) -> bool {
        let Some(k) = i.checked_sub(1) else { return false };
        let mut void = false;
        if air.hears_other {
            if on_beat(t, plan.interval_s) && uni(seed, t as u64, 64) > 0.25 {
                self.last = Some(k);
                void = !self.foreign;
                self.foreign = true;
            }
        } else if let Some(e) = sent.get(k) {
            if e.obs && uni(seed, t as u64, 62) > air.p_loss {
                self.last = Some(k);
                void = self.foreign;
                self.foreign = false;
            }
            if e.pos && self.known != Some(e.generation) && uni(seed, t as u64, 63) > air.p_loss {
                void |= self.known.is_some();
                self.known = Some(e.generation);
                self.offset = e.offset_m.map(|v| v as f32);
            }
        }
        void
    }
}

/// Satellites good at both ends, the last slips settled.
struct Common {
    /// Slips of the last eight seconds.
    ring: [u128; 8],
    set: u128,
    usable: i32,
    systems: i32,
    /// Satellites that both ends track at all.
    any: u32,
}

impl Default for Common {
    fn default() -> Common {
        // No set of satellites is this one, so that the first is counted.
        Common { ring: [0; 8], set: u128::MAX, usable: 0, systems: 0, any: 0 }
    }
}

impl Common {
    fn update(&mut self, sky: &Constellation, own: &Tracked, base: &Tracked, got: &Corrections, i: usize, fixed: bool) {
        self.ring[i & 7] = own.slip.get(i).copied().unwrap_or(0) | base.slip.get(i).copied().unwrap_or(0);
        let dirty = self.ring.iter().fold(0, |a, b| a | b);
        let of = |v: &[u128], i: usize| v.get(i).copied().unwrap_or(0);
        // Another base is taken to see everything.
        let theirs = |v: &[u128]| if got.foreign { u128::MAX } else { got.last.map_or(0, |k| of(v, k)) };
        let set = of(&own.dual, i) & theirs(&base.dual) & !dirty;
        if set != self.set {
            self.set = set;
            self.usable = set.count_ones() as i32;
            self.systems = systems_in(sky, set).iter().filter(|n| **n > 0).count() as i32;
        }
        if i.is_multiple_of(4) || !fixed {
            self.any = (of(&own.any, i) & theirs(&base.any)).count_ones();
        }
    }

    /// Satellites that count: each further system costs one.
    fn n_eff(&self) -> i32 {
        self.usable - (self.systems - 1).max(0)
    }
}

/// What spoils the carrier difference between base and rover.
struct Spoilers<'a> {
    f: &'a Field<'a>,
    storms: Vec<&'a Act<'a>>,
    loose_mounts: Vec<&'a Act<'a>>,
    /// Without the cause that drew this site's long distance the rover works within 4 km.
    near: bool,
    seed: u64,
}

impl<'a> Spoilers<'a> {
    fn new(f: &'a Field<'a>, acts: &[&'a Act<'a>], seed: u64) -> Spoilers<'a> {
        let long = acts.iter().any(|a| a.fault.cause == Cause::LongBaseline);
        let of = |which: fn(&Fault) -> bool| acts.iter().copied().filter(|a| which(a.fault)).collect();
        Spoilers {
            f,
            storms: of(|f| f.cause == Cause::SkyStorm),
            loose_mounts: of(Fault::loose_mount),
            near: f.plan.causes.contains(&Cause::LongBaseline) && !long,
            seed,
        }
    }

    /// Error of the carrier difference at second `i`, m.
    fn error_m(&self, i: usize, t: i64, d_m: f64, got: &Corrections, age: f32, base: &Tracked) -> f64 {
        let (plan, s) = (self.f.plan, self.f.session);
        let mut g = gradient_mm_km(&plan.place, t, self.f.weather.kp(t).min(4.0), plan.seed);
        for a in &self.storms {
            g += storm_mm_km(a, t, i);
        }
        let km = if got.foreign {
            38.0
        } else if self.near {
            d_m.min(4000.0) / 1000.0
        } else {
            d_m / 1000.0
        };
        let iono = g * km / 1000.0;
        // What a standard troposphere leaves over long distances.
        let tropo = 0.000_6 * (km - 15.0).max(0.0);
        let wrong = tropo + (f64::from(got.offset[0]).hypot(f64::from(got.offset[1]))) * km / 20_000.0;
        // Irregularities: what base and rover see differently of them. Diffraction (the part that fades) differs beyond
        // some 400 m, the size of the first Fresnel zone at the shell; refraction grows with the distance.
        let [deep, rough] = base.rough.get(i).copied().unwrap_or_default().map(f64::from);
        let rough = (0.2 * deep * (1.0 - (-km / 0.4).exp())).hypot(rough * (0.028 * km).min(0.2));
        // A mount that sways: corrections of a moving antenna, taken for a standing one.
        let mut sway = 0.0;
        for a in &self.loose_mounts {
            let v = sway_m(a, s, i);
            sway += f64::from(v[0].hypot(v[1]));
        }
        let mp = f64::from(base.mp_m.get(i).copied().unwrap_or(0.0)) * 3.0;
        let aged = f64::from(age.min(60.0)) * 0.0012 * (1.0 + g / 20.0);
        let luck = 1.0 + 0.12 * f64::from(smooth(self.seed, 65, t, 90));
        ((iono * iono + mp * mp + aged * aged + rough * rough + sway * sway).sqrt() + wrong) * luck + 0.006
    }
}

/// What a second offers to the fix.
struct Quality {
    /// Satellites that count.
    n_eff: i32,
    /// Error of the carrier difference, m.
    err: f64,
    /// Age of the corrections, s.
    age: f32,
    /// The base's coordinates have arrived.
    known: bool,
}

/// Ambiguities: fixed, or on the way.
struct Fix {
    fixed: bool,
    /// How far a new fix is, and how far it must come; 0 = to be drawn.
    progress: f32,
    need: f32,
    /// Seconds for which a fix has been hopeless.
    bad_s: i32,
    /// Not fixed since switching on.
    cold: bool,
}

impl Default for Fix {
    fn default() -> Fix {
        Fix { fixed: false, progress: 0.0, need: 0.0, bad_s: 0, cold: true }
    }
}

impl Fix {
    fn lose(&mut self) {
        (self.fixed, self.progress) = (false, 0.0);
    }

    fn second(&mut self, f: &Field, i: usize, t: i64, seed: u64, q: &Quality) {
        if self.fixed {
            self.hold(f, i, t, seed, q);
        } else {
            self.search(i, seed, q);
        }
    }

    /// A fix is held until it is hopeless for some seconds, the corrections are too old, or luck takes it.
    fn hold(&mut self, f: &Field, i: usize, t: i64, seed: u64, q: &Quality) {
        let hopeless = q.n_eff < 4 || q.err > 0.085;
        self.bad_s = if hopeless { self.bad_s + 1 } else { 0 };
        // With nothing left in common every ambiguity is new; with a few left the fix coasts for some seconds.
        let coast = if q.n_eff < 2 { 2.0 } else { 6.0 };
        let patience = 1 + (uni(seed, (i / 20) as u64, 66) * coast) as i32;
        let h = match q.n_eff {
            i32::MIN..=4 => 60.0,
            5 => 20.0,
            6 => 7.0,
            7 => 2.5,
            _ => 1.0,
        } / 3200.0
            * (1.0 + (q.err / 0.045).powi(4));
        if self.bad_s > patience || q.age > f.rover.hold_age_s || uni(seed, t as u64, 67) < h {
            self.lose();
            self.need = 0.0;
        }
    }

    /// A new fix comes the sooner the more satellites, the smaller the error and the fresher the corrections.
    fn search(&mut self, i: usize, seed: u64, q: &Quality) {
        if self.need <= 0.0 {
            let u = uni(seed, (i / 30) as u64, 68).max(1e-6);
            self.need = (5.0 - 11.0 * u.ln()).min(80.0) as f32 + if self.cold { 14.0 } else { 0.0 };
        }
        let rate = if q.n_eff >= 5 && q.known && q.age < 30.0 {
            let many = (f64::from(q.n_eff - 4) / 5.0).min(1.0);
            let clean = ((0.068 - q.err) / 0.045).clamp(0.0, 1.0);
            let fresh = if q.age <= 6.0 { 1.0 } else { 0.4 };
            many * clean * fresh
        } else {
            0.0
        };
        self.progress = if rate > 0.0 { self.progress + rate as f32 } else { (self.progress - 0.7).max(0.0) };
        if self.progress > self.need {
            (self.fixed, self.bad_s, self.cold) = (true, 0, false);
        }
    }
}
