//! The "Never" list of the analysis.

use super::site::{BaseNow, Outcome, RoverNow, Site, T0};
use super::trade::dice;
use lostfix::causes::verdict::ruled_out;
use lostfix::model::event::{Event, Origin};
use lostfix::model::ids::FixState;

fn within(s: i64, from: i64, to: i64) -> bool {
    (from..to).contains(&s)
}

/// Never: "a base cause for loss that only one of several observed rovers has".
#[test]
fn a_base_event_is_not_the_cause_of_what_one_of_four_rovers_has() {
    let site = Site::default()
        .with_base(|s| BaseNow { second: if within(s, 4000, 5000) { 0.1 } else { 0.92 }, ..BaseNow::default() })
        .base_log(3995, "restart")
        .with_rovers(4, |r, s| RoverNow::default().lost(r == 1 && within(s, 4005, 5010)));
    let told = site.judge();
    assert_eq!(told.side_hours("base"), 0.0, "{}", told.told());
}

/// Never: "a rover cause for loss that all have at once".
#[test]
fn a_rover_event_is_not_the_cause_of_what_all_rovers_have() {
    let site = Site::default().with_rovers(4, |r, s| {
        let bad = within(s, 4000, 5000);
        RoverNow {
            second: if bad && r == 0 { 0.0 } else { 0.9 },
            satellites: if bad { 7 } else { 20 },
            ..RoverNow::default()
        }
        .lost(bad)
    });
    let told = site.judge();
    assert_eq!(told.side_hours("rover"), 0.0, "{}", told.told());
}

/// Never: "a link cause while corrections are fresh".
#[test]
fn the_link_is_not_the_cause_while_corrections_are_fresh() {
    let site = Site::default()
        .base_log(4000, "radio-off")
        .with_rovers(3, |_, s| RoverNow { age_s: 1.0, ..RoverNow::default() }.lost(within(s, 4005, 4300)));
    let told = site.judge();
    assert_eq!(told.side_hours("link"), 0.0, "{}", told.told());
}

/// Never: "an interference cause from a slow drift". A band that sinks by 6 dB over 20 minutes and comes back as slowly.
#[test]
fn a_slow_drift_is_not_interference() {
    let site = Site::default()
        .with_base(|s| {
            let sunk = if within(s, 4000, 5200) {
                (s - 4000) as f64 / 200.0
            } else if within(s, 5200, 6400) {
                (6400 - s) as f64 / 200.0
            } else {
                0.0
            };
            BaseNow { drop_db: [sunk, 0.0, 0.0], ..BaseNow::default() }
        })
        .with_rovers(3, |_, s| RoverNow::default().lost(within(s, 4800, 5600)));
    let told = site.judge();
    assert_eq!(told.hours("base-interference"), 0.0, "{}", told.told());
}

/// Never: "a sky cause from one base when its neighbours were quiet".
#[test]
fn the_sky_is_not_the_cause_while_the_neighbours_are_quiet() {
    let bad = |s: i64| within(s, 3600, 6000);
    let site = Site { magnetic_latitude: Some(8.0), longitude: 180.0, ..Site::default() }
        .with_base(move |s| BaseNow { fading: if bad(s) { 7 } else { 0 }, ..BaseNow::default() })
        .with_rovers(3, move |_, s| RoverNow::default().lost(bad(s)))
        .with_neighbours(3, |_, _| RoverNow::default());
    let told = site.judge();
    assert_eq!(told.side_hours("sky"), 0.0, "{}", told.told());
}

/// Never: without neighbours a sky cause needs two of: several satellites, place and local time, Kp or a flare.
#[test]
fn the_sky_needs_two_signs_where_there_are_no_neighbours() {
    let bad = |s: i64| within(s, 3600, 6000);
    let site = Site { magnetic_latitude: Some(48.0), ..Site::default() }
        .with_base(move |s| BaseNow { fading: if bad(s) { 7 } else { 0 }, ..BaseNow::default() })
        .with_rovers(3, move |_, s| RoverNow::default().lost(bad(s)));
    let told = site.judge();
    assert_eq!(told.side_hours("sky"), 0.0, "{}", told.told());
}

/// All rovers of a base lose the fix for 40 minutes, with nothing to see at the base, while these events of the sky are listed.
fn lost_beside(kinds: &[&'static str], magnetic_latitude: f64) -> Outcome {
    let bad = |s: i64| within(s, 3600, 6000);
    let listed = |kind: &&'static str| Event {
        unit: String::new(),
        kind,
        from: T0 + 3_500_000,
        to: T0 + 5_000_000,
        value: Some(1.0),
        value_unit: "class",
        strength: 0.9,
        detail: "listed".to_owned(),
        origin: Origin::default(),
    };
    let sky = kinds.iter().map(listed).collect();
    Site { magnetic_latitude: Some(magnetic_latitude), sky, ..Site::default() }
        .with_base(|_| BaseNow::default())
        .with_rovers(3, move |_, s| RoverNow::default().lost(bad(s)))
        .judge()
}

/// The same: a high Kp is one sign; maps that show a steep ionosphere over this very place are the second.
#[test]
fn maps_tell_the_place_of_a_storm_that_kp_announces() {
    let ruled = |told: &Outcome| told.evidence.segments.iter().all(|s| ruled_out(s).contains(&"sky-storm"));
    for alone in ["kp-storm", "steep-ionosphere"] {
        let told = lost_beside(&[alone], 49.0);
        assert!(ruled(&told), "{alone}: {}", told.told());
    }
    let both = lost_beside(&["kp-storm", "steep-ionosphere"], 49.0);
    assert!(!ruled(&both), "{}", both.told());
}

/// The same: the place for a flare is the day side, where it takes the signals of base and rovers alike. Nothing of that is there: that
/// the site lies under the auroral zone is no second sign for it.
#[test]
fn a_flare_does_nothing_of_its_own_in_the_auroral_zone() {
    let site = |kind| lost_beside(&[kind], 65.0);
    let flare = site("flare");
    assert_eq!(flare.hours("sky-storm"), 0.0, "{}", flare.told());
    // A storm is at home there.
    let storm = site("kp-storm");
    assert!(storm.evidence.segments.iter().all(|s| !ruled_out(s).contains(&"sky-storm")), "{}", storm.told());
}

/// Analysis.md, Coincidence 2: "An event after the loss cannot cause it."
#[test]
fn an_event_after_the_loss_is_not_its_cause() {
    let site = Site::default()
        .base_log(4300, "restart")
        .with_rovers(3, |_, s| RoverNow::default().lost(within(s, 4000, 4280)));
    let told = site.judge();
    assert_eq!(told.hours("base-restart"), 0.0, "{}", told.told());
    // Nor of the part before it in a loss that goes on.
    let site = Site::default()
        .base_log(4600, "restart")
        .with_rovers(3, |_, s| RoverNow::default().lost(within(s, 4000, 4700)));
    let told = site.judge();
    assert!(told.hours("base-restart") <= 3.0 * 140.0 / 3600.0, "{}", told.told());
}

/// Analysis.md, Coincidence 3: what overlaps by chance explains nothing: a condition for half of the time, and loss that
/// is as frequent without it.
#[test]
fn what_overlaps_by_chance_is_not_the_cause() {
    let site = Site::default()
        .with_base(|s| BaseNow { position: (s / 1800) % 2 == 0, ..BaseNow::default() })
        .with_rovers(3, |_, s| RoverNow::default().lost(dice(3, s / 30) < 0.04));
    let told = site.judge();
    assert!(told.hours("base-messages") < 0.25 * told.hours("unexplained"), "{}", told.told());
}

/// Analysis.md: a rover without any position has not lost it through the link when the corrections were there.
#[test]
fn states_and_empty_ages_do_not_stop_anything() {
    let site = Site::default().with_rovers(3, |r, s| {
        let mut now = RoverNow { age_s: f32::NAN, north_km: f64::NAN, ..RoverNow::default() };
        now.state = FixState::ALL[(s as usize / 100 + r) % 6];
        now.logs = s % 7 != 3;
        now
    });
    let told = site.judge();
    assert!(!told.ranking.float_periods.is_empty());
    let sum: f64 = told.ranking.causes.iter().map(|c| c.share).sum();
    assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    assert!(told.ranking.causes.iter().all(|c| (0.0..=1.0).contains(&c.confidence)));
}

/// Never: "a base cause for loss that only one of several observed rovers has", however much the base shows.
#[test]
fn a_jammed_base_is_not_the_cause_of_what_one_of_four_rovers_has() {
    let jam = |s: i64| within(s, 4000, 5200) && (s / 40) % 2 == 0;
    let mut site = Site::default()
        .with_base(move |s| BaseNow {
            drop_db: [0.0, if jam(s) { 7.0 } else { 0.0 }, 0.0],
            step_db: [0.0, if jam(s) != jam(s - 10) { 6.0 } else { 0.0 }, 0.0],
            ..BaseNow::default()
        })
        .with_rovers(4, |r, s| RoverNow::default().lost(r == 1 && within(s, 4005, 5210)));
    for s in (0..10_800).step_by(60) {
        site = site.sweep(s, within(s, 4000, 5200).then_some((1228.0, 25.0)));
    }
    let told = site.judge();
    assert!(told.has_event("band-drop") && told.has_event("band-jumps") && told.has_event("spectrum-spike"));
    assert_eq!(told.side_hours("base"), 0.0, "{}", told.told());
}

/// Analysis.md, Coincidence 3: one loss in the middle of a condition that lasts half of the time began with nothing and is
/// met by chance every other time.
#[test]
fn one_loss_within_a_long_condition_is_not_the_condition() {
    let site = Site::default()
        .with_base(|s| BaseNow { position: s < 5400, ..BaseNow::default() })
        .with_rovers(3, |_, s| RoverNow::default().lost(within(s, 8000, 8060)));
    let told = site.judge();
    assert!(told.has_event("position-message-missing"));
    told.must_be("unexplained");
}

/// ... and what all of them have, each at moments of its own, is no loss of one rover alone: a base whose signal is poor costs each
/// rover its fix when its own margin is used up. The same losses of one rover only stay its own.
#[test]
fn a_base_may_cost_its_rovers_the_fix_in_turn() {
    let bad = |s: i64| within(s, 3000, 9000);
    let judge = |rovers: usize| {
        Site::default()
            .with_base(move |s| BaseNow { second: if bad(s) { 0.1 } else { 0.92 }, ..BaseNow::default() })
            .with_rovers(4, move |r, s| {
                RoverNow::default().lost(r < rovers && bad(s) && (s + 75 * r as i64) % 300 < 60)
            })
            .judge()
    };
    judge(4).must_be("base-second-frequency");
    let alone = judge(1);
    assert_eq!(alone.side_hours("base"), 0.0, "{}", alone.told());
}
