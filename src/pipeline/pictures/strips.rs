//! Strips: fix states of rovers, events and coverage of bases; and the shades behind them.

use crate::config::shifts::in_shifts;
use crate::correlate::case::RoverCase;
use crate::correlate::periods::EpochKind;
use crate::maths::sun::sun_elevation_deg;
use crate::model::ids::FixState;
use crate::model::keyed::Keyed;
use crate::model::picture::{Mark, Shade, Strip, StripKind};
use crate::model::time::{DAY_MS, MINUTE_MS, UtcMs};
use crate::pipeline::beside::Beside;
use crate::pipeline::sites::Site1;

/// Stretches that a strip can show side by side.
const BINS: i64 = 1600;
/// A longer window has no shades: they would be narrower than a pixel.
const MOST_SHADED_DAYS: i64 = 62;

/// All strips: rovers, then each base.
pub(super) fn strips(site: &Site1, from: UtcMs, to: UtcMs) -> Vec<Strip> {
    let bin = ((to - from) / BINS).max(1_000);
    // Fine enough for a day on a page of its own.
    let fine = bin.min(MINUTE_MS);
    let mut strips: Vec<Strip> = site.case.rovers.iter().map(|r| rover_strip(r, from, fine)).collect();
    for base in &site.case.bases {
        let mut marks: Vec<Mark> = site
            .case
            .base_events
            .iter()
            .filter(|e| e.unit == *base)
            .map(|e| Mark { from: e.from, to: e.to, class: e.kind.to_owned(), title: e.detail.clone() })
            .collect();
        marks.sort_by(|a, b| (a.from, &a.class).cmp(&(b.from, &b.class)));
        strips.push(Strip { label: base.clone(), kind: StripKind::Events, marks: merge_same(marks, bin) });
    }
    if !site.case.base_observed.is_empty() {
        let marks = site
            .case
            .base_observed
            .iter()
            .map(|(a, b)| Mark {
                from: *a,
                to: *b,
                class: "observed".to_owned(),
                title: "base observations are there".to_owned(),
            })
            .collect();
        strips.push(Strip { label: "base log".to_owned(), kind: StripKind::Coverage, marks: merge_same(marks, bin) });
    }
    strips
}

/// Marks of one class that touch (by up to `bridge_ms`) become one.
fn merge_same(marks: Vec<Mark>, bridge_ms: i64) -> Vec<Mark> {
    let mut out: Vec<Mark> = Vec::new();
    for mark in marks {
        match out.iter_mut().rev().take(6).find(|m| m.class == mark.class) {
            Some(last) if mark.from - last.to <= bridge_ms => last.to = last.to.max(mark.to),
            _ => out.push(mark),
        }
    }
    out
}

/// Time of each state by bin, the states of a bin one after the other: no second of loss is rounded away, and a rover that
/// changes its state each second does not cost a mark a second.
fn rover_strip(rover: &RoverCase, from: UtcMs, bin: i64) -> Strip {
    let mut bins: Keyed<i64, [i64; 6]> = Keyed::default();
    for i in 0..rover.times.len() {
        let kind = rover.time.kinds.get(i).copied().unwrap_or(EpochKind::OffShift);
        if kind == EpochKind::OffShift {
            continue;
        }
        let lasts = rover.time.lasts_ms.get(i).copied().unwrap_or(1000);
        let state = rover.states.get(i).copied().unwrap_or(5).min(5) as usize;
        if let Some(time) = bins.at((rover.times[i] - from).div_euclid(bin)).get_mut(state) {
            *time += lasts;
        }
    }
    let mut marks: Vec<Mark> = Vec::new();
    let mut before = "";
    for (k, states) in bins.sorted() {
        let mut at = from + k * bin;
        let end = at + bin;
        // The state that goes on comes first, so that a run over many bins is one mark.
        let mut order = [0, 1, 2, 3, 4, 5];
        order.sort_by_key(|s| (FixState::from_code(*s as u8).is_none_or(|f| f.name() != before), *s));
        for s in order.into_iter().filter(|s| states[*s] > 0) {
            let name = FixState::from_code(s as u8).map_or("none", FixState::name);
            before = name;
            let to = (at + states[s]).min(end).max(at + 1);
            match marks.last_mut() {
                Some(last) if last.class == name && at - last.to <= 2_000 => last.to = to,
                _ => marks.push(Mark { from: at, to, class: name.to_owned(), title: String::new() }),
            }
            at = to;
        }
    }
    Strip { label: rover.unit.clone(), kind: StripKind::Rover, marks }
}

/// Nights at the base and hours outside of the shifts, by five minutes.
pub(super) fn shades(site: &Site1, beside: &Beside, from: UtcMs, to: UtcMs) -> Vec<Shade> {
    const STEP_MS: i64 = 5 * MINUTE_MS;
    if to - from > MOST_SHADED_DAYS * DAY_MS {
        return Vec::new();
    }
    let register = beside.fleet.site(&site.case.site);
    let mut out = Vec::new();
    if let Some((lat, lon, _)) = site.case.position {
        // Sunset by the usual definition: the upper edge with refraction, 0.833 degrees.
        stretch(from, to, STEP_MS, |t| sun_elevation_deg(t, lat, lon) < -0.833, true, &mut out);
    }
    if let Some(s) = register.filter(|s| !s.shifts.is_empty()) {
        stretch(from, to, STEP_MS, |t| !in_shifts(&s.shifts, s.zone, t), false, &mut out);
    }
    out
}

fn stretch(from: UtcMs, to: UtcMs, step: i64, holds: impl Fn(UtcMs) -> bool, night: bool, out: &mut Vec<Shade>) {
    let mut begin: Option<UtcMs> = None;
    let mut t = from;
    while t < to {
        match (holds(t), begin) {
            (true, None) => begin = Some(t),
            (false, Some(b)) => {
                out.push(Shade { from: b, to: t, night });
                begin = None;
            }
            _ => {}
        }
        t += step;
    }
    if let Some(b) = begin {
        out.push(Shade { from: b, to, night });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::periods::{PeriodLimits, rover_time};

    #[test]
    fn every_second_of_a_state_is_in_the_strip() {
        // Two hours of one second each; float for 7 s in every 100 s.
        let times: Vec<i64> = (0..7200).map(|s| s * 1000).collect();
        let states: Vec<u32> = (0..7200).map(|s| u32::from(s % 100 >= 93)).collect();
        let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
        let rover = RoverCase { times, states, time, ..RoverCase::default() };
        let strip = rover_strip(&rover, 0, MINUTE_MS);
        let sum = |class: &str| strip.marks.iter().filter(|m| m.class == class).map(|m| m.to - m.from).sum::<i64>();
        assert_eq!(sum("float"), 504_000);
        assert_eq!(sum("fixed"), 6_696_000);
        assert!(strip.marks.windows(2).all(|w| w[0].to <= w[1].from));
        assert!(strip.marks.len() <= 240, "{}", strip.marks.len());
    }
}
