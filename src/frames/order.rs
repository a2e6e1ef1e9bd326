//! One row a key, in the order of the key.

use super::schema::IntoFrame;
use super::view;
use polars::frame::{DataFrame, UniqueKeepStrategy};
use polars::prelude::{Column, DataType, IdxCa, PolarsResult, SortMultipleOptions};

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
    let at = IdxCa::from_vec("at".into(), at);
    // Column by column: taken as a frame, each table would wake all threads of the frames library.
    let columns = all.columns().iter().map(|c| c.take(&at)).collect::<PolarsResult<Vec<Column>>>()?;
    let mut all = DataFrame::new(at.len(), columns)?;
    all.rechunk_mut();
    Ok(all)
}

/// Keys as numbers. `None`: a column of the key has a type that no table of ours has, or there are too many rows.
fn places<T: IntoFrame>(all: &DataFrame) -> Option<Vec<Place>> {
    let [time, rest @ ..] = T::KEY else { return None };
    if u32::try_from(all.height()).is_err() {
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
    for (i, column) in rest.iter().enumerate() {
        let numbers = numbers(all.column(column).ok()?)?;
        if numbers.len() != out.len() {
            return None;
        }
        // Of three columns and more the first ones become one.
        if i > 1 {
            let ranks = ranks(&out.iter().map(|p| Some(p.rest)).collect::<Vec<_>>());
            out.iter_mut().zip(ranks).for_each(|(p, rank)| p.rest = u64::from(rank));
        }
        out.iter_mut().zip(numbers).for_each(|(p, n)| p.rest = (p.rest << 32) | u64::from(n));
    }
    Some(out)
}

/// Numbers in the order of the values of a column; null comes first.
fn numbers(column: &Column) -> Option<Vec<u32>> {
    Some(match column.dtype() {
        DataType::UInt32 => {
            let values = view::u32s_of(column);
            if values.contains(&Some(u32::MAX)) {
                return None;
            }
            values.into_iter().map(|v| v.map_or(0, |v| v + 1)).collect()
        }
        DataType::Int64 => ranks(&column.i64().ok()?.iter().collect::<Vec<_>>()),
        // Zero has no sign here; with the other bits turned, negative numbers are in order too.
        DataType::Float64 => {
            let turned = |v: f64| {
                let bits = (v + 0.0).to_bits().cast_signed();
                if bits < 0 { bits ^ i64::MAX } else { bits }
            };
            ranks(&column.f64().ok()?.iter().map(|v| v.map(turned)).collect::<Vec<_>>())
        }
        DataType::String => ranks(&column.str().ok()?.iter().collect::<Vec<_>>()),
        _ => return None,
    })
}

/// Places of values among the different ones of them, from 1; 0 where there is none.
fn ranks<V: Ord + Copy>(values: &[Option<V>]) -> Vec<u32> {
    let mut different: Vec<V> = values.iter().flatten().copied().collect();
    different.sort_unstable();
    different.dedup();
    values.iter().map(|v| v.map_or(0, |v| different.partition_point(|d| *d <= v) as u32)).collect()
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
    use crate::model::rows::{Correction, Corrections, Logged, LoggedEvent, NO_STATION, Position, Positions, Rows};

    /// Any number out of a counter (Knuth's multiplier for 64 bits).
    fn any(n: u64) -> u64 {
        n.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407) >> 33
    }

    #[test]
    fn texts_and_floats_are_in_order_as_by_polars() {
        let (mut positions, mut logged) = (Rows::default(), Rows::default());
        for i in 0..800_u64 {
            let n = any(any(i));
            let metre = |k: u64| [f64::NAN, -2.5, -0.0, 0.0, 1e9, -1e9, 3.5][(n / k % 7) as usize];
            positions.positions.push(Position {
                time: (n % 5) as i64,
                station_id: if n.is_multiple_of(4) { NO_STATION } else { (n / 16 % 2) as u16 },
                x_m: metre(64),
                y_m: metre(1024),
                z_m: metre(8192),
                antenna_height_m: i as f32,
                from_rtcm: true,
                is_virtual: false,
            });
            let word = |k: u64| ["", "b", "ab", "a", "\u{e4}", "B"][(n / k % 6) as usize].to_owned();
            logged.logged.push(LoggedEvent { time: (n % 5) as i64, kind: word(8), detail: word(64) });
        }
        let same = |own: DataFrame, other: DataFrame, all: DataFrame| {
            assert!(own.height() > 20 && own.height() < all.height(), "{}", own.height());
            assert!(own.equals_missing(&other), "{own} {other}");
        };
        let all = positions.positions.into_frame(0).unwrap();
        assert!(places::<Positions>(&all).is_some());
        same(sorted_once::<Positions>(all.clone()).unwrap(), by_frames::<Positions>(all.clone()).unwrap(), all);
        let all = logged.logged.into_frame(0).unwrap();
        assert!(places::<Logged>(&all).is_some());
        same(sorted_once::<Logged>(all.clone()).unwrap(), by_frames::<Logged>(all.clone()).unwrap(), all);
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
