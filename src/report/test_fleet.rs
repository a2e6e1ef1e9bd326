//! An invented fleet for the tests of this room: sites, units and people do not exist.

use crate::model::findings::*;
use crate::model::picture::{Mark, Pictures, SitePicture, SmallTable, Strip, StripKind};
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs, parse_utc, rfc3339};

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

/// A base that loses its second frequency each morning, with two rovers, one of which also has a weak radio.
fn larkfield() -> (SiteFindings, SitePicture) {
    let days = ["2026-05-04", "2026-05-05", "2026-05-06", "2026-05-07", "2026-05-08"];
    let mut float_periods = Vec::new();
    let mut base_events = Vec::new();
    for day in days {
        let (from, to) = (format!("{day}T07:05:00Z"), format!("{day}T08:35:30Z"));
        base_events.push(BaseEvent {
            unit: "LF-BASE".to_owned(),
            kind: "second-frequency-lost".to_owned(),
            from: from.clone(),
            to: to.clone(),
            value: Some(0.02),
            value_unit: "share".to_owned(),
            bundle: "week-19/LF-BASE.zip".to_owned(),
            file: format!("stream_{day}.rtcm3"),
            detail: "second frequency on 0 to 1 of 23 satellites".to_owned(),
        });
        for unit in ["EX-14", "DZ-03"] {
            float_periods.push(FloatPeriod {
                unit: unit.to_owned(),
                from: from.clone(),
                to: to.clone(),
                state: "float".to_owned(),
                mean_correction_age_s: Some(1.2),
                cause: "base-second-frequency".to_owned(),
                confidence: 0.94,
                others_lost: Some(1.0),
                bundle: format!("week-19/{unit}.zip"),
                file: format!("{day}.nmea"),
            });
        }
    }
    float_periods.push(FloatPeriod {
        unit: "DZ-03".to_owned(),
        from: "2026-05-06T13:10:00Z".to_owned(),
        to: "2026-05-06T13:40:20Z".to_owned(),
        state: "dgnss".to_owned(),
        mean_correction_age_s: Some(41.5),
        cause: "link-rover".to_owned(),
        confidence: 0.71,
        others_lost: Some(0.0),
        bundle: "week-19/DZ-03.zip".to_owned(),
        file: "2026-05-06.nmea".to_owned(),
    });
    let mut second = cause(
        "base-second-frequency",
        "base",
        15.0833,
        0.8512,
        0.9412,
        vec![
            ev(
                true,
                "second frequency on 2 % of satellites, 97 % before",
                "2026-05-04T07:05:00Z",
                "2026-05-04T08:35:30Z",
                "LF-BASE",
                "stream_2026-05-04.rtcm3",
            ),
            ev(
                true,
                "2 of 2 observed rovers lost the fix within 8 s",
                "2026-05-04T07:05:02Z",
                "2026-05-04T07:05:10Z",
                "EX-14",
                "2026-05-04.nmea",
            ),
            ev(
                true,
                "age of corrections stayed at 1.2 s",
                "2026-05-04T07:05:00Z",
                "2026-05-04T08:35:30Z",
                "EX-14",
                "2026-05-04.nmea",
            ),
            ev(
                false,
                "on 2026-05-09 EX-14 was float for 4 min while both frequencies were sent",
                "2026-05-09T10:00:00Z",
                "2026-05-09T10:04:00Z",
                "EX-14",
                "2026-05-09.nmea",
            ),
        ],
    );
    second.not_observable = vec!["Antenna voltage at the base was not logged.".to_owned()];
    let radio = cause(
        "link-rover",
        "link",
        1.52,
        0.0858,
        0.71,
        vec![ev(
            true,
            "age of corrections grew to 62 s while EX-14 had 1.1 s",
            "2026-05-06T13:10:00Z",
            "2026-05-06T13:40:20Z",
            "DZ-03",
            "2026-05-06.nmea",
        )],
    );
    let site = SiteFindings {
        lost_cost: None,
        site: "larkfield".to_owned(),
        name: "Larkfield quarry road".to_owned(),
        rank: 1,
        bases: vec!["LF-BASE".to_owned()],
        rovers: vec!["DZ-03".to_owned(), "EX-14".to_owned()],
        position: Some(LatLonHeight { latitude: 47.1, longitude: 8.2, height_m: 512.3 }),
        latitude_band: Some("middle".to_owned()),
        magnetic_latitude: Some(48.1),
        observed_hours: 110.2,
        lost_fix_hours: 17.72,
        fixed_share: Some(0.8392),
        start_up_hours: 0.31,
        silent_hours: 2.4,
        verdict: "lost-fix".to_owned(),
        causes: vec![second, radio, cause("unexplained", "unexplained", 1.1167, 0.063, 1.0, vec![])],
        float_periods,
        base_events,
        advisories: vec![Advisory {
            cause: "base-moved".to_owned(),
            text: "the reported position is 0.031 m from the record in height".to_owned(),
            evidence: vec![ev(
                true,
                "1005 says 512.331 m, the card 512.300 m",
                "2026-05-04T00:00:10Z",
                "2026-05-10T23:59:40Z",
                "LF-BASE",
                "stream_2026-05-04.rtcm3",
            )],
            checks: vec!["Compare with the calibration record before the next grade work.".to_owned()],
        }],
        not_using_rtk: vec!["PICKUP-1".to_owned()],
    };
    (site, larkfield_picture(&days))
}

fn larkfield_picture(days: &[&str]) -> SitePicture {
    let mark = |from: UtcMs, to: UtcMs, class: &str| Mark { from, to, class: class.to_owned(), title: String::new() };
    let rover = |own: Option<(UtcMs, UtcMs)>| -> Vec<Mark> {
        let mut marks = Vec::new();
        for day in days {
            let (begin, end) = (at(&format!("{day}T04:30:00Z")), at(&format!("{day}T15:30:00Z")));
            let (lost, back) = (at(&format!("{day}T07:05:00Z")), at(&format!("{day}T08:35:30Z")));
            marks.push(mark(begin, begin + MINUTE_MS, "none"));
            marks.push(mark(begin + MINUTE_MS, lost, "fixed"));
            marks.push(mark(lost, back, "float"));
            match own.filter(|o| o.0 > back && o.1 < end) {
                Some((a, b)) => {
                    marks.push(mark(back, a, "fixed"));
                    marks.push(mark(a, b, "dgnss"));
                    marks.push(mark(b, end, "fixed"));
                }
                None => marks.push(mark(back, end, "fixed")),
            }
            let short = end - HOUR_MS;
            marks.push(mark(short, short + 20_000, "float"));
        }
        marks
    };
    let events = days
        .iter()
        .map(|d| mark(at(&format!("{d}T07:05:00Z")), at(&format!("{d}T08:35:30Z")), "second-frequency-lost"))
        .chain([Mark {
            from: at("2026-05-06T02:10:00Z"),
            to: at("2026-05-06T02:10:00Z"),
            class: "restart".to_owned(),
            title: "all 46 lock times start again".to_owned(),
        }])
        .collect();
    let strip = |label: &str, kind, marks| Strip { label: label.to_owned(), kind, marks };
    SitePicture {
        site: "larkfield".to_owned(),
        time_zone: "Europe/Zurich".to_owned(),
        from: at("2026-05-04"),
        to: at("2026-05-11"),
        strips: vec![
            strip("EX-14", StripKind::Rover, rover(None)),
            strip("DZ-03", StripKind::Rover, rover(Some((at("2026-05-06T13:10:00Z"), at("2026-05-06T13:40:20Z"))))),
            strip("LF-BASE", StripKind::Events, events),
            strip("LF-BASE", StripKind::Coverage, vec![mark(at("2026-05-04"), at("2026-05-09T12:00:00Z"), "coverage")]),
        ],
        tables: vec![SmallTable {
            title: "Messages of LF-BASE".to_owned(),
            note: "What the base sent, and how often.".to_owned(),
            columns: ["Message", "What", "Every", "Longest gap"].map(str::to_owned).to_vec(),
            rows: vec![
                ["1005", "reference position", "10 s", "11 s"].map(str::to_owned).to_vec(),
                ["1077", "GPS observations, MSM7", "1 s", "4 s"].map(str::to_owned).to_vec(),
                ["1230", "GLONASS biases", "10 s", "20 s"].map(str::to_owned).to_vec(),
            ],
        }],
        stretches: Vec::new(),
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
    let (lark, picture) = larkfield();
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
        fieldwork: Vec::new(),
        fleet: FleetView::default(),
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
    (findings, Pictures { sites: vec![picture], used, made_by: "lostfix 0.1.0".to_owned() })
}

/// Names and texts that try to break out of a page, a table or a folder, in every text field of one site.
pub(super) fn hostile_fleet() -> (Findings, Pictures) {
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
            unit: "=HYPERLINK(\"https://evil.example\")".to_owned(),
            from: evil.to_owned(),
            to: evil.to_owned(),
            state: evil.to_owned(),
            cause: evil.to_owned(),
            bundle: evil.to_owned(),
            file: long.clone(),
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
        fieldwork: Vec::new(),
        fleet: FleetView::default(),
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
        sites: vec![SitePicture {
            site: evil.to_owned(),
            time_zone: evil.to_owned(),
            from: 0,
            to: 3 * HOUR_MS,
            strips,
            tables: vec![table],
            stretches: vec![],
        }],
        used: vec![evil.to_owned()],
        made_by: evil.to_owned(),
    };
    (findings, pictures)
}
