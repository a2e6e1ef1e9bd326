//! Columnar tables with fixed schemas: the only thing later steps see.
//!
//! One [`UnitFrames`] holds the tables of one unit, sorted by time, overlapping bundles counted once. Times are UTC
//! milliseconds (`Int64`); missing is null. The column `origin` of a table points into [`UnitFrames::origins`].

mod aside;
mod build;
pub mod column;
mod order;
pub mod schema;
mod sky;
pub mod view;

pub use aside::{Aside, OriginRuns, slices};
pub use build::{Batch, Loader, UnitBuilder};
/// A table.
pub use polars::frame::DataFrame as Frame;
/// Why a table could not be built.
pub use polars::prelude::PolarsError as FrameError;

use crate::model::event::Origin;
use crate::model::ids::Role;
use crate::model::sky::GeometryFrom;
use crate::model::time::UtcMs;
use polars::frame::DataFrame;
use polars::prelude::{BooleanChunked, NewChunkedArray, PolarsResult};
use std::sync::OnceLock;

/// Tables of one unit. Schemas: [`schema`].
#[derive(Debug, Clone)]
pub struct UnitFrames {
    /// Unit id.
    pub unit: String,
    /// Base or rover.
    pub role: Role,
    /// Site that the unit's bundles name; a rover's second-by-second membership may differ.
    pub site: String,
    /// Where rows came from; the `origin` columns point here.
    pub origins: Vec<Origin>,
    /// Rover epochs.
    pub fixes: DataFrame,
    /// Message statistics by minute.
    pub corrections: DataFrame,
    /// Reported base positions.
    pub positions: DataFrame,
    /// Antenna and receiver words.
    pub descriptions: DataFrame,
    /// Satellite and signal minutes; behind them those that lie elsewhere. Detectors ask for [`UnitFrames::signal_slices`].
    pub signals: DataFrame,
    /// Signals that lie elsewhere.
    pub signals_aside: Aside,
    /// Where the signals were read, once somebody asked.
    pub signal_origins: OnceLock<OriginRuns>,
    /// Bands by ten seconds.
    pub bands: DataFrame,
    /// Systems by ten seconds.
    pub systems: DataFrame,
    /// Measured values.
    pub metrics: DataFrame,
    /// Spectrum sweeps.
    pub spectra: DataFrame,
    /// Logged events.
    pub logged: DataFrame,
    /// Stretches with data.
    pub spans: DataFrame,
    /// What should have been tracked, by orbits (bases): empty without orbits.
    pub expected: DataFrame,
    /// Where the directions in `signals` come from.
    pub geometry_from: GeometryFrom,
}

impl UnitFrames {
    /// The origin behind an index of an `origin` column.
    pub fn origin(&self, index: u32) -> Origin {
        self.origins.get(index as usize).cloned().unwrap_or_default()
    }

    /// The tables whose rows have one time, but the fixes.
    fn beside_fixes(&mut self) -> [&mut DataFrame; 9] {
        [
            &mut self.corrections,
            &mut self.positions,
            &mut self.descriptions,
            &mut self.signals,
            &mut self.bands,
            &mut self.systems,
            &mut self.metrics,
            &mut self.spectra,
            &mut self.logged,
        ]
    }

    /// The rover's epochs alone; the other tables go.
    #[must_use]
    pub fn only_fixes(mut self) -> UnitFrames {
        for table in self.beside_fixes() {
            *table = DataFrame::default();
        }
        (self.spans, self.expected) = Default::default();
        self
    }

    /// The rows within `from..to` (UTC ms; `None`: open). A span that reaches over an edge is kept whole.
    ///
    /// # Errors
    /// When polars cannot build a table.
    pub fn clip(mut self, from: Option<UtcMs>, to: Option<UtcMs>) -> PolarsResult<UnitFrames> {
        if from.is_none() && to.is_none() {
            return Ok(self);
        }
        let inside = |t: i64| from.is_none_or(|f| t >= f) && to.is_none_or(|e| t < e);
        let keep = |table: &mut DataFrame| -> PolarsResult<()> {
            let mask = view::i64s(table, "time").into_iter().map(inside).collect::<Vec<bool>>();
            *table = table.filter(&BooleanChunked::from_slice("inside".into(), &mask))?;
            Ok(())
        };
        keep(&mut self.fixes)?;
        for table in self.beside_fixes() {
            keep(table)?;
        }
        let (begin, end) = (view::i64s(&self.spans, "time"), view::i64s(&self.spans, "until"));
        let mask: Vec<bool> =
            begin.iter().zip(&end).map(|(a, b)| from.is_none_or(|f| *b >= f) && to.is_none_or(|e| *a < e)).collect();
        self.spans = self.spans.filter(&BooleanChunked::from_slice("inside".into(), &mask))?;
        Ok(self)
    }
}

/// The error of a [`Loader`] whose tables cannot be read, in words.
pub fn loader_error(why: String) -> FrameError {
    FrameError::ComputeError(why.into())
}
