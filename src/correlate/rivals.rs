//! Conditions that hold at the same time: which of them is why the fix is lost.

use super::association::Association;
use super::evidence::{ByKind, Feature, Timing};
use std::collections::BTreeMap;

/// How much of the time of a kind is lost, and whether that is well shown, by evidence id.
pub(super) struct Rates(BTreeMap<String, (f64, bool)>);

impl Rates {
    pub(super) fn of(scopes: &[(&str, &ByKind)], timing: &dyn Fn(&str) -> Timing) -> Rates {
        let one = |scope: &str, kind: &str, a: &Association| {
            let id = format!("{scope}:{kind}");
            let strong = a.is_strong(timing(&id).alone);
            (id, (a.inside, strong))
        };
        Rates(scopes.iter().flat_map(|(scope, kinds)| kinds.iter().map(move |(k, a)| one(scope, k, a))).collect())
    }
}

/// Of two conditions that hold at once, the one under which a rover mostly keeps its fix is hardly why it is lost while the other one
/// holds, under which it is lost nearly always: each counts by the part of its time that is lost (noisy-or, Pearl 1988).
pub(super) fn outdone(features: &mut [Feature], rates: &Rates) {
    let known: Vec<(usize, f64, bool)> = features
        .iter()
        .enumerate()
        .filter_map(|(i, f)| rates.0.get(&f.id).map(|(rate, strong)| (i, *rate, *strong)))
        .collect();
    let strengths: Vec<f64> = features.iter().map(|f| f.strength).collect();
    for (i, rate, _) in &known {
        let least = known
            .iter()
            .filter(|(j, other, strong)| j != i && *strong && other > rate)
            .map(|(j, other, _)| 1.0 - strengths[*j] * (1.0 - rate / other))
            .fold(1.0, f64::min);
        features[*i].strength *= least;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strengths(rates: &[(&str, f64, bool)]) -> Vec<f64> {
        let known = Rates(rates.iter().map(|(id, rate, strong)| ((*id).to_owned(), (*rate, *strong))).collect());
        let mut f: Vec<Feature> =
            rates.iter().map(|(id, ..)| Feature { id: (*id).to_owned(), strength: 0.8, event: None }).collect();
        outdone(&mut f, &known);
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
    fn evidence_without_a_rate_is_left_as_it_is() {
        let mut f = vec![Feature { id: "sky:kp-storm".to_owned(), strength: 1.0, event: None }];
        outdone(&mut f, &Rates(BTreeMap::from([("base:second".to_owned(), (1.0, true))])));
        assert_eq!(f[0].strength, 1.0);
    }
}
