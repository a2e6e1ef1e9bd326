//! Directions of satellites: written into the signals of a unit, with the table of what should have been tracked.

use super::schema::{IntoFrame, f32s};
use super::{FrameError, Loader, UnitFrames, view};
use crate::model::rows::Expecteds;
use crate::model::sky::GeometryFrom;
use crate::model::time::UtcMs;
use polars::frame::DataFrame;
use polars::prelude::PolarsResult;

/// Writes directions into signals; whether there was any.
fn direct(signals: &mut DataFrame, direction: &impl Fn(UtcMs, u16) -> Option<(f32, f32)>) -> PolarsResult<bool> {
    let times = view::i64s(signals, "time");
    let sats = view::u32s_full(signals, "sat");
    let mut azimuth = view::f32s(signals, "azimuth");
    let mut elevation = view::f32s(signals, "elevation");
    let mut any = false;
    for (i, (t, sat)) in times.iter().zip(&sats).enumerate() {
        if let (Some((a, e)), Some(to_a), Some(to_e)) =
            (direction(*t, *sat as u16), azimuth.get_mut(i), elevation.get_mut(i))
        {
            (*to_a, *to_e) = (a, e);
            any = true;
        }
    }
    for (name, values) in [("azimuth", azimuth), ("elevation", elevation)] {
        signals.with_column(f32s(name, values))?;
    }
    Ok(any)
}

impl UnitFrames {
    /// Directions by orbit into the signals: `direction` gives azimuth and elevation in degrees of a satellite code in a minute.
    /// Where it gives none, what the satellite lists said stays.
    ///
    /// # Errors
    /// When polars cannot build a table.
    pub fn with_directions(
        mut self,
        from: GeometryFrom,
        expected: Expecteds,
        direction: impl Fn(UtcMs, u16) -> Option<(f32, f32)>,
    ) -> PolarsResult<UnitFrames> {
        let any = direct(&mut self.signals, &direction)?;
        self.expected = expected.into_frame(0)?;
        if any {
            self.geometry_from = from;
        }
        Ok(self)
    }

    /// The same, with the signals put aside slice by slice.
    ///
    /// # Errors
    /// When polars cannot build a table, or what `put` says.
    pub fn with_directions_aside<E: From<FrameError>>(
        mut self,
        from: GeometryFrom,
        expected: Expecteds,
        direction: impl Fn(UtcMs, u16) -> Option<(f32, f32)>,
        mut put: impl FnMut(DataFrame) -> Result<Loader, E>,
    ) -> Result<UnitFrames, E> {
        let mut any = false;
        self.put_signals_aside(|mut slice| {
            any |= direct(&mut slice, &direction)?;
            put(slice)
        })?;
        self.expected = expected.into_frame(0)?;
        if any {
            self.geometry_from = from;
        }
        Ok(self)
    }

    /// Says whether the satellite lists gave directions.
    pub(super) fn with_list_geometry(mut self) -> UnitFrames {
        let known = self.signals.column("azimuth").is_ok_and(|c| c.null_count() < self.signals.height());
        self.geometry_from = if known { GeometryFrom::Lists } else { GeometryFrom::None };
        self
    }
}
