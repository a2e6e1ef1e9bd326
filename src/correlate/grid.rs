//! The common grid of ten seconds: how much of each cell a rover was observed and lost.

use super::case::RoverCase;
use super::periods::EpochKind;
use crate::model::time::{MINUTE_MS, UtcMs};

/// Length of a cell, ms.
pub const CELL_MS: i64 = 10_000;

/// Begins and ends.
pub(super) type Spans = Vec<(UtcMs, UtcMs)>;

/// Longest grid, cells: 400 days.
const MOST_CELLS: i64 = 400 * 8_640;

/// Observed and lost time of one rover by cell, ms.
#[derive(Debug, Clone, Default)]
pub struct Grid {
    /// Index of the first cell: `time.div_euclid(CELL_MS)`.
    pub first: i64,
    /// Observed, ms a cell.
    pub observed: Vec<u16>,
    /// Lost, ms a cell.
    pub lost: Vec<u16>,
    /// Epochs with old corrections (age over the limit, or none in an autonomous state), ms a cell.
    pub old: Vec<u16>,
}

impl Grid {
    /// The grid of one rover.
    pub fn of(rover: &RoverCase, old_s: f32) -> Grid {
        let (Some(begin), Some(end)) = (rover.times.first(), rover.times.last()) else { return Grid::default() };
        // A single epoch with a wrong date must not cost the memory of decades: the last of the time counts.
        let first = begin.div_euclid(CELL_MS).max(end.div_euclid(CELL_MS).saturating_sub(MOST_CELLS));
        let n = usize::try_from(end.div_euclid(CELL_MS) - first + 1).unwrap_or(0);
        let mut grid = Grid { first, observed: vec![0; n], lost: vec![0; n], old: vec![0; n] };
        for i in 0..rover.times.len().min(rover.time.kinds.len()) {
            let kind = rover.time.kinds[i];
            if !matches!(kind, EpochKind::Fixed | EpochKind::Lost) {
                continue;
            }
            let at = usize::try_from(rover.times[i].div_euclid(CELL_MS) - first).unwrap_or(usize::MAX);
            let lasts = rover.time.lasts_ms[i].clamp(0, CELL_MS) as u16;
            if let Some(cell) = grid.observed.get_mut(at) {
                *cell = cell.saturating_add(lasts);
            }
            if kind == EpochKind::Lost
                && let Some(cell) = grid.lost.get_mut(at)
            {
                *cell = cell.saturating_add(lasts);
            }
            if rover.is_old(i, f64::from(old_s))
                && let Some(cell) = grid.old.get_mut(at)
            {
                *cell = cell.saturating_add(lasts);
            }
        }
        grid
    }

    /// Observed and lost time, ms.
    pub(super) fn total(&self) -> (i64, i64) {
        let sum = |v: &[u16]| v.iter().map(|x| i64::from(*x)).sum::<i64>();
        (sum(&self.observed), sum(&self.lost))
    }

    /// Observed, lost and old time within `from..to`, ms, in whole cells.
    pub fn within(&self, from: UtcMs, to: UtcMs) -> (i64, i64, i64) {
        let a = (from.div_euclid(CELL_MS) - self.first).max(0) as usize;
        let b = ((to + CELL_MS - 1).div_euclid(CELL_MS) - self.first).max(0) as usize;
        let b = b.min(self.observed.len());
        if a >= b {
            return (0, 0, 0);
        }
        let sum = |v: &[u16]| v[a..b].iter().map(|x| i64::from(*x)).sum::<i64>();
        (sum(&self.observed), sum(&self.lost), sum(&self.old))
    }
}

/// Something that tells how a rover fared within a span of time.
pub trait Within {
    /// Observed, lost and old time within `from..to`, ms, in whole cells.
    fn within(&self, from: UtcMs, to: UtcMs) -> (i64, i64, i64);
}

impl Within for Grid {
    fn within(&self, from: UtcMs, to: UtcMs) -> (i64, i64, i64) {
        Grid::within(self, from, to)
    }
}

/// A [`Grid`] in a small part of the memory: equal cells in a row are one. What a site is told of the rovers of others.
#[derive(Debug, Clone, Default)]
pub struct PackedGrid {
    first: i64,
    /// Behind the last cell of the run; observed, lost and old, ms a cell.
    runs: Vec<(u32, [u16; 3])>,
}

impl PackedGrid {
    /// Packs a grid.
    pub fn of(grid: &Grid) -> PackedGrid {
        let mut runs: Vec<(u32, [u16; 3])> = Vec::new();
        for (i, ((observed, lost), old)) in grid.observed.iter().zip(&grid.lost).zip(&grid.old).enumerate() {
            let end = u32::try_from(i + 1).unwrap_or(u32::MAX);
            let cell = [*observed, *lost, *old];
            match runs.last_mut() {
                Some(last) if last.1 == cell => last.0 = end,
                _ => runs.push((end, cell)),
            }
        }
        runs.shrink_to_fit();
        PackedGrid { first: grid.first, runs }
    }
}

impl Within for PackedGrid {
    fn within(&self, from: UtcMs, to: UtcMs) -> (i64, i64, i64) {
        let mut at = (from.div_euclid(CELL_MS) - self.first).max(0);
        let end = ((to + CELL_MS - 1).div_euclid(CELL_MS) - self.first).max(0);
        let mut sum = [0_i64; 3];
        for (until, cell) in self.runs.iter().skip(self.runs.partition_point(|r| i64::from(r.0) <= at)) {
            let cells = i64::from(*until).min(end) - at;
            if cells <= 0 {
                break;
            }
            for (s, c) in sum.iter_mut().zip(cell) {
                *s += cells * i64::from(*c);
            }
            at = i64::from(*until);
        }
        (sum[0], sum[1], sum[2])
    }
}

/// How the other rovers fared in `from..to`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Others {
    /// Rovers observed for at least half of the time.
    pub observed: usize,
    /// Mean over them of the share of their time that was lost.
    pub lost_share: f64,
    /// Mean over them of the share of their time with old corrections.
    pub old_share: f64,
}

/// The other rovers within a span of time.
pub fn others<'a, G: Within + 'a>(grids: impl IntoIterator<Item = &'a G>, from: UtcMs, to: UtcMs) -> Others {
    let mut out = Others::default();
    let (mut lost, mut old) = (0.0, 0.0);
    for grid in grids {
        let (observed, l, o) = grid.within(from, to);
        // In whole cells a short span is a cell or two: half of it must have been observed.
        let span = ((to + CELL_MS - 1).div_euclid(CELL_MS) - from.div_euclid(CELL_MS)) * CELL_MS;
        if observed * 2 >= span.min(to - from + CELL_MS) && observed > 0 {
            out.observed += 1;
            lost += l as f64 / observed as f64;
            old += o as f64 / observed as f64;
        }
    }
    if out.observed > 0 {
        out.lost_share = lost / out.observed as f64;
        out.old_share = old / out.observed as f64;
    }
    out
}

/// So long before and after a loss the other rovers may have theirs, ms.
const TURN_MS: i64 = 20 * MINUTE_MS;
/// ... of this part of what the rover lost in that time.
const TURN_PART: f64 = 0.3;
/// ... and at least of this part of the time.
const TURN_LEAST: f64 = 0.01;

/// Which part of the other rovers loses fix about as much in the same hour, be it at other moments: a bad signal of the base costs
/// each rover its fix when its own margin is used up (common practice, no source).
pub(super) fn in_turn(own: &Grid, others: &[&Grid], from: UtcMs, to: UtcMs) -> f64 {
    let (a, b) = (from - TURN_MS, to + TURN_MS);
    let share = |g: &Grid| {
        let (observed, lost, _) = g.within(a, b);
        (observed * 2 >= b - a).then(|| lost as f64 / observed as f64)
    };
    let Some(own) = share(own) else { return 0.0 };
    let known: Vec<f64> = others.iter().filter_map(|g| share(g)).collect();
    let too = known.iter().filter(|s| **s >= (TURN_PART * own).max(TURN_LEAST)).count();
    if known.is_empty() { 0.0 } else { too as f64 / known.len() as f64 }
}

/// Whether one of the merged spans holds the moment, its ends included.
pub(super) fn holds(merged: &[(UtcMs, UtcMs)], t: UtcMs) -> bool {
    let at = merged.partition_point(|(_, to)| *to < t);
    merged.get(at).is_some_and(|(from, _)| *from <= t)
}

/// Merges spans that touch or overlap (by up to `bridge_ms` of hole).
pub fn merge_spans(mut spans: Vec<(UtcMs, UtcMs)>, bridge_ms: i64) -> Vec<(UtcMs, UtcMs)> {
    spans.sort_unstable();
    let mut out: Vec<(UtcMs, UtcMs)> = Vec::new();
    for (from, to) in spans {
        match out.last_mut() {
            Some(last) if from <= last.1 + bridge_ms => last.1 = last.1.max(to),
            _ => out.push((from, to)),
        }
    }
    out
}

/// Overlap of `from..to` with sorted, disjoint spans, ms.
pub fn overlap_ms(spans: &[(UtcMs, UtcMs)], from: UtcMs, to: UtcMs) -> i64 {
    let at = spans.partition_point(|(_, end)| *end <= from);
    spans[at..].iter().take_while(|(begin, _)| *begin < to).map(|(a, b)| (to.min(*b) - from.max(*a)).max(0)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::{PeriodLimits, rover_time};

    fn rover(lost: std::ops::Range<i64>) -> RoverCase {
        let times: Vec<i64> = (0..600).map(|s| s * 1000).collect();
        let states: Vec<u32> = (0..600).map(|s| u32::from(lost.contains(&s))).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        RoverCase { ages_s: vec![1.0; 600], times, states, time, ..RoverCase::default() }
    }

    /// An hour in which a rover is lost for `lost` cells of every `of`, from the cell `begin` on.
    fn hour(begin: usize, lost: usize, of: usize) -> Grid {
        let cells: Vec<u16> = (0..360).map(|i| if (i + of - begin % of) % of < lost { 10_000 } else { 0 }).collect();
        Grid { first: 0, observed: vec![10_000; 360], lost: cells, old: vec![0; 360] }
    }

    #[test]
    fn others_that_lose_as_much_at_other_moments_lose_in_turn() {
        let (own, like, calm, gone) = (hour(0, 6, 60), hour(30, 6, 60), hour(0, 0, 60), Grid::default());
        let (from, to) = (1_800_000, 1_860_000);
        assert_eq!(in_turn(&own, &[&like, &like], from, to), 1.0);
        assert_eq!(in_turn(&own, &[&like, &calm], from, to), 0.5);
        assert_eq!(in_turn(&own, &[&calm, &calm], from, to), 0.0);
        // Who was not there does not count.
        assert_eq!(in_turn(&own, &[&like, &gone], from, to), 1.0);
        assert_eq!(in_turn(&own, &[], from, to), 0.0);
    }

    #[test]
    fn who_else_is_counted_over_the_observed_others() {
        let (a, b) = (Grid::of(&rover(100..200), 5.0), Grid::of(&rover(150..160), 5.0));
        let o = others([&a, &b], 100_000, 200_000);
        assert_eq!(o.observed, 2);
        assert!((o.lost_share - 0.55).abs() < 1e-9, "{o:?}");
        assert_eq!(others([&a], 900_000, 950_000).observed, 0);
    }

    #[test]
    fn a_packed_grid_tells_the_same() {
        let mut r = rover(100..200);
        r.times.iter_mut().skip(400).for_each(|t| *t += 7_300);
        r.ages_s.iter_mut().skip(250).take(33).for_each(|a| *a = 9.0);
        let grid = Grid::of(&r, 5.0);
        let packed = PackedGrid::of(&grid);
        assert!(packed.runs.len() > 5 && packed.runs.len() < grid.observed.len());
        for from in (-40_000..700_000).step_by(3_700) {
            for lasts in [0, 1, 9_999, 10_000, 60_000, 1_000_000] {
                assert_eq!(grid.within(from, from + lasts), packed.within(from, from + lasts), "{from} {lasts}");
            }
        }
        assert_eq!(PackedGrid::of(&Grid::default()).within(0, 1_000_000), (0, 0, 0));
    }

    #[test]
    fn one_epoch_with_a_wrong_date_does_not_make_a_grid_of_decades() {
        let mut r = rover(100..200);
        r.times[0] = -1_000_000_000_000;
        let grid = Grid::of(&r, 5.0);
        assert!(grid.observed.len() <= MOST_CELLS as usize + 1);
        assert_eq!(grid.within(100_000, 200_000), (100_000, 100_000, 0));
    }

    #[test]
    fn spans_merge_and_overlap() {
        let s = merge_spans(vec![(50, 60), (0, 10), (8, 20)], 0);
        assert_eq!(s, [(0, 20), (50, 60)]);
        assert_eq!(overlap_ms(&s, 15, 55), 10);
    }
}
