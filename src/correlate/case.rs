//! What is brought together for one site before any verdict.

use super::grid::holds;
use super::periods::RoverTime;
use crate::model::event::{Calm, Event, Origin};
use crate::model::ids::FixState;
use crate::model::time::UtcMs;

/// One rover at one site: its epochs there and what follows from them.
#[derive(Debug, Clone, Default)]
pub struct RoverCase {
    /// Unit id.
    pub unit: String,
    /// Epochs, UTC ms, ascending.
    pub times: Vec<UtcMs>,
    /// Fix state codes.
    pub states: Vec<u32>,
    /// Correction age, s; NaN when missing.
    pub ages_s: Vec<f32>,
    /// When the receiver starts and tells no age yet, as in [`crate::maths::starts`]; ascending.
    pub starting: Vec<(UtcMs, UtcMs)>,
    /// Degrees; NaN when missing.
    pub lat: Vec<f64>,
    /// Degrees; NaN when missing.
    pub lon: Vec<f64>,
    /// Origin of each epoch, index into `origins`.
    pub origin_of: Vec<u32>,
    /// Where epochs were read.
    pub origins: Vec<Origin>,
    /// Lost, observed, start-up.
    pub time: RoverTime,
    /// When its own log shows two carriers and more, each as strong as ever; ascending.
    pub steady: Vec<(UtcMs, UtcMs)>,
    /// The rover's own events.
    pub events: Vec<Event>,
    /// It never had a correction in the window.
    pub never_corrected: bool,
}

impl RoverCase {
    /// Whether the corrections of an epoch are older than `old_s`, or missing where the receiver has a position and no differential
    /// solution. One without any position tells no age whatever arrives, one that has just started neither.
    pub(super) fn is_old(&self, index: usize, old_s: f64) -> bool {
        let age = self.ages_s.get(index).copied().unwrap_or(f32::NAN);
        let none = || {
            self.states.get(index) == Some(&(FixState::Autonomous as u32)) && !holds(&self.starting, self.times[index])
        };
        f64::from(age) > old_s || (age.is_nan() && none())
    }

    /// Whether the receiver had no position at all in an epoch, and so no age to tell.
    pub(super) fn is_blind(&self, index: usize) -> bool {
        let age = self.ages_s.get(index).copied().unwrap_or(f32::NAN);
        age.is_nan() && self.states.get(index) == Some(&(FixState::None as u32))
    }

    /// Where the epoch at `index` was read.
    pub fn origin(&self, index: usize) -> Origin {
        self.origin_of.get(index).and_then(|o| self.origins.get(*o as usize)).cloned().unwrap_or_default()
    }
}

impl SiteCase {
    /// The base and its log that hold most of a time, else those nearest to it.
    pub fn base_log(&self, from: UtcMs, to: UtcMs) -> Option<(&str, &Origin)> {
        let inside = |a: UtcMs, b: UtcMs| to.min(b) - from.max(a);
        self.base_logs.iter().max_by_key(|l| inside(l.0, l.1)).map(|l| (l.2.as_str(), &l.3))
    }
}

/// One site.
#[derive(Debug, Clone, Default)]
pub struct SiteCase {
    /// Site id.
    pub site: String,
    /// Base units.
    pub bases: Vec<String>,
    /// Latitude, longitude (degrees), ellipsoidal height (m) of the base.
    pub position: Option<(f64, f64, f64)>,
    /// Magnetic (dip) latitude, degrees.
    pub magnetic_latitude: Option<f64>,
    /// Rovers with epochs here.
    pub rovers: Vec<RoverCase>,
    /// Events of the bases.
    pub base_events: Vec<Event>,
    /// Conditions without an epoch: firmware, link budget, emitters, messages.
    pub standing: Vec<Event>,
    /// Kp, flares.
    pub sky_events: Vec<Event>,
    /// Times in which the base's own observations are there, merged.
    pub base_observed: Vec<(UtcMs, UtcMs)>,
    /// The same spans with the base and the file they were read from: begin, end, unit, origin.
    pub base_logs: Vec<(UtcMs, UtcMs, String, Origin)>,
    /// Times in which the base's data show that there was no storm over it.
    pub ionosphere: Calm,
}
