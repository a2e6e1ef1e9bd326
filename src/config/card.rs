//! The unit card (`unit.toml`): who a unit is and what it is made of.

use crate::model::ids::Role;
use crate::model::problem::Problem;
use crate::model::time::{DAY_MS, parse_local};
use crate::model::visible::one_line;
use serde::{Deserialize, Serialize};
use toml::{Table, Value};

/// Receiver of a unit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Receiver {
    /// Compared without case, only to see whether makes are mixed.
    pub make: String,
    /// Model.
    pub model: String,
    /// Serial number.
    pub serial: String,
    /// Firmware version.
    pub firmware: String,
}

/// Antenna of a unit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Antenna {
    /// IGS antenna code where there is one.
    pub model: String,
    /// Gain of the amplifier, dB.
    pub gain_db: Option<f64>,
    /// Noise figure of the amplifier, dB.
    pub noise_figure_db: Option<f64>,
    /// Feed points.
    pub feeds: Option<i64>,
    /// Whether there is a ground plane.
    pub ground_plane: Option<bool>,
    /// What it needs at least, V.
    pub supply_min_v: Option<f64>,
    /// What it takes at most, V.
    pub supply_max_v: Option<f64>,
}

/// Antenna cable.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Cable {
    /// A name of the cable table.
    pub kind: String,
    /// Length, m.
    pub length_m: Option<f64>,
    /// Connectors.
    pub connectors: Option<f64>,
}

/// Surveyed position of a base.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Reference {
    /// Degrees, WGS 84.
    pub latitude: Option<f64>,
    /// Degrees, WGS 84.
    pub longitude: Option<f64>,
    /// Ellipsoidal, antenna reference point, m.
    pub height_m: Option<f64>,
    /// RTCM DF003.
    pub station_id: Option<u16>,
}

/// The radio.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Link {
    /// `uhf`, `900mhz`, `network`, `wifi`, `other`.
    pub kind: String,
    /// MHz.
    pub frequency_mhz: Option<f64>,
    /// W.
    pub power_w: Option<f64>,
    /// Radio antenna above ground, m.
    pub mast_m: Option<f64>,
}

/// A unit card, or an entry of the register.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct UnitCard {
    /// Unit id.
    pub id: String,
    /// Role; `None` when missing or not one of the two words.
    pub role: Option<Role>,
    /// Site id.
    pub site: String,
    /// Words for people.
    pub label: String,
    /// UTC day of the first epoch, days since 1970.
    pub logged_on: Option<i64>,
    /// Receiver.
    pub receiver: Receiver,
    /// Antenna.
    pub antenna: Antenna,
    /// Cable.
    pub cable: Cable,
    /// Reference position.
    pub reference: Reference,
    /// Radio.
    pub link: Link,
}

/// Every text of a table as one visible line, so that the same id is the same wherever it stands.
pub(super) fn visible(table: Table) -> Table {
    fn value(v: Value) -> Value {
        match v {
            Value::String(s) => Value::String(one_line(&s)),
            Value::Array(list) => Value::Array(list.into_iter().map(value).collect()),
            Value::Table(t) => Value::Table(visible(t)),
            other => other,
        }
    }
    table.into_iter().map(|(k, v)| (one_line(&k), value(v))).collect()
}

/// Reads a unit card. What is right is kept; what is wrong is a problem.
pub fn parse(text: &str) -> (Option<UnitCard>, Vec<Problem>) {
    let mut problems = Vec::new();
    let table = match text.trim_start_matches('\u{feff}').parse::<Table>() {
        Ok(table) => visible(table),
        Err(error) => {
            let line = error.span().map(|s| text[..s.start.min(text.len())].matches('\n').count() as u64 + 1);
            problems.push(Problem {
                line,
                offset: None,
                what: format!("the unit card is not TOML: {}", error.message()),
                hint: "mend the line; the bundle is placed by the other means".to_owned(),
            });
            return (None, problems);
        }
    };
    let card = from_table(&table, &mut problems);
    for (name, found) in [("id", !card.id.is_empty()), ("role", card.role.is_some()), ("site", !card.site.is_empty())] {
        if !found {
            problems.push(Problem::whole(
                format!("the unit card has no usable `{name}`"),
                format!("add {name} to [unit]; it is required"),
            ));
        }
    }
    (Some(card), problems)
}

/// A card out of the tables `unit`, `receiver`, `antenna`, `cable`, `reference`, `link`.
pub(super) fn from_table(table: &Table, problems: &mut Vec<Problem>) -> UnitCard {
    const TABLES: [&str; 6] = ["unit", "receiver", "antenna", "cable", "reference", "link"];
    for key in table.keys().filter(|k| !TABLES.contains(&k.as_str())) {
        problems.push(Problem::whole(format!("unknown table `{key}` in the unit card"), "it is left out"));
    }
    let empty = Table::new();
    let sub = |name: &str| table.get(name).and_then(Value::as_table).unwrap_or(&empty);
    let mut card = UnitCard::default();
    {
        let mut r = Reader { table: sub("unit"), name: "unit", problems };
        card.id = r.text("id");
        card.site = r.text("site");
        card.label = r.text("label");
        let role = r.text("role");
        card.role = match role.as_str() {
            "rover" => Some(Role::Rover),
            "base" => Some(Role::Base),
            "" => None,
            other => {
                r.bad("role", &format!("`{other}`"), "rover or base");
                None
            }
        };
        card.logged_on = r.day("logged_on");
    }
    parts(table, &mut card, problems);
    card
}

/// Fills the parts (receiver, antenna, ...) of a card.
pub(super) fn parts(table: &Table, card: &mut UnitCard, problems: &mut Vec<Problem>) {
    let empty = Table::new();
    let sub = |name: &str| table.get(name).and_then(Value::as_table).unwrap_or(&empty);
    let mut r = Reader { table: sub("receiver"), name: "receiver", problems };
    card.receiver = Receiver {
        make: r.text("make"),
        model: r.text("model"),
        serial: r.text("serial"),
        firmware: r.text("firmware"),
    };
    let mut r = Reader { table: sub("antenna"), name: "antenna", problems };
    card.antenna = Antenna {
        model: r.text("model"),
        gain_db: r.number("gain_db"),
        noise_figure_db: r.number("noise_figure_db"),
        feeds: r.number("feeds").map(|f| f as i64),
        ground_plane: r.flag("ground_plane"),
        supply_min_v: r.number("supply_min_v"),
        supply_max_v: r.number("supply_max_v"),
    };
    let mut r = Reader { table: sub("cable"), name: "cable", problems };
    card.cable = Cable { kind: r.text("kind"), length_m: r.number("length_m"), connectors: r.number("connectors") };
    let mut r = Reader { table: sub("reference"), name: "reference", problems };
    card.reference = Reference {
        latitude: r.number("latitude").filter(|v| (-90.0..=90.0).contains(v)),
        longitude: r.number("longitude").filter(|v| (-360.0..=360.0).contains(v)),
        height_m: r.number("height_m"),
        station_id: r.number("station_id").filter(|v| (0.0..=4095.0).contains(v)).map(|v| v as u16),
    };
    let mut r = Reader { table: sub("link"), name: "link", problems };
    card.link = Link {
        kind: r.text("kind"),
        frequency_mhz: r.number("frequency_mhz"),
        power_w: r.number("power_w"),
        mast_m: r.number("mast_m"),
    };
}

/// Takes fields of one table; a wrong type is a problem and the field is left out.
pub(super) struct Reader<'a> {
    pub(super) table: &'a Table,
    pub(super) name: &'static str,
    pub(super) problems: &'a mut Vec<Problem>,
}

impl Reader<'_> {
    pub(super) fn bad(&mut self, key: &str, found: &str, wanted: &str) {
        self.problems.push(Problem::whole(
            format!("{}.{key} is {found}, expected {wanted}", self.name),
            "the field is left out; mend it in the card or register",
        ));
    }

    pub(super) fn text(&mut self, key: &str) -> String {
        match self.table.get(key) {
            None => String::new(),
            Some(Value::String(s)) => s.trim().to_owned(),
            Some(Value::Integer(i)) => i.to_string(),
            Some(Value::Float(f)) => f.to_string(),
            Some(other) => {
                let found = other.type_str();
                self.bad(key, &format!("a {found}"), "text");
                String::new()
            }
        }
    }

    pub(super) fn number(&mut self, key: &str) -> Option<f64> {
        match self.table.get(key) {
            None => None,
            Some(Value::Integer(i)) => Some(*i as f64),
            Some(Value::Float(f)) if f.is_finite() => Some(*f),
            Some(Value::String(s)) if s.trim().is_empty() => None,
            Some(other) => {
                let found = other.to_string();
                self.bad(key, &found, "a number");
                None
            }
        }
    }

    pub(super) fn flag(&mut self, key: &str) -> Option<bool> {
        match self.table.get(key) {
            None => None,
            Some(Value::Boolean(b)) => Some(*b),
            Some(other) => {
                let found = other.to_string();
                self.bad(key, &found, "true or false");
                None
            }
        }
    }

    /// A date (TOML date, date-time or text), days since 1970.
    pub(super) fn day(&mut self, key: &str) -> Option<i64> {
        let text = match self.table.get(key) {
            None => return None,
            Some(Value::Datetime(d)) => d.to_string(),
            Some(Value::String(s)) => s.clone(),
            Some(other) => other.to_string(),
        };
        let day = parse_local(text.get(..10).unwrap_or(&text)).map(|t| t.div_euclid(DAY_MS));
        if day.is_none() {
            self.bad(key, &format!("`{text}`"), "a date like 2026-05-04");
        }
        day
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::days_from_date;

    #[test]
    fn the_contracts_example() {
        let (card, problems) = parse(
            "[unit]\nid = \"EX-14\"\nrole = \"rover\"\nsite = \"larkfield\"\nlabel = \"32 t excavator\"\nlogged_on = 2026-05-04\n\
             [receiver]\nfirmware = \"5.2.0\"\n[antenna]\ngain_db = 40.0\nfeeds = 4\nground_plane = true\nsupply_min_v = 3.3\n\
             [cable]\nkind = \"RG-213\"\nlength_m = 30.0\nconnectors = 2\n[reference]\nlatitude = 47.10\nstation_id = 12\n",
        );
        let card = card.unwrap();
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!((card.id.as_str(), card.role, card.site.as_str()), ("EX-14", Some(Role::Rover), "larkfield"));
        assert_eq!(card.logged_on, days_from_date(2026, 5, 4));
        assert_eq!(
            (card.antenna.gain_db, card.cable.length_m, card.reference.station_id),
            (Some(40.0), Some(30.0), Some(12))
        );
    }

    #[test]
    fn wrong_fields_are_told_and_the_rest_is_kept() {
        let (card, problems) =
            parse("[unit]\nid = \"X\"\nrole = \"boss\"\nsite = \"s\"\n[antenna]\ngain_db = \"forty\"\n[x]\n");
        let card = card.unwrap();
        assert_eq!(card.id, "X");
        assert_eq!(problems.len(), 4, "{problems:?}"); // unknown table, role, gain, no usable role
    }

    #[test]
    fn broken_toml_names_the_line() {
        let (card, problems) = parse("[unit]\nid = \"X\nrole = 1\n");
        assert!(card.is_none());
        assert_eq!(problems[0].line, Some(2));
    }
}
