//! Directions of satellites: written into the signals of a unit, with the table of what should have been tracked.

use super::schema::{IntoFrame, f32s};
use super::{UnitFrames, view};
use crate::model::rows::Expecteds;
use crate::model::sky::GeometryFrom;
use crate::model::time::UtcMs;
use polars::prelude::PolarsResult;

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
        let times = view::i64s(&self.signals, "time");
        let sats = view::u32s_full(&self.signals, "sat");
        let mut azimuth = view::f32s(&self.signals, "azimuth");
        let mut elevation = view::f32s(&self.signals, "elevation");
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
            self.signals.with_column(f32s(name, values))?;
        }
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
