//! From the verdicts on segments to the float periods of `findings.json`.

use super::verdict::{CAUSES, UNEXPLAINED, Verdict};
use crate::correlate::case::SiteCase;
use crate::correlate::evidence::SiteEvidence;
use crate::model::findings::FloatPeriod;
use crate::model::ids::FixState;
use crate::model::time::{UtcMs, rfc3339};
use crate::model::word::Words;

/// Neighbouring segments of one period with one cause become one float period. By unit and time.
pub(super) fn float_periods(case: &SiteCase, evidence: &SiteEvidence, verdicts: &[Verdict]) -> Vec<FloatPeriod> {
    struct Open {
        rover: usize,
        cause: Option<usize>,
        from: UtcMs,
        to: UtcMs,
        lost_ms: i64,
        weighted: f64,
        state_ms: (FixState, i64),
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
