//! The detectors of the sky against skies built for them: each must see what it is for, and stay quiet at the others.

use super::sky_minutes::typical_dbhz;
use super::{Level, Limits, Setup, over_base, over_base_sky};
use crate::frames::UnitBuilder;
use crate::model::event::{Calm, Event, Origin};
use crate::model::ids::{Band, Role, Sat, Signal, System};
use crate::model::rows::{Expected, Expecteds, Rows, SignalMinute};
use crate::model::sky::GeometryFrom;
use crate::model::time::MINUTE_MS;

/// 2026-03-20, an equinox, 20:00 UTC.
const START: i64 = 1_774_036_800_000;

/// One satellite of one minute, as a case may change it.
#[derive(Debug, Clone, Copy)]
struct Made {
    minute: i64,
    k: usize,
    azimuth: f64,
    elevation: f64,
    tracked: bool,
    /// Added to the typical C/N0, dB: L1, L5.
    extra_db: [f64; 2],
    s4: [f32; 2],
    roti: f32,
    mp_times: f64,
    /// Standard deviation of the C/N0 in the minute, dB.
    spread_db: f32,
}

const KINDS: [&str; 7] = [
    "sky-blocked",
    "sky-covered",
    "multipath",
    "scintillation",
    "ionosphere-disturbed",
    "weak-whole-sky",
    "weak-sector",
];

/// Events of a base over three hours of 30 moving satellites; only the kinds of the sky.
fn events(change: impl Fn(&mut Made)) -> Vec<Event> {
    sky(change).0
}

/// The same, and when there was no storm.
fn sky(change: impl Fn(&mut Made)) -> (Vec<Event>, Calm) {
    let mut rows = Rows::default();
    let mut expected = Expecteds::default();
    for minute in 0..180 {
        let time = START + minute * MINUTE_MS;
        for k in 0..30_usize {
            // Spread over the sky by the golden angle; each drifts by a third of a degree a minute.
            let azimuth = (k as f64 * 137.5 + minute as f64 / 3.0).rem_euclid(360.0);
            let elevation = 11.0 + (k as f64 * 47.0 + minute as f64 * 0.15).rem_euclid(72.0);
            let mut m = Made {
                minute,
                k,
                azimuth,
                elevation,
                tracked: true,
                extra_db: [0.0; 2],
                s4: [0.06; 2],
                roti: 0.05,
                mp_times: 0.8,
                spread_db: 0.5,
            };
            change(&mut m);
            let sat = Sat::new(System::Gps, k as u8 + 1).code();
            let (a, e) = (m.azimuth as f32, m.elevation as f32);
            expected.push(Expected { time, sat, azimuth: a, elevation: e, tracked: m.tracked });
            if !m.tracked {
                continue;
            }
            for (n, (code, band)) in [(*b"1C", Band::L1), (*b"5Q", Band::L5)].into_iter().enumerate() {
                let cn0 = typical_dbhz(System::Gps, band, m.elevation).unwrap() + m.extra_db[n];
                // A clean antenna by check values 8.2: 0.2 m high up, two to three times as much low.
                let clean = 0.2 + 0.3 * (1.0 - m.elevation / 90.0);
                rows.signals.push(SignalMinute {
                    time,
                    sat,
                    signal: Signal { system: System::Gps, code }.pack(),
                    band: band.code(),
                    cn0_mean: cn0 as f32,
                    cn0_min: cn0 as f32 - 1.0,
                    cn0_sd: m.spread_db,
                    epochs: 60,
                    azimuth: a,
                    elevation: e,
                    mp_rms_m: (clean * m.mp_times) as f32,
                    s4_like: m.s4[n],
                    roti: if n == 0 { m.roti } else { f32::NAN },
                    rot: if n == 0 { 0.0 } else { f32::NAN },
                    ..SignalMinute::default()
                });
            }
        }
    }
    let mut builder = UnitBuilder::new("B-1", Role::Base, "site");
    builder.add(Origin { bundle: "b.zip".into(), file: "b.rtcm3".into() }, rows);
    let frames = builder.build().unwrap();
    let frames = frames.with_directions(GeometryFrom::OwnOrbits, expected, |_, _| None).unwrap();
    // Near the magnetic equator, west of Greenwich by 4 hours.
    let setup = Setup { place: Some((-10.0, -60.0, 100.0)), ..Setup::default() };
    let (level, limits) = (Level::of(&frames), Limits::default());
    let sky = over_base_sky(&frames, &setup, &level, &[], &limits);
    let (events, calm) = over_base(&frames, &setup, &level, sky, &limits);
    (events.into_iter().filter(|e| KINDS.contains(&e.kind)).collect(), calm)
}

fn kinds(list: &[Event]) -> Vec<&'static str> {
    let mut out: Vec<&str> = list.iter().map(|e| e.kind).collect();
    out.dedup();
    out
}

fn behind_the_wall(m: &Made) -> bool {
    (120.0..260.0).contains(&m.azimuth) && m.elevation < 50.0
}

#[test]
fn a_good_base_has_no_event() {
    assert_eq!(events(|_| {}), []);
}

#[test]
fn a_wall_blocks_its_sector() {
    let list = events(|m| m.tracked = !behind_the_wall(m));
    let wall = list.iter().find(|e| e.kind == "sky-blocked").unwrap();
    assert!(wall.detail.contains("azimuth 120-260") && wall.detail.contains("all the time"), "{}", wall.detail);
    // 140 of 360 degrees up to 50 degrees: 0.28 of the sky over 10 degrees; the drawn satellites sample it roughly.
    let share = wall.value.unwrap();
    assert!((0.2..0.36).contains(&share), "{share}");
}

#[test]
fn a_wall_that_only_weakens_counts_too_and_is_a_weak_sector_when_it_weakens_little() {
    let strong = events(|m| {
        if behind_the_wall(m) {
            m.extra_db = [-15.0; 2];
        }
    });
    assert!(kinds(&strong).contains(&"sky-blocked"), "{strong:?}");
    let little = events(|m| {
        if (150.0..210.0).contains(&m.azimuth) && m.elevation < 35.0 {
            m.extra_db = [-8.0; 2];
        }
    });
    assert_eq!(kinds(&little), ["weak-sector"], "{little:?}");
    assert!(little[0].detail.contains("azimuth 150-180 at 10-35 degrees 8 dB"), "{}", little[0].detail);
}

#[test]
fn a_crane_blocks_from_its_hour_on() {
    let list = events(|m| m.tracked = m.minute < 90 || !behind_the_wall(m));
    let wall = list.iter().find(|e| e.kind == "sky-blocked").unwrap();
    assert_eq!(wall.from, START + 90 * MINUTE_MS);
    assert!(wall.detail.contains("for a part of the time"), "{}", wall.detail);
}

#[test]
fn a_whole_sky_that_falls_is_no_obstruction() {
    // A dead amplifier for half an hour: the low satellites go, the high ones are weak.
    let list = events(|m| {
        if (60..90).contains(&m.minute) {
            m.extra_db = [-20.0; 2];
            m.tracked = m.elevation > 45.0;
        }
    });
    assert!(!kinds(&list).contains(&"sky-blocked"), "{list:?}");
}

#[test]
fn a_sky_that_is_weak_all_the_time_loses_its_low_satellites_to_that() {
    // A bad cable takes 20 dB: of a satellite at 15 degrees (typical 40 dB-Hz) nothing is left to track.
    let list = events(|m| {
        m.extra_db = [-20.0; 2];
        m.tracked = m.elevation > 35.0;
    });
    assert_eq!(kinds(&list), ["weak-whole-sky"], "{list:?}");
}

#[test]
fn a_cover_makes_each_satellite_swing_for_itself() {
    // Under a roof: 6 dB less in the middle, by 5 dB more or less for each satellite each minute.
    let swing = |m: &Made| f64::from((m.k as i64 * (7 * m.minute + 3) % 13) as u32) - 6.0;
    let roof = events(|m| m.extra_db = [-8.0 + swing(m); 2]);
    assert!(kinds(&roof).contains(&"sky-covered") && !kinds(&roof).contains(&"weak-whole-sky"), "{roof:?}");
    // The same for all satellites at once is the signal path.
    let path = events(|m| m.extra_db = [-8.0 + f64::from(m.minute as u32 % 5); 2]);
    assert!(kinds(&path).contains(&"weak-whole-sky") && !kinds(&path).contains(&"sky-covered"), "{path:?}");
    // Reflections swing each satellite too, whether the sky is weak or not.
    let reflected = events(|m| m.extra_db = [if m.minute < 90 { -8.0 } else { 0.0 } + 0.5 * swing(m); 2]);
    assert!(!kinds(&reflected).contains(&"sky-covered"), "{reflected:?}");
}

#[test]
fn satellites_that_the_receiver_does_not_know_are_no_wall() {
    // Two of thirty never tracked, in every direction.
    let list = events(|m| m.tracked = !matches!(m.k, 3 | 17));
    assert_eq!(kinds(&list), [] as [&str; 0]);
}

#[test]
fn reflections_are_told_by_code_multipath() {
    let list = events(|m| m.mp_times = 3.5);
    assert_eq!(kinds(&list), ["multipath"]);
    assert!(list[0].strength > 0.6 && list[0].detail.contains("at 10-25 degrees"), "{:?}", list[0]);
    // A reflector in one direction: half of the satellites.
    let half = events(|m| m.mp_times = if m.azimuth < 180.0 { 5.0 } else { 0.8 });
    assert_eq!(kinds(&half), ["multipath"]);
    // Noise of weak signals is no reflection.
    let weak = events(|m| {
        m.extra_db = [-9.0; 2];
        m.mp_times = 1.3;
    });
    assert!(!kinds(&weak).contains(&"multipath"), "{weak:?}");
}

#[test]
fn weaker_reflections_move_code_and_signal_together() {
    // Bilich and Larson 2007: one reflected wave makes both code multipath and a ripple of the C/N0. A third of the satellites with
    // 1.6 times the multipath of a clean antenna is under the limits for code alone.
    let third = |times: f64, spread_db: f32| {
        let list = events(|m| {
            if m.k % 3 == 0 {
                (m.mp_times, m.spread_db) = (times, spread_db);
            }
        });
        kinds(&list)
    };
    assert_eq!(third(1.6, 1.5), ["multipath"]);
    assert_eq!(third(1.6, 0.5), [] as [&str; 0]);
    assert!(!third(0.3, 1.5).contains(&"multipath"));
    // All satellites at once is the antenna's supply or interference.
    let all = events(|m| (m.mp_times, m.spread_db) = (1.6, 5.0));
    assert!(!kinds(&all).contains(&"multipath"), "{all:?}");
}

#[test]
fn scintillation_is_some_satellites_on_both_bands_with_dispersion() {
    let some = |m: &mut Made, s4: [f32; 2], roti: f32, satellites: usize| {
        if (60..100).contains(&m.minute) && m.k % 30 < satellites {
            (m.s4, m.roti) = (s4, roti);
        }
    };
    let list = events(|m| some(m, [0.6, 0.8], 2.0, 10));
    assert_eq!(kinds(&list), ["scintillation"]);
    let e = &list[0];
    // Dip latitude of the place is within the belt (check values 7.5: Lima, Sao Jose dos Campos); 21:00 UTC is 17:00 there.
    assert!(e.from >= START + 60 * MINUTE_MS && e.to <= START + 101 * MINUTE_MS);
    assert!(e.detail.contains("dip latitude") && e.detail.contains("solar time 1"), "{}", e.detail);
    for (what, s4, roti, satellites) in [
        ("one band only", [0.6, 0.05], 2.0, 10),
        ("no dispersion", [0.6, 0.8], 0.1, 10),
        ("all satellites: a band or the receiver", [0.6, 0.8], 2.0, 30),
        ("one satellite", [0.6, 0.8], 2.0, 1),
    ] {
        let list = events(|m| some(m, s4, roti, satellites));
        assert!(!kinds(&list).contains(&"scintillation"), "{what}: {list:?}");
    }
}

#[test]
fn a_storm_swings_all_satellites_without_fading() {
    let list = events(|m| m.roti = 1.2);
    assert_eq!(kinds(&list), ["ionosphere-disturbed"]);
    assert_eq!(events(|m| m.roti = if m.k < 10 { 1.2 } else { 0.1 }), []);
}

#[test]
fn a_weaker_storm_shows_in_the_middle_of_all_satellites() {
    // One hour of three, well under the onset of irregularities (0.5) on each satellite.
    let hour = |quiet: f32, roti: f32, satellites: usize| {
        move |m: &mut Made| {
            let stormy = (60..120).contains(&m.minute) && m.k < satellites;
            m.roti = if stormy { roti } else { quiet };
        }
    };
    let list = events(hour(0.05, 0.3, 30));
    assert_eq!(kinds(&list), ["ionosphere-disturbed"]);
    assert_eq!((list[0].from, list[0].to), (START + 60 * MINUTE_MS, START + 120 * MINUTE_MS));
    assert_eq!(list[0].value.map(|v| (v * 100.0).round()), Some(30.0));
    for (what, quiet, roti, satellites) in [
        ("a third of the sky", 0.05, 0.4, 10),
        ("no more than antennas differ by", 0.05, 0.15, 30),
        ("an antenna with reflections: 0.15 TECU/min all day", 0.15, 0.3, 30),
    ] {
        assert_eq!(events(hour(quiet, roti, satellites)), [], "{what}");
    }
    // A log that holds nothing but the storm.
    assert_eq!(kinds(&events(|m| m.roti = 0.4)), ["ionosphere-disturbed"]);
}

#[test]
fn a_sky_that_swings_more_than_its_quiet_hours_is_not_called_quiet() {
    let minutes = |(a, b): &(i64, i64)| ((a - START) / MINUTE_MS, (b - START) / MINUTE_MS);
    let calm = |roti: f32| {
        let calm = sky(|m| m.roti = if (60..120).contains(&m.minute) { roti } else { 0.05 }).1;
        [calm.quiet, calm.mostly].map(|spans| spans.iter().map(minutes).collect::<Vec<_>>())
    };
    let (all, around) = (vec![(0, 180)], vec![(0, 60), (120, 180)]);
    assert_eq!(calm(0.05), [all.clone(), all.clone()]);
    assert_eq!(calm(0.15), [around.clone(), all]);
    assert_eq!(calm(0.3), [around.clone(), around]);
}

#[test]
fn a_weak_sky_is_weak_in_all_directions_and_bands() {
    let list = events(|m| m.extra_db = [-7.0, -6.0]);
    assert_eq!(kinds(&list), ["weak-whole-sky"]);
    assert!((list[0].value.unwrap() - 7.0).abs() < 0.5);
    assert_eq!(events(|m| m.extra_db = [-3.0; 2]), [], "receivers differ by this much");
    assert_eq!(events(|m| m.extra_db = [-7.0, 0.0]), [], "one band is not the signal path");
}
