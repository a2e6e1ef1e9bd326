//! What a rover loses although its corrections are fresh: then it is lost anyway, and that they get old at times is not the reason.

use super::evidence::Feature;
use super::grid::{CELL_MS, Grid};
use crate::model::time::{MINUTE_MS, UtcMs};

/// Cells of fresh corrections before one that counts: a rover needs time to get its fix back (common practice, no source; 20 to 90 s
/// were tried).
const SETTLED_CELLS: usize = 3;
/// So long before and after a stretch tells what holds in it, ms (10 to 60 min were tried).
pub const AROUND_MS: i64 = 20 * MINUTE_MS;
/// Less observed time tells nothing, ms.
const LEAST_MS: i64 = MINUTE_MS;
/// Lost so much of the time with fresh corrections tells nothing; so much, all (from 0 to 0.8 the first was tried; this and what stands
/// above on tuning seeds 535001-535020 and 536001-536020).
const LITTLE: f64 = 0.5;
const NEARLY_ALL: f64 = 0.95;
/// From this strength on another reason can stand for the loss.
const A_REASON: f64 = 0.25;

/// What the age of the corrections tells of a segment.
const OF_AGE: [&str; 8] = [
    "rover:corrections-old",
    "context:corrections-old",
    "context:corrections-far",
    "context:corrections-stop-together",
    "context:corrections-stop-apart",
    "context:all-corrections-old",
    "context:only-own-corrections-old",
    "context:others-old-anyway",
];

/// That age was taken back.
pub const LOST_WITH_FRESH: &str = "context:lost-with-fresh";

/// How one rover fares while its corrections are fresh.
pub(super) struct LostAnyway {
    /// Index of the first cell of its grid.
    first: i64,
    /// Observed and lost time with fresh corrections before each cell and at the end, ms.
    sums: Vec<(i64, i64)>,
}

impl LostAnyway {
    pub(super) fn of(grid: &Grid) -> LostAnyway {
        let mut sums = Vec::with_capacity(grid.observed.len() + 1);
        let (mut sum, mut fresh) = ((0, 0), 0);
        sums.push(sum);
        for ((observed, lost), old) in grid.observed.iter().zip(&grid.lost).zip(&grid.old) {
            fresh = if *old == 0 && *observed > 0 { fresh + 1 } else { 0 };
            if fresh > SETTLED_CELLS {
                sum = (sum.0 + i64::from(*observed), sum.1 + i64::from(*lost));
            }
            sums.push(sum);
        }
        LostAnyway { first: grid.first, sums }
    }

    /// Observed and lost time with fresh corrections around `from..to`, ms.
    fn around(&self, from: UtcMs, to: UtcMs) -> (i64, i64) {
        let at = |t: UtcMs| {
            let cell = usize::try_from(t.div_euclid(CELL_MS) - self.first).unwrap_or(0);
            self.sums.get(cell).or(self.sums.last()).copied().unwrap_or_default()
        };
        let ((observed_a, lost_a), (observed_b, lost_b)) = (at(from - AROUND_MS), at(to + AROUND_MS));
        (observed_b - observed_a, lost_b - lost_a)
    }

    /// What is lost with fresh corrections around `from..to`; `None` where hardly any were fresh. Where the rover itself had hardly any
    /// fresh ones, its fellows at the base tell.
    pub(super) fn told<'a>(
        &self,
        fellows: impl Iterator<Item = &'a LostAnyway>,
        from: UtcMs,
        to: UtcMs,
    ) -> Option<WithFresh> {
        let (observed, lost) = self.around(from, to);
        if observed >= LEAST_MS {
            return Some(WithFresh { lost_share: lost as f64 / observed as f64, own: true });
        }
        let (observed, lost) = fellows.map(|o| o.around(from, to)).fold((0, 0), |sum, o| (sum.0 + o.0, sum.1 + o.1));
        (observed >= LEAST_MS).then(|| WithFresh { lost_share: lost as f64 / observed as f64, own: false })
    }
}

/// What is lost around a stretch while corrections are fresh.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WithFresh {
    /// Part of the time with fresh corrections.
    pub lost_share: f64,
    /// The rover's own; otherwise that of its fellows at the base.
    pub own: bool,
}

impl WithFresh {
    /// How far the loss would be there without old corrections too, 0 to 1.
    pub(super) fn part(self) -> f64 {
        ((self.lost_share - LITTLE) / (NEARLY_ALL - LITTLE)).clamp(0.0, 1.0)
    }
}

/// Takes back what the age of the corrections tells where the loss is there anyway (`part`) and something else can be the reason; says so
/// where there was something to take back.
pub(super) fn spare_age(features: &mut Vec<Feature>, part: f64) {
    let can_be =
        |f: &&Feature| f.id.starts_with("base:") || f.id.starts_with("sky:") || f.id == "context:far-from-base";
    let reason = features.iter().filter(can_be).map(|f| f.strength).fold(0.0, f64::max);
    let taken = part * (reason / A_REASON).min(1.0);
    let mut old = 0.0_f64;
    for f in features.iter_mut().filter(|f| OF_AGE.contains(&f.id.as_str())) {
        old = old.max(f.strength);
        f.strength *= 1.0 - taken;
    }
    if taken * old > 0.02 {
        features.push(Feature { id: LOST_WITH_FRESH.to_owned(), strength: taken * old, event: None });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two hours in cells of ten seconds: five minutes with fresh corrections and five with old ones by turns; lost as told.
    fn rover(lost: impl Fn(bool, usize) -> bool) -> LostAnyway {
        let of = |i: usize| ((i / 30) % 2 == 1, i % 30);
        let ms = |is: bool| if is { 10_000 } else { 0 };
        LostAnyway::of(&Grid {
            first: 0,
            observed: vec![10_000; 720],
            lost: (0..720).map(|i| ms(lost(of(i).0, of(i).1))).collect(),
            old: (0..720).map(|i| ms(of(i).0)).collect(),
        })
    }

    #[test]
    fn what_is_lost_with_fresh_corrections_is_lost_anyway() {
        let (from, to) = (65 * MINUTE_MS, 70 * MINUTE_MS);
        let part = |rover: &LostAnyway| rover.told(std::iter::empty(), from, to).map_or(0.0, WithFresh::part);
        assert_eq!(part(&rover(|_, _| true)), 1.0);
        assert_eq!(part(&rover(|old, _| old)), 0.0, "lost with old corrections only");
        assert_eq!(part(&rover(|old, i| old || i < 3)), 0.0, "half a minute to get the fix back");
        // 27 cells of 30 count; lost in 21 of them: (21 / 27 - 0.5) / 0.45.
        let most = part(&rover(|old, i| old || i < 24));
        assert!((most - (21.0 / 27.0 - 0.5) / 0.45).abs() < 1e-9, "{most}");
        let later = (3 * 720 * CELL_MS, 4 * 720 * CELL_MS);
        assert_eq!(rover(|_, _| true).told(std::iter::empty(), later.0, later.1), None, "nothing observed around it");
        // Without a fresh correction of its own.
        let far = LostAnyway::of(&Grid {
            first: 0,
            observed: vec![10_000; 720],
            lost: vec![10_000; 720],
            old: vec![10_000; 720],
        });
        assert_eq!(part(&far), 0.0);
        let with = |fellow: LostAnyway| far.told([fellow].iter(), from, to);
        let told = |lost_share: f64| Some(WithFresh { lost_share, own: false });
        assert_eq!(with(rover(|_, _| true)), told(1.0), "others are lost with fresh ones");
        assert_eq!(with(rover(|old, _| old)), told(0.0), "others are lost with old ones only");
    }

    #[test]
    fn old_corrections_stay_the_reason_where_nothing_else_is_there() {
        let feature = |id: &str, strength: f64| Feature { id: id.to_owned(), strength, event: None };
        let left = |more: &[Feature], part: f64| {
            let mut all = [&[feature("rover:corrections-old", 0.8)], more].concat();
            spare_age(&mut all, part);
            let said = all.iter().find(|f| f.id == LOST_WITH_FRESH).map_or(0.0, |f| f.strength);
            assert!((all[0].strength + said - 0.8).abs() < 1e-9, "what is taken back is said");
            all[0].strength
        };
        assert_eq!(left(&[], 1.0), 0.8);
        assert_eq!(left(&[feature("context:others-lost", 1.0)], 1.0), 0.8, "no reason");
        assert_eq!(left(&[feature("base:ionosphere-disturbed", 0.9)], 1.0), 0.0);
        assert_eq!(left(&[feature("base:ionosphere-disturbed", 0.9)], 0.0), 0.8);
        assert!((left(&[feature("sky:kp-storm", 0.125)], 0.5) - 0.6).abs() < 1e-9);
    }
}
