//! Lost time by who else, age of corrections, distance, place, day and time of day.

use crate::correlate::case::RoverCase;
use crate::correlate::grid::Grid;
use crate::correlate::periods::EpochKind;
use crate::maths::geodesy::Plane;
use crate::maths::signals::repeat::SIDEREAL_DAY_S;
use crate::maths::stats::share_change;
use crate::model::keyed::Keyed;
use crate::model::picture::{DayTotal, DayTrend, Profile, Rhythm, Share, SitePlan, WhoElse};
use crate::model::time::{DAY_MS, MINUTE_MS, UtcMs};
use crate::pipeline::sites::Site1;
use chrono::{DateTime, NaiveDate, Offset, TimeZone};
use chrono_tz::Tz;

/// Rovers in the matrix.
const ROVERS: usize = 16;
/// Minutes of a cell of the rhythm.
const CELL_MIN: i64 = 30;
/// Days shown in the rhythm, the last ones.
const DAYS: usize = 31;
/// Cells a side of the site plan, at most.
const PLAN_CELLS: f64 = 90.0;

impl Share {
    fn add(&mut self, lasts_ms: i64, lost: bool) {
        self.observed_ms += lasts_ms;
        if lost {
            self.lost_ms += lasts_ms;
        }
    }
}

fn counted(site: &Site1) -> impl Iterator<Item = &RoverCase> {
    site.case.rovers.iter().filter(|r| !r.never_corrected)
}

/// Observed epochs of a rover: index, length in ms, lost or not.
fn observed(rover: &RoverCase) -> impl Iterator<Item = (usize, i64, bool)> + '_ {
    rover.time.kinds.iter().zip(&rover.time.lasts_ms).enumerate().filter_map(|(i, (kind, lasts))| match kind {
        EpochKind::Fixed => Some((i, *lasts, false)),
        EpochKind::Lost => Some((i, *lasts, true)),
        _ => None,
    })
}

/// Who else was lost, by ten seconds. A rover that comes twice (two stays) counts once with all its time.
pub(super) fn who_else(site: &Site1, grids: &[Grid]) -> Option<WhoElse> {
    let mut rovers: Vec<(&RoverCase, &Grid)> =
        site.case.rovers.iter().zip(grids).filter(|(r, _)| !r.never_corrected).collect();
    rovers.sort_by(|a, b| b.0.time.lost_ms.cmp(&a.0.time.lost_ms).then(a.0.unit.cmp(&b.0.unit)));
    let left_out = rovers.len().saturating_sub(ROVERS);
    rovers.truncate(ROVERS);
    rovers.sort_by(|a, b| a.0.unit.cmp(&b.0.unit));
    if rovers.len() < 2 {
        return None;
    }
    let together = rovers.iter().map(|(_, a)| rovers.iter().map(|(_, b)| both(a, b)).collect()).collect();
    Some(WhoElse {
        units: rovers.iter().map(|(r, _)| r.unit.clone()).collect(),
        usual: rovers.iter().map(|(r, _)| r.time.lost_ms as f64 / r.time.observed_ms.max(1) as f64).collect(),
        together,
        left_out,
    })
}

/// Of the cells in which `a` was mostly lost and `b` observed: that time of `a`, and the part in which `b` was mostly lost.
fn both(a: &Grid, b: &Grid) -> Share {
    let mut out = Share::default();
    for (k, lost) in a.lost.iter().enumerate() {
        let observed = a.observed.get(k).copied().unwrap_or(0);
        if *lost == 0 || u32::from(*lost) * 2 < u32::from(observed) {
            continue;
        }
        let Ok(j) = usize::try_from(a.first + k as i64 - b.first) else { continue };
        let (Some(seen), Some(lost_too)) = (b.observed.get(j), b.lost.get(j)) else { continue };
        if *seen > 0 {
            out.add(i64::from(*lost), u32::from(*lost_too) * 2 >= u32::from(*seen));
        }
    }
    out
}

fn profile(edges: &[f64], unit: &str) -> Profile {
    let bins = edges.iter().enumerate().map(|(i, low)| (*low, edges.get(i + 1).copied(), Share::default())).collect();
    Profile { unit: unit.to_owned(), bins, missing: Share::default() }
}

impl Profile {
    fn add(&mut self, value: f64, lasts_ms: i64, lost: bool) {
        if value.is_finite() {
            let at = self.bins.partition_point(|b| b.0 <= value).saturating_sub(1);
            if let Some(bin) = self.bins.get_mut(at) {
                bin.2.add(lasts_ms, lost);
            }
        } else {
            self.missing.add(lasts_ms, lost);
        }
    }

    /// Without empty ends; `None` when there is no value at all.
    fn trimmed(mut self) -> Option<Profile> {
        let full = |b: &(f64, Option<f64>, Share)| b.2.observed_ms > 0;
        let first = self.bins.iter().position(full)?;
        let last = self.bins.iter().rposition(full)?;
        self.bins = self.bins.get(first..=last)?.to_vec();
        Some(self)
    }
}

/// Loss by age of corrections.
pub(super) fn by_age(site: &Site1) -> Option<Profile> {
    let mut out = profile(&[0.0, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 30.0, 60.0], "s");
    for rover in counted(site) {
        for (i, lasts, lost) in observed(rover) {
            out.add(rover.ages_s.get(i).map_or(f64::NAN, |a| f64::from(*a)), lasts, lost);
        }
    }
    out.trimmed()
}

/// Loss by distance to the base.
pub(super) fn by_distance(site: &Site1) -> Option<Profile> {
    let (lat0, lon0, _) = site.case.position?;
    let plane = Plane::around(lat0, lon0);
    let mut out =
        profile(&[0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.5, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 75.0, 100.0], "km");
    for rover in counted(site) {
        for (i, lasts, lost) in observed(rover) {
            let (x, y) = place_m(&plane, rover, i);
            // Further away it is no rover of this base, or its position is wrong.
            let km = (x * x + y * y).sqrt() / 1000.0;
            out.add(if km <= 300.0 { km } else { f64::NAN }, lasts, lost);
        }
    }
    out.trimmed()
}

/// Metres east and north of the middle of a plane; NaN without a position.
fn place_m(plane: &Plane, rover: &RoverCase, i: usize) -> (f64, f64) {
    match (rover.lat.get(i), rover.lon.get(i)) {
        (Some(lat), Some(lon)) => plane.metres(*lat, *lon),
        _ => (f64::NAN, f64::NAN),
    }
}

/// Where fixes were held and lost. The plan shows the middle 99 % of the places in each direction.
pub(super) fn plan(site: &Site1) -> Option<SitePlan> {
    let first = || {
        counted(site).find_map(|r| {
            (0..r.lat.len().min(r.lon.len()))
                .find(|i| r.lat[*i].is_finite() && r.lon[*i].is_finite())
                .map(|i| (r.lat[i], r.lon[i]))
        })
    };
    let (lat0, lon0) = first()?;
    let plane = Plane::around(lat0, lon0);
    let (mut xs, mut ys) = (Vec::new(), Vec::new());
    for rover in counted(site) {
        let step = (rover.times.len() / 20_000).max(1);
        for (i, _, _) in observed(rover).step_by(step) {
            let (x, y) = place_m(&plane, rover, i);
            if x * x + y * y < 300_000.0 * 300_000.0 {
                xs.push(x);
                ys.push(y);
            }
        }
    }
    if xs.len() < 60 {
        return None;
    }
    let range = |v: &mut [f64]| -> (f64, f64) {
        let (cut, last) = (v.len() / 200, v.len() - 1);
        let mut at = |i: usize| *v.select_nth_unstable_by(i, f64::total_cmp).1;
        (at(cut), at(last - cut))
    };
    let ((x1, x2), (y1, y2)) = (range(&mut xs), range(&mut ys));
    let wide = (x2 - x1).max(y2 - y1).max(20.0);
    let steps = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10_000.0];
    let cell_m = steps.into_iter().find(|s| wide / s <= PLAN_CELLS).unwrap_or(20_000.0);
    let mut cells: Keyed<(i32, i32), Share> = Keyed::default();
    let mut outside = Share::default();
    for rover in counted(site) {
        for (i, lasts, lost) in observed(rover) {
            let (x, y) = place_m(&plane, rover, i);
            if x >= x1 - cell_m && x <= x2 + cell_m && y >= y1 - cell_m && y <= y2 + cell_m {
                cells.at(((x / cell_m).floor() as i32, (y / cell_m).floor() as i32)).add(lasts, lost);
            } else if x.is_finite() {
                outside.add(lasts, lost);
            }
        }
    }
    let base = site.case.position.map(|(lat, lon, _)| plane.metres(lat, lon));
    Some(SitePlan { cell_m, cells: cells.sorted().into_iter().map(|((x, y), s)| (x, y, s)).collect(), base, outside })
}

/// Days and rhythm, made in one pass.
#[derive(Default)]
pub(super) struct Daily {
    pub(super) days: Vec<DayTotal>,
    pub(super) rhythm: Option<Rhythm>,
}

pub(super) fn daily(site: &Site1, from: UtcMs, zone: Tz) -> Daily {
    const CELLS: usize = (24 * 60 / CELL_MIN) as usize;
    let offset_ms = |t: UtcMs| -> i64 {
        DateTime::from_timestamp_millis(t)
            .map_or(0, |u| i64::from(zone.offset_from_utc_datetime(&u.naive_utc()).fix().local_minus_utc()) * 1000)
    };
    // The sidereal day is counted from the local midnight before the begin: on the first day both clocks agree.
    let start = from - (from + offset_ms(from)).rem_euclid(DAY_MS);
    let sidereal_ms = (SIDEREAL_DAY_S * 1000.0) as i64;
    let mut by_day: Keyed<i64, Vec<Share>> = Keyed::default();
    let mut sidereal = vec![Share::default(); CELLS];
    for rover in counted(site) {
        let mut quarter = (i64::MIN, 0);
        for (i, lasts, lost) in observed(rover) {
            let t = rover.times[i];
            // No zone changes its clock within a quarter of an hour.
            if quarter.0 != t.div_euclid(15 * MINUTE_MS) {
                quarter = (t.div_euclid(15 * MINUTE_MS), offset_ms(t));
            }
            let local = t + quarter.1;
            let cell = (local.rem_euclid(DAY_MS) / (CELL_MIN * MINUTE_MS)) as usize;
            let day = by_day.at(local.div_euclid(DAY_MS));
            day.resize(CELLS, Share::default());
            if let Some(c) = day.get_mut(cell) {
                c.add(lasts, lost);
            }
            let turned = (t - start).rem_euclid(sidereal_ms) * CELLS as i64 / sidereal_ms;
            if let Some(c) = usize::try_from(turned).ok().and_then(|k| sidereal.get_mut(k)) {
                c.add(lasts, lost);
            }
        }
    }
    let by_day = by_day.sorted();
    if by_day.is_empty() {
        return Daily::default();
    }
    let date = |day: i64| {
        NaiveDate::from_ymd_opt(1970, 1, 1)
            .and_then(|d| d.checked_add_signed(chrono::Duration::days(day)))
            .map_or_else(String::new, |d| d.format("%Y-%m-%d").to_string())
    };
    let begin = |day: i64| crate::config::shifts::local_to_utc(zone, day * DAY_MS);
    let mut clock = vec![Share::default(); CELLS];
    for (_, cells) in &by_day {
        for (sum, c) in clock.iter_mut().zip(cells) {
            sum.observed_ms += c.observed_ms;
            sum.lost_ms += c.lost_ms;
        }
    }
    let days: Vec<DayTotal> = by_day
        .iter()
        .map(|(day, cells)| DayTotal {
            day: date(*day),
            from: begin(*day),
            to: begin(*day + 1),
            observed_ms: cells.iter().map(|c| c.observed_ms).sum(),
            lost_ms: cells.iter().map(|c| c.lost_ms).sum(),
        })
        .collect();
    let shown = by_day.len().saturating_sub(DAYS);
    let rows = by_day.into_iter().skip(shown).map(|(day, cells)| (date(day), cells)).collect();
    Daily { days, rhythm: Some(Rhythm { cell_min: CELL_MIN as u32, days: rows, clock, sidereal }) }
}

/// Less observed time is no day for the trend, ms.
const SHORTEST_DAY_MS: i64 = 10 * MINUTE_MS;

/// The second half of the days against the first; `None` with fewer than three days a side.
pub(super) fn trend(days: &[DayTotal]) -> Option<DayTrend> {
    let days: Vec<(f64, f64)> = days
        .iter()
        .filter(|d| d.observed_ms >= SHORTEST_DAY_MS)
        .map(|d| (d.lost_ms as f64, d.observed_ms as f64))
        .collect();
    let (first, second) = days.split_at(days.len() / 2);
    let change = share_change(first, second, 0.95)?;
    let (low, high) = (change.interval.low, change.interval.high);
    Some(DayTrend { first: change.first, second: change.second, low, high })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::{PeriodLimits, rover_time};

    fn rover(unit: &str, days: i64, lost: impl Fn(i64) -> bool) -> RoverCase {
        let times: Vec<i64> = (0..days * 8640).map(|s| s * 10_000).collect();
        let states: Vec<u32> = times.iter().map(|t| u32::from(lost(*t))).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let n = times.len();
        RoverCase {
            unit: unit.to_owned(),
            ages_s: vec![1.0; n],
            lat: (0..n).map(|i| 47.0 + (i % 100) as f64 * 1e-5).collect(),
            lon: vec![8.0; n],
            times,
            states,
            time,
            ..RoverCase::default()
        }
    }

    fn site(rovers: Vec<RoverCase>) -> Site1 {
        let mut site = Site1::default();
        site.case.position = Some((47.0, 8.0, 0.0));
        site.case.rovers = rovers;
        site
    }

    #[test]
    fn common_loss_is_counted_over_the_time_of_the_first() {
        let a = rover("a", 1, |t| (3_600_000..7_200_000).contains(&t));
        let b = rover("b", 1, |t| (5_400_000..7_200_000).contains(&t));
        let s = site(vec![a, b]);
        let grids: Vec<Grid> = s.case.rovers.iter().map(|r| Grid::of(r, 5.0)).collect();
        let who = who_else(&s, &grids).unwrap();
        // a was lost for an hour, b in its second half: half of a's time, all of b's.
        assert_eq!(who.together[0][1], Share { observed_ms: 3_600_000, lost_ms: 1_800_000 });
        assert_eq!(who.together[1][0], Share { observed_ms: 1_800_000, lost_ms: 1_800_000 });
        assert!((who.usual[0] - 1.0 / 24.0).abs() < 1e-3);
    }

    /// A loss that comes with the sidereal day (23 h 56 min 4 s) stays in its cell of the sidereal fold for 20 days and
    /// spreads over cells of the clock.
    #[test]
    fn a_sidereal_loss_stands_still_in_the_sidereal_fold() {
        let s = site(vec![rover("a", 20, |t| {
            let turned = t % 86_164_090;
            (36_000_000..36_600_000).contains(&turned)
        })]);
        let rhythm = daily(&s, 0, Tz::UTC).rhythm.unwrap();
        let cells = |fold: &[Share]| fold.iter().filter(|c| c.lost_ms > 0).count();
        assert_eq!(cells(&rhythm.sidereal), 1);
        assert!(cells(&rhythm.clock) >= 3);
        assert_eq!(rhythm.days.len(), 20);
    }

    #[test]
    fn days_and_profiles_add_up_to_the_observed_time() {
        let s = site(vec![rover("a", 3, |t| t < 3_600_000)]);
        let total = s.case.rovers[0].time.observed_ms;
        let days = daily(&s, 0, Tz::UTC).days;
        assert_eq!(days.iter().map(|d| d.observed_ms).sum::<i64>(), total);
        assert_eq!(days[0].day, "1970-01-01");
        assert_eq!(days[0].lost_ms, s.case.rovers[0].time.lost_ms);
        let age = by_age(&s).unwrap();
        assert_eq!(age.bins.iter().map(|b| b.2.observed_ms).sum::<i64>(), total);
        assert_eq!(age.bins[0].0, 1.0, "an age of 1.0 s stands in the bin from 1 to 2 s");
        let plan = plan(&s).unwrap();
        let in_plan: i64 = plan.cells.iter().map(|c| c.2.observed_ms).sum();
        assert_eq!(in_plan + plan.outside.observed_ms, total);
        let by_km = by_distance(&s).unwrap();
        assert_eq!(by_km.bins.iter().map(|b| b.2.observed_ms).sum::<i64>(), total);
    }

    /// Six days, the last three with ten times the loss of the first: a rise with its interval. The same days mixed, or two of
    /// them a few minutes long, tell nothing.
    #[test]
    fn a_trend_needs_halves_that_differ_more_than_days_do() {
        let day = |observed_min: i64, lost_min: i64| DayTotal {
            observed_ms: observed_min * MINUTE_MS,
            lost_ms: lost_min * MINUTE_MS,
            ..DayTotal::default()
        };
        let rise = [day(600, 10), day(500, 12), day(600, 14), day(600, 100), day(600, 130), day(500, 115)];
        let t = trend(&rise).unwrap();
        assert!((t.first - 36.0 / 1700.0).abs() < 1e-12 && (t.second - 345.0 / 1700.0).abs() < 1e-12, "{t:?}");
        assert!(t.low > 0.1 && t.high < 0.3, "{t:?}");
        let [a, b, c, d, e, f] = rise;
        let mixed = trend(&[a.clone(), d.clone(), b.clone(), e, c.clone(), f]).unwrap();
        assert!(mixed.low < 0.0 && mixed.high > 0.0, "{mixed:?}");
        // One bad day at the end is no trend.
        let last = trend(&[3, 3, 3, 3, 3, 3, 20].map(|lost| day(100, lost))).unwrap();
        assert!(last.low < 0.0 && last.high > 0.0, "{last:?}");
        assert!(trend(&[a, b, c, d, day(9, 1), day(9, 1)]).is_none());
    }
}
