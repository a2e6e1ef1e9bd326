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

/// Ranges of GPS 1C and 2W at a time: geometry, content in TECU, code errors, cycles added to the phases.
fn ranges(t_s: f64, tecu: f64, code: [f64; 2], cycles: [f64; 2]) -> [[f64; 2]; 2] {
    use crate::maths::SPEED_OF_LIGHT_M_S;
    let geometry = 2.1e7 + 400.0 * t_s - 0.03 * t_s * t_s;
    let of = |hz: f64, k: usize| {
        let delay = 40.3e16 * tecu / (hz * hz); // ITU-R P.531 4.4
        [geometry + delay + code[k], geometry - delay + cycles[k] * SPEED_OF_LIGHT_M_S / hz]
    };
    [of(1575.42e6, 0), of(1227.6e6, 1)]
}

#[test]
fn multipath_is_the_rms_about_the_mean_of_its_arc() {
    // Code errors of +a and -a by turns on L1, +b -b on L2: MP1 and MP2 (Estey and Meertens 1999) see just these, whatever the
    // geometry and a steady ionosphere do: RMS a and b. A constant added to both phases after 10 min is a new arc.
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    tally.set_gap(45_000);
    for k in 0..40_i64 {
        let t = 1_700_000_000_000 + 12_000 + k * 30_000; // on the half minutes of GPS time
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        let cycles = if k < 20 { [5.0, 9.0] } else { [6.0, 9.0] };
        tally.epoch(t, &mut rows);
        let both = ranges(k as f64 * 30.0, 20.0, [0.4 * sign, 0.7 * sign], cycles);
        for (signal, r) in [G1C, G2W].into_iter().zip(both) {
            tally.ranging_cell(gps(7), signal, 45.0, false, r);
        }
    }
    tally.finish(&mut rows);
    for i in 0..rows.signals.len() {
        let row = rows.signals.get(i).unwrap();
        let want = if row.signal == G1C.pack() { 0.4 } else { 0.7 };
        assert!((row.mp_rms_m - want).abs() < 1e-3, "{i}: {}", row.mp_rms_m);
    }
    let slips: u32 = rows.signals.phase_slips.iter().map(|s| u32::from(*s)).sum();
    assert_eq!(slips, 2, "one jump, seen by both signals of the pair");
    assert_eq!(rows.signals.slips.iter().sum::<u16>(), 0);
}

#[test]
fn short_arcs_give_no_multipath_and_one_frequency_none() {
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    for k in 0..120_i64 {
        tally.epoch(k * 1_000, &mut rows);
        let [l1, l2] = ranges(k as f64, 20.0, [0.3, 0.0], [0.0; 2]);
        tally.ranging_cell(gps(1), G1C, 45.0, k % 50 == 0, l1);
        tally.ranging_cell(gps(1), G2W, 45.0, false, l2);
        tally.ranging_cell(gps(2), G1C, 45.0, false, l1);
    }
    tally.finish(&mut rows);
    assert!(rows.signals.mp_rms_m.iter().all(|m| m.is_nan()));
    let of_two = |i: &usize| rows.signals.sat[*i] == gps(2).code();
    assert!(
        (0..rows.signals.len()).filter(of_two).all(|i| rows.signals.phase_slips[i] == crate::model::rows::NO_SLIPS)
    );
}

#[test]
fn roti_of_a_known_content_at_30_s_and_1_s() {
    // Content as in the worked example of check values 7.2, straight lines between the 30 s samples: ROTI 0.473814 at 30 s.
    // At 1 s every rate comes 30 times.
    let rot = [0.10, -0.20, 0.45, 0.80, -0.55, -0.30, 0.15, 0.60, -0.75, 0.20];
    let mut content = vec![20.0];
    for r in rot {
        for _ in 0..30 {
            content.push(content.last().unwrap() + r / 60.0);
        }
    }
    let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
    let start = 1_700_000_040_000 - 18_000; // UTC of a full minute of GPS time
    for (k, tecu) in (0_i64..).zip(&content) {
        tally.epoch(start + k * 1_000, &mut rows);
        for (signal, r) in [G1C, G2W].into_iter().zip(ranges(k as f64, *tecu, [0.0; 2], [0.0; 2])) {
            tally.ranging_cell(gps(3), signal, 45.0, false, r);
        }
    }
    tally.finish(&mut rows);
    let last = (0..rows.signals.len()).rev().find(|i| rows.signals.signal[*i] == G1C.pack()).unwrap();
    let row = rows.signals.get(last).unwrap();
    assert!((row.roti - 0.473_814).abs() < 2e-4, "{}", row.roti);
    assert!((row.rot - 0.05).abs() < 2e-4, "{}", row.rot);
    // The first 17 of the 300 rates fall into the UTC minute before the five.
    let late: Vec<f64> = (18..=300).map(|k| rot[(k - 1) / 30]).collect();
    let mean = late.iter().sum::<f64>() / late.len() as f64;
    let spread = (late.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / late.len() as f64).sqrt();
    assert!((f64::from(row.roti_1s) - spread).abs() < 2e-4, "{} {spread}", row.roti_1s);
    let second = rows.signals.get(last + 1).unwrap();
    assert!(second.roti.is_nan(), "once a satellite");
}

#[test]
fn phase_jumps_of_check_values_9_are_seen() {
    // Pairs of cycles that GF sees at 1 s, that only Melbourne-Wuebbena sees (9, 7), and that no slip is (0, 0).
    for (cycles, seen) in
        [([1.0, 0.0], true), ([0.0, 1.0], true), ([1.0, 1.0], true), ([9.0, 7.0], true), ([0.0, 0.0], false)]
    {
        let (mut tally, mut rows) = (Tally::new(SPAN_OBSERVATIONS), Rows::default());
        for k in 0..100_i64 {
            tally.epoch(k * 1_000, &mut rows);
            let noise = if k % 2 == 0 { 0.2 } else { -0.2 };
            let added = if k < 60 { [0.0; 2] } else { cycles };
            for (signal, r) in [G1C, G2W].into_iter().zip(ranges(k as f64, 20.0, [noise, -noise], added)) {
                tally.ranging_cell(gps(3), signal, 45.0, false, r);
            }
        }
        tally.finish(&mut rows);
        let slips: u32 = rows.signals.phase_slips.iter().map(|s| u32::from(*s)).sum();
        assert_eq!(slips, if seen { 2 } else { 0 }, "{cycles:?}");
    }
}
