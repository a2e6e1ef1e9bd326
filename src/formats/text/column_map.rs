//! `[[column_map]]`: how a foreign CSV is read as one of our tables. Here: what a map says and whether it makes sense.

use crate::model::ids::FixState;
use chrono::format::{Item, StrftimeItems};
use chrono::{NaiveDate, NaiveDateTime};
use chrono_tz::Tz;
use globset::{GlobBuilder, GlobMatcher};
use std::collections::BTreeMap;

/// The table that the rows of a mapped file go to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// Logged events.
    Events,
    /// Measured values.
    Metrics,
    /// Spectrum sweeps.
    Spectrum,
    /// Rover epochs.
    Fixes,
}

impl Target {
    /// All, in the order of the documentation.
    pub const ALL: [Target; 4] = [Target::Events, Target::Metrics, Target::Spectrum, Target::Fixes];

    /// The word in the configuration.
    pub fn name(self) -> &'static str {
        match self {
            Target::Events => "events",
            Target::Metrics => "metrics",
            Target::Spectrum => "spectrum",
            Target::Fixes => "fixes",
        }
    }

    /// Our names of its columns; the metric table takes any name besides.
    pub fn columns(self) -> &'static [&'static str] {
        match self {
            Target::Events => &["time", "kind", "detail"],
            Target::Metrics => &["time", "metric", "value"],
            Target::Spectrum => &["time", "frequency_hz", "power_dbm"],
            Target::Fixes => &[
                "time",
                "state",
                "satellites",
                "hdop",
                "correction_age_s",
                "station_id",
                "lat",
                "lon",
                "height_m",
                "sigma_h_m",
                "sigma_v_m",
            ],
        }
    }

    fn required(self) -> &'static [&'static str] {
        match self {
            Target::Events => &["time", "kind"],
            Target::Metrics => &["time"],
            Target::Spectrum => &["time", "frequency_hz", "power_dbm"],
            Target::Fixes => &["time", "state"],
        }
    }
}

/// A column of the foreign file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Column {
    /// By the name in the header, without case.
    Name(String),
    /// By its number, from 1.
    Number(usize),
}

impl std::fmt::Display for Column {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Column::Name(name) => write!(f, "`{name}`"),
            Column::Number(n) => write!(f, "number {n}"),
        }
    }
}

/// One `[[column_map]]` as the configuration gives it.
#[derive(Debug, Clone, PartialEq)]
pub struct ColumnMapSpec {
    /// Glob: without `/` over the file's name, else over its path in the bundle; case does not matter.
    pub files: String,
    /// `,`, `;`, tab or another single byte; `None`: whichever of the first three fits the header.
    pub separator: Option<u8>,
    /// Lines above the header that are left out.
    pub skip_lines: u64,
    /// Whether the first line behind them names the columns.
    pub header: bool,
    /// Decimal comma; `None`: only where `;` separates.
    pub decimal_comma: Option<bool>,
    /// Where the rows go.
    pub table: Target,
    /// `rfc3339`, `unix`, `unix_ms`, or a strftime form.
    pub time_format: String,
    /// IANA zone of times that carry none.
    pub time_zone: String,
    /// Our column name -> their columns (several only for `time`: joined with a blank).
    pub columns: BTreeMap<String, Vec<Column>>,
    /// Our column name -> their value -> our value. Compared without case.
    pub values: BTreeMap<String, BTreeMap<String, String>>,
    /// Our column name -> factor on their number (mV to V: 0.001).
    pub scale: BTreeMap<String, f64>,
}

impl Default for ColumnMapSpec {
    fn default() -> Self {
        ColumnMapSpec {
            files: String::new(),
            separator: None,
            skip_lines: 0,
            header: true,
            decimal_comma: None,
            table: Target::Events,
            time_format: "rfc3339".to_owned(),
            time_zone: "UTC".to_owned(),
            columns: BTreeMap::new(),
            values: BTreeMap::new(),
            scale: BTreeMap::new(),
        }
    }
}

/// How times are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeForm {
    /// RFC 3339, with a zone or without.
    Rfc3339,
    /// Seconds since 1970, decimals allowed.
    Unix,
    /// Milliseconds since 1970.
    UnixMs,
    /// strftime form without a zone in it.
    Local(String),
    /// strftime form with `%z`.
    Zoned(String),
}

/// A checked `[[column_map]]`.
#[derive(Debug, Clone)]
pub struct ColumnMap {
    /// What it says.
    pub spec: ColumnMapSpec,
    /// How times are written.
    pub time_form: TimeForm,
    /// Zone of times that carry none.
    pub zone: Tz,
    glob: GlobMatcher,
}

impl ColumnMap {
    /// Checks a map.
    ///
    /// # Errors
    /// What is wrong with it, in words, with the key it belongs to.
    pub fn new(spec: ColumnMapSpec) -> Result<ColumnMap, String> {
        if spec.files.trim().is_empty() {
            return Err("`files` is missing: a glob such as \"*_fixlog.csv\"".to_owned());
        }
        let glob = GlobBuilder::new(&spec.files)
            .literal_separator(true)
            .case_insensitive(true)
            .build()
            .map_err(|e| format!("`files` is not a glob: {e}"))?
            .compile_matcher();
        if spec.separator.is_some_and(|s| s == b'"' || s == b'\n' || s == b'\r') {
            return Err("`separator` cannot be a quote or a line end".to_owned());
        }
        let zone: Tz = spec
            .time_zone
            .parse()
            .map_err(|_| format!("`time_zone` \"{}\" is not an IANA name such as \"Europe/Berlin\"", spec.time_zone))?;
        let time_form = time_form(&spec.time_format)?;
        for name in spec.table.required() {
            if spec.columns.get(*name).is_none_or(Vec::is_empty) {
                return Err(format!("`columns.{name}` is missing: table \"{}\" needs it", spec.table.name()));
            }
        }
        for (name, columns) in &spec.columns {
            if spec.table != Target::Metrics && !spec.table.columns().contains(&name.as_str()) {
                return Err(format!(
                    "`columns.{name}` is not a column of table \"{}\"; these are: {}",
                    spec.table.name(),
                    spec.table.columns().join(", ")
                ));
            }
            if columns.len() > 1 && name != "time" {
                return Err(format!("`columns.{name}` names several columns; only `time` may"));
            }
            for column in columns {
                match column {
                    Column::Number(0) => return Err(format!("`columns.{name}`: columns are numbered from 1")),
                    Column::Name(theirs) if !spec.header => {
                        return Err(format!(
                            "`columns.{name}` = \"{theirs}\": without a header give the column's number"
                        ));
                    }
                    _ => {}
                }
            }
        }
        if spec.table == Target::Metrics && spec.columns.len() < 2 {
            return Err("`columns` names no metric".to_owned());
        }
        if spec.columns.contains_key("metric") != spec.columns.contains_key("value") && spec.table == Target::Metrics {
            return Err("`columns.metric` and `columns.value` belong together".to_owned());
        }
        for (name, factor) in &spec.scale {
            if !factor.is_finite() || *factor == 0.0 {
                return Err(format!("`scale.{name}` must be a number other than 0"));
            }
            if !spec.columns.contains_key(name) {
                return Err(format!("`scale.{name}` has no `columns.{name}`"));
            }
        }
        for (name, table) in &spec.values {
            if !spec.columns.contains_key(name) {
                return Err(format!("`values.{name}` has no `columns.{name}`"));
            }
            if spec.table == Target::Fixes && name == "state" {
                for (theirs, ours) in table {
                    if FixState::from_name(ours).is_none() {
                        let states: Vec<&str> = FixState::ALL.iter().map(|s| s.name()).collect();
                        return Err(format!(
                            "`values.state`: \"{theirs}\" = \"{ours}\" is not a state; these are: {}",
                            states.join(", ")
                        ));
                    }
                }
            }
        }
        Ok(ColumnMap { spec, time_form, zone, glob })
    }

    /// Whether a file of this path inside the bundle is meant.
    pub fn matches(&self, path: &str) -> bool {
        let path = path.replace('\\', "/");
        if self.spec.files.contains('/') {
            self.glob.is_match(&path)
        } else {
            self.glob.is_match(path.rsplit('/').next().unwrap_or(&path))
        }
    }

    /// Our word for their value in a column.
    pub fn translate(&self, column: &str, theirs: &str) -> Option<&str> {
        let table = self.spec.values.get(column)?;
        match table.get(theirs) {
            Some(ours) => Some(ours),
            None => table.iter().find(|(t, _)| t.trim().eq_ignore_ascii_case(theirs)).map(|(_, ours)| ours.as_str()),
        }
    }
}

fn time_form(text: &str) -> Result<TimeForm, String> {
    match text {
        "rfc3339" => return Ok(TimeForm::Rfc3339),
        "unix" => return Ok(TimeForm::Unix),
        "unix_ms" => return Ok(TimeForm::UnixMs),
        _ => {}
    }
    let problem = |why: &str| {
        format!(
            "`time_format` \"{text}\" {why}; use \"rfc3339\", \"unix\", \"unix_ms\" or a form such as \"%d.%m.%Y %H:%M:%S\""
        )
    };
    if !text.contains('%') || StrftimeItems::new(text).any(|item| matches!(item, Item::Error)) {
        return Err(problem("is not known"));
    }
    // Written and read back: a form without a full date and time cannot place a row.
    let sample = NaiveDate::from_ymd_opt(2026, 5, 4).and_then(|d| d.and_hms_opt(17, 6, 0)).unwrap_or_default();
    if text.contains("%z") || text.contains("%:z") || text.contains("%#z") {
        return Ok(TimeForm::Zoned(text.to_owned()));
    }
    if text.contains("%Z") {
        return Err(problem("has %Z, and names of zones cannot be read; leave it out and set `time_zone`"));
    }
    let written = sample.format(text).to_string();
    match NaiveDateTime::parse_from_str(&written, text) {
        Ok(back) if back == sample => Ok(TimeForm::Local(text.to_owned())),
        _ => Err(problem("does not give a full date and time")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spec() -> ColumnMapSpec {
        let columns = BTreeMap::from([
            ("time".to_owned(), vec![Column::Name("Time".to_owned())]),
            ("state".to_owned(), vec![Column::Name("Status".to_owned())]),
        ]);
        ColumnMapSpec { files: "*.csv".to_owned(), table: Target::Fixes, columns, ..ColumnMapSpec::default() }
    }

    #[test]
    fn a_map_that_cannot_work_is_refused_with_its_key() {
        let refused = |change: &dyn Fn(&mut ColumnMapSpec)| {
            let mut spec = spec();
            change(&mut spec);
            ColumnMap::new(spec).map(|_| ()).unwrap_err()
        };
        assert!(ColumnMap::new(spec()).is_ok());
        assert!(refused(&|s| s.files.clear()).contains("`files`"));
        assert!(refused(&|s| s.time_zone = "Mars/Base".into()).contains("`time_zone`"));
        assert!(refused(&|s| s.time_format = "%H:%M:%S".into()).contains("full date"));
        assert!(refused(&|s| s.time_format = "%d.%m.%y %I:%M".into()).contains("full date"));
        assert!(refused(&|s| s.time_format = "german".into()).contains("not known"));
        assert!(refused(&|s| drop(s.columns.remove("state"))).contains("`columns.state`"));
        assert!(
            refused(&|s| drop(s.columns.insert("speed".into(), vec![Column::Number(3)]))).contains("columns.speed")
        );
        assert!(refused(&|s| s.header = false).contains("number"));
        let table = BTreeMap::from([("RTK Fix".to_owned(), "fix".to_owned())]);
        assert!(refused(&|s| drop(s.values.insert("state".into(), table.clone()))).contains("not a state"));
    }

    #[test]
    fn globs_without_a_slash_look_at_the_name() {
        let map = ColumnMap::new(spec()).unwrap();
        assert!(map.matches("logs/day1/EX-14.CSV"));
        assert!(!map.matches("logs/day1/EX-14.log"));
    }
}
