//! The fleet register (`fleet.toml`): sites with their hours, units with their cards.

use super::card::{self, Reader, UnitCard, visible};
use super::shifts::Shift;
use crate::model::problem::Problem;
use crate::model::time::{DAY_MS, UtcMs};
use chrono_tz::Tz;
use globset::{Glob, GlobMatcher};
use toml::{Table, Value};

/// A site of the register.
#[derive(Debug, Clone)]
pub struct Site {
    /// Id.
    pub id: String,
    /// Name for people.
    pub name: String,
    /// Zone of its clock.
    pub zone: Tz,
    /// Degrees.
    pub latitude: Option<f64>,
    /// Degrees.
    pub longitude: Option<f64>,
    /// Working hours; none: always.
    pub shifts: Vec<Shift>,
    /// Cost of a rover-hour.
    pub hourly_cost: Option<f64>,
}

/// A unit of the register.
#[derive(Debug, Clone)]
pub struct Unit {
    /// Its card.
    pub card: UnitCard,
    /// From this time on, UTC ms.
    pub from: Option<UtcMs>,
    /// Until this time, UTC ms (a date counts to its end).
    pub to: Option<UtcMs>,
    /// Over the bundle's path below FOLDER.
    pub path: Option<GlobMatcher>,
}

/// The register.
#[derive(Debug, Clone, Default)]
pub struct Fleet {
    /// Sites.
    pub sites: Vec<Site>,
    /// Units.
    pub units: Vec<Unit>,
}

impl Fleet {
    /// A site by id.
    pub fn site(&self, id: &str) -> Option<&Site> {
        self.sites.iter().find(|s| s.id == id)
    }

    /// The zone of a site, UTC when not known.
    pub fn zone(&self, site: &str) -> Tz {
        self.site(site).map_or(Tz::UTC, |s| s.zone)
    }

    /// The entry of a unit that holds at a time (the first that fits; without a time the first of the id).
    pub fn unit(&self, id: &str, at: Option<UtcMs>) -> Option<&Unit> {
        self.units.iter().find(|u| u.card.id == id && at.is_none_or(|t| u.holds(t)))
    }
}

impl Unit {
    /// Whether the entry holds at a time.
    pub fn holds(&self, at: UtcMs) -> bool {
        self.from.is_none_or(|f| at >= f) && self.to.is_none_or(|t| at < t)
    }
}

/// Reads a register. Entries that cannot be used are problems; the others stand.
///
/// # Errors
/// When the file is not TOML: line and what is wrong.
pub fn parse(text: &str) -> Result<(Fleet, Vec<Problem>), String> {
    let table = text.trim_start_matches('\u{feff}').parse::<Table>().map_err(|e| {
        let line = e.span().map_or(0, |s| text[..s.start.min(text.len())].matches('\n').count() + 1);
        format!("line {line}: {}", e.message())
    })?;
    let table = visible(table);
    let mut problems = Vec::new();
    let mut fleet = Fleet::default();
    for key in table.keys().filter(|k| !matches!(k.as_str(), "site" | "unit")) {
        problems.push(Problem::whole(format!("unknown table `{key}` in the fleet register"), "it is left out"));
    }
    let list = |name: &str| -> Vec<Table> {
        match table.get(name) {
            Some(Value::Array(a)) => a.iter().filter_map(Value::as_table).cloned().collect(),
            _ => Vec::new(),
        }
    };
    for t in list("site") {
        let mut r = Reader { table: &t, name: "site", problems: &mut problems };
        let id = r.text("id");
        if id.is_empty() {
            r.bad("id", "missing", "a site id");
            continue;
        }
        let zone_name = r.text("time_zone");
        let zone = match zone_name.parse::<Tz>() {
            Ok(zone) => zone,
            Err(_) if zone_name.is_empty() => Tz::UTC,
            Err(_) => {
                r.bad("time_zone", &format!("`{zone_name}` at site {id}"), "a name of the IANA time zone table");
                Tz::UTC
            }
        };
        let name = r.text("name");
        let (latitude, longitude, hourly_cost) = (r.number("latitude"), r.number("longitude"), r.number("hourly_cost"));
        let mut shifts = Vec::new();
        if let Some(Value::Array(lines)) = t.get("shifts") {
            for line in lines {
                match Shift::parse(line.as_str().unwrap_or_default()) {
                    Ok(shift) => shifts.push(shift),
                    Err(why) => r.bad("shifts", &why, "a list of working hours"),
                }
            }
        }
        let name = if name.is_empty() { id.clone() } else { name };
        fleet.sites.push(Site { id, name, zone, latitude, longitude, shifts, hourly_cost });
    }
    for t in list("unit") {
        let mut unit_table = Table::new();
        unit_table.insert("unit".to_owned(), Value::Table(t.clone()));
        let mut card = card::from_table(&unit_table, &mut problems);
        card::parts(&t, &mut card, &mut problems);
        if card.id.is_empty() {
            problems.push(Problem::whole("a unit of the register has no id", "add it; the entry is left out"));
            continue;
        }
        let mut r = Reader { table: &t, name: "unit", problems: &mut problems };
        let from = r.day("from").map(|d| d * DAY_MS);
        let to = r.day("to").map(|d| (d + 1) * DAY_MS);
        let pattern = r.text("path");
        let path = match Glob::new(&pattern) {
            Ok(glob) if !pattern.is_empty() => Some(glob.compile_matcher()),
            Ok(_) => None,
            Err(e) => {
                r.bad("path", &format!("`{pattern}` ({e})"), "a glob like \"north/EX-14*\"");
                None
            }
        };
        fleet.units.push(Unit { card, from, to, path });
    }
    Ok((fleet, problems))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::ids::Role;
    use crate::model::time::parse_utc;

    #[test]
    fn sites_and_units_with_card_tables() {
        let (fleet, problems) = parse(
            "[[site]]\nid='larkfield'\nname='Larkfield'\ntime_zone='Etc/GMT-1'\nshifts=['Mon-Fri 06:00-18:00']\nhourly_cost=120\n\
             [[unit]]\nid='EX-14'\nrole='rover'\nsite='larkfield'\nfrom=2026-05-01\nto=2026-05-07\npath='north/*'\n\
             [unit.receiver]\nfirmware='5.2.0'\n[[unit]]\nid='EX-14'\nrole='rover'\nsite='hill'\nfrom=2026-05-08\n",
        )
        .unwrap();
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(fleet.site("larkfield").unwrap().shifts.len(), 1);
        let day = |d: &str| parse_utc(d);
        assert_eq!(fleet.unit("EX-14", day("2026-05-07T23:00:00Z")).unwrap().card.site, "larkfield");
        assert_eq!(fleet.unit("EX-14", day("2026-05-08")).unwrap().card.site, "hill");
        assert_eq!(fleet.units[0].card.receiver.firmware, "5.2.0");
        assert_eq!(fleet.units[0].card.role, Some(Role::Rover));
        assert!(fleet.units[0].path.as_ref().unwrap().is_match("north/EX-14.zip"));
    }

    #[test]
    fn a_bad_entry_does_not_cost_the_good_ones() {
        let (fleet, problems) = parse(
            "[[site]]\nid='a'\ntime_zone='Nowhere'\nshifts=['x']\n[[site]]\nname='no id'\n[[unit]]\nrole='base'\n",
        )
        .unwrap();
        assert_eq!(fleet.sites.len(), 1);
        assert_eq!(problems.len(), 4, "{problems:?}");
        assert!(parse("[[site]\n").unwrap_err().starts_with("line 1"));
    }
}
