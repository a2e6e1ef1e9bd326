//! Detectors: tables of one unit in, events out, each from one file that says what it sees. A detector knows no cause, no
//! format and no other detector. What it cannot judge it leaves out: absence of an event is never a measurement.
//!
//! To add a detector: a file here with `pub fn run(...) -> Vec<Event>`, one `mod` line, one line in [`base_events`] or
//! [`rover_events`]; its event kinds get weights in `causes/weights.toml`.

mod ageing;
mod antenna_power;
mod band_drop;
mod base_position;
mod correction_age;
mod disturbed_ionosphere;
mod fading;
mod level;
mod limits;
mod messages;
mod multipath;
mod obstruction;
mod own_signal;
mod restart;
#[cfg(test)]
mod samples;
mod scintillation;
mod second_frequency;
mod setup;
mod signal_curve;
mod sky_minutes;
#[cfg(test)]
mod sky_samples;
mod slips;
mod spectrum;
mod station_switch;
pub mod steep_ionosphere;
mod stream_gap;
mod weak_signal;
mod whole_sky;
mod window;

pub use level::{LEVEL_COLUMNS, Level};
pub use limits::Limits;
pub use setup::{NearPlace, Setup, advisories};
pub use sky_minutes::{CLEAN_MP_ORIGIN, clean_mp_m};

use crate::frames::UnitFrames;
use crate::model::event::{Calm, Event, Origin};
use crate::model::time::UtcMs;
use polars::frame::DataFrame;
use whole_sky::WholeSky;

/// Events of a base that stands alone, by time.
pub fn base_events(frames: &UnitFrames, setup: &Setup, limits: &Limits) -> Vec<Event> {
    over_base(frames, setup, &Level::of(frames), &[], limits).0
}

/// Events of a base, by time, and the times in which its data show that there was no storm over it. `level` is its own, `fleet`
/// holds those of the other bases of the run.
pub fn over_base(
    frames: &UnitFrames,
    setup: &Setup,
    level: &Level,
    fleet: &[&Level],
    limits: &Limits,
) -> (Vec<Event>, Calm) {
    let minutes = sky_minutes::sat_minutes(frames);
    let whole = WholeSky::of(&minutes, limits);
    let mut events = whole.events(frames, limits);
    events.extend(second_frequency::run(frames, limits));
    events.extend(base_position::run(frames, setup, limits));
    events.extend(restart::run(frames, limits));
    events.extend(messages::run(frames, limits));
    events.extend(stream_gap::run(frames, limits));
    events.extend(antenna_power::run(frames, setup, limits));
    events.extend(band_drop::run(frames, &whole, limits));
    events.extend(ageing::run(frames, level, limits));
    events.extend(slips::run(frames, &whole, limits));
    events.extend(fading::run(frames, &whole, limits));
    events.extend(spectrum::run(frames, limits));
    events.extend(weak_signal::run(frames, level, fleet, (&minutes, &whole), limits));
    events.extend(obstruction::run(frames, &minutes, limits));
    events.extend(multipath::run(frames, &minutes, limits));
    let high_latitude = scintillation::is_high_latitude(&minutes, setup.place);
    let sky = scintillation::minutes(&minutes, high_latitude, limits);
    events.extend(scintillation::run(frames, &sky, (setup.place, high_latitude), limits));
    events.extend(disturbed_ionosphere::run(frames, &sky, limits));
    events.extend(signal_curve::run(frames, &minutes, &whole, limits));
    (sorted(events), disturbed_ionosphere::calm(&sky, limits))
}

/// Events of a rover, by time.
pub fn rover_events(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let mut events = Vec::new();
    events.extend(correction_age::run(frames, limits));
    events.extend(station_switch::run(frames, limits));
    events.extend(restart::run(frames, limits));
    events.extend(second_frequency::run(frames, limits));
    events.extend(own_signal::run(frames, limits));
    events.extend(band_drop::run(frames, &WholeSky::default(), limits));
    events.extend(spectrum::run(frames, limits));
    sorted(events)
}

fn sorted(mut events: Vec<Event>) -> Vec<Event> {
    events.sort_by(|a, b| (a.from, a.to, a.kind, &a.unit, &a.detail).cmp(&(b.from, b.to, b.kind, &b.unit, &b.detail)));
    events
}

/// Builds events of one unit with the origin of the table row nearest to their begin.
pub(crate) struct Maker<'a> {
    frames: &'a UnitFrames,
    times: Vec<UtcMs>,
    origins: Vec<u32>,
}

impl<'a> Maker<'a> {
    /// Events that are read from `table`.
    pub(crate) fn new(frames: &'a UnitFrames, table: &DataFrame) -> Maker<'a> {
        use crate::frames::view;
        Maker { frames, times: view::i64s(table, "time"), origins: view::u32s_full(table, "origin") }
    }

    /// Where the table's row at or before `t` (else the first) was read.
    pub(crate) fn origin_at(&self, t: UtcMs) -> Origin {
        let at = self.times.partition_point(|x| *x <= t).saturating_sub(1);
        self.origins.get(at).map(|o| self.frames.origin(*o)).unwrap_or_default()
    }

    /// One event.
    #[allow(clippy::too_many_arguments)]
    pub(crate) fn event(
        &self,
        kind: &'static str,
        from: UtcMs,
        to: UtcMs,
        value: Option<f64>,
        value_unit: &'static str,
        strength: f64,
        detail: String,
    ) -> Event {
        Event {
            unit: self.frames.unit.clone(),
            kind,
            from,
            to: to.max(from),
            value,
            value_unit,
            strength: strength.clamp(0.0, 1.0) as f32,
            detail,
            origin: self.origin_at(from),
        }
    }
}
