//! The limits of all detectors in one place. All are settings (`[detect]` in the configuration); where no source stands,
//! a limit is common practice without a source, or chosen on practice fleets with tuning seeds (below 1,000,000).

macro_rules! limits {
    ($($(#[$doc:meta])* $name:ident = $value:expr,)*) => {
        /// Limits of the detectors.
        #[derive(Debug, Clone, PartialEq)]
        pub struct Limits { $($(#[$doc])* pub $name: f64,)* }

        impl Default for Limits {
            fn default() -> Limits { Limits { $($name: $value,)* } }
        }

        impl Limits {
            /// Names of all limits.
            pub const NAMES: &'static [&'static str] = &[$(stringify!($name),)*];

            /// Sets a limit by name.
            ///
            /// # Errors
            /// Names the unknown key and the accepted ones.
            pub fn set(&mut self, name: &str, value: f64) -> Result<(), String> {
                match name {
                    $(stringify!($name) => { self.$name = value; Ok(()) })*
                    _ => Err(format!("unknown limit `{name}`; known: {}", Limits::NAMES.join(", "))),
                }
            }

            /// A limit by name.
            pub fn get(&self, name: &str) -> Option<f64> {
                match name { $(stringify!($name) => Some(self.$name),)* _ => None }
            }
        }
    };
}

limits! {
    /// Second frequency counts as lost below this part of its usual share of satellites.
    second_share = 0.5,
    /// ... or when fewer satellites than this have it while enough have the first (5 dual-frequency satellites are the
    /// least for an initialisation: common practice, no source).
    second_satellites = 5.0,
    /// C/N0 in the middle of L2 and of L5 that is too weak for a fix, dB-Hz (the lower end of a fair signal high up is 38, tracking ends
    /// near 25: common practice, no source) ...
    second_weak_dbhz = 30.0,
    /// ... when it is this far under the usual one of the log, L1 as usual, dB (common practice, no source).
    second_fall_db = 10.0,
    /// A base that usually has fewer than this share never delivers the second frequency.
    second_ever_share = 0.2,
    /// Shortest loss that is an event, s.
    second_shortest_s = 20.0,
    /// A position that differs by more than this is another position, m (common practice, no source).
    position_moved_m = 0.02,
    /// Difference to the surveyed reference that is an event, m.
    position_unlike_m = 0.05,
    /// Clusters of positions of one station id nearer than this are one, m (common practice, no source).
    position_cluster_m = 0.05,
    /// Drift over a day that is an event, m.
    position_drift_m_day = 0.02,
    /// Part of the satellites that must lose lock together after a silence.
    lock_reset_share = 0.7,
    /// No reference position for this long while observables flow, s (usual interval 5 to 30 s: common practice, no source).
    position_missing_s = 90.0,
    /// Observables slower than this are too slow for machine control, s (usual 0.2 to 1 s: common practice, no source).
    observables_slow_s = 2.5,
    /// A gap in the observables that makes a minute irregular, s.
    observables_gap_s = 5.0,
    /// A gap between observables that is longer than this is a stop, not an uneven rate, s.
    irregular_gap_s = 300.0,
    /// A silence of the base stream that is a gap, s.
    stream_gap_s = 10.0,
    /// A longer silence is the end of the log, s.
    stream_end_s = 21_600.0,
    /// Antenna current below this is an open line, mA (0 mA = open: common practice, no source).
    current_open_ma = 3.0,
    /// Antenna current above this is a short or water, mA (typical 20 to 100 mA: common practice, no source).
    current_short_ma = 180.0,
    /// Voltage under the antenna's need that is an event, V.
    voltage_margin_v = 0.1,
    /// Voltage when neither card nor catalogue names the need, V.
    voltage_default_min_v = 3.0,
    /// Fall of a band's median C/N0 below its own last half hour, dB.
    band_drop_db = 2.5,
    /// Change of a band's median C/N0 over the same satellites from epoch to epoch, dB.
    band_jump_db = 2.0,
    /// Jumps within ten minutes that make a band jumpy.
    band_jumps_in_10_min = 4.0,
    /// Deficit of the whole sky against the expected C/N0 that is an event, dB.
    weak_db = 3.5,
    /// Deficit against the median of the fleet's bases that is an event, dB.
    weak_fleet_db = 3.0,
    /// Fall of a second frequency over the days of the window, the first frequency steady, that is ageing, dB (a step of
    /// 2 dB on all satellites is a change: common practice, no source).
    ageing_db = 2.0,
    /// Days with data that a trend needs.
    ageing_days = 7.0,
    /// Slips per 1000 observations over the whole sky that are many.
    slips_per_1000 = 5.0,
    /// Share of the satellites that must slip: fewer is a sector or the sky.
    slips_satellites_share = 0.65,
    /// Standard deviation of C/N0 within a minute of a fading satellite, dB.
    fading_sd_db = 2.0,
    /// Fading satellites at once that are an event.
    fading_satellites = 3.0,
    /// ... up to this share of all: more is the receiver, not the sky.
    fading_share_max = 0.75,
    /// Mean change of single satellites against the shared change, from epoch to epoch, that is fading, dB.
    scatter_db = 1.6,
    /// Correction age that needs attention, s (2 to 5 s attention, 5 to 10 s degraded: common practice, no source).
    age_old_s = 5.0,
    /// Fewer than this part of a rover's usual satellites is few.
    few_satellites_share = 0.6,
    /// ... and fewer than this number.
    few_satellites = 9.0,
    /// Fall of a rover's own C/N0 below its usual, dB.
    own_drop_db = 4.0,
    /// Power above the sweep's median that is a spike in a GNSS band, dB.
    spike_db = 10.0,
    /// Baseline that is long, km (10 km normal, 20 km at quiet ionosphere: common practice, no source).
    long_baseline_km = 12.0,
    /// Distance to an emitter that is too near, m (common practice, no source).
    emitter_near_m = 400.0,
    /// Distance to an airport or military site that is worth a word, m (common practice, no source).
    airport_near_m = 5_000.0,
    /// Kp that is a storm (NOAA G1).
    kp_storm = 5.0,
    /// Gradient of the vertical delay on L1 by ionosphere maps that is steep, mm per km; twice as much within 35 degrees of the magnetic
    /// equator. Above the nominal 1 to 4 (check values 12.2), as maps flatten: in those of 30 March 2024, no storm near a solar
    /// maximum, 1 value of 600 between 35 and 60 degrees north or south reaches it, none below that twice of it by much (12.4).
    steep_mm_per_km = 6.0,
    /// Net gain at the receiver under which the link budget has no margin, dB (15 to 35 dB: common practice, no source).
    net_gain_min_db = 15.0,
    /// Net gain above which a receiver may be overloaded, dB (common practice, no source).
    net_gain_max_db = 40.0,
    /// Part of the sky over 10 degrees that is blocked, from which on it is an event (common practice, no source).
    blocked_share = 0.2,
    /// C/N0 under the best part of the same sky from which on a satellite counts as blocked, dB (common practice, no source).
    blocked_db = 10.0,
    /// Code multipath against a clean antenna's that is too much: poor begins at 1.7 times good (check-values 8.2: common
    /// practice, no source).
    multipath_ratio = 2.0,
    /// ... or this part of the satellite minutes over that ratio (common practice, no source).
    multipath_share = 0.4,
    /// ... or this part of them with multipath over the noise and a C/N0 that wavers in the same minute (chosen on practice
    /// fleets with tuning seeds; 0.2 to 5 % on the open day files).
    multipath_wavering_share = 0.08,
    /// Correlation of multipath with that of one GPS repeat before that shows a fixed reflector (common practice, no source).
    multipath_repeats = 0.4,
    /// Amplitude of a ripple of C/N0 at low elevation that is worth a word, dB (common practice, no source).
    ripple_db = 1.5,
    /// ROTI that shows irregularities, TECU/min (Ma and Maruyama 2006, doi 10.1029/2006GL027512, from memory).
    roti_onset = 0.5,
    /// Rate of the electron content over five minutes that is a storm's, TECU/min (common practice, no source).
    rot_storm = 1.5,
    /// S4 that is moderate scintillation (ITU-R P.531, limits from memory).
    s4_moderate = 0.3,
    /// Scintillating satellites at once that are an event, over 25 degrees.
    scintillating_satellites = 2.0,
    /// ... up to this share: more is the receiver or a band (common practice, no source).
    scintillating_share_max = 0.75,
    /// Share of the satellites whose content swings that is a disturbed ionosphere (common practice, no source).
    disturbed_share = 0.5,
    /// ROTI in the middle of all satellites that is a disturbed ionosphere, TECU/min: over twice what any five minutes of the open day
    /// and hour files show (six stations in middle latitudes without a storm; tests/main_job.rs).
    roti_sky = 0.2,
    /// C/N0 under the typical curve over the whole sky that is weak, dB (half a class of 3 dB, receivers differ by 1 to 3 dB:
    /// check-values 10.2, common practice, no source).
    curve_db = 5.0,
    /// Change of the satellite in the middle from minute to minute beside the others, under a weak sky, that comes from what covers the
    /// antenna, dB (of steady satellites 0.2 to 0.4: common practice, no source).
    cover_swing_db = 1.0,
    /// C/N0 of a sector under the rest of its sky that is weak, dB (common practice, no source).
    sector_db = 6.0,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_set_by_name_and_a_typo_is_told() {
        let mut limits = Limits::default();
        limits.set("age_old_s", 7.0).unwrap();
        assert_eq!(limits.get("age_old_s"), Some(7.0));
        assert!(limits.set("age_old", 7.0).unwrap_err().contains("age_old_s"));
    }
}
