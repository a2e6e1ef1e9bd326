//! What distance to the base says: corrections that grow old with it (radio range), loss that grows with it (long baseline).

use super::case::{RoverCase, SiteCase};
use super::periods::EpochKind;
use crate::maths::geodesy::Plane;

/// Distance of each epoch to the base, km; NaN where unknown. Sphere of 6371 km.
pub(super) fn distances_km(case: &SiteCase, rover: &RoverCase) -> Vec<f32> {
    let Some((lat0, lon0, _)) = case.position else { return vec![f32::NAN; rover.times.len()] };
    let plane = Plane::around(lat0, lon0);
    rover
        .lat
        .iter()
        .zip(&rover.lon)
        .map(|(lat, lon)| {
            let (x, y) = plane.metres(*lat, *lon);
            let d = (x * x + y * y).sqrt() / 1000.0;
            // Further away it is no rover of this base, or its position is wrong.
            if d <= 300.0 { d as f32 } else { f32::NAN }
        })
        .collect()
}

#[derive(Debug, Default)]
pub(super) struct Reach {
    /// How much an epoch's distance speaks for radio range, 0 to 1.
    pub(super) at: Vec<f32>,
    /// It is told from rover to rover, not by the rover's own way.
    pub(super) among: bool,
}

/// Mean of the distances that are known, km.
pub(super) fn mean_km(distance_km: &[f32]) -> Option<f64> {
    let (sum, n) =
        distance_km.iter().filter(|d| d.is_finite()).fold((0.0, 0_u32), |(s, n), d| (s + f64::from(*d), n + 1));
    (n > 0).then(|| sum / f64::from(n))
}

/// How surely a base that reports a position `error_m` from its own takes the fix at a distance, 0 to 1: the baseline is wrong by error
/// times distance over the 20 000 km to the satellites (check values 12.1, as for a broadcast orbit), and 0.10 m, half a wavelength of L1, is
/// a wrong cycle (12.2).
pub(super) fn spoils_baseline(error_m: f64, distance_km: Option<f64>) -> f64 {
    distance_km.map_or(0.0, |d| (error_m.abs() * d / 20_000.0 / 0.10).min(1.0))
}

/// Old corrections that grow with distance: the share of old epochs in the far half against the near half.
pub(super) fn range_evidence(rover: &RoverCase, distance_km: &[f32], old_s: f64) -> Reach {
    let n = rover.times.len();
    let mut known: Vec<f32> = distance_km.iter().copied().filter(|d| d.is_finite()).collect();
    if known.len() < 600 {
        return Reach::default();
    }
    let at = |v: &mut Vec<f32>, q: f64| -> f32 {
        let i = ((v.len() - 1) as f64 * q) as usize;
        *v.select_nth_unstable_by(i, f32::total_cmp).1
    };
    let (near, far) = (at(&mut known, 0.4), at(&mut known, 0.7));
    if far - near < 0.1 {
        return Reach::default();
    }
    let (mut o_near, mut n_near, mut o_far, mut n_far) = (0.0, 0.0, 0.0, 0.0);
    for i in 0..n {
        let d = distance_km.get(i).copied().unwrap_or(f32::NAN);
        let old = f64::from(rover.ages_s.get(i).copied().unwrap_or(f32::NAN)) > old_s;
        if d <= near {
            n_near += 1.0;
            o_near += f64::from(u8::from(old));
        } else if d >= far {
            n_far += 1.0;
            o_far += f64::from(u8::from(old));
        }
    }
    if n_near < 100.0 || n_far < 100.0 {
        return Reach::default();
    }
    let (p_near, p_far): (f64, f64) = (o_near / n_near + 0.002, o_far / n_far + 0.002);
    let ratio = p_far / p_near;
    if ratio < 2.0 {
        return Reach::default();
    }
    let strength = (1.0 - 1.0 / ratio).clamp(0.0, 1.0) as f32;
    Reach {
        at: distance_km
            .iter()
            .map(|d| if !d.is_finite() { 0.0 } else { strength * ((d - near) / (far - near)).clamp(0.0, 1.0) })
            .collect(),
        among: false,
    }
}

/// How often corrections are old, by distance to the base.
#[derive(Debug, Clone, Default)]
pub(super) struct OldByDistance {
    /// Cells of [`CELL_KM`]: epochs, and those with old corrections.
    cells: Vec<(u32, u32)>,
}

/// Width of a cell, km.
const CELL_KM: f32 = 0.25;
/// Epochs that tell a share.
const LEAST_EPOCHS: u32 = 600;
/// A rover that is farther from the base than this times every other, and this many km at least, may be out of its reach (common practice,
/// no source) ...
const NEAR_PART: f32 = 0.6;
const APART_KM: f32 = 1.0;
/// ... which no rover in between shows: then its own radio is as likely.
const ALONE_FAR: f64 = 0.3;
/// Least share of old epochs that asks for a reason.
const LEAST_OLD: f64 = 0.05;

impl OldByDistance {
    pub(super) fn of(rover: &RoverCase, distance_km: &[f32], old_s: f64) -> OldByDistance {
        let mut cells: Vec<(u32, u32)> = Vec::new();
        for (i, km) in distance_km.iter().enumerate().filter(|(_, d)| d.is_finite()) {
            let at = (km / CELL_KM) as usize;
            if cells.len() <= at {
                cells.resize(at + 1, (0, 0));
            }
            cells[at].0 += 1;
            cells[at].1 += u32::from(rover.is_old(i, old_s));
        }
        OldByDistance { cells }
    }

    /// Whether so many are old that it asks for a reason.
    pub(super) fn asks(&self) -> bool {
        self.share().is_some_and(|p| p >= LEAST_OLD)
    }

    /// Share of all epochs.
    fn share(&self) -> Option<f64> {
        share(OldByDistance::between(&[self], 0.0, f32::MAX))
    }

    /// Epochs and old ones of several rovers between two distances, km.
    fn between(all: &[&OldByDistance], from_km: f32, to_km: f32) -> (u32, u32) {
        let (a, b) = ((from_km / CELL_KM) as usize, (to_km / CELL_KM) as usize);
        let cells = all.iter().flat_map(|r| r.cells.iter().take(b).skip(a));
        cells.fold((0, 0), |sum, cell| (sum.0 + cell.0, sum.1 + cell.1))
    }
}

/// Share of old epochs, when there are enough.
fn share((epochs, old): (u32, u32)) -> Option<f64> {
    (epochs >= LEAST_EPOCHS).then(|| f64::from(old) / f64::from(epochs) + 0.002)
}

/// Where a rover's own way tells nothing, as it stays at its distance: old corrections that grow with the distance from rover to rover.
pub(super) fn range_among(mine: &OldByDistance, fellows: &[&OldByDistance], distance_km: &[f32]) -> Reach {
    let Some(km) = mean_km(distance_km).map(|km| km as f32) else { return Reach::default() };
    let near_km = (NEAR_PART * km).min(km - APART_KM).max(0.0);
    let near = share(OldByDistance::between(fellows, 0.0, near_km));
    let (Some(here), Some(near)) = (mine.share(), near) else { return Reach::default() };
    let as_far = share(OldByDistance::between(fellows, 0.9 * km, f32::MAX));
    if here < 4.0 * near || as_far.is_some_and(|p| p < 0.5 * here) {
        return Reach::default();
    }
    let grows = |p: f64| p >= (2.0 * near).max(near + 0.02);
    let part = match share(OldByDistance::between(fellows, near_km, 0.9 * km)) {
        Some(between) if grows(between) => 1.0,
        _ if as_far.is_some() => 1.0,
        _ => ALONE_FAR,
    };
    let strength = (part * (1.0 - near / here)) as f32;
    Reach { at: distance_km.iter().map(|d| if d.is_finite() { strength } else { 0.0 }).collect(), among: true }
}

/// How much each epoch's baseline speaks: 0 at 0.7 of the limit, 1 at 1.5 of it; little where loss does not grow with
/// distance.
pub(super) fn far_evidence(rover: &RoverCase, distance_km: &[f32], limit_km: f64) -> Vec<f32> {
    let (mut near, mut far) = ((0.0, 0.0), (0.0, 0.0));
    for (i, d) in distance_km.iter().enumerate() {
        let lost = match rover.time.kinds.get(i) {
            Some(EpochKind::Lost) => 1.0,
            Some(EpochKind::Fixed) => 0.0,
            _ => continue,
        };
        if d.is_finite() {
            let to = if f64::from(*d) < 0.7 * limit_km { &mut near } else { &mut far };
            to.0 += 1.0;
            to.1 += lost;
        }
    }
    // A tenth of an hour near the base is enough to compare with.
    let grows = near.0 < 360.0 || far.0 < 360.0 || (far.1 / far.0 + 0.002) > 1.5 * (near.1 / near.0 + 0.002);
    let scale = if grows { 1.0 } else { 0.2 };
    distance_km
        .iter()
        .map(|d| {
            if d.is_finite() {
                (scale * ((f64::from(*d) - 0.7 * limit_km) / (0.8 * limit_km)).clamp(0.0, 1.0)) as f32
            } else {
                0.0
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: 500 m at 4 km are 0.10 m, 250 m at 2 km a quarter of that; 2 m do nothing (check values 12.1: 0.1 mm a km).
    #[test]
    fn a_wrong_position_spoils_long_baselines() {
        let spoils = [(500.0, Some(4.0)), (250.0, Some(2.0)), (-990.0, Some(5.0)), (2.0, Some(10.0)), (900.0, None)];
        let found = spoils.map(|(error_m, km)| (spoils_baseline(error_m, km) * 100.0).round());
        assert_eq!(found, [100.0, 25.0, 100.0, 1.0, 0.0]);
    }

    /// A rover that stays at one distance: epochs there, and those with old corrections.
    fn stays(km: f32, epochs: u32, old: u32) -> OldByDistance {
        let mut cells = vec![(0, 0); (km / CELL_KM) as usize + 1];
        *cells.last_mut().unwrap() = (epochs, old);
        OldByDistance { cells }
    }

    #[test]
    fn the_range_of_the_link_shows_from_rover_to_rover() {
        let far = stays(6.5, 10_000, 8_000);
        let reach =
            |fellows: &[&OldByDistance]| range_among(&far, fellows, &[6.5; 4]).at.first().copied().unwrap_or(0.0);
        let (near, between, well) = (stays(2.0, 10_000, 10), stays(4.5, 10_000, 3_000), stays(6.6, 10_000, 20));
        assert!(reach(&[&near, &between]) > 0.99);
        assert!((0.2..0.4).contains(&reach(&[&near])), "its own radio, as likely");
        assert_eq!(reach(&[&near, &between, &well]), 0.0, "another one as far out hears the base");
        assert_eq!(reach(&[&between]), 0.0, "nobody near");
    }
}
