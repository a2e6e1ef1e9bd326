//! As much as a page has to bear.

use super::larkfield::minutes;
use super::{at, fleet, redraw};
use crate::model::findings::{Findings, LatLonHeight, SiteTrend};
use crate::model::picture::{
    DayTotal, Mark, Pictures, SitePicture, SitePictures, Strip, StripKind, Track, TrackBin, WhoElse,
};
use crate::model::time::{HOUR_MS, MINUTE_MS};

/// A site with 10 rovers that change their state every minute for 7 days, with all lists full.
pub(in crate::report) fn large_site() -> (Findings, Pictures) {
    let (mut findings, mut pictures) = fleet();
    findings.sites.truncate(1);
    let begin = at("2026-05-04");
    let states = ["fixed", "float", "fixed", "dgnss", "autonomous", "fixed", "none"];
    redraw(&mut pictures, 0, |picture| {
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
            plan.cells =
                (0..90).flat_map(|x| (0..90).map(move |y| (x, y, minutes(10, i64::from((x * y) % 10))))).collect();
        }
    });
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
pub(in crate::report) fn large_fleet() -> (Findings, Pictures) {
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
    let (work, rover) = (findings.fieldwork[0].clone(), findings.fleet.bad_rovers[0].clone());
    let (trend, part) = (findings.fleet.trend[1].clone(), findings.fleet.over_represented[0].clone());
    findings.fleet.trend.clear();
    findings.fieldwork = vec![work; 500];
    findings.fleet.bad_rovers = vec![rover; 500];
    findings.fleet.over_represented = vec![part; 100];
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
        s.lost_cost = Some(1234.5);
        findings.fleet.trend.push(SiteTrend { site: s.site.clone(), ..trend.clone() });
        findings.sites.push(s);
        pictures.sites.push(SitePictures::of(SitePicture {
            site: format!("site-{n:03}"),
            time_zone: picture.time_zone.clone(),
            days: days.clone(),
            ..SitePicture::default()
        }));
    }
    (findings, pictures)
}
