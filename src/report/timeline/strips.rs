//! Rows of states and events: marks filled into columns, the class that took most of a column drawn, short losses as ticks.

use super::super::draw::box_path;
use super::super::text::{kind_words, name, plain, upper_first};
use super::super::times::{Zone, duration};
use super::{Axis, Frame, HEIGHT, LETTERS, Row};
use crate::model::picture::Mark;
use std::collections::{BTreeMap, BTreeSet};

/// Rows for kinds of events of one base; further kinds share one row.
const EVENT_ROWS: usize = 8;

/// How a class is drawn.
pub(super) struct Look {
    pub(super) class: &'static str,
    pub(super) letter: char,
    pub(super) height: u32,
    pub(super) words: &'static str,
}

const fn look(class: &'static str, letter: char, height: u32, words: &'static str) -> Look {
    Look { class, letter, height, words }
}

/// States in order of severity; the last two are not states of a rover.
pub(super) const LOOKS: [Look; 9] = [
    look("fixed", '.', 4, "fixed"),
    look("estimated", 'e', 10, "estimated"),
    look("float", 'f', 14, "float"),
    look("dgnss", 'd', 18, "DGNSS"),
    look("autonomous", 'a', 21, "autonomous"),
    look("nothing", 'n', 24, "no position"),
    look("gap", ' ', 0, "no log"),
    look("event", '#', 24, "event at the base"),
    look("coverage", '=', 10, "base data present"),
];
pub(super) const GAP: usize = 6;
const EVENT: usize = 7;
pub(super) const COVERAGE: usize = 8;

pub(super) fn state_index(class: &str) -> usize {
    match class {
        "fixed" => 0,
        "estimated" => 1,
        "float" => 2,
        "dgnss" => 3,
        "autonomous" => 4,
        "none" => 5,
        _ => GAP,
    }
}

/// Time in each column by class.
fn fill(axis: Axis, marks: &[&Mark], index: impl Fn(&str) -> usize) -> Vec<[i64; 9]> {
    let mut columns = vec![[0_i64; 9]; axis.columns];
    for mark in marks {
        let Some((first, last)) = axis.columns_of(mark.from, mark.to) else { continue };
        let class = index(&mark.class);
        for (k, column) in columns.get_mut(first..=last).unwrap_or_default().iter_mut().enumerate() {
            let c = first + k;
            let inside = mark.to.min(axis.begin_of(c + 1)).saturating_sub(mark.from.max(axis.begin_of(c)));
            if let Some(time) = column.get_mut(class) {
                *time = time.saturating_add(inside.max(1));
            }
        }
    }
    columns
}

/// What a column shows: the class that took most of its time, and whether a shorter loss hides in it.
fn shown(column: &[i64; 9]) -> (Option<usize>, bool) {
    let top = column.iter().enumerate().filter(|(_, t)| **t > 0).max_by_key(|(i, t)| (**t, *i)).map(|(i, _)| i);
    let lost = column.iter().take(GAP).skip(1).any(|t| *t > 0);
    (top, lost && matches!(top, Some(0 | GAP) | None))
}

/// Runs of equal columns: class, first column, column after the last.
fn runs<T: PartialEq + Copy>(cells: &[T]) -> Vec<(T, usize, usize)> {
    let mut out: Vec<(T, usize, usize)> = Vec::new();
    for (i, cell) in cells.iter().enumerate() {
        match out.last_mut() {
            Some((value, _, end)) if value == cell => *end = i + 1,
            _ => out.push((*cell, i, i + 1)),
        }
    }
    out
}

/// Marks that tell their words when pointed at, a row: the longest ones.
const TIPS: usize = 40;

pub(super) fn row(
    frame: &Frame<'_>,
    n: usize,
    (label, what): (&str, &str),
    marks: &[&Mark],
    index: impl Fn(&str) -> usize,
    used: &mut BTreeSet<&'static str>,
) -> Row {
    let (axis, zone) = (frame.axis, frame.zone);
    let mut sorted = marks.to_vec();
    sorted.sort_by_key(|m| m.from);
    let columns = fill(axis, marks, &index);
    let cells: Vec<(Option<usize>, bool)> = columns.iter().map(shown).collect();
    let tops: Vec<Option<usize>> = cells.iter().map(|c| c.0).collect();
    let is_loss =
        |i: Option<usize>| i.and_then(|i| tops.get(i)).is_some_and(|t| t.is_some_and(|c| (1..GAP).contains(&c)));
    // The first and last seconds of a loss that is drawn already are no loss of their own.
    let brief: Vec<bool> =
        cells.iter().enumerate().map(|(i, c)| c.1 && !is_loss(i.checked_sub(1)) && !is_loss(Some(i + 1))).collect();
    let mut paths: BTreeMap<&'static str, String> = BTreeMap::new();
    let mut tips: Vec<(usize, usize, String)> = Vec::new();
    for (class, begin, end) in runs(&tops) {
        let Some(look) = class.and_then(|c| LOOKS.get(c)) else { continue };
        if look.height == 0 {
            continue;
        }
        let y = f64::from(HEIGHT - look.height);
        let piece = box_path(begin as f64, y, (end - begin) as f64, f64::from(look.height));
        paths.entry(look.class).or_default().push_str(&piece);
        if look.class != "fixed" {
            tips.push((begin, end, title(axis, zone, label, look, &sorted, &index, (begin, end))));
        }
    }
    for (is_brief, begin, end) in runs(&brief) {
        if is_brief {
            paths.entry("brief").or_default().push_str(&box_path(begin as f64, 0.0, (end - begin) as f64, 7.0));
        }
    }
    tips.sort_by_key(|t| (std::cmp::Reverse(t.1 - t.0), t.0));
    tips.truncate(TIPS);
    tips.sort_by_key(|t| t.0);
    let label = name(label);
    let mut svg = frame.begin(n, f64::from(HEIGHT), &format!("{label}, {what}"), &summary(marks, &index));
    for (class, d) in &paths {
        used.insert(class);
        svg.path(d, &format!("m-{class}"));
    }
    for (begin, end, words) in &tips {
        svg.tip(*begin as f64, 0.0, (end - begin) as f64, f64::from(HEIGHT), words);
    }
    let letters = fill(Axis { columns: LETTERS, ..axis }, marks, &index)
        .iter()
        .map(|column| match shown(column) {
            (_, true) => '\'',
            (Some(class), false) => LOOKS.get(class).map_or(' ', |l| l.letter),
            (None, false) => ' ',
        })
        .collect();
    Row { label, what: name(what), svg: svg.finish(), size: "low", top: String::new(), bottom: String::new(), letters }
}

fn words_of(label: &str, look: &Look) -> String {
    if look.class == "event" { name(label) } else { look.words.to_owned() }
}

/// Words of a run of columns: one mark alone says its own times and words; several merged ones the times of their columns.
fn title(
    axis: Axis,
    zone: Zone,
    label: &str,
    look: &Look,
    sorted: &[&Mark],
    index: &impl Fn(&str) -> usize,
    (begin, end): (usize, usize),
) -> String {
    let (from, to) = (axis.begin_of(begin), axis.begin_of(end));
    let first = sorted.partition_point(|m| m.from < from).saturating_sub(1);
    let end_at = sorted.partition_point(|m| m.from < to);
    let mut inside = sorted.get(first..end_at).unwrap_or_default().iter().filter(|m| {
        m.to.max(m.from.saturating_add(1)) > from && LOOKS.get(index(&m.class)).is_some_and(|l| l.class == look.class)
    });
    match (inside.next(), inside.next()) {
        (Some(m), None) if m.title.is_empty() => format!("{}, {}", words_of(label, look), zone.span_ms(m.from, m.to)),
        (Some(m), None) => format!("{}, {}", plain(&m.title, 160), zone.span_ms(m.from, m.to)),
        _ => format!("{}, {}", words_of(label, look), zone.span_ms(from, to)),
    }
}

/// Time by class in words, for people who do not see the strip.
fn summary(marks: &[&Mark], index: &impl Fn(&str) -> usize) -> String {
    let mut by_class: BTreeMap<usize, i64> = BTreeMap::new();
    for mark in marks {
        let time = by_class.entry(index(&mark.class)).or_default();
        *time = time.saturating_add(mark.to.saturating_sub(mark.from).max(0));
    }
    let parts: Vec<String> = by_class
        .iter()
        .filter_map(|(class, ms)| LOOKS.get(*class).map(|l| format!("{} {}", l.words, duration(*ms))))
        .collect();
    if parts.is_empty() { "nothing logged".to_owned() } else { parts.join(", ") }
}

/// One row a kind of event, the kinds with most time first; the rest together.
pub(super) fn event_rows(
    frame: &Frame<'_>,
    label: &str,
    marks: &[&Mark],
    rows: &mut Vec<Row>,
    used: &mut BTreeSet<&'static str>,
) {
    let mut kinds: BTreeMap<&str, (i64, Vec<&Mark>)> = BTreeMap::new();
    for mark in marks {
        let entry = kinds.entry(&mark.class).or_default();
        entry.0 = entry.0.saturating_add(mark.to.saturating_sub(mark.from).max(1));
        entry.1.push(mark);
    }
    let mut kinds: Vec<(&str, (i64, Vec<&Mark>))> = kinds.into_iter().collect();
    kinds.sort_by(|a, b| b.1.0.cmp(&a.1.0).then(a.0.cmp(b.0)));
    let rest: Vec<&Mark> = kinds.iter().skip(EVENT_ROWS).flat_map(|k| k.1.1.iter().copied()).collect();
    for (kind, (_, marks)) in kinds.iter().take(EVENT_ROWS) {
        rows.push(row(frame, rows.len(), (&upper_first(&kind_words(kind)), label), marks, |_| EVENT, used));
    }
    if !rest.is_empty() {
        rows.push(row(frame, rows.len(), ("Other events", label), &rest, |_| EVENT, used));
    }
}
