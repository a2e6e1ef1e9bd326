//! Place-bound loss: a rover that loses fix in the same cells of the site again and again, on several passes, and keeps it
//! elsewhere.

use super::case::RoverCase;
use super::periods::EpochKind;
use crate::maths::geodesy::Plane;
use crate::model::keyed::Keyed;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::BTreeMap;

/// Column (east) and row (north) of a cell.
type CellKey = (i32, i32);

/// Side of a cell of the site grid, m.
pub const PLACE_CELL_M: f64 = 20.0;
/// A receiver without any position is taken to be where it was last seen for so long, ms (common practice, no source).
const CARRIED_MS: i64 = 15 * MINUTE_MS;
/// Passes through a cell that must have been lost, each in a loss of its own: in one loss of hours every place is bad.
const LEAST_PASSES: u32 = 3;
/// With the fix for so long the next loss is another one, ms.
const ANOTHER_MS: i64 = 30_000;

#[derive(Default, Clone, Copy)]
struct Cell {
    observed_ms: i64,
    lost_ms: i64,
    passes: u32,
    lost_passes: u32,
    /// Losses that reached it, and the last of them.
    losses: u32,
    last_loss: u32,
    last_seen: usize,
    lost_this_pass: bool,
}

/// For each epoch how strongly its place is bound to loss, 0 to 1; and the loss rates inside and outside such places.
#[derive(Debug, Clone, Default)]
pub struct PlaceBound {
    /// 0 to 1 an epoch.
    pub at: Vec<f32>,
    /// Lost share inside the bad places.
    pub inside: f64,
    /// Lost share elsewhere.
    pub outside: f64,
    /// Bad cells.
    pub cells: usize,
}

/// Finds the places of one rover where loss repeats.
pub fn place_bound(rover: &RoverCase) -> PlaceBound {
    let n = rover.times.len().min(rover.time.kinds.len()).min(rover.lat.len());
    let mut out = PlaceBound { at: vec![0.0; n], ..PlaceBound::default() };
    let Some(i0) = (0..n).find(|i| rover.lat[*i].is_finite() && rover.lon[*i].is_finite()) else { return out };
    let plane = Plane::around(rover.lat[i0], rover.lon[i0]);
    let key = |i: usize| -> Option<CellKey> {
        let (x, y) = plane.metres(rover.lat[i], rover.lon[i]);
        (x.is_finite() && y.is_finite() && x.abs() < 1e6 && y.abs() < 1e6)
            .then(|| ((x / PLACE_CELL_M).floor() as i32, (y / PLACE_CELL_M).floor() as i32))
    };
    // Behind a wall or under a roof the position may be gone with the fix.
    let mut seen: Option<(UtcMs, CellKey)> = None;
    let keys: Vec<Option<CellKey>> = (0..n)
        .map(|i| match key(i) {
            Some(k) => {
                seen = Some((rover.times[i], k));
                Some(k)
            }
            None if rover.is_blind(i) => seen.filter(|(t, _)| rover.times[i] - t <= CARRIED_MS).map(|(_, k)| k),
            None => None,
        })
        .collect();
    let mut cells: Keyed<CellKey, Cell> = Keyed::default();
    let mut total = (0_i64, 0_i64);
    // Number of the loss, and when it was last seen.
    let mut loss: (u32, Option<UtcMs>) = (0, None);
    for (i, place) in keys.iter().enumerate() {
        let kind = rover.time.kinds[i];
        if !matches!(kind, EpochKind::Fixed | EpochKind::Lost) {
            continue;
        }
        let lost = kind == EpochKind::Lost;
        if lost {
            if loss.1.is_none_or(|t| rover.times[i] - t > ANOTHER_MS) {
                loss.0 += 1;
            }
            loss.1 = Some(rover.times[i]);
        }
        total.0 += rover.time.lasts_ms[i];
        total.1 += if lost { rover.time.lasts_ms[i] } else { 0 };
        let Some(k) = *place else { continue };
        let cell = cells.at(k);
        // A new pass: the cell was left for a minute and more.
        if cell.passes == 0 || rover.times[i] - rover.times[cell.last_seen] > 60_000 {
            cell.passes += 1;
            cell.lost_this_pass = false;
        }
        cell.last_seen = i;
        cell.observed_ms += rover.time.lasts_ms[i];
        if lost {
            cell.lost_ms += rover.time.lasts_ms[i];
            if cell.last_loss != loss.0 {
                cell.last_loss = loss.0;
                cell.losses += 1;
            }
            if !cell.lost_this_pass {
                cell.lost_this_pass = true;
                cell.lost_passes += 1;
            }
        }
    }
    let overall = total.1 as f64 / total.0.max(1) as f64;
    let bad = |c: &Cell| {
        let rate = c.lost_ms as f64 / c.observed_ms.max(1) as f64;
        c.losses.min(c.lost_passes) >= LEAST_PASSES
            && f64::from(c.lost_passes) >= 0.4 * f64::from(c.passes)
            && rate >= 0.3
            && rate >= 3.0 * overall.min(0.25)
    };
    let cells = cells.sorted();
    let strength: BTreeMap<CellKey, f32> = cells
        .iter()
        .filter(|(_, c)| bad(c))
        .map(|(k, c)| {
            let share = f64::from(c.lost_passes) / f64::from(c.passes);
            (*k, (0.4 + 0.6 * share * (f64::from(c.lost_passes) / 6.0).min(1.0)) as f32)
        })
        .collect();
    let (mut inside, mut outside) = ((0_i64, 0_i64), (0_i64, 0_i64));
    for (k, c) in &cells {
        let to = if strength.contains_key(k) { &mut inside } else { &mut outside };
        to.0 += c.observed_ms;
        to.1 += c.lost_ms;
    }
    out.inside = inside.1 as f64 / inside.0.max(1) as f64;
    out.outside = outside.1 as f64 / outside.0.max(1) as f64;
    out.cells = strength.len();
    // Loss everywhere is not bound to a place: the bad places must hold much more than their share of the time.
    let concentrated = inside.1 as f64 / total.1.max(1) as f64;
    if out.inside < 3.0 * out.outside || concentrated < 0.2 {
        return out;
    }
    // A fix lost behind a wall comes back some seconds after leaving it: neighbours count a little.
    let at = |k: CellKey| -> f32 {
        let own = strength.get(&k).copied().unwrap_or(0.0);
        let near = [(1, 0), (-1, 0), (0, 1), (0, -1)]
            .iter()
            .filter_map(|(dx, dy)| strength.get(&(k.0 + dx, k.1 + dy)))
            .fold(0.0_f32, |m, x| m.max(0.6 * x));
        own.max(near)
    };
    let mut known: Keyed<CellKey, Option<f32>> = Keyed::default();
    for (bound, place) in out.at.iter_mut().zip(&keys) {
        if let Some(k) = *place {
            *bound = *known.at(k).get_or_insert_with(|| at(k));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::RoverTime;
    use crate::model::ids::FixState;

    /// Two hours at one epoch a second between two places 200 m apart, five minutes each; `lost(t, first place)`.
    fn rover(lost: impl Fn(usize, bool) -> bool, blind: bool) -> RoverCase {
        let here = |t: usize| (t / 300).is_multiple_of(2);
        let n = 7200;
        let gone = |t: usize| blind && here(t) && t % 300 >= 5;
        let kinds = (0..n).map(|t| if lost(t, here(t)) { EpochKind::Lost } else { EpochKind::Fixed }).collect();
        RoverCase {
            times: (0..n as i64).map(|t| t * 1000).collect(),
            states: (0..n).map(|t| if gone(t) { FixState::None as u32 } else { FixState::Float as u32 }).collect(),
            ages_s: (0..n).map(|t| if gone(t) { f32::NAN } else { 1.0 }).collect(),
            lat: (0..n).map(|t| if gone(t) { f64::NAN } else { 50.0 }).collect(),
            lon: (0..n)
                .map(|t| {
                    if gone(t) {
                        f64::NAN
                    } else if here(t) {
                        8.0
                    } else {
                        8.0028
                    }
                })
                .collect(),
            time: RoverTime { kinds, lasts_ms: vec![1000; n], ..RoverTime::default() },
            ..RoverCase::default()
        }
    }

    #[test]
    fn a_place_is_bad_where_the_fix_is_kept_elsewhere() {
        let found = place_bound(&rover(|_, here| here, false));
        assert!(found.at[100] > 0.5 && found.at[400] == 0.0, "{} {}", found.at[100], found.at[400]);
    }

    #[test]
    fn one_loss_of_an_hour_is_bound_to_no_place() {
        // Lost in the first place and on the way between its visits, fixed in the second hour.
        let found = place_bound(&rover(|t, here| t < 3_600 && (here || t % 300 < 280), false));
        assert!(found.at[100] == 0.0, "{}", found.at[100]);
    }

    #[test]
    fn without_a_position_a_rover_is_where_it_was_last_seen() {
        let found = place_bound(&rover(|_, here| here, true));
        assert!(found.at[250] > 0.5, "{}", found.at[250]);
    }
}
