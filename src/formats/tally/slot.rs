//! One satellite and signal within the open minute.

use super::SignalAt;
use super::intensity::Intensity;
use crate::model::ids::{Band, Sat};
use crate::model::rows::SignalMinute;
use crate::model::time::UtcMs;

/// One satellite and signal in the open minute.
#[derive(Debug, Clone)]
pub(super) struct Slot {
    pub(super) sat: Sat,
    pub(super) signal: SignalAt,
    pub(super) band: usize,
    /// Time of the last cell, to see the same cell twice.
    pub(super) last: UtcMs,
    /// Has cells in the open minute.
    pub(super) active: bool,
    /// In [`super::Tally`]'s list of slots.
    pub(super) listed: bool,
    pub(super) epochs: u32,
    pub(super) slips: u16,
    pub(super) with_cn0: u32,
    pub(super) cn0_min: f32,
    /// Sums of C/N0 and its square, dB-Hz; exact for values of 1/16 dB.
    pub(super) sum: f64,
    pub(super) sum_of_squares: f64,
    pub(super) intensity: Intensity,
}

impl Slot {
    pub(super) fn new(sat: Sat, signal: SignalAt, band: usize) -> Slot {
        Slot {
            sat,
            signal,
            band,
            last: i64::MIN,
            active: false,
            listed: false,
            epochs: 0,
            slips: 0,
            with_cn0: 0,
            cn0_min: f32::INFINITY,
            sum: 0.0,
            sum_of_squares: 0.0,
            intensity: Intensity::default(),
        }
    }

    pub(super) fn row(&self, time: UtcMs, azimuth: f32, elevation: f32) -> SignalMinute {
        let n = f64::from(self.with_cn0);
        let some = self.with_cn0 > 0;
        let variance = (self.sum_of_squares - self.sum * self.sum / n) / (n - 1.0);
        SignalMinute {
            time,
            sat: self.sat.code(),
            signal: self.signal.signal.pack(),
            band: Band::ALL.get(self.band).map_or(0, |b| b.code()),
            cn0_mean: if some { (self.sum / n) as f32 } else { f32::NAN },
            cn0_min: if some { self.cn0_min } else { f32::NAN },
            cn0_sd: if self.with_cn0 > 1 { variance.max(0.0).sqrt() as f32 } else { f32::NAN },
            epochs: u16::try_from(self.epochs).unwrap_or(u16::MAX),
            slips: self.slips,
            azimuth,
            elevation,
            s4_like: self.intensity.index(n),
            ..SignalMinute::default()
        }
    }

    pub(super) fn clear(&mut self) {
        self.active = false;
        self.epochs = 0;
        self.slips = 0;
        self.with_cn0 = 0;
        self.cn0_min = f32::INFINITY;
        self.sum = 0.0;
        self.sum_of_squares = 0.0;
        self.intensity = Intensity::default();
    }
}
