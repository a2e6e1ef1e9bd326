//! Each complaint answered from the float periods of the time it names.

use super::sites::Site1;
use crate::causes::about;
use crate::causes::verdict::UNEXPLAINED;
use crate::config::complaints::Complaint;
use crate::model::findings::{ComplaintAnswer, FloatPeriod, SiteFindings};
use crate::model::time::{HOUR_MS, parse_utc, rfc3339};
use std::collections::BTreeMap;

/// Answers in the order given.
pub(super) fn answer(complaints: &[Complaint], findings: &[SiteFindings], sites: &[Site1]) -> Vec<ComplaintAnswer> {
    complaints.iter().map(|c| one(c, findings, sites)).collect()
}

fn one(c: &Complaint, findings: &[SiteFindings], sites: &[Site1]) -> ComplaintAnswer {
    let mut out = ComplaintAnswer {
        id: c.id.clone(),
        site: c.site.clone(),
        unit: c.unit.clone(),
        from: rfc3339(c.from),
        to: rfc3339(c.to),
        text: c.text.clone(),
        ..ComplaintAnswer::default()
    };
    // Epochs of the unit (or of the site's rovers) within the time.
    let mut epochs = 0_usize;
    let mut known = false;
    for site in sites {
        if !c.site.is_empty() && c.unit.is_empty() && site.case.site != c.site {
            continue;
        }
        for rover in site.case.rovers.iter().filter(|r| c.unit.is_empty() || r.unit == c.unit) {
            known = true;
            let n = rover.times.partition_point(|t| *t < c.to) - rover.times.partition_point(|t| *t < c.from);
            epochs += n;
            if n > 0 && out.site.is_empty() {
                out.site = site.case.site.clone();
            }
        }
    }
    let mut by_cause: BTreeMap<&str, (f64, f64, u32)> = BTreeMap::new();
    for site in findings.iter().filter(|s| !c.unit.is_empty() || s.site == c.site) {
        for p in site.float_periods.iter().filter(|p| c.unit.is_empty() || p.unit == c.unit) {
            let ms = overlap_ms(p, c);
            if ms > 0.0 {
                let e = by_cause.entry(p.cause.as_str()).or_default();
                e.0 += ms;
                e.1 += ms * p.confidence;
                e.2 += 1;
                if out.site.is_empty() {
                    out.site = site.site.clone();
                }
            }
        }
    }
    let total: f64 = by_cause.values().map(|v| v.0).sum();
    out.lost_fix_hours = total / HOUR_MS as f64;
    let periods: u32 = by_cause.values().map(|v| v.2).sum();
    // The cause with most time; an unexplained rest does not hide a found cause with a good part of it.
    let named = by_cause
        .iter()
        .filter(|(cause, v)| **cause != UNEXPLAINED && v.0 >= 0.25 * total)
        .max_by(|a, b| a.1.0.total_cmp(&b.1.0));
    let best = named.or_else(|| by_cause.iter().max_by(|a, b| a.1.0.total_cmp(&b.1.0)));
    out.summary = match best {
        _ if epochs == 0 && !known => "the unit is not known: no bundle of it was read".to_owned(),
        _ if epochs == 0 => "no logs for that time".to_owned(),
        None => "the logs do not show lost fix in that time".to_owned(),
        Some((cause, (ms, weighted, _))) => {
            out.cause = (*cause).to_owned();
            out.confidence = weighted / ms;
            let title = about::about(cause).map_or(*cause, |a| a.title);
            let lost = duration(total);
            let part = if *ms < 0.95 * total { format!(" ({} of it)", duration(*ms)) } else { String::new() };
            let plural = if periods == 1 { "period" } else { "periods" };
            if *cause == UNEXPLAINED {
                format!("lost {lost} in {periods} {plural}; the logs hold no evidence that is strong enough")
            } else {
                format!("lost {lost} in {periods} {plural}; likely {title}{part}")
            }
        }
    };
    if let Some(about) = about::about(&out.cause) {
        out.check_first = about.checks.first().map(|s| (*s).to_owned()).unwrap_or_default();
    }
    out
}

fn overlap_ms(p: &FloatPeriod, c: &Complaint) -> f64 {
    match (parse_utc(&p.from), parse_utc(&p.to)) {
        (Some(from), Some(to)) => (to.min(c.to) - from.max(c.from)).max(0) as f64,
        _ => 0.0,
    }
}

fn duration(ms: f64) -> String {
    let minutes = ms / 60_000.0;
    if minutes < 1.0 {
        format!("{:.0} s", ms / 1000.0)
    } else if minutes < 120.0 {
        format!("{minutes:.0} min")
    } else {
        format!("{:.1} h", minutes / 60.0)
    }
}
