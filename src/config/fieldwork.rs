//! `fieldwork.csv`: `time,site,unit,what,note`: what somebody changed. Times with a zone, else in the site's zone.

use super::complaints::time_at;
use super::fleet::Fleet;
use super::header_index;
use crate::model::problem::Problem;
use crate::model::time::UtcMs;
use crate::model::visible::one_line;

/// One change.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FieldWork {
    /// When, UTC ms.
    pub time: UtcMs,
    /// Site; of a row that names only a unit that of the register.
    pub site: String,
    /// Unit, empty for the whole site.
    pub unit: String,
    /// What was done.
    pub what: String,
    /// More words.
    pub note: String,
}

/// Reads field work, in order of time; rows that cannot be used are problems with their line.
pub fn parse(text: &str, fleet: &Fleet) -> (Vec<FieldWork>, Vec<Problem>) {
    let (mut out, mut problems) = (Vec::new(), Vec::new());
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers = reader.headers().cloned().unwrap_or_default();
    let columns = ["time", "site", "unit", "what", "note"].map(|name| header_index(&headers, name));
    if columns[0].is_none() || (columns[1].is_none() && columns[2].is_none()) {
        let found = headers.iter().collect::<Vec<_>>().join(", ");
        problems.push(Problem::whole(
            format!("field work needs the columns time, site, unit, what, note; found: {found}"),
            "add the header row",
        ));
        return (out, problems);
    }
    for record in reader.records() {
        let record = match record {
            Ok(r) => r,
            Err(e) => {
                let line = e.position().map(csv::Position::line);
                let (what, hint) = (format!("a row that is not CSV: {e}"), "mend the row".to_owned());
                problems.push(Problem { line, offset: None, what, hint });
                continue;
            }
        };
        if record.iter().all(str::is_empty) {
            continue;
        }
        let line = record.position().map(csv::Position::line);
        let field = |i: usize| one_line(columns.get(i).copied().flatten().and_then(|c| record.get(c)).unwrap_or(""));
        let (when, mut site, unit) = (field(0), field(1), field(2));
        if site.is_empty() {
            site = fleet.unit(&unit, None).map(|u| u.card.site.clone()).unwrap_or_default();
        }
        let mut bad = |what: String, hint: &str| {
            problems.push(Problem { line, offset: None, what, hint: hint.to_owned() });
        };
        if site.is_empty() && unit.is_empty() {
            bad("field work that names neither site nor unit".to_owned(), "fill one of the two columns");
            continue;
        }
        match time_at(&when, fleet.zone(&site), false) {
            Some(time) => out.push(FieldWork { time, site, unit, what: field(3), note: field(4) }),
            None => bad(
                format!("field work at `{when}`, which is no time"),
                "write times like 2026-05-04 06:00 or 2026-05-04T06:00:00Z",
            ),
        }
    }
    out.sort_by(|a, b| (a.time, &a.site, &a.unit).cmp(&(b.time, &b.site, &b.unit)));
    (out, problems)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::fleet;
    use crate::model::time::parse_utc;

    #[test]
    fn rows_in_the_sites_zone_and_bad_ones_told() {
        let (fleet, _) =
            fleet::parse("[[site]]\nid='a'\ntime_zone='Etc/GMT-2'\n[[unit]]\nid='R'\nrole='rover'\nsite='a'\n")
                .unwrap();
        let (rows, problems) = parse(
            "time,site,unit,what,note\n2026-05-05 06:00,a,,cable changed,\"old one wet, at the connector\"\n\
             2026-05-04T06:00:00Z,,R,radio changed,\nsoon,a,,x,\n2026-05-04,,,x,\n",
            &fleet,
        );
        assert_eq!(rows.len(), 2);
        assert_eq!((rows[0].site.as_str(), rows[0].unit.as_str()), ("a", "R"));
        assert_eq!(rows[1].time, parse_utc("2026-05-05T04:00:00Z").unwrap());
        assert_eq!(rows[1].note, "old one wet, at the connector");
        assert_eq!(problems.iter().map(|p| p.line).collect::<Vec<_>>(), [Some(4), Some(5)]);
    }
}
