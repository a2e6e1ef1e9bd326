//! The table of weights: what each piece of evidence says for or against each cause.

use super::verdict::UNEXPLAINED;
use crate::correlate::evidence::Timing;
use serde::Deserialize;
use std::collections::BTreeMap;

/// The table that ships with the program.
pub const SHIPPED: &str = include_str!("weights.toml");

/// How far an event convinces by itself where the table says nothing.
const ALONE: f64 = 0.3;

fn alone() -> f64 {
    ALONE
}

#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    calibration: Calibration,
    prior: BTreeMap<String, f64>,
    evidence: Vec<Row>,
}

/// How scores become probabilities.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Scores are divided by it.
    pub temperature: f64,
    /// The least evidence for a cause by itself, log-odds, without what everybody shares (who else, place in the world).
    pub least_own: f64,
    /// Taken from a cause with less.
    pub without_own: f64,
    /// The most that a verdict is sure of: evidence can be full and the table wrong.
    pub most: f64,
    /// Slope and shift of the logistic curve from the mean probability of a cause at a site to how often it is one there.
    pub site_slope: f64,
    /// See `site_slope`.
    pub site_shift: f64,
    /// What the logarithm of the cause's part of the site's lost time adds: a small part is often the rest of another cause.
    pub site_share: f64,
    /// What is taken away for the part of the cause's time that no log of the base covers.
    pub site_blind: f64,
}

impl Calibration {
    /// How sure a site's ranking may be of a cause whose stretches have this mean probability, that has this part of the lost time
    /// and of whose time this part is not covered by a log of the base, all 0 to 1 (logistic curve, Platt 1999; fitted by
    /// `scripts/fit/confidence.py`).
    pub fn of_site(&self, mean: f64, share: f64, blind: f64) -> f64 {
        let p = (mean / self.most.max(f64::MIN_POSITIVE)).clamp(1e-6, 1.0 - 1e-6);
        let part = self.site_share * share.clamp(1e-3, 1.0).ln();
        let score = self.site_slope * (p / (1.0 - p)).ln() + self.site_shift + part - self.site_blind * blind;
        self.most / (1.0 + (-score).exp())
    }
}

/// One piece of evidence.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    /// `scope:kind`.
    pub id: String,
    /// How long it goes on to work after its end, s.
    #[serde(default)]
    pub after_s: f64,
    /// How exactly its times are known, s.
    #[serde(default)]
    pub exact_s: f64,
    /// It takes the fix by itself (no correction, no fix): how often loss goes with it need not be shown.
    #[serde(default)]
    pub direct: bool,
    /// It can stop the corrections.
    #[serde(default)]
    pub stops: bool,
    /// How far it convinces although too little loss met it to rule out chance, 0 to 1.
    #[serde(default = "alone")]
    pub alone: f64,
    /// Evidence of one group comes from one observation.
    pub group: String,
    /// Log-odds by cause id or side.
    pub says: BTreeMap<String, f64>,
    /// The same, of each cause (its own and its side's) in the order of the causes given to [`Weights::parse`].
    #[serde(skip)]
    pub by_cause: Vec<f64>,
}

impl Row {
    /// Fills `by_cause` from `says`.
    fn spread(&mut self, cause_sides: &[(&str, &str)]) {
        let of = |name: &str| self.says.get(name).copied().unwrap_or(0.0);
        self.by_cause = cause_sides.iter().map(|(cause, side)| of(cause) + of(side)).collect();
    }
}

/// The weights in use.
#[derive(Debug, Clone)]
pub struct Weights {
    /// How scores become probabilities.
    pub calibration: Calibration,
    prior: BTreeMap<String, f64>,
    rows: BTreeMap<String, Row>,
    /// Names of the groups.
    groups: Vec<String>,
}

impl Weights {
    /// Reads a table.
    ///
    /// # Errors
    /// TOML faults with line and column; an id that stands twice; a cause or side that does not exist.
    pub fn parse(text: &str, cause_sides: &[(&str, &str)]) -> Result<Weights, String> {
        let table: Table = toml::from_str(text).map_err(|e| format!("weights: {e}"))?;
        let known = |name: &str| cause_sides.iter().any(|(cause, side)| *cause == name || *side == name);
        let mut rows = BTreeMap::new();
        for mut row in table.evidence {
            row.spread(cause_sides);
            if let Some(bad) = row.says.keys().find(|k| !known(k)) {
                return Err(format!("weights: `{}` names `{bad}`, which is neither a cause nor a side", row.id));
            }
            if let Some(twice) = rows.insert(row.id.clone(), row) {
                return Err(format!("weights: `{}` stands twice", twice.id));
            }
        }
        if let Some(bad) = table.prior.keys().find(|k| k.as_str() != UNEXPLAINED && !known(k)) {
            return Err(format!("weights: prior of `{bad}`, which is no cause"));
        }
        if !(table.calibration.temperature.is_finite() && table.calibration.temperature > 0.0) {
            return Err("weights: calibration.temperature must be above 0".to_owned());
        }
        let mut groups: Vec<String> = rows.values().map(|row: &Row| row.group.clone()).collect();
        groups.sort_unstable();
        groups.dedup();
        Ok(Weights { calibration: table.calibration, prior: table.prior, rows, groups })
    }

    /// Log-odds before any evidence.
    pub fn prior(&self, cause: &str) -> f64 {
        self.prior.get(cause).copied().unwrap_or(0.0)
    }

    /// The row of a piece of evidence; `None`: it says nothing.
    pub fn row(&self, id: &str) -> Option<&Row> {
        self.rows.get(id)
    }

    /// All rows by id.
    pub fn rows(&self) -> impl Iterator<Item = &Row> {
        self.rows.values()
    }

    /// How a piece of evidence works in time.
    pub fn timing(&self, id: &str) -> Timing {
        match self.rows.get(id) {
            Some(row) => Timing {
                after_ms: (row.after_s * 1000.0) as i64,
                resolution_ms: (row.exact_s * 1000.0) as i64,
                direct: row.direct,
                stops: row.stops,
                alone: row.alone,
                group: self.groups.iter().position(|g| *g == row.group).and_then(|at| u16::try_from(at).ok()),
            },
            None => Timing {
                after_ms: 60_000,
                resolution_ms: 15_000,
                direct: false,
                stops: true,
                alone: ALONE,
                group: None,
            },
        }
    }

    /// What a piece of evidence says about a cause of a side, log-odds at full strength.
    pub fn says(&self, id: &str, cause: &str, side: &str) -> f64 {
        let Some(row) = self.rows.get(id) else { return 0.0 };
        row.says.get(cause).copied().unwrap_or(0.0) + row.says.get(side).copied().unwrap_or(0.0)
    }
}

impl Weights {
    /// Puts the user's numbers over the table's.
    ///
    /// # Errors
    /// An evidence id that the table does not have, or a name that is neither a cause nor a side.
    pub fn override_with(
        &mut self,
        given: &BTreeMap<String, BTreeMap<String, f64>>,
        cause_sides: &[(&str, &str)],
    ) -> Result<(), String> {
        for (id, says) in given {
            let Some(row) = self.rows.get_mut(id) else {
                return Err(format!("settings, [weights]: there is no evidence `{id}`"));
            };
            for (name, value) in says {
                if !cause_sides.iter().any(|(cause, side)| cause == name || side == name) {
                    return Err(format!("settings, [weights] `{id}`: `{name}` is neither a cause nor a side"));
                }
                row.says.insert(name.clone(), *value);
            }
            row.spread(cause_sides);
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::panic)]
mod tests {
    use super::*;

    #[test]
    fn a_number_of_the_settings_reaches_the_verdict() {
        let sides = [("a", "base"), ("b", "link")];
        let text = "prior = {}\n[calibration]\ntemperature = 1.0\nleast_own = 1.0\nwithout_own = 1.0\nmost = 1.0\nsite_slope = 1.0\nsite_shift = 0.0\nsite_share = 0.0\nsite_blind = 0.0\n\
                    [[evidence]]\nid = \"x:y\"\ngroup = \"g\"\nsays = { a = 1.0 }\n";
        let mut weights = Weights::parse(text, &sides).unwrap_or_else(|e| panic!("{e}"));
        let given = BTreeMap::from([("x:y".to_owned(), BTreeMap::from([("link".to_owned(), 2.5)]))]);
        weights.override_with(&given, &sides).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(weights.row("x:y").map(|r| r.by_cause.clone()), Some(vec![1.0, 2.5]));
    }
}
