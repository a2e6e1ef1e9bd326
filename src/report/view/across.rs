//! What only shows over the whole fleet, for who decides where money goes: sites against the window before, what field work
//! did, rovers that are bad wherever they are, parts that stand out among the bad.

use super::{Context, site_name};
use crate::model::findings::{BadRover, FieldWorkAnswer, OverRepresented, SiteTrend};
use crate::report::figures::range_words;
use crate::report::text::{LONG, chance, count, hours, name, number, plain, share};
use serde::Serialize;

/// Longest of each table on a page; the rest is in `findings.json`.
const LIST: usize = 100;
/// Sites of a rover that are named in one cell.
const NAMED: usize = 5;

/// A site and the page that it leads to, which may be missing.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Place {
    name: String,
    href: String,
}

/// A site against the window before.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Changed {
    place: Place,
    change: &'static str,
    before: String,
    now: String,
    /// Range of the change of the lost share.
    points: String,
}

/// All sites against the window before.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Against {
    window: String,
    answer: String,
    rows: Vec<Changed>,
    more: usize,
}

/// Before and after of one change in the field.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Work {
    when: String,
    place: Place,
    unit: String,
    what: String,
    note: String,
    verdict: &'static str,
    before: String,
    after: String,
    ratio: String,
}

/// A rover that is bad wherever it is.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Rover {
    unit: String,
    sites: String,
    lost: String,
    observed: String,
    expected: String,
    times: String,
    told: &'static str,
}

/// A part that stands out among the bad.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Part {
    part: String,
    value: String,
    with: String,
    without: String,
    chance: String,
}

/// The part of the fleet page that is about all sites together.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Across {
    /// One sentence a thing that was found, for the top of the page.
    answers: Vec<String>,
    against: Option<Against>,
    work_answer: String,
    work: Vec<Work>,
    work_more: usize,
    rovers: Vec<Rover>,
    /// Whether one of them was at several sites, so that the last column says something.
    rovers_moved: bool,
    rovers_more: usize,
    parts: Vec<Part>,
    /// What was looked for and not found, or could not be looked for.
    nothing: Vec<&'static str>,
}

pub(super) fn across(c: &Context<'_>) -> Across {
    let fleet = &c.findings.fleet;
    let against = against(c);
    let work = &c.findings.fieldwork;
    let work_answer = work_answer(work);
    let mut answers: Vec<String> = Vec::new();
    answers.extend(against.as_ref().map(|a| a.answer.clone()));
    answers.extend(Some(work_answer.clone()).filter(|w| !w.is_empty()));
    // What the work did first, what cannot be said yet last; by time within.
    let order = |w: &&FieldWorkAnswer| VERDICTS.iter().position(|(id, ..)| *id == w.verdict).unwrap_or(VERDICTS.len());
    let mut sorted: Vec<&FieldWorkAnswer> = work.iter().collect();
    sorted.sort_by_key(order);
    let moved = fleet.bad_rovers.iter().filter(|r| r.sites.len() > 1).count();
    if moved > 0 {
        answers.push(format!(
            "{} far more than the rovers beside {} at every site.",
            count(moved, "rover loses", "rovers lose"),
            if moved == 1 { "it" } else { "them" }
        ));
    }
    let mut nothing = Vec::new();
    if against.is_none() {
        nothing.push("No window before to compare with: the nightly run keeps one.");
    }
    if work.is_empty() {
        nothing.push("No field work to judge: list it in fieldwork.csv.");
    }
    if fleet.bad_rovers.is_empty() {
        nothing.push("No rover loses clearly more than the rovers beside it at every site where it was.");
    }
    if fleet.over_represented.is_empty() {
        nothing.push("No receiver, firmware, antenna or cable stands out among the bad.");
    }
    Across {
        answers,
        against,
        work_answer,
        work: sorted.into_iter().take(LIST).map(|w| work_row(c, w)).collect(),
        work_more: work.len().saturating_sub(LIST),
        rovers: fleet.bad_rovers.iter().take(LIST).map(|r| rover(c, r)).collect(),
        rovers_moved: moved > 0,
        rovers_more: fleet.bad_rovers.len().saturating_sub(LIST),
        parts: fleet.over_represented.iter().take(LIST).map(part).collect(),
        nothing,
    }
}

/// What was done at one site.
pub(super) fn work_at(c: &Context<'_>, site: &str) -> Vec<Work> {
    c.findings.fieldwork.iter().filter(|w| w.site == site).take(LIST).map(|w| work_row(c, w)).collect()
}

fn place(c: &Context<'_>, site: &str) -> Place {
    Place {
        name: c.site(site).map_or_else(|| name(site), site_name),
        href: if c.options.html { c.path_of(site).unwrap_or_default() } else { String::new() },
    }
}

/// A ratio with its interval: `2.3 (1.4 to 3.8)`. Two digits: intervals of counts are never so narrow that more mean anything.
fn ratio_words(ratio: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    let end = |x: f64| match x {
        x if x >= 9.95 => format!("{x:.0}"),
        x if x >= 0.995 => format!("{x:.1}"),
        x => format!("{x:.2}"),
    };
    match (ratio, low, high) {
        (Some(r), Some(low), Some(high)) => format!("{} ({} to {})", end(r), end(low), end(high)),
        (Some(r), Some(low), None) => format!("{} (over {})", end(r), end(low)),
        (None, Some(low), None) => format!("over {}", end(low)),
        _ => "not known".to_owned(),
    }
}

/// The words of a change, alone and in the sentence, in the order of the pages: what needs somebody first.
const CHANGES: [(&str, &str, &str); 6] = [
    ("new", "newly bad", "newly bad"),
    ("worse", "worse than before", "worse"),
    ("better", "better than before", "better"),
    ("solved", "solved since", "solved"),
    ("same", "about as before", "about as before"),
    ("too-little-data", "", "with too little data to compare"),
];

/// A change against the window before in words; empty for none.
pub(super) fn change_words(change: &str) -> &'static str {
    CHANGES.iter().find(|(id, ..)| *id == change).map_or("", |(_, words, _)| words)
}

fn against(c: &Context<'_>) -> Option<Against> {
    let fleet = &c.findings.fleet;
    let before = fleet.before.as_ref()?;
    let order = |t: &SiteTrend| CHANGES.iter().position(|(id, ..)| *id == t.change).unwrap_or(CHANGES.len());
    let counted: Vec<String> = CHANGES
        .iter()
        .filter_map(|(id, _, words)| match fleet.trend.iter().filter(|t| t.change == *id).count() {
            0 => None,
            n => Some(format!("{n} {words}")),
        })
        .collect();
    let mut changed: Vec<&SiteTrend> = fleet.trend.iter().filter(|t| order(t) < 4).collect();
    // Within a kind the largest move of the lost share first.
    let moved = |t: &SiteTrend| (t.share_now.unwrap_or(0.0) - t.share_before.unwrap_or(0.0)).abs();
    changed.sort_by(|a, b| order(a).cmp(&order(b)).then(moved(b).total_cmp(&moved(a))));
    let share = |s: Option<f64>| s.map_or_else(|| "not observed".to_owned(), share);
    let window = super::Zone::UTC.span_min(&before.from, &before.to);
    let rows = changed
        .iter()
        .take(LIST)
        .map(|t| Changed {
            place: place(c, &t.site),
            change: change_words(&t.change),
            before: share(t.share_before),
            now: share(t.share_now),
            points: match (t.change_low, t.change_high) {
                (Some(low), Some(high)) if low.is_finite() && high.is_finite() => range_words(low, high),
                _ => "too few days".to_owned(),
            },
        })
        .collect();
    let answer = if counted.is_empty() {
        "No site can be compared with the window before.".to_owned()
    } else {
        format!("Against the window before: {}.", counted.join(", "))
    };
    Some(Against { window, answer, rows, more: changed.len().saturating_sub(LIST) })
}

/// The words of a verdict on field work, for a cell and for the sentence.
const VERDICTS: [(&str, &str, &str); 6] = [
    ("better", "better", "helped"),
    ("worse", "worse", "followed by more loss"),
    ("no-change", "no change that the logs could show", "without a change that the logs could show"),
    ("too-early", "too early to say", "too early to say"),
    ("no-loss", "too little lost to compare", "with too little lost to compare"),
    ("no-logs", "no logs", "without logs"),
];

fn work_answer(work: &[FieldWorkAnswer]) -> String {
    if work.is_empty() {
        return String::new();
    }
    let counted: Vec<String> = VERDICTS
        .iter()
        .filter_map(|(id, _, words)| match work.iter().filter(|w| w.verdict == *id).count() {
            0 => None,
            n => Some(format!("{n} {words}")),
        })
        .collect();
    let of = if work.len() == 1 { "Of 1 change".to_owned() } else { format!("Of {} changes", work.len()) };
    format!("{of} in the field: {}.", counted.join(", "))
}

fn work_row(c: &Context<'_>, w: &FieldWorkAnswer) -> Work {
    let side = |lost: f64, observed: f64| {
        if observed > 0.0 {
            format!("{} ({} of {})", share(lost / observed), hours(lost), hours(observed))
        } else {
            "no hours to match".to_owned()
        }
    };
    let judged = w.ratio_low.is_some();
    Work {
        when: c.zone(&w.site).moment_min(&w.time),
        place: place(c, &w.site),
        unit: name(&w.unit),
        what: plain(&w.what, LONG),
        note: plain(&w.note, LONG),
        verdict: VERDICTS.iter().find(|(id, ..)| *id == w.verdict).map_or("no verdict", |(_, words, _)| words),
        before: side(w.before_lost_hours, w.before_hours),
        after: side(w.after_lost_hours, w.after_hours),
        ratio: if judged { ratio_words(w.rate_ratio, w.ratio_low, w.ratio_high) } else { "–".to_owned() },
    }
}

fn rover(c: &Context<'_>, r: &BadRover) -> Rover {
    let named: Vec<String> = r.sites.iter().take(NAMED).map(|s| place(c, s).name).collect();
    let more = r.sites.len().saturating_sub(NAMED);
    let sites = if more > 0 { format!("{} and {more} more", named.join(", ")) } else { named.join(", ") };
    Rover {
        unit: name(&r.unit),
        sites,
        lost: hours(r.lost_fix_hours),
        observed: hours(r.observed_hours),
        expected: hours(r.expected_hours),
        times: if r.expected_hours > 0.0 {
            match r.lost_fix_hours / r.expected_hours {
                t if t >= 20.0 => "over 20".to_owned(),
                t => format!("{t:.1}"),
            }
        } else {
            "the others lost nothing".to_owned()
        },
        told: if r.sites.len() > 1 {
            "it takes its trouble along: look at the machine"
        } else {
            "one site only: the machine or its place there"
        },
    }
}

fn part(p: &OverRepresented) -> Part {
    let of = |bad: u64, all: u64| {
        let share = if all > 0 { bad as f64 / all as f64 * 100.0 } else { 0.0 };
        format!("{bad} of {all} ({} %)", number(share.round()))
    };
    Part {
        part: format!("{} of a {}", name(&p.part), name(&p.role)),
        value: name(&p.value),
        with: of(p.bad_with, p.with),
        without: of(p.bad_without, p.without),
        chance: chance(p.p_adjusted),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ratio_says_what_is_known_of_it() {
        assert_eq!(ratio_words(Some(2.345), Some(1.4), Some(3.81)), "2.3 (1.4 to 3.8)");
        assert_eq!(ratio_words(Some(2.0), Some(1.1), None), "2.0 (over 1.1)");
        assert_eq!(ratio_words(None, Some(1.5), None), "over 1.5");
        assert_eq!(ratio_words(Some(0.099), Some(0.008), Some(78.75)), "0.10 (0.01 to 79)");
        assert_eq!(ratio_words(None, None, None), "not known");
    }

    #[test]
    fn field_work_is_counted_by_what_it_did() {
        let w = |verdict: &str| FieldWorkAnswer { verdict: verdict.to_owned(), ..FieldWorkAnswer::default() };
        assert_eq!(work_answer(&[]), "");
        assert_eq!(
            work_answer(&[w("too-early"), w("better"), w("better")]),
            "Of 3 changes in the field: 2 helped, 1 too early to say."
        );
    }
}
