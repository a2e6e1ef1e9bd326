//! The catalogue: antennas, cables, receivers and firmware with known trouble. The user keeps it; a small generic one ships.

use crate::maths::budget::cable as cable_table;
use crate::model::problem::Problem;
use serde::Deserialize;
use std::cmp::Ordering;

/// The catalogue that ships with the program.
pub const SHIPPED: &str = include_str!("generic-catalogue.toml");

/// An antenna class or type.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct AntennaEntry {
    /// Model as on cards.
    pub model: String,
    /// dB.
    pub gain_db: Option<f64>,
    /// dB.
    pub noise_figure_db: Option<f64>,
    /// V.
    pub supply_min_v: Option<f64>,
    /// V.
    pub supply_max_v: Option<f64>,
}

/// A cable of the user's own: loss in dB per 100 m at named frequencies.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct CableEntry {
    /// Name as on cards.
    pub kind: String,
    /// Pairs of MHz and dB per 100 m.
    #[serde(default)]
    pub db_per_100m: Vec<(f64, f64)>,
    /// Loop resistance, ohm per km.
    pub loop_ohm_per_km: Option<f64>,
}

/// A receiver model.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct ReceiverEntry {
    /// Model as on cards.
    pub model: String,
    /// Noise figure, dB.
    pub noise_figure_db: Option<f64>,
}

/// Firmware with known trouble.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct FirmwareEntry {
    /// Receiver model as on cards; empty: any.
    #[serde(default)]
    pub model: String,
    /// Exact strings or ranges such as `>=4.1.0, <4.1.5`.
    #[serde(default)]
    pub versions: Versions,
    /// What it does.
    #[serde(default)]
    pub trouble: String,
    /// What mends it.
    #[serde(default)]
    pub mends: String,
}

/// One string or several.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum Versions {
    /// One.
    One(String),
    /// Several.
    Many(Vec<String>),
}

impl Default for Versions {
    fn default() -> Versions {
        Versions::Many(Vec::new())
    }
}

/// The catalogue.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Catalogue {
    /// Antennas.
    #[serde(default, rename = "antenna")]
    pub antennas: Vec<AntennaEntry>,
    /// Cables.
    #[serde(default, rename = "cable")]
    pub cables: Vec<CableEntry>,
    /// Receivers.
    #[serde(default, rename = "receiver")]
    pub receivers: Vec<ReceiverEntry>,
    /// Firmware.
    #[serde(default, rename = "firmware")]
    pub firmware: Vec<FirmwareEntry>,
}

impl Catalogue {
    /// The user's catalogue in front of the shipped one.
    pub fn with_shipped(text: Option<&str>) -> (Catalogue, Vec<Problem>) {
        let mut problems = Vec::new();
        let mut all = Catalogue::default();
        for (text, whose) in text.into_iter().map(|t| (t, "the catalogue")).chain([(SHIPPED, "the shipped catalogue")])
        {
            match toml::from_str::<Catalogue>(text) {
                Ok(mut c) => {
                    all.antennas.append(&mut c.antennas);
                    all.cables.append(&mut c.cables);
                    all.receivers.append(&mut c.receivers);
                    all.firmware.append(&mut c.firmware);
                }
                Err(e) => {
                    problems.push(Problem::whole(format!("{whose} is not readable: {e}"), "mend it; it is left out"))
                }
            }
        }
        (all, problems)
    }

    /// An antenna by model, without case.
    pub fn antenna(&self, model: &str) -> Option<&AntennaEntry> {
        (!model.is_empty()).then(|| self.antennas.iter().find(|a| a.model.eq_ignore_ascii_case(model))).flatten()
    }

    /// Loss of a cable at a frequency, dB per 100 m: the user's entry (nearest named frequency below and above, between
    /// them linear), else the shipped table.
    pub fn cable_loss_db_per_100m(&self, kind: &str, mhz: f64) -> Option<f64> {
        if let Some(own) = self.cables.iter().find(|c| c.kind.eq_ignore_ascii_case(kind)) {
            let mut points = own.db_per_100m.clone();
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            let above = points.iter().position(|p| p.0 >= mhz);
            return match above {
                Some(0) => points.first().map(|p| p.1 * (mhz / p.0).sqrt()),
                Some(i) => {
                    let (a, b) = (points[i - 1], points[i]);
                    Some(a.1 + (b.1 - a.1) * (mhz - a.0) / (b.0 - a.0).max(1e-9))
                }
                // Loss grows about with the root of the frequency beyond the last named one.
                None => points.last().map(|p| p.1 * (mhz / p.0).sqrt()),
            };
        }
        cable_table::cable(kind).map(|c| c.loss_db_per_100m(mhz))
    }

    /// Loop resistance of a cable, ohm per km, where the catalogue names it.
    pub fn loop_ohm_per_km(&self, kind: &str) -> Option<f64> {
        self.cables.iter().find(|c| c.kind.eq_ignore_ascii_case(kind)).and_then(|c| c.loop_ohm_per_km)
    }

    /// What is known against a firmware.
    pub fn trouble(&self, model: &str, version: &str) -> Option<&FirmwareEntry> {
        if version.is_empty() {
            return None;
        }
        self.firmware.iter().find(|f| {
            (f.model.is_empty() || f.model.eq_ignore_ascii_case(model))
                && match &f.versions {
                    Versions::One(v) => version_fits(version, v),
                    Versions::Many(v) => v.iter().any(|v| version_fits(version, v)),
                }
        })
    }
}

/// Whether a version is the exact string or fits all parts of a range such as `>=4.1.0, <4.1.5`.
pub fn version_fits(version: &str, rule: &str) -> bool {
    let rule = rule.trim();
    if !rule.starts_with(['<', '>', '=']) {
        return version.trim().eq_ignore_ascii_case(rule);
    }
    rule.split(',').all(|part| {
        let part = part.trim();
        let (op, than) = part.split_at(part.find(|c: char| !matches!(c, '<' | '>' | '=')).unwrap_or(part.len()));
        let order = compare_versions(version, than.trim());
        match op {
            ">=" => order != Ordering::Less,
            "<=" => order != Ordering::Greater,
            ">" => order == Ordering::Greater,
            "<" => order == Ordering::Less,
            "=" | "==" => order == Ordering::Equal,
            _ => false,
        }
    })
}

/// Part by part: numbers as numbers, the rest as text; a missing part counts as 0.
pub fn compare_versions(a: &str, b: &str) -> Ordering {
    let parts = |v: &str| -> Vec<String> {
        v.trim().trim_start_matches(['v', 'V']).split(['.', '-', '_', ' ']).map(str::to_ascii_lowercase).collect()
    };
    let (a, b) = (parts(a), parts(b));
    for i in 0..a.len().max(b.len()) {
        let x = a.get(i).map_or("0", String::as_str);
        let y = b.get(i).map_or("0", String::as_str);
        let order = match (x.parse::<u64>(), y.parse::<u64>()) {
            (Ok(x), Ok(y)) => x.cmp(&y),
            _ => x.cmp(y),
        };
        if order != Ordering::Equal {
            return order;
        }
    }
    Ordering::Equal
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_compare_numbers_part_by_part() {
        assert!(version_fits("4.1.4", ">=4.1.0, <4.1.5"));
        assert!(!version_fits("4.1.10", ">=4.1.0, <4.1.5")); // as text 10 would come before 5
        assert!(version_fits("V4.2", "4.2".trim()) || version_fits("V4.2", "=4.2"));
        assert!(version_fits("5.2.0-rc1", "5.2.0-rc1"));
        assert!(!version_fits("5.2.0", "~5.2"));
    }

    #[test]
    fn the_shipped_catalogue_reads_and_the_users_goes_first() {
        let (c, problems) = Catalogue::with_shipped(Some(
            "[[cable]]\nkind='RG-213'\ndb_per_100m=[[1500.0, 30.0]]\n[[firmware]]\nversions='<2.0'\ntrouble='stops'\n",
        ));
        assert!(problems.is_empty(), "{problems:?}");
        assert!((c.cable_loss_db_per_100m("rg-213", 1500.0).unwrap() - 30.0).abs() < 1e-9);
        // ARRL General Class License Manual, Table 6-1 (fit of check-values 10.5): 400-class 17.3 dB/100 m at L1.
        assert!((c.cable_loss_db_per_100m("400-class", 1575.42).unwrap() - 17.3).abs() < 0.05);
        assert_eq!(c.trouble("any", "1.9.3").unwrap().trouble, "stops");
        assert!(c.trouble("any", "2.0").is_none());
    }
}
