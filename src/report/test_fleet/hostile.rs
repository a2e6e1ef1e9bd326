//! Names and texts that try to break out of a page.

use super::larkfield::measured;
use crate::model::findings::{
    Advisory, BadRover, BaseEvent, Cause, ComplaintAnswer, Evidence, FieldWorkAnswer, Findings, FleetView, FloatPeriod,
    InputSummary, NotRead, OverRepresented, SCHEMA, SiteFindings, SiteTrend, Window,
};
use crate::model::picture::{Mark, Pictures, Share, SitePicture, SitePictures, SmallTable, Strip, StripKind, TrackBin};
use crate::model::time::{HOUR_MS, rfc3339};

/// Names and texts that try to break out of a page, a table or a folder, in every text field of one site.
pub(in crate::report) fn hostile_fleet() -> (Findings, Pictures) {
    let evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> | a | `b` [c](https://evil.example) \u{202E}gnp\u{0007}\n\n# head {{ 7*7 }} {% raw %} =1+1";
    let long = "x".repeat(10_000);
    let e = Evidence {
        text: evil.to_owned(),
        from: evil.to_owned(),
        to: String::new(),
        unit: evil.to_owned(),
        bundle: long.clone(),
        file: evil.to_owned(),
        supports: true,
    };
    let mut against = e.clone();
    against.supports = false;
    let site = SiteFindings {
        site: evil.to_owned(),
        name: evil.to_owned(),
        rank: 1,
        bases: vec![evil.to_owned(), long.clone()],
        rovers: vec![evil.to_owned()],
        latitude_band: Some(evil.to_owned()),
        observed_hours: f64::NAN,
        lost_fix_hours: 3.0,
        fixed_share: Some(f64::INFINITY),
        verdict: "lost-fix".to_owned(),
        causes: vec![Cause {
            cause: evil.to_owned(),
            side: evil.to_owned(),
            lost_fix_hours: 3.0,
            share: 1.0,
            confidence: 0.5,
            evidence: vec![e.clone(), against],
            checks: vec![evil.to_owned(), long.clone()],
            would_disprove: vec![evil.to_owned()],
            not_observable: vec![evil.to_owned()],
        }],
        float_periods: vec![FloatPeriod {
            unit: "=HYPERLINK(\"https://evil.example\")".into(),
            from: evil.to_owned(),
            to: evil.to_owned(),
            state: evil.into(),
            cause: evil.into(),
            bundle: evil.into(),
            file: long.clone().into(),
            ..FloatPeriod::default()
        }],
        base_events: vec![BaseEvent {
            unit: evil.to_owned(),
            kind: evil.to_owned(),
            from: rfc3339(0),
            to: rfc3339(0),
            value: Some(f64::NAN),
            value_unit: evil.to_owned(),
            bundle: evil.to_owned(),
            file: evil.to_owned(),
            detail: evil.to_owned(),
        }],
        advisories: vec![Advisory {
            cause: evil.to_owned(),
            text: evil.to_owned(),
            evidence: vec![e],
            checks: vec![evil.to_owned()],
        }],
        not_using_rtk: vec![evil.to_owned()],
        lost_cost: Some(f64::INFINITY),
        ..SiteFindings::default()
    };
    let mut other = site.clone();
    other.site = "../../outside".to_owned();
    let mark = Mark { from: 0, to: 2 * HOUR_MS, class: evil.to_owned(), title: evil.to_owned() };
    let strips = [StripKind::Rover, StripKind::Events, StripKind::Coverage]
        .map(|kind| Strip { label: evil.to_owned(), kind, marks: vec![mark.clone()] })
        .to_vec();
    let table = SmallTable {
        title: evil.to_owned(),
        note: evil.to_owned(),
        columns: vec![evil.to_owned(), "b".to_owned()],
        rows: vec![vec![evil.to_owned()], vec![long.clone(), "b".to_owned(), "too much".to_owned()]],
    };
    let listed = NotRead { path: evil.to_owned(), reason: evil.to_owned() };
    let findings = Findings {
        fieldwork: vec![FieldWorkAnswer {
            time: evil.to_owned(),
            site: evil.to_owned(),
            unit: evil.to_owned(),
            what: evil.to_owned(),
            note: long.clone(),
            verdict: evil.to_owned(),
            before_hours: f64::NAN,
            after_hours: f64::INFINITY,
            rate_ratio: Some(f64::NAN),
            ratio_low: Some(f64::INFINITY),
            ..FieldWorkAnswer::default()
        }],
        fleet: FleetView {
            lost_cost: Some(f64::NAN),
            bad_rovers: vec![BadRover {
                unit: evil.to_owned(),
                sites: vec![evil.to_owned(), long.clone()],
                observed_hours: f64::NAN,
                summary: evil.to_owned(),
                ..BadRover::default()
            }],
            over_represented: vec![OverRepresented {
                role: evil.to_owned(),
                part: evil.to_owned(),
                value: evil.to_owned(),
                p_adjusted: f64::NAN,
                ..OverRepresented::default()
            }],
            before: Some(Window { from: evil.to_owned(), to: long.clone() }),
            trend: vec![
                SiteTrend { site: evil.to_owned(), change: "worse".to_owned(), ..SiteTrend::default() },
                SiteTrend { site: long.clone(), change: evil.to_owned(), ..SiteTrend::default() },
            ],
        },
        schema: SCHEMA.to_owned(),
        window: Window { from: evil.to_owned(), to: evil.to_owned() },
        input: InputSummary {
            not_read: vec![listed.clone()],
            not_placed: vec![listed.clone()],
            notes: vec![listed],
            ..InputSummary::default()
        },
        sites: vec![site, other],
        complaints: vec![ComplaintAnswer {
            id: evil.to_owned(),
            site: evil.to_owned(),
            unit: evil.to_owned(),
            cause: evil.to_owned(),
            summary: evil.to_owned(),
            text: long,
            check_first: evil.to_owned(),
            from: evil.to_owned(),
            to: evil.to_owned(),
            ..ComplaintAnswer::default()
        }],
    };
    let pictures = Pictures {
        sites: vec![SitePictures::of(SitePicture {
            site: evil.to_owned(),
            time_zone: evil.to_owned(),
            from: 0,
            to: 3 * HOUR_MS,
            strips,
            tables: vec![table],
            ..hostile_measured(evil)
        })],
        used: vec![evil.to_owned()],
        made_by: evil.to_owned(),
        ..Pictures::default()
    };
    (findings, pictures)
}

/// Hostile names and impossible numbers in what is measured.
fn hostile_measured(evil: &str) -> SitePicture {
    let mut p = measured(&["2026-05-04", "2026-05-05"]);
    for track in &mut p.tracks {
        track.label = evil.to_owned();
        track.what = evil.to_owned();
        track.unit = evil.to_owned();
        track.limit = Some((1.0, evil.to_owned()));
        track.bins.push(TrackBin { at: u32::MAX, low: f32::NAN, mid: f32::INFINITY, high: f32::NEG_INFINITY });
        track.bins.insert(0, TrackBin { at: 0, low: f32::NAN, mid: f32::NAN, high: f32::NAN });
    }
    for day in &mut p.days {
        day.day = evil.to_owned();
    }
    if let Some(who) = &mut p.who_else {
        who.units = vec![evil.to_owned(), "y".repeat(10_000)];
    }
    for profile in [&mut p.by_age, &mut p.by_distance].into_iter().flatten() {
        profile.unit = evil.to_owned();
        profile.bins.push((f64::NAN, Some(f64::INFINITY), Share { observed_ms: i64::MAX / 4, lost_ms: -1 }));
    }
    if let Some(rhythm) = &mut p.rhythm {
        for day in &mut rhythm.days {
            day.0 = evil.to_owned();
        }
    }
    if let Some(plan) = &mut p.plan {
        plan.base = Some((f64::NAN, 1e300));
        plan.cells.push((i32::MAX, i32::MIN, Share::default()));
    }
    for sky in &mut p.skies {
        sky.unit = evil.to_owned();
        sky.lowest_deg.push(Some(f32::NAN));
    }
    for curve in &mut p.elevation {
        curve.unit = evil.to_owned();
        curve.band = evil.to_owned();
        curve.expected_from = evil.to_owned();
        curve.bins.push((f64::NAN, 1e300, f32::NAN, f32::INFINITY, f32::NEG_INFINITY, u32::MAX));
    }
    p
}
