//! A site with a base fault and all that a page can show of it.

use super::{at, cause, ev};
use crate::model::findings::{Advisory, BaseEvent, FloatPeriod, LatLonHeight, SiteFindings};
use crate::model::picture::{
    DayTotal, DayTrend, ElevationCurve, Mark, Profile, Rhythm, Shade, Share, SitePicture, SitePlan, SkyCell, SkyView,
    SmallTable, Strip, StripKind, Track, TrackBin, WhoElse,
};
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// A base that loses its second frequency each morning, with two rovers, one of which also has a weak radio.
pub(super) fn larkfield() -> (SiteFindings, SitePicture) {
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
                unit: unit.into(),
                from: from.clone(),
                to: to.clone(),
                state: "float".into(),
                mean_correction_age_s: Some(1.2),
                cause: "base-second-frequency".into(),
                confidence: 0.94,
                others_lost: Some(1.0),
                bundle: format!("week-19/{unit}.zip").into(),
                file: format!("{day}.nmea").into(),
            });
        }
    }
    float_periods.push(FloatPeriod {
        unit: "DZ-03".into(),
        from: "2026-05-06T13:10:00Z".to_owned(),
        to: "2026-05-06T13:40:20Z".to_owned(),
        state: "dgnss".into(),
        mean_correction_age_s: Some(41.5),
        cause: "link-rover".into(),
        confidence: 0.71,
        others_lost: Some(0.0),
        bundle: "week-19/DZ-03.zip".into(),
        file: "2026-05-06.nmea".into(),
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

pub(super) fn minutes(observed: i64, lost: i64) -> Share {
    Share { observed_ms: observed * MINUTE_MS, lost_ms: lost * MINUTE_MS }
}

/// Everything of the picture that is measured: tracks, who else, conditions, rhythm, plan and sky.
pub(super) fn measured(days: &[&str]) -> SitePicture {
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
        trend: Some(DayTrend { first: 0.136, second: 0.136, low: -0.02, high: 0.02 }),
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
