//! Before and after of each change that somebody made in the field.
//!
//! What is counted are rover-hours (one rover, one clock hour) in which the fix was lost for a good part, out of those that
//! were observed. Only hours of the day that were observed on both sides count, so that a night before and a day after are
//! not compared. Given the number of lost rover-hours in each hour of the day, how many fall after the change is binomial
//! with the share of the observed time that lies after it: the exact comparison of two rates (Przyborowski and Wilenski 1940)
//! with the shares of the hours averaged by their losses.

use super::sites::Site1;
use crate::config::fieldwork::FieldWork;
use crate::config::fleet::Fleet;
use crate::correlate::case::RoverCase;
use crate::correlate::periods::EpochKind;
use crate::maths::stats::poisson_ratio;
use crate::model::findings::FieldWorkAnswer;
use crate::model::time::{HOUR_MS, UtcMs, rfc3339};
use chrono::{DateTime, Timelike, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// A rover-hour with less observed time does not count, ms.
const SHORTEST_MS: i64 = 10 * 60_000;
/// A rover-hour is lost when so much of its observed time is (common practice, no source).
const LOST_SHARE: f64 = 0.05;
/// Fewer matched rover-hours on one side say nothing.
const FEWEST: u64 = 4;
/// When fewer lost rover-hours were to be expected after an idle change, none of them says nothing either.
const FEWEST_EXPECTED: f64 = 3.0;
/// Changes of the same place end each other's time; work within this is one visit.
const VISIT_MS: i64 = HOUR_MS;

/// One answer a change, in order of time.
pub(super) fn answer(work: &[FieldWork], sites: &[Site1], fleet: &Fleet) -> Vec<FieldWorkAnswer> {
    work.iter().map(|w| one(w, work, sites, fleet)).collect()
}

#[derive(Default, Clone, Copy)]
struct Side {
    hours: u64,
    lost: u64,
    observed_ms: i64,
    lost_ms: i64,
}

fn one(w: &FieldWork, all: &[FieldWork], sites: &[Site1], fleet: &Fleet) -> FieldWorkAnswer {
    let mut out = FieldWorkAnswer {
        time: rfc3339(w.time),
        site: w.site.clone(),
        unit: w.unit.clone(),
        what: w.what.clone(),
        note: w.note.clone(),
        ..FieldWorkAnswer::default()
    };
    let site = sites.iter().find(|s| {
        if w.site.is_empty() {
            s.case.rovers.iter().any(|r| r.unit == w.unit) || s.case.bases.contains(&w.unit)
        } else {
            s.case.site == w.site
        }
    });
    let Some(site) = site else {
        out.verdict = "no-logs".to_owned();
        out.summary = "no bundle of that site was read".to_owned();
        return out;
    };
    out.site = site.case.site.clone();
    // Work at a rover is judged by that rover, work at the base or site by all rovers.
    let own = site.case.rovers.iter().any(|r| r.unit == w.unit);
    let counted = |r: &&RoverCase| !r.never_corrected && (!own || r.unit == w.unit);
    // Another visit to the same place ends what this one can be judged by.
    let same_place =
        |o: &&FieldWork| (o.time - w.time).abs() > VISIT_MS && o.site == w.site && (o.unit == w.unit || !own);
    let from = all.iter().filter(same_place).map(|o| o.time).filter(|t| *t < w.time).max();
    let to = all.iter().filter(same_place).map(|o| o.time).filter(|t| *t > w.time).min();
    let zone = fleet.zone(&site.case.site);
    // Hour of the day: before, after.
    let mut by_hour: BTreeMap<u32, [Side; 2]> = BTreeMap::new();
    for rover in site.case.rovers.iter().filter(counted) {
        for ((hour, after), cell) in cells(rover, w.time, from, to, zone) {
            let side = &mut by_hour.entry(hour).or_default()[usize::from(after)];
            side.hours += cell.hours;
            side.lost += cell.lost;
            side.observed_ms += cell.observed_ms;
            side.lost_ms += cell.lost_ms;
        }
    }
    judge(&mut out, &by_hour);
    out
}

/// Rover-hours of one rover: (hour of the local day, after the change) to what was in it.
fn cells(rover: &RoverCase, at: UtcMs, from: Option<UtcMs>, to: Option<UtcMs>, zone: Tz) -> Vec<((u32, bool), Side)> {
    let mut sums: BTreeMap<(i64, bool), (i64, i64)> = BTreeMap::new();
    for i in 0..rover.times.len() {
        let Some(t) = rover.times.get(i).copied() else { break };
        if from.is_some_and(|f| t < f) || to.is_some_and(|e| t >= e) {
            continue;
        }
        let kind = rover.time.kinds.get(i).copied().unwrap_or(EpochKind::OffShift);
        let lasts = rover.time.lasts_ms.get(i).copied().unwrap_or(0);
        let sum = sums.entry((t.div_euclid(HOUR_MS), t >= at)).or_default();
        match kind {
            EpochKind::Lost => {
                sum.0 += lasts;
                sum.1 += lasts;
            }
            EpochKind::Fixed => sum.0 += lasts,
            EpochKind::OffShift | EpochKind::StartUp => {}
        }
    }
    sums.into_iter()
        .filter(|(_, (observed, _))| *observed >= SHORTEST_MS)
        .filter_map(|((hour, after), (observed_ms, lost_ms))| {
            let local = DateTime::<Utc>::from_timestamp_millis(hour * HOUR_MS)?.with_timezone(&zone).hour();
            let lost = u64::from(lost_ms as f64 >= LOST_SHARE * observed_ms as f64);
            Some(((local, after), Side { hours: 1, lost, observed_ms, lost_ms }))
        })
        .collect()
}

fn judge(out: &mut FieldWorkAnswer, by_hour: &BTreeMap<u32, [Side; 2]>) {
    let (mut before, mut after) = (Side::default(), Side::default());
    // Observed time after the change as a share of all, averaged over hours of the day by their losses.
    let (mut share_sum, mut losses) = (0.0, 0.0);
    for [b, a] in by_hour.values().filter(|[b, a]| b.hours > 0 && a.hours > 0) {
        for (sum, side) in [(&mut before, b), (&mut after, a)] {
            sum.hours += side.hours;
            sum.lost += side.lost;
            sum.observed_ms += side.observed_ms;
            sum.lost_ms += side.lost_ms;
        }
        let all = (b.observed_ms + a.observed_ms) as f64;
        let n = (b.lost + a.lost) as f64;
        share_sum += n * a.observed_ms as f64 / all;
        losses += n;
    }
    let hours = |ms: i64| ms as f64 / HOUR_MS as f64;
    out.before_hours = hours(before.observed_ms);
    out.after_hours = hours(after.observed_ms);
    out.before_lost_hours = hours(before.lost_ms);
    out.after_lost_hours = hours(after.lost_ms);
    let counts = format!(
        "{} of {} rover-hours with lost fix before, {} of {} after, at the same hours of the day",
        before.lost, before.hours, after.lost, after.hours
    );
    let mut end = |verdict: &str, words: String| {
        out.verdict = verdict.to_owned();
        out.summary = words;
    };
    if before.hours == 0 || after.hours == 0 {
        return end("too-early", "too early to say: no hour of the day was observed both before and after".to_owned());
    }
    if before.hours < FEWEST || after.hours < FEWEST {
        return end("too-early", format!("too early to say: {counts}"));
    }
    if losses == 0.0 {
        return end("no-loss", format!("no lost fix to compare: {counts}"));
    }
    let share = share_sum / losses;
    let Some(ratio) = poisson_ratio(after.lost, share, before.lost, 1.0 - share, 0.95) else {
        return end("too-early", format!("too early to say: {counts}"));
    };
    out.rate_ratio = ratio.ratio.is_finite().then_some(ratio.ratio);
    out.ratio_low = Some(ratio.interval.low);
    out.ratio_high = ratio.interval.high.is_finite().then_some(ratio.interval.high);
    out.p = Some(ratio.p);
    let high = out.ratio_high.map_or_else(|| "no upper limit".to_owned(), |h| format!("{h:.2}"));
    let interval = match out.rate_ratio {
        Some(r) => format!("rate after to before {r:.2} (95 % interval {:.2} to {high})", ratio.interval.low),
        None => format!("nothing before to compare with (95 % interval from {:.2})", ratio.interval.low),
    };
    let expected = before.lost as f64 * share / (1.0 - share);
    if ratio.interval.high < 1.0 {
        end("better", format!("better: {counts}; {interval}"));
    } else if ratio.interval.low > 1.0 {
        end("worse", format!("worse: {counts}; {interval}"));
    } else if expected < FEWEST_EXPECTED {
        end("too-early", format!("too early to say: {counts}; {interval}"));
    } else {
        end("no-change", format!("no change that the logs could show: {counts}; {interval}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::case::SiteCase;
    use crate::correlate::periods::{PeriodLimits, rover_time};
    use crate::model::time::parse_utc;

    const DAY: i64 = 86_400_000;

    /// A rover that logs 08:00 to 16:00 on `days`; on days before `mended` a tenth of every hour is float.
    fn site(days: std::ops::Range<i64>, mended: i64) -> Site1 {
        let first = parse_utc("2026-05-04T00:00:00Z").unwrap();
        let (mut times, mut states) = (Vec::new(), Vec::new());
        for day in days {
            for s in (8 * 3600..16 * 3600).step_by(5) {
                times.push(first + day * DAY + s * 1000);
                states.push(u32::from(day < mended && s % 3600 < 360 && s % 3600 > 0));
            }
        }
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let rover = RoverCase { unit: "R".into(), times, states, time, ..RoverCase::default() };
        Site1 { case: SiteCase { site: "a".into(), rovers: vec![rover], ..SiteCase::default() }, ..Site1::default() }
    }

    fn work(time: &str) -> FieldWork {
        FieldWork { time: parse_utc(time).unwrap(), site: "a".into(), unit: "B".into(), ..FieldWork::default() }
    }

    fn verdict(site: Site1, time: &str) -> FieldWorkAnswer {
        answer(&[work(time)], &[site], &Fleet::default()).remove(0)
    }

    #[test]
    fn a_repair_is_better_and_an_idle_change_is_not() {
        let mended = verdict(site(0..6, 3), "2026-05-07T05:00:00Z");
        assert_eq!(mended.verdict, "better", "{mended:?}");
        assert!(mended.ratio_high.unwrap() < 0.3 && mended.summary.contains("24 of 24"), "{mended:?}");
        let idle = verdict(site(0..6, 99), "2026-05-07T05:00:00Z");
        assert_eq!(idle.verdict, "no-change", "{idle:?}");
        assert!((idle.rate_ratio.unwrap() - 1.0).abs() < 1e-9);
        let broken = answer(&[work("2026-05-07T05:00:00Z")], &[site(0..6, 3)], &Fleet::default());
        assert_eq!(broken.len(), 1);
    }

    #[test]
    fn too_early_other_hours_and_no_logs() {
        assert_eq!(verdict(site(0..6, 99), "2026-05-09T14:00:00Z").verdict, "too-early"); // two hours after
        assert_eq!(verdict(site(0..1, 99), "2026-05-04T12:00:00Z").verdict, "too-early"); // morning against afternoon
        let mut w = work("2026-05-07T05:00:00Z");
        w.site = "other".into();
        assert_eq!(answer(&[w], &[site(0..6, 3)], &Fleet::default())[0].verdict, "no-logs");
    }

    #[test]
    fn a_second_visit_ends_the_time_of_the_first() {
        // Idle first visit, real repair at the second.
        let both = [work("2026-05-06T05:00:00Z"), work("2026-05-08T05:00:00Z")];
        let answers = answer(&both, &[site(0..6, 4)], &Fleet::default());
        assert_eq!((answers[0].verdict.as_str(), answers[1].verdict.as_str()), ("no-change", "better"), "{answers:?}");
    }
}
