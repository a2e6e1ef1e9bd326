//! An invented fleet for the tests of this room: sites, units and people do not exist.

use crate::model::findings::*;
use crate::model::picture::{
    DayTotal, ElevationCurve, MagneticEdge, Mark, Pictures, Profile, Rhythm, Shade, Share, SitePicture, SitePlan,
    SkyCell, SkyView, SmallTable, Strip, StripKind, Track, TrackBin, WhoElse,
};
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
        ..measured(days)
    }
}

fn minutes(observed: i64, lost: i64) -> Share {
    Share { observed_ms: observed * MINUTE_MS, lost_ms: lost * MINUTE_MS }
}

/// Everything of the picture that is measured: tracks, who else, conditions, rhythm, plan and sky.
fn measured(days: &[&str]) -> SitePicture {
    let begin = at("2026-05-04");
    let day = |d: &str| at(&format!("{d}T00:00:00+02:00"));
    // Bins of 10 minutes, from 6 to 17 o'clock of the zone each day.
    let bins = |value: &dyn Fn(u32) -> f32| -> Vec<TrackBin> {
        (0..days.len() as u32)
            .flat_map(|d| (27..93).map(move |k| (d * 144 + k, k)))
            .map(|(at, k)| TrackBin { at, low: value(k) - 2.0, mid: value(k), high: value(k) + 2.0 })
            .collect()
    };
    let track = |label: &str, unit: &str, floor: f64, ceiling: f64, limit: Option<(f64, String)>, bins| Track {
        label: label.to_owned(),
        what: "lowest, middle and highest".to_owned(),
        unit: unit.to_owned(),
        bin_ms: 10 * MINUTE_MS,
        floor,
        ceiling,
        log: unit == "s",
        limit,
        bins,
    };
    let mut clock = vec![Share::default(); 48];
    for (k, c) in clock.iter_mut().enumerate().take(34).skip(13) {
        *c = minutes(30, if (18..21).contains(&k) { 30 } else { 0 });
    }
    let sky = (0..9)
        .flat_map(|e| (0..24).map(move |a| (f64::from(a) * 15.0, f64::from(e) * 10.0)))
        .map(|(azimuth_deg, elevation_deg)| {
            let hole = elevation_deg < 40.0 && !(45.0..315.0).contains(&azimuth_deg);
            let blocked = elevation_deg < 30.0 && (90.0..135.0).contains(&azimuth_deg);
            SkyCell {
                azimuth_deg,
                elevation_deg,
                minutes: if hole || blocked { 0 } else { 90 },
                expected: Some(if hole { 0 } else { 95 }),
                cn0_off_db: 0.1,
                scatter_db: if (180.0..210.0).contains(&azimuth_deg) && elevation_deg < 20.0 { 3.0 } else { 0.7 },
                reflected: if azimuth_deg == 180.0 && elevation_deg < 20.0 { 2.6 } else { 1.1 },
                in_reach: !hole,
            }
        })
        .collect();
    SitePicture {
        shades: days
            .iter()
            .map(|d| Shade { from: day(d) - 3 * HOUR_MS, to: day(d) + 5 * HOUR_MS, night: true })
            .chain(days.iter().map(|d| Shade { from: day(d) + 18 * HOUR_MS, to: day(d) + 30 * HOUR_MS, night: false }))
            .collect(),
        tracks: vec![
            track("Age of corrections at the rovers", "s", 0.5, 120.0, Some((5.0, "old from here".to_owned())), {
                bins(&|_| 3.2)
            }),
            track("LF-BASE: satellites with a second frequency", "%", 0.0, 100.0, None, {
                bins(&|k| if (42..51).contains(&k) { 2.0 } else { 97.0 })
            }),
            track("LF-BASE: C/N0 L1", "dB-Hz", 20.0, 55.0, None, bins(&|k| 44.0 + (k % 7) as f32 / 3.0)),
        ],
        days: days
            .iter()
            .map(|d| DayTotal {
                day: (*d).to_owned(),
                from: day(d),
                to: day(d) + 24 * HOUR_MS,
                observed_ms: 22 * HOUR_MS,
                lost_ms: 3 * HOUR_MS,
            })
            .collect(),
        who_else: Some(WhoElse {
            units: vec!["DZ-03".to_owned(), "EX-14".to_owned()],
            usual: vec![0.17, 0.15],
            together: vec![vec![minutes(570, 570), minutes(540, 450)], vec![minutes(455, 450), minutes(460, 460)]],
            left_out: 0,
        }),
        by_age: Some(Profile {
            unit: "s".to_owned(),
            bins: vec![
                (1.0, Some(2.0), minutes(6500, 1000)),
                (2.0, Some(3.0), minutes(80, 10)),
                (30.0, Some(60.0), minutes(32, 32)),
            ],
            missing: minutes(0, 0),
        }),
        by_distance: Some(Profile {
            unit: "km".to_owned(),
            bins: vec![(0.5, Some(1.0), minutes(3000, 480)), (1.0, Some(2.0), minutes(3600, 560))],
            missing: Share::default(),
        }),
        rhythm: Some(Rhythm {
            cell_min: 30,
            days: days.iter().map(|d| ((*d).to_owned(), clock.clone())).collect(),
            sidereal: clock.clone(),
            clock,
        }),
        plan: Some(SitePlan {
            cell_m: 20.0,
            cells: (0..12).flat_map(|x| (0..9).map(move |y| (x, y, minutes(60, i64::from(x * y % 5))))).collect(),
            base: Some((-420.0, 130.0)),
            outside: Share::default(),
        }),
        skies: vec![SkyView {
            unit: "LF-BASE".to_owned(),
            step_azimuth_deg: 15.0,
            step_elevation_deg: 10.0,
            cells: sky,
            directions_from: "broadcast orbits in the site's own files".to_owned(),
            lowest_deg: (0..24).map(|a| (!(3..21).contains(&a)).then_some(41.0).or(Some(10.0))).collect(),
        }],
        elevation: vec![ElevationCurve {
            unit: "LF-BASE".to_owned(),
            band: "L1".to_owned(),
            bins: (1..17)
                .map(|k| {
                    (f64::from(k) * 5.0, f64::from(k + 1) * 5.0, 32.0 + k as f32, 36.0 + k as f32, 40.0 + k as f32, 400)
                })
                .collect(),
            expected: vec![
                (5.0, 10.0, 33.0, 40.0),
                (10.0, 20.0, 37.0, 43.0),
                (20.0, 40.0, 41.0, 47.0),
                (40.0, 60.0, 45.0, 50.0),
                (60.0, 90.0, 47.0, 53.0),
            ],
            expected_from: "common practice, no source".to_owned(),
        }],
        from: begin,
        ..SitePicture::default()
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
    let edge =
        |magnetic_deg: f64| MagneticEdge { magnetic_deg, points: vec![(-180.0, magnetic_deg), (180.0, magnetic_deg)] };
    let magnetic_edges = [-60.0, -20.0, 20.0, 60.0].map(edge).to_vec();
    (findings, Pictures { sites: vec![picture], magnetic_edges, used, made_by: "lostfix 0.1.0".to_owned() })
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
            ..hostile_measured(evil)
        }],
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

/// A site with 10 rovers that change their state every minute for 7 days, with all lists full.
pub(super) fn large_site() -> (Findings, Pictures) {
    let (mut findings, mut pictures) = fleet();
    findings.sites.truncate(1);
    let begin = at("2026-05-04");
    let states = ["fixed", "float", "fixed", "dgnss", "autonomous", "fixed", "none"];
    let picture = &mut pictures.sites[0];
    picture.strips = (0..10)
        .map(|r| Strip {
            label: format!("rover with a long name {r}"),
            kind: StripKind::Rover,
            marks: (0..10_080)
                .map(|m| Mark {
                    from: begin + m * MINUTE_MS,
                    to: begin + (m + 1) * MINUTE_MS,
                    class: states[((m * 31 + m / 7 + r) % 7) as usize].to_owned(),
                    title: String::new(),
                })
                .collect(),
        })
        .collect();
    for kind in
        ["restart", "stream-gap", "band-drop", "satellites-few", "lock-reset", "band-sinks", "own-signal", "x", "y"]
    {
        picture.strips.push(Strip {
            label: "LF-BASE".to_owned(),
            kind: StripKind::Events,
            marks: (0..2000)
                .map(|m| Mark {
                    from: begin + m * 5 * MINUTE_MS,
                    to: begin + (m * 5 + 2) * MINUTE_MS,
                    class: kind.to_owned(),
                    title: "something happened here, with words and a number of 12.3 dB".to_owned(),
                })
                .collect(),
        });
    }
    let track = picture.tracks[0].clone();
    picture.tracks = (0..16)
        .map(|n| Track {
            label: format!("value {n}"),
            bin_ms: 5 * MINUTE_MS,
            bins: (0..2016)
                .map(|at| TrackBin {
                    at,
                    low: 1.0 + (at * 7 % 13) as f32,
                    mid: 15.0 + (at * 11 % 17) as f32,
                    high: 33.0 + (at * 5 % 29) as f32,
                })
                .collect(),
            ..track.clone()
        })
        .collect();
    picture.days = (0..7)
        .map(|d| DayTotal {
            day: format!("2026-05-{:02}", d + 4),
            from: begin + d * 24 * HOUR_MS,
            to: begin + (d + 1) * 24 * HOUR_MS,
            observed_ms: 240 * HOUR_MS,
            lost_ms: (100 + d) * HOUR_MS,
        })
        .collect();
    let units: Vec<String> = (0..10).map(|r| format!("rover with a long name {r}")).collect();
    picture.who_else =
        Some(WhoElse { usual: vec![0.4; 10], together: vec![vec![minutes(600, 240); 10]; 10], units, left_out: 0 });
    if let Some(plan) = &mut picture.plan {
        plan.cells = (0..90).flat_map(|x| (0..90).map(move |y| (x, y, minutes(10, i64::from((x * y) % 10))))).collect();
    }
    let site = &mut findings.sites[0];
    let period = site.float_periods[0].clone();
    site.float_periods = vec![period; 30_000];
    let event = site.base_events[0].clone();
    site.base_events = vec![event; 18_000];
    let evidence = site.causes[0].evidence[0].clone();
    for cause in &mut site.causes {
        cause.evidence = vec![evidence.clone(); 200];
    }
    site.causes = vec![site.causes[0].clone(); 8];
    (findings, pictures)
}

/// 500 sites with a place, a month of days and words of the usual length.
pub(super) fn large_fleet() -> (Findings, Pictures) {
    let (mut findings, mut pictures) = fleet();
    let (site, picture) = (findings.sites[1].clone(), pictures.sites[0].clone());
    let days: Vec<DayTotal> = (0..31)
        .map(|d| DayTotal {
            day: format!("2026-05-{:02}", d + 1),
            from: at("2026-05-01") + d * 24 * HOUR_MS,
            to: at("2026-05-01") + (d + 1) * 24 * HOUR_MS,
            observed_ms: 20 * HOUR_MS,
            lost_ms: (d * 7 % 11) * HOUR_MS,
        })
        .collect();
    findings.sites.clear();
    pictures.sites.clear();
    for n in 0..500_u32 {
        let mut s = site.clone();
        s.site = format!("site-{n:03}");
        s.name = format!("Works of the long northern road, section {n}");
        s.rank = n + 1;
        s.position = Some(LatLonHeight {
            latitude: 40.0 + f64::from(n * 7 % 100) / 10.0,
            longitude: 5.0 + f64::from(n * 13 % 150) / 10.0,
            height_m: 400.0,
        });
        findings.sites.push(s);
        pictures.sites.push(SitePicture {
            site: format!("site-{n:03}"),
            time_zone: picture.time_zone.clone(),
            days: days.clone(),
            ..SitePicture::default()
        });
    }
    (findings, pictures)
}
