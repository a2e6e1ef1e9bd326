//! `findings.json`: the contract's value, rounded to what can be meant.

use super::ReportError;
use crate::model::findings::Findings;

/// Rounded to `places` decimals; a number that is none becomes 0, so that the file can be read back.
fn round(x: &mut f64, places: i32) {
    let factor = 10_f64.powi(places);
    let r = (*x * factor).round() / factor;
    // `+ 0.0` turns minus zero into zero.
    *x = if r.is_finite() { r + 0.0 } else { 0.0 };
}

fn round_opt(x: &mut Option<f64>, places: i32) {
    match x {
        Some(v) if v.is_finite() => round(v, places),
        _ => *x = None,
    }
}

/// The same findings with hours, shares and confidences to 4 decimals, degrees to 8, metres to 4, other values to 6, ages
/// to 3. Pages and tables are made from this value, so that all outputs show the same numbers.
pub(super) fn rounded(findings: &Findings) -> Findings {
    let mut f = findings.clone();
    for site in &mut f.sites {
        for hours in
            [&mut site.observed_hours, &mut site.lost_fix_hours, &mut site.start_up_hours, &mut site.silent_hours]
        {
            round(hours, 4);
        }
        round_opt(&mut site.fixed_share, 4);
        round_opt(&mut site.magnetic_latitude, 2);
        if let Some(p) = &mut site.position {
            round(&mut p.latitude, 8);
            round(&mut p.longitude, 8);
            round(&mut p.height_m, 4);
        }
        for cause in &mut site.causes {
            round(&mut cause.lost_fix_hours, 4);
            round(&mut cause.share, 4);
            round(&mut cause.confidence, 4);
        }
        for period in &mut site.float_periods {
            round_opt(&mut period.mean_correction_age_s, 3);
            round(&mut period.confidence, 4);
            round_opt(&mut period.others_lost, 4);
        }
        for event in &mut site.base_events {
            round_opt(&mut event.value, 6);
        }
    }
    for site in &mut f.sites {
        round_opt(&mut site.lost_cost, 2);
    }
    for w in &mut f.fieldwork {
        for hours in [&mut w.before_hours, &mut w.after_hours, &mut w.before_lost_hours, &mut w.after_lost_hours] {
            round(hours, 4);
        }
        for ratio in [&mut w.rate_ratio, &mut w.ratio_low, &mut w.ratio_high, &mut w.p] {
            round_opt(ratio, 6);
        }
    }
    round_opt(&mut f.fleet.lost_cost, 2);
    for rover in &mut f.fleet.bad_rovers {
        for hours in [&mut rover.observed_hours, &mut rover.lost_fix_hours, &mut rover.expected_hours] {
            round(hours, 4);
        }
    }
    for trend in &mut f.fleet.trend {
        for x in [&mut trend.share_before, &mut trend.share_now, &mut trend.change_low, &mut trend.change_high] {
            round_opt(x, 4);
        }
    }
    for complaint in &mut f.complaints {
        round(&mut complaint.confidence, 4);
        round(&mut complaint.lost_fix_hours, 4);
    }
    f
}

/// Pretty JSON with the keys in the order of the contract, ending with a newline.
pub(super) fn text(findings: &Findings) -> Result<String, ReportError> {
    let mut text = serde_json::to_string_pretty(findings)
        .map_err(|e| ReportError::Render { page: "findings.json".to_owned(), what: e.to_string() })?;
    text.push('\n');
    // JSON lets these stand as they are; some terminals obey them. They only occur inside strings.
    if text.contains(|c| matches!(c, '\u{7f}'..='\u{9f}')) {
        let escape = |c: char| match c {
            '\u{7f}'..='\u{9f}' => format!("\\u{:04x}", u32::from(c)),
            c => c.to_string(),
        };
        text = text.chars().map(escape).collect();
    }
    Ok(text)
}
