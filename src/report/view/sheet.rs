//! The sheet that a technician takes along: where, why, what to check.

use super::site::{Fact, UNLIKELY, or_manual, place_words};
use super::{Context, confidence_words};
use crate::model::findings::{Cause, SiteFindings};
use crate::report::text::{count, hours, lower_first, name, side_class};
use serde::Serialize;

/// One check.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct SheetCheck {
    text: String,
    cause: String,
}

/// The sheet.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Sheet {
    /// Base, its place and the rovers, in a line.
    where_words: String,
    why: String,
    checks: Vec<SheetCheck>,
    cautions: Vec<&'static str>,
    words: Vec<Fact>,
}

/// The sheet: checks of the first three causes, the first cause's first, each check once. Only where a person is needed.
pub(super) fn sheet(c: &Context<'_>, s: &SiteFindings) -> Option<Sheet> {
    if s.verdict != "lost-fix" {
        return None;
    }
    let causes = suspected(s);
    let (checks, cautions) = to_do(c, &causes);
    let why = causes
        .iter()
        .map(|k| match confidence_words(k) {
            words if words.is_empty() => {
                format!("{}, {} lost", lower_first(&c.title(&k.cause)), hours(k.lost_fix_hours))
            }
            words => format!("{}, {words}, {} lost", lower_first(&c.title(&k.cause)), hours(k.lost_fix_hours)),
        })
        .collect::<Vec<_>>()
        .join("; ");
    Some(Sheet {
        where_words: whereabouts(s),
        why: format!("{} suspected: {why}.", count(causes.len(), "cause", "causes")),
        checks,
        cautions,
        words: WORDS.iter().map(|(name, value)| Fact { name, value: (*value).to_owned() }).collect(),
    })
}

/// What is unlikely would only send somebody up a mast: the first cause, and what else may well be.
fn suspected(s: &SiteFindings) -> Vec<&Cause> {
    let likely = |(i, k): &(usize, &Cause)| *i == 0 || k.confidence >= UNLIKELY;
    let named: Vec<&Cause> = s
        .causes
        .iter()
        .filter(|k| side_class(&k.side) != "none")
        .enumerate()
        .filter(likely)
        .map(|(_, k)| k)
        .take(3)
        .collect();
    if named.is_empty() { s.causes.iter().take(1).collect() } else { named }
}

/// Checks of these causes, and cautions for them, each once.
fn to_do(c: &Context<'_>, causes: &[&Cause]) -> (Vec<SheetCheck>, Vec<&'static str>) {
    let mut checks: Vec<SheetCheck> = Vec::new();
    let mut cautions: Vec<&'static str> = Vec::new();
    for (i, k) in causes.iter().enumerate() {
        let about = (c.options.about)(&k.cause);
        // Five of the first cause; the others share what is left of the paper.
        let most = if i == 0 { 5 } else { (4 / (causes.len() - 1).max(1)).max(2) };
        for text in or_manual(&k.checks, about.map(|a| a.checks)).into_iter().take(most) {
            // The sheet is taken along without the page.
            let text = super::elsewhere(&text);
            if !checks.iter().any(|x| x.text == text) {
                checks.push(SheetCheck { text, cause: c.title(&k.cause) });
            }
        }
        for caution in about.map(|a| a.cautions).unwrap_or_default() {
            if !cautions.contains(caution) {
                cautions.push(caution);
            }
        }
    }
    for general in c.options.cautions.iter().take(1) {
        if !cautions.contains(general) {
            cautions.push(general);
        }
    }
    (checks, cautions)
}

/// Base, its place and the rovers: who takes the sheet along has no page at hand.
fn whereabouts(s: &SiteFindings) -> String {
    let some = |units: &[String]| -> String {
        let shown: Vec<String> = units.iter().take(6).map(|u| name(u)).collect();
        let more = units.len().saturating_sub(6);
        if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
    };
    let mut parts = Vec::new();
    if !s.bases.is_empty() {
        let place = s.position.as_ref().map(|p| format!(" at {}", place_words(p))).unwrap_or_default();
        parts.push(format!("Base {}{place}", some(&s.bases)));
    }
    if !s.rovers.is_empty() {
        parts.push(format!("rovers {}", some(&s.rovers)));
    }
    if parts.is_empty() { String::new() } else { format!("{}.", parts.join("; ")) }
}

/// Words of the trade that the checks use, in plain language.
const WORDS: [(&str, &str); 5] = [
    ("Fix, float", "a fix is good to a centimetre or two; a float only to decimetres"),
    ("C/N0", "strength of a satellite's signal over the noise, in dB-Hz; over 40 is normal for high satellites"),
    ("Age of corrections", "seconds since the base's last data reached the rover; up to 2 is normal"),
    ("Second frequency", "L2, L5 or E5, beside L1 or E1; a rover needs two frequencies for a fix"),
    ("Station id", "the number of the base whose data a rover uses"),
];
