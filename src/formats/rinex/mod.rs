//! RINEX observation (2.x, 3.x, 4.x) and navigation files, plain or Compact RINEX (1.0, 3.x), as a stream of lines.
//!
//! [`sniff`] gives a [`Stream`]; [`RinexStream::with_sink`] also hands out every cell with its full values. Times become
//! UTC by the file's own time system. See [`codes`] for the signals of version 2 types.

pub(crate) mod codes;
mod compact;
pub(crate) mod epoch;
pub(crate) mod fields;
mod header;
pub(crate) mod lines;
mod nav;
mod obs;
pub(crate) mod report;
mod sink;
mod site;
mod text;

pub use header::{Header, TimeSystem};
pub use obs::TypeTotal;
pub use sink::{Cell, CellSink};

use self::compact::Compact;
use self::fields::{columns, float, trim};
use self::header::{Taken, label, looks_like_header};
use self::lines::{Line, Lines};
use self::nav::Navigation;
use self::obs::Observations;
use self::report::{Report, quote};
use self::text::Text;
use super::piece::Piece;
use super::{FileContext, Parsed, Stream};
use crate::model::look::{FileLook, Format};
use crate::model::time::rfc3339;

/// Label of the first line of a Compact RINEX file.
const COMPACT_LABEL: &[u8] = b"CRINEX VERS   / TYPE";
/// How many lines may stand before the first label.
const LINES_BEFORE: usize = 10;

#[derive(Debug)]
enum Body {
    Header,
    Plain(Text),
    Compact(Box<Compact>),
    Navigation,
    /// A file type that is not used.
    Unused,
}

/// Decoder of one RINEX file; the sink gets every cell with its full values.
#[derive(Debug)]
pub struct RinexStream<S: CellSink> {
    lines: Lines,
    core: Core<S>,
}

#[derive(Debug)]
struct Core<S> {
    path: String,
    header: Header,
    header_lines: u64,
    body: Body,
    /// Compact RINEX, and whether its version is 3.
    compact: Option<bool>,
    ever_compact: bool,
    version_text: String,
    format: Format,
    obs: Observations<S>,
    nav: Navigation,
    report: Report,
    /// Number, offset of the last line: where the file ends.
    end: (u64, u64),
}

/// A decoder when the file begins like RINEX observation or navigation data, plain or Compact.
pub fn sniff(head: &[u8], context: &FileContext) -> Option<Box<dyn Stream>> {
    let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let is_rinex = head
        .split(|b| *b == b'\n')
        .take(LINES_BEFORE)
        .any(|line| matches!(label(line.strip_suffix(b"\r").unwrap_or(line)), b"RINEX VERSION / TYPE" | COMPACT_LABEL));
    is_rinex.then(|| Box::new(RinexStream::with_sink(context, ())) as Box<dyn Stream>)
}

impl<S: CellSink> RinexStream<S> {
    /// A decoder that also gives every cell to `sink`.
    pub fn with_sink(context: &FileContext, sink: S) -> RinexStream<S> {
        RinexStream {
            lines: Lines::default(),
            core: Core {
                path: context.path.clone(),
                header: Header::default(),
                header_lines: 0,
                body: Body::Header,
                compact: None,
                ever_compact: false,
                version_text: String::new(),
                format: Format::Foreign,
                obs: Observations::new(sink),
                nav: Navigation::default(),
                report: Report::default(),
                end: (0, 0),
            },
        }
    }

    /// The next bytes of the file.
    pub fn push(&mut self, bytes: &[u8]) {
        let core = &mut self.core;
        self.lines.feed(bytes, &mut |line| core.line(line));
    }

    /// The end of the file: what was read, how often every observation type was met, and the sink.
    pub fn finish_all(mut self) -> (Parsed, Vec<TypeTotal>, S) {
        let core = &mut self.core;
        self.lines.finish(&mut |line| core.line(line));
        self.core.finish()
    }
}

impl<S: CellSink> Stream for RinexStream<S> {
    fn feed(&mut self, bytes: &[u8]) {
        self.push(bytes);
    }

    fn held(&self) -> usize {
        self.core.obs.held()
    }

    fn piece(&mut self) -> Piece {
        self.core.obs.piece()
    }

    fn finish(self: Box<Self>) -> Parsed {
        self.finish_all().0
    }
}

impl<S: CellSink> Core<S> {
    fn line(&mut self, line: Line<'_>) {
        self.end = (line.number, line.offset);
        if line.overlong {
            self.report.unknown(&line);
            let words = || format!("a line of {} bytes", line.bytes);
            self.report.problem("line too long", &line, words, "not a line of RINEX; skipped up to the next epoch");
            match &mut self.body {
                Body::Plain(text) => text.lose(),
                Body::Compact(compact) => compact.lose(),
                Body::Navigation => self.nav.lose(),
                Body::Header | Body::Unused => {}
            }
            return;
        }
        if matches!(self.body, Body::Header) {
            return self.header_line(&line);
        }
        if line.text.get(60).is_some_and(|b| b.is_ascii_uppercase() || *b == b'#') && self.inner_header(&line) {
            return;
        }
        let Core { body, header, obs, nav, report, .. } = self;
        match body {
            Body::Plain(text) => text.line(&line, header, obs, report),
            Body::Compact(compact) => compact.line(&line, header, obs, report),
            Body::Navigation => nav.line(&line, header, report),
            Body::Unused => report.skipped(&line, "RINEX of a type that is not used"),
            Body::Header => {}
        }
    }

    /// A header line between data, without an event that announces it. Lines of events come here too and are left alone.
    fn inner_header(&mut self, line: &Line<'_>) -> bool {
        let label = label(line.text);
        if label == b"RINEX VERSION / TYPE" || label == COMPACT_LABEL {
            // Another file was put behind this one.
            self.finish_part(line);
            self.report.count("further header");
            self.header = Header::default();
            self.header_lines = 0;
            self.compact = None;
            self.body = Body::Header;
            self.header_line(line);
            return true;
        }
        if self.in_event() || !looks_like_header(line.text) {
            return false;
        }
        match self.header.apply(line.text) {
            Taken::Comment => self.report.skipped(line, "comment"),
            Taken::Unknown => return false,
            Taken::Bad(what) => {
                self.report.unknown(line);
                let words = || format!("{what} cannot be read in {}", quote(line.text));
                self.report.problem(
                    "unreadable header line in the data",
                    line,
                    words,
                    "the value before it stays in use",
                );
            }
            Taken::Used | Taken::NotNeeded | Taken::End => {
                self.report.decoded(line);
                let words = || format!("a header line among the data: {}", quote(trim(columns(line.text, 60, 80))));
                self.report.problem("header line in the data", line, words, "it is valid from here on");
                if !matches!(self.body, Body::Navigation) {
                    self.obs.take_header(&mut self.header, false, line, &mut self.report);
                }
            }
        }
        true
    }

    fn in_event(&self) -> bool {
        match &self.body {
            Body::Plain(text) => text.in_event(),
            Body::Compact(compact) => compact.in_event(),
            _ => false,
        }
    }

    fn header_line(&mut self, line: &Line<'_>) {
        let label = label(line.text);
        self.header_lines += 1;
        if label == COMPACT_LABEL {
            let version = float(columns(line.text, 0, 20)).unwrap_or(0.0);
            self.compact = Some(version >= 2.5);
            self.ever_compact = true;
            if !(0.5..4.0).contains(&version) {
                let words = || format!("Compact RINEX version in {} is not 1.0 or 3.x", quote(line.text));
                self.report.problem("Compact RINEX version", line, words, "taken as 1.0");
            }
            return self.report.decoded(line);
        }
        if label == b"CRINEX PROG / DATE" {
            return self.report.decoded(line);
        }
        match self.header.apply(line.text) {
            Taken::Comment => self.report.skipped(line, "comment"),
            Taken::Used => {
                if label == b"RINEX VERSION / TYPE" && self.version_text.is_empty() {
                    self.version_text = self.header.version_text.clone();
                }
                self.report.decoded(line);
            }
            Taken::NotNeeded => self.report.decoded(line),
            Taken::Bad(what) => {
                self.report.unknown(line);
                let words = || format!("{what} cannot be read in {}", quote(line.text));
                self.report.problem("unreadable header line", line, words, "the value counts as missing");
            }
            Taken::End => {
                self.report.decoded(line);
                self.begin_body(line);
            }
            Taken::Unknown if trim(line.text).is_empty() => self.report.skipped(line, "blank line"),
            Taken::Unknown
                if self.header.version > 0 && !self.header.is_observation() && !self.header.is_navigation() =>
            {
                self.report.skipped(line, "RINEX of a type that is not used");
            }
            Taken::Unknown if self.data_begins(line.text) => {
                let words = || "END OF HEADER is missing before the first epoch".to_owned();
                self.report.problem("no END OF HEADER", line, words, "the data are read; correct the writer");
                self.begin_body(line);
                if !matches!(self.body, Body::Header) {
                    self.line(*line);
                }
            }
            Taken::Unknown => {
                self.report.unknown(line);
                let words = || format!("no header label of RINEX in columns 61 to 80: {}", quote(line.text));
                self.report.problem("unknown header line", line, words, "the line is not used");
            }
        }
    }

    fn data_begins(&self, text: &[u8]) -> bool {
        let text = match text {
            [b'&', rest @ ..] if self.compact == Some(false) => rest,
            text => text,
        };
        self.header.version > 0
            && if self.header.version >= 300 {
                text.first() == Some(&b'>') && (self.header.is_navigation() || epoch::version_3(text).is_ok())
            } else {
                self.header.is_observation() && self.header.has_types() && epoch::is_version_2(text)
            }
    }

    fn begin_body(&mut self, line: &Line<'_>) {
        if self.header.version == 0 {
            self.report.problem(
                "no RINEX version",
                line,
                || "the header ends without a version that can be read".to_owned(),
                "taken as version 2 or 3 by its observation types",
            );
            self.header.version = if self.header.types2.is_empty() { 304 } else { 211 };
            self.header.file_type = if self.header.has_types() { b'O' } else { b' ' };
        }
        if self.header.is_observation() {
            self.format = Format::RinexObs;
            if !self.header.has_types() {
                self.report.problem(
                    "no observation types",
                    line,
                    || "the header lists no observation types".to_owned(),
                    "without them no observation can be read; get the file again",
                );
            }
            self.obs.take_header(&mut self.header, true, line, &mut self.report);
            self.body = match self.compact {
                Some(version_3) => Body::Compact(Box::new(Compact::new(version_3))),
                None => Body::Plain(Text::default()),
            };
        } else if self.header.is_navigation() {
            self.format = Format::RinexNav;
            self.body = Body::Navigation;
        } else {
            let letter = char::from(self.header.file_type);
            self.report.problem(
                "RINEX type that is not used",
                line,
                || format!("RINEX file type {letter:?} is neither observation nor navigation data"),
                "nothing to do; the file is listed and not used",
            );
            self.body = Body::Unused;
        }
    }

    /// The end of one file of several in one.
    fn finish_part(&mut self, line: &Line<'_>) {
        match &mut self.body {
            // A whole header inside an event record is how some writers join files.
            Body::Plain(text) if !text.in_event() => text.finish(line, &mut self.report),
            Body::Compact(compact) if !compact.in_event() => compact.finish(line, &mut self.report),
            _ => {}
        }
    }

    fn finish(mut self) -> (Parsed, Vec<TypeTotal>, S) {
        let (number, offset) = self.end;
        let end = Line { text: &[], bytes: 0, number, offset, overlong: false };
        self.finish_part(&end);
        if matches!(self.body, Body::Header) {
            self.report.problem(
                "file ends inside the header",
                &end,
                || "the file ends before END OF HEADER".to_owned(),
                "nothing can be read; get the file again",
            );
            self.format = if self.header.is_navigation() { Format::RinexNav } else { Format::RinexObs };
        }
        let mut parsed = Parsed::default();
        let (ephemerides, nav_span, nav_satellites) = self.nav.finish(&mut self.report);
        let (report, totals, sink) = self.obs.finish(self.report, &mut parsed);
        if self.format == Format::RinexNav {
            parsed.span = nav_span;
            parsed.look.satellites = Some(nav_satellites);
            parsed.look.epochs = None;
        }
        parsed.ephemerides = ephemerides;
        parsed.look = FileLook {
            path: self.path,
            format: self.format,
            version: (!self.version_text.is_empty()).then_some(self.version_text),
            compressed: if self.ever_compact { "crx" } else { "none" }.to_owned(),
            from: parsed.span.map(|s| rfc3339(s.0)),
            to: parsed.span.map(|s| rfc3339(s.1)),
            bytes: report.ledger,
            counts: report.counts,
            date_from: parsed.span.is_some().then(|| "epochs of the file".to_owned()),
            problems: report.problems.into_list(),
            ..parsed.look
        };
        (parsed, totals, sink)
    }
}

#[cfg(test)]
pub(crate) mod tests;
