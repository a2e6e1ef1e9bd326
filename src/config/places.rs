//! Places near bases (`places.csv` or GeoJSON points): `name,kind,latitude,longitude`.

use super::header_index;
use crate::model::problem::Problem;

/// Kinds of the contract.
const KINDS: [&str; 7] = ["airport", "radar", "tv", "cell", "military", "power", "other"];

/// One place.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// Name.
    pub name: String,
    /// One of the kinds of the contract; unknown ones are `other`.
    pub kind: String,
    /// Degrees.
    pub latitude: f64,
    /// Degrees.
    pub longitude: f64,
}

/// Reads places, CSV or GeoJSON by content.
pub fn parse(text: &str) -> (Vec<Place>, Vec<Problem>) {
    let text = text.trim_start_matches('\u{feff}').trim_start();
    if text.starts_with('{') { parse_geojson(text) } else { parse_csv(text) }
}

fn place(name: &str, kind: &str, latitude: f64, longitude: f64) -> Option<Place> {
    if !(-90.0..=90.0).contains(&latitude) || !(-360.0..=360.0).contains(&longitude) {
        return None;
    }
    let kind = kind.trim().to_ascii_lowercase();
    let kind = if KINDS.contains(&kind.as_str()) { kind } else { "other".to_owned() };
    Some(Place { name: name.trim().to_owned(), kind, latitude, longitude })
}

fn parse_csv(text: &str) -> (Vec<Place>, Vec<Problem>) {
    let (mut out, mut problems) = (Vec::new(), Vec::new());
    let mut reader = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let headers = reader.headers().cloned().unwrap_or_default();
    let columns: Vec<Option<usize>> =
        ["name", "kind", "latitude", "longitude"].iter().map(|n| header_index(&headers, n)).collect();
    if columns[2].is_none() || columns[3].is_none() {
        problems.push(Problem::whole("places need the columns name, kind, latitude, longitude", "add the header row"));
        return (out, problems);
    }
    for record in reader.records() {
        let Ok(record) = record else {
            problems.push(Problem::whole("a row of the places that is not CSV", "mend the row"));
            continue;
        };
        let field = |i: usize| columns[i].and_then(|c| record.get(c)).unwrap_or("");
        let found = match (field(2).parse::<f64>(), field(3).parse::<f64>()) {
            (Ok(lat), Ok(lon)) => place(field(0), field(1), lat, lon),
            _ => None,
        };
        match found {
            Some(p) => out.push(p),
            None => problems.push(Problem {
                line: record.position().map(csv::Position::line),
                offset: None,
                what: format!("place `{}`: `{}`, `{}` is no position in degrees", field(0), field(2), field(3)),
                hint: "latitude -90 to 90, longitude -180 to 180".to_owned(),
            }),
        }
    }
    (out, problems)
}

fn parse_geojson(text: &str) -> (Vec<Place>, Vec<Problem>) {
    let (mut out, mut problems) = (Vec::new(), Vec::new());
    let value: serde_json::Value = match serde_json::from_str(text) {
        Ok(v) => v,
        Err(e) => {
            problems.push(Problem::whole(format!("places are not GeoJSON: {e}"), "mend the file"));
            return (out, problems);
        }
    };
    let single = [value.clone()];
    let features = value.get("features").and_then(|f| f.as_array()).map_or(&single[..], Vec::as_slice);
    for feature in features {
        let point = feature.pointer("/geometry/type").and_then(|t| t.as_str()) == Some("Point");
        let number =
            |i: usize| feature.pointer(&format!("/geometry/coordinates/{i}")).and_then(serde_json::Value::as_f64);
        let word = |k: &str| feature.pointer(&format!("/properties/{k}")).and_then(|v| v.as_str()).unwrap_or("");
        let found = match (point, number(1), number(0)) {
            (true, Some(lat), Some(lon)) => place(word("name"), word("kind"), lat, lon),
            _ => None,
        };
        match found {
            Some(p) => out.push(p),
            None => problems.push(Problem::whole(
                format!("GeoJSON feature `{}` is not a point in degrees", word("name")),
                "only points are used",
            )),
        }
    }
    (out, problems)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn csv_and_geojson_give_the_same() {
        let (a, p) = parse("name,kind,latitude,longitude\nHill mast,tv,47.1,8.2\nbad,tv,x,8\n");
        assert_eq!((a.len(), p.len()), (1, 1));
        let (b, _) = parse(
            r#"{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Point","coordinates":[8.2,47.1]},"properties":{"name":"Hill mast","kind":"tv"}}]}"#,
        );
        assert_eq!(a, b);
    }
}
