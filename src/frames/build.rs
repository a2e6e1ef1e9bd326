//! Row batches of many files become the frames of one unit: joined, sorted, every overlap counted once.

use super::order::{rises, sorted_once};
use super::schema::{self, Columns, IntoFrame, Wanted};
use super::{FrameError, UnitFrames, view};
use crate::model::event::Origin;
use crate::model::ids::Role;
use crate::model::rows::Rows;
use crate::model::sky::GeometryFrom;
use polars::frame::DataFrame;
use polars::prelude::{BooleanChunked, Column, NamedFrom, NewChunkedArray, PolarsResult, Series};
use std::sync::Arc;

/// Tables of several files that exist already (in a store): the column `origin` of a frame is an index of `origins`.
#[derive(Debug, Default)]
pub struct Batch {
    /// The files.
    pub origins: Vec<Origin>,
    /// Table and frame, any number a table.
    pub tables: Vec<(String, DataFrame)>,
}

impl Batch {
    /// The frames of the files of one bundle.
    ///
    /// # Errors
    /// When polars cannot build a table.
    pub fn of(files: Vec<(Origin, Rows)>) -> PolarsResult<Batch> {
        let mut tables = Vec::new();
        let origins = Batch::each(files, |name, frame| {
            tables.push((name.to_owned(), frame));
            PolarsResult::Ok(())
        })?;
        Ok(Batch { origins, tables })
    }

    /// Gives the frames of the files of one bundle one after the other; rows go while their frame comes.
    ///
    /// # Errors
    /// When polars cannot build a table, or what `take` says.
    pub fn each<E: From<FrameError>>(
        mut files: Vec<(Origin, Rows)>,
        mut take: impl FnMut(&'static str, DataFrame) -> Result<(), E>,
    ) -> Result<Vec<Origin>, E> {
        for name in schema::TABLES {
            let mut all: Option<DataFrame> = None;
            for (i, (_, rows)) in files.iter_mut().enumerate() {
                let frame = schema::take_table(rows, name, u32::try_from(i).unwrap_or(u32::MAX))?;
                match &mut all {
                    _ if frame.height() == 0 => {}
                    Some(table) => {
                        table.vstack_mut_owned(frame)?;
                    }
                    None => all = Some(frame),
                }
            }
            if let Some(frame) = all {
                take(name, frame)?;
            }
        }
        Ok(files.into_iter().map(|(origin, _)| origin).collect())
    }
}

/// Brings a [`Batch`] when the unit is built: of the table that is wanted (`None`: only the origins), as often as it is asked.
pub type Loader = Arc<dyn Fn(Option<Wanted<'_>>) -> PolarsResult<Batch> + Send + Sync>;

/// Collects the files of one unit.
pub struct UnitBuilder {
    unit: String,
    role: Role,
    site: String,
    batches: Vec<(Origin, Rows)>,
    later: Vec<Loader>,
}

impl UnitBuilder {
    /// A builder for one unit.
    pub fn new(unit: &str, role: Role, site: &str) -> UnitBuilder {
        UnitBuilder { unit: unit.to_owned(), role, site: site.to_owned(), batches: Vec::new(), later: Vec::new() }
    }

    /// Adds what one file gave.
    pub fn add(&mut self, origin: Origin, rows: Rows) {
        if !rows.is_empty() {
            self.batches.push((origin, rows));
        }
    }

    /// Adds tables that are loaded when the unit is built, so that only units in work take memory.
    pub fn add_later(&mut self, loader: Loader) {
        self.later.push(loader);
    }

    /// Joins, sorts and counts overlaps once. The result does not depend on the order in which files were added, nor on
    /// whether they came as rows or as tables.
    ///
    /// # Errors
    /// When polars cannot build a table (out of memory, too many rows), or what a loader says.
    pub fn build(self) -> PolarsResult<UnitFrames> {
        self.build_only(&schema::TABLES.map(Wanted::whole))
    }

    /// The same with what is wanted only; other tables and columns stay empty.
    ///
    /// # Errors
    /// As [`UnitBuilder::build`].
    pub fn build_only(mut self, wanted: &[Wanted<'_>]) -> PolarsResult<UnitFrames> {
        self.batches.sort_by(|a, b| a.0.cmp(&b.0));
        let mut origins: Vec<Origin> = self.batches.iter().map(|(o, _)| o.clone()).collect();
        let mut of_later: Vec<Vec<Origin>> = Vec::new();
        for loader in &self.later {
            of_later.push(loader(None)?.origins);
        }
        origins.extend(of_later.iter().flatten().cloned());
        origins.sort();
        origins.dedup();
        let mut sources = Sources { wanted, batches: self.batches, later: Vec::new(), origins };
        for (loader, own) in self.later.into_iter().zip(of_later) {
            let numbers = own.iter().map(|o| sources.index(o)).collect();
            sources.later.push((loader, numbers));
        }
        use crate::model::rows as r;
        Ok(UnitFrames {
            unit: self.unit,
            role: self.role,
            site: self.site,
            fixes: sources.table::<r::Fixes>("fixes")?,
            corrections: sources.table::<r::Corrections>("corrections")?,
            positions: sources.table::<r::Positions>("positions")?,
            descriptions: sources.table::<r::Descriptions>("descriptions")?,
            signals: sources.table::<r::Signals>("signals")?,
            bands: sources.table::<r::Bands>("bands")?,
            systems: sources.table::<r::Systems>("systems")?,
            metrics: sources.table::<r::Metrics>("metrics")?,
            spectra: sources.table::<r::Spectra>("spectra")?,
            logged: sources.table::<r::Logged>("logged")?,
            spans: sources.table::<r::Spans>("spans")?,
            expected: r::Expecteds::default().into_frame(0)?,
            origins: sources.origins,
            signals_aside: Default::default(),
            signal_origins: Default::default(),
            geometry_from: GeometryFrom::None,
        }
        .with_list_geometry())
    }
}

/// Where the rows of a unit come from, table by table.
struct Sources<'a> {
    wanted: &'a [Wanted<'a>],
    batches: Vec<(Origin, Rows)>,
    /// With the unit's number of each of its files.
    later: Vec<(Loader, Vec<u32>)>,
    origins: Vec<Origin>,
}

impl Sources<'_> {
    fn index(&self, origin: &Origin) -> u32 {
        self.origins.binary_search(origin).ok().and_then(|i| u32::try_from(i).ok()).unwrap_or(u32::MAX)
    }

    fn table<T: IntoFrame + Default>(&mut self, name: &str) -> PolarsResult<DataFrame> {
        let mut frames = Vec::new();
        if let Some(wanted) = self.wanted.iter().find(|w| w.table == name) {
            let mut with_key = T::KEY.to_vec();
            with_key.extend(T::KEEP_LARGEST.iter().chain(&["origin"]));
            let columns = match wanted.columns {
                Columns::Only(columns) => {
                    with_key.extend(columns);
                    Columns::Only(&with_key)
                }
                other => other,
            };
            let wanted = Wanted { table: name, columns };
            for i in 0..self.batches.len() {
                let number = self.batches.get(i).map_or(u32::MAX, |(origin, _)| self.index(origin));
                if let Some((_, rows)) = self.batches.get_mut(i) {
                    frames.push(wanted.of(schema::take_table(rows, name, number)?)?);
                }
            }
            for (loader, numbers) in &self.later {
                for (_, mut frame) in loader(Some(wanted))?.tables {
                    renumber(&mut frame, numbers)?;
                    frames.push(frame);
                }
            }
            frames.retain(|f| f.height() > 0);
        }
        merge::<T>(frames)
    }
}

/// The `origin` column counts files of one batch; `new` has the unit's number of each.
fn renumber(frame: &mut DataFrame, new: &[u32]) -> PolarsResult<()> {
    let numbers: Vec<u32> = view::u32s_full(frame, "origin")
        .into_iter()
        .map(|i| new.get(i as usize).copied().unwrap_or(u32::MAX))
        .collect();
    frame.with_column(Column::from(Series::new("origin".into(), numbers)))?;
    Ok(())
}

/// Rows that are sorted at once: sorting takes several times the memory of what it sorts.
const SORTED_AT_ONCE: usize = 250_000;

/// One table out of the files' tables: sorted by its key, one row a key.
fn merge<T: IntoFrame + Default>(frames: Vec<DataFrame>) -> PolarsResult<DataFrame> {
    merge_in_parts::<T>(frames, SORTED_AT_ONCE)
}

fn merge_in_parts<T: IntoFrame + Default>(mut frames: Vec<DataFrame>, at_once: usize) -> PolarsResult<DataFrame> {
    // Most units: no log reaches into the time of another, so each is put in order by itself.
    if put_in_order(&mut frames) && frames.iter().all(|f| f.height() <= at_once || rises(f)) {
        let sorted = frames.into_iter().map(sorted_once::<T>).collect::<PolarsResult<Vec<_>>>()?;
        return stack::<T>(sorted);
    }
    // Every key begins with the time: parts of it can be sorted by themselves.
    let mut times: Vec<i64> = frames.iter().flat_map(|f| view::i64s(f, "time")).collect();
    if times.len() <= at_once {
        return sorted_once::<T>(stack::<T>(frames)?);
    }
    times.sort_unstable();
    let mut cuts: Vec<i64> = times.iter().copied().step_by(at_once.max(1)).skip(1).collect();
    cuts.dedup();
    drop(times);
    let mut out: Vec<DataFrame> = Vec::with_capacity(cuts.len() + 1);
    let mut from = i64::MIN;
    for to in cuts.into_iter().map(Some).chain([None]) {
        let mut part = Vec::new();
        for frame in &frames {
            let times = view::i64s(frame, "time");
            let inside: Vec<bool> = times.iter().map(|t| *t >= from && to.is_none_or(|e| *t < e)).collect();
            if inside.contains(&true) {
                part.push(frame.filter(&BooleanChunked::from_slice("inside".into(), &inside))?);
            }
        }
        if !part.is_empty() {
            out.push(sorted_once::<T>(stack::<T>(part)?)?);
        }
        from = to.unwrap_or(i64::MAX);
    }
    drop(frames);
    stack::<T>(out)
}

/// Frames one behind the other.
fn stack<T: IntoFrame + Default>(frames: Vec<DataFrame>) -> PolarsResult<DataFrame> {
    let mut frames = frames.into_iter();
    let Some(mut all) = frames.next() else { return T::default().into_frame(0) };
    for frame in frames {
        all.vstack_mut_owned(frame)?;
    }
    Ok(all)
}

/// Puts frames one behind the other when none reaches into another's time.
fn put_in_order(frames: &mut Vec<DataFrame>) -> bool {
    let mut spans: Vec<(i64, i64, usize)> = Vec::with_capacity(frames.len());
    for (i, frame) in frames.iter().enumerate() {
        let times = view::i64s(frame, "time");
        let (Some(first), Some(last)) = (times.iter().min(), times.iter().max()) else { return false };
        spans.push((*first, *last, i));
    }
    spans.sort_unstable();
    if !spans.is_sorted_by(|a, b| a.1 < b.0) {
        return false;
    }
    *frames = spans.iter().filter_map(|span| frames.get(span.2).cloned()).collect();
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::rows::{Correction, Fix, NO_STATION};

    fn fix(time: i64, state: u8) -> Fix {
        Fix {
            time,
            state,
            satellites: 12,
            hdop: f32::NAN,
            correction_age_s: 1.0,
            station_id: NO_STATION,
            lat: 47.0,
            lon: 8.0,
            height_m: 500.0,
            sigma_h_m: f32::NAN,
            sigma_v_m: f32::NAN,
        }
    }

    fn origin(bundle: &str) -> Origin {
        Origin { bundle: bundle.to_owned(), file: "a.nmea".to_owned() }
    }

    #[test]
    fn overlapping_bundles_count_once_in_any_order() {
        let mut first = Rows::default();
        let mut second = Rows::default();
        for s in 0..10 {
            first.fixes.push(fix(s * 1000, 0));
            second.fixes.push(fix((s + 5) * 1000, 0));
        }
        let build = |order: [(&str, &Rows); 2]| {
            let mut builder = UnitBuilder::new("EX-1", Role::Rover, "site");
            for (name, rows) in order {
                builder.add(origin(name), rows.clone());
            }
            builder.build().unwrap()
        };
        let one = build([("a.zip", &first), ("b.zip", &second)]);
        let other = build([("b.zip", &second), ("a.zip", &first)]);
        assert_eq!(one.fixes.height(), 15);
        assert!(one.fixes.equals_missing(&other.fixes));
        assert_eq!(view::i64s(&one.fixes, "time"), (0..15).map(|s| s * 1000).collect::<Vec<_>>());
        assert!(view::f32s(&one.fixes, "hdop").iter().all(|v| v.is_nan()));
        assert_eq!(one.fixes.column("hdop").unwrap().null_count(), 15);
    }

    #[test]
    fn frames_in_order_are_joined_as_sorting_would() {
        let part = |seconds: &[i64]| {
            let mut rows = Rows::default();
            seconds.iter().for_each(|s| rows.fixes.push(fix(s * 1000, 0)));
            rows
        };
        let times = |parts: &[&[i64]]| {
            let mut builder = UnitBuilder::new("EX-1", Role::Rover, "site");
            for (i, seconds) in parts.iter().enumerate() {
                builder.add(origin(&format!("{i}.zip")), part(seconds));
            }
            let frames = builder.build().unwrap();
            let origins = view::u32s_full(&frames.fixes, "origin");
            view::i64s(&frames.fixes, "time").into_iter().map(|t| t / 1000).zip(origins).collect::<Vec<_>>()
        };
        assert_eq!(times(&[&[7, 8], &[1, 2], &[4]]), [(1, 1), (2, 1), (4, 2), (7, 0), (8, 0)]);
        // Out of order within, touching, within each other.
        assert_eq!(times(&[&[7, 6], &[1]]), [(1, 1), (6, 0), (7, 0)]);
        assert_eq!(times(&[&[1, 2], &[2, 3]]), [(1, 0), (2, 0), (3, 1)]);
        assert_eq!(times(&[&[1, 9], &[3, 4]]), [(1, 0), (3, 1), (4, 1), (9, 0)]);
    }

    #[test]
    fn sorted_in_parts_is_sorted_at_once() {
        let part = |seed: u64| {
            let mut rows = Rows::default();
            for i in 0..400_u64 {
                // Any times, many of them twice, not in order.
                let n = (i + seed).wrapping_mul(6_364_136_223_846_793_005) >> 40;
                rows.corrections.push(Correction {
                    time: (n % 97) as i64 * 60_000,
                    station_id: (n % 3) as u16,
                    message: 1077,
                    count: (n % 11) as u32,
                    bytes: i as u32,
                    longest_gap_s: f32::NAN,
                });
            }
            rows.corrections.into_frame(seed as u32).unwrap()
        };
        let frames = || vec![part(1), part(2), part(3)];
        let whole = merge_in_parts::<crate::model::rows::Corrections>(frames(), usize::MAX).unwrap();
        assert!(whole.height() > 20 && whole.height() < 400, "{}", whole.height());
        for at_once in [1, 7, 100, 1199] {
            let parts = merge_in_parts::<crate::model::rows::Corrections>(frames(), at_once).unwrap();
            assert!(whole.equals_missing(&parts), "{at_once}");
        }
    }

    #[test]
    fn the_fuller_minute_wins() {
        let row = |count| Correction {
            time: 0,
            station_id: 12,
            message: 1077,
            count,
            bytes: count * 300,
            longest_gap_s: 1.0,
        };
        let mut half = Rows::default();
        half.corrections.push(row(20));
        let mut full = Rows::default();
        full.corrections.push(row(60));
        let mut builder = UnitBuilder::new("B", Role::Base, "site");
        builder.add(origin("a.zip"), half);
        builder.add(origin("b.zip"), full);
        let frames = builder.build().unwrap();
        assert_eq!(view::u32s(&frames.corrections, "count"), vec![Some(60)]);
    }
}
