//! CSV records out of lines (RFC 4180): quoted fields may hold the separator, doubled quotes and line ends. A quote that
//! is never closed costs its own line only: the lines behind it are read again without it.

use super::lines::{Line, Lines, without_end, without_mark};
use memchr::memchr;

/// Longest record that is kept while a quote is open, bytes.
const RECORD_LIMIT: usize = 64 * 1024;

/// What a piece of the file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A record to be split into fields.
    Record,
    /// A line with a quote that is never closed.
    OpenQuote,
    /// A line beyond [`super::lines::LINE_LIMIT`]; no bytes.
    TooLong,
}

/// One record with its place.
#[derive(Debug, Clone, Copy)]
pub struct Record<'a> {
    /// Whether it can be split.
    pub shape: Shape,
    /// Its bytes without the last line end.
    pub bytes: &'a [u8],
    /// Bytes with the line ends.
    pub size: u64,
    /// Offset of its begin.
    pub offset: u64,
    /// Number of its first line.
    pub number: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum State {
    #[default]
    FieldStart,
    Plain,
    Quoted,
    QuoteInQuoted,
}

fn scan(mut state: State, bytes: &[u8], separator: u8) -> State {
    for &b in bytes {
        state = match (state, b) {
            (State::Quoted, b'"') => State::QuoteInQuoted,
            (State::Quoted, _) | (State::QuoteInQuoted, b'"') => State::Quoted,
            (State::FieldStart, b'"') => State::Quoted,
            (State::FieldStart, b' ') => State::FieldStart,
            (_, b) if b == separator => State::FieldStart,
            _ => State::Plain,
        };
    }
    state
}

/// Collects lines into records.
#[derive(Debug)]
pub struct Records {
    separator: u8,
    lines: Lines,
    joiner: Joiner,
}

#[derive(Debug, Default)]
struct Joiner {
    pending: Vec<u8>,
    offset: u64,
    number: u64,
    state: State,
}

impl Records {
    /// Records of a file with this separator.
    pub fn new(separator: u8) -> Records {
        Records { separator, lines: Lines::default(), joiner: Joiner::default() }
    }

    /// The next piece of the file.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut dyn FnMut(Record<'_>)) {
        let Records { separator, lines, joiner } = self;
        lines.feed(bytes, &mut |line| joiner.line(line, *separator, sink));
    }

    /// The end of the file.
    pub fn finish(&mut self, sink: &mut dyn FnMut(Record<'_>)) {
        let Records { separator, lines, joiner } = self;
        lines.finish(&mut |line| joiner.line(line, *separator, sink));
        while !joiner.pending.is_empty() {
            joiner.give_up(*separator, sink);
        }
    }
}

impl Joiner {
    fn line(&mut self, line: Line<'_>, separator: u8, sink: &mut dyn FnMut(Record<'_>)) {
        if line.too_long {
            while !self.pending.is_empty() {
                self.give_up(separator, sink);
            }
            sink(Record {
                shape: Shape::TooLong,
                bytes: &[],
                size: line.size,
                offset: line.offset,
                number: line.number,
            });
            return;
        }
        let content = line.content();
        if self.pending.is_empty() {
            if memchr(b'"', content).is_none() || !open(scan(State::default(), content, separator)) {
                sink(Record {
                    shape: Shape::Record,
                    bytes: content,
                    size: line.size,
                    offset: line.offset,
                    number: line.number,
                });
                return;
            }
            (self.offset, self.number, self.state) = (line.offset, line.number, State::default());
        } else if self.pending.len() + line.raw.len() > RECORD_LIMIT {
            self.give_up(separator, sink);
            return self.line(line, separator, sink);
        }
        let mark = line.raw.len() - if line.offset == 0 { without_mark(line.raw).len() } else { line.raw.len() };
        self.state = scan(self.state, line.raw.get(mark..).unwrap_or_default(), separator);
        self.pending.extend_from_slice(line.raw);
        if !open(self.state) {
            let bytes = std::mem::take(&mut self.pending);
            sink(Record {
                shape: Shape::Record,
                bytes: without_end(if self.offset == 0 { without_mark(&bytes) } else { &bytes }),
                size: bytes.len() as u64,
                offset: self.offset,
                number: self.number,
            });
        }
    }

    /// Gives out the first pending line as bad and reads the others again.
    fn give_up(&mut self, separator: u8, sink: &mut dyn FnMut(Record<'_>)) {
        let bytes = std::mem::take(&mut self.pending);
        let (mut offset, mut number) = (self.offset, self.number);
        for (i, raw) in bytes.split_inclusive(|b| *b == b'\n').enumerate() {
            let size = raw.len() as u64;
            if i == 0 {
                sink(Record { shape: Shape::OpenQuote, bytes: without_end(raw), size, offset, number });
            } else {
                self.line(Line { raw, size, offset, number, too_long: false }, separator, sink);
            }
            offset += size;
            number += 1;
        }
    }
}

fn open(state: State) -> bool {
    state == State::Quoted
}

/// Splits a record into fields without allocating per record.
#[derive(Debug, Default)]
pub struct Splitter {
    ranges: Vec<(usize, usize, bool)>,
    unquoted: Vec<u8>,
}

/// The fields of one record.
#[derive(Debug, Clone, Copy)]
pub struct Row<'a> {
    record: &'a [u8],
    splitter: &'a Splitter,
}

impl<'a> Row<'a> {
    /// Number of fields.
    pub fn len(&self) -> usize {
        self.splitter.ranges.len()
    }

    /// Field `i` without quotes and without blanks around it; empty past the end.
    pub fn get(&self, i: usize) -> &'a [u8] {
        match self.splitter.ranges.get(i) {
            Some(&(from, to, true)) => self.splitter.unquoted.get(from..to).unwrap_or_default(),
            Some(&(from, to, false)) => self.record.get(from..to).unwrap_or_default().trim_ascii(),
            None => &[],
        }
    }

    /// Whether every field is empty.
    pub fn is_blank(&self) -> bool {
        (0..self.len()).all(|i| self.get(i).is_empty())
    }
}

impl Splitter {
    /// Splits `record` at `separator`.
    pub fn split<'a>(&'a mut self, record: &'a [u8], separator: u8) -> Row<'a> {
        self.ranges.clear();
        self.unquoted.clear();
        let mut at = 0;
        loop {
            let rest = record.get(at..).unwrap_or_default();
            let blanks = rest.iter().take_while(|b| **b == b' ').count();
            if rest.get(blanks) == Some(&b'"') {
                at = self.quoted(record, at + blanks + 1, separator);
            } else {
                let length = memchr(separator, rest).unwrap_or(rest.len());
                self.ranges.push((at, at + length, false));
                at += length;
            }
            if at >= record.len() {
                break;
            }
            at += 1; // the separator
        }
        Row { record, splitter: self }
    }

    /// A quoted field that begins behind its first quote; gives the place of the separator behind it.
    fn quoted(&mut self, record: &[u8], mut at: usize, separator: u8) -> usize {
        let from = self.unquoted.len();
        loop {
            let rest = record.get(at..).unwrap_or_default();
            let Some(quote) = memchr(b'"', rest) else {
                self.unquoted.extend_from_slice(rest);
                at = record.len();
                break;
            };
            self.unquoted.extend_from_slice(rest.get(..quote).unwrap_or_default());
            at += quote + 1;
            if record.get(at) == Some(&b'"') {
                self.unquoted.push(b'"');
                at += 1;
                continue;
            }
            // Behind the closing quote only blanks belong; anything else is kept as text.
            let rest = record.get(at..).unwrap_or_default();
            let length = memchr(separator, rest).unwrap_or(rest.len());
            self.unquoted.extend_from_slice(rest.get(..length).unwrap_or_default().trim_ascii_end());
            at += length;
            break;
        }
        self.ranges.push((from, self.unquoted.len(), true));
        at
    }
}

#[cfg(test)]
mod tests {
    use super::super::lines::text_of;
    use super::*;

    fn read(file: &[u8], size: usize) -> Vec<(Shape, Vec<String>, u64)> {
        let mut records = Records::new(b',');
        let mut splitter = Splitter::default();
        let mut out = Vec::new();
        let mut sink = |r: Record<'_>| {
            let row = splitter.split(r.bytes, b',');
            let fields = (0..row.len()).map(|i| text_of(row.get(i)).into_owned()).collect();
            out.push((r.shape, fields, r.size));
        };
        for piece in file.chunks(size) {
            records.feed(piece, &mut sink);
        }
        records.finish(&mut sink);
        out
    }

    #[test]
    fn quoting_of_rfc_4180() {
        // RFC 4180 section 2, rules 5 to 7: "aaa","b CRLF bb","ccc" and "aaa","b""bb","ccc".
        let file = b"\"aaa\",\"b\r\nbb\",\"ccc\"\r\n\"aaa\",\"b\"\"bb\",\"ccc\"\r\nzzz,yyy,xxx";
        for size in [1, 7, 4096] {
            let got = read(file, size);
            assert_eq!(got[0].1, ["aaa", "b\r\nbb", "ccc"]);
            assert_eq!(got[1].1, ["aaa", "b\"bb", "ccc"]);
            assert_eq!(got[2].1, ["zzz", "yyy", "xxx"]);
            assert_eq!(got.iter().map(|r| r.2).sum::<u64>(), file.len() as u64);
        }
    }

    #[test]
    fn the_same_fields_as_a_general_csv_library() {
        let file: &[u8] = b"a,b,c\n1,\"x, y\",3\n,,\n\"\",\"q\"\"q\",last\n";
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(file);
        let theirs: Vec<Vec<String>> =
            reader.records().map(|r| r.unwrap().iter().map(ToOwned::to_owned).collect()).collect();
        assert_eq!(read(file, 3).into_iter().map(|r| r.1).collect::<Vec<_>>(), theirs);
    }

    #[test]
    fn an_open_quote_costs_one_line() {
        let mut file = b"1,\"never closed\n".to_vec();
        for i in 0..10_000 {
            file.extend_from_slice(format!("{i},fine,row\n").as_bytes());
        }
        for size in [100, 1 << 20] {
            let got = read(&file, size);
            assert_eq!(got[0].0, Shape::OpenQuote);
            assert_eq!(got.iter().filter(|r| r.0 == Shape::Record && r.1.len() == 3).count(), 10_000);
            assert_eq!(got.iter().map(|r| r.2).sum::<u64>(), file.len() as u64);
        }
    }

    #[test]
    fn a_quote_inside_a_plain_field_is_text() {
        assert_eq!(read(b"5\" mast,ok\nnext,row\n", 64)[0].1, ["5\" mast", "ok"]);
    }
}
