//! Rows for the tests of the detectors, and one positive and one negative case of each event kind. Limits and patterns are
//! those of the check values named at each detector (common practice, no source, where nothing else stands).

use super::{Level, Limits, NearPlace, Setup, advisories, base_events, over_base, over_base_sky, over_rover};
use crate::frames::{UnitBuilder, UnitFrames};
use crate::model::event::{Event, Origin};
use crate::model::ids::{Band, FixState, Role, Sat, Signal, System};
use crate::model::rows::{
    BandTen, Correction, Fix, LoggedEvent, Metric, Position, Rows, SPAN_OBSERVATIONS, SPAN_POSITIONS, SignalMinute,
    Span, SpectrumBin, SystemTen,
};
use std::collections::BTreeSet;

pub(super) fn frames(role: Role, rows: Rows) -> UnitFrames {
    let mut builder = UnitBuilder::new("UNIT", role, "meadow");
    builder.add(Origin { bundle: "a.zip".to_owned(), file: "log".to_owned() }, rows);
    builder.build().unwrap()
}

pub(super) fn base(rows: Rows) -> Vec<Event> {
    base_events(&frames(Role::Base, rows), &Setup::default(), &Limits::default())
}

pub(super) fn rover(rows: Rows) -> Vec<Event> {
    over_rover(&frames(Role::Rover, rows), &Limits::default()).events
}

pub(super) fn spans(events: &[Event], kind: &str) -> Vec<(i64, i64)> {
    events.iter().filter(|e| e.kind == kind).map(|e| (e.from / 1000, e.to / 1000)).collect()
}

/// Rover epochs of an hour, one every `step` seconds.
pub(super) fn fixes(step: i64, change: impl Fn(i64, &mut Fix)) -> Rows {
    fixes_but(0..0, step, change)
}

/// The same with a hole in its log.
pub(super) fn fixes_but(hole: std::ops::Range<i64>, step: i64, change: impl Fn(i64, &mut Fix)) -> Rows {
    let mut rows = Rows::default();
    for s in (0..3600).step_by(step as usize).filter(|s| !hole.contains(s)) {
        let mut fix = Fix {
            time: s * 1000,
            state: FixState::Fixed as u8,
            satellites: 20,
            hdop: 0.8,
            correction_age_s: 1.0,
            station_id: 12,
            lat: 47.0,
            lon: 8.0,
            height_m: 500.0,
            sigma_h_m: f32::NAN,
            sigma_v_m: f32::NAN,
        };
        change(s, &mut fix);
        rows.fixes.push(fix);
    }
    rows
}

pub(super) fn band_cell(s: i64, band: Band, cn0_median: f32, cn0_step_max: f32) -> BandTen {
    let (time, band) = (s * 1000, band.code());
    BandTen { time, band, satellites: 12, cn0_median, cn0_step_max, cn0_scatter: 0.5, lost_lock: 0 }
}

/// L1 and L2 of three hours: `fall(s)` in dB and the largest step of each.
pub(super) fn bands(fall: impl Fn(i64) -> [f64; 2], step: impl Fn(i64) -> [f64; 2]) -> Rows {
    let mut rows = Rows::default();
    for s in (0..10_800).step_by(10) {
        for (b, band) in [Band::L1, Band::L2].into_iter().enumerate() {
            rows.bands.push(band_cell(s, band, 45.0 - fall(s)[b] as f32, 0.3 + step(s)[b] as f32));
        }
    }
    rows
}

pub(super) fn systems(second: impl Fn(i64) -> u8, satellites: impl Fn(i64) -> u8) -> Rows {
    let mut rows = Rows::default();
    for s in (0..3600).step_by(10) {
        let all = satellites(s);
        rows.systems.push(SystemTen { time: s * 1000, system: b'G', satellites: all, first: all, second: second(s) });
    }
    rows
}

/// Minutes of 12 satellites on L1 and L2.
pub(super) fn signals(minutes: i64, change: impl Fn(i64, usize, &mut SignalMinute)) -> Rows {
    let mut rows = Rows::default();
    for minute in 0..minutes {
        for k in 0..12_usize {
            for (code, band) in [(*b"1C", Band::L1), (*b"2L", Band::L2)] {
                let mut row = SignalMinute {
                    time: minute * 60_000,
                    sat: Sat::new(System::Gps, k as u8 + 1).code(),
                    signal: Signal { system: System::Gps, code }.pack(),
                    band: band.code(),
                    cn0_mean: 47.0,
                    cn0_min: 45.0,
                    cn0_sd: 0.6,
                    epochs: 60,
                    slips: 0,
                    azimuth: f32::NAN,
                    elevation: 40.0,
                    ..SignalMinute::default()
                };
                change(minute, k, &mut row);
                rows.signals.push(row);
            }
        }
    }
    rows
}

/// An hour of messages: number and count of each in a minute.
pub(super) fn messages(of: impl Fn(i64) -> Vec<(u16, u32, f32)>) -> Rows {
    let mut rows = Rows::default();
    for minute in 0..60 {
        for (message, count, longest_gap_s) in of(minute) {
            rows.corrections.push(Correction {
                time: minute * 60_000,
                station_id: 12,
                message,
                count,
                bytes: 100 * count,
                longest_gap_s,
            });
        }
    }
    rows
}

pub(super) fn metrics(name: &str, value: impl Fn(i64) -> f64) -> Rows {
    let mut rows = Rows::default();
    for minute in 0..60 {
        rows.metrics.push(Metric { time: minute * 60_000, metric: name.to_owned(), value: value(minute) });
    }
    rows
}

#[test]
fn corrections_that_grow_old_are_seen_at_any_log_interval() {
    // Check-values 12.3: over 5 s is degraded; the age tells when they stopped.
    for step in [1, 5, 10] {
        let cut = |s: i64| (1000..1100).contains(&s);
        let rows = fixes(step, |s, f| f.correction_age_s = if cut(s) { (s - 999) as f32 } else { 1.0 });
        let found = spans(&rover(rows), "corrections-old");
        assert_eq!(found.len(), 1, "every {step} s");
        assert!((found[0].0 - 1000).abs() <= 2 * step && (found[0].1 - 1100).abs() <= step, "{found:?}");
    }
    assert!(spans(&rover(fixes(1, |_, _| ())), "corrections-old").is_empty());
}

#[test]
fn a_receiver_that_starts_has_no_corrections_whatever_the_link_does() {
    // Without an age and a differential solution from 1000 s to `until`, its log silent for `silent` seconds before.
    let old = |silent: i64, until: i64| {
        rover(fixes_but(1000 - silent..1000, 1, |s, f| {
            if (1000..until).contains(&s) {
                (f.correction_age_s, f.state) = (f32::NAN, FixState::Autonomous as u8);
            }
        }))
    };
    assert!(spans(&old(40, 1080), "corrections-old").is_empty());
    // As long after it, it is the link; and so it is at once without a silence.
    assert_eq!(spans(&old(40, 1200), "corrections-old").iter().map(|s| s.1).collect::<Vec<_>>(), [1200]);
    let gone = old(0, 1080);
    assert_eq!(spans(&gone, "corrections-old").iter().map(|s| s.1).collect::<Vec<_>>(), [1080]);
    let told: Vec<&str> = gone.iter().filter(|e| e.kind == "corrections-old").map(|e| e.detail.as_str()).collect();
    assert_eq!(told, ["no correction age any more: the last correction in use is 81 s old"]);
}

#[test]
fn few_satellites_are_few_against_the_usual() {
    let found = rover(fixes(1, |s, f| f.satellites = if (1000..1060).contains(&s) { 6 } else { 20 }));
    assert_eq!(spans(&found, "rover-few-satellites"), [(1000, 1060)]);
    // A receiver that never uses more than 8 is not few: this is how it is.
    assert!(spans(&rover(fixes(1, |_, f| f.satellites = 8)), "rover-few-satellites").is_empty());
}

#[test]
fn another_station_for_a_while_is_a_change_and_for_good_is_the_usual_one() {
    let found = rover(fixes(1, |s, f| f.station_id = if (1000..1060).contains(&s) { 77 } else { 12 }));
    assert_eq!(spans(&found, "station-changed"), [(1000, 1060)]);
    assert!(spans(&rover(fixes(1, |_, f| f.station_id = 77)), "station-changed").is_empty());
}

#[test]
fn a_weak_rover_is_weak_against_its_best() {
    let weak = |level: fn(i64) -> f32| {
        rover(signals(120, |m, _, r| r.cn0_mean = if (60..80).contains(&m) { level(m) } else { 47.0 }))
    };
    let steady = weak(|_| 40.0);
    assert_eq!(spans(&steady, "rover-weak-steady"), [(3600, 4800)]);
    assert!(spans(&steady, "rover-weak").is_empty());
    // What comes and goes is near by, not in the cable.
    let restless = weak(|m| if m % 2 == 0 { 42.0 } else { 34.0 });
    assert_eq!(spans(&restless, "rover-weak"), [(3600, 4800)]);
    assert!(spans(&restless, "rover-weak-steady").is_empty());
    assert!(spans(&rover(signals(120, |_, _, r| r.cn0_mean = 40.0)), "rover-weak").is_empty());
}

#[test]
fn a_loss_of_lock_of_all_within_a_log_is_common() {
    let at = |when: i64, lost_lock: u8| {
        let mut rows = bands(|_| [0.0; 2], |_| [0.0; 2]);
        let i = (0..rows.bands.len()).find(|i| rows.bands.get(*i).unwrap().time == when * 1000).unwrap();
        rows.bands.lost_lock[i] = lost_lock;
        rows.spans.push(Span { time: 0, until: 10_800_000, kind: SPAN_OBSERVATIONS, epochs: 10_800 });
        spans(&base(rows), "common-slip")
    };
    assert_eq!(at(5000, 11), [(5000, 5010)]);
    assert!(at(5000, 5).is_empty());
    assert!(at(10, 12).is_empty(), "all locks are new where a log begins");
}

#[test]
fn a_second_frequency_is_lost_against_its_own_share() {
    let found = base(systems(|s| if (1000..1300).contains(&s) { 2 } else { 18 }, |_| 20));
    assert_eq!(spans(&found, "second-frequency-lost"), [(1000, 1300)]);
    assert!(spans(&base(systems(|_| 18, |_| 20)), "second-frequency-lost").is_empty());
    // Never there: at a base that is the fault, at a rover the log may only lack signal numbers.
    assert_eq!(spans(&base(systems(|_| 0, |_| 20)), "second-frequency-lost"), [(0, 3600)]);
    // One that fades, a satellite each half minute, begins where the fall does, not where the limit is reached.
    let fading = systems(|s| if (1000..2000).contains(&s) { 18 - ((s - 1000) / 30).min(18) as u8 } else { 18 }, |_| 20);
    let found = spans(&base(fading), "second-frequency-lost");
    assert!(found.len() == 1 && (1000..1100).contains(&found[0].0) && (2000..2040).contains(&found[0].1), "{found:?}");
    assert!(spans(&rover(systems(|_| 0, |_| 20)), "second-frequency-lost").is_empty());
}

#[test]
fn a_second_frequency_that_stays_tracked_and_is_too_weak_is_lost() {
    // All below L1 sinks by a decibel a minute to 20 dB less, is there for an hour and comes back as slowly.
    let fall = |s: i64| (s.min(10_800 - s) as f64 / 60.0 - 20.0).clamp(0.0, 20.0);
    let found = |of: fn(f64) -> [f64; 3]| {
        let mut rows = Rows::default();
        for s in (0..10_800).step_by(10) {
            for (b, band) in [Band::L1, Band::L2, Band::L5].into_iter().enumerate() {
                let cn0_median = 45.0 - of(fall(s))[b] as f32;
                let (time, satellites, lost_lock) = (s * 1000, 12, 0);
                let (cn0_step_max, cn0_scatter) = (0.3, 0.5);
                let band = band.code();
                rows.bands.push(BandTen { time, band, satellites, cn0_median, cn0_step_max, cn0_scatter, lost_lock });
            }
        }
        spans(&base(rows), "second-frequency-lost")
    };
    // Too weak from 30 dB-Hz on, 15 minutes after the fall began.
    assert_eq!(found(|fall| [0.0, fall, fall]), [(2100, 8710)]);
    // An amplifier for all bands, a transmitter beside L2, and what a warm day does are something else.
    assert_eq!(found(|fall| [fall, fall, fall]), []);
    assert_eq!(found(|fall| [0.0, fall, 0.0]), []);
    assert_eq!(found(|fall| [0.0, 0.4 * fall, 0.4 * fall]), []);
}

#[test]
fn few_satellites_at_a_base() {
    let found = base(systems(|_| 6, |s| if (1000..1300).contains(&s) { 8 } else { 20 }));
    assert_eq!(spans(&found, "satellites-few"), [(1000, 1300)]);
    assert!(spans(&base(systems(|_| 6, |_| 8)), "satellites-few").is_empty());
}

#[test]
fn some_satellites_that_fade_are_the_sky_all_of_them_are_not() {
    let fade =
        |n: usize| base(signals(60, move |m, k, r| r.cn0_sd = if k < n && (20..40).contains(&m) { 3.5 } else { 0.6 }));
    assert_eq!(spans(&fade(5), "satellites-fading"), [(1200, 2400)]);
    assert!(spans(&fade(12), "satellites-fading").is_empty());
    assert!(spans(&fade(2), "satellites-fading").is_empty());
}

#[test]
fn slips_on_most_satellites_for_hours_are_many() {
    let slip = |n: usize, minutes: i64| base(signals(minutes, move |_, k, r| r.slips = u16::from(k < n)));
    // One a minute on each of 12: 16.7 in 1000 observations.
    let found = slip(12, 240);
    let event = found.iter().find(|e| e.kind == "slips-many").unwrap();
    assert!((event.value.unwrap() - 1000.0 / 60.0).abs() < 0.1);
    assert!(spans(&slip(5, 240), "slips-many").is_empty(), "a sector");
    assert!(spans(&slip(12, 50), "slips-many").is_empty(), "not an hour");
}

#[test]
fn weak_is_the_whole_sky_on_every_band() {
    let weak = |l1: f32, l2: f32, fleet: usize| {
        let of = |l1: f32, l2: f32| {
            let rows = signals(180, move |_, _, r| r.cn0_mean = if r.band == Band::L1.code() { l1 } else { l2 });
            frames(Role::Base, rows)
        };
        let f = of(l1, l2);
        let level = Level::of(&f);
        let other = Level::of(&of(47.0, 45.0));
        let others: Vec<&Level> = (0..fleet).map(|_| &other).collect();
        let (setup, limits) = (Setup::default(), Limits::default());
        let sky = over_base_sky(&f, &setup, &level, &others, &limits);
        !spans(&over_base(&f, &setup, &level, sky, &limits).0, "weak-signal").is_empty()
    };
    // Check-values 10.2: 45 to 50 dB-Hz on L1 and 42 to 49 on L2C at 40 to 60 degrees.
    assert!(weak(41.0, 38.0, 0));
    assert!(!weak(47.0, 45.0, 0));
    assert!(!weak(41.0, 46.0, 0), "one band only is not the signal path");
    assert!(weak(43.0, 41.0, 3), "4 dB below the fleet");
    assert!(!weak(46.0, 44.0, 3));
}

#[test]
fn a_sky_that_is_blocked_all_round_is_not_a_weak_signal() {
    // Two satellites of twelve stand overhead, at 75 degrees (50 dB-Hz on L1: check-values 10.2); the others are behind trees.
    let weak = |overhead: f32| {
        let rows = signals(180, move |_, k, r| {
            (r.azimuth, r.elevation) = (30.0 * k as f32, if k < 2 { 75.0 } else { 40.0 });
            r.cn0_mean = if k < 2 { overhead } else { 36.0 } - if r.band == Band::L1.code() { 0.0 } else { 2.0 };
        });
        !spans(&base(rows), "weak-signal").is_empty()
    };
    assert!(!weak(50.0));
    assert!(weak(40.0), "10 dB down in all directions");
}

#[test]
fn message_sets_are_complete_fast_and_even() {
    let whole = || vec![(1006, 6, 10.0), (1077, 60, 1.0), (1087, 60, 1.0)];
    let during =
        |bad: Vec<(u16, u32, f32)>| base(messages(move |m| if (20..30).contains(&m) { bad.clone() } else { whole() }));
    assert!(base(messages(|_| whole())).is_empty());
    let at = [(1200, 1800)];
    assert_eq!(spans(&during(vec![(1077, 60, 1.0), (1087, 60, 1.0)]), "position-message-missing"), at);
    assert_eq!(spans(&during(vec![(1006, 6, 10.0), (1077, 10, 6.0), (1087, 10, 6.0)]), "observables-slow"), at);
    let gaps = during(vec![(1006, 6, 10.0), (1077, 40, 15.0), (1087, 40, 15.0)]);
    assert_eq!(spans(&gaps, "observables-irregular"), at);
    assert_eq!(spans(&during(vec![(1006, 6, 10.0)]), "observables-missing"), at);
    assert_eq!(spans(&during(vec![(1006, 6, 10.0), (1073, 60, 1.0)]), "observables-incomplete"), at);
    assert_eq!(spans(&during(vec![(1006, 6, 10.0), (4090, 60, 1.0)]), "company-messages-only"), at);
    assert_eq!(spans(&during(vec![(1006, 6, 10.0), (1077, 60, 1.0)]), "system-stopped"), at);
}

#[test]
fn reported_positions_move_drift_and_differ() {
    let said = |of: &dyn Fn(i64) -> f64, is_virtual: bool, reference: Option<f64>| {
        let mut rows = Rows::default();
        for minute in 0..600_i64 {
            rows.positions.push(Position {
                time: minute * 60_000,
                station_id: 12,
                x_m: 4_300_000.0,
                y_m: 600_000.0 + of(minute),
                z_m: 4_650_000.0,
                antenna_height_m: 0.0,
                is_virtual,
                from_rtcm: true,
            });
        }
        let setup =
            Setup { reference_xyz_m: reference.map(|r| [4_300_000.0, 600_000.0 + r, 4_650_000.0]), ..Setup::default() };
        base_events(&frames(Role::Base, rows), &setup, &Limits::default())
    };
    // Limits of 0.02 m and 0.05 m: check-values 12.4 and common practice, no source.
    let jump = |m: i64| if m < 300 { 0.0 } else { 0.05 };
    assert_eq!(spans(&said(&jump, false, None), "position-moved").len(), 1);
    assert!(said(&jump, true, None).is_empty(), "a virtual station follows the rover");
    assert!(said(&|m| (m % 2) as f64 * 0.01, false, None).is_empty(), "a centimetre is noise");
    let alternates = said(&|m| if (m / 100) % 2 == 0 { 0.0 } else { 3.0 }, false, None);
    assert!(spans(&alternates, "position-alternates").len() >= 4);
    assert_eq!(spans(&said(&|m| m as f64 * 0.0005, false, None), "position-drift").len(), 1);
    assert_eq!(spans(&said(&|_| 0.0, false, Some(0.08)), "position-unlike-reference").len(), 1);
    assert!(said(&|_| 0.0, false, Some(0.03)).is_empty());
    // Wrong for two hours, right again, wrong again: each for itself, until the report that is right.
    let wrong = |m: i64| if (60..180).contains(&m) || m >= 400 { 700.0 } else { 0.0 };
    let times = [(60 * 60, 180 * 60), (400 * 60, 599 * 60)];
    assert_eq!(spans(&said(&wrong, false, Some(0.0)), "position-unlike-reference"), times);
    // Two stations in turns are far all the time.
    let turns = |m: i64| if m % 2 == 0 { 700.0 } else { 0.0 };
    assert_eq!(spans(&said(&turns, false, Some(0.0)), "position-unlike-reference").len(), 1);
}

#[test]
fn the_antenna_port_against_what_the_antenna_needs() {
    let port = |drop: f64, volts: f64| {
        let rows = metrics("antenna_voltage_v", move |m| if m >= 30 { volts } else { 5.0 });
        let setup =
            Setup { supply_min_v: Some(4.5), supply_max_v: Some(5.5), voltage_drop_v: Some(drop), ..Setup::default() };
        base_events(&frames(Role::Base, rows), &setup, &Limits::default())
    };
    assert_eq!(spans(&port(0.0, 3.3), "antenna-voltage-low").len(), 1);
    assert!(port(0.0, 4.7).is_empty());
    // The same 4.7 V with 0.4 V lost on the cable leaves 4.3 V at the antenna.
    assert_eq!(spans(&port(0.4, 4.7), "antenna-voltage-low").len(), 1);
    assert_eq!(spans(&port(0.0, 12.0), "antenna-voltage-high").len(), 1);
    // Check-values 10.5: 20 to 100 mA are typical, 0 is open, far above is a short.
    let current = |ma: f64| base(metrics("antenna_current_ma", move |m| if m >= 30 { ma } else { 45.0 }));
    assert_eq!(spans(&current(0.0), "antenna-current-none").len(), 1);
    assert_eq!(spans(&current(300.0), "antenna-current-high").len(), 1);
    assert!(current(60.0).is_empty());
    let supply = |v: f64| base(metrics("supply_voltage_v", move |m| if m >= 40 { v } else { 12.6 }));
    assert_eq!(spans(&supply(9.8), "supply-voltage-low").len(), 1);
    assert!(supply(12.0).is_empty());
}

#[test]
fn a_spike_in_a_gnss_band_only() {
    let sweep = |mhz: f64, db: f32| {
        let mut rows = Rows::default();
        for k in 0..500 {
            let f = 1150.0 + f64::from(k);
            let power_dbm = -100.0 + if (f - mhz).abs() < 0.6 { db } else { (k % 3) as f32 };
            rows.spectra.push(SpectrumBin { time: 0, frequency_hz: f * 1e6, power_dbm });
        }
        base(rows)
    };
    let found = sweep(1575.0, 25.0);
    assert_eq!(found.len(), 1);
    assert!(found[0].detail.contains("L1"), "{}", found[0].detail);
    assert!(sweep(1575.0, 5.0).is_empty());
    assert!(sweep(1400.0, 40.0).is_empty(), "between the bands");
}

#[test]
fn gaps_restarts_and_logged_events() {
    let silent = |lost_lock: u8, kind: u8| {
        let mut rows = Rows::default();
        for (from, to) in [(0, 1000), (1060, 2000)] {
            rows.spans.push(Span { time: from * 1000, until: to * 1000, kind, epochs: 1 });
        }
        rows.bands.push(BandTen {
            time: 1_060_000,
            band: Band::L1.code(),
            satellites: 12,
            cn0_median: 45.0,
            cn0_step_max: 0.3,
            cn0_scatter: 0.5,
            lost_lock,
        });
        rows
    };
    let restart = base(silent(12, SPAN_OBSERVATIONS));
    assert_eq!(spans(&restart, "lock-reset"), [(1000, 1060)]);
    assert_eq!(spans(&restart, "stream-gap"), [(1000, 1060)]);
    assert!(spans(&base(silent(1, SPAN_OBSERVATIONS)), "lock-reset").is_empty());
    assert_eq!(spans(&rover(silent(0, SPAN_POSITIONS)), "log-silent"), [(1000, 1060)]);
    let log = |kind: &str| {
        let mut rows = Rows::default();
        rows.logged.push(LoggedEvent { time: 5_000, kind: kind.to_owned(), detail: "by hand".to_owned() });
        base(rows)
    };
    assert_eq!(spans(&log("power-fail"), "power-fail"), [(5, 5)]);
    assert!(log("other").is_empty() && log("no such kind").is_empty());
}

#[test]
fn what_cards_and_places_say_is_an_advisory() {
    let kinds = |setup: &Setup, makes: &[&str], of: Vec<(u16, u32, f32)>| -> Vec<&'static str> {
        let f = frames(Role::Base, messages(move |_| of.clone()));
        let makes: BTreeSet<String> = makes.iter().map(|m| (*m).to_owned()).collect();
        advisories(&f, setup, &makes, 0, 3_600_000, &Limits::default()).iter().map(|e| e.kind).collect()
    };
    let good = || vec![(1006, 6, 10.0), (1077, 60, 1.0), (1087, 60, 1.0), (1230, 2, 30.0), (1033, 1, 60.0)];
    let setup = Setup { antenna_gain_db: Some(40.0), cable_loss_db: Some(10.0), ..Setup::default() };
    assert!(kinds(&setup, &["a", "b"], good()).is_empty());
    // Check-values 10.4: 15 to 35 dB at the receiver (common practice, no source).
    let long = Setup { cable_loss_db: Some(30.0), ..setup.clone() };
    assert_eq!(kinds(&long, &["a"], good()), ["link-budget-low"]);
    let short = Setup { antenna_gain_db: Some(50.0), cable_loss_db: Some(1.0), ..setup.clone() };
    assert_eq!(kinds(&short, &["a"], good()), ["link-budget-high"]);
    let old = Setup { firmware_trouble: Some("loses tracking".to_owned()), ..setup.clone() };
    assert_eq!(kinds(&old, &["a"], good()), ["firmware-trouble"]);
    let place = |kind: &str, distance_m| Setup {
        near: vec![NearPlace { name: "hill".to_owned(), kind: kind.to_owned(), distance_m }],
        ..setup.clone()
    };
    assert_eq!(kinds(&place("radar", 399.0), &["a"], good()), ["emitter-near"]);
    assert!(kinds(&place("radar", 401.0), &["a"], good()).is_empty());
    assert_eq!(kinds(&place("airport", 3000.0), &["a"], good()), ["airport-near"]);
    let bare = vec![(1006, 6, 10.0), (1004, 60, 1.0), (1012, 60, 1.0)];
    assert_eq!(kinds(&setup, &["a", "b"], bare), ["biases-missing", "description-missing", "older-generation"]);
}

#[test]
fn empty_and_odd_tables_give_nothing_and_stop_nothing() {
    assert!(base(Rows::default()).is_empty() && rover(Rows::default()).is_empty());
    let odd = || {
        let mut rows = fixes(1, |s, f| {
            f.correction_age_s = if s % 2 == 0 { f32::INFINITY } else { f32::NAN };
            f.state = (s % 300) as u8;
            f.lat = f64::NAN;
        });
        rows.append(bands(|_| [f64::NAN; 2], |_| [f64::NAN; 2]));
        rows.append(signals(5, |_, _, r| r.cn0_mean = f32::NAN));
        rows.metrics.push(Metric { time: 0, metric: "antenna_voltage_v".to_owned(), value: f64::NAN });
        rows.spectra.push(SpectrumBin { time: 0, frequency_hz: f64::NAN, power_dbm: f32::NAN });
        rows.spans.push(Span { time: 10, until: 0, kind: 9, epochs: 0 });
        rows
    };
    base(odd());
    rover(odd());
}
