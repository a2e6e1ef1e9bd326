//! Planted faults: when they act (levels of 0 to 1 a second) and what they do to a receiver.

use super::cause::Cause;
use super::earth::Place;
use super::plan::{Session, Unit};
use super::rng::{Rng, mix, smooth, uni};
use super::signal::{DEAD_LNA_DB, SIGNALS};
use super::skyweather::{burst_level, night_level, storm_level};

/// Whom a fault touches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Target {
    Base,
    Rover(u8),
    All,
}

/// One planted fault. `bit` is its place in the site's list of causes.
#[derive(Debug, Clone)]
pub(super) struct Fault {
    pub bit: u8,
    pub cause: Cause,
    pub target: Target,
    pub strength: f64,
    pub share: f64,
    pub mode: u32,
    pub seed: u64,
    /// First second of a storm or of an active region of the Sun; 0 for other causes.
    pub onset: i64,
    /// Leaves its usual marks in events and metrics.
    pub traces: bool,
}

/// A fault in one session: its level a second.
pub(super) struct Act<'a> {
    pub fault: &'a Fault,
    pub level: Vec<f32>,
}

/// What acts on a receiver in one second.
#[derive(Clone, Copy, Default)]
pub(super) struct Fx {
    pub off: bool,
    pub reset: bool,
    /// Systems that lose every frequency but the first.
    pub kill2: [bool; 4],
    /// Loss of C/N0 by band, dB.
    pub band_db: [f32; 5],
    pub slip_p: f32,
}

/// Chops `share` of `n` seconds into pieces of about `piece_s`, at random places, none overlapping.
pub(super) fn chunks(r: &mut Rng, n: usize, share: f64, piece_s: f64) -> Vec<(usize, usize)> {
    let total = (n as f64 * share.clamp(0.0, 1.0)).min(n as f64);
    if total < 1.0 {
        return Vec::new();
    }
    let k = ((total / piece_s).round() as usize).clamp(1, 400);
    let mut len: Vec<f64> = (0..k).map(|_| r.range(0.5, 1.5)).collect();
    let mut gap: Vec<f64> = (0..=k).map(|_| r.range(0.15, 1.0)).collect();
    let (ls, gs) = (len.iter().sum::<f64>(), gap.iter().sum::<f64>());
    len.iter_mut().for_each(|v| *v *= total / ls);
    gap.iter_mut().for_each(|v| *v *= (n as f64 - total) / gs);
    let mut at = 0.0;
    let mut out = Vec::new();
    for (l, g) in len.iter().zip(&gap) {
        at += g;
        out.push((at as usize, ((at + l) as usize).min(n)));
        at += l;
    }
    out
}

/// Raises a level over `a..b` with soft edges of `ramp` seconds.
fn raise(level: &mut [f32], a: usize, b: usize, ramp: usize, top: f32) {
    for t in a..b.min(level.len()) {
        let up = (t - a + 1) as f32 / (ramp + 1) as f32;
        let down = (b - t) as f32 / (ramp + 1) as f32;
        let v = top * up.min(down).min(1.0);
        if let Some(x) = level.get_mut(t) {
            *x = x.max(v);
        }
    }
}

/// Short pulses of `len` seconds every `every` seconds.
fn pulses(r: &mut Rng, level: &mut [f32], every: (f64, f64), len: (f64, f64)) {
    let mut at = r.range(0.0, every.1);
    while (at as usize) < level.len() {
        let l = r.range(len.0, len.1);
        let (a, b) = (at as usize, (at + l.max(1.0)) as usize);
        raise(level, a, b, 0, 1.0);
        at += l + r.range(every.0, every.1);
    }
}

impl Fault {
    /// Levels over a session at a place. Sky faults hang on absolute time and the place alone, so that neighbours share
    /// them.
    pub(super) fn act<'a>(&'a self, s: &Session, place: &Place) -> Act<'a> {
        let n = s.n;
        let mut r = Rng::new(mix(self.seed ^ u64::from(s.day)));
        let mut level = vec![0f32; n];
        let s01 = self.strength;
        let steady = |level: &mut Vec<f32>| level.iter_mut().for_each(|v| *v = 1.0);
        match self.cause {
            Cause::BaseSecondFrequency => {
                let piece = if self.mode == 0 { 6000.0 } else { 1500.0 };
                for (a, b) in chunks(&mut r, n, self.share, piece) {
                    if self.mode == 0 {
                        // An ageing amplifier: its gain goes with the temperature of the housing, worse from day to day.
                        let tired = 0.85 + 0.15 * (f64::from(s.day) / 5.0).min(1.0);
                        raise(&mut level, a, b, ((b - a) / 5).clamp(60, 1500), tired as f32);
                    } else if self.mode == 1 {
                        // A loose contact: comes and goes inside the bad stretch.
                        let mut at = a;
                        while at < b {
                            let l = r.range(30.0, 300.0) as usize;
                            raise(&mut level, at, (at + l).min(b), 0, 1.0);
                            at += l + r.range(5.0, 60.0) as usize;
                        }
                    } else {
                        raise(&mut level, a, b, 5, 1.0);
                    }
                }
            }
            Cause::BaseWeakSignal => {
                if self.mode == 0 {
                    steady(&mut level);
                } else {
                    // Water in a connector or a tired amplifier: comes slowly, stays for long.
                    for (a, b) in chunks(&mut r, n, self.share.max(0.2), 5400.0) {
                        raise(&mut level, a, b, 400, 1.0);
                    }
                }
            }
            Cause::BaseAntennaPower => {
                for (a, b) in chunks(&mut r, n, self.share, 1500.0) {
                    let mut at = a;
                    while at < b {
                        let l = r.range(20.0, 240.0) as usize;
                        raise(&mut level, at, (at + l).min(b), 0, 1.0);
                        at += l + r.range(15.0, 150.0) as usize;
                    }
                }
            }
            Cause::BaseInterference | Cause::RoverInterference => {
                // Mode 1: an emitter that comes by and goes again (a vehicle); else one that is switched on for a while.
                let passing = self.mode == 1;
                for (a, b) in chunks(&mut r, n, self.share, if passing { 260.0 } else { 1100.0 }) {
                    let ramp = if passing { (b - a) / 3 } else { r.range(2.0, 40.0) as usize };
                    raise(&mut level, a, b, ramp, 1.0);
                }
                // Jumpy within seconds.
                let seed = mix(self.seed ^ s.t0 as u64);
                for (t, v) in level.iter_mut().enumerate() {
                    let w = 0.78 + 0.22 * smooth(seed, 1, t as i64, 5) + 0.12 * smooth(seed, 2, t as i64, 2);
                    let gate = smooth(seed, 3, t as i64, 17) > -1.15;
                    *v *= if gate { w.clamp(0.2, 1.25) } else { 0.15 };
                }
            }
            Cause::BaseMultipath | Cause::LongBaseline | Cause::RoverObstruction => steady(&mut level),
            Cause::LinkRange => {
                steady(&mut level);
                // Weather, leaves and traffic change the path within minutes.
                for (t, v) in level.iter_mut().enumerate() {
                    *v = 1.0 + 0.06 * smooth(self.seed, 5, s.t0 + t as i64, 240);
                }
            }
            Cause::BaseObstruction => {
                if self.mode == 0 {
                    steady(&mut level);
                } else {
                    // A crane, a truck or a container in front of the antenna for a while.
                    for (a, b) in chunks(&mut r, n, self.share.max(0.3), 4000.0) {
                        raise(&mut level, a, b, 20, 1.0);
                    }
                }
            }
            Cause::BaseMoved => {
                for (a, b) in chunks(&mut r, n, self.share, 3600.0) {
                    raise(&mut level, a, b, 0, 1.0);
                    // A loose mount is knocked again and again: levels above 1 while it jerks and somebody stands there.
                    let mut at = a as f64 + r.range(5.0, 60.0);
                    while self.mode == 2 && (at as usize) < b {
                        let l = r.range(4.0, 14.0);
                        for v in level.iter_mut().take(((at + l) as usize).min(b)).skip(at as usize) {
                            *v = KNOCKED;
                        }
                        at += l + r.range(50.0, 260.0) / (0.5 + s01);
                    }
                }
            }
            Cause::BaseRestart | Cause::RoverRestart => {
                let long = if self.cause == Cause::BaseRestart { (40.0, 170.0) } else { (15.0, 60.0) };
                let per_hour = if self.cause == Cause::BaseRestart { 4.0 + 5.0 * s01 } else { 9.0 + 8.0 * s01 };
                let gap = (3600.0 / per_hour - 60.0).max(90.0);
                // Restarts come in bunches: a bad supply has bad hours.
                for (a, b) in chunks(&mut r, n, (self.share * 1.3).min(1.0), 4000.0) {
                    let mut at = a as f64 + r.range(20.0, gap);
                    while (at as usize) < b {
                        let l = r.range(long.0, long.1);
                        raise(&mut level, at as usize, (at + l) as usize, 0, 1.0);
                        at += l + r.range(0.4, 1.6) * gap;
                    }
                }
            }
            Cause::BaseMessages => {
                let piece = if self.mode == 1 { n as f64 } else { 2400.0 };
                for (a, b) in chunks(&mut r, n, self.share, piece) {
                    // The position is missing from the start of the day until somebody notices.
                    let (a, b) = if self.mode == 1 { (0, b - a) } else { (a, b) };
                    raise(&mut level, a, b, 0, 1.0);
                }
                if self.mode == 0 {
                    // Too slow and irregular: long silences between epochs.
                    let mut at = 0;
                    while at < n {
                        let quiet = r.range(12.0, 75.0) as usize;
                        for v in level.iter_mut().skip(at).take(1) {
                            *v = 0.0;
                        }
                        at += quiet;
                    }
                }
            }
            Cause::BaseFirmware | Cause::RoverFirmware => match self.mode {
                0 => pulses(&mut r, &mut level, (150.0, 480.0), (20.0, 80.0)),
                1 if self.cause == Cause::BaseFirmware => pulses(&mut r, &mut level, (200.0, 540.0), (35.0, 120.0)),
                _ => pulses(&mut r, &mut level, (60.0, 190.0), (1.0, 3.0)),
            },
            Cause::LinkOutage => {
                for (a, b) in chunks(&mut r, n, self.share * 0.8, 420.0) {
                    raise(&mut level, a, b, 0, 1.0);
                }
            }
            Cause::LinkRover => {
                for (a, b) in chunks(&mut r, n, self.share, 900.0) {
                    let mut at = a;
                    while at < b {
                        let l = r.range(30.0, 240.0) as usize;
                        raise(&mut level, at, (at + l).min(b), 0, r.range(0.7, 1.2) as f32);
                        at += l + r.range(5.0, 90.0) as usize;
                    }
                }
            }
            Cause::LinkStationClash => {
                for (a, b) in chunks(&mut r, n, self.share, 1500.0) {
                    raise(&mut level, a, b, 0, 1.0);
                }
            }
            Cause::SkyScintillation => {
                for (t, v) in level.iter_mut().enumerate() {
                    *v = night_level(self, place, s.t0 + t as i64);
                }
            }
            Cause::SkyStorm => {
                for (t, v) in level.iter_mut().enumerate() {
                    let at = s.t0 + t as i64;
                    *v = if self.burst() { burst_level(self, place, at) } else { storm_level(self, place, at) };
                }
            }
            Cause::RoverTracking => {
                for (a, b) in chunks(&mut r, n, self.share, 1500.0) {
                    raise(&mut level, a, b, if self.mode == 0 { 60 } else { 3 }, 1.0);
                }
            }
        }
        Act { fault: self, level }
    }

    /// A solar radio burst, not a geomagnetic storm.
    pub(super) fn burst(&self) -> bool {
        self.cause == Cause::SkyStorm && self.mode == 2
    }

    /// The antenna itself moves, not only the coordinates sent.
    pub(super) fn loose_mount(&self) -> bool {
        self.cause == Cause::BaseMoved && self.mode == 2
    }

    /// Rise of the noise floor by an emitter at full level, dB, on the first band and on the second.
    pub(super) fn jam_db(&self) -> (f64, f64) {
        let rise = 9.0 + 12.0 * self.strength;
        if self.mode == 2 { (0.0, rise) } else { (rise, 0.0) }
    }

    /// Loss by band at full level for faults that act through the antenna line (linear in dB to good approximation).
    pub(super) fn line_loss_db(&self, u: &Unit) -> [f32; 5] {
        let mhz = [1575.42, 1227.6, 1227.6, 1176.45, 1268.52];
        let mut out = [0f32; 5];
        let loss = |f: f64, extra: f64, gain: f64| {
            (u.chain.noise_dbm_hz(f, extra, gain) - u.chain.noise_dbm_hz(f, 0.0, 0.0)).max(0.0)
        };
        match self.cause {
            Cause::BaseWeakSignal if self.mode == 0 => {
                if let Some(bad) = &u.bad_chain {
                    for (k, f) in mhz.iter().enumerate() {
                        out[k] = (bad.noise_dbm_hz(*f, 0.0, 0.0) - u.chain.noise_dbm_hz(*f, 0.0, 0.0)).max(0.0);
                    }
                }
            }
            Cause::BaseWeakSignal if self.mode == 1 => {
                // Water in the line: extra loss that grows with frequency, to 12 to 19 dB of C/N0 in all.
                let want = (12.0 + 7.0 * self.strength) as f32;
                let mut extra = 0.0;
                while loss(mhz[0], extra, 0.0) < want && extra < 90.0 {
                    extra += 1.0;
                }
                for (k, f) in mhz.iter().enumerate() {
                    out[k] = loss(*f, extra * (f / mhz[0]).sqrt(), 0.0);
                }
            }
            Cause::BaseWeakSignal if self.mode == 2 => {
                let want = (12.0 + 7.0 * self.strength) as f32;
                let mut gain = 0.0;
                while loss(mhz[0], 0.0, gain) < want && gain > -80.0 {
                    gain -= 1.0;
                }
                for (k, f) in mhz.iter().enumerate() {
                    out[k] = loss(*f, 0.0, gain);
                }
            }
            Cause::RoverTracking if self.mode == 0 => {
                let want = (12.0 + 7.0 * self.strength) as f32;
                let mut extra = 0.0;
                while loss(mhz[0], extra, 0.0) < want && extra < 90.0 {
                    extra += 1.0;
                }
                for (k, f) in mhz.iter().enumerate() {
                    out[k] = loss(*f, extra, 0.0);
                }
            }
            Cause::BaseAntennaPower => {
                for (k, f) in mhz.iter().enumerate() {
                    out[k] = loss(*f, 0.0, DEAD_LNA_DB - u.chain.lna_gain_db).min(45.0);
                }
            }
            _ => {}
        }
        // Semi-codeless tracking pays for both frequencies.
        out[2] += out[0];
        out
    }

    /// Adds this fault's doing in one second to a receiver that it touches.
    pub(super) fn apply(&self, level: f32, line: &[f32; 5], fx: &mut Fx) {
        if level <= 0.0 {
            return;
        }
        match self.cause {
            Cause::BaseSecondFrequency if self.mode == 0 => {
                let loss = level * (24.0 + 12.0 * self.strength) as f32;
                fx.band_db.iter_mut().skip(1).for_each(|v| *v += loss);
            }
            Cause::BaseSecondFrequency => {
                // A dead branch takes every system; a spoilt setting may leave one.
                let left = (self.mode == 2 && uni(self.seed, 15, 0) > 0.4 + 0.6 * self.strength)
                    .then_some(1 + (self.seed % 3) as usize);
                for (k, v) in fx.kill2.iter_mut().enumerate() {
                    *v |= level > 0.5 && left != Some(k);
                }
            }
            Cause::BaseWeakSignal | Cause::BaseAntennaPower => add(&mut fx.band_db, line, level),
            Cause::RoverTracking if self.mode == 0 => add(&mut fx.band_db, line, level),
            Cause::RoverTracking => fx.kill2.iter_mut().for_each(|v| *v |= level > 0.5),
            Cause::BaseInterference | Cause::RoverInterference => {
                // One band: every satellite in it, whatever its height.
                let (first, second) = self.jam_db();
                fx.band_db[0] += first as f32 * level;
                fx.band_db[1] += second as f32 * level;
                // Semi-codeless L2 needs the first frequency too.
                fx.band_db[2] += (first + second) as f32 * level;
            }
            Cause::SkyStorm if self.burst() => {
                // Noise temperature over that of the system, 0 dBi at L1 (check values 7.6: 15 dB at 1e6 units of flux).
                let ratio = level * 10f32.powf(0.75 + 0.9 * self.strength as f32);
                let db = |k: f32| 10.0 * (1.0 + k * ratio).log10();
                // Longer waves catch more, and the Sun sends more of them.
                let (l1, l2) = (db(1.0), db(2.3));
                for (v, d) in fx.band_db.iter_mut().zip([l1, l2, l1 + l2, db(2.5), db(2.1)]) {
                    *v += d;
                }
            }
            Cause::BaseMoved if self.loose_mount() && level >= KNOCKED => {
                fx.slip_p = fx.slip_p.max(0.5);
                fx.band_db.iter_mut().for_each(|v| *v += 6.0);
            }
            Cause::BaseRestart | Cause::RoverRestart => fx.off = true,
            Cause::BaseFirmware if self.mode == 1 => {}
            Cause::BaseFirmware | Cause::RoverFirmware if self.mode == 0 => fx.kill2 = [true; 4],
            Cause::BaseFirmware | Cause::RoverFirmware => fx.reset = true,
            _ => {}
        }
    }

    /// True for faults that act on what a receiver tracks: at the base, or at rover `k`.
    pub(super) fn touches_tracking(&self, rover: Option<u8>) -> bool {
        match self.cause {
            Cause::SkyScintillation => true,
            Cause::SkyStorm => self.burst(),
            Cause::BaseMoved => self.loose_mount() && rover.is_none(),
            Cause::LinkOutage
            | Cause::LinkRange
            | Cause::LinkRover
            | Cause::LinkStationClash
            | Cause::LongBaseline
            | Cause::BaseMessages => false,
            Cause::BaseFirmware if self.mode == 1 => false,
            _ => match (self.target, rover) {
                (Target::Base, None) => true,
                (Target::Rover(a), Some(b)) => a == b,
                _ => false,
            },
        }
    }
}

fn add(band: &mut [f32; 5], line: &[f32; 5], level: f32) {
    for (a, b) in band.iter_mut().zip(line) {
        *a += b * level;
    }
}

/// Level of a loose mount while it is knocked.
const KNOCKED: f32 = 1.5;

/// Where the antenna on a loose mount stands against its coordinates, m east, north, up, second by second: a step at
/// every knock, a slow slide in between, a sway in the wind. Straightened when the bad stretch is over.
pub(super) fn antenna_shift(act: &Act, s: &Session) -> Vec<[f32; 3]> {
    let f = act.fault;
    let mut at = [0f32; 3];
    let mut knock = 0u64;
    let mut before = 0f32;
    let mut out = Vec::with_capacity(act.level.len());
    for (i, &level) in act.level.iter().enumerate() {
        if level < 0.5 {
            at = [0.0; 3];
        } else {
            if level >= KNOCKED && before < KNOCKED {
                knock += 1;
                let size = 0.01 + 0.12 * f.strength * uni(f.seed, knock, 55);
                let az = uni(f.seed, knock, 56) * std::f64::consts::TAU;
                at[0] += (size * az.sin()) as f32;
                at[1] += (size * az.cos()) as f32;
                at[2] -= (size * 0.3) as f32;
            }
            let slide = 0.000_25 * f.strength as f32;
            at[0] += slide * smooth(f.seed, 57, (s.t0 + i as i64) / 60, 10);
            at[2] -= slide * 0.3;
        }
        before = level;
        let sway = sway_m(act, s, i);
        out.push([at[0] + sway[0], at[1] + sway[1], at[2]]);
    }
    out
}

/// Sway of a loose mount in the wind, m east and north: some centimetres within seconds.
pub(super) fn sway_m(act: &Act, s: &Session, i: usize) -> [f32; 2] {
    let level = act.level.get(i).copied().unwrap_or(0.0).min(1.0);
    if level <= 0.0 {
        return [0.0; 2];
    }
    let t = s.t0 + i as i64;
    let gust = (0.5 + 0.6 * smooth(act.fault.seed, 58, t, 90)).max(0.0);
    let size = level * gust * (0.03 + 0.06 * act.fault.strength as f32);
    [size * smooth(act.fault.seed, 59, t, 3), size * smooth(act.fault.seed, 60, t, 3)]
}

/// Number of signals of the largest system table; cells are `satellite * MAX_SIGNALS + signal`.
pub(super) const MAX_SIGNALS: usize = 4;

const _: () = assert!(SIGNALS[0].len() <= MAX_SIGNALS);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_cover_their_share_without_overlap() {
        for seed in 0..50 {
            let c = chunks(&mut Rng::new(seed), 10_000, 0.4, 900.0);
            let total: usize = c.iter().map(|(a, b)| b - a).sum();
            assert!((3900..=4100).contains(&total), "{total}");
            assert!(c.windows(2).all(|w| w[0].1 <= w[1].0));
        }
        assert!(chunks(&mut Rng::new(1), 1000, 0.0, 10.0).is_empty());
    }
}
