//! `time,<metric>...`: measured values, one column a metric (`bundles.md`).

use super::super::{FileContext, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::record::Row;
use super::stamp;
use super::table::{CsvStream, Header, SEPARATORS, Table, any_row, header};
use crate::model::look::Format;
use crate::model::rows::Metric;

/// The metrics of the contract; others are kept under their own name.
pub const METRICS: [&str; 8] = [
    "antenna_voltage_v",
    "antenna_current_ma",
    "supply_voltage_v",
    "temperature_c",
    "radio_rssi_dbm",
    "radio_loss_pct",
    "noise_level_l1_db",
    "noise_level_l2_db",
];

/// More columns than this are left out.
const COLUMN_LIMIT: usize = 400;

/// A header with `time` and a known metric, or with `time` and columns that hold numbers.
pub fn sniff(head: &[u8], context: &FileContext, _settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let header = header(head, 0, &SEPARATORS, |h| h.find("time").is_some() && h.names.len() > 1)?;
    let time = header.find("time")?;
    let comma = header.separator == b';';
    let known = header.names.iter().any(|n| METRICS.iter().any(|m| m.eq_ignore_ascii_case(n)));
    let numeric = |row: Row<'_>| {
        stamp::utc(row.get(time)).is_ok()
            && (0..row.len()).any(|i| i != time && stamp::number(row.get(i), comma).is_some())
    };
    if !known && !any_row(head, header.separator, numeric) {
        return None;
    }
    Some(Box::new(CsvStream::new(Body::new(context), &header, 0, true, Metrics::new(&header, time))))
}

struct Metrics {
    time: usize,
    names: Vec<String>,
    values: Vec<u64>,
    decimal_comma: bool,
}

impl Metrics {
    fn new(header: &Header, time: usize) -> Metrics {
        let name = |n: &String| match METRICS.iter().find(|m| m.eq_ignore_ascii_case(n)) {
            Some(known) => (*known).to_owned(),
            None => n.clone(),
        };
        let names: Vec<String> = header.names.iter().take(COLUMN_LIMIT).map(name).collect();
        Metrics { time, values: vec![0; names.len()], names, decimal_comma: header.separator == b';' }
    }
}

impl Table for Metrics {
    fn format(&self) -> Format {
        Format::Metrics
    }

    fn row(&mut self, row: Row<'_>, body: &mut Body, place: Place) -> bool {
        let time = match stamp::utc(row.get(self.time)) {
            Ok(t) => t,
            Err(bad) => {
                let (what, hint) = bad.words();
                body.bad_word(what, row.get(self.time), place, hint);
                return false;
            }
        };
        let (mut good, mut bad) = (0_u64, 0_u64);
        for (i, name) in self.names.iter().enumerate() {
            let cell = row.get(i);
            if i == self.time || stamp::is_no_value(cell) {
                continue;
            }
            if name.is_empty() {
                body.bad("a value in a column without a name", place, "name the column in the header");
                bad += 1;
                continue;
            }
            match stamp::number(cell, self.decimal_comma) {
                Some(value) => {
                    body.rows.metrics.push(Metric { time, metric: name.clone(), value });
                    good += 1;
                    if let Some(n) = self.values.get_mut(i) {
                        *n += 1;
                    }
                }
                None => {
                    body.bad_word(
                        "a value that is not a number",
                        cell,
                        place,
                        "the value was left out; a decimal comma is only read where `;` separates",
                    );
                    bad += 1;
                }
            }
        }
        body.saw(time);
        good > 0 || bad == 0
    }

    fn finish(&mut self, body: &mut Body) {
        for (name, n) in self.names.iter().zip(&self.values) {
            body.count(name, *n);
        }
    }
}
