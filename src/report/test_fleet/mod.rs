//! Invented fleets for the tests of this room: sites, units and people do not exist.

mod hostile;
mod large;
mod larkfield;
mod manager;

pub(super) use hostile::hostile_fleet;
pub(super) use large::{large_fleet, large_site};

use crate::model::findings::{
    Cause, ComplaintAnswer, Evidence, Findings, InputSummary, NotRead, SCHEMA, SiteFindings, Window,
};
use crate::model::picture::{MagneticEdge, Pictures, SitePicture, SitePictures};
use crate::model::time::{UtcMs, parse_utc};
use larkfield::larkfield;
use manager::{fieldwork, fleet_view};

fn at(text: &str) -> UtcMs {
    parse_utc(text).expect("a time")
}

fn ev(supports: bool, text: &str, from: &str, to: &str, unit: &str, file: &str) -> Evidence {
    Evidence {
        text: text.to_owned(),
        from: from.to_owned(),
        to: to.to_owned(),
        unit: unit.to_owned(),
        bundle: format!("week-19/{unit}.zip"),
        file: file.to_owned(),
        supports,
    }
}

fn cause(id: &str, side: &str, hours: f64, share: f64, confidence: f64, evidence: Vec<Evidence>) -> Cause {
    Cause {
        cause: id.to_owned(),
        side: side.to_owned(),
        lost_fix_hours: hours,
        share,
        confidence,
        evidence,
        ..Cause::default()
    }
}

fn plain_site(id: &str, name: &str, rank: u32, verdict: &str, observed: f64, causes: Vec<Cause>) -> SiteFindings {
    let lost: f64 = causes.iter().map(|c| c.lost_fix_hours).sum();
    SiteFindings {
        site: id.to_owned(),
        name: name.to_owned(),
        rank,
        bases: vec![format!("{id}-base")],
        rovers: vec![format!("{id}-rover-1")],
        observed_hours: observed,
        lost_fix_hours: lost,
        fixed_share: Some(1.0 - lost / observed),
        verdict: verdict.to_owned(),
        causes,
        ..SiteFindings::default()
    }
}

/// A week of four sites: one with a base fault, one with a sky and a link cause, one healthy, one with too little data.
pub(super) fn fleet() -> (Findings, Pictures) {
    let (mut lark, picture) = larkfield();
    lark.lost_cost = Some(1872.5);
    let harbour = plain_site(
        "harbour",
        "Harbour extension",
        2,
        "lost-fix",
        88.0,
        vec![
            cause(
                "sky-scintillation",
                "sky",
                3.2,
                0.58,
                0.66,
                vec![ev(
                    true,
                    "ROTI over 1 TECU/min on 6 satellites",
                    "2026-05-05T23:10:00Z",
                    "2026-05-06T01:20:00Z",
                    "HB-BASE",
                    "hb.rnx",
                )],
            ),
            cause("link-range", "link", 1.4, 0.2545, 0.61, vec![]),
            cause("unexplained", "unexplained", 0.9, 0.1636, 1.0, vec![]),
        ],
    );
    let mill =
        plain_site("mill", "", 3, "healthy", 140.0, vec![cause("unexplained", "unexplained", 0.4, 1.0, 1.0, vec![])]);
    let ridge = plain_site("ridge", "Ridge", 4, "too-little-data", 1.1, vec![]);
    let findings = Findings {
        fieldwork: fieldwork(),
        fleet: fleet_view(),
        schema: SCHEMA.to_owned(),
        window: Window { from: "2026-05-04T00:00:00Z".to_owned(), to: "2026-05-11T00:00:00Z".to_owned() },
        input: InputSummary {
            bundles_found: 14,
            bundles_read: 12,
            duplicates: 1,
            not_read: vec![NotRead {
                path: "week-19/broken.zip".to_owned(),
                reason: "not a readable zip: the directory at the end is missing; fetch the bundle again".to_owned(),
            }],
            not_placed: vec![NotRead {
                path: "week-19/unknown".to_owned(),
                reason: "a rover by its data, 3.1 h of fixes near 47.1, 8.2; add a unit card".to_owned(),
            }],
            notes: vec![NotRead {
                path: "week-19/EX-14.zip".to_owned(),
                reason: "card says base, data say rover; taken as rover".to_owned(),
            }],
        },
        sites: vec![lark, harbour, mill, ridge],
        complaints: vec![
            ComplaintAnswer {
                id: "C-7".to_owned(),
                site: "larkfield".to_owned(),
                unit: "EX-14".to_owned(),
                cause: "base-second-frequency".to_owned(),
                confidence: 0.91,
                lost_fix_hours: 2.1,
                summary: "Lost for 90 min with the other rover while the base sent one frequency.".to_owned(),
                from: "2026-05-04T06:00:00Z".to_owned(),
                to: "2026-05-04T10:00:00Z".to_owned(),
                text: "no fix all morning, machine stands".to_owned(),
                check_first: "Read the base's settings: are all frequencies switched on?".to_owned(),
            },
            ComplaintAnswer {
                id: "C-8".to_owned(),
                site: "ridge".to_owned(),
                unit: "RG-1".to_owned(),
                summary: "There are no logs of this rover for that time.".to_owned(),
                from: "2026-05-07T06:00:00Z".to_owned(),
                to: "2026-05-07T10:00:00Z".to_owned(),
                text: "height jumps".to_owned(),
                ..ComplaintAnswer::default()
            },
        ],
    };
    let used = ["fleet register: week-19/fleet.toml", "complaints: week-19/complaints.csv"].map(str::to_owned).to_vec();
    let edge =
        |magnetic_deg: f64| MagneticEdge { magnetic_deg, points: vec![(-180.0, magnetic_deg), (180.0, magnetic_deg)] };
    let magnetic_edges = [-60.0, -20.0, 20.0, 60.0].map(edge).to_vec();
    (
        findings,
        Pictures { sites: vec![SitePictures::of(picture)], magnetic_edges, used, made_by: "lostfix 0.1.0".to_owned() },
    )
}

/// Draws the picture of a site anew.
pub(super) fn redraw(pictures: &mut Pictures, site: usize, how: impl FnOnce(&mut SitePicture)) {
    let mut picture = pictures.sites[site].picture.get().unwrap().into_owned();
    how(&mut picture);
    pictures.sites[site] = SitePictures::of(picture);
}
