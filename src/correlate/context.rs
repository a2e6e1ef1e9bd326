//! What stands around a stretch of lost time: who else was lost, how old the corrections were, where the rover stood, what the base
//! tracked meanwhile.

use super::case::{RoverCase, SiteCase};
use super::distance::Reach;
use super::evidence::{EvidenceLimits, Feature, Segment};
use super::grid::{Grid, merge_spans, others, overlap_ms};
use super::place::PlaceBound;
use super::timeline::Timeline;
use crate::model::ids::FixState;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// Losses of one rover alone that come and go: from so long to so long, within so much time, ms (common practice, no source).
const LONELY_LEAST_MS: i64 = 40_000;
const LONELY_MOST_MS: i64 = 300_000;
const LONELY_NEAR_MS: i64 = HOUR_MS;

/// While the others lose a smaller part of the time than this, a rover is alone with its loss.
const LEFT_ALONE: f64 = 0.2;
/// So long before and after a stretch the rest of its loss counts with it, ms.
const ALONE_MS: i64 = 5 * MINUTE_MS;

/// How long a rover was without a fix around a stretch of its loss while the others had theirs, min: events of the base cut a long loss into
/// pieces that say nothing each.
pub(super) fn alone_min((from, to): (UtcMs, UtcMs), loss: (UtcMs, UtcMs), other_rovers: &[&Grid]) -> f64 {
    let (a, b) = (loss.0.max(from - ALONE_MS), loss.1.min(to + ALONE_MS));
    let around = others(other_rovers.iter().copied(), a, b);
    let (a, b) = if around.observed > 0 && around.lost_share < LEFT_ALONE { (a, b) } else { (from, to) };
    (b - a) as f64 / MINUTE_MS as f64
}

/// What is known of a rover over all its time.
pub(super) struct OnRover<'a> {
    pub(super) case: &'a SiteCase,
    pub(super) rover: &'a RoverCase,
    /// Events of the base.
    pub(super) base: &'a Timeline<'a>,
    pub(super) place: &'a PlaceBound,
    pub(super) reach: &'a Reach,
    /// How much each epoch speaks for a long baseline.
    pub(super) far: &'a [f32],
    pub(super) limits: &'a EvidenceLimits,
}

/// How it goes with the others.
pub(super) struct Company {
    /// [`alone_min`].
    pub(super) alone_min: f64,
    /// Which part of the other rovers loses fix in the same hour.
    pub(super) turns: f64,
    /// How far the signals are down on both sides, as far as it changes anything.
    pub(super) down: f64,
    /// How far the corrections of the others are old in the hours around whatever this rover's are.
    pub(super) old_anyway: f64,
}

impl OnRover<'_> {
    /// Adds what stands around a segment.
    pub(super) fn context(&self, f: &mut Vec<Feature>, segment: &Segment, company: &Company) {
        let Company { alone_min, turns, down, old_anyway } = *company;
        let OnRover { case, rover, base, place, reach, far, limits } = *self;
        // A radio burst of the Sun takes the signal and leaves the ionosphere as it is.
        let burst = f.iter().any(|f| f.id == "sky:flare");
        let mut add = |id: &str, strength: f64| {
            if strength > 0.02 {
                f.push(Feature { id: format!("context:{id}"), strength: strength.min(1.0), event: None });
            }
        };
        let o = segment.others;
        if o.observed > 0 {
            let enough = if o.observed == 1 { 0.75 } else { 1.0 };
            add("others-lost", ((o.lost_share - 0.3) / 0.6).clamp(0.0, 1.0) * enough);
            add("others-fixed", ((0.7 - o.lost_share) / 0.6).clamp(0.0, 1.0) * enough);
            add("others-in-turn", turns * (1.0 - o.lost_share));
        } else {
            add("no-others", 1.0);
        }
        let n = segment.neighbours;
        if n.observed > 0 {
            add("neighbours-lost", ((n.lost_share - 0.15) / 0.5).clamp(0.0, 1.0));
            add("neighbours-fixed", ((0.3 - n.lost_share) / 0.3).clamp(0.0, 1.0));
        }
        // Epochs of the segment.
        let b = segment.first + rover.times[segment.first..].partition_point(|t| *t < segment.to);
        let range = segment.first..b;
        let total = range.len().max(1) as f64;
        let (mut fresh, mut old, mut bound, mut distant, mut reached) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for i in range {
            let age = f64::from(rover.ages_s.get(i).copied().unwrap_or(f32::NAN));
            if age <= limits.age_fresh_s {
                fresh += 1.0;
            }
            if rover.is_old(i, limits.age_old_s) {
                old += 1.0;
                reached += f64::from(reach.at.get(i).copied().unwrap_or(0.0));
            }
            bound += f64::from(place.at.get(i).copied().unwrap_or(0.0));
            distant += f64::from(far.get(i).copied().unwrap_or(0.0));
        }
        let (fresh, old) = (fresh / total, old / total);
        add("corrections-fresh", ((fresh - 0.5) / 0.4).clamp(0.0, 1.0));
        add("corrections-old", old);
        if old > 0.2 && o.observed > 0 {
            add("all-corrections-old", o.old_share * old.sqrt());
            add("others-old-anyway", old_anyway * old.sqrt());
            add("only-own-corrections-old", (1.0 - 2.0 * o.old_share).clamp(0.0, 1.0) * old.sqrt());
        }
        // Corrections that stop for several rovers in the same seconds stop at the base or its radio; with distance and terrain
        // each rover loses them at a time of its own.
        if old > 0.2
            && let Some(begin) = stop_of(rover, segment)
        {
            let mut together = (0, 0);
            for other in case.rovers.iter().filter(|o| o.unit != rover.unit && !o.never_corrected) {
                let at = other.times.partition_point(|t| *t < begin);
                let observed = other.times.get(at).is_some_and(|t| *t <= begin + 20_000);
                if observed {
                    together.0 += 1;
                    let stops =
                        other.events.iter().any(|e| e.kind == "corrections-old" && (e.from - begin).abs() <= 8_000);
                    together.1 += i32::from(stops);
                }
            }
            if together.0 > 0 {
                let share = f64::from(together.1) / f64::from(together.0);
                add("corrections-stop-together", share);
                add("corrections-stop-apart", 1.0 - share);
            }
        }
        add("both-sides-down", down);
        // Observations arrive and no position of the base with them: a rover cannot start, it stays without a differential solution.
        let low = matches!(segment.state, FixState::Autonomous | FixState::None | FixState::Dgnss);
        if low && fresh > 0.5 {
            let missing = base
                .near(segment.from, segment.to)
                .into_iter()
                .map(|k| &base.events[k])
                .filter(|e| e.kind == "position-message-missing")
                .map(|e| (segment.to.min(e.to + 120_000) - segment.from.max(e.from)).max(0))
                .max()
                .unwrap_or(0);
            add("low-without-position", missing as f64 / (segment.to - segment.from).max(1) as f64);
        }
        add("corrections-far", reached / total);
        // By elimination: minutes without a fix on one rover alone, corrections fresh, no bad place: the reason is on board.
        if o.observed > 0 && o.lost_share < LEFT_ALONE && fresh > 0.9 && bound / total < 0.1 && distant / total < 0.1 {
            // One of two others that also had a loss within the hour may have had its own reason; when most had, it is nobody's alone.
            let not_alone = ((turns - 0.4) / 0.4).clamp(0.0, 1.0);
            add("only-this-rover", ((alone_min - 1.0) / 4.0).clamp(0.0, 1.0) * (1.0 - not_alone));
            // Again and again for a minute or two, and nothing of it in its own log: something near it that comes and goes.
            let (from, to) = (segment.from - LONELY_NEAR_MS, segment.to + LONELY_NEAR_MS);
            let like = rover.time.periods.iter().filter(|p| {
                p.from >= from && p.to <= to && (LONELY_LEAST_MS..=LONELY_MOST_MS).contains(&(p.to - p.from))
            });
            let short = (LONELY_LEAST_MS..=LONELY_MOST_MS).contains(&(segment.to - segment.from));
            if short {
                add("only-this-rover-again", (like.count() as f64 - 2.0) / 6.0 * (1.0 - turns));
            }
        }
        add("place-bound", bound / total);
        let seen = overlap_ms(&case.base_observed, segment.from, segment.to) as f64
            / (segment.to - segment.from).max(1) as f64;
        add("base-log-missing", 1.0 - seen);
        let length = (segment.to - segment.from).max(1) as f64;
        let measured = |spans| overlap_ms(spans, segment.from, segment.to) as f64 / length;
        let (quiet, mostly) = (measured(&case.ionosphere.quiet), measured(&case.ionosphere.mostly));
        let mut calm = 0.0;
        if quiet > 0.5 && !burst {
            let swings: Vec<(UtcMs, UtcMs)> = base
                .near(segment.from, segment.to)
                .into_iter()
                .map(|k| &base.events[k])
                .filter(|e| matches!(e.kind, "scintillation" | "ionosphere-disturbed" | "satellites-fading"))
                .map(|e| (e.from - 300_000, e.to + 300_000))
                .collect();
            let unquiet = overlap_ms(&merge_spans(swings, 0), segment.from, segment.to) as f64 / length;
            calm = quiet * (1.0 - unquiet).clamp(0.0, 1.0);
            add("ionosphere-quiet", calm);
        }
        // Less of the same observation: told where that is not.
        if calm < 0.5 && mostly > 0.5 && !burst {
            add("storm-not-over-base", mostly);
        }
        let troubled = base.near(segment.from, segment.to).into_iter().any(|k| {
            let e = &base.events[k];
            !matches!(e.kind, "stream-gap" | "other") && e.from <= segment.to && e.to >= segment.from - 60_000
        });
        if seen > 0.9 && !troubled {
            add("base-tracks-well", seen);
        }
        let silent = seen < 0.5 && !case.base_observed.is_empty();
        add("base-silent", if silent { 1.0 } else { 0.0 });
        let auroral = case.magnetic_latitude.is_some_and(|l| l.abs() >= 58.0);
        add("auroral", if auroral { 1.0 } else { 0.0 });
        match segment.state {
            FixState::Float => add("state-float", 1.0),
            FixState::Autonomous | FixState::None | FixState::Dgnss => add("state-low", 1.0),
            _ => {}
        }
    }
}

/// When the corrections stopped that are old in the segment, UTC ms.
fn stop_of(rover: &RoverCase, segment: &Segment) -> Option<UtcMs> {
    rover
        .events
        .iter()
        .filter(|e| e.kind == "corrections-old" && e.from < segment.to && e.to > segment.from)
        .max_by_key(|e| (segment.to.min(e.to) - segment.from.max(e.from), e.from))
        .map(|e| e.from)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loss_in_pieces_is_one_loss_while_the_others_have_their_fix() {
        // An hour in cells of ten seconds; the other rover is lost for its first ten minutes.
        let lost = (0..360).map(|i| if i < 60 { 10_000 } else { 0 }).collect();
        let other = Grid { first: 0, observed: vec![10_000; 360], lost, old: vec![0; 360] };
        let min = |m: i64| m * MINUTE_MS;
        let alone = |piece: (i64, i64), loss: (i64, i64)| {
            alone_min((min(piece.0), min(piece.1)), (min(loss.0), min(loss.1)), &[&other])
        };
        assert_eq!(alone((30, 31), (20, 50)), 11.0, "five minutes on either side");
        assert_eq!(alone((30, 31), (29, 33)), 4.0, "no longer than the loss");
        assert_eq!(alone((12, 13), (0, 30)), 1.0, "the other one was lost too");
        assert_eq!(alone_min((min(30), min(31)), (min(20), min(50)), &[]), 1.0, "nobody else to compare with");
    }
}
