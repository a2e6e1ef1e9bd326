//! `complaints.csv`: `id,unit,site,from,to,text`; unit or site; times with a zone, else in the site's zone.

use super::fleet::Fleet;
use super::header_index;
use super::shifts::local_to_utc;
use crate::model::problem::Problem;
use crate::model::time::{DAY_MS, UtcMs, parse_local, parse_utc};
use crate::model::visible::one_line;

/// One complaint.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Complaint {
    /// Its id.
    pub id: String,
    /// Unit, may be empty.
    pub unit: String,
    /// Site, may be empty.
    pub site: String,
    /// Begin, UTC ms.
    pub from: UtcMs,
    /// End, UTC ms.
    pub to: UtcMs,
    /// The words.
    pub text: String,
}

/// A time of a row: with a zone as it stands, without one in the site's zone; a date alone is the begin of its day, or as an
/// `end` the end of it.
pub(super) fn time_at(text: &str, zone: chrono_tz::Tz, end: bool) -> Option<UtcMs> {
    if text.len() > 10 && (text.ends_with('Z') || text.get(10..).is_some_and(|t| t.contains('+') || t.contains('-'))) {
        return parse_utc(text);
    }
    let local = parse_local(text)?;
    let local = if text.len() <= 10 && end { local + DAY_MS } else { local };
    Some(local_to_utc(zone, local))
}

/// Reads complaints; rows that cannot be used are problems with their line.
pub fn parse(text: &str, fleet: &Fleet) -> (Vec<Complaint>, Vec<Problem>) {
    let mut problems = Vec::new();
    let mut out = Vec::new();
    let mut lines: Vec<(String, u64)> = Vec::new();
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers = reader.headers().cloned().unwrap_or_default();
    let column = |name: &str| header_index(&headers, name);
    let (id, unit, site, from, to, words) =
        (column("id"), column("unit"), column("site"), column("from"), column("to"), column("text"));
    if id.is_none() || from.is_none() {
        problems.push(Problem::whole(
            format!(
                "complaints need the columns id, unit, site, from, to, text; found: {}",
                headers.iter().collect::<Vec<_>>().join(", ")
            ),
            "add the header row",
        ));
        return (out, problems);
    }
    for record in reader.records() {
        let record = match record {
            Ok(r) => r,
            Err(e) => {
                let line = e.position().map(csv::Position::line);
                problems.push(Problem {
                    line,
                    offset: None,
                    what: format!("a row that is not CSV: {e}"),
                    hint: "mend the row".to_owned(),
                });
                continue;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        let field = |c: Option<usize>| one_line(c.and_then(|c| record.get(c)).unwrap_or(""));
        let row = (field(id), field(unit), field(site), field(from), field(to));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let site_id = if row.2.is_empty() {
            fleet.unit(&row.1, None).map(|u| u.card.site.clone()).unwrap_or_default()
        } else {
            row.2.clone()
        };
        let zone = fleet.zone(&site_id);
        let time = |text: &str, end: bool| time_at(text, zone, end);
        let (Some(begin), Some(end)) =
            (time(&row.3, false), time(if row.4.is_empty() { &row.3 } else { &row.4 }, true))
        else {
            problems.push(Problem {
                line: Some(line),
                offset: None,
                what: format!("complaint {}: `{}` to `{}` are not times", row.0, row.3, row.4),
                hint: "write times like 2026-05-04 06:00 or 2026-05-04T06:00:00Z".to_owned(),
            });
            continue;
        };
        if row.1.is_empty() && row.2.is_empty() {
            problems.push(Problem {
                line: Some(line),
                offset: None,
                what: format!("complaint {} names neither unit nor site", row.0),
                hint: "fill one of the two columns".to_owned(),
            });
            continue;
        }
        if let Some((_, first)) = lines.iter().find(|(id, _)| *id == row.0) {
            problems.push(Problem {
                line: Some(line),
                offset: None,
                what: format!("complaint {} stands on line {first} already", row.0),
                hint: "both are answered; give each its own id".to_owned(),
            });
        } else {
            lines.push((row.0.clone(), line));
        }
        out.push(Complaint {
            id: row.0,
            unit: row.1,
            site: row.2,
            from: begin.min(end),
            to: end.max(begin),
            text: field(words),
        });
    }
    (out, problems)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::fleet;

    #[test]
    fn times_without_a_zone_are_the_sites() {
        let (fleet, _) =
            fleet::parse("[[site]]\nid='a'\ntime_zone='Etc/GMT-2'\n[[unit]]\nid='R'\nrole='rover'\nsite='a'\n")
                .unwrap();
        let (rows, problems) = parse(
            "id,unit,site,from,to,text\nC-1,R,,2026-05-04 06:00,2026-05-04 07:00,\"lost, again\"\nC-2,,a,2026-05-04T06:00:00Z,2026-05-04T07:00:00Z,x\n\
             C-3,,a,2026-05-04,2026-05-04,all day\nC-4,,,2026-05-04,,nobody\nC-5,R,,yesterday,,x\n",
            &fleet,
        );
        assert_eq!(rows.len(), 3);
        assert_eq!(rows[0].from, parse_utc("2026-05-04T04:00:00Z").unwrap());
        assert_eq!(rows[0].text, "lost, again");
        assert_eq!(rows[1].from, parse_utc("2026-05-04T06:00:00Z").unwrap());
        assert_eq!(rows[2].to - rows[2].from, DAY_MS);
        assert_eq!(problems.len(), 2, "{problems:?}");
        assert_eq!(problems[1].line, Some(6));
    }
}
