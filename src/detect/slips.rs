//! `slips-many`: many satellites of a base lose lock again and again, hour after hour, in no single sector: the antenna
//! stands inside or under metal (check-values 18: common practice, no source).
//!
//! Rates are slips per 1000 observations (check-values 9), over satellites that are strong: low ones always slip, and all of them where the whole
//! sky is weak.

use super::Maker;
use super::limits::Limits;
use super::restart::common_slip_cells;
use super::whole_sky::WholeSky;
use super::window::stretches;
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, HashSet};

pub(super) fn run(frames: &UnitFrames, sky: &WholeSky, limits: &Limits) -> Vec<Event> {
    // What all satellites have at once is no metal over the antenna.
    let common: HashSet<UtcMs> =
        common_slip_cells(frames, limits).into_iter().map(|t| t.div_euclid(MINUTE_MS) * MINUTE_MS).collect();
    // Hour, then satellite: slips and observations.
    let mut hours: BTreeMap<UtcMs, BTreeMap<u32, (u64, u64)>> = BTreeMap::new();
    for table in frames.signal_slices(&["sat", "cn0_mean", "band", "slips", "epochs", "elevation"]) {
        let times = view::i64s(&table, "time");
        let sats = view::u32s_full(&table, "sat");
        let mean = view::f32s(&table, "cn0_mean");
        let bands = view::u32s_full(&table, "band");
        let slips = view::u32s_full(&table, "slips");
        let epochs = view::u32s_full(&table, "epochs");
        let elevation = view::f32s(&table, "elevation");
        for i in 0..times.len() {
            let low = if elevation[i].is_finite() { elevation[i] < 20.0 } else { mean[i] < 36.0 };
            if bands[i] == u32::from(Band::L2W.code()) || low || common.contains(&times[i]) {
                continue;
            }
            let sat = hours.entry(times[i].div_euclid(HOUR_MS) * HOUR_MS).or_default().entry(sats[i]).or_default();
            sat.0 += u64::from(slips[i]);
            sat.1 += u64::from(epochs[i]);
        }
    }
    let rate = |s: u64, n: u64| 1000.0 * s as f64 / n.max(1) as f64;
    let judged: Vec<(UtcMs, f64, f64)> = hours
        .iter()
        .filter(|(hour, sats)| sats.len() >= 6 && !sky.loses_low(**hour, **hour + HOUR_MS))
        .map(|(hour, sats)| {
            let bad = sats.values().filter(|(s, n)| rate(*s, *n) >= 0.5 * limits.slips_per_1000).count();
            let (s, n) = sats.values().fold((0, 0), |a, x| (a.0 + x.0, a.1 + x.1));
            (*hour, rate(s, n), bad as f64 / sats.len() as f64)
        })
        .collect();
    let t: Vec<UtcMs> = judged.iter().map(|j| j.0).collect();
    let flags: Vec<bool> =
        judged.iter().map(|j| j.1 >= limits.slips_per_1000 && j.2 >= limits.slips_satellites_share).collect();
    let maker = Maker::of_signals(frames);
    stretches(&t, &flags, HOUR_MS, HOUR_MS, 2 * HOUR_MS)
        .into_iter()
        .map(|s| {
            let inside = &judged[s.first..s.end];
            let mean = |f: &dyn Fn(&(UtcMs, f64, f64)) -> f64| inside.iter().map(f).sum::<f64>() / inside.len().max(1) as f64;
            let (rate, share) = (mean(&|j| j.1), mean(&|j| j.2));
            maker.event(
                "slips-many",
                s.from,
                s.to,
                Some(rate),
                "per 1000",
                0.5 * rate / limits.slips_per_1000,
                format!(
                    "{rate:.1} losses of lock per 1000 observations on {:.0} % of the satellites for {} h, in no single \
                     sector: metal over or around the antenna",
                    share * 100.0,
                    (s.to - s.from) / HOUR_MS
                ),
            )
        })
        .collect()
}
