//! The sky over a base: where satellites were tracked and how well, and C/N0 over elevation beside what is expected.

use crate::detect::clean_mp_m;
use crate::frames::{UnitFrames, view};
use crate::maths::budget::expected::{EXPECTED_CN0_ORIGIN, SignalClass, expected_cn0_dbhz, signal_class};
use crate::maths::geodesy::{Geodetic, ecef_to_geodetic, enu_to_ecef_delta, geodetic_to_ecef};
use crate::model::ids::{Band, Signal};
use crate::model::picture::{ElevationCurve, SkyCell, SkyView};
use crate::pipeline::sites::Site1;
use std::collections::BTreeMap;

/// Width of a sky cell in azimuth, degrees.
const AZIMUTH_DEG: f64 = 15.0;
/// Height of a sky cell, degrees.
const ELEVATION_DEG: f64 = 10.0;
/// Height of a bin of the C/N0 curve, degrees.
const CURVE_DEG: f64 = 5.0;
/// Satellite-minutes with known directions below which no sky is drawn.
const LEAST_MINUTES: u32 = 120;
/// Radius of the orbits, m, and their largest latitude, degrees: GPS 26 560 km and 55, GLONASS 25 510 km and 64.8.
const ORBIT_M: f64 = 26_560_000.0;
const REACH_DEG: f64 = 64.8;

/// What the sky takes from the signals.
const COLUMNS: [&str; 8] = ["sat", "signal", "band", "cn0_mean", "cn0_sd", "mp_rms_m", "azimuth", "elevation"];

/// The columns of the signal table that the sky needs.
#[derive(Default)]
pub(super) struct Rows {
    pub(super) time: Vec<i64>,
    pub(super) sat: Vec<u32>,
    signal: Vec<u32>,
    pub(super) band: Vec<u32>,
    pub(super) cn0: Vec<f32>,
    sd: Vec<f32>,
    pub(super) mp_m: Vec<f32>,
    azimuth: Vec<f32>,
    pub(super) elevation: Vec<f32>,
}

impl Rows {
    pub(super) fn of(base: &UnitFrames) -> Rows {
        Rows::of_those(base, |_, _| true)
    }

    /// Those that `wanted` says of a slice and a row in it.
    fn of_those(base: &UnitFrames, wanted: impl Fn(&Rows, usize) -> bool) -> Rows {
        let mut out = Rows::default();
        for t in base.signal_slices(&COLUMNS) {
            let slice = Rows {
                time: view::i64s(&t, "time"),
                sat: view::u32s_full(&t, "sat"),
                signal: view::u32s_full(&t, "signal"),
                band: view::u32s_full(&t, "band"),
                cn0: view::f32s(&t, "cn0_mean"),
                sd: view::f32s(&t, "cn0_sd"),
                mp_m: view::f32s(&t, "mp_rms_m"),
                azimuth: view::f32s(&t, "azimuth"),
                elevation: view::f32s(&t, "elevation"),
            };
            for i in (0..slice.time.len()).filter(|i| wanted(&slice, *i)) {
                out.time.push(slice.time[i]);
                out.sat.push(slice.sat[i]);
                out.signal.push(slice.signal[i]);
                out.band.push(slice.band[i]);
                out.cn0.push(slice.cn0[i]);
                out.sd.push(slice.sd[i]);
                out.mp_m.push(slice.mp_m[i]);
                out.azimuth.push(slice.azimuth[i]);
                out.elevation.push(slice.elevation[i]);
            }
        }
        out
    }

    /// Rows of the first frequency with a direction.
    fn directed(base: &UnitFrames) -> Rows {
        let first = u32::from(Band::L1.code());
        Rows::of_those(base, |r, i| {
            r.band[i] == first && r.elevation[i] >= 0.0 && r.elevation[i] < 90.0 && r.azimuth[i].is_finite()
        })
    }

    /// Elevation (degrees), C/N0 (dB-Hz) and code multipath (m) of the rows of a band with a direction.
    pub(super) fn of_band(&self, band: Band) -> impl Iterator<Item = (f64, f64, f64)> {
        let at = |column: &[f32], i: usize| column.get(i).map_or(f64::NAN, |v| f64::from(*v));
        (0..self.time.len())
            .filter(move |i| self.band.get(*i) == Some(&u32::from(band.code())))
            .map(move |i| (at(&self.elevation, i), at(&self.cn0, i), at(&self.mp_m, i)))
            .filter(|(elevation, ..)| (0.0..=90.0).contains(elevation))
    }
}

/// A view for each base whose satellites' directions are known.
pub(super) fn skies(site: &Site1) -> Vec<SkyView> {
    let position = site.case.position;
    site.bases.iter().filter_map(|b| sky(b, position.map(|(lat, lon, _)| (lat, lon)))).collect()
}

#[derive(Default, Clone, Copy)]
struct Sum {
    minutes: u32,
    off: f64,
    with_cn0: u32,
    scatter: f64,
    with_scatter: u32,
    reflected: f64,
    with_mp: u32,
}

/// The view of one base at `position` (latitude and longitude, degrees).
pub(super) fn sky(base: &UnitFrames, position: Option<(f64, f64)>) -> Option<SkyView> {
    let rows = Rows::directed(base);
    let directed = || 0..rows.time.len();
    // The usual C/N0 of an elevation is the median of this base itself; signals differ, so each has its own.
    let mut by: BTreeMap<(u32, u32), Vec<f32>> = BTreeMap::new();
    for i in directed().filter(|i| rows.cn0[*i].is_finite()) {
        by.entry((rows.signal[i], (f64::from(rows.elevation[i]) / CURVE_DEG) as u32)).or_default().push(rows.cn0[i]);
    }
    let usual: BTreeMap<(u32, u32), f32> = by
        .into_iter()
        .filter_map(|(k, mut v)| {
            let mid = v.len() / 2;
            (!v.is_empty()).then(|| (k, *v.select_nth_unstable_by(mid, f32::total_cmp).1))
        })
        .collect();
    let (across, up) = ((360.0 / AZIMUTH_DEG) as usize, (90.0 / ELEVATION_DEG) as usize);
    let mut sums = vec![Sum::default(); across * up];
    let mut lowest: Vec<Option<f32>> = vec![None; across];
    // A second signal of one satellite in the same minute is no second satellite.
    let mut last: (i64, std::collections::BTreeSet<u32>) = (i64::MIN, std::collections::BTreeSet::new());
    let mut total = 0;
    for i in directed() {
        if last.0 != rows.time[i] {
            last = (rows.time[i], std::collections::BTreeSet::new());
        }
        if !last.1.insert(rows.sat[i]) {
            continue;
        }
        total += 1;
        let elevation = f64::from(rows.elevation[i]);
        let a = ((f64::from(rows.azimuth[i]).rem_euclid(360.0) / AZIMUTH_DEG) as usize).min(across - 1);
        let e = ((elevation / ELEVATION_DEG) as usize).min(up - 1);
        if let Some(l) = lowest.get_mut(a) {
            *l = Some(l.map_or(rows.elevation[i], |x| x.min(rows.elevation[i])));
        }
        let Some(sum) = sums.get_mut(e * across + a) else { continue };
        sum.minutes += 1;
        if let (true, Some(u)) = (rows.cn0[i].is_finite(), usual.get(&(rows.signal[i], (elevation / CURVE_DEG) as u32)))
        {
            sum.off += f64::from(rows.cn0[i] - u);
            sum.with_cn0 += 1;
        }
        if rows.sd[i].is_finite() {
            sum.scatter += f64::from(rows.sd[i]);
            sum.with_scatter += 1;
        }
        if rows.mp_m[i].is_finite() && rows.cn0[i].is_finite() {
            sum.reflected += f64::from(rows.mp_m[i]) / clean_mp_m(Band::L1, elevation, f64::from(rows.cn0[i]));
            sum.with_mp += 1;
        }
    }
    if total < LEAST_MINUTES {
        return None;
    }
    let expected = expected(base, across, up);
    let mean = |sum: f64, n: u32| if n == 0 { f32::NAN } else { (sum / f64::from(n)) as f32 };
    let cells = sums
        .iter()
        .enumerate()
        .map(|(k, s)| {
            let (azimuth_deg, elevation_deg) = ((k % across) as f64 * AZIMUTH_DEG, (k / across) as f64 * ELEVATION_DEG);
            SkyCell {
                azimuth_deg,
                elevation_deg,
                minutes: s.minutes,
                expected: expected.as_ref().and_then(|e| e.get(k).copied()),
                cn0_off_db: mean(s.off, s.with_cn0),
                scatter_db: mean(s.scatter, s.with_scatter),
                reflected: mean(s.reflected, s.with_mp),
                in_reach: position.is_none_or(|(lat, lon)| {
                    in_reach(lat, lon, azimuth_deg + AZIMUTH_DEG / 2.0, elevation_deg + ELEVATION_DEG / 2.0)
                }),
            }
        })
        .collect();
    Some(SkyView {
        unit: base.unit.clone(),
        step_azimuth_deg: AZIMUTH_DEG,
        step_elevation_deg: ELEVATION_DEG,
        cells,
        directions_from: base.geometry_from.words().to_owned(),
        lowest_deg: lowest,
    })
}

/// Satellite-minutes by cell in which a healthy satellite stood there; `None` without orbits.
fn expected(base: &UnitFrames, across: usize, up: usize) -> Option<Vec<u32>> {
    let (azimuth, elevation) = (view::f32s(&base.expected, "azimuth"), view::f32s(&base.expected, "elevation"));
    if azimuth.is_empty() {
        return None;
    }
    let mut out = vec![0; across * up];
    for (a, e) in azimuth.iter().zip(&elevation).filter(|(a, e)| a.is_finite() && **e >= 0.0) {
        let a = ((f64::from(*a).rem_euclid(360.0) / AZIMUTH_DEG) as usize).min(across - 1);
        let e = ((f64::from(*e) / ELEVATION_DEG) as usize).min(up - 1);
        if let Some(n) = out.get_mut(e * across + a) {
            *n += 1;
        }
    }
    Some(out)
}

/// Whether a satellite on an inclined circular orbit can stand in a direction: where the line of sight meets the sphere of
/// the orbits the latitude must not be beyond their inclination.
fn in_reach(lat: f64, lon: f64, azimuth_deg: f64, elevation_deg: f64) -> bool {
    let station = Geodetic { lat_deg: lat, lon_deg: lon, h_m: 0.0 };
    let s = geodetic_to_ecef(&station);
    let (sin_e, cos_e) = elevation_deg.to_radians().sin_cos();
    let (sin_a, cos_a) = azimuth_deg.to_radians().sin_cos();
    let u = enu_to_ecef_delta(&station, [cos_e * sin_a, cos_e * cos_a, sin_e]);
    let along: f64 = (0..3).map(|k| s[k] * u[k]).sum();
    let r2: f64 = (0..3).map(|k| s[k] * s[k]).sum();
    let d = -along + (along * along - r2 + ORBIT_M * ORBIT_M).max(0.0).sqrt();
    ecef_to_geodetic([s[0] + d * u[0], s[1] + d * u[1], s[2] + d * u[2]]).is_none_or(|g| g.lat_deg.abs() <= REACH_DEG)
}

/// C/N0 over elevation of each band of each base.
pub(super) fn elevation(site: &Site1) -> Vec<ElevationCurve> {
    site.bases.iter().flat_map(curves).collect()
}

/// C/N0 over elevation of each band of one base.
pub(super) fn curves(base: &UnitFrames) -> Vec<ElevationCurve> {
    let mut of: BTreeMap<u32, OfBand> = BTreeMap::new();
    for t in base.signal_slices(&["signal", "band", "cn0_mean", "elevation"]) {
        let (signals, bands) = (view::u32s_full(&t, "signal"), view::u32s_full(&t, "band"));
        let (cn0, elevations) = (view::f32s(&t, "cn0_mean"), view::f32s(&t, "elevation"));
        for i in 0..signals.len() {
            let elevation = f64::from(elevations[i]);
            if !cn0[i].is_finite() || !(0.0..90.0).contains(&elevation) {
                continue;
            }
            let of = of.entry(bands[i]).or_default();
            if let Some(bin) = of.bins.get_mut((elevation / CURVE_DEG) as usize) {
                bin.add(cn0[i]);
            }
            *of.classes.entry(signals[i]).or_default() += 1;
        }
    }
    let curve = |band: Band| curve(base, of.remove(&u32::from(band.code()))?, band);
    Band::ALL.into_iter().filter_map(curve).collect()
}

/// C/N0 of one band by elevation, and rows by signal.
struct OfBand {
    bins: Vec<Histogram>,
    classes: BTreeMap<u32, u32>,
}

impl Default for OfBand {
    fn default() -> OfBand {
        let n = (90.0 / CURVE_DEG) as usize;
        OfBand { bins: vec![Histogram { counts: [0; 140], total: 0 }; n], classes: BTreeMap::new() }
    }
}

/// A histogram of C/N0 by half dB from 0 to 70 dB-Hz.
#[derive(Clone)]
struct Histogram {
    counts: [u32; 140],
    total: u32,
}

impl Histogram {
    fn add(&mut self, cn0: f32) {
        if let Some(c) = self.counts.get_mut((f64::from(cn0) * 2.0) as usize) {
            *c += 1;
            self.total += 1;
        }
    }

    /// Centre of the half dB below which a share of the values lies.
    fn quantile(&self, q: f64) -> f32 {
        let wanted = (q * f64::from(self.total)).ceil().max(1.0) as u32;
        let mut sum = 0;
        for (i, c) in self.counts.iter().enumerate() {
            sum += c;
            if sum >= wanted {
                return i as f32 / 2.0 + 0.25;
            }
        }
        f32::NAN
    }
}

fn curve(base: &UnitFrames, OfBand { bins, classes }: OfBand, band: Band) -> Option<ElevationCurve> {
    let filled: Vec<(f64, f64, f32, f32, f32, u32)> = bins
        .iter()
        .enumerate()
        .filter(|(_, h)| h.total >= 5)
        .map(|(k, h)| {
            let low = k as f64 * CURVE_DEG;
            (low, low + CURVE_DEG, h.quantile(0.1), h.quantile(0.5), h.quantile(0.9), h.total)
        })
        .collect();
    if filled.len() < 2 {
        return None;
    }
    // The band's most frequent signal that has a row in the table of expected values.
    let class = classes
        .into_iter()
        .filter_map(|(signal, n)| class_of(signal).map(|c| (n, c)))
        .max_by_key(|(n, _)| *n)
        .map(|(_, c)| c);
    let expected = class.map_or_else(Vec::new, |class| {
        [(5.0, 10.0), (10.0, 20.0), (20.0, 40.0), (40.0, 60.0), (60.0, 90.0)]
            .into_iter()
            .filter_map(|(a, b)| expected_cn0_dbhz(class, a).map(|(low, high)| (a, b, low, high)))
            .collect()
    });
    Some(ElevationCurve {
        unit: base.unit.clone(),
        band: band.name().to_owned(),
        bins: filled,
        expected,
        expected_from: EXPECTED_CN0_ORIGIN.to_owned(),
    })
}

fn class_of(signal: u32) -> Option<SignalClass> {
    let s = Signal::unpack(signal)?;
    let digit = s.code[0].checked_sub(b'0').filter(|d| *d <= 9)?;
    signal_class(s.system.letter(), digit, char::from(s.code[1]))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The hole of GNSS skies: at middle northern latitudes there is no satellite low in the north, at the equator none is
    /// missing in the east, and south of the equator the hole is in the south.
    #[test]
    fn the_hole_in_the_sky_is_towards_the_pole() {
        assert!(!in_reach(50.0, 8.0, 0.0, 25.0));
        assert!(in_reach(50.0, 8.0, 180.0, 25.0));
        assert!(in_reach(0.0, 8.0, 90.0, 15.0));
        assert!(!in_reach(-50.0, 8.0, 180.0, 25.0));
    }

    #[test]
    fn quantiles_of_a_histogram_stand_within_half_a_db() {
        let mut h = Histogram { counts: [0; 140], total: 0 };
        for i in 0..100 {
            h.add(30.0 + i as f32 / 10.0);
        }
        assert!((h.quantile(0.5) - 35.0).abs() <= 0.5);
        assert!((h.quantile(0.1) - 31.0).abs() <= 0.5);
        h.add(-5.0);
        h.add(f32::NAN);
        h.add(1e9);
        assert_eq!(h.total, 102, "values below 0 count as 0, those above 70 dB-Hz are left out");
    }
}
