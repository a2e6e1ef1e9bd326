//! `sky-blocked`: satellites that stand above the horizon by their orbits are not tracked, or come far too weak, from certain
//! directions: something stands in front of the antenna.
//!
//! The sky is cut into cells of 10 degrees of azimuth and 5 of elevation (over 10 degrees). A satellite-minute is good when it
//! is tracked and its first frequency is less than `blocked_db` below the best part of this sky at its elevation; a cell is
//! blocked when at most 30 % of its minutes are good (the 5 and 10 degree cells, 30 % and all limits: common practice, no
//! source). When the whole sky falls at once it is no obstruction, and those minutes are left out.

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::{SatMinute, typical_dbhz};
use super::window::{median, quantile, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::{Band, Sat};
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Directions below are not judged, degrees.
const MASK_DEG: f64 = 10.0;
/// Time cells, ms.
const BIN_MS: i64 = 10 * MINUTE_MS;
/// A cell of the sky with fewer minutes is not known.
const LEAST_MINUTES: u32 = 5;
const BLOCKED_SHARE: f64 = 0.3;
const OPEN_SHARE: f64 = 0.7;
/// Part of the limit that the satellites of ten minutes must reach: they sample the sky unevenly.
const TIME_SHARE: f64 = 0.6;
/// A fall of the best part of the sky by more than this is not an obstruction, dB.
const WHOLE_SKY_DB: f64 = 4.0;

/// Under this a satellite is not worth expecting, dB-Hz (receivers track from 28 to 33 on: common practice, no source).
const LEAST_DBHZ: f64 = 33.0;

/// What a good antenna gets of a satellite on the first frequency, dB-Hz.
fn expected_dbhz(sat: u32, elevation_deg: f64) -> Option<f64> {
    typical_dbhz(Sat::from_code(sat as u16)?.system(), Band::L1, elevation_deg)
}

/// A satellite-minute that should have been there.
#[derive(Debug, Clone, Copy)]
struct Look {
    time: UtcMs,
    azimuth: f64,
    elevation: f64,
    /// Tracked and strong.
    good: bool,
}

pub(super) fn run(frames: &UnitFrames, minutes: &[SatMinute], limits: &Limits) -> Vec<Event> {
    let table = &frames.expected;
    if table.height() == 0 {
        return Vec::new();
    }
    let offset = best_part(minutes);
    // They come in this order, and are asked for in it.
    let mut behind = minutes.iter().peekable();
    let mut deficit_of = |time: UtcMs, sat: u16| {
        while behind.next_if(|m| (m.time, m.sat) < (time, sat)).is_some() {}
        behind.peek().filter(|m| (m.time, m.sat) == (time, sat)).map(|m| m.deficit_db)
    };
    let whole = whole_sky_bins(minutes, &offset);
    let times = view::i64s(table, "time");
    let sats = view::u32s_full(table, "sat");
    let azimuth = view::f32s(table, "azimuth");
    let elevation = view::f32s(table, "elevation");
    let tracked = view::bools(table, "tracked");
    let over_mask: Vec<(u32, f64, f64, bool)> = (0..times.len())
        .filter(|i| f64::from(elevation[*i]) >= MASK_DEG)
        .map(|i| (sats[i], f64::from(azimuth[i]), f64::from(elevation[i]), tracked[i]))
        .collect();
    let counted = counted_satellites(&over_mask);
    let mut looks = Vec::with_capacity(times.len());
    for i in 0..times.len() {
        let bin = times[i].div_euclid(BIN_MS);
        if f64::from(elevation[i]) < MASK_DEG || !counted.contains(&sats[i]) || whole.contains(&bin) {
            continue;
        }
        let best = offset.get(&times[i].div_euclid(BIN_MS)).copied().unwrap_or(0.0);
        let deficit = deficit_of(times[i], sats[i] as u16);
        // Weaker by as much as the best of this sky is, it could not be tracked wherever it stands.
        if !tracked[i] && expected_dbhz(sats[i], f64::from(elevation[i])).is_some_and(|e| e - best < LEAST_DBHZ) {
            continue;
        }
        // A stream without C/N0 is judged by tracking alone.
        let good = tracked[i] && deficit.is_none_or(|d| d.is_nan() || d - best < limits.blocked_db);
        looks.push(Look { time: times[i], azimuth: f64::from(azimuth[i]), elevation: f64::from(elevation[i]), good });
    }
    let mut bins: BTreeMap<UtcMs, (u32, u32)> = BTreeMap::new();
    for look in &looks {
        let bin = bins.entry(look.time.div_euclid(BIN_MS) * BIN_MS).or_default();
        bin.0 += 1;
        bin.1 += u32::from(!look.good);
    }
    let t: Vec<UtcMs> = bins.keys().copied().collect();
    let share = |b: &(u32, u32)| f64::from(b.1) / f64::from(b.0.max(1));
    let flags: Vec<bool> = bins.values().map(|b| b.0 >= 40 && share(b) >= TIME_SHARE * limits.blocked_share).collect();
    let maker = Maker::of_signals(frames);
    let minutes: BTreeSet<UtcMs> = looks.iter().map(|l| l.time).collect();
    let (first, last) = (minutes.first().copied().unwrap_or(0), minutes.last().copied().unwrap_or(0) + MINUTE_MS);
    let mut events = Vec::new();
    for s in stretches(&t, &flags, BIN_MS, 2 * BIN_MS, 2 * BIN_MS) {
        let inside: Vec<&Look> = looks.iter().filter(|l| l.time >= s.from && l.time < s.to).collect();
        let Some(view) = View::of(&inside) else { continue };
        if view.blocked < limits.blocked_share || view.pure < 0.6 || view.open < 0.05 {
            continue;
        }
        let (from, to) = (s.from.max(first), s.to.min(last));
        let standing = from - first < 3 * BIN_MS && last - to < 3 * BIN_MS;
        let when = if standing { "all the time" } else { "for a part of the time" };
        events.push(maker.event(
            "sky-blocked",
            from,
            to,
            Some(view.blocked),
            "share",
            0.5 * view.blocked / limits.blocked_share,
            format!(
                "{:.0} % of the sky over {MASK_DEG} degrees is blocked, {when}: {}; directions from {}",
                view.blocked * 100.0,
                view.words(),
                frames.geometry_from.words()
            ),
        ));
    }
    events
}

/// C/N0 deficit of the best part of the sky in each bin, dB: the second decile over satellites of more than 10 degrees.
fn best_part(minutes: &[SatMinute]) -> BTreeMap<i64, f64> {
    let mut bins: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for m in minutes.iter().filter(|m| m.elevation >= MASK_DEG && m.deficit_db.is_finite()) {
        bins.entry(m.time.div_euclid(BIN_MS)).or_default().push(m.deficit_db);
    }
    bins.into_iter().filter_map(|(b, v)| Some((b, quantile(v, 0.2)?))).collect()
}

/// Bins in which even the best part of the sky is weaker than usual, or nothing high is there.
fn whole_sky_bins(minutes: &[SatMinute], offset: &BTreeMap<i64, f64>) -> BTreeSet<i64> {
    let all: BTreeSet<i64> = minutes.iter().map(|m| m.time.div_euclid(BIN_MS)).collect();
    let usual = median(offset.values().copied()).unwrap_or(0.0);
    all.into_iter().filter(|b| offset.get(b).is_some_and(|o| o - usual > WHOLE_SKY_DB)).collect()
}

/// Satellites that count: tracked at some time, or never tracked where others are not tracked either. A satellite that the
/// receiver does not know must not look like a wall.
fn counted_satellites(looks: &[(u32, f64, f64, bool)]) -> BTreeSet<u32> {
    let mut seen: BTreeMap<u32, u32> = BTreeMap::new();
    // Cells of 20 by 10 degrees: by satellite minutes and tracked minutes.
    let mut cells: HashMap<(i64, i64), BTreeMap<u32, (u32, u32)>> = HashMap::new();
    let cell = |azimuth: f64, elevation: f64| ((azimuth / 20.0) as i64, (elevation / 10.0) as i64);
    for (sat, azimuth, elevation, tracked) in looks {
        *seen.entry(*sat).or_default() += u32::from(*tracked);
        let n = cells.entry(cell(*azimuth, *elevation)).or_default().entry(*sat).or_default();
        n.0 += 1;
        n.1 += u32::from(*tracked);
    }
    let mut unlike: BTreeMap<u32, (u32, u32)> = BTreeMap::new();
    for (sat, azimuth, elevation, _) in looks.iter().filter(|l| seen.get(&l.0).is_some_and(|n| *n < 3)) {
        let Some(others) = cells.get(&cell(*azimuth, *elevation)) else { continue };
        let (n, good) = others.iter().filter(|(s, _)| *s != sat).fold((0, 0), |a, (_, c)| (a.0 + c.0, a.1 + c.1));
        if n > 0 {
            let u = unlike.entry(*sat).or_default();
            u.0 += 1;
            u.1 += u32::from(good * 2 < n);
        }
    }
    seen.iter()
        .filter(|(sat, n)| **n >= 3 || unlike.get(sat).is_some_and(|u| u.1 * 2 > u.0))
        .map(|(sat, _)| *sat)
        .collect()
}

/// The sky in cells.
#[derive(Debug)]
struct View {
    /// Shares of the known sky.
    blocked: f64,
    open: f64,
    /// Share of the minutes in cells that are clearly open or clearly blocked.
    pure: f64,
    /// Blocked part of each 10 degrees of azimuth, and up to which elevation.
    sectors: [(f64, f64); 36],
}

impl View {
    fn of(looks: &[&Look]) -> Option<View> {
        let mut cells = [[(0u32, 0u32); 16]; 36];
        for l in looks {
            let a = ((l.azimuth.rem_euclid(360.0) / 10.0) as usize).min(35);
            let e = (((l.elevation - MASK_DEG) / 5.0) as usize).min(15);
            if let Some(cell) = cells.get_mut(a).and_then(|row| row.get_mut(e)) {
                cell.0 += 1;
                cell.1 += u32::from(l.good);
            }
        }
        let (mut known, mut blocked, mut open) = (0.0, 0.0, 0.0);
        let (mut all_minutes, mut pure_minutes) = (0u32, 0u32);
        let mut sectors = [(0.0, 0.0); 36];
        for (row, sector) in cells.iter().zip(&mut sectors) {
            let (mut row_known, mut row_blocked, mut top) = (0.0, 0.0, 0.0);
            for (e, (n, good)) in (0..).zip(row) {
                if *n < LEAST_MINUTES {
                    continue;
                }
                let low = MASK_DEG + 5.0 * f64::from(e);
                let weight = (low + 5.0).min(90.0).to_radians().sin() - low.to_radians().sin();
                let share = f64::from(*good) / f64::from(*n);
                known += weight;
                row_known += weight;
                all_minutes += n;
                if share <= BLOCKED_SHARE {
                    blocked += weight;
                    row_blocked += weight;
                    top = low + 5.0;
                }
                if share >= OPEN_SHARE {
                    open += weight;
                }
                pure_minutes += if share <= BLOCKED_SHARE || share >= OPEN_SHARE { *n } else { 0 };
            }
            *sector = (if row_known > 0.0 { row_blocked / row_known } else { f64::NAN }, top);
        }
        if known <= 0.0 {
            return None;
        }
        let pure = f64::from(pure_minutes) / f64::from(all_minutes.max(1));
        Some(View { blocked: blocked / known, open: open / known, pure, sectors })
    }

    /// Which sector, in words.
    fn words(&self) -> String {
        let is_blocked = |k: usize| self.sectors.get(k % 36).is_some_and(|s| s.0 >= 0.4);
        // Unknown sectors go with the ones before them.
        let known = |k: usize| self.sectors.get(k % 36).is_some_and(|s| s.0.is_finite());
        let mut state = [false; 36];
        for start in 0..36 {
            let at = (0..36).map(|back| (start + 36 - back) % 36).find(|k| known(*k));
            if let (Some(at), Some(s)) = (at, state.get_mut(start)) {
                *s = is_blocked(at);
            }
        }
        let run = |wanted: bool| {
            (0..36)
                .map(|from| {
                    let n = (0..36).take_while(|k| state.get((from + k) % 36) == Some(&wanted)).count();
                    (n, from)
                })
                .max_by_key(|(n, from)| (*n, 36 - *from))
                .unwrap_or((0, 0))
        };
        let (blocked, open) = (run(true), run(false));
        let total = state.iter().filter(|s| **s).count();
        let range = |(n, from): (usize, usize)| format!("{}-{}", from * 10, (from + n) * 10 % 360);
        let top = |(n, from): (usize, usize)| {
            median((0..n).filter_map(|k| self.sectors.get((from + k) % 36)).map(|s| s.1).filter(|t| *t > 0.0))
        };
        if total == 0 {
            return "in patches all round".to_owned();
        }
        let height = |s: (usize, usize)| {
            top(s).map_or_else(String::new, |t| {
                if t >= 80.0 { ", up to the zenith".to_owned() } else { format!(", below {t:.0} degrees") }
            })
        };
        if total >= 24 && open.0 > 0 {
            return format!("all round but azimuth {}{}", range(open), height(blocked));
        }
        if blocked.0 == 36 {
            return format!("all round{}", height(blocked));
        }
        format!("azimuth {}{}", range(blocked), height(blocked))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wall_is_named_by_its_sector() {
        let mut looks = Vec::new();
        for a in 0..72 {
            for e in 0..16 {
                for _ in 0..6 {
                    let (azimuth, elevation) = (f64::from(a) * 5.0 + 1.0, 11.0 + 5.0 * f64::from(e));
                    let behind = (120.0..200.0).contains(&azimuth) && elevation < 35.0;
                    looks.push(Look { time: 0, azimuth, elevation, good: !behind });
                }
            }
        }
        let refs: Vec<&Look> = looks.iter().collect();
        let view = View::of(&refs).unwrap();
        // 80 of 360 degrees; from 10 to 35 degrees: sin 35 - sin 10 of 1 - sin 10.
        let sky =
            80.0 / 360.0 * (35f64.to_radians().sin() - 10f64.to_radians().sin()) / (1.0 - 10f64.to_radians().sin());
        assert!((view.blocked - sky).abs() < 1e-9 && view.pure == 1.0);
        assert_eq!(view.words(), "azimuth 120-200, below 35 degrees");
    }
}
