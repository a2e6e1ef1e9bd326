//! The schemas, in one place. Every table has `time` (`Int64`, UTC ms) first and `origin` (`UInt32`) last; small integers
//! are kept as `UInt32`. Units are in the names; columns that may be null are marked `null`.
//!
//! | table | columns |
//! |---|---|
//! | fixes | time, state (code of `FixState`), satellites null, hdop null, correction_age_s null, station_id null, lat null, lon null, height_m null, sigma_h_m null, sigma_v_m null |
//! | corrections | time (minute), station_id null, message, count, bytes, longest_gap_s null |
//! | positions | time, station_id null, x_m, y_m, z_m, antenna_height_m null, is_virtual, from_rtcm |
//! | descriptions | time, station_id null, antenna, antenna_serial, receiver, firmware, receiver_serial |
//! | signals | time (minute), sat, signal, band, cn0_mean null, cn0_min null, cn0_sd null, epochs, slips, azimuth null, elevation null, phase_slips null, mp_rms_m null, rot null, roti null, roti_1s null, s4_like null |
//! | expected (bases with orbits) | time (minute), sat, azimuth, elevation, tracked |
//! | bands | time (10 s), band, satellites, cn0_median null, cn0_step_max null, cn0_scatter null, lost_lock |
//! | systems | time (10 s), system (RINEX letter), satellites, first, second |
//! | metrics | time, metric, value |
//! | spectra | time, frequency_hz, power_dbm |
//! | logged | time, kind, detail |
//! | spans | time, until, kind, epochs |

use super::column::{floats, numbers, whole};
pub use crate::model::packed::TABLES;
use crate::model::rows::{
    Bands, Corrections, Descriptions, Expecteds, Fixes, Logged, Metrics, NO_COUNT, NO_SLIPS, NO_STATION, Positions,
    Rows, Signals, Spans, Spectra, Systems,
};
use polars::prelude::{
    Column, DataFrame, Float32Type, Float64Type, Int64Type, NamedFrom, PolarsResult, Series, UInt32Type,
};

/// Columns that are there for who reads the store with other programs; the analysis does not load them. A detector that comes
/// to need one takes it off this list; `tests/architecture.rs` watches over it.
pub const FOR_OTHERS: [&str; 7] = ["hdop", "height_m", "sigma_h_m", "sigma_v_m", "cn0_min", "phase_slips", "roti_1s"];

/// Columns of a table.
#[derive(Debug, Clone, Copy)]
pub enum Columns<'a> {
    /// All of them.
    All,
    /// All but these.
    Without(&'a [&'a str]),
    /// These, and with them always the key.
    Only(&'a [&'a str]),
}

/// A table that is wanted.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Its name.
    pub table: &'a str,
    /// The others are not read.
    pub columns: Columns<'a>,
}

impl<'a> Wanted<'a> {
    /// A table with all its columns.
    pub const fn whole(table: &'a str) -> Wanted<'a> {
        Wanted { table, columns: Columns::All }
    }

    /// A table without the columns that no detector and no picture looks at ([`FOR_OTHERS`]).
    pub const fn looked_at(table: &'a str) -> Wanted<'a> {
        Wanted { table, columns: Columns::Without(&FOR_OTHERS) }
    }

    /// Whether a column of the table is wanted.
    pub fn has(&self, column: &str) -> bool {
        match self.columns {
            Columns::All => true,
            Columns::Without(columns) => !columns.contains(&column),
            Columns::Only(columns) => columns.contains(&column),
        }
    }

    /// A frame of the table without what is not wanted.
    ///
    /// # Errors
    /// When polars cannot build it.
    pub fn of(&self, frame: DataFrame) -> PolarsResult<DataFrame> {
        if let Columns::All = self.columns {
            return Ok(frame);
        }
        let columns = frame.columns().iter().filter(|c| self.has(c.name())).cloned().collect();
        DataFrame::new(frame.height(), columns)
    }
}

/// The rows of one file as one frame a table, in the order of [`TABLES`]; empty tables have their columns too.
///
/// # Errors
/// When polars cannot build a table.
pub fn tables(mut rows: Rows, origin: u32) -> PolarsResult<[DataFrame; 11]> {
    let mut out: [DataFrame; 11] = Default::default();
    for (name, frame) in TABLES.iter().zip(&mut out) {
        *frame = take_table(&mut rows, name, origin)?;
    }
    Ok(out)
}

/// Takes one table out of the rows of a file, so that a large one need not be there twice as a whole.
///
/// # Errors
/// When polars cannot build it.
pub fn take_table(rows: &mut Rows, table: &str, origin: u32) -> PolarsResult<DataFrame> {
    fn frame<T: IntoFrame + Default>(rows: &mut T, origin: u32) -> PolarsResult<DataFrame> {
        std::mem::take(rows).into_frame(origin)
    }
    match table {
        "fixes" => frame(&mut rows.fixes, origin),
        "corrections" => frame(&mut rows.corrections, origin),
        "positions" => frame(&mut rows.positions, origin),
        "descriptions" => frame(&mut rows.descriptions, origin),
        "signals" => frame(&mut rows.signals, origin),
        "bands" => frame(&mut rows.bands, origin),
        "systems" => frame(&mut rows.systems, origin),
        "metrics" => frame(&mut rows.metrics, origin),
        "spectra" => frame(&mut rows.spectra, origin),
        "logged" => frame(&mut rows.logged, origin),
        "spans" => frame(&mut rows.spans, origin),
        other => Err(polars::prelude::PolarsError::ComputeError(format!("there is no table {other}").into())),
    }
}

/// Names and types of all tables in one line: two programs with the same text can read each other's tables.
///
/// # Errors
/// When polars cannot build an empty table.
pub fn fingerprint() -> PolarsResult<String> {
    let mut text = String::new();
    for (name, frame) in TABLES.iter().zip(tables(Rows::default(), 0)?) {
        text.push_str(name);
        for column in frame.columns() {
            text.push_str(&format!(" {}:{}", column.name(), column.dtype()));
        }
        text.push(';');
    }
    Ok(text)
}

/// How a table of rows becomes a frame.
pub trait IntoFrame: Sized {
    /// The columns that make a row unique within a unit.
    const KEY: &'static [&'static str];
    /// Among rows with one key, the one with the largest value of this column is kept; `None`: the first.
    const KEEP_LARGEST: Option<&'static str> = None;
    /// The frame, all rows with one origin.
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame>;
}

fn frame(height: usize, origin: u32, mut columns: Vec<Column>) -> PolarsResult<DataFrame> {
    columns.push(whole::<UInt32Type>("origin", vec![origin; height]));
    DataFrame::new(height, columns)
}

fn i64s(name: &str, values: Vec<i64>) -> Column {
    whole::<Int64Type>(name, values)
}

fn u32s(name: &str, values: impl IntoIterator<Item = impl Into<u32>>) -> Column {
    whole::<UInt32Type>(name, values.into_iter().map(Into::into).collect())
}

/// Integers with a constant for missing.
fn u32s_or_null<T: Copy + PartialEq + Into<u32>>(name: &str, values: &[T], missing: T) -> Column {
    let full: Vec<u32> = values.iter().map(|v| (*v).into()).collect();
    numbers::<UInt32Type>(name, full, values.iter().map(|v| *v != missing))
}

/// Floats with NaN for missing.
pub(super) fn f32s(name: &str, values: Vec<f32>) -> Column {
    floats::<Float32Type>(name, values, |v| v.is_nan())
}

/// Floats with NaN for missing.
fn f64s(name: &str, values: Vec<f64>) -> Column {
    floats::<Float64Type>(name, values, |v| v.is_nan())
}

fn bools(name: &str, values: Vec<bool>) -> Column {
    Series::new(name.into(), values).into()
}

fn texts(name: &str, values: Vec<String>) -> Column {
    Series::new(name.into(), values).into()
}

impl IntoFrame for Fixes {
    const KEY: &'static [&'static str] = &["time"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s("state", self.state),
                u32s_or_null("satellites", &self.satellites, NO_COUNT),
                f32s("hdop", self.hdop),
                f32s("correction_age_s", self.correction_age_s),
                u32s_or_null("station_id", &self.station_id, NO_STATION),
                f64s("lat", self.lat),
                f64s("lon", self.lon),
                f64s("height_m", self.height_m),
                f32s("sigma_h_m", self.sigma_h_m),
                f32s("sigma_v_m", self.sigma_v_m),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Corrections {
    const KEY: &'static [&'static str] = &["time", "station_id", "message"];
    const KEEP_LARGEST: Option<&'static str> = Some("count");
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s_or_null("station_id", &self.station_id, NO_STATION),
                u32s("message", self.message),
                u32s("count", self.count),
                u32s("bytes", self.bytes),
                f32s("longest_gap_s", self.longest_gap_s),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Positions {
    const KEY: &'static [&'static str] = &["time", "station_id", "x_m", "y_m", "z_m"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s_or_null("station_id", &self.station_id, NO_STATION),
                f64s("x_m", self.x_m),
                f64s("y_m", self.y_m),
                f64s("z_m", self.z_m),
                f32s("antenna_height_m", self.antenna_height_m),
                bools("is_virtual", self.is_virtual),
                bools("from_rtcm", self.from_rtcm),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Descriptions {
    const KEY: &'static [&'static str] = &["time", "station_id", "antenna", "receiver", "firmware"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s_or_null("station_id", &self.station_id, NO_STATION),
                texts("antenna", self.antenna),
                texts("antenna_serial", self.antenna_serial),
                texts("receiver", self.receiver),
                texts("firmware", self.firmware),
                texts("receiver_serial", self.receiver_serial),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Signals {
    const KEY: &'static [&'static str] = &["time", "sat", "signal"];
    const KEEP_LARGEST: Option<&'static str> = Some("epochs");
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s("sat", self.sat),
                u32s("signal", self.signal),
                u32s("band", self.band),
                f32s("cn0_mean", self.cn0_mean),
                f32s("cn0_min", self.cn0_min),
                f32s("cn0_sd", self.cn0_sd),
                u32s("epochs", self.epochs),
                u32s("slips", self.slips),
                f32s("azimuth", self.azimuth),
                f32s("elevation", self.elevation),
                u32s_or_null("phase_slips", &self.phase_slips, NO_SLIPS),
                f32s("mp_rms_m", self.mp_rms_m),
                f32s("rot", self.rot),
                f32s("roti", self.roti),
                f32s("roti_1s", self.roti_1s),
                f32s("s4_like", self.s4_like),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Expecteds {
    const KEY: &'static [&'static str] = &["time", "sat"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s("sat", self.sat),
                f32s("azimuth", self.azimuth),
                f32s("elevation", self.elevation),
                bools("tracked", self.tracked),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Bands {
    const KEY: &'static [&'static str] = &["time", "band"];
    const KEEP_LARGEST: Option<&'static str> = Some("satellites");
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s("band", self.band),
                u32s("satellites", self.satellites),
                f32s("cn0_median", self.cn0_median),
                f32s("cn0_step_max", self.cn0_step_max),
                f32s("cn0_scatter", self.cn0_scatter),
                u32s("lost_lock", self.lost_lock),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Systems {
    const KEY: &'static [&'static str] = &["time", "system"];
    const KEEP_LARGEST: Option<&'static str> = Some("satellites");
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                u32s("system", self.system),
                u32s("satellites", self.satellites),
                u32s("first", self.first),
                u32s("second", self.second),
                i64s("time", self.time),
            ],
        )
    }
}

impl IntoFrame for Metrics {
    const KEY: &'static [&'static str] = &["time", "metric"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![texts("metric", self.metric), f64s("value", self.value), i64s("time", self.time)],
        )
    }
}

impl IntoFrame for Spectra {
    const KEY: &'static [&'static str] = &["time", "frequency_hz"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![f64s("frequency_hz", self.frequency_hz), f32s("power_dbm", self.power_dbm), i64s("time", self.time)],
        )
    }
}

impl IntoFrame for Logged {
    const KEY: &'static [&'static str] = &["time", "kind", "detail"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(self.len(), origin, vec![texts("kind", self.kind), texts("detail", self.detail), i64s("time", self.time)])
    }
}

impl IntoFrame for Spans {
    const KEY: &'static [&'static str] = &["time", "until", "kind"];
    fn into_frame(self, origin: u32) -> PolarsResult<DataFrame> {
        frame(
            self.len(),
            origin,
            vec![
                i64s("until", self.until),
                u32s("kind", self.kind),
                u32s("epochs", self.epochs),
                i64s("time", self.time),
            ],
        )
    }
}
