//! What the pages draw: strips on one time axis, merged to what a pixel can show, and small tables.

use super::beside::Beside;
use super::sites::Site1;
use crate::correlate::case::RoverCase;
use crate::correlate::evidence::SiteEvidence;
use crate::correlate::periods::EpochKind;
use crate::frames::view;
use crate::model::findings::SiteFindings;
use crate::model::ids::FixState;
use crate::model::picture::{Mark, SitePicture, SmallTable, Strip, StripKind};
use crate::model::time::{HOUR_MS, UtcMs, rfc3339};
use std::collections::BTreeMap;

/// Stretches that a strip can show side by side.
const BINS: i64 = 1600;

/// The pictures of one site.
pub(super) fn of(
    site: &Site1,
    findings: &SiteFindings,
    evidence: &SiteEvidence,
    beside: &Beside,
    window: Option<(UtcMs, UtcMs)>,
) -> SitePicture {
    let (from, to) = site.span.or(window).unwrap_or((0, 0));
    let bin = ((to - from) / BINS).max(1_000);
    let mut strips: Vec<Strip> = site.case.rovers.iter().map(|r| rover_strip(r, from, bin)).collect();
    for base in &site.case.bases {
        let mut marks: Vec<Mark> = site
            .case
            .base_events
            .iter()
            .filter(|e| e.unit == *base)
            .map(|e| Mark {
                from: e.from,
                to: e.to.max(e.from + bin),
                class: e.kind.to_owned(),
                title: e.detail.clone(),
            })
            .collect();
        marks.sort_by(|a, b| (a.from, &a.class).cmp(&(b.from, &b.class)));
        strips.push(Strip { label: base.clone(), kind: StripKind::Events, marks: merge_same(marks, bin) });
    }
    if !site.case.base_observed.is_empty() {
        let marks = site
            .case
            .base_observed
            .iter()
            .map(|(a, b)| Mark {
                from: *a,
                to: *b,
                class: "observed".to_owned(),
                title: "base observations are there".to_owned(),
            })
            .collect();
        strips.push(Strip { label: "base log".to_owned(), kind: StripKind::Coverage, marks: merge_same(marks, bin) });
    }
    let zone = beside.fleet.zone(&site.case.site);
    let mut tables = vec![rover_table(site), messages(site), budget(site), association(evidence)];
    tables.retain(|t| !t.rows.is_empty());
    SitePicture {
        site: findings.site.clone(),
        time_zone: zone.name().to_owned(),
        from,
        to,
        strips,
        tables,
        stretches: Vec::new(),
    }
}

/// Marks of one class that touch (by up to `bridge_ms`) become one.
fn merge_same(marks: Vec<Mark>, bridge_ms: i64) -> Vec<Mark> {
    let mut out: Vec<Mark> = Vec::new();
    for mark in marks {
        match out.iter_mut().rev().take(6).find(|m| m.class == mark.class) {
            Some(last) if mark.from - last.to <= bridge_ms => last.to = last.to.max(mark.to),
            _ => out.push(mark),
        }
    }
    out
}

fn rover_strip(rover: &RoverCase, from: UtcMs, bin: i64) -> Strip {
    // Time of each state by bin; a bin is lost when a quarter of it is, so that short losses stay visible.
    let mut bins: BTreeMap<i64, [i64; 6]> = BTreeMap::new();
    for i in 0..rover.times.len() {
        let kind = rover.time.kinds.get(i).copied().unwrap_or(EpochKind::OffShift);
        if kind == EpochKind::OffShift {
            continue;
        }
        let lasts = rover.time.lasts_ms.get(i).copied().unwrap_or(1000);
        let state = rover.states[i].min(5) as usize;
        bins.entry((rover.times[i] - from).div_euclid(bin)).or_default()[state] += lasts;
    }
    let mut marks: Vec<Mark> = Vec::new();
    for (k, states) in bins {
        let total: i64 = states.iter().sum();
        let lost: i64 = states[1..].iter().sum();
        let state = if lost * 4 >= total { (1..6).max_by_key(|s| (states[*s], 6 - s)).unwrap_or(1) } else { 0 };
        let name = FixState::from_code(state as u8).map_or("none", FixState::name);
        let (a, b) = (from + k * bin, from + (k + 1) * bin);
        match marks.last_mut() {
            Some(last) if last.class == name && a - last.to <= bin / 2 => last.to = b,
            _ => marks.push(Mark { from: a, to: b, class: name.to_owned(), title: String::new() }),
        }
    }
    for mark in &mut marks {
        mark.title = format!("{} {}, {} to {}", rover.unit, mark.class, rfc3339(mark.from), rfc3339(mark.to));
    }
    Strip { label: rover.unit.clone(), kind: StripKind::Rover, marks }
}

fn h(ms: i64) -> String {
    format!("{:.2}", ms as f64 / HOUR_MS as f64)
}

fn rover_table(site: &Site1) -> SmallTable {
    let rows = site
        .case
        .rovers
        .iter()
        .map(|r| {
            let ages: Vec<f32> = r.ages_s.iter().copied().filter(|a| a.is_finite()).collect();
            let mean = ages.iter().map(|a| f64::from(*a)).sum::<f64>() / ages.len().max(1) as f64;
            let longest = r.time.periods.iter().map(|p| p.to - p.from).max().unwrap_or(0);
            vec![
                r.unit.clone(),
                if r.never_corrected { "not using RTK".to_owned() } else { h(r.time.observed_ms) },
                h(r.time.lost_ms),
                format!("{:.1}", 100.0 * (1.0 - r.time.lost_ms as f64 / r.time.observed_ms.max(1) as f64)),
                r.time.periods.len().to_string(),
                format!("{:.0}", longest as f64 / 60_000.0),
                if ages.is_empty() { String::new() } else { format!("{mean:.1}") },
                h(r.time.start_up_ms),
                h(r.time.silent_ms),
            ]
        })
        .collect();
    SmallTable {
        title: "Rovers".to_owned(),
        note: "Observed time inside the shifts; start-up and silence are counted apart.".to_owned(),
        columns: [
            "rover",
            "observed h",
            "lost h",
            "fixed %",
            "float periods",
            "longest min",
            "mean correction age s",
            "start-up h",
            "silent h",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    }
}

fn messages(site: &Site1) -> SmallTable {
    let mut rows = Vec::new();
    for base in &site.bases {
        let table = &base.corrections;
        let (message, count, bytes) =
            (view::u32s_full(table, "message"), view::u32s_full(table, "count"), view::u32s_full(table, "bytes"));
        let (gap, time) = (view::f32s(table, "longest_gap_s"), view::i64s(table, "time"));
        let mut by: BTreeMap<u32, (u64, u64, f32, Vec<f64>)> = BTreeMap::new();
        for i in 0..time.len() {
            let e = by.entry(message[i]).or_default();
            e.0 += u64::from(count[i]);
            e.1 += u64::from(bytes[i]);
            if gap[i].is_finite() {
                e.2 = e.2.max(gap[i]);
            }
            e.3.push(60.0 / f64::from(count[i].max(1)));
        }
        for (number, (n, b, longest, mut intervals)) in by {
            let usual = crate::maths::stats::median(&mut intervals).unwrap_or(0.0);
            rows.push(vec![
                base.unit.clone(),
                number.to_string(),
                n.to_string(),
                format!("{usual:.1}"),
                if longest > 0.0 { format!("{longest:.0}") } else { String::new() },
                format!("{:.0}", b as f64 / n.max(1) as f64),
            ]);
        }
    }
    SmallTable {
        title: "Messages of the base".to_owned(),
        note: "Usual interval: the middle of the minutes in which the message came.".to_owned(),
        columns: ["base", "message", "frames", "usual interval s", "longest gap s", "bytes a frame"]
            .map(str::to_owned)
            .to_vec(),
        rows,
    }
}

fn budget(site: &Site1) -> SmallTable {
    let number = |v: Option<f64>, digits: usize| v.map_or_else(|| "not known".to_owned(), |v| format!("{v:.digits$}"));
    let rows = site
        .bases
        .iter()
        .zip(&site.setups)
        .filter(|(_, s)| s.antenna_gain_db.is_some() || s.cable_loss_db.is_some())
        .map(|(base, s)| {
            vec![
                base.unit.clone(),
                number(s.antenna_gain_db, 1),
                if s.cable_words.is_empty() { "not known".to_owned() } else { s.cable_words.clone() },
                number(s.cable_loss_db, 1),
                number(s.antenna_gain_db.zip(s.cable_loss_db).map(|(g, l)| g - l), 1),
                number(s.budget_cost_db, 1),
            ]
        })
        .collect();
    SmallTable {
        title: "Antenna, cable, receiver".to_owned(),
        note: "Net gain of 15 to 35 dB at the receiver is usual (common practice, no source). Cost: C/N0 that the cable takes by the noise cascade (Friis 1944).".to_owned(),
        columns: ["base", "antenna gain dB", "cable", "cable loss at L1 dB", "net gain dB", "cost dB"].map(str::to_owned).to_vec(),
        rows,
    }
}

fn association(evidence: &SiteEvidence) -> SmallTable {
    let mut rows: Vec<Vec<String>> = evidence
        .base_associations
        .iter()
        .filter(|(_, a)| a.exposed_ms > 0)
        .map(|(kind, a)| {
            vec![
                (*kind).to_owned(),
                a.events.to_string(),
                h(a.exposed_ms),
                format!("{:.1}", a.inside * 100.0),
                a.outside.map_or_else(|| "nothing outside".to_owned(), |o| format!("{:.1}", o * 100.0)),
                a.ratio().map_or_else(String::new, |r| format!("{r:.1}")),
            ]
        })
        .collect();
    rows.sort();
    SmallTable {
        title: "Loss beside events of the base".to_owned(),
        note: "Lost share of all rovers within the event's time and its aftermath, against the rest of the time."
            .to_owned(),
        columns: ["event", "times", "observed rover-hours inside", "lost % inside", "lost % outside", "ratio"]
            .map(str::to_owned)
            .to_vec(),
        rows,
    }
}
