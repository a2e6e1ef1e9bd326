use super::*;
use crate::model::rows::SPAN_OBSERVATIONS;

const G1C: Signal = Signal { system: System::Gps, code: *b"1C" };
const G2W: Signal = Signal { system: System::Gps, code: *b"2W" };
const E5Q: Signal = Signal { system: System::Galileo, code: *b"5Q" };
const E7Q: Signal = Signal { system: System::Galileo, code: *b"7Q" };

fn gps(n: u8) -> Sat {
    Sat::new(System::Gps, n)
}

// The expected numbers below were worked out by hand from the definitions in the module's text; the standard deviation
// of 40, 42, 44 (divisor n - 1) is 2, as in any statistics handbook.

#[test]
fn minutes_hold_mean_lowest_and_spread() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    for (t, cn0, slip) in [(0, 40.0, false), (1_000, 42.0, true), (59_999, 44.0, false), (60_000, 50.0, false)] {
        tally.epoch(t, &mut rows);
        tally.cell(gps(5), G1C, cn0, slip);
        tally.place(gps(5), 10.0, 20.0 + t as f32 / 60_000.0);
    }
    tally.finish(&mut rows);
    assert_eq!(rows.signals.len(), 2);
    let first = rows.signals.get(0).unwrap();
    assert_eq!((first.cn0_mean, first.cn0_min, first.cn0_sd), (42.0, 40.0, 2.0));
    assert_eq!((first.epochs, first.slips, first.band), (3, 1, Band::L1.code()));
    assert!((first.elevation - 21.0).abs() < 1e-3);
    let second = rows.signals.get(1).unwrap();
    assert_eq!((second.time, second.cn0_mean, second.epochs, second.slips), (60_000, 50.0, 1, 0));
    assert!(second.cn0_sd.is_nan());
    let look = tally.look_signals();
    assert_eq!(look.len(), 1);
    assert_eq!((look[0].observations, look[0].cn0_mean_dbhz), (4, Some(44.0)));
}

#[test]
fn median_steps_use_satellites_of_both_epochs() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    // G01 and G02 in both epochs: medians 42 and 39, step 3. G03 comes new with a low value and must not count.
    tally.epoch(0, &mut rows);
    tally.cell(gps(1), G1C, 40.0, false);
    tally.cell(gps(2), G1C, 44.0, false);
    tally.epoch(1_000, &mut rows);
    tally.cell(gps(1), G1C, 37.0, false);
    tally.cell(gps(2), G1C, 41.0, true);
    tally.cell(gps(3), G1C, 10.0, false);
    tally.cell(gps(3), G2W, f32::NAN, false);
    tally.finish(&mut rows);
    let l1 = rows.bands.get(0).unwrap();
    assert_eq!((l1.band, l1.satellites, l1.lost_lock), (Band::L1.code(), 3, 1));
    assert_eq!(l1.cn0_step_max, 3.0);
    assert_eq!(l1.cn0_median, 38.5); // of 38.5, 42.5 and 10
    let l2w = rows.bands.get(1).unwrap();
    assert_eq!((l2w.band, l2w.satellites), (Band::L2W.code(), 1));
    assert!(l2w.cn0_median.is_nan() && l2w.cn0_step_max.is_nan());
    let system = rows.systems.get(0).unwrap();
    assert_eq!((system.system, system.satellites, system.first, system.second), (b'G', 3, 3, 1));
}

#[test]
fn a_step_over_the_border_counts_for_the_later_ten_seconds() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    for (t, cn0) in [(9_000, 45.0), (10_000, 39.0), (11_000, 40.0), (40_000, 20.0)] {
        tally.epoch(t, &mut rows);
        tally.cell(gps(1), G1C, cn0, false);
    }
    tally.finish(&mut rows);
    let steps: Vec<_> = (0..3).map(|i| rows.bands.get(i).unwrap().cn0_step_max).collect();
    assert!(steps[0].is_nan() && steps[2].is_nan(), "no epoch before within the gap limit: {steps:?}");
    assert_eq!(steps[1], 6.0);
    assert_eq!(rows.bands.time, [0, 10_000, 40_000]);
}

#[test]
fn gaps_end_spans_and_late_epochs_do_not() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    for t in [0, 1_000, 500, 11_000, 21_001, 22_000, 5_000] {
        tally.epoch(t, &mut rows);
        tally.cell(gps(1), G1C, 40.0, false);
    }
    tally.finish(&mut rows);
    let spans: Vec<_> = (0..rows.spans.len()).map(|i| rows.spans.get(i).unwrap()).collect();
    let told: Vec<_> = spans.iter().map(|s| (s.time, s.until, s.epochs)).collect();
    assert_eq!(told, [(0, 11_000, 3), (21_001, 22_000, 2), (5_000, 5_000, 1)]);
    assert_eq!(tally.epochs(), 6);
    // Nothing was lost: seven cells in the minutes and in the list.
    assert_eq!(rows.signals.epochs.iter().map(|e| u32::from(*e)).sum::<u32>(), 7);
    assert_eq!(tally.look_signals()[0].observations, 7);
}

#[test]
fn two_signals_of_a_band_are_one_satellite_and_a_repeat_counts_once() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    let sat = Sat::new(System::Galileo, 7);
    tally.epoch(0, &mut rows);
    tally.cell(sat, E5Q, 40.0, false);
    tally.cell(sat, E7Q, 44.0, false);
    tally.epoch(0, &mut rows);
    tally.cell(sat, E5Q, 30.0, false);
    tally.finish(&mut rows);
    let band = rows.bands.get(0).unwrap();
    assert_eq!((rows.bands.len(), band.satellites, band.cn0_median), (1, 1, 42.0));
    assert_eq!(rows.signals.epochs, [1, 1]);
    let look = tally.look_signals();
    assert_eq!(look.iter().map(|s| (s.signal.as_str(), s.observations)).collect::<Vec<_>>(), [("E5Q", 2), ("E7Q", 1)]);
    assert_eq!((tally.satellites(), tally.epochs()), (1, 1));
}

#[test]
fn an_unknown_signal_is_kept() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    tally.epoch(0, &mut rows);
    tally.cell(gps(1), Signal { system: System::Gps, code: [b'?', 29] }, 33.0, false);
    tally.finish(&mut rows);
    assert_eq!(tally.look_signals()[0].signal, "G?29");
    assert_eq!((rows.signals.len(), rows.signals.band[0], rows.bands.len()), (1, 0, 0));
    assert_eq!(rows.systems.get(0).map(|s| (s.satellites, s.first, s.second)), Some((1, 0, 0)));
}

#[test]
fn a_late_date_moves_open_bins() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    tally.epoch(61_000, &mut rows);
    tally.cell(gps(1), G1C, 40.0, false);
    tally.shift(86_400_000);
    tally.epoch(86_462_000, &mut rows);
    tally.cell(gps(1), G1C, 41.0, false);
    tally.finish(&mut rows);
    assert_eq!(rows.signals.time, [86_460_000]);
    assert_eq!(rows.signals.epochs, [2]);
    assert_eq!(rows.bands.cn0_step_max, [1.0]);
    assert_eq!((rows.spans.time[0], rows.spans.until[0]), (86_461_000, 86_462_000));
}
