//! Detectors: tables of one unit in, events out, each from one file that says what it sees. A detector knows no cause, no
//! format and no other detector. What it cannot judge it leaves out: absence of an event is never a measurement.
//!
//! To add a detector: a file here with `pub fn run(...) -> Vec<Event>`, one `mod` line, one line in [`base_events`] or
//! [`rover_events`]; its event kinds get weights in `causes/weights.toml`.

mod ageing;
mod antenna_power;
mod band_drop;
#[cfg(test)]
mod band_samples;
mod band_series;
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

use crate::frames::{OriginRuns, UnitFrames, slices, view};
use crate::model::event::{Calm, Event, Origin};
use crate::model::time::UtcMs;
use band_series::{all_series, steady_spans};
use polars::frame::DataFrame;
use std::cell::OnceCell;
use whole_sky::WholeSky;

/// Events of a base that stands alone, by time.
pub fn base_events(frames: &UnitFrames, setup: &Setup, limits: &Limits) -> Vec<Event> {
    let level = Level::of(frames);
    over_base(frames, setup, &level, over_base_sky(frames, setup, &level, &[], limits), limits).0
}

/// Events of a base, by time, and the times in which its data show that there was no storm over it. `level` is its own, `sky` what
/// [`over_base_sky`] saw.
pub fn over_base(
    frames: &UnitFrames,
    setup: &Setup,
    level: &Level,
    sky: SeenSky,
    limits: &Limits,
) -> (Vec<Event>, Calm) {
    let SeenSky { mut events, calm, whole } = sky;
    events.extend(second_frequency::run(frames, limits));
    events.extend(base_position::run(frames, setup, limits));
    events.extend(restart::run(frames, limits));
    events.extend(messages::run(frames, limits));
    events.extend(stream_gap::run(frames, limits));
    events.extend(antenna_power::run(frames, setup, limits));
    events.extend(band_drop::run(frames, &all_series(frames, limits), &whole, limits));
    events.extend(ageing::run(frames, level, limits));
    events.extend(slips::run(frames, &whole, limits));
    events.extend(fading::run(frames, &whole, limits));
    events.extend(spectrum::run(frames, limits));
    (sorted(events), calm)
}

/// What [`over_base_sky`] saw.
#[derive(Debug, Default)]
pub struct SeenSky {
    events: Vec<Event>,
    /// When there was no storm.
    calm: Calm,
    whole: WholeSky,
}

/// What is seen in the minutes of single satellites, which of a base with weeks of data are many: they go before others work. Of the
/// frames the signals and what was to be expected are looked at. `level` is that of the base, `fleet` holds those of the other bases of
/// the run.
pub fn over_base_sky(frames: &UnitFrames, setup: &Setup, level: &Level, fleet: &[&Level], limits: &Limits) -> SeenSky {
    let minutes = sky_minutes::sat_minutes(frames);
    let whole = WholeSky::of(&minutes, limits);
    let mut events = whole.events(frames, limits);
    events.extend(weak_signal::run(frames, level, fleet, (&minutes, &whole), limits));
    events.extend(obstruction::run(frames, &minutes, limits));
    events.extend(multipath::run(frames, &minutes, limits));
    events.extend(signal_curve::run(frames, &minutes, &whole, limits));
    let high_latitude = scintillation::is_high_latitude(&minutes, setup.place);
    let sky = scintillation::minutes(&minutes, high_latitude, limits);
    events.extend(scintillation::run(frames, &sky, (setup.place, high_latitude), limits));
    events.extend(disturbed_ionosphere::run(frames, &sky, limits));
    let calm = disturbed_ionosphere::calm(&sky, limits);
    SeenSky { events, calm, whole }
}

/// What the detectors of a rover take from its signals, besides their times.
pub const ROVER_SIGNALS: [&str; 5] = ["sat", "signal", "band", "cn0_mean", "epochs"];

/// What is seen at a rover.
#[derive(Debug, Default)]
pub struct SeenRover {
    /// By time.
    pub events: Vec<Event>,
    /// When its own log shows two carriers and more, each as strong as ever.
    pub steady: Vec<(UtcMs, UtcMs)>,
}

/// Looks at a rover, or at some of its tables.
pub fn over_rover(frames: &UnitFrames, limits: &Limits) -> SeenRover {
    let bands = all_series(frames, limits);
    let mut events = Vec::new();
    events.extend(correction_age::run(frames, limits));
    events.extend(station_switch::run(frames, limits));
    events.extend(restart::run(frames, limits));
    events.extend(second_frequency::run(frames, limits));
    events.extend(own_signal::run(frames, limits));
    events.extend(band_drop::run(frames, &bands, &WholeSky::default(), limits));
    events.extend(spectrum::run(frames, limits));
    SeenRover { events: sorted(events), steady: steady_spans(&bands, limits) }
}

/// Events by time.
pub fn sorted(mut events: Vec<Event>) -> Vec<Event> {
    events.sort_by(|a, b| (a.from, a.to, a.kind, &a.unit, &a.detail).cmp(&(b.from, b.to, b.kind, &b.unit, &b.detail)));
    events
}

fn origins_of(table: &DataFrame) -> OriginRuns {
    let mut origins = OriginRuns::default();
    for slice in slices(table) {
        origins.add(&view::i64s(&slice, "time"), &view::u32s_full(&slice, "origin"));
    }
    origins
}

/// Builds events of one unit with the origin of the table row nearest to their begin.
pub(crate) struct Maker<'a> {
    frames: &'a UnitFrames,
    /// `None`: the signals.
    table: Option<&'a DataFrame>,
    /// Of the table, once there is an event: most detectors of most units see none.
    origins: OnceCell<OriginRuns>,
}

impl<'a> Maker<'a> {
    /// Events that are read from `table`.
    pub(crate) fn new(frames: &'a UnitFrames, table: &'a DataFrame) -> Maker<'a> {
        Maker { frames, table: Some(table), origins: OnceCell::new() }
    }

    /// Events that are read from the signals.
    pub(crate) fn of_signals(frames: &'a UnitFrames) -> Maker<'a> {
        Maker { frames, table: None, origins: OnceCell::new() }
    }

    /// Where the table's row at or before `t` (else the first) was read.
    pub(crate) fn origin_at(&self, t: UtcMs) -> Origin {
        let origins = match self.table {
            Some(table) => self.origins.get_or_init(|| origins_of(table)),
            None => self.frames.signal_origins(),
        };
        origins.at(t).map(|o| self.frames.origin(o)).unwrap_or_default()
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
