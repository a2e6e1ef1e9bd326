//! `satellites-fading`: several satellites, but not all, fluctuate or slip within the same minutes while the median of the
//! bands stays: the sky, or what stands around the antenna; not the receiver, the cable or a jammer.
//! `satellites-few`: fewer satellites than the base usually has; `satellites-few-weak`: while the whole sky is so weak that it loses them.

use super::Maker;
use super::limits::Limits;
use super::whole_sky::WholeSky;
use super::window::{median, quantile, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::Band;
use crate::model::keyed::Keyed;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::BTreeMap;

#[derive(Default)]
struct Minute {
    /// Satellite: worst standard deviation over its signals, slips, highest mean C/N0. Rows of a minute are by satellite.
    satellites: Vec<(u32, (f64, u32, f64))>,
}

pub(super) fn run(frames: &UnitFrames, sky: &WholeSky, limits: &Limits) -> Vec<Event> {
    let mut minutes: Keyed<UtcMs, Minute> = Keyed::default();
    for table in frames.signal_slices(&["sat", "cn0_sd", "cn0_mean", "slips", "band"]) {
        let times = view::i64s(&table, "time");
        let sats = view::u32s_full(&table, "sat");
        let sd = view::f32s(&table, "cn0_sd");
        let mean = view::f32s(&table, "cn0_mean");
        let slips = view::u32s_full(&table, "slips");
        let bands = view::u32s_full(&table, "band");
        for i in 0..times.len() {
            // Semi-codeless signals flutter by themselves when low.
            if bands[i] == u32::from(Band::L2W.code()) {
                continue;
            }
            let satellites = &mut minutes.at(times[i]).satellites;
            if satellites.last().is_none_or(|s| s.0 != sats[i]) {
                satellites.push((sats[i], (0.0, 0, 0.0)));
            }
            let Some((_, sat)) = satellites.last_mut() else { continue };
            if sd[i].is_finite() {
                sat.0 = sat.0.max(f64::from(sd[i]));
            }
            sat.1 += slips[i];
            if mean[i].is_finite() {
                sat.2 = sat.2.max(f64::from(mean[i]));
            }
        }
    }
    let minutes = minutes.sorted();
    let steps = common_steps(frames);
    let t: Vec<UtcMs> = minutes.iter().map(|(t, _)| *t).collect();
    let mut fading = Vec::with_capacity(t.len());
    let mut flags = Vec::with_capacity(t.len());
    for (time, m) in &minutes {
        // Satellites near the horizon (weak) always flutter: judged are those that are strong enough.
        let strong: Vec<&(f64, u32, f64)> = m.satellites.iter().map(|s| &s.1).filter(|s| s.2 >= 36.0).collect();
        let n = strong
            .iter()
            .filter(|s| s.0 >= limits.fading_sd_db || (s.1 > 0 && s.0 >= 0.7 * limits.fading_sd_db))
            .count();
        fading.push((n, strong.len()));
        let share = n as f64 / strong.len().max(1) as f64;
        let common = steps.get(time).copied().unwrap_or(0.0) >= limits.band_jump_db;
        flags.push(n as f64 >= limits.fading_satellites && share <= limits.fading_share_max && !common);
    }
    let maker = Maker::of_signals(frames);
    let mut events = Vec::new();
    for s in stretches(&t, &flags, MINUTE_MS, 3 * MINUTE_MS, 2 * MINUTE_MS) {
        let inside = &fading[s.first..s.end];
        let with: Vec<&(usize, usize)> = inside.iter().filter(|f| f.0 > 0).collect();
        let n = median(with.iter().map(|f| f.0 as f64)).unwrap_or(0.0);
        let of = median(with.iter().map(|f| f.1 as f64)).unwrap_or(0.0);
        events.push(maker.event(
            "satellites-fading",
            s.from,
            s.to,
            Some(n),
            "count",
            (0.3 + 0.1 * n).min(1.0),
            format!(
                "{n:.0} of {of:.0} strong satellites fade within minutes (C/N0 spread of {:.1} dB and more, or {:.1} dB with a \
                 loss of lock)",
                limits.fading_sd_db,
                0.7 * limits.fading_sd_db
            ),
        ));
    }
    events.extend(scattering(frames, limits));
    // What covers the antenna is told of itself.
    events.retain(|e| !sky.is_covered(e.from, e.to));
    events.extend(few(frames, sky, limits));
    events
}

/// Stretches in which the satellites of two bands change each for itself much more than usual (of one band where only
/// one is there): fades that no common cause explains.
fn scattering(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.bands, "time");
    let bands = view::u32s_full(&frames.bands, "band");
    let scatter = view::f32s(&frames.bands, "cn0_scatter");
    let satellites = view::u32s_full(&frames.bands, "satellites");
    // Bands, those that scatter, the largest scatter and the largest that two bands reach.
    let mut cells: BTreeMap<UtcMs, (u32, u32, f64, f64)> = BTreeMap::new();
    let mut usual: BTreeMap<u32, f64> = BTreeMap::new();
    let judged = |i: usize| bands[i] != u32::from(Band::L2W.code()) && satellites[i] >= 5 && scatter[i].is_finite();
    for band in Band::ALL.map(|b| u32::from(b.code())) {
        let of = (0..times.len()).filter(|i| bands[*i] == band && judged(*i)).map(|i| f64::from(scatter[i]));
        usual.insert(band, quantile(of, 0.25).unwrap_or(0.0));
    }
    for i in (0..times.len()).filter(|i| judged(*i)) {
        let cell = cells.entry(times[i]).or_default();
        let value = f64::from(scatter[i]);
        let limit = (limits.scatter_db).max(2.0 * usual.get(&bands[i]).copied().unwrap_or(0.0));
        cell.0 += 1;
        cell.1 += u32::from(value >= limit);
        cell.3 = cell.3.max(value.min(cell.2));
        cell.2 = cell.2.max(value);
    }
    let t: Vec<UtcMs> = cells.keys().copied().collect();
    let flags: Vec<bool> = cells.values().map(|(n, over, ..)| *over >= 2 || (*over == 1 && *n == 1)).collect();
    let maker = Maker::new(frames, &frames.bands);
    stretches(&t, &flags, 10_000, 90_000, 60_000)
        .into_iter()
        .filter(|s| flags[s.first..s.end].iter().filter(|f| **f).count() * 3 >= s.end - s.first)
        .map(|s| {
            let worst = median(cells.range(s.from..s.to).map(|(_, c)| c.2)).unwrap_or(0.0);
            let alone = cells.range(s.from..s.to).all(|(_, c)| c.0 == 1);
            let (told, bands) = if alone {
                (worst, "on the only band")
            } else {
                (median(cells.range(s.from..s.to).map(|(_, c)| c.3)).unwrap_or(0.0), "on two bands and more")
            };
            maker.event(
                "satellites-fading",
                s.from,
                s.to,
                Some(told),
                "dB",
                (0.4 + 0.2 * worst / limits.scatter_db).min(1.0),
                format!("satellites fade each for itself: {told:.1} dB from epoch to epoch on average, {bands}"),
            )
        })
        .collect()
}

/// The largest common step of any band in each minute, dB.
fn common_steps(frames: &UnitFrames) -> BTreeMap<UtcMs, f64> {
    let times = view::i64s(&frames.bands, "time");
    let steps = view::f32s(&frames.bands, "cn0_step_max");
    let mut out: BTreeMap<UtcMs, f64> = BTreeMap::new();
    for i in 0..times.len() {
        if steps[i].is_finite() {
            let minute = times[i].div_euclid(MINUTE_MS) * MINUTE_MS;
            let e = out.entry(minute).or_default();
            *e = e.max(f64::from(steps[i]));
        }
    }
    out
}

fn few(frames: &UnitFrames, sky: &WholeSky, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.systems, "time");
    let satellites = view::u32s_full(&frames.systems, "satellites");
    let mut cells: BTreeMap<UtcMs, u32> = BTreeMap::new();
    for i in 0..times.len() {
        *cells.entry(times[i]).or_default() += satellites[i];
    }
    let usual = quantile(cells.values().map(|n| f64::from(*n)), 0.75).unwrap_or(0.0);
    if usual < 8.0 {
        return Vec::new();
    }
    let t: Vec<UtcMs> = cells.keys().copied().collect();
    let n: Vec<f64> = cells.values().map(|n| f64::from(*n)).collect();
    let flags: Vec<bool> = n.iter().map(|n| *n < limits.few_satellites_share * usual).collect();
    let maker = Maker::new(frames, &frames.systems);
    stretches(&t, &flags, 10_000, 30_000, 30_000)
        .into_iter()
        .map(|s| {
            let inside = median(n[s.first..s.end].iter().copied()).unwrap_or(0.0);
            maker.event(
                if sky.loses_low(s.from, s.to) { "satellites-few-weak" } else { "satellites-few" },
                s.from,
                s.to,
                Some(inside),
                "count",
                1.0 - 0.5 * inside / (limits.few_satellites_share * usual),
                format!("{inside:.0} satellites tracked, usually {usual:.0}"),
            )
        })
        .collect()
}
