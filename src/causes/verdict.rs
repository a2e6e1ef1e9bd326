//! One verdict a segment of lost time: probabilities over the causes from the evidence that overlaps it.

use super::weights::{Row, Weights};
use crate::correlate::evidence::Segment;

/// Id and side of every cause, in the order of the contract.
pub const CAUSES: [(&str, &str); 22] = [
    ("base-second-frequency", "base"),
    ("base-weak-signal", "base"),
    ("base-antenna-power", "base"),
    ("base-interference", "base"),
    ("base-multipath", "base"),
    ("base-obstruction", "base"),
    ("base-moved", "base"),
    ("base-restart", "base"),
    ("base-messages", "base"),
    ("base-firmware", "base"),
    ("link-outage", "link"),
    ("link-range", "link"),
    ("link-rover", "link"),
    ("link-station-clash", "link"),
    ("sky-scintillation", "sky"),
    ("sky-storm", "sky"),
    ("long-baseline", "sky"),
    ("rover-obstruction", "rover"),
    ("rover-tracking", "rover"),
    ("rover-interference", "rover"),
    ("rover-restart", "rover"),
    ("rover-firmware", "rover"),
];

/// No evidence strong enough.
pub const UNEXPLAINED: &str = "unexplained";

/// Index of a cause in [`CAUSES`].
pub fn index_of(cause: &str) -> Option<usize> {
    CAUSES.iter().position(|(id, _)| *id == cause)
}

/// The verdict on one segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Index into [`CAUSES`]; `None` is `unexplained`.
    pub cause: Option<usize>,
    /// Its probability.
    pub probability: f64,
    /// Log-odds that each piece of evidence gave to the chosen cause, largest first: feature index and log-odds.
    pub reasons: Vec<(usize, f64)>,
}

/// Judges one segment. `extra` adds log-odds a cause (what the site as a whole says).
pub fn judge(segment: &Segment, weights: &Weights, extra: &[f64; 22]) -> Verdict {
    let mut scores = [0.0_f64; 22];
    let mut reasons: Vec<Vec<(usize, f64)>> = vec![Vec::new(); CAUSES.len()];
    // Evidence that depends on one observation counts once: the strongest piece of each group.
    let mut groups: Vec<&str> = Vec::new();
    let mut pieces: Vec<(usize, usize, &Row)> = Vec::with_capacity(segment.features.len());
    for (k, f) in segment.features.iter().enumerate() {
        let Some(row) = weights.row(&f.id) else { continue };
        let group = groups.iter().position(|g| *g == row.group).unwrap_or_else(|| {
            groups.push(&row.group);
            groups.len() - 1
        });
        pieces.push((k, group, row));
    }
    let never = never(segment);
    let mut best: Vec<Option<(usize, f64)>> = Vec::new();
    for (c, (cause, _)) in CAUSES.iter().enumerate() {
        best.clear();
        best.resize(groups.len(), None);
        for (k, group, row) in &pieces {
            let says = row.by_cause.get(c).copied().unwrap_or(0.0) * segment.features[*k].strength;
            if says != 0.0 && best[*group].is_none_or(|b| says.abs() > b.1.abs()) {
                best[*group] = Some((*k, says));
            }
        }
        let own: f64 =
            best.iter().flatten().filter(|(k, s)| *s > 0.0 && is_own(&segment.features[*k].id)).map(|(_, s)| s).sum();
        let total: f64 = best.iter().flatten().map(|(_, s)| s).sum();
        scores[c] = weights.prior(cause) + extra[c] + total + never[c];
        let missing = 1.0 - own / weights.calibration.least_own.max(f64::MIN_POSITIVE);
        scores[c] -= weights.calibration.without_own * missing.max(0.0);
        reasons[c].extend(best.iter().flatten());
        reasons[c].sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    }
    let unexplained = weights.prior(UNEXPLAINED);
    let highest = scores.iter().copied().fold(unexplained, f64::max);
    let odds = |score: f64| ((score - highest) / weights.calibration.temperature).exp();
    let total: f64 = scores.iter().map(|s| odds(*s)).sum::<f64>() + odds(unexplained);
    let best = (0..scores.len()).max_by(|a, b| scores[*a].total_cmp(&scores[*b])).unwrap_or(0);
    if scores[best] > unexplained {
        Verdict {
            cause: Some(best),
            probability: weights.calibration.most * odds(scores[best]) / total,
            reasons: std::mem::take(&mut reasons[best]),
        }
    } else {
        Verdict { cause: None, probability: weights.calibration.most * odds(unexplained) / total, reasons: Vec::new() }
    }
}

/// Whether a piece of evidence speaks of the cause itself, not only of the circumstances.
fn is_own(id: &str) -> bool {
    !matches!(
        id,
        "context:others-lost"
            | "context:others-fixed"
            | "context:no-others"
            | "context:neighbours-lost"
            | "context:neighbours-fixed"
            | "context:equatorial-evening"
            | "context:auroral"
            | "context:base-tracks-well"
            | "context:base-log-missing"
            | "context:corrections-old"
            | "context:ionosphere-quiet"
            | "context:state-float"
            | "context:state-low"
            | "context:corrections-stop-together"
            | "context:corrections-stop-apart"
            | "standing:emitter-near"
            | "standing:airport-near"
    )
}

/// Causes that must not be said of a segment.
pub fn ruled_out(segment: &Segment) -> Vec<&'static str> {
    CAUSES.iter().zip(never(segment)).filter(|(_, n)| *n < 0.0).map(|((cause, _), _)| *cause).collect()
}

/// What must never be said (`analysis.md`, Verdicts): log-odds so low that nothing outweighs them.
fn never(segment: &Segment) -> [f64; 22] {
    const NEVER: f64 = -12.0;
    let others = segment.others;
    let strength = |id: &str| segment.features.iter().find(|f| f.id == id).map_or(0.0, |f| f.strength);
    let fresh = strength("context:corrections-fresh");
    let interference = strength("base:band-drop")
        + strength("base:band-jumps")
        + strength("base:spectrum-spike")
        + strength("base:all-bands-drop");
    let signs = [
        strength("base:satellites-fading") + strength("base:scintillation") + strength("base:ionosphere-disturbed")
            > 0.05,
        strength("context:equatorial-evening") + strength("context:auroral") > 0.1,
        strength("sky:kp-storm") + strength("sky:flare") > 0.1,
    ];
    let signs = signs.iter().filter(|s| **s).count();
    CAUSES.map(|(cause, side)| {
        let mut sum = 0.0;
        // A base cause for loss that only one of several observed rovers has.
        if side == "base" && others.observed >= 2 && others.lost_share < 0.1 {
            sum += NEVER;
        }
        // A rover cause for loss that all have at once.
        if side == "rover" && others.observed >= 2 && others.lost_share > 0.9 {
            sum += NEVER;
        }
        // A link cause while corrections are fresh (a clash delivers fresh corrections of the wrong base).
        if side == "link" && cause != "link-station-clash" && fresh > 0.9 {
            sum += NEVER;
        }
        // Interference from a slow drift: it needs a drop, jumps or a spike of its own.
        if cause == "base-interference" && interference < 0.05 {
            sum += NEVER;
        }
        // A sky cause from one base while its neighbours were quiet; without neighbours it needs two of: several satellites
        // fading, the place and local time for it, Kp or a flare.
        if side == "sky" && cause != "long-baseline" {
            if segment.neighbours.observed >= 2 && segment.neighbours.lost_share < 0.03 {
                sum += NEVER;
            }
            if segment.neighbours.observed == 0 && signs < 2 {
                sum += NEVER;
            }
        }
        sum
    })
}
