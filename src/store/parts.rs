//! The rows of one table of a bundle, in parts of which only few are in memory at once, by their UTC date.

use super::shelf::{Days, days_of};
use super::{StoreError, polars};
use crate::frames::view;
use crate::model::time::{DAY_MS, date_text};
use polars::frame::DataFrame;
use polars::prelude::{BooleanChunked, NewChunkedArray};
use std::collections::BTreeMap;

/// A bundle of more dates than this has clocks that ran wild: the rest of its rows has no date of its own.
const MOST_DATES: usize = 400;
/// What Hive calls the partition of rows without the value; its readers take it for null.
const NO_DATE: &str = "__HIVE_DEFAULT_PARTITION__";
/// Rows of several dates that are gathered at once.
const GATHERED_ROWS: u64 = 256 * 1024;

/// Brings a part as often as it is asked.
pub type Load<'a> = Box<dyn Fn() -> Result<DataFrame, StoreError> + 'a>;

/// Some rows of a table.
pub enum Part<'a> {
    /// They are there.
    Here(DataFrame),
    /// They lie elsewhere.
    Later {
        /// How many of which day; `None`: not known without looking.
        days: Option<Days>,
        /// Brings them.
        load: Load<'a>,
    },
}

impl std::fmt::Debug for Part<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Part::Here(frame) => write!(f, "{} rows", frame.height()),
            Part::Later { .. } => f.write_str("rows elsewhere"),
        }
    }
}

impl Part<'_> {
    /// The rows.
    ///
    /// # Errors
    /// When they cannot be brought.
    pub fn frame(&self) -> Result<DataFrame, StoreError> {
        match self {
            Part::Here(frame) => Ok(frame.clone()),
            Part::Later { load, .. } => load(),
        }
    }

    fn days(&self) -> Result<Days, StoreError> {
        match self {
            Part::Here(frame) => Ok(days_of(&view::i64s(frame, "time"))),
            Part::Later { days: Some(days), .. } => Ok(days.clone()),
            Part::Later { load, .. } => Ok(days_of(&view::i64s(&load()?, "time"))),
        }
    }
}

/// Gives the rows of a table date by date to `take`, each date once, its rows in the order of the parts in one or more frames.
pub(super) fn by_date(
    parts: &[Part<'_>],
    take: &mut dyn FnMut(&str, &mut Frames<'_>) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let days: Vec<Days> = parts.iter().map(Part::days).collect::<Result<_, _>>()?;
    let mut counts = Days::new();
    for (day, n) in days.iter().flatten() {
        *counts.entry(*day).or_default() += n;
    }
    let mut own: Vec<(i64, u64)> = counts.iter().map(|(day, n)| (*day, *n)).collect();
    if own.len() > MOST_DATES {
        own.sort_by_key(|(day, n)| (std::cmp::Reverse(*n), *day));
        own.truncate(MOST_DATES);
        own.sort_unstable();
    }
    let mut last = Last::default();
    let mut rest = own.as_slice();
    while !rest.is_empty() {
        // Several dates at a time as far as they fit: a part whose clock ran wild has rows of many.
        let mut rows = 0;
        let fits = rest.iter().take_while(|(_, n)| {
            rows += n;
            rows <= GATHERED_ROWS
        });
        let (some, others) = rest.split_at(fits.count().max(1));
        rest = others;
        if let [(day, _)] = some {
            // It may be a large one: its rows go as they come.
            let with_day = parts.iter().zip(&days).enumerate().filter(|(_, (_, days))| days.contains_key(day));
            let mut frames = with_day.map(|(i, (part, days))| {
                let frame = last.of(i, part)?;
                if days.len() == 1 { Ok(frame.clone()) } else { within(frame, &|d| d == *day) }
            });
            take(&date_text(*day), &mut frames)?;
            continue;
        }
        let mut of_day: BTreeMap<i64, Vec<DataFrame>> = BTreeMap::new();
        for (i, (part, days)) in parts.iter().zip(&days).enumerate() {
            for (day, _) in some.iter().filter(|(day, _)| days.contains_key(day)) {
                let rows = within(last.of(i, part)?, &|d| d == *day)?;
                of_day.entry(*day).or_default().push(rows);
            }
        }
        for (day, frames) in of_day {
            take(&date_text(day), &mut frames.into_iter().map(Ok))?;
        }
    }
    let placed: Days = own.into_iter().collect();
    if placed.len() < counts.len() {
        let is_rest = |day: i64| !placed.contains_key(&day);
        let with_rest = parts.iter().zip(&days).filter(|(_, days)| days.keys().any(|day| is_rest(*day)));
        take(NO_DATE, &mut with_rest.map(|(part, _)| within(&part.frame()?, &is_rest)))?;
    }
    Ok(())
}

/// Frames one after the other.
pub(super) type Frames<'a> = dyn Iterator<Item = Result<DataFrame, StoreError>> + 'a;

/// The part that was loaded last: the next date mostly begins in it.
#[derive(Default)]
struct Last(Option<(usize, DataFrame)>);

impl Last {
    fn of(&mut self, i: usize, part: &Part<'_>) -> Result<&DataFrame, StoreError> {
        if self.0.as_ref().is_none_or(|(at, _)| *at != i) {
            self.0 = None;
            self.0 = Some((i, part.frame()?));
        }
        self.0.as_ref().map(|(_, frame)| frame).ok_or_else(|| StoreError::NotUsable("no part".to_owned()))
    }
}

/// The rows of the days that are wanted, in their order. Mostly they lie side by side, and nothing is copied.
fn within(frame: &DataFrame, wanted: &dyn Fn(i64) -> bool) -> Result<DataFrame, StoreError> {
    let mask: Vec<bool> = view::i64s(frame, "time").into_iter().map(|t| wanted(t.div_euclid(DAY_MS))).collect();
    let from = mask.iter().position(|w| *w).unwrap_or(mask.len());
    let run = mask.iter().skip(from).take_while(|w| **w).count();
    if mask.iter().skip(from + run).any(|w| *w) {
        return polars(frame.filter(&BooleanChunked::from_slice("date".into(), &mask)));
    }
    Ok(frame.slice(from as i64, run))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::schema;
    use crate::model::rows::{LoggedEvent, Rows};

    fn frame(times: &[i64]) -> DataFrame {
        let mut rows = Rows::default();
        for time in times {
            rows.logged.push(LoggedEvent { time: *time, kind: "x".into(), detail: String::new() });
        }
        schema::take_table(&mut rows, "logged", 0).unwrap()
    }

    fn dates(parts: &[Part<'_>]) -> Vec<(String, Vec<i64>)> {
        let mut out = Vec::new();
        by_date(parts, &mut |date, frames| {
            let times = frames.flat_map(|f| view::i64s(&f.unwrap(), "time")).collect();
            out.push((date.to_owned(), times));
            Ok(())
        })
        .unwrap();
        out
    }

    #[test]
    fn parts_are_cut_at_midnight_and_joined_by_date() {
        let half = DAY_MS / 2;
        let a = frame(&[0, half, DAY_MS]);
        let b = frame(&[DAY_MS + 1, 3 * DAY_MS, 5]);
        let expected = vec![
            ("1970-01-01".to_owned(), vec![0, half, 5]),
            ("1970-01-02".to_owned(), vec![DAY_MS, DAY_MS + 1]),
            ("1970-01-04".to_owned(), vec![3 * DAY_MS]),
        ];
        assert_eq!(dates(&[Part::Here(a.clone()), Part::Here(b.clone())]), expected);
        let later = |f: &DataFrame, known: bool| {
            let frame = f.clone();
            let days = known.then(|| days_of(&view::i64s(f, "time")));
            Part::Later { days, load: Box::new(move || Ok(frame.clone())) }
        };
        assert_eq!(dates(&[later(&a, true), later(&b, false)]), expected);
        assert!(dates(&[]).is_empty());
    }

    #[test]
    fn a_clock_that_ran_wild_has_a_rest_without_dates() {
        let days = MOST_DATES as i64 + 3;
        // Of the first two days two rows each, so that other days are left over.
        let times: Vec<i64> = (0..days).chain([0, 1]).map(|d| d * DAY_MS).collect();
        let (a, b) = times.split_at(100);
        let found = dates(&[Part::Here(frame(a)), Part::Here(frame(b))]);
        assert_eq!(found.len(), MOST_DATES + 1);
        let rest = found.last().unwrap();
        assert_eq!((rest.0.as_str(), rest.1.len()), (NO_DATE, 3));
        assert_eq!(found[0].1, [0, 0]);
    }
}
