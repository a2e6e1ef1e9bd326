//! The evidence lines of a cause: what a person can check in the logs, with times, unit and file.

use super::verdict::reasons;
use super::weights::Weights;
use crate::correlate::anyway::{AROUND_MS, LOST_WITH_FRESH, WithFresh};
use crate::correlate::case::SiteCase;
use crate::correlate::context::ON_THE_WAY_S;
use crate::correlate::evidence::SiteEvidence;
use crate::correlate::segment::Segment;
use crate::model::event::Event;
use crate::model::findings::Evidence;
use crate::model::time::{MINUTE_MS, rfc3339};
use std::collections::BTreeMap;

/// The segments that a cause has a part of, with the lost time that it gets, ms.
pub(super) struct Members(pub(super) Vec<(usize, f64)>);

impl Members {
    pub(super) fn lost_ms(&self) -> f64 {
        self.0.iter().map(|m| m.1).sum()
    }
}

/// No log of the base covers the time.
pub(super) const BASE_LOG_MISSING: &str = "context:base-log-missing";

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

/// What speaks for and against a cause in the segments that carry it, the weightiest first; with what stands around them as well
/// (`with_context`) only where they carry its name.
pub(super) fn evidence_lines(
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
        "context:corrections-as-sent" => {
            format!("corrections were old only as the base sends seldom: no older than its interval and {ON_THE_WAY_S} s")
        }
        "context:no-position" => {
            "the receiver had no position at all: missing corrections leave it one of its own".to_owned()
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
        // The period that the line names, as with all that is not told as a mean.
        LOST_WITH_FRESH => {
            let WithFresh { lost_share, own } = segment.with_fresh?;
            let (who, why) = match own {
                true => ("the rover was", ""),
                false => ("the other rovers of the base were", " (this one had none that were fresh)"),
            };
            let minutes = AROUND_MS / MINUTE_MS;
            format!("with fresh corrections {who} lost too: {} of that time within {minutes} min{why}", percent(lost_share))
        }
        "context:corrections-far" => "corrections get old where the rover is far from the base".to_owned(),
        "context:corrections-far-among" => {
            "corrections are the older the farther a rover is from the base, from rover to rover".to_owned()
        }
        "context:spike-with-fall" => {
            "a spike in the base's spectrum began within three minutes of a fall of its signals".to_owned()
        }
        "context:own-spike-with-fall" => {
            "a spike in the rover's spectrum began within three minutes of a fall of its signals".to_owned()
        }
        "context:place-bound" => "the fix is lost in the same places of the site on several passes".to_owned(),
        "context:far-from-base" => match mean(&|s| s.mean_distance_km) {
            Some(km) => format!("the rover was far from the base: {km:.0} km"),
            None => "the rover was far from the base".to_owned(),
        },
        "context:base-tracks-well" => "the base logged its observations without a finding of its own".to_owned(),
        "context:own-signals-steady" => {
            "the rover's own log shows two carriers and more, each as strong as in the half hour before".to_owned()
        }
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
