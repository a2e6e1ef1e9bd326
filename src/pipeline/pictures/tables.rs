//! Small tables: rovers, messages, link budget, loss beside events, coverage.

use crate::correlate::evidence::SiteEvidence;
use crate::frames::view;
use crate::model::picture::{EventTest, SmallTable};
use crate::model::time::{HOUR_MS, UtcMs};
use crate::pipeline::sites::Site1;
use std::collections::BTreeMap;

/// All tables that have rows.
pub(super) fn tables(site: &Site1, from: UtcMs, to: UtcMs) -> Vec<SmallTable> {
    let mut tables = vec![rover_table(site), messages(site), budget(site), coverage(site, from, to)];
    tables.retain(|t| !t.rows.is_empty());
    tables
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

/// How the loss goes with each kind of event.
pub(super) fn event_tests(site: &Site1, evidence: &SiteEvidence) -> Vec<EventTest> {
    let bases = std::iter::once((String::new(), &evidence.base_associations));
    let rovers = site.case.rovers.iter().map(|r| r.unit.clone()).zip(&evidence.rover_associations);
    let begun = |unit: &str, kind: &str| {
        evidence.base_onsets.0.get(kind).filter(|_| unit.is_empty()).map(|b| (b.with, b.of, b.by_chance))
    };
    bases
        .chain(rovers)
        .flat_map(|(unit, by_kind)| {
            by_kind.iter().filter(|(_, a)| a.exposed_ms > 0).map(move |(kind, a)| EventTest {
                begun: begun(&unit, kind),
                unit: unit.clone(),
                kind: (*kind).to_owned(),
                events: a.events,
                exposed_ms: a.exposed_ms,
                inside: a.inside,
                outside: a.outside,
                ratio: a.ratio(),
                p: a.shift_p,
                q: None,
            })
        })
        .collect()
}

/// The tests of the bases as a table.
pub(super) fn association(tests: &[EventTest]) -> Option<SmallTable> {
    let percent = |v: f64| format!("{:.1}", v * 100.0);
    let chance = |v: Option<f64>| v.map_or_else(|| "not known".to_owned(), |v| format!("{v:.3}"));
    let rows: Vec<Vec<String>> = tests
        .iter()
        .filter(|t| t.unit.is_empty())
        .map(|t| {
            vec![
                t.kind.clone(),
                t.events.to_string(),
                h(t.exposed_ms),
                percent(t.inside),
                t.outside.map_or_else(|| "nothing outside".to_owned(), percent),
                t.ratio.map_or_else(String::new, |r| format!("{r:.1}")),
                chance(t.p),
                chance(t.q),
                t.begun.map_or_else(String::new, |(with, of, chance)| format!("{with} of {of}, by chance {chance:.0}")),
            ]
        })
        .collect();
    (!rows.is_empty()).then(|| SmallTable {
        title: "Loss beside events of the base".to_owned(),
        note: "Lost share of all rovers within the event's time and its aftermath, against the rest of the time, without the time \
               of another well-shown event. By chance: how often the same windows, shifted, hold as much loss; corrected for all \
               that was looked at (Benjamini and Hochberg 1995): over 0.05 it can be chance. Begin with it: within half a minute."
            .to_owned(),
        columns: [
            "event",
            "times",
            "observed rover-hours inside",
            "lost % inside",
            "lost % outside",
            "ratio",
            "by chance",
            "corrected",
            "losses that begin with it",
        ]
        .map(str::to_owned)
        .to_vec(),
        rows,
    })
}

/// What was observed of each unit, and what was not there.
fn coverage(site: &Site1, from: UtcMs, to: UtcMs) -> SmallTable {
    let window_ms = (to - from).max(1);
    let percent = |ms: i64| format!("{:.0}", 100.0 * ms as f64 / window_ms as f64);
    let mut rows = Vec::new();
    for r in &site.case.rovers {
        let n = r.times.len().max(1) as f64;
        let with = |known: &dyn Fn(usize) -> bool| (0..r.times.len()).filter(|i| known(*i)).count() as f64 / n;
        let ages = with(&|i| r.ages_s.get(i).is_some_and(|a| a.is_finite()));
        let places = with(&|i| r.lat.get(i).is_some_and(|a| a.is_finite()));
        let logged: i64 = r.time.lasts_ms.iter().sum();
        let mut seen = vec!["fix states".to_owned()];
        let mut missing = Vec::new();
        for (words, share) in [("age of corrections", ages), ("positions", places)] {
            match share {
                s if s <= 0.0 => missing.push(words.to_owned()),
                s if s < 0.9 => seen.push(format!("{words} ({:.0} % of the time)", s * 100.0)),
                _ => seen.push(words.to_owned()),
            }
        }
        rows.push(vec![
            r.unit.clone(),
            "rover".to_owned(),
            h(logged),
            percent(logged),
            seen.join(", "),
            none_or(&missing),
        ]);
    }
    for base in &site.bases {
        let spans = |kind: u8| -> i64 {
            let (a, b) = (view::i64s(&base.spans, "time"), view::i64s(&base.spans, "until"));
            let k = view::u32s_full(&base.spans, "kind");
            let all = (0..a.len()).filter(|i| k[*i] == u32::from(kind)).map(|i| (a[i], b[i])).collect();
            crate::correlate::grid::merge_spans(all, 0).iter().map(|(x, y)| y - x).sum()
        };
        let observations = spans(crate::model::rows::SPAN_OBSERVATIONS);
        let stream = spans(crate::model::rows::SPAN_STATION);
        let cn0 = view::f32s(&base.bands, "cn0_median").iter().any(|c| c.is_finite());
        let directions =
            base.signal_slices(&["elevation"]).any(|s| view::f32s(&s, "elevation").iter().any(|e| e.is_finite()));
        let metrics = view::texts(&base.metrics, "metric");
        let has = |name: &str| metrics.contains(&name);
        let (mut seen, mut missing) = (Vec::new(), Vec::new());
        for (words, there) in [
            ("observations", observations > 0),
            ("correction stream", stream > 0),
            ("C/N0", cn0),
            ("directions of satellites", directions),
            ("reference position", base.positions.height() > 0),
            ("receiver and antenna description", base.descriptions.height() > 0),
            ("antenna voltage", has("antenna_voltage_v")),
            ("antenna current", has("antenna_current_ma")),
            ("event log", base.logged.height() > 0),
            ("spectrum", base.spectra.height() > 0),
        ] {
            if there { seen.push(words.to_owned()) } else { missing.push(words.to_owned()) }
        }
        let logged = observations.max(stream);
        rows.push(vec![
            base.unit.clone(),
            "base".to_owned(),
            h(logged),
            percent(logged),
            none_or(&seen),
            none_or(&missing),
        ]);
    }
    SmallTable {
        title: "What was observed and what was missing".to_owned(),
        note: "A cause that needs what is missing cannot be seen, nor ruled out.".to_owned(),
        columns: ["unit", "role", "logged h", "of the window %", "observed", "missing"].map(str::to_owned).to_vec(),
        rows,
    }
}

fn none_or(words: &[String]) -> String {
    if words.is_empty() { "nothing".to_owned() } else { words.join(", ") }
}
