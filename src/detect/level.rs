//! How strong the strong satellites of a unit are, hour by hour: what the detectors of slow changes compare.

use super::window::{median, quantile};
use crate::frames::{UnitFrames, view};
use crate::model::ids::Band;
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeMap;

/// Upper quartile of C/N0 by hour and band of one unit.
#[derive(Debug, Clone, Default)]
pub struct Level {
    /// Band code and hour start to upper quartile, dB-Hz.
    pub by_hour: BTreeMap<(u8, UtcMs), f64>,
}

/// What [`Level::of`] takes from the signals, besides their times.
pub const LEVEL_COLUMNS: [&str; 2] = ["band", "cn0_mean"];

impl Level {
    /// Measures a unit.
    pub fn of(frames: &UnitFrames) -> Level {
        let mut values: BTreeMap<(u8, UtcMs), Vec<f64>> = BTreeMap::new();
        for table in frames.signal_slices(&LEVEL_COLUMNS) {
            let times = view::i64s(&table, "time");
            let bands = view::u32s_full(&table, "band");
            let cn0 = view::f32s(&table, "cn0_mean");
            for i in 0..times.len() {
                if cn0[i].is_finite() {
                    values
                        .entry((bands[i] as u8, times[i].div_euclid(HOUR_MS) * HOUR_MS))
                        .or_default()
                        .push(f64::from(cn0[i]));
                }
            }
        }
        let by_hour = values
            .into_iter()
            .filter(|(_, v)| v.len() >= 30)
            .filter_map(|(k, v)| Some((k, quantile(v, 0.75)?)))
            .collect();
        Level { by_hour }
    }

    /// The median over the hours of a band, dB-Hz.
    pub fn usual(&self, band: Band) -> Option<f64> {
        median(self.by_hour.iter().filter(|((b, _), _)| *b == band.code()).map(|(_, v)| *v))
    }
}
