//! Values on the time axis: age of corrections, second frequency, C/N0, ionosphere, supply, spectrum, Kp.

use crate::detect::Limits;
use crate::detect::steep_ionosphere::{STEP_MS, limit_mm_per_km};
use crate::frames::{UnitFrames, view};
use crate::model::ids::{Band, System};
use crate::model::picture::{Track, TrackBin};
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};
use crate::pipeline::beside::Beside;
use crate::pipeline::sites::Site1;
use std::collections::BTreeMap;

/// Bins over the whole axis, at least; a bin is not longer than five minutes.
const BINS: i64 = 1600;

/// The axis of the bins.
#[derive(Clone, Copy)]
struct Axis {
    from: UtcMs,
    to: UtcMs,
    bin_ms: i64,
}

impl Axis {
    fn bin(self, t: UtcMs) -> Option<u32> {
        if t < self.from || t >= self.to { None } else { u32::try_from((t - self.from) / self.bin_ms).ok() }
    }
}

/// How the track of a value is shown.
#[derive(Clone, Copy)]
struct Look {
    what: &'static str,
    unit: &'static str,
    floor: f64,
    ceiling: f64,
    log: bool,
}

impl Look {
    fn track(self, label: String, axis: Axis, limit: Option<(f64, String)>, bins: Vec<TrackBin>) -> Track {
        Track {
            label,
            what: self.what.to_owned(),
            unit: self.unit.to_owned(),
            bin_ms: axis.bin_ms,
            floor: self.floor,
            ceiling: self.ceiling,
            log: self.log,
            limit,
            bins,
        }
    }
}

/// Values in order of time to bins: smallest, median, largest.
#[derive(Default)]
struct Binner {
    at: Option<u32>,
    values: Vec<f32>,
    bins: Vec<TrackBin>,
}

impl Binner {
    fn add(&mut self, at: Option<u32>, value: f32) {
        if !value.is_finite() || at.is_none() {
            return;
        }
        if at != self.at {
            self.close();
            self.at = at;
        }
        self.values.push(value);
    }

    fn close(&mut self) {
        if let (Some(at), false) = (self.at, self.values.is_empty()) {
            self.values.sort_unstable_by(f32::total_cmp);
            let n = self.values.len();
            self.bins.push(TrackBin { at, low: self.values[0], mid: self.values[n / 2], high: self.values[n - 1] });
        }
        self.values.clear();
    }

    fn done(mut self) -> Vec<TrackBin> {
        self.close();
        self.bins
    }
}

/// All tracks for which there are data.
pub(super) fn tracks(site: &Site1, beside: &Beside, from: UtcMs, to: UtcMs, limits: &Limits) -> Vec<Track> {
    let bin_ms = ((to - from) / BINS).clamp(10_000, 5 * MINUTE_MS);
    let axis = Axis { from, to, bin_ms };
    let mut out = vec![correction_age(site, axis, limits.age_old_s)];
    for base in &site.bases {
        out.push(second_frequency(base, axis));
        out.extend(cn0(base, axis));
        out.push(roti(base, axis));
        out.extend(supply(base, axis));
        out.push(spectrum(base, axis));
    }
    out.push(kp(beside, axis));
    out.push(gradient(site, axis, limit_mm_per_km(site.case.magnetic_latitude, limits)));
    out.retain(|t| !t.bins.is_empty());
    out
}

/// What `look` shows of one base over time: satellites, second frequency, C/N0, ionosphere.
pub(super) fn of_base(base: &UnitFrames, from: UtcMs, to: UtcMs) -> Vec<Track> {
    let axis = Axis { from, to, bin_ms: ((to - from) / BINS).clamp(10_000, 5 * MINUTE_MS) };
    let mut out = vec![satellites(base, axis), share_of_expected(base, axis), second_frequency(base, axis)];
    out.extend(cn0(base, axis));
    out.push(roti(base, axis));
    out.retain(|t| !t.bins.is_empty());
    out
}

/// Rows of one time summed, part and whole, and a value made of each sum; times without a whole are left out.
fn by_time(
    axis: Axis,
    rows: impl Iterator<Item = (UtcMs, u32, u32)>,
    value: impl Fn(u32, u32) -> f32,
) -> Vec<TrackBin> {
    let mut binner = Binner::default();
    let mut now: (UtcMs, u32, u32) = (UtcMs::MIN, 0, 0);
    // One row more than there are closes the last time.
    for (t, part, whole) in rows.chain(std::iter::once((UtcMs::MAX, 0, 0))) {
        if t != now.0 {
            if now.2 > 0 {
                binner.add(axis.bin(now.0), value(now.1, now.2));
            }
            now = (t, 0, 0);
        }
        now.1 = now.1.saturating_add(part);
        now.2 = now.2.saturating_add(whole);
    }
    binner.done()
}

fn percent(part: u32, whole: u32) -> f32 {
    100.0 * part as f32 / whole as f32
}

/// Satellites with observations, all systems together.
fn satellites(base: &UnitFrames, axis: Axis) -> Track {
    let times = view::i64s(&base.systems, "time");
    let satellites = view::u32s_full(&base.systems, "satellites");
    let rows = times.iter().zip(&satellites).map(|(t, n)| (*t, 0, *n));
    let look =
        Look { what: "lowest, middle and highest number", unit: "satellites", floor: 0.0, ceiling: 30.0, log: false };
    let bins = by_time(axis, rows, |_, n| n as f32);
    look.track(format!("Satellites tracked, {}", base.unit), axis, None, bins)
}

/// Part of the satellites over 10 degrees that are tracked, where the orbits are known.
fn share_of_expected(base: &UnitFrames, axis: Axis) -> Track {
    let times = view::i64s(&base.expected, "time");
    let elevation = view::f32s(&base.expected, "elevation");
    let tracked = view::bools(&base.expected, "tracked");
    let high = (0..times.len()).filter(|i| elevation[*i] >= 10.0);
    let bins = by_time(axis, high.map(|i| (times[i], u32::from(tracked[i]), 1)), percent);
    let look = Look { what: "lowest, middle and highest share", unit: "%", floor: 0.0, ceiling: 100.0, log: false };
    look.track(format!("Tracked of the satellites over 10 degrees, {}", base.unit), axis, None, bins)
}

/// Age of corrections over all rovers: the mean of each rover in a bin; the lowest, middle and highest of them.
fn correction_age(site: &Site1, axis: Axis, old_s: f64) -> Track {
    let mut all: BTreeMap<u32, Vec<f32>> = BTreeMap::new();
    for rover in site.case.rovers.iter().filter(|r| !r.never_corrected) {
        let mut sum: (Option<u32>, f64, u32) = (None, 0.0, 0);
        let mut close = |s: &(Option<u32>, f64, u32)| {
            if let (Some(at), true) = (s.0, s.2 > 0) {
                all.entry(at).or_default().push((s.1 / f64::from(s.2)) as f32);
            }
        };
        for (t, age) in rover.times.iter().zip(&rover.ages_s) {
            let at = axis.bin(*t);
            if !age.is_finite() || at.is_none() {
                continue;
            }
            if at != sum.0 {
                close(&sum);
                sum = (at, 0.0, 0);
            }
            sum.1 += f64::from(*age);
            sum.2 += 1;
        }
        close(&sum);
    }
    let bins = all
        .into_iter()
        .map(|(at, mut v)| {
            v.sort_unstable_by(f32::total_cmp);
            TrackBin { at, low: v[0], mid: v[v.len() / 2], high: v[v.len() - 1] }
        })
        .collect();
    let look = Look { what: "lowest, middle and highest rover", unit: "s", floor: 0.5, ceiling: 120.0, log: true };
    look.track("Age of corrections, all rovers".to_owned(), axis, Some((old_s, "old from here".to_owned())), bins)
}

/// Share of the satellites with a second frequency, over the systems that RTK uses.
fn second_frequency(base: &UnitFrames, axis: Axis) -> Track {
    let times = view::i64s(&base.systems, "time");
    let systems = view::u32s_full(&base.systems, "system");
    let satellites = view::u32s_full(&base.systems, "satellites");
    let second = view::u32s_full(&base.systems, "second");
    let used = (0..times.len()).filter(|i| System::from_letter(systems[*i] as u8).is_some_and(|s| s != System::Sbas));
    let bins = by_time(axis, used.map(|i| (times[i], second[i], satellites[i])), percent);
    let look = Look { what: "lowest, middle and highest share", unit: "%", floor: 0.0, ceiling: 100.0, log: false };
    look.track(format!("Second frequency, share of satellites, {}", base.unit), axis, None, bins)
}

/// C/N0 of each band: the median over satellites by ten seconds.
fn cn0(base: &UnitFrames, axis: Axis) -> Vec<Track> {
    let times = view::i64s(&base.bands, "time");
    let bands = view::u32s_full(&base.bands, "band");
    let medians = view::f32s(&base.bands, "cn0_median");
    Band::ALL
        .into_iter()
        .map(|band| {
            let mut binner = Binner::default();
            for i in (0..times.len()).filter(|i| bands[*i] == u32::from(band.code())) {
                binner.add(axis.bin(times[i]), medians[i]);
            }
            let what = "median of the satellites; lowest, middle and highest in time";
            let look = Look { what, unit: "dB-Hz", floor: 20.0, ceiling: 55.0, log: false };
            look.track(format!("C/N0 {}, {}", band.name(), base.unit), axis, None, binner.done())
        })
        .collect()
}

/// Irregularities of the ionosphere, where the table has them.
fn roti(base: &UnitFrames, axis: Axis) -> Track {
    let mut binner = Binner::default();
    for signals in base.signal_slices(&["roti"]) {
        for (t, v) in view::i64s(&signals, "time").into_iter().zip(view::f32s(&signals, "roti")) {
            binner.add(axis.bin(t), v);
        }
    }
    let look =
        Look { what: "lowest, middle and highest satellite", unit: "TECU/min", floor: 0.0, ceiling: 2.0, log: false };
    // 0.5 TECU/min: the usual limit of irregularities.
    let limit = Some((0.5, "irregular from here".to_owned()));
    look.track(format!("Unrest of the ionosphere (ROTI), {}", base.unit), axis, limit, binner.done())
}

/// Antenna and supply.
fn supply(base: &UnitFrames, axis: Axis) -> Vec<Track> {
    let times = view::i64s(&base.metrics, "time");
    let names = view::texts(&base.metrics, "metric");
    let values = view::f64s(&base.metrics, "value");
    [
        ("antenna_voltage_v", "Voltage at the antenna port", "V", 6.0),
        ("antenna_current_ma", "Antenna current", "mA", 50.0),
        ("supply_voltage_v", "Supply voltage", "V", 15.0),
    ]
    .into_iter()
    .map(|(metric, words, unit, ceiling)| {
        let mut binner = Binner::default();
        for i in (0..times.len()).filter(|i| names.get(*i).is_some_and(|n| *n == metric)) {
            binner.add(axis.bin(times[i]), values.get(i).map_or(f32::NAN, |v| *v as f32));
        }
        let look = Look { what: "lowest, middle and highest", unit, floor: 0.0, ceiling, log: false };
        look.track(format!("{words}, {}", base.unit), axis, None, binner.done())
    })
    .collect()
}

/// The strongest line of each spectrum sweep.
fn spectrum(base: &UnitFrames, axis: Axis) -> Track {
    let times = view::i64s(&base.spectra, "time");
    let power = view::f32s(&base.spectra, "power_dbm");
    let mut binner = Binner::default();
    let mut now = (i64::MIN, f32::NAN);
    for (t, p) in times.iter().zip(power) {
        if *t != now.0 {
            binner.add(axis.bin(now.0), now.1);
            now = (*t, f32::NAN);
        }
        now.1 = now.1.max(p);
    }
    binner.add(axis.bin(now.0), now.1);
    let look = Look { what: "strongest line of each sweep", unit: "dBm", floor: -130.0, ceiling: -60.0, log: false };
    look.track(format!("Strongest line of the spectrum, {}", base.unit), axis, None, binner.done())
}

/// Values that hold for a time each, in order of time: begin, length (ms), value.
fn steps(axis: Axis, values: impl Iterator<Item = (UtcMs, i64, f32)>) -> Vec<TrackBin> {
    let mut bins: BTreeMap<u32, f32> = BTreeMap::new();
    for (from, length_ms, value) in values {
        let end = (from + length_ms).min(axis.to);
        let mut t = from.max(axis.from);
        while t < end {
            if let Some(at) = axis.bin(t) {
                bins.insert(at, value);
            }
            t += axis.bin_ms;
        }
    }
    bins.into_iter().map(|(at, v)| TrackBin { at, low: v, mid: v, high: v }).collect()
}

/// Kp by three hours.
fn kp(beside: &Beside, axis: Axis) -> Track {
    let bins = steps(axis, beside.kp.iter().map(|(from, kp)| (*from, 3 * HOUR_MS, *kp)));
    let look = Look { what: "planetary index by three hours", unit: "Kp", floor: 0.0, ceiling: 9.0, log: false };
    // NOAA space weather scales: G1 begins at Kp 5.
    look.track("Geomagnetic activity".to_owned(), axis, Some((5.0, "storm from here".to_owned())), bins)
}

/// Gradient of the ionosphere over the base, by maps.
fn gradient(site: &Site1, axis: Axis, steep: f64) -> Track {
    let bins = steps(axis, site.gradients.iter().map(|(t, g)| (*t, STEP_MS, *g as f32)));
    let what = "change of the vertical delay on L1 with the distance, out of maps made of stations far apart";
    let look = Look { what, unit: "mm/km", floor: 0.0, ceiling: 20.0, log: false };
    look.track("Ionosphere over the base".to_owned(), axis, Some((steep, "steep from here".to_owned())), bins)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_of_one_time_are_one_value() {
        let axis = Axis { from: 0, to: 100_000, bin_ms: 10_000 };
        let rows = [(0, 1, 4), (0, 2, 4), (1_000, 4, 4), (50_000, 3, 0), (60_000, 1, 2)];
        let bins = by_time(axis, rows.into_iter(), percent);
        let told: Vec<(u32, f32, f32)> = bins.iter().map(|b| (b.at, b.low, b.high)).collect();
        assert_eq!(told, [(0, 37.5, 100.0), (6, 50.0, 50.0)]);
    }

    #[test]
    fn values_that_hold_for_a_time_fill_their_bins() {
        let axis = Axis { from: 0, to: 100_000, bin_ms: 10_000 };
        let bins = steps(axis, [(-20_000, 35_000, 3.0), (50_000, 20_000, 5.0), (90_000, 50_000, 1.0)].into_iter());
        let told: Vec<(u32, f32)> = bins.iter().map(|b| (b.at, b.mid)).collect();
        assert_eq!(told, [(0, 3.0), (1, 3.0), (5, 5.0), (6, 5.0), (9, 1.0)]);
    }

    #[test]
    fn bins_hold_lowest_middle_and_highest_and_leave_gaps() {
        let axis = Axis { from: 0, to: 100_000, bin_ms: 10_000 };
        let mut binner = Binner::default();
        for (t, v) in [(0, 3.0), (2_000, 1.0), (9_999, 2.0), (50_000, 7.0), (51_000, f32::NAN), (200_000, 9.0)] {
            binner.add(axis.bin(t), v);
        }
        assert_eq!(
            binner.done(),
            [TrackBin { at: 0, low: 1.0, mid: 2.0, high: 3.0 }, TrackBin { at: 5, low: 7.0, mid: 7.0, high: 7.0 }]
        );
    }
}
