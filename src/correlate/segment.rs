//! Stretches of lost time that are judged as one: a period is cut where something at the base or on the rover begins or ends.

use super::anyway::WithFresh;
use super::case::RoverCase;
use super::distance::mean_km;
use super::evidence::Feature;
use super::grid::Others;
use super::periods::EpochKind;
use crate::model::ids::FixState;
use crate::model::time::UtcMs;
use std::ops::Range;

/// A stretch of lost time of one rover that is judged as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Index of the rover in the case.
    pub rover: usize,
    /// Begin.
    pub from: UtcMs,
    /// End.
    pub to: UtcMs,
    /// Lost time inside, ms.
    pub lost_ms: i64,
    /// State that took most of it.
    pub state: FixState,
    /// Mean correction age over epochs that have one, s.
    pub mean_age_s: Option<f64>,
    /// Mean distance to the base, km.
    pub mean_distance_km: Option<f64>,
    /// The other rovers of the base.
    pub others: Others,
    /// The rovers of other sites near by.
    pub neighbours: Others,
    /// The same with half an hour before and after: what hits in turn leaves them alone for minutes.
    pub neighbours_around: Others,
    /// How far the signals of all bands are down at the base and at the rover in the same minutes, by day, whatever it changes; 0 to 1.
    pub both_down: f64,
    /// What is lost around it while corrections are fresh.
    pub with_fresh: Option<WithFresh>,
    /// How far single satellites fade at the base, whatever it changes; 0 to 1.
    pub fading: f64,
    /// Index of the first epoch.
    pub first: usize,
    /// Evidence.
    pub features: Vec<Feature>,
}

impl Segment {
    /// The stretch `from..to` of rover `r` within its `epochs`, without evidence; `None` where nothing of it is lost.
    pub(super) fn bare(
        rover: &RoverCase,
        r: usize,
        (from, to): (UtcMs, UtcMs),
        epochs: Range<usize>,
        distance_km: &[f32],
    ) -> Option<Segment> {
        let a = epochs.start + rover.times[epochs.clone()].partition_point(|t| *t < from);
        let b = epochs.start + rover.times[epochs].partition_point(|t| *t < to);
        let mut lost_ms = 0;
        let mut by_state = [0_i64; 6];
        let (mut age_sum, mut age_n) = (0.0, 0_u32);
        for i in a..b {
            if rover.time.kinds[i] != EpochKind::Lost {
                continue;
            }
            lost_ms += rover.time.lasts_ms[i];
            if let Some(s) = by_state.get_mut(rover.states[i] as usize) {
                *s += rover.time.lasts_ms[i];
            }
            if rover.ages_s.get(i).is_some_and(|x| x.is_finite()) {
                age_sum += f64::from(rover.ages_s[i]);
                age_n += 1;
            }
        }
        if lost_ms == 0 {
            return None;
        }
        let state = (0..6_u8).max_by_key(|s| (by_state[usize::from(*s)], 6 - s)).and_then(FixState::from_code)?;
        Some(Segment {
            rover: r,
            from,
            to,
            lost_ms,
            state,
            mean_age_s: (age_n > 0).then(|| age_sum / f64::from(age_n)),
            mean_distance_km: mean_km(distance_km.get(a..b).unwrap_or_default()),
            others: Others::default(),
            neighbours: Others::default(),
            neighbours_around: Others::default(),
            both_down: 0.0,
            with_fresh: None,
            fading: 0.0,
            first: a,
            features: Vec::new(),
        })
    }

    /// How strong a piece of evidence is, 0 where there is none.
    pub fn strength(&self, id: &str) -> f64 {
        self.features.iter().find(|f| f.id == id).map_or(0.0, |f| f.strength)
    }
}

/// Cuts a period at the edges of events; pieces shorter than 10 s go to the piece before.
pub(super) fn pieces(mut cuts: Vec<UtcMs>, from: UtcMs, to: UtcMs) -> Vec<(UtcMs, UtcMs)> {
    cuts.retain(|c| *c >= from && *c <= to);
    cuts.sort_unstable();
    let mut kept: Vec<UtcMs> = Vec::new();
    for c in cuts {
        if kept.last().is_none_or(|last| c - last >= 10_000) && kept.len() < 200 {
            kept.push(c);
        }
    }
    let short_tail = kept.len() > 1 && kept.last().is_some_and(|last| *last < to && to - last < 10_000);
    if short_tail {
        kept.pop();
    }
    kept.push(to);
    kept.dedup();
    kept.windows(2).map(|w| (w[0], w[1])).filter(|(a, b)| b > a).collect()
}

/// Part of the epochs of a segment whose corrections are old or missing.
pub(super) fn old_share(rover: &RoverCase, segment: &Segment, age_old_s: f64) -> f64 {
    let end = segment.first + rover.times[segment.first..].partition_point(|t| *t < segment.to);
    let old = (segment.first..end).filter(|i| rover.is_old(*i, age_old_s)).count();
    old as f64 / (end - segment.first).max(1) as f64
}
