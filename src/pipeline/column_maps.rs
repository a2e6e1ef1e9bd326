//! `[[column_map]]` tables of the settings as maps of the text formats.

use crate::formats::text::column_map::{Column, ColumnMap, ColumnMapSpec, Target};
use std::collections::BTreeMap;
use toml::{Table, Value};

/// A map out of its table.
///
/// # Errors
/// The key that is wrong and what is accepted.
pub(super) fn from_table(table: &Table) -> Result<ColumnMap, String> {
    const KEYS: [&str; 11] = [
        "files",
        "separator",
        "skip_lines",
        "header",
        "decimal_comma",
        "table",
        "time_format",
        "time_zone",
        "columns",
        "values",
        "scale",
    ];
    if let Some(key) = table.keys().find(|k| !KEYS.contains(&k.as_str())) {
        return Err(format!("unknown key `{key}`; known: {}", KEYS.join(", ")));
    }
    let text = |key: &str| -> Result<Option<String>, String> {
        match table.get(key) {
            None => Ok(None),
            Some(Value::String(s)) => Ok(Some(s.clone())),
            Some(other) => Err(format!("`{key}` is {other}, expected text")),
        }
    };
    let flag = |key: &str| -> Result<Option<bool>, String> {
        match table.get(key) {
            None => Ok(None),
            Some(Value::Boolean(b)) => Ok(Some(*b)),
            Some(other) => Err(format!("`{key}` is {other}, expected true or false")),
        }
    };
    let mut spec = ColumnMapSpec {
        files: text("files")?.ok_or("`files` is missing: a glob over file names")?,
        ..Default::default()
    };
    spec.separator = match text("separator")?.as_deref() {
        None => None,
        Some("tab" | "\t") => Some(b'\t'),
        Some(s) if s.len() == 1 => s.bytes().next(),
        Some(other) => return Err(format!("`separator` is `{other}`, expected one character or tab")),
    };
    if let Some(value) = table.get("skip_lines") {
        spec.skip_lines =
            value.as_integer().and_then(|n| u64::try_from(n).ok()).ok_or("`skip_lines` must be a whole number")?;
    }
    spec.header = flag("header")?.unwrap_or(true);
    spec.decimal_comma = flag("decimal_comma")?;
    let target = text("table")?.ok_or("`table` is missing: events, metrics, spectrum or fixes")?;
    spec.table = Target::ALL
        .into_iter()
        .find(|t| t.name() == target)
        .ok_or_else(|| format!("`table` is `{target}`; known: events, metrics, spectrum, fixes"))?;
    if let Some(form) = text("time_format")? {
        spec.time_format = form;
    }
    if let Some(zone) = text("time_zone")? {
        spec.time_zone = zone;
    }
    let sub = |key: &str| -> Result<Option<&Table>, String> {
        match table.get(key) {
            None => Ok(None),
            Some(Value::Table(t)) => Ok(Some(t)),
            Some(_) => Err(format!("`{key}` must be a table")),
        }
    };
    for (ours, theirs) in sub("columns")?.into_iter().flatten() {
        let columns = match theirs {
            Value::Array(list) => list.iter().map(column).collect::<Result<Vec<_>, _>>()?,
            one => vec![column(one)?],
        };
        spec.columns.insert(ours.clone(), columns);
    }
    for (ours, map) in sub("values")?.into_iter().flatten() {
        let map =
            map.as_table().ok_or_else(|| format!("`values.{ours}` must be a table of their value = our value"))?;
        let pairs: BTreeMap<String, String> =
            map.iter().map(|(k, v)| (k.clone(), v.as_str().map_or_else(|| v.to_string(), str::to_owned))).collect();
        spec.values.insert(ours.clone(), pairs);
    }
    for (ours, factor) in sub("scale")?.into_iter().flatten() {
        let factor = factor
            .as_float()
            .or(factor.as_integer().map(|i| i as f64))
            .ok_or_else(|| format!("`scale.{ours}` must be a number"))?;
        spec.scale.insert(ours.clone(), factor);
    }
    ColumnMap::new(spec)
}

fn column(value: &Value) -> Result<Column, String> {
    match value {
        Value::String(name) => Ok(Column::Name(name.clone())),
        Value::Integer(n) => {
            usize::try_from(*n).map(Column::Number).map_err(|_| format!("column number {n} is negative"))
        }
        other => Err(format!("a column is a name or a number, not {other}")),
    }
}
