//! `second-frequency-lost`: the share of satellites with a second frequency falls, or was never there; or all bands below L1 become too
//! weak to be used while L1 stays as it is. Works for bases (RTCM, RINEX) and rovers (GSV with signal ids).
//!
//! A base that delivers only one frequency never lets a dual-frequency rover fix.

use super::Maker;
use super::limits::Limits;
use super::window::{quantile, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::ids::{Band, Role, System};
use crate::model::keyed::Keyed;
use crate::model::time::{MINUTE_MS, UtcMs};

/// Satellites by ten seconds over the systems that RTK uses.
#[derive(Default, Clone, Copy)]
struct Cell {
    all: u32,
    first: u32,
    second: u32,
}

/// Under this part of the usual share the fall has begun (common practice, no source) ...
const SLOW_SHARE: f64 = 0.9;
/// ... at most so long before the limit is reached, ms.
const SLOW_MS: i64 = 15 * MINUTE_MS;

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let mut events = few(frames, limits);
    events.extend(too_weak(frames, limits));
    events
}

/// The median C/N0 of one band over the log, by ten seconds, dB-Hz.
struct Level {
    band: Band,
    at: Vec<(UtcMs, f64)>,
    usual_dbhz: f64,
}

impl Level {
    fn of(band: Band, rows: impl Iterator<Item = (UtcMs, f64)>) -> Option<Level> {
        let at: Vec<(UtcMs, f64)> = rows.collect();
        let usual_dbhz = quantile(at.iter().map(|a| a.1), 0.9)?;
        Some(Level { band, at, usual_dbhz })
    }

    /// By how much it is lower than usual at a time, dB, and what is left, dB-Hz.
    fn fall(&self, t: UtcMs) -> Option<(f64, f64)> {
        let (_, now) = self.at.get(self.at.binary_search_by_key(&t, |a| a.0).ok()?)?;
        Some((self.usual_dbhz - now, *now))
    }
}

/// Times in which L2 and L5, 50 MHz apart, are both too weak while L1 is as usual: an antenna or amplifier whose branch below L1 fails. Its
/// satellites stay tracked for long, so their number tells it late; and it can fail too slowly for a fall within half an hour.
fn too_weak(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let table = &frames.bands;
    let (times, bands) = (view::i64s(table, "time"), view::u32s_full(table, "band"));
    let (medians, satellites) = (view::f32s(table, "cn0_median"), view::u32s_full(table, "satellites"));
    let level = |band: Band, least: u32| {
        let of = |i: &usize| bands[*i] == u32::from(band.code()) && satellites[*i] >= least && medians[*i].is_finite();
        Level::of(band, (0..times.len()).filter(of).map(|i| (times[i], f64::from(medians[i]))))
    };
    let (Some(first), Some(l2), Some(l5)) = (level(Band::L1, 5), level(Band::L2, 1), level(Band::L5, 1)) else {
        return Vec::new();
    };
    let spared = |t: UtcMs| first.fall(t).is_some_and(|(fall, _)| fall < 0.5 * limits.band_drop_db);
    // A band whose last satellites are gone meanwhile has fallen all the way.
    let weak = |level: &Level, t: UtcMs| {
        level.fall(t).is_none_or(|(fall, left)| fall >= limits.second_fall_db && left <= limits.second_weak_dbhz)
    };
    let t: Vec<UtcMs> = first.at.iter().map(|a| a.0).collect();
    let flags: Vec<bool> = t
        .iter()
        .map(|t| {
            let known = l2.fall(*t).is_some() || l5.fall(*t).is_some();
            known && spared(*t) && weak(&l2, *t) && weak(&l5, *t)
        })
        .collect();
    let maker = Maker::new(frames, table);
    stretches(&t, &flags, 10_000, 60_000, 60_000)
        .into_iter()
        .map(|s| {
            let left =
                |level: &Level| quantile(t[s.first..s.end].iter().filter_map(|t| level.fall(*t)).map(|f| f.1), 0.5);
            let known: Vec<(&Level, f64)> = [&l2, &l5].into_iter().filter_map(|l| Some((l, left(l)?))).collect();
            let words: Vec<String> = known
                .iter()
                .map(|(l, left)| format!("{} {left:.1} dB-Hz, usually {:.1}", l.band.name(), l.usual_dbhz))
                .collect();
            let fall = known.iter().map(|(l, left)| l.usual_dbhz - left).fold(f64::INFINITY, f64::min);
            let detail = format!(
                "the second frequency is too weak to be used: median C/N0 on {}; L1 as usual",
                words.join("; on ")
            );
            maker.event(
                "second-frequency-lost",
                s.from,
                s.to,
                Some(fall),
                "dB",
                0.5 * fall / limits.second_fall_db,
                detail,
            )
        })
        .collect()
}

/// Times in which few satellites have a second frequency.
fn few(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.systems, "time");
    let systems = view::u32s_full(&frames.systems, "system");
    let satellites = view::u32s_full(&frames.systems, "satellites");
    let first = view::u32s_full(&frames.systems, "first");
    let second = view::u32s_full(&frames.systems, "second");
    let mut cells: Keyed<i64, Cell> = Keyed::default();
    for i in 0..times.len() {
        if System::from_letter(systems[i] as u8).is_none_or(|s| s == System::Sbas) {
            continue;
        }
        let cell = cells.at(times[i]);
        cell.all += satellites[i];
        cell.first += first[i];
        cell.second += second[i];
    }
    // Judged only where a first frequency is tracked on enough satellites: otherwise it is not the second that is lost.
    let judged: Vec<(i64, Cell)> = cells.sorted().into_iter().filter(|(_, c)| c.first >= 5).collect();
    if judged.len() < 3 {
        return Vec::new();
    }
    let share = |c: &Cell| f64::from(c.second) / f64::from(c.all.max(1));
    let usual = quantile(judged.iter().map(|(_, c)| share(c)), 0.9).unwrap_or(0.0);
    let never = usual < limits.second_ever_share;
    // A rover whose receiver numbers no signals (GSV without signal ids) never shows a second frequency: not judged.
    if never && frames.role == Role::Rover {
        return Vec::new();
    }
    let usual_count = quantile(judged.iter().map(|(_, c)| f64::from(c.second)), 0.9).unwrap_or(0.0);
    let t: Vec<i64> = judged.iter().map(|(t, _)| *t).collect();
    let flags: Vec<bool> = judged
        .iter()
        .map(|(_, c)| {
            never
                || share(c) < limits.second_share * usual
                || (f64::from(c.second) < limits.second_satellites && usual_count >= 8.0 && c.first >= 8)
        })
        .collect();
    let maker = Maker::new(frames, &frames.systems);
    let shortest_ms = (limits.second_shortest_s * 1000.0) as i64;
    // A cable or an antenna that fails slowly takes the fix before the limit is reached: the event begins where the fall does.
    let begins = |first: usize| {
        let mut at = first;
        while !never
            && at > 0
            && t[at] - t[at - 1] <= 30_000
            && t[first] - t[at - 1] <= SLOW_MS
            && share(&judged[at - 1].1) < SLOW_SHARE * usual
        {
            at -= 1;
        }
        t[at]
    };
    stretches(&t, &flags, 10_000, 30_000, shortest_ms)
        .into_iter()
        .map(|s| {
            let from = begins(s.first);
            let inside: Vec<&Cell> = judged[s.first..s.end].iter().map(|(_, c)| c).collect();
            let value = inside.iter().map(|c| share(c)).sum::<f64>() / inside.len().max(1) as f64;
            let with = inside.iter().map(|c| f64::from(c.second)).sum::<f64>() / inside.len().max(1) as f64;
            let of = inside.iter().map(|c| f64::from(c.all)).sum::<f64>() / inside.len().max(1) as f64;
            let detail = if never {
                format!("never a usable second frequency: {with:.0} of {of:.0} satellites have one")
            } else {
                format!(
                    "usable second frequency on {with:.0} of {of:.0} satellites ({:.0} %), usually {:.0} %",
                    value * 100.0,
                    usual * 100.0
                )
            };
            let strength = if never { 1.0 } else { 1.0 - 0.5 * (value / (limits.second_share * usual)).min(1.0) };
            maker.event("second-frequency-lost", from, s.to, Some(value), "share", strength, detail)
        })
        .collect()
}
