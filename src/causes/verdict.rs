//! One verdict a segment of lost time: probabilities over the causes from the evidence that overlaps it.

use super::weights::{Row, Weights};
use crate::correlate::segment::Segment;

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
    /// How the segment's lost time is shared out between the causes, in the order of [`CAUSES`], with `unexplained` last: the
    /// probabilities, sum 1.
    pub shares: [f64; CAUSES.len() + 1],
}

impl Verdict {
    /// Part of the lost time that a cause gets (`None`: `unexplained`).
    pub fn share(&self, cause: Option<usize>) -> f64 {
        self.shares.get(cause.unwrap_or(CAUSES.len())).copied().unwrap_or(0.0)
    }
}

/// The pieces of evidence of a segment that the table knows, sorted into groups that come from one observation.
struct Pieces<'a> {
    segment: &'a Segment,
    /// Feature, group, row of the table.
    pieces: Vec<(usize, usize, &'a Row)>,
    groups: usize,
}

impl<'a> Pieces<'a> {
    fn of(segment: &'a Segment, weights: &'a Weights) -> Pieces<'a> {
        let mut groups: Vec<&str> = Vec::new();
        let mut pieces = Vec::with_capacity(segment.features.len());
        for (k, f) in segment.features.iter().enumerate() {
            let Some(row) = weights.row(&f.id) else { continue };
            let group = groups.iter().position(|g| *g == row.group).unwrap_or_else(|| {
                groups.push(&row.group);
                groups.len() - 1
            });
            pieces.push((k, group, row));
        }
        Pieces { segment, pieces, groups: groups.len() }
    }

    /// What each group says of a cause: evidence that depends on one observation counts once, by its strongest piece.
    fn says(&self, cause: usize, best: &mut Vec<Option<(usize, f64)>>) {
        best.clear();
        best.resize(self.groups, None);
        for (k, group, row) in &self.pieces {
            let says = row.by_cause.get(cause).copied().unwrap_or(0.0) * self.segment.features[*k].strength;
            if says != 0.0 && best[*group].is_none_or(|b| says.abs() > b.1.abs()) {
                best[*group] = Some((*k, says));
            }
        }
    }
}

/// Log-odds that each piece of evidence of a segment gives to a cause, largest first: feature index and log-odds.
pub fn reasons(segment: &Segment, weights: &Weights, cause: usize) -> Vec<(usize, f64)> {
    let mut best = Vec::new();
    Pieces::of(segment, weights).says(cause, &mut best);
    let mut out: Vec<(usize, f64)> = best.into_iter().flatten().collect();
    out.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    out
}

/// What the evidence of one segment says of each cause, in the order of [`CAUSES`], whatever the site as a whole says.
pub struct Heard {
    /// Log-odds of all evidence.
    total: [f64; CAUSES.len()],
    /// Of these, what speaks for the cause itself.
    own: [f64; CAUSES.len()],
    /// [`never`].
    never: [f64; CAUSES.len()],
}

/// Hears the evidence of one segment.
pub fn hear(segment: &Segment, weights: &Weights) -> Heard {
    let mut heard = Heard { total: [0.0; CAUSES.len()], own: [0.0; CAUSES.len()], never: never(segment) };
    let pieces = Pieces::of(segment, weights);
    let is_own: Vec<bool> = segment.features.iter().map(|f| is_own(&f.id)).collect();
    let mut best: Vec<Option<(usize, f64)>> = Vec::new();
    for (c, (total, own)) in heard.total.iter_mut().zip(&mut heard.own).enumerate() {
        pieces.says(c, &mut best);
        *own = best.iter().flatten().filter(|(k, s)| *s > 0.0 && is_own[*k]).map(|(_, s)| s).sum();
        *total = best.iter().flatten().map(|(_, s)| s).sum();
    }
    heard
}

/// Judges one segment. `extra` adds log-odds a cause (what the site as a whole says).
pub fn judge(heard: &Heard, weights: &Weights, extra: &[f64; 22]) -> Verdict {
    let mut scores = [0.0_f64; 22];
    let Heard { total, own, never } = heard;
    let mut speaks = [false; CAUSES.len()];
    for (c, (cause, _)) in CAUSES.iter().enumerate() {
        scores[c] = weights.prior(cause) + extra[c] + total[c] + never[c];
        let missing = 1.0 - own[c] / weights.calibration.least_own.max(f64::MIN_POSITIVE);
        scores[c] -= weights.calibration.without_own * missing.max(0.0);
        speaks[c] = never[c] >= 0.0 && missing <= 0.5;
    }
    let unexplained = weights.prior(UNEXPLAINED);
    let highest = scores.iter().copied().fold(unexplained, f64::max);
    let mut shares = [0.0_f64; CAUSES.len() + 1];
    for (share, score) in shares.iter_mut().zip(scores.iter().chain([&unexplained])) {
        *share = ((score - highest) / weights.calibration.temperature).exp();
    }
    let best = (0..scores.len()).max_by(|a, b| scores[*a].total_cmp(&scores[*b])).unwrap_or(0);
    let cause = (scores[best] > unexplained).then_some(best);
    let mut verdict = Verdict { cause, probability: 0.0, shares };
    verdict.probability = weights.calibration.most * verdict.share(cause) / shares.iter().sum::<f64>();
    // Time is shared out between causes with evidence of their own that are not ruled out; the rest is nobody's.
    for (c, share) in verdict.shares.iter_mut().take(CAUSES.len()).enumerate() {
        if !speaks[c] && cause != Some(c) {
            *share = 0.0;
        }
    }
    let total: f64 = verdict.shares.iter().sum();
    verdict.shares.iter_mut().for_each(|s| *s /= total);
    verdict
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
            | "context:own-signals-steady"
            | "context:corrections-old"
            | "context:ionosphere-quiet"
            | "context:storm-not-over-base"
            | "context:no-position"
            | "context:state-float"
            | "context:state-low"
            | "context:corrections-stop-together"
            | "context:corrections-stop-apart"
            | "context:others-old-anyway"
            | "context:lost-with-fresh"
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
    const NEVER: f64 = -40.0;
    /// Fading that was seen so clearly is a sign (from 0.05 to 0.15 the tuning seeds of `weights.toml` tell no difference).
    const FADES: f64 = 0.1;
    let others = segment.others;
    let strength = |id: &str| segment.strength(id);
    let fresh = strength("context:corrections-fresh").max(strength("context:corrections-as-sent"));
    let in_turn = strength("context:others-in-turn");
    let interference = strength("base:band-drop")
        + strength("base:band-jumps")
        + strength("base:spectrum-spike")
        + strength("base:all-bands-drop");
    // Dispersive phase, the place and the hour for it, Kp, a flare or steep maps. Satellites that only fade can be reflections: they
    // stand for scintillation where its place and hour fit, never for a storm, which swings without fading.
    let swings = strength("base:scintillation") + strength("base:ionosphere-disturbed") > 0.05;
    let kp = strength("sky:kp-storm");
    let steep = strength("sky:steep-ionosphere");
    let announced = kp + strength("sky:flare") + steep > 0.1;
    let (evening, auroral) = (strength("context:equatorial-evening") > 0.1, strength("context:auroral") > 0.1);
    let storm_signs = [
        swings,
        // Of a geomagnetic storm: the auroral zone, or maps that show it over this very place. Of a radio burst of the Sun: the day side,
        // where it reaches base and rovers alike, also where so much is lost anyway that it changes little; a flare alone does nothing
        // more in the auroral zone than elsewhere.
        (kp > 0.1 && (auroral || steep > 0.1)) || segment.both_down > 0.3,
        announced,
    ];
    let here = evening || auroral;
    // What was seen counts, also where it holds all night and the loss comes and goes.
    let scintillation_signs = [swings || (here && segment.fading > FADES), here, announced];
    let count = |signs: [bool; 3]| signs.iter().filter(|s| **s).count();
    let (storm_signs, scintillation_signs) = (count(storm_signs), count(scintillation_signs));
    CAUSES.map(|(cause, side)| {
        let mut sum = 0.0;
        // A base cause for loss that only one of several observed rovers has. Where most of them lose fix in the same hour, each at
        // its own moments, it is not only one (half of the others, 0.45: tuning seeds 535001-536010; 0.6 until both generators said so).
        if side == "base" && others.observed >= 2 && others.lost_share < 0.1 && in_turn < 0.45 {
            sum += NEVER;
        }
        // A rover cause for loss that all have at once.
        if side == "rover" && others.observed >= 2 && others.lost_share > 0.9 {
            sum += NEVER;
        }
        // A link cause while corrections are fresh, or as fresh as the base sends them (a clash delivers fresh corrections of the wrong base).
        if side == "link" && cause != "link-station-clash" && fresh > 0.9 {
            sum += NEVER;
        }
        // Interference from a slow drift: it needs a drop, jumps or a spike of its own.
        if cause == "base-interference" && interference < 0.05 {
            sum += NEVER;
        }
        // A sky cause from one base while its neighbours were quiet, before and after too, as fading hits them in turn; without neighbours
        // it needs two signs.
        if side == "sky" && cause != "long-baseline" {
            let quiet = segment.neighbours.lost_share.max(segment.neighbours_around.lost_share) < 0.03;
            if segment.neighbours.observed >= 2 && quiet {
                sum += NEVER;
            }
            let signs = if cause == "sky-storm" { storm_signs } else { scintillation_signs };
            if segment.neighbours.observed == 0 && signs < 2 {
                sum += NEVER;
            }
        }
        sum
    })
}
