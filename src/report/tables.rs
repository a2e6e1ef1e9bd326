//! The tables for a spreadsheet.

use crate::model::findings::{Findings, Stretch, Working};
use crate::model::picture::Pictures;
use crate::model::time::{HOUR_MS, parse_utc, rfc3339};
use crate::model::visible::lines;
use std::borrow::Cow;
use std::fmt::Write as _;
use std::io::Write;

/// A cell that a spreadsheet would take for a formula gets a leading apostrophe; plain numbers stay as they are.
fn guard(text: &str) -> Cow<'_, str> {
    let risky = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
    if risky && text.parse::<f64>().is_err() { lines(&format!("'{text}")).into_owned().into() } else { lines(text) }
}

fn optional(x: Option<f64>) -> String {
    x.map(|v| v.to_string()).unwrap_or_default()
}

/// Hours between two RFC 3339 times, 4 decimals; empty when one cannot be read.
fn span_hours(from: &str, to: &str) -> String {
    match (parse_utc(from), parse_utc(to)) {
        (Some(a), Some(b)) => format!("{:.4}", b.saturating_sub(a) as f64 / HOUR_MS as f64),
        _ => String::new(),
    }
}

/// RFC 4180 text of a head and rows.
fn csv_rows(out: &mut dyn Write, head: &[&str], rows: impl Iterator<Item = Vec<String>>) -> csv::Result<()> {
    csv_rows_of(out, head, rows.map(Ok))
}

fn csv_rows_of(
    out: &mut dyn Write,
    head: &[&str],
    rows: impl Iterator<Item = csv::Result<Vec<String>>>,
) -> csv::Result<()> {
    let mut w = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).flexible(true).from_writer(out);
    w.write_record(head)?;
    for row in rows {
        for cell in row? {
            w.write_field(guard(&cell).as_bytes())?;
        }
        w.write_record(None::<&[u8]>)?;
    }
    Ok(w.flush()?)
}

/// Every float period of every site.
pub(super) fn float_periods(out: &mut dyn Write, f: &Findings) -> csv::Result<()> {
    let rows = f.sites.iter().flat_map(|s| {
        s.float_periods.iter().map(|p| {
            vec![
                s.site.clone(),
                p.unit.to_string(),
                p.from.clone(),
                p.to.clone(),
                span_hours(&p.from, &p.to),
                p.state.to_string(),
                optional(p.mean_correction_age_s),
                optional(p.others_lost),
                p.cause.to_string(),
                p.confidence.to_string(),
                p.bundle.to_string(),
                p.file.to_string(),
            ]
        })
    });
    csv_rows(
        out,
        &[
            "site",
            "unit",
            "from_utc",
            "to_utc",
            "hours",
            "state",
            "mean_correction_age_s",
            "others_lost_share",
            "cause",
            "confidence",
            "bundle",
            "file",
        ],
        rows,
    )
}

fn verdict_row(site: &str, working: &Working, p: &Stretch) -> Vec<String> {
    let text = |list: &[String], place: u16| list.get(usize::from(place)).cloned().unwrap_or_default();
    let mut evidence = String::with_capacity(32 * p.evidence.len());
    for (place, x) in p.evidence.iter() {
        let blank = if evidence.is_empty() { "" } else { " " };
        let id = working.evidence.get(usize::from(*place)).map_or("", String::as_str);
        // Writing to a text cannot fail.
        let _ = write!(evidence, "{blank}{id}={x:.3}");
    }
    vec![
        site.to_owned(),
        text(&working.units, p.unit),
        rfc3339(p.from),
        rfc3339(p.to),
        format!("{:.1}", p.lost_ms as f64 / 1000.0),
        text(&working.causes, p.cause),
        format!("{:.3}", p.confidence),
        p.others.to_string(),
        p.neighbours.to_string(),
        evidence,
        text(&working.ruled_out, p.ruled_out),
    ]
}

/// The working of the verdicts: every judged stretch of lost time with the strength of each piece of evidence.
pub(super) fn verdicts(out: &mut dyn Write, pictures: &Pictures) -> csv::Result<()> {
    let rows = pictures.sites.iter().flat_map(|s| match s.working.get() {
        Ok(working) => working.stretches.iter().map(|p| Ok(verdict_row(&s.site, &working, p))).collect(),
        Err(why) => vec![Err(std::io::Error::other(why).into())],
    });
    csv_rows_of(
        out,
        &[
            "site",
            "unit",
            "from_utc",
            "to_utc",
            "lost_s",
            "cause",
            "confidence",
            "others_observed",
            "neighbours_observed",
            "evidence",
            "ruled_out",
        ],
        rows,
    )
}

/// How the loss goes with each kind of event at each site, and whether beyond chance.
pub(super) fn event_tests(out: &mut dyn Write, pictures: &Pictures) -> csv::Result<()> {
    let percent = |v: f64| format!("{:.2}", v * 100.0);
    let chance = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:.4}"));
    let rows = pictures.sites.iter().flat_map(|s| {
        s.event_tests.iter().map(|t| {
            vec![
                s.site.clone(),
                t.unit.clone(),
                t.kind.clone(),
                t.events.to_string(),
                format!("{:.4}", t.exposed_ms as f64 / 3_600_000.0),
                percent(t.inside),
                t.outside.map_or_else(String::new, percent),
                t.ratio.map_or_else(String::new, |r| format!("{r:.2}")),
                chance(t.p),
                chance(t.q),
                t.begun.map_or_else(String::new, |b| b.0.to_string()),
                t.begun.map_or_else(String::new, |b| b.1.to_string()),
                t.begun.map_or_else(String::new, |b| format!("{:.1}", b.2)),
            ]
        })
    });
    csv_rows(
        out,
        &[
            "site",
            "rover",
            "kind",
            "events",
            "observed_rover_hours_inside",
            "lost_percent_inside",
            "lost_percent_outside",
            "ratio",
            "p_by_chance",
            "p_corrected",
            "losses_that_begin_with_it",
            "losses",
            "losses_that_begin_with_it_by_chance",
        ],
        rows,
    )
}

/// Every event of every base.
pub(super) fn base_events(out: &mut dyn Write, f: &Findings) -> csv::Result<()> {
    let rows = f.sites.iter().flat_map(|s| {
        s.base_events.iter().map(|e| {
            vec![
                s.site.clone(),
                e.unit.clone(),
                e.kind.clone(),
                e.from.clone(),
                e.to.clone(),
                span_hours(&e.from, &e.to),
                optional(e.value),
                e.value_unit.clone(),
                e.detail.clone(),
                e.bundle.clone(),
                e.file.clone(),
            ]
        })
    });
    csv_rows(
        out,
        &["site", "unit", "kind", "from_utc", "to_utc", "hours", "value", "value_unit", "detail", "bundle", "file"],
        rows,
    )
}

/// One row a site, lost hours by side.
pub(super) fn site_ranking(out: &mut dyn Write, f: &Findings) -> csv::Result<()> {
    // Money only where it is known for a site.
    let money = f.sites.iter().any(|s| s.lost_cost.is_some());
    let rows = f.sites.iter().map(|s| {
        let side = |side: &str| -> String {
            let sum: f64 = s.causes.iter().filter(|c| c.side == side).map(|c| c.lost_fix_hours).sum();
            // The sum of nothing is minus zero.
            format!("{:.4}", sum + 0.0)
        };
        let top = s.causes.first();
        let mut row = vec![
            s.rank.to_string(),
            s.site.clone(),
            s.name.clone(),
            s.verdict.clone(),
            s.observed_hours.to_string(),
            s.lost_fix_hours.to_string(),
            optional(s.fixed_share),
            side("base"),
            side("link"),
            side("sky"),
            side("rover"),
            side("unexplained"),
            top.map(|c| c.cause.clone()).unwrap_or_default(),
            top.map(|c| c.confidence.to_string()).unwrap_or_default(),
            s.start_up_hours.to_string(),
            s.silent_hours.to_string(),
            s.advisories.len().to_string(),
        ];
        if money {
            row.push(optional(s.lost_cost));
        }
        row
    });
    let mut head = vec![
        "rank",
        "site",
        "name",
        "verdict",
        "observed_h",
        "lost_fix_h",
        "fixed_share",
        "lost_base_h",
        "lost_link_h",
        "lost_sky_h",
        "lost_rover_h",
        "lost_unexplained_h",
        "top_cause",
        "top_cause_confidence",
        "start_up_h",
        "silent_h",
        "advisories",
    ];
    if money {
        head.push("lost_cost");
    }
    csv_rows(out, &head, rows)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text_of(write: impl FnOnce(&mut Vec<u8>) -> csv::Result<()>) -> String {
        let mut out = Vec::new();
        write(&mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn formulas_are_guarded_and_numbers_stay() {
        for (given, wanted) in [
            ("=1+1", "'=1+1"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("+cmd", "'+cmd"),
            ("-x", "'-x"),
            ("\tx", "'\tx"),
            ("-3.5", "-3.5"),
            ("+2", "+2"),
            ("EX-14", "EX-14"),
            ("", ""),
        ] {
            assert_eq!(guard(given), wanted);
        }
    }

    #[test]
    fn cells_survive_a_round_trip() {
        // RFC 4180: quotes, commas and line breaks inside a cell.
        let rows = [vec!["x,\"y\"".to_owned(), "line\nbreak".to_owned()]];
        let text = text_of(|out| csv_rows(out, &["a", "b"], rows.into_iter()));
        assert_eq!(text, "a,b\r\n\"x,\"\"y\"\"\",\"line\nbreak\"\r\n");
    }

    #[test]
    fn money_stands_in_the_ranking_when_it_is_known() {
        use crate::model::findings::SiteFindings;
        let mut f = Findings::default();
        f.sites.push(SiteFindings { site: "a".into(), lost_cost: Some(120.5), ..SiteFindings::default() });
        f.sites.push(SiteFindings { site: "b".into(), ..SiteFindings::default() });
        let text = text_of(|out| site_ranking(out, &f));
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[0].ends_with(",lost_cost") && lines[1].ends_with(",120.5") && lines[2].ends_with(','), "{text}");
        f.sites[0].lost_cost = None;
        assert!(!text_of(|out| site_ranking(out, &f)).contains("lost_cost"));
    }
}
