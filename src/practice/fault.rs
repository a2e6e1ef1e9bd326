//! Planted faults and what they do to a receiver; when they act is in `level`.

use super::cause::Cause;
use super::plan::{Session, Unit};
use super::rng::{smooth, uni};
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

impl Fault {
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
pub(super) const KNOCKED: f32 = 1.5;

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
