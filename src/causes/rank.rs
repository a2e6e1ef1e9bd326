//! From verdicts to the ranking of a site: lost time by cause, evidence lines, float periods.

use super::verdict::{CAUSES, UNEXPLAINED, Verdict, judge, reasons, ruled_out};
use super::weights::Weights;
use crate::correlate::case::SiteCase;
use crate::correlate::evidence::{Segment, SiteEvidence};
use crate::model::event::Event;
use crate::model::findings::{Cause, Evidence, FloatPeriod, Stretch, Working};
use crate::model::time::{HOUR_MS, UtcMs, rfc3339};
use crate::model::word::Words;
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
    let mut verdicts: Vec<Verdict> = evidence.segments.iter().map(|s| judge(s, weights, &[0.0; 22])).collect();
    let extra = site_says(evidence, &verdicts);
    verdicts = evidence.segments.iter().map(|s| judge(s, weights, &extra)).collect();
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
        fading: 0.0,
        first: 0,
        features: Vec::new(),
    };
    judge(&nothing, weights, &[0.0; 22]).probability
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

/// The segments that a cause has a part of, with the lost time that it gets, ms.
struct Members(Vec<(usize, f64)>);

impl Members {
    fn lost_ms(&self) -> f64 {
        self.0.iter().map(|m| m.1).sum()
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

/// No log of the base covers the time.
const BASE_LOG_MISSING: &str = "context:base-log-missing";

/// Context that is read in the base's log.
const OF_BASE: [&str; 5] = [
    "context:ionosphere-quiet",
    "context:scintillation-around",
    "context:storm-not-over-base",
    "context:base-tracks-well",
    "context:base-silent",
];

/// Evidence without an event: what it weighs, the lost time it stands beside, and the segment that shows it for longest.
struct Context {
    weight: f64,
    ms: f64,
    at: usize,
    most: f64,
}

/// How many lines of evidence for and against are listed.
const MOST_LINES: usize = 8;

fn evidence_lines(
    cause: Option<usize>,
    members: &Members,
    with_context: bool,
    case: &SiteCase,
    evidence: &SiteEvidence,
    weights: &Weights,
) -> Vec<Evidence> {
    // Event and context evidence, weighed by the lost time it stands beside.
    let mut events: BTreeMap<usize, f64> = BTreeMap::new();
    let mut context: BTreeMap<&str, Context> = BTreeMap::new();
    for (i, ms) in &members.0 {
        let segment = &evidence.segments[*i];
        let says: Vec<(usize, f64)> = match cause {
            Some(c) => reasons(segment, weights, c),
            None => segment.features.iter().enumerate().map(|(k, f)| (k, f.strength * 0.01)).collect(),
        };
        for (k, says) in says {
            let Some(f) = segment.features.get(k) else { continue };
            let weight = says * ms;
            match f.event {
                Some(e) if cause.is_some() => *events.entry(e).or_default() += weight,
                Some(_) => {}
                None if !with_context => {}
                None => {
                    let c = context.entry(f.id.as_str()).or_insert(Context { weight: 0.0, ms: 0.0, at: *i, most: 0.0 });
                    c.weight += weight;
                    c.ms += ms;
                    if *ms > c.most {
                        (c.at, c.most) = (*i, *ms);
                    }
                }
            }
        }
    }
    let mut lines: Vec<(f64, Evidence)> = events
        .into_iter()
        .filter(|(_, w)| w.abs() > 0.0)
        .filter_map(|(e, w)| Some((w, event_line(evidence.events.get(e)?, w > 0.0))))
        .collect();
    let lost = members.lost_ms();
    for (id, Context { weight: w, ms, at, .. }) in context {
        if ms * 5.0 < lost {
            continue;
        }
        let segment = &evidence.segments[at];
        if let Some(text) = context_words(id, segment, members, evidence) {
            let rover = case.rovers.get(segment.rover);
            let mut unit = rover.map(|r| r.unit.clone()).unwrap_or_default();
            let mut origin = rover.map(|r| r.origin(segment.first)).unwrap_or_default();
            // What the base's data say stands in the base's log.
            if OF_BASE.contains(&id)
                && let Some((base, log)) = case.base_log(segment.from, segment.to)
            {
                (unit, origin) = (base.to_owned(), log.clone());
            }
            let supports = cause.is_some() && w > 0.0;
            lines.push((
                w,
                Evidence {
                    text,
                    from: rfc3339(segment.from),
                    to: rfc3339(segment.to),
                    unit,
                    bundle: origin.bundle,
                    file: origin.file,
                    supports,
                },
            ));
        }
    }
    lines.sort_by(|a, b| {
        b.0.abs().total_cmp(&a.0.abs()).then_with(|| a.1.text.cmp(&b.1.text)).then_with(|| a.1.from.cmp(&b.1.from))
    });
    let mut kinds: BTreeMap<String, usize> = BTreeMap::new();
    let mut out: Vec<Evidence> = Vec::new();
    for (_, line) in lines {
        // Three examples of the same sort are enough: the tables hold all.
        let sort: String = line.text.chars().filter(|c| !c.is_ascii_digit()).take(24).collect();
        let n = kinds.entry(sort).or_default();
        *n += 1;
        if *n <= 3 && out.len() < MOST_LINES {
            out.push(line);
        }
    }
    out
}

fn event_line(event: &Event, supports: bool) -> Evidence {
    Evidence {
        text: event.detail.clone(),
        from: rfc3339(event.from),
        to: rfc3339(event.to),
        unit: event.unit.clone(),
        bundle: event.origin.bundle.clone(),
        file: event.origin.file.clone(),
        supports,
    }
}

/// Words for evidence without an event; the numbers are means over the cause's lost time.
fn context_words(id: &str, segment: &Segment, members: &Members, evidence: &SiteEvidence) -> Option<String> {
    let mean = |value: &dyn Fn(&Segment) -> Option<f64>| -> Option<f64> {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (i, ms) in &members.0 {
            if let Some(v) = value(&evidence.segments[*i]) {
                sum += v * ms;
                weight += ms;
            }
        }
        (weight > 0.0).then(|| sum / weight)
    };
    let others = mean(&|s| (s.others.observed > 0).then_some(s.others.lost_share));
    let observed = segment.others.observed;
    let percent = |v: f64| format!("{:.0} %", v * 100.0);
    Some(match id {
        "context:others-lost" => format!(
            "the other rovers of the base were lost {} of the same time ({observed} observed in the longest period)",
            percent(others?)
        ),
        "context:others-fixed" => format!(
            "the other rovers of the base kept their fix {} of the same time ({observed} observed in the longest period)",
            percent(1.0 - others?)
        ),
        "context:no-others" => "no other rover of this base was observed at the time".to_owned(),
        "context:neighbours-lost" => {
            let n = mean(&|s| (s.neighbours.observed > 0).then_some(s.neighbours.lost_share))?;
            format!("rovers of neighbouring bases were lost {} of the same time", percent(n))
        }
        "context:neighbours-fixed" => {
            let n = mean(&|s| (s.neighbours.observed > 0).then_some(s.neighbours.lost_share))?;
            format!("rovers of neighbouring bases kept their fix {} of the same time", percent(1.0 - n))
        }
        "context:corrections-fresh" => {
            format!("corrections stayed fresh: mean age {:.1} s", mean(&|s| s.mean_age_s)?)
        }
        "context:corrections-old" => match mean(&|s| s.mean_age_s) {
            Some(age) => format!("corrections were old: mean age {age:.0} s"),
            None => "no corrections at all".to_owned(),
        },
        // How many is told of the period that the line names, so that it can be checked there.
        "context:all-corrections-old" => format!(
            "the other rovers of the base had old corrections {} of this period",
            percent(segment.others.old_share)
        ),
        "context:only-own-corrections-old" => format!(
            "the other rovers of the base had no old corrections {} of this period",
            percent(1.0 - segment.others.old_share)
        ),
        "context:corrections-stop-together" => {
            "corrections stopped for the other rovers in the same seconds".to_owned()
        }
        "context:corrections-stop-apart" => "corrections stopped for this rover at a time of its own".to_owned(),
        "context:others-old-anyway" => {
            "in the hours around it the other rovers had old corrections while this one had fresh ones".to_owned()
        }
        "context:corrections-far" => "corrections get old where the rover is far from the base".to_owned(),
        "context:place-bound" => "the fix is lost in the same places of the site on several passes".to_owned(),
        "context:far-from-base" => match mean(&|s| s.mean_distance_km) {
            Some(km) => format!("the rover was far from the base: {km:.0} km"),
            None => "the rover was far from the base".to_owned(),
        },
        "context:base-tracks-well" => "the base logged its observations without a finding of its own".to_owned(),
        "context:both-sides-down" => {
            "the signals of all bands fell at the base and at the rover in the same minutes".to_owned()
        }
        "context:ionosphere-quiet" => "the base's dual-frequency data show a quiet ionosphere at the time".to_owned(),
        "context:storm-not-over-base" => {
            "the electron content over the base swung on few satellites only at the time: a storm swings them all".to_owned()
        }
        "context:scintillation-around" => {
            "within the hour around it single satellites scintillated at the base, and hardly ever the whole sky swung".to_owned()
        }
        "context:only-this-rover" => {
            "only this rover was without a fix for minutes, with fresh corrections and not bound to a place".to_owned()
        }
        "context:only-this-rover-again" => {
            "only this rover was without a fix, for a minute or a few, again and again within the hour, with fresh corrections"
                .to_owned()
        }
        "context:low-without-position" => {
            "the rovers had observations of the base, but the base did not send its position".to_owned()
        }
        "context:base-silent" => "the base logged no observations at the time".to_owned(),
        BASE_LOG_MISSING => "no log of the base covers the time".to_owned(),
        "context:equatorial-evening" => "evening hours near the magnetic equator".to_owned(),
        "context:auroral" => "the site lies under the auroral zone".to_owned(),
        _ => return None,
    })
}

/// Neighbouring segments of one period with one cause become one float period.
fn float_periods(case: &SiteCase, evidence: &SiteEvidence, verdicts: &[Verdict]) -> Vec<FloatPeriod> {
    struct Open {
        rover: usize,
        cause: Option<usize>,
        from: UtcMs,
        to: UtcMs,
        lost_ms: i64,
        weighted: f64,
        state_ms: (crate::model::ids::FixState, i64),
        age: (f64, f64),
        others: (f64, f64),
        first: usize,
    }
    let mut open: Vec<Open> = Vec::new();
    for (s, v) in evidence.segments.iter().zip(verdicts) {
        let joins = open.last().is_some_and(|o| o.rover == s.rover && o.to == s.from && o.cause == v.cause);
        if !joins {
            open.push(Open {
                rover: s.rover,
                cause: v.cause,
                from: s.from,
                to: s.to,
                lost_ms: 0,
                weighted: 0.0,
                state_ms: (s.state, s.lost_ms),
                age: (0.0, 0.0),
                others: (0.0, 0.0),
                first: s.first,
            });
        }
        if let Some(o) = open.last_mut() {
            o.to = s.to;
            o.lost_ms += s.lost_ms;
            o.weighted += v.probability * s.lost_ms as f64;
            if s.lost_ms > o.state_ms.1 {
                o.state_ms = (s.state, s.lost_ms);
            }
            if let Some(age) = s.mean_age_s {
                o.age.0 += age * s.lost_ms as f64;
                o.age.1 += s.lost_ms as f64;
            }
            if s.others.observed > 0 {
                o.others.0 += s.others.lost_share * s.lost_ms as f64;
                o.others.1 += s.lost_ms as f64;
            }
        }
    }
    let mean = |(sum, weight): (f64, f64)| (weight > 0.0).then(|| sum / weight);
    // Thousands of periods of every site wait for the report: texts are there once.
    let mut words = Words::default();
    let mut periods: Vec<FloatPeriod> = open
        .into_iter()
        .map(|o| {
            let rover = case.rovers.get(o.rover);
            let origin = rover.map(|r| r.origin(o.first)).unwrap_or_default();
            FloatPeriod {
                unit: words.of(rover.map_or("", |r| r.unit.as_str())),
                from: rfc3339(o.from),
                to: rfc3339(o.to),
                state: words.of(o.state_ms.0.name()),
                mean_correction_age_s: mean(o.age),
                cause: words.of(o.cause.map_or(UNEXPLAINED, |c| CAUSES[c].0)),
                confidence: o.weighted / (o.lost_ms as f64).max(1.0),
                others_lost: mean(o.others),
                bundle: words.of(&origin.bundle),
                file: words.of(&origin.file),
            }
        })
        .collect();
    periods.sort_by(|a, b| (&a.unit, &a.from).cmp(&(&b.unit, &b.from)));
    periods
}
