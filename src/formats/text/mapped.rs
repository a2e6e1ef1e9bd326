//! Reads a foreign CSV by its `[[column_map]]`.

use super::super::{FileContext, Parsed, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::column_map::{Column, ColumnMap, Target, TimeForm};
use super::lines::text_of;
use super::record::Row;
use super::stamp::{self, BadTime};
use super::table::{CsvStream, Header, SEPARATORS, Table, first_line, header};
use super::{events, spectrum};
use crate::model::ids::FixState;
use crate::model::look::Format;
use crate::model::problem::Problem;
use crate::model::rows::{Fix, Metric, NO_COUNT, NO_STATION, SPAN_POSITIONS, Span};
use crate::model::time::{SECOND_MS, UtcMs};
use chrono::offset::LocalResult;
use chrono::{DateTime, NaiveDateTime, TimeZone};
use chrono_tz::Tz;
use std::sync::Arc;

/// No gap longer than this inside a stretch of data.
const GAP_MS: i64 = 10 * SECOND_MS;

/// The first column map whose file pattern and columns fit.
pub fn sniff(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    settings.column_maps.iter().filter(|map| map.matches(&context.path)).find_map(|map| {
        let header = header(head, map.spec.skip_lines, &separators(map), |h| missing(map, h).is_none())?;
        let table = Mapped::new(Arc::clone(map), &header);
        let spec = &map.spec;
        let stream = CsvStream::new(Body::new(context), &header, spec.skip_lines, spec.header, table);
        Some(Box::new(stream) as Box<dyn Stream>)
    })
}

/// A text file that a column map means, but whose columns are not there: it is listed with the column that is missing.
pub fn sniff_mismatch(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let (number, map) = settings.column_maps.iter().enumerate().find(|(_, map)| map.matches(&context.path))?;
    let (line, _) = first_line(head, map.spec.skip_lines)?;
    let header = header(head, map.spec.skip_lines, &separators(map), |_| true)?;
    let missing = missing(map, &header)?;
    let mut body = Body::new(context);
    let first: String = text_of(line).chars().take(120).collect();
    body.problems.note("column map does not fit", || {
        Problem::whole(
            format!(
                "column {missing} of [[column_map]] number {} is not in the file; its first line is `{first}`",
                number + 1
            ),
            "correct the column names, `skip_lines` or `separator` of the map",
        )
    });
    Some(Box::new(Unread { body }))
}

struct Unread {
    body: Body,
}

impl Stream for Unread {
    fn feed(&mut self, bytes: &[u8]) {
        self.body.ledger.unknown(bytes.len() as u64);
    }

    fn finish(self: Box<Self>) -> Parsed {
        self.body.finish(Format::Foreign, None)
    }
}

fn separators(map: &ColumnMap) -> Vec<u8> {
    map.spec.separator.map_or_else(|| SEPARATORS.to_vec(), |s| vec![s])
}

fn missing<'a>(map: &'a ColumnMap, header: &Header) -> Option<&'a Column> {
    map.spec.columns.values().flatten().find(|column| place(column, header).is_none())
}

fn place(column: &Column, header: &Header) -> Option<usize> {
    match column {
        Column::Name(name) => header.find(name.trim()),
        Column::Number(n) => n.checked_sub(1).filter(|i| *i < header.names.len()),
    }
}

struct Mapped {
    map: Arc<ColumnMap>,
    decimal_comma: bool,
    time: Vec<usize>,
    /// Our columns with their places and factors, `time` left out.
    columns: Vec<(String, usize, f64)>,
    last: Option<UtcMs>,
    text: String,
    span: Option<Span>,
    kept: Option<i64>,
    sweeps: u64,
}

impl Mapped {
    fn new(map: Arc<ColumnMap>, header: &Header) -> Mapped {
        let places = |name: &str| -> Vec<usize> {
            map.spec.columns.get(name).into_iter().flatten().filter_map(|c| place(c, header)).collect()
        };
        let columns = map
            .spec
            .columns
            .keys()
            .filter(|name| *name != "time")
            .filter_map(|name| {
                let at = *places(name).first()?;
                Some((name.clone(), at, map.spec.scale.get(name).copied().unwrap_or(1.0)))
            })
            .collect();
        Mapped {
            decimal_comma: map.spec.decimal_comma.unwrap_or(header.separator == b';'),
            time: places("time"),
            columns,
            map,
            last: None,
            text: String::new(),
            span: None,
            kept: None,
            sweeps: 0,
        }
    }

    fn cell<'a>(&self, row: &Row<'a>, name: &str) -> &'a [u8] {
        self.columns.iter().find(|c| c.0 == name).map_or(&[][..], |c| row.get(c.1))
    }

    /// The number in one of our columns, translated and scaled; a bad one is noted and missing.
    fn number(&self, row: &Row<'_>, name: &str, body: &mut Body, place: Place) -> Option<f64> {
        let (_, at, factor) = self.columns.iter().find(|c| c.0 == name)?;
        let cell = row.get(*at);
        let value = match self.map.spec.values.get(name).and_then(|_| self.map.translate(name, &text_of(cell))) {
            Some(ours) => stamp::number(ours.as_bytes(), false),
            None if stamp::is_no_value(cell) => return None,
            None => stamp::number(cell, self.decimal_comma),
        };
        if value.is_none() {
            body.bad_word(
                "a value that is not a number",
                cell,
                place,
                "the value was left out; see `decimal_comma` and `values`",
            );
        }
        value.map(|v| v * factor)
    }

    fn word(&self, row: &Row<'_>, name: &str) -> String {
        let theirs = text_of(self.cell(row, name));
        self.map.translate(name, &theirs).map_or_else(|| theirs.clone().into_owned(), ToOwned::to_owned)
    }

    fn time(&mut self, row: &Row<'_>, body: &mut Body, place: Place) -> Result<UtcMs, BadTime> {
        self.text.clear();
        for at in &self.time {
            if !self.text.is_empty() {
                self.text.push(' ');
            }
            self.text.push_str(&text_of(row.get(*at)));
        }
        if self.text.is_empty() {
            return Err(BadTime::Missing);
        }
        let text = self.text.as_str();
        let local = match &self.map.time_form {
            TimeForm::Unix => {
                let seconds = stamp::number(text.as_bytes(), self.decimal_comma).ok_or(BadTime::Form)?;
                return stamp::plausible((seconds * 1000.0).round() as i64);
            }
            TimeForm::UnixMs => return stamp::plausible(text.parse::<i64>().map_err(|_| BadTime::Form)?),
            TimeForm::Zoned(form) => {
                let t = DateTime::parse_from_str(text, form).map_err(|_| BadTime::Form)?;
                return stamp::plausible(t.timestamp_millis());
            }
            TimeForm::Rfc3339 => {
                let t = stamp::utc(text.as_bytes())?;
                if self.map.zone == Tz::UTC || DateTime::parse_from_rfc3339(&text.replacen(' ', "T", 1)).is_ok() {
                    return Ok(t);
                }
                DateTime::from_timestamp_millis(t).ok_or(BadTime::Form)?.naive_utc()
            }
            TimeForm::Local(form) => NaiveDateTime::parse_from_str(text, form).map_err(|_| BadTime::Form)?,
        };
        let t = match self.map.zone.from_local_datetime(&local) {
            LocalResult::Single(t) => t.timestamp_millis(),
            LocalResult::Ambiguous(early, late) => {
                // The hour that the clocks are set back: the log goes on, so the first choice that does not step back.
                let (early, late) = (early.timestamp_millis(), late.timestamp_millis());
                body.bad(
                    "a local time that exists twice (clocks set back)",
                    place,
                    "taken so that the log does not step back; better log in UTC",
                );
                if self.last.is_some_and(|last| early < last) { late } else { early }
            }
            LocalResult::None => return Err(BadTime::Form),
        };
        stamp::plausible(t)
    }

    fn fix(&mut self, row: &Row<'_>, time: UtcMs, body: &mut Body, place: Place) -> bool {
        let word = self.word(row, "state");
        let state = FixState::from_name(&word.to_ascii_lowercase()).or_else(|| match word.as_bytes() {
            [digit @ b'0'..=b'9'] => Some(FixState::from_gga_quality(digit - b'0')),
            _ => None,
        });
        let Some(state) = state else {
            let hint = "the row was left out; say what the word means in [column_map.values.state]";
            body.bad_word("a fix state that no value of the map translates", word.as_bytes(), place, hint);
            return false;
        };
        body.count(state.name(), 1);
        body.saw(time);
        self.stretch(time, body);
        if self.kept.replace(time.div_euclid(SECOND_MS)) == Some(time.div_euclid(SECOND_MS)) {
            return true;
        }
        let number = |name: &str, body: &mut Body| self.number(row, name, body, place);
        let within = |name: &str, limit: f64, body: &mut Body| {
            let value = number(name, body).unwrap_or(f64::NAN);
            if value.abs() > limit {
                body.bad("a latitude or longitude out of range", place, "the value was left out");
                return f64::NAN;
            }
            value
        };
        let (lat, lon) = (within("lat", 90.0, body), within("lon", 180.0, body));
        let single = |name: &str, body: &mut Body| number(name, body).unwrap_or(f64::NAN) as f32;
        let fix = Fix {
            time,
            state: state as u8,
            satellites: number("satellites", body).filter(|n| (0.0..255.0).contains(n)).map_or(NO_COUNT, |n| n as u8),
            hdop: single("hdop", body),
            correction_age_s: single("correction_age_s", body),
            station_id: number("station_id", body)
                .filter(|n| (1.0..1023.0).contains(n))
                .map_or(NO_STATION, |n| n as u16),
            lat,
            lon,
            height_m: number("height_m", body).unwrap_or(f64::NAN),
            sigma_h_m: single("sigma_h_m", body),
            sigma_v_m: single("sigma_v_m", body),
        };
        body.rows.fixes.push(fix);
        true
    }

    fn stretch(&mut self, time: UtcMs, body: &mut Body) {
        match &mut self.span {
            Some(span) if time >= span.until && time - span.until <= GAP_MS => {
                span.until = time;
                span.epochs = span.epochs.saturating_add(1);
            }
            span => {
                if let Some(done) = span.replace(Span { time, until: time, kind: SPAN_POSITIONS, epochs: 1 }) {
                    body.rows.spans.push(done);
                }
            }
        }
    }
}

impl Table for Mapped {
    fn format(&self) -> Format {
        match self.map.spec.table {
            Target::Events => Format::Events,
            Target::Metrics => Format::Metrics,
            Target::Spectrum => Format::Spectrum,
            // The words of the look schema are final and none is a fix-state log: nearest is a table of values by time.
            // `version` says what it is.
            Target::Fixes => Format::Metrics,
        }
    }

    fn version(&self) -> Option<String> {
        Some(format!("column_map: {}", self.map.spec.table.name()))
    }

    fn ends_in_number(&self) -> bool {
        self.map.spec.table != Target::Events
    }

    fn row(&mut self, row: Row<'_>, body: &mut Body, place: Place) -> bool {
        let time = match self.time(&row, body, place) {
            Ok(t) => t,
            Err(bad) => {
                let (what, hint) = match bad {
                    BadTime::Form | BadTime::DateOrder => (
                        "a time that the map's time_format does not read",
                        "the row was left out; correct `time_format`",
                    ),
                    other => other.words(),
                };
                body.bad_word(what, self.text.as_bytes(), place, hint);
                return false;
            }
        };
        self.last = Some(time);
        match self.map.spec.table {
            Target::Events => {
                let (kind, detail) = (self.word(&row, "kind"), self.word(&row, "detail"));
                events::log(body, time, &kind, &detail);
                true
            }
            Target::Spectrum => {
                let frequency = self.number(&row, "frequency_hz", body, place);
                let power = self.number(&row, "power_dbm", body, place);
                let ok = spectrum::bin(body, place, time, frequency, power);
                self.sweeps += u64::from(ok);
                ok
            }
            Target::Metrics if self.map.spec.columns.contains_key("metric") => {
                let metric = self.word(&row, "metric");
                let Some(value) = self.number(&row, "value", body, place) else { return false };
                if metric.is_empty() {
                    body.bad("a value without a metric's name", place, "the row was left out");
                    return false;
                }
                body.saw(time);
                body.count("values", 1);
                body.rows.metrics.push(Metric { time, metric, value });
                true
            }
            Target::Metrics => {
                let before = body.rows.metrics.len();
                for i in 0..self.columns.len() {
                    let Some((name, _, _)) = self.columns.get(i) else { break };
                    if let Some(value) = self.number(&row, name, body, place) {
                        body.rows.metrics.push(Metric { time, metric: name.clone(), value });
                    }
                }
                let values = body.rows.metrics.len() - before;
                body.saw(time);
                body.count("values", values as u64);
                true
            }
            Target::Fixes => self.fix(&row, time, body, place),
        }
    }

    fn finish(&mut self, body: &mut Body) {
        if let Some(span) = self.span.take() {
            body.rows.spans.push(span);
        }
        body.count("bins", self.sweeps);
    }
}
