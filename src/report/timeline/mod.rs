//! The timeline of a site: every strip merged to columns of one time axis, as shapes for inline SVG and as a line of
//! letters for Markdown.
//!
//! A state is drawn by height as well as by colour: the taller the mark, the further the rover was from a fix. A loss too
//! short to fill its column is a small tick on the top edge, so that it neither vanishes nor looks longer than it was.

mod strips;
mod tracks;

use super::draw::{Svg, box_path, coordinate};
use super::text::hours;
use super::times::{Zone, duration};
use crate::model::picture::{DayTotal, Mark, Shade, SitePicture, StripKind, Track};
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};
use serde::Serialize;
use std::collections::BTreeSet;
use strips::{COVERAGE, GAP, LOOKS, event_rows, row, state_index};

/// Columns of a drawn strip.
const COLUMNS: usize = 960;
/// Columns of a strip of letters.
const LETTERS: usize = 72;
/// Height of a strip in SVG units.
const HEIGHT: u32 = 24;
/// Days that get an axis of their own.
const MOST_DAYS: usize = 7;
/// All of them together are not larger than this, so that the page stays under 2 MB.
const DAYS_BYTES: usize = 700_000;

/// One strip to draw.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Row {
    label: String,
    what: String,
    /// The picture, finished.
    svg: String,
    /// Class of its height: `low` (states, events) or `high` (values).
    size: &'static str,
    /// Ends of the scale, for values.
    top: String,
    bottom: String,
    letters: String,
}

/// A label of the axis.
#[derive(Debug, Clone, Serialize)]
pub(super) struct TickView {
    /// Percent of the width.
    percent: String,
    local: String,
    utc: String,
    edge: bool,
}

/// An entry of the legend.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Key {
    class: &'static str,
    letter: char,
    words: &'static str,
    y: u32,
    height: u32,
}

/// The whole timeline.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Timeline {
    rows: Vec<Row>,
    ticks: Vec<TickView>,
    keys: Vec<Key>,
    zone: String,
    zone_is_utc: bool,
    span: String,
    column: String,
    letter_column: String,
    height: u32,
    has_tracks: bool,
    has_night: bool,
    has_off: bool,
}

/// A day of its own.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Day {
    title: String,
    /// The one with most lost time, shown unfolded.
    worst: bool,
    timeline: Timeline,
}

/// The time axis.
#[derive(Clone, Copy)]
struct Axis {
    from: UtcMs,
    span: i64,
    columns: usize,
}

impl Axis {
    fn begin_of(self, column: usize) -> UtcMs {
        let part = i128::from(self.span) * column as i128 / self.columns as i128;
        self.from.saturating_add(i64::try_from(part).unwrap_or(0))
    }

    /// First and last column that a stretch touches; `None` outside of the axis.
    fn columns_of(self, from: UtcMs, to: UtcMs) -> Option<(usize, usize)> {
        let to = to.max(from.saturating_add(1));
        if to <= self.from || from >= self.from.saturating_add(self.span) {
            return None;
        }
        let column = |t: UtcMs| -> usize {
            let at = i128::from(t.saturating_sub(self.from).clamp(0, self.span - 1)) * self.columns as i128;
            usize::try_from(at / i128::from(self.span)).unwrap_or(0).min(self.columns - 1)
        };
        Some((column(from), column(to - 1)))
    }
}

/// The axis and what is the same in every row.
struct Frame<'a> {
    axis: Axis,
    zone: Zone,
    /// Prefix of the ids, unique on the page.
    id: &'a str,
    /// Path of the ticks.
    ticks: &'a [f64],
    shades: &'a [Shade],
}

impl Frame<'_> {
    /// An empty row: shades and ticks.
    fn begin(&self, n: usize, height: f64, title: &str, summary: &str) -> Svg {
        let id = format!("{}-{n}", self.id);
        let mut svg = Svg::stretched(&id, self.axis.columns as f64, height, title, summary);
        for night in [true, false] {
            let d: String = self
                .shades
                .iter()
                .filter(|s| s.night == night)
                .filter_map(|s| self.axis.columns_of(s.from, s.to))
                .map(|(a, b)| box_path(a as f64, 0.0, (b + 1 - a) as f64, height))
                .collect();
            svg.path(&d, if night { "night" } else { "off" });
        }
        let d: String = self.ticks.iter().map(|x| format!("M{} 0V{}", coordinate(*x), coordinate(height))).collect();
        svg.path(&d, "grid");
        svg
    }
}

/// The timeline of one site; `None` when there is nothing to draw.
pub(super) fn timeline(picture: &SitePicture, zone: Zone) -> Option<Timeline> {
    if picture.strips.is_empty() {
        return None;
    }
    within(picture, zone, picture.from, picture.to, "time")
}

/// Values alone on one time axis; `None` when there is nothing to draw.
pub(super) fn values(tracks: &[Track], from: UtcMs, to: UtcMs) -> Option<Timeline> {
    let picture = SitePicture { from, to, tracks: tracks.to_vec(), ..SitePicture::default() };
    within(&picture, Zone::UTC, from, to, "time").filter(|t| !t.rows.is_empty())
}

/// Days with the most lost time, each on an axis of its own, in order of time; none when the window is short anyway.
pub(super) fn days(picture: &SitePicture, zone: Zone) -> Vec<Day> {
    if picture.to.saturating_sub(picture.from) < 30 * HOUR_MS {
        return Vec::new();
    }
    let mut worst: Vec<&DayTotal> = picture.days.iter().filter(|d| d.lost_ms > 0).collect();
    worst.sort_by_key(|d| (std::cmp::Reverse(d.lost_ms), d.from));
    let mut out: Vec<(UtcMs, Day)> = Vec::new();
    let mut bytes = 0;
    for (n, d) in worst.into_iter().take(MOST_DAYS).enumerate() {
        let Some(mut day) = one_day(picture, zone, d, &format!("day{n}")) else { continue };
        day.worst = out.is_empty();
        bytes += day.timeline.rows.iter().map(|r| r.svg.len()).sum::<usize>();
        // The day with most lost time always has its place.
        if bytes > DAYS_BYTES && !out.is_empty() {
            break;
        }
        out.push((d.from, day));
    }
    out.sort_by_key(|(from, _)| *from);
    out.into_iter().map(|(_, day)| day).collect()
}

/// Only the part of a day in which a rover was logged, in whole quarters of an hour.
fn one_day(picture: &SitePicture, zone: Zone, d: &DayTotal, id: &str) -> Option<Day> {
    let rovers = || picture.strips.iter().filter(|s| s.kind == StripKind::Rover).flat_map(|s| &s.marks);
    let inside = || rovers().filter(|m| m.to > d.from && m.from < d.to);
    let step = 15 * MINUTE_MS;
    let from = inside().map(|m| m.from.max(d.from)).min()?.div_euclid(step) * step;
    let to = inside().map(|m| m.to.min(d.to)).max()?.saturating_add(step - 1).div_euclid(step) * step;
    let timeline = within(picture, zone, from, to, id)?;
    let h = |ms: i64| hours(ms as f64 / HOUR_MS as f64);
    let title = format!("{}: {} of {} lost", zone.day(d.from), h(d.lost_ms), h(d.observed_ms));
    Some(Day { title, worst: false, timeline })
}

/// The timeline of a part of the axis.
fn within(picture: &SitePicture, zone: Zone, from: UtcMs, to: UtcMs, id: &str) -> Option<Timeline> {
    let span = to.saturating_sub(from);
    if span <= 0 {
        return None;
    }
    let axis = Axis { from, span, columns: COLUMNS };
    let at = |t: UtcMs| (t - from) as f64 / span as f64;
    let ticks = zone.ticks(from, to);
    let grid: Vec<f64> = ticks.iter().map(|t| at(t.at) * COLUMNS as f64).collect();
    let frame = Frame { axis, zone, id, ticks: &grid, shades: &picture.shades };
    let mut rows = Vec::new();
    let mut used: BTreeSet<&'static str> = BTreeSet::new();
    for strip in &picture.strips {
        let all: Vec<&Mark> = strip.marks.iter().filter(|m| m.to >= from && m.from <= to).collect();
        let n = rows.len();
        match strip.kind {
            StripKind::Rover => {
                rows.push(row(&frame, n, (&strip.label, "fix state"), &all, state_index, &mut used));
            }
            StripKind::Coverage => {
                let index = |class: &str| if class == "gap" { GAP } else { COVERAGE };
                rows.push(row(&frame, n, (&strip.label, "base data present"), &all, index, &mut used));
            }
            StripKind::Events => event_rows(&frame, &strip.label, &all, &mut rows, &mut used),
        }
    }
    let strips = rows.len();
    for track in &picture.tracks {
        let n = rows.len();
        rows.extend(tracks::row(&frame, n, track, picture.from));
    }
    let mut keys: Vec<Key> = LOOKS
        .iter()
        .filter(|l| used.contains(l.class))
        .map(|l| Key { class: l.class, letter: l.letter, words: l.words, y: HEIGHT - l.height, height: l.height })
        .collect();
    if used.contains("brief") {
        keys.push(Key { class: "brief", letter: '\'', words: "losses shorter than one column", y: 0, height: 7 });
    }
    let ticks = ticks
        .into_iter()
        .map(|t| {
            let share = at(t.at);
            TickView { percent: format!("{:.2}", share * 100.0), local: t.local, utc: t.utc, edge: share > 0.93 }
        })
        .collect();
    let shaded = |night: bool| picture.shades.iter().any(|s| s.night == night && s.to > from && s.from < to);
    Some(Timeline {
        has_tracks: rows.len() > strips,
        has_night: shaded(true),
        has_off: shaded(false),
        rows,
        ticks,
        keys,
        zone: zone.title(),
        zone_is_utc: zone.is_utc(),
        span: zone.span_ms(from, to),
        column: duration(span / COLUMNS as i64),
        letter_column: duration(span / LETTERS as i64),
        height: HEIGHT,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::picture::Strip;
    use crate::model::time::{DAY_MS, SECOND_MS};

    fn mark(from: i64, to: i64, class: &str) -> Mark {
        Mark { from, to, class: class.to_owned(), title: String::new() }
    }

    fn one(marks: Vec<Mark>) -> Timeline {
        let strips = vec![Strip { label: "EX-1".to_owned(), kind: StripKind::Rover, marks }];
        let picture = SitePicture {
            site: "s".to_owned(),
            time_zone: "UTC".to_owned(),
            from: 0,
            to: 2 * DAY_MS,
            strips,
            tables: vec![],
            ..SitePicture::default()
        };
        timeline(&picture, Zone::UTC).expect("a timeline")
    }

    /// The pieces of a class in a row: x and width.
    fn pieces(row: &Row, class: &str) -> Vec<(usize, usize)> {
        let Some(at) = row.svg.find(&format!("class=\"m-{class}\" d=\"")) else { return Vec::new() };
        let d = row.svg[at..].split('"').nth(3).unwrap();
        d.split('M')
            .skip(1)
            .map(|p| {
                let x = p.split(' ').next().unwrap().parse().unwrap();
                let width = p.split('h').nth(1).unwrap().split('v').next().unwrap().parse().unwrap();
                (x, width)
            })
            .collect()
    }

    #[test]
    fn shapes_stand_at_their_time_and_add_up() {
        // 2 days over 960 columns: 20 columns an hour.
        let t = one(vec![
            mark(0, 12 * HOUR_MS, "fixed"),
            mark(12 * HOUR_MS, 18 * HOUR_MS, "float"),
            mark(18 * HOUR_MS, 48 * HOUR_MS, "fixed"),
        ]);
        assert_eq!(pieces(&t.rows[0], "fixed"), [(0, 240), (360, 600)]);
        assert_eq!(pieces(&t.rows[0], "float"), [(240, 120)]);
        assert_eq!(t.rows[0].letters, format!("{}{}{}", ".".repeat(18), "f".repeat(9), ".".repeat(45)));
        assert!(t.rows[0].svg.contains("fixed 42.0 h, float 6.0 h"));
        assert!(t.rows[0].svg.contains("fix state") && t.rows[0].svg.contains("1970-01-01 12:00"), "tip of the loss");
    }

    #[test]
    fn a_loss_of_seconds_is_a_tick_and_does_not_vanish() {
        let t = one(vec![
            mark(0, 10 * HOUR_MS, "fixed"),
            mark(10 * HOUR_MS, 10 * HOUR_MS + 5 * SECOND_MS, "float"),
            mark(10 * HOUR_MS + 5 * SECOND_MS, 48 * HOUR_MS, "fixed"),
        ]);
        assert_eq!(pieces(&t.rows[0], "fixed"), [(0, 960)]);
        assert_eq!(pieces(&t.rows[0], "brief"), [(200, 1)]);
    }

    #[test]
    fn marks_outside_or_backwards_do_no_harm() {
        let t = one(vec![
            mark(-5, -1, "float"),
            mark(i64::MIN, i64::MAX, "fixed"),
            mark(9, 3, "float"),
            mark(i64::MAX - 1, i64::MAX, "x"),
        ]);
        for class in ["fixed", "float", "brief"] {
            assert!(pieces(&t.rows[0], class).iter().all(|(x, w)| x + w <= COLUMNS));
        }
    }
}
