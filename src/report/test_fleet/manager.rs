//! What the page says over all sites: field work, rovers, parts, the window before.

use crate::model::findings::{BadRover, FieldWorkAnswer, FleetView, OverRepresented, SiteTrend, Window};

/// Field work with each kind of answer that has numbers.
pub(super) fn fieldwork() -> Vec<FieldWorkAnswer> {
    vec![
        FieldWorkAnswer {
            time: "2026-05-06T10:00:00Z".to_owned(),
            site: "larkfield".to_owned(),
            unit: "LA-BASE".to_owned(),
            what: "antenna cable replaced".to_owned(),
            note: "old one was crushed".to_owned(),
            verdict: "better".to_owned(),
            before_hours: 40.0,
            after_hours: 60.0,
            before_lost_hours: 9.5,
            after_lost_hours: 1.5,
            rate_ratio: Some(0.2),
            ratio_low: Some(0.08),
            ratio_high: Some(0.44),
            p: Some(0.0001),
            ..FieldWorkAnswer::default()
        },
        FieldWorkAnswer {
            time: "2026-05-10T16:00:00Z".to_owned(),
            site: "harbour".to_owned(),
            what: "battery changed".to_owned(),
            verdict: "too-early".to_owned(),
            ..FieldWorkAnswer::default()
        },
    ]
}

/// Every part of the view over the fleet, a site that is no more among them.
pub(super) fn fleet_view() -> FleetView {
    let trend = |site: &str, change: &str, before: f64, now: f64, half: f64| SiteTrend {
        site: site.to_owned(),
        change: change.to_owned(),
        share_before: Some(before),
        share_now: Some(now),
        change_low: Some(now - before - half),
        change_high: Some(now - before + half),
    };
    FleetView {
        lost_cost: Some(2532.0),
        bad_rovers: vec![BadRover {
            unit: "EX-14".to_owned(),
            sites: vec!["larkfield".to_owned(), "harbour".to_owned()],
            observed_hours: 60.0,
            lost_fix_hours: 12.0,
            expected_hours: 2.5,
            summary: String::new(),
        }],
        over_represented: vec![OverRepresented {
            role: "rover".to_owned(),
            part: "firmware".to_owned(),
            value: "M 1.0".to_owned(),
            bad_with: 10,
            with: 10,
            bad_without: 3,
            without: 30,
            p: 3.4e-7,
            p_adjusted: 4.0e-6,
        }],
        before: Some(Window { from: "2026-04-27T00:00:00Z".to_owned(), to: "2026-05-04T00:00:00Z".to_owned() }),
        trend: vec![
            trend("larkfield", "better", 0.2, 0.1, 0.05),
            trend("harbour", "new", 0.01, 0.06, 0.02),
            trend("mill", "same", 0.003, 0.003, 0.004),
            trend("gone", "too-little-data", 0.05, 0.0, 0.2),
        ],
    }
}
