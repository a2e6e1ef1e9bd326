//! Falls, jumps and levels of bands ([`super::band_drop`], [`super::band_series`]): a positive and a negative case of each (common practice, no
//! source, where nothing is named).

use super::samples::{band_cell, bands, base, frames, rover, signals, spans};
use super::{Limits, over_rover};
use crate::model::event::Event;
use crate::model::ids::{Band, Role, Sat, Signal, System};
use crate::model::rows::{BandTen, Rows, SignalMinute, Signals};

#[test]
fn signals_are_steady_where_no_carrier_is_down() {
    let steady = |rows: Rows| -> Vec<(i64, i64)> {
        let seen = over_rover(&frames(Role::Rover, rows), &Limits::default());
        seen.steady.iter().map(|(a, b)| (a / 1000, b / 1000)).collect()
    };
    let fall = |s: i64| [0.0, if (5000..5300).contains(&s) { 6.0 } else { 0.0 }];
    assert_eq!(steady(bands(fall, |_| [0.0; 2])), [(0, 5000), (5300, 10_800)]);
    // With one carrier in the log nobody knows how the others fare.
    let mut one = Rows::default();
    for s in (0..10_800).step_by(10) {
        one.bands.push(band_cell(s, Band::L1, 45.0, 0.3));
    }
    assert!(steady(one).is_empty());
}

#[test]
fn falls_within_seconds_and_slow_ones_are_told_apart() {
    let jam = |s: i64| (5000..5600).contains(&s);
    let edge = |s: i64| if s == 5000 || s == 5600 { 5.0 } else { 0.0 };
    let one = base(bands(|s| [if jam(s) { 6.0 } else { 0.0 }, 0.0], |s| [edge(s), 0.0]));
    assert_eq!(spans(&one, "band-drop"), [(5000, 5600)]);
    assert!(spans(&one, "all-bands-drop").is_empty());
    let both = base(bands(|s| [if jam(s) { 6.0 } else { 0.0 }; 2], |s| [edge(s); 2]));
    assert_eq!(spans(&both, "all-bands-drop"), [(5000, 5600)]);
    assert!(spans(&both, "band-drop").is_empty());
    let ramp = |s: i64| (6.0 - (s - 5000).abs() as f64 / 200.0).max(0.0);
    let slow = base(bands(|s| [ramp(s), 0.0], |_| [0.0; 2]));
    assert!(spans(&slow, "band-drop").is_empty() && !spans(&slow, "band-sinks").is_empty());
    let slow = base(bands(|s| [ramp(s); 2], |_| [0.0; 2]));
    assert!(spans(&slow, "all-bands-drop").is_empty() && !spans(&slow, "all-bands-sink").is_empty());
    assert!(base(bands(|_| [0.0; 2], |_| [0.0; 2])).is_empty());
}

#[test]
fn a_median_that_falls_without_its_satellites_is_no_fall() {
    // Strong satellites set, weak ones rise: the median of the band falls by 5 dB and no satellite does. Then all of them do.
    let fell = |by: f32| {
        let mut rows = bands(|s| [if (5_400..6_600).contains(&s) { 5.0 } else { 0.0 }, 0.0], |_| [0.0; 2]);
        rows.signals = signals(180, |minute, _, row| {
            if row.band == Band::L1.code() && (90..110).contains(&minute) {
                row.cn0_mean -= by;
            }
        })
        .signals;
        spans(&base(rows), "band-drop").len()
    };
    assert_eq!((fell(0.5), fell(5.0)), (0, 1));
}

#[test]
fn a_wall_beside_a_machine_takes_a_part_of_its_sky() {
    let fell = |by: [f32; 2]| {
        let mut rows = bands(|s| [if (5_400..6_600).contains(&s) { 6.0 } else { 0.0 }, 0.0], |_| [0.0; 2]);
        rows.signals = signals(180, |minute, k, row| {
            if row.band == Band::L1.code() && (90..110).contains(&minute) {
                row.cn0_mean -= by[usize::from(k < 4)];
            }
        })
        .signals;
        let found = rover(rows);
        (spans(&found, "part-of-sky-drop").len(), spans(&found, "band-drop").len())
    };
    assert_eq!(fell([4.0, 22.0]), (1, 0));
    assert_eq!(fell([6.0, 7.0]), (0, 1));
}

#[test]
fn a_transmitter_takes_one_carrier_of_a_band_and_a_wall_does_not_ask_for_systems() {
    let fell = |down: fn(System, u8) -> bool| {
        let mut rows = bands(|s| [if (5_400..6_600).contains(&s) { 9.0 } else { 0.0 }, 0.0], |_| [0.0; 2]);
        rows.signals = signals(180, |minute, k, row| {
            // Seven of one system and five of another.
            let system = if k < 7 { System::Gps } else { System::Glonass };
            row.sat = Sat::new(system, k as u8 + 1).code();
            if row.band == Band::L1.code() && (90..110).contains(&minute) && down(system, k as u8) {
                row.cn0_mean -= 16.0;
            }
        })
        .signals;
        let found = rover(rows);
        (spans(&found, "part-of-sky-drop").len(), spans(&found, "band-drop").len())
    };
    assert_eq!(fell(|system, _| system == System::Gps), (0, 1));
    assert_eq!(fell(|_, k| k % 2 == 0 || k == 1), (1, 0));
}

#[test]
fn a_band_that_is_gone_has_fallen_too() {
    let mut rows = bands(|s| [if (5000..5600).contains(&s) { 12.0 } else { 0.0 }, 0.0], |_| [0.0; 2]);
    let keep: Vec<u32> = (0..rows.bands.len())
        .filter(|i| {
            let r = rows.bands.get(*i).unwrap();
            !(r.band == Band::L2.code() && (5_000_000..5_600_000).contains(&r.time))
        })
        .map(|i| i as u32)
        .collect();
    rows.bands = rows.bands.take(&keep);
    let found = base(rows);
    assert_eq!(spans(&found, "all-bands-drop"), [(5000, 5600)]);
    assert!(spans(&found, "band-drop").is_empty());
}

/// A log without band information: one level for all satellites.
fn level(fall: impl Fn(i64) -> f64) -> Vec<Event> {
    let mut rows = bands(|s| [fall(s), 0.0], |s| [if s == 5000 { 12.0 } else { 0.0 }, 0.0]);
    let one: Vec<u32> = (0..rows.bands.len())
        .filter(|i| rows.bands.get(*i).is_some_and(|r| r.band == Band::L1.code()))
        .map(|i| i as u32)
        .collect();
    rows.bands = rows.bands.take(&one);
    rover(rows)
}

#[test]
fn a_level_that_falls_and_stays_is_told_from_one_that_wavers() {
    let inside = |s: i64| (5000..5900).contains(&s);
    let found = level(|s| if inside(s) { 15.0 } else { 0.0 });
    assert_eq!(spans(&found, "level-drop"), [(5000, 5900)]);
    assert_eq!(spans(&found, "level-steady"), [(5000, 5900)]);
    // 3 dB up and down: a source of noise.
    let found = level(|s| if inside(s) { 12.0 + 3.0 * ((s / 10) % 3) as f64 } else { 0.0 });
    assert_eq!(spans(&found, "level-drop"), [(5000, 5900)]);
    assert!(spans(&found, "level-steady").is_empty());
    // Two minutes tell nothing.
    let found = level(|s| if (5000..5120).contains(&s) { 15.0 } else { 0.0 });
    assert!(!spans(&found, "level-drop").is_empty() && spans(&found, "level-steady").is_empty());
}

#[test]
fn all_bands_below_l1_are_one_branch_of_an_antenna() {
    let down = |s: i64| (5000..5900).contains(&s);
    let fallen_with = |of: [f64; 3], signals: Signals| {
        let mut rows = bands(
            move |s| if down(s) { [of[0], of[1]] } else { [0.0; 2] },
            |s| {
                if s == 5000 { [12.0; 2] } else { [0.0; 2] }
            },
        );
        let third: Vec<BandTen> = (0..rows.bands.len())
            .filter_map(|i| rows.bands.get(i))
            .filter(|r| r.band == Band::L2.code())
            .map(|mut r| {
                r.band = Band::L5.code();
                r.cn0_median = 45.0 - if down(r.time / 1000) { of[2] as f32 } else { 0.0 };
                r
            })
            .collect();
        third.into_iter().for_each(|r| rows.bands.push(r));
        rows.signals = signals;
        let found = base(rows);
        (
            spans(&found, "lower-bands-drop").len(),
            spans(&found, "band-drop").len(),
            spans(&found, "all-bands-drop").len(),
        )
    };
    let fallen = |of| fallen_with(of, Signals::default());
    let with_satellites = |code: [u8; 2]| {
        let rows = signals(180, |minute, _, r| {
            if r.band == Band::L2.code() && down(minute * 60) {
                r.cn0_mean -= 15.0;
            }
        });
        let mut all = rows.signals;
        let second: Vec<SignalMinute> = (0..all.len()).filter_map(|i| all.get(i)).collect();
        for mut r in second.into_iter().filter(|r| r.band == Band::L2.code()) {
            (r.signal, r.band) = (Signal { system: System::Galileo, code }.pack(), Band::L5.code());
            all.push(r);
        }
        fallen_with([0.0, 15.0, 15.0], all)
    };
    // Told once.
    assert_eq!(fallen([0.0, 15.0, 15.0]), (1, 0, 0));
    for (code, told) in [(*b"5Q", (1, 0, 0)), (*b"7I", (0, 2, 0))] {
        assert_eq!(with_satellites(code), told, "1207 MHz is near L2 (RINEX 3.05 table 8): a transmitter takes both");
    }
    assert_eq!(fallen([0.0, 15.0, 0.0]), (0, 1, 0));
    assert_eq!(fallen([15.0, 0.0, 0.0]), (0, 1, 0));
    assert_eq!(fallen([15.0, 15.0, 15.0]), (0, 0, 1));
}

#[test]
fn jumps_are_many_within_ten_minutes() {
    let jumps = |every: i64| base(bands(|_| [0.0; 2], move |s| [if s % every == 0 { 4.0 } else { 0.0 }, 0.0]));
    assert!(!spans(&jumps(60), "band-jumps").is_empty());
    assert!(spans(&jumps(600), "band-jumps").is_empty());
    // Both bands in the same seconds are told once, as one.
    let both = |every: i64| bands(|_| [0.0; 2], move |s| [if s % every == 0 { 4.0 } else { 0.0 }; 2]);
    let found = base(both(60));
    assert_eq!(spans(&found, "all-bands-jump").len(), 1);
    assert!(spans(&found, "band-jumps").is_empty());
}

#[test]
fn what_lies_on_a_frequency_shows_on_all_its_signals() {
    // L1 is calm; semi-codeless L2 jumps, and the civil signal on the same carrier does or does not.
    let with = |civil: bool| {
        let jump = |s: i64| if s % 60 == 0 { 4.0 } else { 0.0 };
        let mut rows = bands(|_| [0.0; 2], move |s| [0.0, if civil { jump(s) } else { 0.0 }]);
        for mut r in (0..rows.bands.len()).filter_map(|i| rows.bands.get(i)).collect::<Vec<_>>() {
            if r.band == Band::L2.code() {
                (r.band, r.cn0_step_max) = (Band::L2W.code(), 0.3 + jump(r.time / 1000) as f32);
                rows.bands.push(r);
            }
        }
        spans(&base(rows), "band-jumps").len()
    };
    assert_eq!((with(false), with(true)), (0, 2));
}

#[test]
fn the_middle_of_fading_satellites_jumps_by_chance() {
    let jumps = |every: i64| {
        let mut rows = bands(|_| [0.0; 2], move |s| [if s % every == 0 { 8.0 } else { 0.0 }, 0.0]);
        rows.bands.cn0_scatter.iter_mut().for_each(|s| *s = 3.0);
        spans(&base(rows), "band-jumps").len()
    };
    assert_eq!((jumps(60), jumps(20)), (0, 1), "one cell of six; one of two");
}

#[test]
fn a_band_without_satellites_at_the_jumps_does_not_make_them_those_of_single_bands() {
    let jump = |s: i64| s % 60 == 0;
    let mut rows = bands(|_| [0.0; 2], move |s| [if jump(s) { 4.0 } else { 0.0 }; 2]);
    // A third band that is lost at every jump.
    let third: Vec<_> = (0..rows.bands.len())
        .filter_map(|i| rows.bands.get(i))
        .filter(|r| r.band == Band::L2.code() && !jump(r.time / 1000))
        .map(|mut r| {
            (r.band, r.cn0_step_max) = (Band::L5.code(), 0.0);
            r
        })
        .collect();
    third.into_iter().for_each(|r| rows.bands.push(r));
    let found = base(rows);
    assert_eq!(spans(&found, "all-bands-jump").len(), 1);
    assert!(spans(&found, "band-jumps").is_empty());
}
