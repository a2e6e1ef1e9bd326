//! What stands around a stretch of lost time: who else was lost, how old the corrections were, where the rover stood, what the base
//! tracked meanwhile.

use super::case::{RoverCase, SiteCase};
use super::distance::Reach;
use super::evidence::{EvidenceLimits, Feature};
use super::grid::{Grid, merge_spans, others, overlap_ms};
use super::periods::LostRun;
use super::place::PlaceBound;
use super::segment::Segment;
use super::spikes::within_one;
use super::timeline::Timeline;
use crate::model::event::Event;
use crate::model::ids::FixState;
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// Losses of one rover alone that come and go: from so long to so long, within so much time, ms (common practice, no source).
const LONELY_LEAST_MS: i64 = 40_000;
const LONELY_MOST_MS: i64 = 300_000;
const LONELY_NEAR_MS: i64 = HOUR_MS;

/// A base that sends seldom: corrections this much older than its interval are still the newest that it sent, s (common practice, no
/// source).
pub const ON_THE_WAY_S: f64 = 2.0;

/// While the others lose a smaller part of the time than this, a rover is alone with its loss.
const LEFT_ALONE: f64 = 0.2;
/// How far a disturbed ionosphere takes back that the reason must be on board (set by hand).
const DISTURBED: f64 = 0.7;
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

/// A loss of one rover alone that is so long is more than a moment, ms; so many of them, or so much time in all, ms, are no chance (set by
/// hand: what is wrong on board does not happen once).
const LONE_MS: i64 = MINUTE_MS;
const LONE_LOSSES: f64 = 3.0;
const LONE_IN_ALL_MS: f64 = 15.0 * MINUTE_MS as f64;

/// How far a rover lost its fix for minutes again and again, or for long, while the others had theirs, 0 to 1.
pub(super) fn alone_again(losses: &[LostRun], other_rovers: &[&Grid]) -> f64 {
    let (mut count, mut ms) = (0.0, 0.0);
    for loss in losses.iter().filter(|loss| loss.to - loss.from >= LONE_MS) {
        let others = others(other_rovers.iter().copied(), loss.from, loss.to);
        if others.observed > 0 && others.lost_share < LEFT_ALONE {
            count += 1.0;
            ms += (loss.to - loss.from) as f64;
        }
    }
    (count / LONE_LOSSES).max(ms / LONE_IN_ALL_MS).min(1.0)
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
    /// When spikes in the spectrum of the base and in its own are at work that came with a fall of the signals.
    pub(super) spikes: &'a [(UtcMs, UtcMs)],
    pub(super) own_spikes: &'a [(UtcMs, UtcMs)],
    pub(super) limits: &'a EvidenceLimits,
}

/// How it goes with the others.
pub(super) struct Company {
    /// [`alone_min`].
    pub(super) alone_min: f64,
    /// How far the rover loses more by itself than they do, 0 to 1.
    pub(super) more_alone: f64,
    /// How far it was alone with a loss of minutes again and again, 0 to 1.
    pub(super) again: f64,
    /// Which part of the other rovers loses fix in the same hour.
    pub(super) turns: f64,
    /// How far the signals are down on both sides, as far as it changes anything.
    pub(super) down: f64,
    /// How far the corrections of the others are old in the hours around whatever this rover's are.
    pub(super) old_anyway: f64,
}

/// Adds a piece of evidence that is worth the name.
fn add(f: &mut Vec<Feature>, id: &str, strength: f64) {
    if strength > 0.02 {
        f.push(Feature { id: format!("context:{id}"), strength: strength.min(1.0), event: None });
    }
}

/// Parts of the epochs of a segment, 0 to 1.
#[derive(Default)]
struct Parts {
    /// With fresh and with old corrections.
    fresh: f64,
    old: f64,
    /// Fresh, or no older than a base that sends seldom makes them.
    as_sent: f64,
    /// Without any position.
    blind: f64,
    /// Old where corrections get lost with distance.
    reached: f64,
    /// At a place that is bad again and again.
    bound: f64,
    /// Far from the base.
    distant: f64,
}

impl OnRover<'_> {
    /// Adds what stands around a segment.
    pub(super) fn context(&self, f: &mut Vec<Feature>, segment: &Segment, company: &Company) {
        // A radio burst of the Sun takes the signal and leaves the ionosphere as it is.
        let burst = f.iter().any(|f| f.id == "sky:flare");
        // Events of the base around the segment.
        let events: Vec<&Event> =
            self.base.near(segment.from, segment.to).into_iter().map(|k| &self.base.events[k]).collect();
        let parts = self.parts(segment, &events);
        who_else(f, segment, company);
        self.corrections(f, segment, &parts, company);
        add(f, "both-sides-down", company.down);
        low_without_position(f, segment, &parts, &events);
        add(f, if self.reach.among { "corrections-far-among" } else { "corrections-far" }, parts.reached);
        self.on_board(f, segment, &parts, &events, company);
        add(f, "place-bound", parts.bound);
        add(f, "own-signals-steady", 2.0 * part_of(&self.rover.steady, segment) - 1.0);
        let seen = part_of(&self.case.base_observed, segment);
        add(f, "base-log-missing", 1.0 - seen);
        if !burst {
            self.ionosphere(f, segment, &events);
        }
        let troubled = events.iter().any(|e| {
            !matches!(e.kind, "stream-gap" | "other") && e.from <= segment.to && e.to >= segment.from - 60_000
        });
        if seen > 0.9 && !troubled {
            add(f, "base-tracks-well", seen);
        }
        let span = (segment.from, segment.to);
        add(f, "spike-with-fall", within_one(self.spikes, span));
        add(f, "own-spike-with-fall", within_one(self.own_spikes, span));
        let silent = seen < 0.5 && !self.case.base_observed.is_empty();
        add(f, "base-silent", if silent { 1.0 } else { 0.0 });
        add(f, "auroral", if self.is_auroral() { 1.0 } else { 0.0 });
        match segment.state {
            FixState::Float => add(f, "state-float", 1.0),
            FixState::Autonomous | FixState::None | FixState::Dgnss => add(f, "state-low", 1.0),
            _ => {}
        }
    }

    /// Whether the site lies under the auroral zone.
    fn is_auroral(&self) -> bool {
        self.case.magnetic_latitude.is_some_and(|l| l.abs() >= 58.0)
    }

    fn parts(&self, segment: &Segment, events: &[&Event]) -> Parts {
        let OnRover { rover, place, reach, far, limits, .. } = *self;
        let end = segment.first + rover.times[segment.first..].partition_point(|t| *t < segment.to);
        let range = segment.first..end;
        let total = range.len().max(1) as f64;
        let mut sum = Parts::default();
        let slow: Vec<&&Event> = events.iter().filter(|e| e.kind == "observables-slow").collect();
        for i in range {
            let age = f64::from(rover.ages_s.get(i).copied().unwrap_or(f32::NAN));
            let t = rover.times[i];
            let sent_every_s = slow.iter().find(|e| e.from <= t && t <= e.to).and_then(|e| e.value);
            if age <= limits.age_fresh_s {
                sum.fresh += 1.0;
            }
            if age <= sent_every_s.map_or(limits.age_fresh_s, |s| limits.age_fresh_s.max(s + ON_THE_WAY_S)) {
                sum.as_sent += 1.0;
            }
            if rover.is_blind(i) {
                sum.blind += 1.0;
            }
            if rover.is_old(i, limits.age_old_s) {
                sum.old += 1.0;
                sum.reached += f64::from(reach.at.get(i).copied().unwrap_or(0.0));
            }
            sum.bound += f64::from(place.at.get(i).copied().unwrap_or(0.0));
            sum.distant += f64::from(far.get(i).copied().unwrap_or(0.0));
        }
        Parts {
            fresh: sum.fresh / total,
            old: sum.old / total,
            as_sent: sum.as_sent / total,
            blind: sum.blind / total,
            reached: sum.reached / total,
            bound: sum.bound / total,
            distant: sum.distant / total,
        }
    }

    /// How old the corrections were, here and with the others.
    fn corrections(&self, f: &mut Vec<Feature>, segment: &Segment, parts: &Parts, company: &Company) {
        let (old, o) = (parts.old, segment.others);
        add(f, "corrections-fresh", ((parts.fresh - 0.5) / 0.4).clamp(0.0, 1.0));
        if parts.as_sent > parts.fresh {
            add(f, "corrections-as-sent", ((parts.as_sent - 0.5) / 0.4).clamp(0.0, 1.0));
        }
        // Without corrections a receiver still has a position of its own.
        add(f, "no-position", parts.blind);
        add(f, "corrections-old", old);
        if old > 0.2 && o.observed > 0 {
            add(f, "all-corrections-old", o.old_share * old.sqrt());
            add(f, "others-old-anyway", company.old_anyway * old.sqrt());
            add(f, "only-own-corrections-old", (1.0 - 2.0 * o.old_share).clamp(0.0, 1.0) * old.sqrt());
        }
        if old > 0.2
            && let Some(share) = self.stop_together(segment)
        {
            add(f, "corrections-stop-together", share);
            add(f, "corrections-stop-apart", 1.0 - share);
        }
    }

    /// For which part of the other rovers the corrections stopped in the same seconds. For several at once they stop at the base or its
    /// radio; with distance and terrain each rover loses them at a time of its own.
    fn stop_together(&self, segment: &Segment) -> Option<f64> {
        let begin = stop_of(self.rover, segment)?;
        let (mut observed, mut stopped) = (0, 0);
        for other in self.case.rovers.iter().filter(|o| o.unit != self.rover.unit && !o.never_corrected) {
            let at = other.times.partition_point(|t| *t < begin);
            if other.times.get(at).is_some_and(|t| *t <= begin + 20_000) {
                let stops = other.events.iter().any(|e| e.kind == "corrections-old" && (e.from - begin).abs() <= 8_000);
                observed += 1;
                stopped += i32::from(stops);
            }
        }
        (observed > 0).then(|| f64::from(stopped) / f64::from(observed))
    }

    /// By elimination: minutes without a fix on one rover alone, corrections fresh, no bad place: the reason is on board.
    fn on_board(&self, f: &mut Vec<Feature>, segment: &Segment, parts: &Parts, events: &[&Event], company: &Company) {
        let o = segment.others;
        let alone = o.observed > 0 && o.lost_share < LEFT_ALONE;
        if !(alone && parts.fresh > 0.9 && parts.bound < 0.1 && parts.distant < 0.1) {
            return;
        }
        // One of two others that also had a loss within the hour may have had its own reason; when most had, it is nobody's alone.
        let not_alone = ((company.turns - 0.4) / 0.4).clamp(0.0, 1.0);
        // A disturbed ionosphere, where one is to be expected, takes the fix of the one that can bear least: then little is eliminated.
        let expected = ["sky:kp-storm", "context:equatorial-evening"];
        let expected = self.is_auroral() || f.iter().any(|f| f.strength > 0.1 && expected.contains(&f.id.as_str()));
        let swings = events.iter().filter(|e| expected && matches!(e.kind, "scintillation" | "ionosphere-disturbed"));
        let disturbed = part_of(&merge_spans(swings.map(|e| (e.from, e.to)).collect(), 0), segment);
        let not_alone = not_alone.max(DISTURBED * disturbed);
        let long = ((company.alone_min - 1.0) / 4.0).clamp(0.0, 1.0);
        add(f, "only-this-rover", long * (1.0 - not_alone) * company.more_alone * company.again);
        // Again and again for a minute or two, and nothing of it in its own log: something near it that comes and goes.
        let (from, to) = (segment.from - LONELY_NEAR_MS, segment.to + LONELY_NEAR_MS);
        let lonely = |from: UtcMs, to: UtcMs| (LONELY_LEAST_MS..=LONELY_MOST_MS).contains(&(to - from));
        if lonely(segment.from, segment.to) {
            let like = self.rover.time.periods.iter().filter(|p| p.from >= from && p.to <= to && lonely(p.from, p.to));
            add(
                f,
                "only-this-rover-again",
                (like.count() as f64 - 2.0) / 6.0
                    * (1.0 - company.turns)
                    * (1.0 - DISTURBED * disturbed)
                    * company.more_alone,
            );
        }
    }

    /// Whether the ionosphere was quiet over the base, or disturbed elsewhere only.
    fn ionosphere(&self, f: &mut Vec<Feature>, segment: &Segment, events: &[&Event]) {
        let quiet = part_of(&self.case.ionosphere.quiet, segment);
        let mut calm = 0.0;
        if quiet > 0.5 {
            let swings = events
                .iter()
                .filter(|e| matches!(e.kind, "scintillation" | "ionosphere-disturbed" | "satellites-fading"))
                .map(|e| (e.from - 300_000, e.to + 300_000))
                .collect();
            let unquiet = part_of(&merge_spans(swings, 0), segment);
            calm = quiet * (1.0 - unquiet).clamp(0.0, 1.0);
            add(f, "ionosphere-quiet", calm);
        }
        // Less of the same observation: told where that is not.
        let mostly = part_of(&self.case.ionosphere.mostly, segment);
        if calm < 0.5 && mostly > 0.5 {
            add(f, "storm-not-over-base", mostly);
        }
    }
}

/// Observations arrive and no position of the base with them: a rover cannot start, it stays without a differential solution.
fn low_without_position(f: &mut Vec<Feature>, segment: &Segment, parts: &Parts, events: &[&Event]) {
    let low = matches!(segment.state, FixState::Autonomous | FixState::None | FixState::Dgnss);
    if low && parts.fresh > 0.5 {
        let missing = events
            .iter()
            .filter(|e| e.kind == "position-message-missing")
            .map(|e| (segment.to.min(e.to + 120_000) - segment.from.max(e.from)).max(0))
            .max()
            .unwrap_or(0);
        add(f, "low-without-position", missing as f64 / length_ms(segment));
    }
}

/// Who else was lost: at the same base and at neighbouring sites.
fn who_else(f: &mut Vec<Feature>, segment: &Segment, company: &Company) {
    let o = segment.others;
    if o.observed > 0 {
        let enough = if o.observed == 1 { 0.75 } else { 1.0 };
        add(f, "others-lost", ((o.lost_share - 0.3) / 0.6).clamp(0.0, 1.0) * enough);
        add(f, "others-fixed", ((0.7 - o.lost_share) / 0.6).clamp(0.0, 1.0) * enough);
        add(f, "others-in-turn", company.turns * (1.0 - o.lost_share));
    } else {
        add(f, "no-others", 1.0);
    }
    let n = segment.neighbours;
    if n.observed > 0 {
        add(f, "neighbours-lost", ((n.lost_share - 0.15) / 0.5).clamp(0.0, 1.0));
        add(f, "neighbours-fixed", ((0.3 - n.lost_share) / 0.3).clamp(0.0, 1.0));
    }
}

/// Part of a segment that lies in spans, 0 to 1.
fn part_of(spans: &[(UtcMs, UtcMs)], segment: &Segment) -> f64 {
    overlap_ms(spans, segment.from, segment.to) as f64 / length_ms(segment)
}

fn length_ms(segment: &Segment) -> f64 {
    (segment.to - segment.from).max(1) as f64
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
