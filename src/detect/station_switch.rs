//! `station-changed`: a rover reports corrections of another station id than it usually has. Where two bases share a channel the
//! ids alternate: changes less than two minutes apart are one.

use super::Maker;
use super::limits::Limits;
use super::window::{step_ms, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::keyed::Keyed;
use crate::model::time::DAY_MS;
use std::collections::BTreeMap;

pub(super) fn run(frames: &UnitFrames, _limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.fixes, "time");
    let ids = view::u32s(&frames.fixes, "station_id");
    // The usual id is that of the hours around: counted by day, so that a machine that changes site is no clash.
    let mut by_day: Keyed<(i64, u32), u32> = Keyed::default();
    for (t, id) in times.iter().zip(&ids) {
        if let Some(id) = id {
            *by_day.at((t.div_euclid(DAY_MS), *id)) += 1;
        }
    }
    let usual: BTreeMap<i64, u32> = by_day
        .sorted()
        .chunk_by(|a, b| a.0.0 == b.0.0)
        .filter_map(|of_day| of_day.iter().max_by_key(|((_, id), n)| (*n, std::cmp::Reverse(*id))))
        .map(|((day, id), _)| (*day, *id))
        .collect();
    let mut today = (i64::MIN, None);
    let flags: Vec<bool> = times
        .iter()
        .zip(&ids)
        .map(|(t, id)| {
            let day = t.div_euclid(DAY_MS);
            if today.0 != day {
                today = (day, usual.get(&day).copied());
            }
            id.zip(today.1).is_some_and(|(id, usual)| id != usual)
        })
        .collect();
    let maker = Maker::new(frames, &frames.fixes);
    stretches(&times, &flags, step_ms(&times), 120_000, 0)
        .into_iter()
        .filter_map(|s| {
            let other = ids[s.first..s.end].iter().flatten().next().copied()?;
            let usual = usual.get(&s.from.div_euclid(DAY_MS)).copied()?;
            let seconds = (s.to - s.from) / 1000;
            Some(maker.event(
                "station-changed",
                s.from,
                s.to,
                Some(f64::from(other)),
                "station id",
                0.8,
                format!("corrections of station {other} for {seconds} s, usually station {usual}"),
            ))
        })
        .collect()
}
