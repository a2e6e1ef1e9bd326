//! The one reader of all CSV files: finds the header, splits records, keeps the ledger; a [`Table`] says what a row means.

use super::super::piece::Piece;
use super::super::{Parsed, Stream};
use super::body::{Body, Place};
use super::lines::{LINE_LIMIT, Line, Lines, text_of};
use super::record::{Record, Records, Row, Shape, Splitter};
use crate::model::look::Format;

/// The separators that are tried, the usual first.
pub const SEPARATORS: [u8; 3] = [b',', b';', b'\t'];

/// What the rows of a CSV file mean.
pub trait Table {
    /// Content kind for the look.
    fn format(&self) -> Format;
    /// What stands as version in the look; our own tables have none.
    fn version(&self) -> Option<String> {
        None
    }
    /// Whether a row cut off in its last field could still look whole (a number with fewer digits).
    fn ends_in_number(&self) -> bool {
        true
    }
    /// Takes one row; `false` when nothing of it could be used (the problem has then been noted).
    fn row(&mut self, row: Row<'_>, body: &mut Body, place: Place) -> bool;
    /// The end of the file.
    fn finish(&mut self, _body: &mut Body) {}
}

/// Names of the columns of a file.
#[derive(Debug, Clone, Default)]
pub struct Header {
    /// The separator.
    pub separator: u8,
    /// Names as written, trimmed.
    pub names: Vec<String>,
}

impl Header {
    /// Place of a column by its name, without case.
    pub fn find(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n.eq_ignore_ascii_case(name))
    }
}

/// The first line of a head that is neither blank nor a `#` comment, behind `skip_lines` lines, and the complete lines
/// behind it. `None` when there is no such line or it is not text.
pub fn first_line(head: &[u8], skip_lines: u64) -> Option<(&[u8], &[u8])> {
    let mut rest = head;
    let mut number = 0;
    loop {
        let size = memchr::memchr(b'\n', rest).map_or(rest.len(), |at| at + 1);
        if size == 0 {
            return None;
        }
        let (raw, tail) = rest.split_at(size);
        number += 1;
        let line = Line { raw, size: size as u64, offset: if number == 1 { 0 } else { 1 }, number, too_long: false };
        let content = line.content();
        rest = tail;
        if number <= skip_lines || is_preamble(content) {
            continue;
        }
        let text = content.len() < LINE_LIMIT / 4 && content.iter().all(|b| *b >= b' ' || *b == b'\t');
        return text.then_some((content, rest));
    }
}

fn is_preamble(line: &[u8]) -> bool {
    let line = line.trim_ascii();
    line.is_empty() || line.starts_with(b"#")
}

/// The header of a head with the separator under which `wanted` holds.
pub fn header(head: &[u8], skip_lines: u64, separators: &[u8], wanted: impl Fn(&Header) -> bool) -> Option<Header> {
    let (line, _) = first_line(head, skip_lines)?;
    let mut splitter = Splitter::default();
    separators.iter().find_map(|&separator| {
        let row = splitter.split(line, separator);
        let names = (0..row.len()).map(|i| text_of(row.get(i)).into_owned()).collect();
        let header = Header { separator, names };
        wanted(&header).then_some(header)
    })
}

/// Calls `look` with the first rows behind the header (at most 20) until it says `true`.
pub fn any_row(head: &[u8], separator: u8, mut look: impl FnMut(Row<'_>) -> bool) -> bool {
    let Some((_, rest)) = first_line(head, 0) else { return false };
    let mut splitter = Splitter::default();
    let mut lines = Lines::default();
    let (mut seen, mut found) = (0, false);
    lines.feed(rest, &mut |line| {
        if seen < 20 && !found {
            seen += 1;
            found = look(splitter.split(line.content(), separator));
        }
    });
    lines.finish(&mut |line| found = found || (seen < 20 && look(splitter.split(line.content(), separator))));
    found
}

/// Reads one CSV file.
pub struct CsvStream<T> {
    records: Records,
    reader: Reader<T>,
}

struct Reader<T> {
    body: Body,
    table: T,
    splitter: Splitter,
    separator: u8,
    columns: usize,
    skip_lines: u64,
    has_header: bool,
    header: Option<Vec<u8>>,
}

impl<T: Table> CsvStream<T> {
    /// A reader for a file with this header. Without `has_header` the first row is data and `header` only tells the
    /// separator.
    pub fn new(body: Body, header: &Header, skip_lines: u64, has_header: bool, table: T) -> CsvStream<T> {
        CsvStream {
            records: Records::new(header.separator),
            reader: Reader {
                body,
                table,
                splitter: Splitter::default(),
                separator: header.separator,
                columns: header.names.len(),
                skip_lines,
                has_header,
                header: None,
            },
        }
    }
}

impl<T: Table> Reader<T> {
    fn record(&mut self, record: Record<'_>) {
        let place = Place { line: record.number, offset: record.offset };
        let body = &mut self.body;
        match record.shape {
            _ if record.number <= self.skip_lines => return body.ledger.skipped(record.size, "lines above the header"),
            Shape::TooLong => {
                body.bad("a line longer than 64 KiB", place, "the line was left out; is this file damaged?");
                return body.ledger.skipped(record.size, "line too long");
            }
            Shape::OpenQuote => {
                body.bad("a quote that is never closed", place, "the line was left out; close the quote or double it");
                return body.ledger.unknown(record.size);
            }
            Shape::Record => {}
        }
        let first = self.has_header && self.header.is_none();
        if record.bytes.trim_ascii().is_empty() {
            return body.ledger.skipped(record.size, "blank line");
        }
        if first || self.header.as_deref() == Some(record.bytes) {
            if is_preamble(record.bytes) {
                return body.ledger.skipped(record.size, "lines above the header");
            }
            if first {
                self.header = Some(record.bytes.to_vec());
                return body.ledger.decoded(record.size);
            }
            return body.ledger.skipped(record.size, "header again");
        }
        if record.bytes.contains(&0) {
            body.bad("binary bytes in a text file", place, "the line was left out; is this file damaged?");
            return body.ledger.unknown(record.size);
        }
        let row = self.splitter.split(record.bytes, self.separator);
        if row.is_blank() {
            return body.ledger.skipped(record.size, "blank line");
        }
        let ended = record.size > record.bytes.len() as u64;
        if !ended
            && row.len() == self.columns
            && self.table.ends_in_number()
            && !row.get(self.columns.saturating_sub(1)).is_empty()
        {
            let hint = "the row was left out, its last number may have lost digits; end the file with a line end";
            body.bad("the last line has no end", place, hint);
            return body.ledger.skipped(record.size, "last line without an end");
        }
        if row.len() < self.columns {
            if !ended {
                body.bad("the last line is cut off", place, "the line was left out; the file seems to be truncated");
                return body.ledger.unknown(record.size);
            }
            body.bad("fewer fields than the header has", place, "the missing fields count as empty");
        } else if row.len() > self.columns {
            body.bad("more fields than the header has", place, "the fields beyond the header were left out");
        }
        if self.table.row(row, body, place) {
            body.ledger.decoded(record.size);
        } else {
            body.ledger.unknown(record.size);
        }
    }
}

impl<T: Table> Stream for CsvStream<T> {
    fn feed(&mut self, bytes: &[u8]) {
        let CsvStream { records, reader } = self;
        records.feed(bytes, &mut |record| reader.record(record));
    }

    fn held(&self) -> usize {
        self.reader.body.held()
    }

    fn piece(&mut self) -> Piece {
        self.reader.body.piece()
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        let CsvStream { records, reader } = &mut *self;
        records.finish(&mut |record| reader.record(record));
        let CsvStream { reader, .. } = *self;
        let Reader { mut body, mut table, .. } = reader;
        table.finish(&mut body);
        body.finish(table.format(), table.version().as_deref())
    }
}
