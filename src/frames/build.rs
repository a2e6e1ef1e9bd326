//! Row batches of many files become the frames of one unit: joined, sorted, every overlap counted once.

use super::UnitFrames;
use super::schema::IntoFrame;
use crate::model::event::Origin;
use crate::model::ids::Role;
use crate::model::rows::Rows;
use crate::model::sky::GeometryFrom;
use polars::frame::{DataFrame, UniqueKeepStrategy};
use polars::prelude::{PolarsResult, SortMultipleOptions};

/// Collects the files of one unit.
#[derive(Debug)]
pub struct UnitBuilder {
    unit: String,
    role: Role,
    site: String,
    batches: Vec<(Origin, Rows)>,
}

impl UnitBuilder {
    /// A builder for one unit.
    pub fn new(unit: &str, role: Role, site: &str) -> UnitBuilder {
        UnitBuilder { unit: unit.to_owned(), role, site: site.to_owned(), batches: Vec::new() }
    }

    /// Adds what one file gave.
    pub fn add(&mut self, origin: Origin, rows: Rows) {
        if !rows.is_empty() {
            self.batches.push((origin, rows));
        }
    }

    /// Joins, sorts and counts overlaps once. The result does not depend on the order in which files were added.
    ///
    /// # Errors
    /// When polars cannot build a table (out of memory, too many rows).
    pub fn build(mut self) -> PolarsResult<UnitFrames> {
        self.batches.sort_by(|a, b| a.0.cmp(&b.0));
        let origins: Vec<Origin> = self.batches.iter().map(|(o, _)| o.clone()).collect();
        let mut tables: [Vec<DataFrame>; 11] = Default::default();
        for (i, (_, rows)) in self.batches.into_iter().enumerate() {
            let origin = u32::try_from(i).unwrap_or(u32::MAX);
            add(&mut tables[0], rows.fixes, origin)?;
            add(&mut tables[1], rows.corrections, origin)?;
            add(&mut tables[2], rows.positions, origin)?;
            add(&mut tables[3], rows.descriptions, origin)?;
            add(&mut tables[4], rows.signals, origin)?;
            add(&mut tables[5], rows.bands, origin)?;
            add(&mut tables[6], rows.systems, origin)?;
            add(&mut tables[7], rows.metrics, origin)?;
            add(&mut tables[8], rows.spectra, origin)?;
            add(&mut tables[9], rows.logged, origin)?;
            add(&mut tables[10], rows.spans, origin)?;
        }
        let [fixes, corrections, positions, descriptions, signals, bands, systems, metrics, spectra, logged, spans] =
            tables;
        use crate::model::rows as r;
        Ok(UnitFrames {
            unit: self.unit,
            role: self.role,
            site: self.site,
            origins,
            fixes: merge::<r::Fixes>(fixes)?,
            corrections: merge::<r::Corrections>(corrections)?,
            positions: merge::<r::Positions>(positions)?,
            descriptions: merge::<r::Descriptions>(descriptions)?,
            signals: merge::<r::Signals>(signals)?,
            bands: merge::<r::Bands>(bands)?,
            systems: merge::<r::Systems>(systems)?,
            metrics: merge::<r::Metrics>(metrics)?,
            spectra: merge::<r::Spectra>(spectra)?,
            logged: merge::<r::Logged>(logged)?,
            spans: merge::<r::Spans>(spans)?,
            expected: r::Expecteds::default().into_frame(0)?,
            geometry_from: GeometryFrom::None,
        }
        .with_list_geometry())
    }
}

fn add<T: IntoFrame>(to: &mut Vec<DataFrame>, rows: T, origin: u32) -> PolarsResult<()> {
    let frame = rows.into_frame(origin)?;
    if frame.height() > 0 {
        to.push(frame);
    }
    Ok(())
}

/// One table out of the files' tables: sorted by its key, one row a key.
fn merge<T: IntoFrame + Default>(frames: Vec<DataFrame>) -> PolarsResult<DataFrame> {
    let mut frames = frames.into_iter();
    let Some(mut all) = frames.next() else { return T::default().into_frame(0) };
    for frame in frames {
        all.vstack_mut_owned(frame)?;
    }
    all.rechunk_mut();
    // Within one key: the fullest row first, then the first origin, so that the kept row is the same in every run.
    let mut by: Vec<&str> = T::KEY.to_vec();
    let mut descending = vec![false; by.len()];
    if let Some(column) = T::KEEP_LARGEST {
        by.push(column);
        descending.push(true);
    }
    by.push("origin");
    descending.push(false);
    let options = SortMultipleOptions::new().with_order_descending_multi(descending).with_maintain_order(true);
    all.sort_in_place(by, options)?;
    let key: Vec<String> = T::KEY.iter().map(|k| (*k).to_owned()).collect();
    let mut all = all.unique_stable(Some(&key), UniqueKeepStrategy::First, None)?;
    all.rechunk_mut();
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::view;
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
