//! Conditions that hold at the same time: which of them is why the fix is lost.

use super::apart::Apart;
use super::association::Association;
use super::evidence::{ByKind, Feature, Timing};
use std::collections::BTreeMap;

/// What is measured or logged at the ports of a receiver that makes it stop or lose its satellites, or a signal so weak that it loses them.
pub(super) const REASONS: [&str; 9] = [
    "antenna-voltage-low",
    "antenna-current-none",
    "antenna-current-high",
    "antenna-open",
    "antenna-short",
    "supply-voltage-low",
    "power-fail",
    "overheat",
    "weak-whole-sky",
];

/// How a receiver that stops or loses its satellites shows: the consequence does not stand against its reason.
pub(super) const CONSEQUENCES: [&str; 8] = [
    "stream-gap",
    "observables-missing",
    "observables-irregular",
    "lock-reset",
    "restart",
    "satellites-few",
    "satellites-few-weak",
    "second-frequency-lost",
];

/// What a disturbed ionosphere does to signals, or is taken for.
const OF_STORM: [&str; 6] =
    ["ionosphere-disturbed", "scintillation", "satellites-fading", "common-slip", "slips-many", "multipath"];

/// Why a base tracks few satellites, of which a rover can use only those.
const TAKES_SATELLITES: [&str; 4] = ["sky-blocked", "sky-covered", "satellites-few", "satellites-few-weak"];

/// Whether the second is what the first leads to: both of one unit, the first in the sky, or satellites that the base does not have.
fn leads_to(reason: &str, consequence: &str) -> bool {
    match (reason.split_once(':'), consequence.split_once(':')) {
        (Some(("sky", _) | ("context", "equatorial-evening" | "scintillation-around")), Some((_, seen))) => {
            OF_STORM.contains(&seen)
        }
        (Some(("base", reason)), Some(("rover", "rover-few-satellites"))) => TAKES_SATELLITES.contains(&reason),
        (Some((a, reason)), Some((b, seen))) => a == b && REASONS.contains(&reason) && CONSEQUENCES.contains(&seen),
        _ => false,
    }
}

/// What is known of a kind: how much of its time is lost, whether that is well shown, and its group. The numbers count where no pair is
/// known (`Apart`).
#[derive(Clone, Copy)]
struct Rate {
    lost: f64,
    strong: bool,
    group: Option<u16>,
    /// It can stand against others: that loss goes with it was tested.
    rival: bool,
}

impl Rate {
    fn of_this(self, begun: Option<&f64>) -> Rate {
        match begun {
            Some(begun) => Rate { lost: self.lost.max(*begun), strong: self.strong || *begun >= 0.5, ..self },
            None => self,
        }
    }
}

/// By evidence id.
pub(super) struct Rates<'a> {
    of: BTreeMap<String, Rate>,
    /// Pairs of kinds: over all rovers of the base, and of this one.
    apart: [&'a Apart; 2],
}

impl Rates<'_> {
    pub(super) fn of<'a>(
        scopes: &[(&str, &ByKind)],
        apart: [&'a Apart; 2],
        timing: &dyn Fn(&str) -> Timing,
    ) -> Rates<'a> {
        let one = |scope: &str, kind: &str, a: &Association| {
            let id = format!("{scope}:{kind}");
            let how = timing(&id);
            let rate = Rate { lost: a.inside, strong: a.is_strong(how.alone), group: how.group, rival: true };
            (id, rate)
        };
        let of = scopes.iter().flat_map(|(scope, kinds)| kinds.iter().map(move |(k, a)| one(scope, k, a))).collect();
        Rates { of, apart }
    }

    /// Of a condition without an association only pairs are known.
    fn rate(&self, id: &str) -> Option<Rate> {
        const ONLY_PAIRS: Rate = Rate { lost: 1.0, strong: false, group: None, rival: false };
        self.of.get(id).copied().or_else(|| self.apart.iter().any(|a| a.knows(id)).then_some(ONLY_PAIRS))
    }

    fn shares(&self, of: &str, beside: &str) -> Option<(f64, f64)> {
        self.apart.iter().find_map(|a| a.shares(of, beside))
    }
}

/// Where a pair is known, its two lost shares tell how the loss goes with the second condition beside the first; how far that is shown
/// over all time, by its strength, then counts by this power only (chosen on seeds 535001-535020 and 536001-536020).
const OF_PAIRS: f64 = 0.2;

/// Of two conditions that hold at once, the one under which a rover mostly keeps its fix is hardly why it is lost while the other one
/// holds, under which it is lost nearly always: each counts by the part of its time that is lost (noisy-or, Pearl 1988).
/// `begun`: how likely this loss is the work of an event of the kind that it begins with.
pub(super) fn outdone(features: &mut [Feature], rates: &Rates, begun: &BTreeMap<&str, f64>) {
    let known: Vec<(usize, Rate)> = features
        .iter()
        .enumerate()
        .filter_map(|(i, f)| rates.rate(&f.id).map(|rate| (i, rate.of_this(begun.get(f.id.as_str())))))
        .collect();
    let strengths: Vec<f64> = features.iter().map(|f| f.strength).collect();
    for (i, rate) in &known {
        let one_observation = |other: &Rate| rate.group.is_some() && rate.group == other.group;
        let least = known
            .iter()
            .filter(|(j, other)| j != i && other.rival && !one_observation(other))
            .filter(|(j, _)| !leads_to(&features[*i].id, &features[*j].id))
            .filter_map(|(j, other)| {
                let all = || other.strong.then_some((rate.lost, other.lost));
                let pair = rates.shares(&features[*i].id, &features[*j].id);
                let stands = if pair.is_some() { strengths[*j].powf(OF_PAIRS) } else { strengths[*j] };
                let (without, with) = pair.or_else(all)?;
                (with > without).then(|| 1.0 - stands * (1.0 - without / with))
            })
            .fold(1.0, f64::min);
        features[*i].strength *= least;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::apart::Holds;
    use crate::correlate::grid::{CELL_MS, Grid};
    use std::sync::LazyLock;

    fn rate(lost: f64, strong: bool, group: Option<u16>) -> Rate {
        Rate { lost, strong, group, rival: true }
    }

    fn of<'a>(rates: impl IntoIterator<Item = (&'a str, Rate)>) -> Rates<'static> {
        static NO_PAIRS: LazyLock<Apart> = LazyLock::new(Apart::default);
        let of = rates.into_iter().map(|(id, rate)| (id.to_owned(), rate)).collect();
        Rates { of, apart: [&NO_PAIRS, &NO_PAIRS] }
    }

    fn strengths(rates: &[(&str, f64, bool)]) -> Vec<f64> {
        let known = of(rates.iter().map(|(id, lost, strong)| (*id, rate(*lost, *strong, None))));
        let mut f: Vec<Feature> =
            rates.iter().map(|(id, ..)| Feature { id: (*id).to_owned(), strength: 0.8, event: None }).collect();
        outdone(&mut f, &known, &BTreeMap::new());
        f.iter().map(|f| (f.strength * 1000.0).round() / 1000.0).collect()
    }

    #[test]
    fn what_hardly_costs_the_fix_stands_back_behind_what_always_does() {
        // Worked by hand: 0.8 * (1 - 0.8 * (1 - 0.1 / 0.95)) = 0.227.
        assert_eq!(strengths(&[("base:multipath", 0.1, false), ("base:second", 0.95, true)]), [0.227, 0.8]);
        assert_eq!(strengths(&[("base:multipath", 0.95, false), ("base:second", 0.95, true)]), [0.8, 0.8]);
        // Nothing that chance would do as well stands against anything.
        assert_eq!(strengths(&[("base:multipath", 0.1, false), ("base:restart", 1.0, false)]), [0.8, 0.8]);
    }

    #[test]
    fn neither_a_consequence_nor_the_same_observation_stands_against_a_reason() {
        // An antenna without its voltage silences the base: the silence always costs the fix, the low voltage not quite always.
        let port = [("base:antenna-voltage-low", 0.6, false), ("base:stream-gap", 1.0, true)];
        assert_eq!(strengths(&port), [0.8, 0.8]);
        // Of a rover's antenna the base's silence is no consequence. By hand: 0.8 * (1 - 0.8 * 0.4) = 0.544.
        assert_eq!(strengths(&[("rover:antenna-open", 0.6, false), ("base:stream-gap", 1.0, true)]), [0.544, 0.8]);
        let grouped = |group| {
            let known = of([("a:x", rate(0.5, true, Some(1))), ("a:y", rate(1.0, true, Some(group)))]);
            let mut f: Vec<Feature> =
                ["a:x", "a:y"].map(|id| Feature { id: id.to_owned(), strength: 0.8, event: None }).to_vec();
            outdone(&mut f, &known, &BTreeMap::new());
            f[0].strength
        };
        assert!(grouped(1) == 0.8 && grouped(2) < 0.5);
    }

    #[test]
    fn a_kind_that_the_loss_begins_with_stands_against_what_always_holds() {
        let known = [("base:satellites-fading", 0.5, false), ("base:common-slip", 0.55, false)];
        let known = of(known.iter().map(|(id, lost, strong)| (*id, rate(*lost, *strong, None))));
        let mut f: Vec<Feature> = ["base:satellites-fading", "base:common-slip"]
            .map(|id| Feature { id: id.to_owned(), strength: 0.9, event: None })
            .to_vec();
        outdone(&mut f, &known, &BTreeMap::from([("base:common-slip", 1.0)]));
        // By hand: 0.9 * (1 - 0.9 * 0.5).
        assert!((f[0].strength - 0.495).abs() < 1e-9 && f[1].strength == 0.9, "{f:?}");
    }

    #[test]
    fn what_always_holds_counts_by_what_is_lost_without_the_other() {
        // Ten hours of reflections; half of them without the second frequency, where all is lost, and an eighth of the rest.
        let cells = 3600;
        let lost = |i: usize| if i < cells / 2 || i.is_multiple_of(8) { 10_000 } else { 0 };
        let grid =
            Grid { first: 0, observed: vec![10_000; cells], lost: (0..cells).map(lost).collect(), old: vec![0; cells] };
        let (half, whole) = (CELL_MS * cells as i64 / 2, CELL_MS * cells as i64);
        let holds = |id: &str, to| Holds::new(id.to_owned(), vec![(0, to)], false);
        let apart = Apart::of(&[holds("base:multipath", whole), holds("base:second", half)], &[&grid]);
        let of = [("base:multipath", rate(0.56, false, None)), ("base:second", rate(1.0, false, None))];
        let of = of.into_iter().map(|(id, rate)| (id.to_owned(), rate)).collect();
        let rates = Rates { of, apart: [&apart, &apart] };
        let mut f: Vec<Feature> = ["base:multipath", "base:second"]
            .map(|id| Feature { id: id.to_owned(), strength: 0.8, event: None })
            .to_vec();
        outdone(&mut f, &rates, &BTreeMap::new());
        // By hand: 0.8 * (1 - 0.8^0.2 * (1 - 0.125 / 1)) = 0.1305.
        assert!((f[0].strength - 0.1305).abs() < 1e-4 && f[1].strength == 0.8, "{f:?}");
    }

    #[test]
    fn a_storm_is_not_held_against_what_it_does_itself() {
        assert!(leads_to("sky:kp-storm", "base:scintillation") && !leads_to("sky:kp-storm", "base:satellites-few"));
        assert!(!leads_to("base:scintillation", "sky:kp-storm"));
        assert!(leads_to("context:equatorial-evening", "base:satellites-fading"));
    }

    #[test]
    fn evidence_without_a_rate_is_left_as_it_is() {
        let mut f = vec![Feature { id: "sky:kp-storm".to_owned(), strength: 1.0, event: None }];
        let known = of([("base:second", rate(1.0, true, None))]);
        outdone(&mut f, &known, &BTreeMap::new());
        assert_eq!(f[0].strength, 1.0);
    }
}
