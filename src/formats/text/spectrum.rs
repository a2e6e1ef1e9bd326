//! `time,frequency_hz,power_dbm`: sweeps of a spectrum display, one row a frequency (`bundles.md`).

use super::super::{FileContext, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::record::Row;
use super::stamp;
use super::table::{CsvStream, SEPARATORS, Table, header};
use crate::model::look::Format;
use crate::model::rows::SpectrumBin;
use crate::model::time::UtcMs;

/// A header with all three columns.
pub fn sniff(head: &[u8], context: &FileContext, _settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let header = header(head, 0, &SEPARATORS, |h| {
        ["time", "frequency_hz", "power_dbm"].iter().all(|name| h.find(name).is_some())
    })?;
    let table = Spectrum {
        time: header.find("time")?,
        frequency: header.find("frequency_hz")?,
        power: header.find("power_dbm")?,
        decimal_comma: header.separator == b';',
        last: None,
        sweeps: 0,
        bins: 0,
    };
    Some(Box::new(CsvStream::new(Body::new(context), &header, 0, true, table)))
}

struct Spectrum {
    time: usize,
    frequency: usize,
    power: usize,
    decimal_comma: bool,
    last: Option<UtcMs>,
    sweeps: u64,
    bins: u64,
}

impl Table for Spectrum {
    fn format(&self) -> Format {
        Format::Spectrum
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
        let frequency = stamp::number(row.get(self.frequency), self.decimal_comma);
        let power = stamp::number(row.get(self.power), self.decimal_comma);
        let ok = bin(body, place, time, frequency, power);
        if ok {
            self.bins += 1;
            if self.last.replace(time) != Some(time) {
                self.sweeps += 1;
            }
        }
        ok
    }

    fn finish(&mut self, body: &mut Body) {
        body.count("sweeps", self.sweeps);
        body.count("bins", self.bins);
    }
}

/// Writes one bin of a sweep.
pub(super) fn bin(body: &mut Body, place: Place, time: UtcMs, frequency: Option<f64>, power: Option<f64>) -> bool {
    let (Some(frequency_hz), Some(power_dbm)) = (frequency, power) else {
        body.bad("a frequency or power that is not a number", place, "the row was left out");
        return false;
    };
    if frequency_hz <= 0.0 {
        body.bad("a frequency that is not above zero", place, "the row was left out");
        return false;
    }
    body.saw(time);
    body.rows.spectra.push(SpectrumBin { time, frequency_hz, power_dbm: power_dbm as f32 });
    true
}
