//! Who is it: unit, role and site of a bundle, in the order of the contract (unit card, fleet register, path rules,
//! inference), and which base a rover belongs to second by second. Contradictions are told.

pub mod membership;

use crate::config::card::UnitCard;
use crate::config::fleet::{Fleet, Unit};
use crate::formats::Identity;
use crate::model::ids::Role;
use crate::model::time::UtcMs;
use regex::Regex;

/// What is known about a bundle after reading it.
#[derive(Debug, Clone, Default)]
pub struct BundleFacts {
    /// Path below FOLDER.
    pub path: String,
    /// Its unit card.
    pub card: Option<UnitCard>,
    /// Names that its files gave.
    pub identity: Identity,
    /// Rover epochs in it.
    pub fixes: usize,
    /// Of them RTK fixed or float.
    pub rtk_fixes: usize,
    /// Reference positions (1005, 1006) in it.
    pub station_positions: usize,
    /// Observation minutes of a correction stream or RINEX.
    pub observations: usize,
    /// First and last epoch.
    pub span: Option<(UtcMs, UtcMs)>,
}

/// Where the answer came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KnownFrom {
    /// `unit.toml`.
    Card,
    /// Fleet register.
    Register,
    /// `[[path_rule]]`.
    PathRule,
    /// What the data look like.
    Inferred,
}

impl KnownFrom {
    /// The word of the `look` schema.
    pub fn words(self) -> &'static str {
        match self {
            KnownFrom::Card => "unit.toml",
            KnownFrom::Register => "fleet register",
            KnownFrom::PathRule => "path rule",
            KnownFrom::Inferred => "inferred",
        }
    }

    /// For people, to stand alone or in brackets.
    pub fn plain(self) -> &'static str {
        match self {
            KnownFrom::Card => "named by its unit.toml",
            KnownFrom::Register => "named by the fleet register",
            KnownFrom::PathRule => "named by a path rule",
            KnownFrom::Inferred => "nobody names it: told from its data alone",
        }
    }
}

/// Who it is.
#[derive(Debug, Clone)]
pub struct Placement {
    /// Unit id.
    pub unit: String,
    /// Role.
    pub role: Role,
    /// Site id; `None`: to be found from the data (station id, position).
    pub site: Option<String>,
    /// The card, completed from the register.
    pub card: UnitCard,
    /// Where the answer came from.
    pub known_from: KnownFrom,
    /// Contradictions.
    pub notes: Vec<String>,
}

/// A checked `[[path_rule]]`.
#[derive(Debug, Clone)]
pub struct PathPattern {
    /// With the named groups `site`, `unit`, `role`.
    pub pattern: Regex,
    /// Role where the path does not name it.
    pub role: Option<Role>,
}

/// Places a bundle. `None`: neither card nor register nor rule nor data tell.
pub fn place(facts: &BundleFacts, fleet: &Fleet, rules: &[PathPattern]) -> Option<Placement> {
    let looks = looks_like(facts);
    let mut placement = by_card(facts, fleet)
        .or_else(|| by_register(facts, fleet))
        .or_else(|| by_rule(facts, rules, looks))
        .or_else(|| by_data(facts, looks))?;
    if let Some(looks) = looks
        && looks != placement.role
    {
        placement.notes.push(format!(
            "{} says {}, the data look like a {}: {} reference positions, {} observation minutes, {} rover epochs",
            placement.known_from.words(),
            placement.role.name(),
            looks.name(),
            facts.station_positions,
            facts.observations,
            facts.fixes
        ));
    }
    Some(placement)
}

/// What the data look like: a stream of 1005/1006 and observations is a base, a log of RTK states is a rover.
fn looks_like(facts: &BundleFacts) -> Option<Role> {
    let base = facts.station_positions > 0 && facts.observations > 0;
    let rover = facts.rtk_fixes > 0;
    match (base, rover) {
        (true, false) => Some(Role::Base),
        // A rover may log the corrections it received: its own RTK states decide.
        (_, true) => Some(Role::Rover),
        (false, false) => None,
    }
}

fn by_card(facts: &BundleFacts, fleet: &Fleet) -> Option<Placement> {
    let card = facts.card.as_ref()?;
    let role = card.role?;
    if card.id.is_empty() || card.site.is_empty() {
        return None;
    }
    let at = facts.span.map(|s| s.0);
    let mut notes = Vec::new();
    let mut full = card.clone();
    if let Some(entry) = fleet.unit(&card.id, at).or_else(|| fleet.unit(&card.id, None)) {
        if entry.card.role.is_some_and(|r| r != role) {
            notes.push(format!("unit card says {}, the register says another role", role.name()));
        }
        if !entry.card.site.is_empty() && entry.card.site != card.site {
            notes.push(format!("unit card says site {}, the register says {}", card.site, entry.card.site));
        }
        complete(&mut full, &entry.card);
    }
    Some(Placement {
        unit: full.id.clone(),
        role,
        site: Some(full.site.clone()),
        card: full,
        known_from: KnownFrom::Card,
        notes,
    })
}

/// Fields that the card leaves empty come from the register.
fn complete(card: &mut UnitCard, register: &UnitCard) {
    fn text(to: &mut String, from: &str) {
        if to.is_empty() {
            to.push_str(from);
        }
    }
    text(&mut card.label, &register.label);
    text(&mut card.receiver.make, &register.receiver.make);
    text(&mut card.receiver.model, &register.receiver.model);
    text(&mut card.receiver.serial, &register.receiver.serial);
    text(&mut card.receiver.firmware, &register.receiver.firmware);
    let blank =
        |a: &crate::config::card::Antenna| a.model.is_empty() && a.gain_db.is_none() && a.supply_min_v.is_none();
    if blank(&card.antenna) {
        card.antenna = register.antenna.clone();
    }
    if card.cable.kind.is_empty() {
        card.cable = register.cable.clone();
    }
    if card.reference.latitude.is_none() {
        card.reference = register.reference.clone();
    }
    if card.link.kind.is_empty() {
        card.link = register.link.clone();
    }
}

fn by_register(facts: &BundleFacts, fleet: &Fleet) -> Option<Placement> {
    let at = facts.span.map(|s| s.0);
    let holds = |u: &&Unit| at.is_none_or(|t| u.holds(t)) && u.card.role.is_some() && !u.card.site.is_empty();
    let units = || fleet.units.iter().filter(holds);
    let same = |a: &str, b: &str| !a.is_empty() && a.eq_ignore_ascii_case(b);
    let entry = units()
        .find(|u| u.path.as_ref().is_some_and(|p| p.is_match(&facts.path)))
        .or_else(|| units().find(|u| facts.identity.receiver_serials.iter().any(|s| same(s, &u.card.receiver.serial))))
        .or_else(|| units().find(|u| facts.identity.markers.iter().any(|m| same(m, &u.card.id))))
        .or_else(|| {
            // A station id names a base, and only a stream of its own messages shows it.
            units().filter(|u| u.card.role == Some(Role::Base)).find(|u| {
                facts.station_positions > 0
                    && u.card.reference.station_id.is_some_and(|id| facts.identity.station_ids.contains(&id))
            })
        })?;
    Some(Placement {
        unit: entry.card.id.clone(),
        role: entry.card.role?,
        site: Some(entry.card.site.clone()),
        card: entry.card.clone(),
        known_from: KnownFrom::Register,
        notes: Vec::new(),
    })
}

fn by_rule(facts: &BundleFacts, rules: &[PathPattern], looks: Option<Role>) -> Option<Placement> {
    for rule in rules {
        let Some(found) = rule.pattern.captures(&facts.path) else { continue };
        let group = |name: &str| found.name(name).map(|m| m.as_str().to_owned()).filter(|s| !s.is_empty());
        let role = match group("role").map(|r| r.to_ascii_lowercase()).as_deref() {
            Some("base") => Some(Role::Base),
            Some("rover") => Some(Role::Rover),
            _ => rule.role.or(looks),
        };
        if let (Some(unit), Some(role)) = (group("unit"), role) {
            let site = group("site");
            let card = UnitCard {
                id: unit.clone(),
                role: Some(role),
                site: site.clone().unwrap_or_default(),
                ..UnitCard::default()
            };
            return Some(Placement { unit, role, site, card, known_from: KnownFrom::PathRule, notes: Vec::new() });
        }
    }
    None
}

fn by_data(facts: &BundleFacts, looks: Option<Role>) -> Option<Placement> {
    let role = looks?;
    // A name that two bundles of one unit share is not known: the bundle's own path is its name.
    let stem = facts.path.trim_end_matches(".zip").to_owned();
    let unit = match (role, facts.identity.station_ids.iter().next(), facts.identity.markers.iter().next()) {
        (_, _, Some(marker)) => marker.clone(),
        (Role::Base, Some(id), None) => format!("base with station id {id}"),
        _ => stem,
    };
    let card = UnitCard { id: unit.clone(), role: Some(role), ..UnitCard::default() };
    Some(Placement { unit, role, site: None, card, known_from: KnownFrom::Inferred, notes: Vec::new() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::fleet;

    fn card(id: &str, role: Role, site: &str) -> UnitCard {
        UnitCard { id: id.to_owned(), role: Some(role), site: site.to_owned(), ..UnitCard::default() }
    }

    #[test]
    fn the_card_answers_first_and_a_contradiction_is_told() {
        let (fleet, _) =
            fleet::parse("[[unit]]\nid='B'\nrole='rover'\nsite='x'\n[unit.cable]\nkind='RG-213'\n").unwrap();
        let facts = BundleFacts {
            path: "b.zip".into(),
            card: Some(card("B", Role::Rover, "larkfield")),
            station_positions: 3,
            observations: 60,
            ..BundleFacts::default()
        };
        let p = place(&facts, &fleet, &[]).unwrap();
        assert_eq!(
            (p.site.as_deref(), p.known_from, p.card.cable.kind.as_str()),
            (Some("larkfield"), KnownFrom::Card, "RG-213")
        );
        assert_eq!(p.notes.len(), 2, "{:?}", p.notes); // another site in the register, and data of a base
    }

    #[test]
    fn register_by_path_serial_and_station_id() {
        let (fleet, _) = fleet::parse(
            "[[unit]]\nid='R'\nrole='rover'\nsite='x'\npath='north/*'\n[[unit]]\nid='B'\nrole='base'\nsite='y'\n[unit.reference]\nstation_id=12\n",
        )
        .unwrap();
        let by_path = BundleFacts { path: "north/a.zip".into(), ..BundleFacts::default() };
        assert_eq!(place(&by_path, &fleet, &[]).unwrap().unit, "R");
        let mut by_id =
            BundleFacts { path: "a.zip".into(), station_positions: 1, observations: 5, ..BundleFacts::default() };
        by_id.identity.station_ids.insert(12);
        assert_eq!(place(&by_id, &fleet, &[]).unwrap().unit, "B");
    }

    #[test]
    fn path_rules_and_then_the_data() {
        let rules = [PathPattern {
            pattern: Regex::new(r"^(?<site>[^/]+)/(?<role>base|rover)/(?<unit>[^/]+)\.zip$").unwrap(),
            role: None,
        }];
        let facts = BundleFacts { path: "hill/base/B1.zip".into(), ..BundleFacts::default() };
        let p = place(&facts, &Fleet::default(), &rules).unwrap();
        assert_eq!((p.unit.as_str(), p.role, p.site.as_deref()), ("B1", Role::Base, Some("hill")));
        let facts = BundleFacts { path: "x/y.zip".into(), fixes: 100, rtk_fixes: 90, ..BundleFacts::default() };
        let p = place(&facts, &Fleet::default(), &rules).unwrap();
        assert_eq!((p.role, p.known_from, p.site), (Role::Rover, KnownFrom::Inferred, None));
        assert!(place(&BundleFacts::default(), &Fleet::default(), &rules).is_none());
    }
}
