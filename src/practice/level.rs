//! When a planted fault acts: its level of 0 to 1 a second.

use super::cause::Cause;
use super::earth::Place;
use super::fault::{Act, Fault, KNOCKED};
use super::plan::Session;
use super::rng::{Rng, mix, smooth};
use super::skyweather::{burst_level, night_level, storm_level};

/// Chops `share` of `n` seconds into pieces of about `piece_s`, at random places, none overlapping.
fn chunks(r: &mut Rng, n: usize, share: f64, piece_s: f64) -> Vec<(usize, usize)> {
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

/// Pieces of about `piece_s` seconds that take `share` of the time, with soft edges of `ramp` seconds.
fn stretches(r: &mut Rng, level: &mut [f32], share: f64, piece_s: f64, ramp: usize) {
    for (a, b) in chunks(r, level.len(), share, piece_s) {
        raise(level, a, b, ramp, 1.0);
    }
}

/// What comes and goes inside a bad stretch `a..b`: on and off for so many seconds.
fn flicker(r: &mut Rng, level: &mut [f32], (a, b): (usize, usize), on: (f64, f64), off: (f64, f64)) {
    let mut at = a;
    while at < b {
        let l = r.range(on.0, on.1) as usize;
        raise(level, at, (at + l).min(b), 0, 1.0);
        at += l + r.range(off.0, off.1) as usize;
    }
}

impl Fault {
    /// Levels over a session at a place. Sky faults hang on absolute time and the place alone, so that neighbours share
    /// them.
    pub(super) fn act<'a>(&'a self, s: &Session, place: &Place) -> Act<'a> {
        let mut r = Rng::new(mix(self.seed ^ u64::from(s.day)));
        let mut level = vec![0f32; s.n];
        match self.cause {
            Cause::BaseMultipath | Cause::LongBaseline | Cause::RoverObstruction => level.fill(1.0),
            Cause::BaseWeakSignal if self.mode == 0 => level.fill(1.0),
            Cause::BaseObstruction if self.mode == 0 => level.fill(1.0),
            // Water in a connector or a tired amplifier: comes slowly, stays for long.
            Cause::BaseWeakSignal => stretches(&mut r, &mut level, self.share.max(0.2), 5400.0, 400),
            // A crane, a truck or a container in front of the antenna for a while.
            Cause::BaseObstruction => stretches(&mut r, &mut level, self.share.max(0.3), 4000.0, 20),
            Cause::LinkOutage => stretches(&mut r, &mut level, self.share * 0.8, 420.0, 0),
            Cause::LinkStationClash => stretches(&mut r, &mut level, self.share, 1500.0, 0),
            Cause::RoverTracking => {
                stretches(&mut r, &mut level, self.share, 1500.0, if self.mode == 0 { 60 } else { 3 });
            }
            Cause::BaseSecondFrequency => self.second_frequency(&mut r, &mut level, s.day),
            Cause::BaseAntennaPower => {
                for at in chunks(&mut r, s.n, self.share, 1500.0) {
                    flicker(&mut r, &mut level, at, (20.0, 240.0), (15.0, 150.0));
                }
            }
            Cause::BaseInterference | Cause::RoverInterference => self.emitter(&mut r, &mut level, s.t0),
            Cause::BaseMoved => self.moved(&mut r, &mut level),
            Cause::BaseRestart => self.restarts(&mut r, &mut level, 4.0 + 5.0 * self.strength, (40.0, 170.0)),
            Cause::RoverRestart => self.restarts(&mut r, &mut level, 9.0 + 8.0 * self.strength, (15.0, 60.0)),
            Cause::BaseMessages => self.messages(&mut r, &mut level),
            Cause::BaseFirmware | Cause::RoverFirmware => match self.mode {
                0 => pulses(&mut r, &mut level, (150.0, 480.0), (20.0, 80.0)),
                1 if self.cause == Cause::BaseFirmware => pulses(&mut r, &mut level, (200.0, 540.0), (35.0, 120.0)),
                _ => pulses(&mut r, &mut level, (60.0, 190.0), (1.0, 3.0)),
            },
            Cause::LinkRover => self.weak_radio(&mut r, &mut level),
            Cause::LinkRange | Cause::SkyScintillation | Cause::SkyStorm => {
                for (t, v) in level.iter_mut().enumerate() {
                    *v = self.by_time(place, s.t0 + t as i64);
                }
            }
        }
        Act { fault: self, level }
    }

    /// Levels that hang on the time alone.
    fn by_time(&self, place: &Place, t: i64) -> f32 {
        match self.cause {
            // Weather, leaves and traffic change the path within minutes.
            Cause::LinkRange => 1.0 + 0.06 * smooth(self.seed, 5, t, 240),
            Cause::SkyScintillation => night_level(self, place, t),
            _ if self.burst() => burst_level(self, place, t),
            _ => storm_level(self, place, t),
        }
    }

    fn second_frequency(&self, r: &mut Rng, level: &mut [f32], day: u32) {
        let piece = if self.mode == 0 { 6000.0 } else { 1500.0 };
        for (a, b) in chunks(r, level.len(), self.share, piece) {
            match self.mode {
                0 => {
                    // An ageing amplifier: its gain goes with the temperature of the housing, worse from day to day.
                    let tired = 0.85 + 0.15 * (f64::from(day) / 5.0).min(1.0);
                    raise(level, a, b, ((b - a) / 5).clamp(60, 1500), tired as f32);
                }
                // A loose contact: comes and goes inside the bad stretch.
                1 => flicker(r, level, (a, b), (30.0, 300.0), (5.0, 60.0)),
                _ => raise(level, a, b, 5, 1.0),
            }
        }
    }

    /// Interference. Mode 1: an emitter that comes by and goes again (a vehicle); else one that is switched on for a while.
    fn emitter(&self, r: &mut Rng, level: &mut [f32], t0: i64) {
        let passing = self.mode == 1;
        for (a, b) in chunks(r, level.len(), self.share, if passing { 260.0 } else { 1100.0 }) {
            let ramp = if passing { (b - a) / 3 } else { r.range(2.0, 40.0) as usize };
            raise(level, a, b, ramp, 1.0);
        }
        // Jumpy within seconds.
        let seed = mix(self.seed ^ t0 as u64);
        for (t, v) in level.iter_mut().enumerate() {
            let w = 0.78 + 0.22 * smooth(seed, 1, t as i64, 5) + 0.12 * smooth(seed, 2, t as i64, 2);
            let gate = smooth(seed, 3, t as i64, 17) > -1.15;
            *v *= if gate { w.clamp(0.2, 1.25) } else { 0.15 };
        }
    }

    fn moved(&self, r: &mut Rng, level: &mut [f32]) {
        for (a, b) in chunks(r, level.len(), self.share, 3600.0) {
            raise(level, a, b, 0, 1.0);
            // A loose mount is knocked again and again: levels above 1 while it jerks and somebody stands there.
            let mut at = a as f64 + r.range(5.0, 60.0);
            while self.mode == 2 && (at as usize) < b {
                let l = r.range(4.0, 14.0);
                for v in level.iter_mut().take(((at + l) as usize).min(b)).skip(at as usize) {
                    *v = KNOCKED;
                }
                at += l + r.range(50.0, 260.0) / (0.5 + self.strength);
            }
        }
    }

    /// Restarts that take `off` seconds each. They come in bunches: a bad supply has bad hours.
    fn restarts(&self, r: &mut Rng, level: &mut [f32], per_hour: f64, off: (f64, f64)) {
        let gap = (3600.0 / per_hour - 60.0).max(90.0);
        for (a, b) in chunks(r, level.len(), (self.share * 1.3).min(1.0), 4000.0) {
            let mut at = a as f64 + r.range(20.0, gap);
            while (at as usize) < b {
                let l = r.range(off.0, off.1);
                raise(level, at as usize, (at + l) as usize, 0, 1.0);
                at += l + r.range(0.4, 1.6) * gap;
            }
        }
    }

    fn messages(&self, r: &mut Rng, level: &mut [f32]) {
        let n = level.len();
        let piece = if self.mode == 1 { n as f64 } else { 2400.0 };
        for (a, b) in chunks(r, n, self.share, piece) {
            // The position is missing from the start of the day until somebody notices.
            let (a, b) = if self.mode == 1 { (0, b - a) } else { (a, b) };
            raise(level, a, b, 0, 1.0);
        }
        if self.mode == 0 {
            // Too slow and irregular: long silences between epochs.
            let mut at = 0;
            while at < n {
                let quiet = r.range(12.0, 75.0) as usize;
                level[at] = 0.0;
                at += quiet;
            }
        }
    }

    /// A rover's radio that hears badly, now more, now less.
    fn weak_radio(&self, r: &mut Rng, level: &mut [f32]) {
        for (a, b) in chunks(r, level.len(), self.share, 900.0) {
            let mut at = a;
            while at < b {
                let l = r.range(30.0, 240.0) as usize;
                raise(level, at, (at + l).min(b), 0, r.range(0.7, 1.2) as f32);
                at += l + r.range(5.0, 90.0) as usize;
            }
        }
    }
}

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
