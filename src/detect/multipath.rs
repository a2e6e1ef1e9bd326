//! `multipath`: reflections at a base. Code multipath (MP of Estey and Meertens 1999) is far above a clean antenna's at the
//! same elevation and C/N0, on many satellites, quarter of an hour after quarter of an hour. Or, weaker: it is well over the
//! noise on satellites whose C/N0 wavers in the same minute, as a reflected wave moves both (neither noise nor a weak signal
//! does; on the open day files of four stations 0.2 to 5 % of the satellite minutes do that).
//!
//! What else speaks for it goes into the words and the strength: a ripple of C/N0 over sin(elevation) whose frequency gives the
//! height of the reflector (Bilich and Larson 2007, doi 10.1029/2007RS003652), and the same pattern again after one repeat of the
//! GPS geometry (Choi et al. 2004; Agnew and Larson 2007).

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::{SatMinute, sat_name};
use super::window::{median, stretches};
use crate::frames::UnitFrames;
use crate::maths::signals::reflections::reflector_height_m;
use crate::maths::signals::{repeat_advance, wavelength_m};
use crate::model::event::Event;
use crate::model::ids::{Sat, System};
use crate::model::time::{DAY_MS, MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, HashMap, HashSet};

const BIN_MS: i64 = 15 * MINUTE_MS;
const MASK_DEG: f64 = 10.0;

/// Code multipath over the noise from which on it counts beside a C/N0 that wavers (1.2 to 1.9 is the highest tenth on the open
/// day files; common practice, no source).
const OVER_NOISE: f64 = 2.0;
/// Standard deviation of the C/N0 in a minute that is a wavering one, dB (0.2 to 0.4 is usual on the open day files).
const WAVERS_DB: f64 = 0.8;
/// Median of that over all satellites from which on the minute is a change of the whole sky, dB.
const COMMON_DB: f64 = 3.0;

/// What a quarter of an hour shows.
struct Quarter {
    /// Middle of the satellites against a clean antenna.
    ratio: f64,
    /// Part of the satellite minutes over the limit.
    high: f64,
    /// Part of them with multipath over the noise and a wavering C/N0.
    wavering: f64,
}

/// Minutes in which the C/N0 of most satellites changes: the antenna's supply or interference, not reflections.
fn common_changes(minutes: &[SatMinute]) -> HashSet<UtcMs> {
    let mut spreads: HashMap<UtcMs, Vec<f64>> = HashMap::new();
    for m in minutes.iter().filter(|m| m.cn0_sd_db.is_finite()) {
        spreads.entry(m.time).or_default().push(m.cn0_sd_db);
    }
    spreads
        .into_iter()
        .filter(|(_, v)| median(v.iter().copied()).is_some_and(|s| s >= COMMON_DB))
        .map(|(t, _)| t)
        .collect()
}

pub(super) fn run(frames: &UnitFrames, minutes: &[SatMinute], limits: &Limits) -> Vec<Event> {
    let mut bins: BTreeMap<UtcMs, Vec<&SatMinute>> = BTreeMap::new();
    for m in minutes.iter().filter(|m| m.elevation >= MASK_DEG && m.reflected.is_finite()) {
        bins.entry(m.time.div_euclid(BIN_MS) * BIN_MS).or_default().push(m);
    }
    bins.retain(|_, v| v.len() >= 40);
    let times: Vec<UtcMs> = bins.keys().copied().collect();
    let common = common_changes(minutes);
    let judged: Vec<Quarter> = bins
        .values()
        .map(|v| {
            let share = |is: &dyn Fn(&SatMinute) -> bool| v.iter().filter(|m| is(m)).count() as f64 / v.len() as f64;
            Quarter {
                ratio: median(v.iter().map(|m| m.reflected)).unwrap_or(0.0),
                high: share(&|m| m.reflected >= limits.multipath_ratio),
                wavering: share(&|m| {
                    m.over_noise >= OVER_NOISE && m.cn0_sd_db >= WAVERS_DB && !common.contains(&m.time)
                }),
            }
        })
        .collect();
    // Both the middle of the satellites and a good part of them: one reflected sector is many satellites, not all.
    let flags: Vec<bool> = judged
        .iter()
        .map(|q| {
            q.ratio >= limits.multipath_ratio
                || q.high >= limits.multipath_share
                // From half of what is much on: a reflector acts all day, and what comes and goes around the limit would look as if
                // it did not.
                || q.wavering >= 0.5 * limits.multipath_wavering_share
        })
        .collect();
    let maker = Maker::of_signals(frames);
    let found = stretches(&times, &flags, BIN_MS, 2 * BIN_MS, 2 * BIN_MS);
    if found.is_empty() {
        return Vec::new();
    }
    let ripple = ripple(minutes, limits);
    let repeats = repetition(minutes);
    found
        .into_iter()
        .map(|s| {
            let inside = || bins.range(s.from..s.to).flat_map(|(_, v)| v.iter().copied());
            let level = |low: f64, high: f64| {
                median(inside().filter(|m| (low..high).contains(&m.elevation)).map(|m| m.mp_m()))
                    .map_or_else(|| "unknown".to_owned(), |v| format!("{v:.1} m"))
            };
            let of = |f: &dyn Fn(&Quarter) -> f64| {
                let part = judged.get(s.first..s.end).unwrap_or_default();
                part.iter().map(f).sum::<f64>() / part.len().max(1) as f64
            };
            let (ratio, high, wavering) = (of(&|q| q.ratio), of(&|q| q.high), of(&|q| q.wavering));
            let mut strength = 0.5
                * (ratio / limits.multipath_ratio)
                    .max(high / limits.multipath_share)
                    .max(wavering / limits.multipath_wavering_share);
            let mut detail = format!(
                "code multipath is {ratio:.1} times that of a clean antenna (middle of the satellites), over the limit on \
                 {:.0} % of the satellite minutes, and wavers together with the C/N0 on {:.0} % of them: {} at 10-25 degrees, \
                 {} at 25-50, {} over 50",
                high * 100.0,
                wavering * 100.0,
                level(10.0, 25.0),
                level(25.0, 50.0),
                level(50.0, 91.0)
            );
            if let Some(r) = &ripple {
                strength += 0.15;
                detail.push_str(&format!(
                    "; C/N0 ripples by {:.1} dB at low elevation on {} satellites ({}), as from a reflector {:.1} m below the antenna",
                    r.amplitude_db, r.satellites, r.first, r.height_m
                ));
            }
            if let Some((same, pairs)) = repeats {
                if same >= limits.multipath_repeats {
                    strength += 0.2;
                    detail.push_str(&format!(
                        "; the pattern comes again after one repeat of the GPS geometry (correlation {same:.2} over {pairs} minutes)"
                    ));
                } else {
                    detail.push_str(&format!(
                        "; the pattern does not come again with the GPS geometry (correlation {same:.2} over {pairs} minutes)"
                    ));
                }
            }
            maker.event("multipath", s.from, s.to, Some(ratio), "times", strength, detail)
        })
        .collect()
}

/// A ripple that several satellites share.
#[derive(Debug, Clone, PartialEq)]
struct Ripple {
    amplitude_db: f64,
    height_m: f64,
    satellites: usize,
    first: String,
}

/// Heights that are tried, m: minutes hide faster ripples (two samples a period).
const HEIGHTS_M: std::ops::RangeInclusive<u32> = 8..=50; // tenths

/// Ripple of C/N0 against sin(elevation) on passes between 5 and 30 degrees.
fn ripple(minutes: &[SatMinute], limits: &Limits) -> Option<Ripple> {
    let mut passes: BTreeMap<(u16, i64), Vec<(f64, f64)>> = BTreeMap::new();
    let mut last: HashMap<u16, (UtcMs, f64, i64)> = HashMap::new();
    for m in minutes.iter().filter(|m| (5.0..30.0).contains(&m.elevation) && m.cn0_dbhz.is_finite()) {
        // A new pass after a hole or at the turn from setting to rising.
        let (t, el, n) = last.get(&m.sat).copied().unwrap_or((m.time, m.elevation, 0));
        let n = if m.time - t > 10 * MINUTE_MS { n + 1 } else { n };
        let rising = i64::from(m.elevation > el);
        last.insert(m.sat, (m.time, m.elevation, n));
        passes.entry((m.sat, n * 2 + rising)).or_default().push((m.elevation.to_radians().sin(), m.cn0_dbhz));
    }
    let mut seen: Vec<(f64, f64, u16)> = Vec::new();
    for ((sat, _), points) in &passes {
        if points.len() < 25 {
            continue;
        }
        let Some((cycles, amplitude, explained)) = strongest(points) else { continue };
        if amplitude < limits.ripple_db || explained < 0.35 {
            continue;
        }
        let Some(sat_of) = Sat::from_code(*sat) else { continue };
        // BeiDou's first frequency here is B1I (band 2 of RINEX).
        let band = if sat_of.system() == System::Beidou { 2 } else { 1 };
        let Some(wave) = wavelength_m(sat_of.system().letter(), band, Some(0)) else { continue };
        seen.push((reflector_height_m(cycles, wave), amplitude, *sat));
    }
    let height = median(seen.iter().map(|s| s.0))?;
    // Heights that agree within a fifth: one reflector, not chance.
    let agree: Vec<&(f64, f64, u16)> = seen.iter().filter(|s| (s.0 - height).abs() <= 0.2 * height).collect();
    if agree.len() < 3 || agree.len() * 2 < seen.len() {
        return None;
    }
    Some(Ripple {
        amplitude_db: median(agree.iter().map(|s| s.1))?,
        height_m: height,
        satellites: agree.len(),
        first: sat_name(agree.first()?.2),
    })
}

/// Strongest period over x after a parabola is taken out: cycles per x, amplitude, and the share of the variance that it
/// explains. Least squares at each trial frequency (Lomb-Scargle).
fn strongest(points: &[(f64, f64)]) -> Option<(f64, f64, f64)> {
    let n = points.len() as f64;
    let mean_x = points.iter().map(|p| p.0).sum::<f64>() / n;
    let span = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max)
        - points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
    let basis: Vec<[f64; 3]> = points.iter().map(|(x, _)| [1.0, x - mean_x, (x - mean_x) * (x - mean_x)]).collect();
    let rest = residuals(&basis, points)?;
    let total: f64 = rest.iter().map(|r| r * r).sum();
    if total <= 0.0 {
        return None;
    }
    let mut best: Option<(f64, f64, f64)> = None;
    for tenth in HEIGHTS_M {
        // 2H / λ at the first frequency.
        let cycles = 2.0 * f64::from(tenth) / 10.0 / 0.1903;
        if cycles * span < 2.0 {
            continue; // less than two periods cannot be told from the parabola
        }
        let (mut c, mut s, mut cc, mut ss, mut cs) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for ((x, _), r) in points.iter().zip(&rest) {
            let (sin, cos) = (std::f64::consts::TAU * cycles * x).sin_cos();
            c += r * cos;
            s += r * sin;
            cc += cos * cos;
            ss += sin * sin;
            cs += cos * sin;
        }
        let det = cc * ss - cs * cs;
        if det.abs() < 1e-9 {
            continue;
        }
        let (a, b) = ((c * ss - s * cs) / det, (s * cc - c * cs) / det);
        let explained = (a * c + b * s) / total;
        if best.is_none_or(|(_, _, e)| explained > e) {
            best = Some((cycles, a.hypot(b), explained));
        }
    }
    best
}

/// What a parabola leaves, by the normal equations.
fn residuals(basis: &[[f64; 3]], points: &[(f64, f64)]) -> Option<Vec<f64>> {
    let mut m = [[0.0; 4]; 3];
    for (b, (_, y)) in basis.iter().zip(points) {
        for (row, bi) in m.iter_mut().zip(b) {
            for (cell, bj) in row.iter_mut().zip(b.iter().chain([y])) {
                *cell += bi * bj;
            }
        }
    }
    for i in 0..3 {
        let pivot = m[i][i];
        if pivot.abs() < 1e-12 {
            return None;
        }
        let line = m[i];
        for (k, row) in m.iter_mut().enumerate() {
            if k != i {
                let f = row[i] / pivot;
                row.iter_mut().zip(line).for_each(|(cell, x)| *cell -= f * x);
            }
        }
    }
    let of = |i: usize| m[i][3] / m[i][i];
    let (a, b, c) = (of(0), of(1), of(2));
    Some(basis.iter().zip(points).map(|(p, (_, y))| y - a * p[0] - b * p[1] - c * p[2]).collect())
}

/// Correlation of GPS multipath with that of one geometry repeat before, and the number of pairs; `None` within one day.
fn repetition(minutes: &[SatMinute]) -> Option<(f64, usize)> {
    let gps = |m: &&SatMinute| {
        Sat::from_code(m.sat).is_some_and(|s| s.system() == System::Gps)
            && m.mp_m().is_finite()
            && (MASK_DEG..50.0).contains(&m.elevation)
    };
    let known: BTreeMap<(UtcMs, u16), f64> =
        minutes.iter().filter(gps).map(|m| ((m.time, m.sat), m.mp_m().max(0.01).ln())).collect();
    let advance_ms = (repeat_advance('G', 1)?.advance_s * 1000.0) as i64;
    let mut pairs: Vec<(f64, f64)> = Vec::new();
    for ((t, sat), value) in &known {
        let before = (t - DAY_MS + advance_ms).div_euclid(MINUTE_MS) * MINUTE_MS;
        if let Some(old) = known.get(&(before, *sat)) {
            pairs.push((*old, *value));
        }
    }
    if pairs.len() < 200 {
        return None;
    }
    // Sums in a fixed order, so that two runs give the same digits.
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let n = pairs.len() as f64;
    let (mx, my) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for (x, y) in &pairs {
        xy += (x - mx) * (y - my);
        xx += (x - mx) * (x - mx);
        yy += (y - my) * (y - my);
    }
    let r = xy / (xx * yy).sqrt();
    r.is_finite().then_some((r, pairs.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ripple_gives_the_height_of_its_reflector() {
        // Check values 8.3: H = 2 m is 21.0201 cycles per sin(elevation) at L1; 7 cycles from 5 to 25 degrees.
        let points: Vec<(f64, f64)> = (0..60)
            .map(|k| {
                let x = (5.0 + f64::from(k) / 3.0_f64).to_radians().sin();
                (x, 36.0 + 30.0 * x + 2.0 * (std::f64::consts::TAU * 21.0201 * x + 0.4).cos())
            })
            .collect();
        let (cycles, amplitude, explained) = strongest(&points).unwrap();
        let height = reflector_height_m(cycles, wavelength_m('G', 1, None).unwrap());
        assert!((height - 2.0).abs() < 0.06, "{height}");
        assert!((amplitude - 2.0).abs() < 0.2 && explained > 0.9, "{amplitude} {explained}");
        let smooth: Vec<(f64, f64)> = points.iter().map(|(x, _)| (*x, 36.0 + 30.0 * x - 9.0 * x * x)).collect();
        assert!(strongest(&smooth).is_none_or(|s| s.1 < 1e-6));
    }
}
