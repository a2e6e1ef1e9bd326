//! One row a key, in the order of the key.

use super::schema::IntoFrame;
use super::view;
use polars::frame::{DataFrame, UniqueKeepStrategy};
use polars::prelude::{IdxCa, PolarsResult, SortMultipleOptions};

/// One row of a table: its key, what decides between rows with one key, and where it is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Place {
    time: i64,
    /// The other columns of the key.
    rest: u64,
    /// Counted down from the largest: the fullest row comes first.
    keep: u32,
    origin: u32,
    at: u32,
}

impl Place {
    fn key(&self) -> (i64, u64) {
        (self.time, self.rest)
    }
}

/// Whether the time of every row is after that of the row before: most logs of a rover, the longest tables by far.
pub(super) fn rises(frame: &DataFrame) -> bool {
    let times = view::i64s(frame, "time");
    times.len() == frame.height() && times.is_sorted_by(|a, b| a < b)
}

/// Sorts a table by its key and leaves one row a key: the fullest, of several as full the one of the first origin, so that
/// the kept row is the same in every run.
pub(super) fn sorted_once<T: IntoFrame>(all: DataFrame) -> PolarsResult<DataFrame> {
    if rises(&all) {
        return Ok(all);
    }
    let Some(mut places) = places::<T>(&all) else { return by_frames::<T>(all) };
    if places.is_sorted_by(|a, b| a.key() < b.key()) {
        return Ok(all);
    }
    // Decoders close a minute with all that is in it: only what stands beside each other is in disorder.
    if places.is_sorted_by_key(|p| p.time) {
        places.chunk_by_mut(|a, b| a.time == b.time).for_each(<[Place]>::sort_unstable);
    } else {
        // Logs that overlap, one behind the other: the stable sort joins their runs instead of sorting all anew.
        places.sort();
    }
    places.dedup_by_key(|p| p.key());
    let at = places.iter().map(|p| p.at).collect();
    drop(places);
    let mut all = all.take(&IdxCa::from_vec("at".into(), at))?;
    all.rechunk_mut();
    Ok(all)
}

/// Keys as numbers. `None`: a column of the key is no small integer, or there are too many of them.
fn places<T: IntoFrame>(all: &DataFrame) -> Option<Vec<Place>> {
    let [time, rest @ ..] = T::KEY else { return None };
    if rest.len() > 2 || u32::try_from(all.height()).is_err() {
        return None;
    }
    let times = view::i64s(all, time);
    let origins = view::u32s_full(all, "origin");
    let keep = match T::KEEP_LARGEST {
        Some(column) => view::u32s_full(all, column),
        None => vec![0; all.height()],
    };
    if [times.len(), origins.len(), keep.len()] != [all.height(); 3] {
        return None;
    }
    let mut out: Vec<Place> = times
        .iter()
        .zip(keep.iter().zip(&origins))
        .zip(0..)
        .map(|((time, (keep, origin)), at)| Place { time: *time, rest: 0, keep: u32::MAX - keep, origin: *origin, at })
        .collect();
    for column in rest {
        let values = view::u32s(all, column);
        if values.len() != out.len() || values.contains(&Some(u32::MAX)) {
            return None;
        }
        // Null comes first.
        out.iter_mut().zip(values).for_each(|(p, v)| p.rest = (p.rest << 32) | v.map_or(0, |v| u64::from(v) + 1));
    }
    Some(out)
}

/// The same by polars, for keys of any type.
fn by_frames<T: IntoFrame>(mut all: DataFrame) -> PolarsResult<DataFrame> {
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
    use crate::model::rows::{Correction, Corrections, NO_STATION, Rows};

    /// Any number out of a counter (Knuth's multiplier for 64 bits).
    fn any(n: u64) -> u64 {
        n.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407) >> 33
    }

    #[test]
    fn the_same_as_by_polars() {
        for (seed, rows_a_time) in [(1, None), (2, Some(1)), (3, Some(60))] {
            let mut frames = Vec::new();
            for origin in 0..3_u32 {
                let mut rows = Rows::default();
                for i in 0..500_u64 {
                    let n = any(any(seed * 100_000 + u64::from(origin) * 1000 + i));
                    // Times in any order, in order, in order with many rows each.
                    let time = rows_a_time.map_or(n % 97, |rows| i / rows) as i64;
                    rows.corrections.push(Correction {
                        time: time * 60_000,
                        station_id: if n.is_multiple_of(5) { NO_STATION } else { (n % 3) as u16 },
                        message: 1070 + (n / 7 % 2) as u16,
                        count: (n / 64 % 11) as u32,
                        bytes: i as u32,
                        longest_gap_s: f32::NAN,
                    });
                }
                frames.push(rows.corrections.into_frame(origin).unwrap());
            }
            let mut all = frames.remove(0);
            frames.iter().for_each(|f| all = all.vstack(f).unwrap());
            let (own, other) = (sorted_once::<Corrections>(all.clone()), by_frames::<Corrections>(all.clone()));
            let (own, other) = (own.unwrap(), other.unwrap());
            assert!(own.height() > 20 && own.height() < all.height(), "{}", own.height());
            assert!(own.equals_missing(&other), "seed {seed}: {own} {other}");
            assert!(own.equals_missing(&sorted_once::<Corrections>(own.clone()).unwrap()));
        }
    }
}
