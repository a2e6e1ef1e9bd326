//! Planted faults: when they act (levels of 0 to 1 a second) and what they do to a receiver.

use super::cause::Cause;
use super::plan::{Session, Unit};
use super::rng::{Rng, mix, smooth, sub, uni};
use super::signal::{DEAD_LNA_DB, SIGNALS};

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
    /// Share of satellites that lose every frequency but the first.
    pub kill2: f32,
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
    /// Levels over a session. Sky faults are tied to absolute time and place-free, so that neighbours share them.
    pub(super) fn act<'a>(&'a self, s: &Session) -> Act<'a> {
        let n = s.n;
        let mut r = Rng::new(mix(self.seed ^ u64::from(s.day)));
        let mut level = vec![0f32; n];
        let s01 = self.strength;
        let steady = |level: &mut Vec<f32>| level.iter_mut().for_each(|v| *v = 1.0);
        match self.cause {
            Cause::BaseSecondFrequency => {
                for (a, b) in chunks(&mut r, n, self.share, 1500.0) {
                    if self.mode == 1 {
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
                for (a, b) in chunks(&mut r, n, self.share, 1100.0) {
                    raise(&mut level, a, b, r.range(2.0, 40.0) as usize, 1.0);
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
            Cause::SkyScintillation | Cause::SkyStorm => {
                // Windows in absolute time, hour by hour of the fleet's clock, the same for every site under this sky.
                let piece = 2700;
                for (t, v) in level.iter_mut().enumerate() {
                    let at = s.t0 + t as i64;
                    let k = at.div_euclid(piece);
                    let on = |k: i64| uni(sub(self.seed, "window"), k as u64, 7) < self.share + 0.12;
                    let x = at.rem_euclid(piece);
                    let here = if on(k) { 1.0 } else { 0.0 };
                    // Soft edges of about five minutes.
                    let before = if on(k - 1) { 1.0 } else { 0.0 };
                    let w = (x as f32 / 300.0).min(1.0);
                    let swing = 0.9 + 0.18 * smooth(self.seed, 9, at, 400);
                    *v = ((before + (here - before) * w) * swing).clamp(0.0, 1.3);
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
            Cause::BaseSecondFrequency => {
                fx.kill2 = fx.kill2.max(if level > 0.5 { 0.86 + 0.14 * self.strength as f32 } else { 0.0 })
            }
            Cause::BaseWeakSignal | Cause::BaseAntennaPower => add(&mut fx.band_db, line, level),
            Cause::RoverTracking if self.mode == 0 => add(&mut fx.band_db, line, level),
            Cause::RoverTracking => {
                fx.kill2 = fx.kill2.max(if level > 0.5 { 0.9 + 0.1 * self.strength as f32 } else { 0.0 })
            }
            Cause::BaseInterference | Cause::RoverInterference => {
                let rise = (14.0 + 9.0 * self.strength) as f32 * level;
                match self.mode {
                    // The first band alone; then all bands (a wide jammer); then everything but the first.
                    0 => {
                        fx.band_db[0] += rise;
                        // Semi-codeless L2 needs a good first frequency.
                        fx.band_db[2] += rise;
                    }
                    1 => {
                        for (k, v) in fx.band_db.iter_mut().enumerate() {
                            *v += if k == 2 { 2.0 * rise } else { rise };
                        }
                    }
                    _ => {
                        fx.band_db[1] += rise * 1.15;
                        fx.band_db[2] += rise * 1.3;
                        fx.band_db[3] += rise * 1.1;
                        fx.band_db[4] += rise;
                    }
                }
            }
            Cause::BaseRestart | Cause::RoverRestart => fx.off = true,
            Cause::BaseFirmware if self.mode == 1 => {}
            Cause::BaseFirmware | Cause::RoverFirmware if self.mode == 0 => fx.kill2 = fx.kill2.max(1.0),
            Cause::BaseFirmware | Cause::RoverFirmware => fx.reset = true,
            _ => {}
        }
    }

    /// True for faults that act on what a receiver tracks: at the base, or at rover `k`.
    pub(super) fn touches_tracking(&self, rover: Option<u8>) -> bool {
        match self.cause {
            Cause::SkyScintillation => true,
            Cause::LinkOutage
            | Cause::LinkRange
            | Cause::LinkRover
            | Cause::LinkStationClash
            | Cause::SkyStorm
            | Cause::LongBaseline
            | Cause::BaseMoved
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
