//! From verdicts to the ranking of a site: its lost time shared out between the causes.

use super::float_periods::float_periods;
use super::lines::{BASE_LOG_MISSING, Members, evidence_lines};
use super::verdict::{CAUSES, Heard, UNEXPLAINED, Verdict, hear, judge, ruled_out};
use super::weights::Weights;
use crate::correlate::case::SiteCase;
use crate::correlate::evidence::SiteEvidence;
use crate::correlate::segment::Segment;
use crate::model::findings::{Cause, FloatPeriod, Stretch, Working};
use crate::model::time::HOUR_MS;
use std::collections::BTreeMap;

/// Ms to hours.
pub fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR_MS as f64
}

/// The judged time of one site.
#[derive(Debug, Clone, Default)]
pub struct Ranking {
    /// Ranked, with `unexplained` at its place.
    pub causes: Vec<Cause>,
    /// By unit and time.
    pub float_periods: Vec<FloatPeriod>,
    /// The working: every judged stretch with its evidence.
    pub working: Working,
}

/// Judges all segments of a site and ranks its causes.
pub fn rank(case: &SiteCase, evidence: &SiteEvidence, weights: &Weights) -> Ranking {
    let heard: Vec<Heard> = evidence.segments.iter().map(|s| hear(s, weights)).collect();
    let mut verdicts: Vec<Verdict> = heard.iter().map(|h| judge(h, weights, &[0.0; 22])).collect();
    let extra = site_says(evidence, &verdicts);
    verdicts = heard.iter().map(|h| judge(h, weights, &extra)).collect();
    drop(heard);
    let total_lost: i64 = evidence.segments.iter().map(|s| s.lost_ms).sum();
    let short_lost: i64 =
        case.rovers.iter().filter(|r| !r.never_corrected).map(|r| r.time.lost_ms).sum::<i64>() - total_lost;

    share_out(evidence, &mut verdicts);
    let all_lost = (total_lost + short_lost.max(0)).max(1);
    let mut causes: Vec<Cause> = (0..=CAUSES.len())
        .map(|c| (c < CAUSES.len()).then_some(c))
        .filter_map(|cause| one_cause(cause, case, evidence, &verdicts, all_lost, weights))
        .collect();
    // Lost seconds too short for a period stay unexplained.
    if short_lost > 0 {
        match causes.iter_mut().find(|c| c.cause == UNEXPLAINED) {
            Some(c) => {
                c.lost_fix_hours += hours(short_lost);
                c.share = c.lost_fix_hours / hours(all_lost);
            }
            None => causes.push(Cause {
                cause: UNEXPLAINED.to_owned(),
                side: UNEXPLAINED.to_owned(),
                lost_fix_hours: hours(short_lost),
                share: short_lost as f64 / all_lost as f64,
                confidence: unexplained_alone(weights),
                ..Cause::default()
            }),
        }
    }
    causes.sort_by(|a, b| b.lost_fix_hours.total_cmp(&a.lost_fix_hours).then(a.cause.cmp(&b.cause)));
    Ranking {
        causes,
        float_periods: float_periods(case, evidence, &verdicts),
        working: working(case, evidence, &verdicts),
    }
}

/// Texts in the order in which they were first met.
#[derive(Default)]
struct Places(BTreeMap<String, u16>);

impl Places {
    /// The place of a text; `None` when there are too many (some hundred at most are known).
    fn of(&mut self, text: &str) -> Option<u16> {
        if let Some(place) = self.0.get(text) {
            return Some(*place);
        }
        let next = u16::try_from(self.0.len()).ok()?;
        self.0.insert(text.to_owned(), next);
        Some(next)
    }

    fn list(self) -> Vec<String> {
        let mut by_place: Vec<(u16, String)> = self.0.into_iter().map(|(text, place)| (place, text)).collect();
        by_place.sort_unstable();
        by_place.into_iter().map(|(_, text)| text).collect()
    }
}

/// What `tables/verdicts.csv` tells of a site.
fn working(case: &SiteCase, evidence: &SiteEvidence, verdicts: &[Verdict]) -> Working {
    let [mut units, mut ids, mut causes, mut lists] = [(); 4].map(|()| Places::default());
    let stretches = evidence.segments.iter().zip(verdicts).filter_map(|(s, v)| {
        Some(Stretch {
            unit: units.of(case.rovers.get(s.rover).map_or("", |r| r.unit.as_str()))?,
            from: s.from,
            to: s.to,
            lost_ms: s.lost_ms,
            cause: causes.of(v.cause.map_or(UNEXPLAINED, |c| CAUSES[c].0))?,
            confidence: v.probability,
            others: s.others.observed as u32,
            neighbours: s.neighbours.observed as u32,
            evidence: s.features.iter().filter_map(|f| Some((ids.of(&f.id)?, f.strength as f32))).collect(),
            ruled_out: lists.of(&ruled_out(s).join(" "))?,
        })
    });
    let stretches = stretches.collect();
    Working { units: units.list(), evidence: ids.list(), causes: causes.list(), ruled_out: lists.list(), stretches }
}

/// How sure `unexplained` is where there is no evidence at all.
fn unexplained_alone(weights: &Weights) -> f64 {
    let nothing = Segment {
        rover: 0,
        from: 0,
        to: 0,
        lost_ms: 0,
        state: crate::model::ids::FixState::Float,
        mean_age_s: None,
        mean_distance_km: None,
        others: Default::default(),
        neighbours: Default::default(),
        neighbours_around: Default::default(),
        both_down: 0.0,
        with_fresh: None,
        fading: 0.0,
        first: 0,
        features: Vec::new(),
    };
    judge(&hear(&nothing, weights), weights, &[0.0; 22]).probability
}

/// What the site as a whole says: a cause with much well-founded time is a little more likely for the rest.
fn site_says(evidence: &SiteEvidence, verdicts: &[Verdict]) -> [f64; 22] {
    let mut sure = [0.0_f64; 22];
    let mut total = 0.0;
    for (s, v) in evidence.segments.iter().zip(verdicts) {
        total += s.lost_ms as f64;
        if let Some(c) = v.cause {
            sure[c] += s.lost_ms as f64 * v.probability;
        }
    }
    let mut extra = [0.0; 22];
    if total > 0.0 {
        for (e, s) in extra.iter_mut().zip(sure) {
            *e = 1.5 * (s / total).min(1.0);
        }
    }
    extra
}

/// A cause that is nowhere the likeliest and would get less than this part of a site's lost time is left out.
const LEAST_PART: f64 = 0.03;

/// Shares out the lost time of each segment: by the probabilities, among the causes that are worth telling at the site.
/// The likeliest cause alone would hide a second one that acts at the same times.
fn share_out(evidence: &SiteEvidence, verdicts: &mut [Verdict]) {
    let mut sums = [0.0_f64; CAUSES.len()];
    let mut first = [false; CAUSES.len()];
    let mut total = 0.0;
    for (s, v) in evidence.segments.iter().zip(verdicts.iter()) {
        total += s.lost_ms as f64;
        for (sum, share) in sums.iter_mut().zip(v.shares) {
            *sum += share * s.lost_ms as f64;
        }
        if let Some(c) = v.cause {
            first[c] = true;
        }
    }
    for v in verdicts {
        for c in 0..CAUSES.len() {
            if !first[c] && sums[c] < LEAST_PART * total {
                v.shares[c] = 0.0;
            }
        }
        let left: f64 = v.shares.iter().sum();
        if left > 0.0 {
            v.shares.iter_mut().for_each(|s| *s /= left);
        }
    }
}

fn one_cause(
    cause: Option<usize>,
    case: &SiteCase,
    evidence: &SiteEvidence,
    verdicts: &[Verdict],
    all_lost: i64,
    weights: &Weights,
) -> Option<Cause> {
    let part = |i: usize| verdicts[i].share(cause);
    let members = Members(
        (0..verdicts.len()).map(|i| (i, part(i) * evidence.segments[i].lost_ms as f64)).filter(|m| m.1 > 0.0).collect(),
    );
    let lost = members.lost_ms();
    // Less than a second is no lost time to speak of.
    if lost < 1000.0 {
        return None;
    }
    // Evidence is told of the periods that carry the cause's name, so that anybody can count it again there. A cause that is nowhere
    // the likeliest has only its events to show.
    let shown = Members(
        (0..verdicts.len())
            .filter(|i| verdicts[*i].cause == cause)
            .map(|i| (i, evidence.segments[i].lost_ms as f64))
            .collect(),
    );
    let mean = weights.calibration.most * members.0.iter().map(|(i, ms)| part(*i) * ms).sum::<f64>() / lost;
    let share = lost / all_lost as f64;
    let unlogged = |i: usize| evidence.segments[i].strength(BASE_LOG_MISSING);
    let blind = members.0.iter().map(|(i, ms)| unlogged(*i) * ms).sum::<f64>() / lost;
    let confidence = match cause {
        Some(_) => weights.calibration.of_site(mean, share, blind),
        // How sure the verdicts are that nothing explains it; time that only fell to nobody's share says nothing about that.
        None if shown.0.is_empty() => mean,
        None => shown.0.iter().map(|(i, ms)| verdicts[*i].probability * ms).sum::<f64>() / shown.lost_ms(),
    };
    let (id, side) = cause.map_or((UNEXPLAINED, UNEXPLAINED), |c| CAUSES[c]);
    Some(Cause {
        cause: id.to_owned(),
        side: side.to_owned(),
        lost_fix_hours: lost / HOUR_MS as f64,
        share,
        confidence,
        evidence: if shown.0.is_empty() {
            evidence_lines(cause, &members, false, case, evidence, weights)
        } else {
            evidence_lines(cause, &shown, true, case, evidence, weights)
        },
        ..Cause::default()
    })
}
