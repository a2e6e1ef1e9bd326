//! Syslog: RFC 5424, RFC 3164, and the plain files that daemons write (the same without priority, with an RFC 3339 time
//! or a year). Every message is counted; those that a keyword rule knows become events.
//!
//! RFC 3164 stamps have no year and no zone: UTC is assumed, and the year comes from a message that has one, else from
//! the hints; this is said in the look. A unit that starts with an unset clock writes 1 January or 1970 until it has the
//! time: such messages get the time of the next one that has it.

use super::super::piece::Piece;
use super::super::{FileContext, Parsed, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::events::{self, DETAIL_LIMIT};
use super::lines::{Line, Lines, text_of};
use super::stamp;
use super::syslog_rules::SyslogRules;
use crate::model::clock::DateHints;
use crate::model::look::Format;
use crate::model::problem::Problem;
use crate::model::time::{DAY_MS, HOUR_MS, UtcMs, date_text, days_from_date};
use std::sync::Arc;

const MONTHS: [&[u8; 3]; 12] =
    [b"Jan", b"Feb", b"Mar", b"Apr", b"May", b"Jun", b"Jul", b"Aug", b"Sep", b"Oct", b"Nov", b"Dec"];
/// Share of the first lines that must be syslog, in percent.
const SNIFF_SHARE: usize = 60;

/// Most of the first lines are syslog messages.
pub fn sniff(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let (mut seen, mut good) = (0, 0);
    let mut count = |line: Line<'_>| {
        let text = line.content();
        if seen < 50 && !text.trim_ascii().is_empty() && !matches!(text.first(), Some(b' ' | b'\t')) {
            seen += 1;
            good += usize::from(message(text).is_some());
        }
    };
    let mut lines = Lines::default();
    lines.feed(head, &mut count);
    if head.len() < super::super::HEAD_BYTES {
        lines.finish(&mut count);
    }
    if good == 0 || good * 100 < seen * SNIFF_SHARE {
        return None;
    }
    Some(Box::new(Syslog {
        lines: Lines::default(),
        reader: Reader {
            body: Body::new(context),
            rules: Arc::clone(&settings.syslog_rules),
            hints: context.hints,
            text: Vec::new(),
            found: Vec::new(),
            waiting: 0,
            year: 0,
            last: None,
            first: None,
            dated: None,
            new: 0,
            old: 0,
        },
    }))
}

/// The time of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stamp {
    /// UTC ms.
    Full(UtcMs),
    /// Month, day, ms of day.
    NoYear(u32, u32, i64),
    /// `-`, or a year in which no such unit existed.
    Unset,
}

/// A message in its parts.
#[derive(Debug, PartialEq, Eq)]
struct Message<'a> {
    stamp: Stamp,
    /// Whether RFC 5424.
    new_style: bool,
    program: &'a [u8],
    text: &'a [u8],
}

fn message(line: &[u8]) -> Option<Message<'_>> {
    let (priority, rest) = match line.strip_prefix(b"<") {
        Some(tail) => {
            let digits = tail.iter().take(4).take_while(|b| b.is_ascii_digit()).count();
            let value: u32 = std::str::from_utf8(tail.get(..digits)?).ok()?.parse().ok()?;
            if value > 191 || tail.get(digits) != Some(&b'>') {
                return None;
            }
            (true, tail.get(digits + 1..)?)
        }
        None => (false, line),
    };
    if priority
        && let Some(rest) = rest.strip_prefix(b"1 ")
        && let Some(message) = rfc5424(rest)
    {
        return Some(message);
    }
    if let Some((stamp, rest)) = old_stamp(rest) {
        return Some(old_style(stamp, rest));
    }
    // An RFC 3339 time before host and program, as many daemons write their files.
    let (word, tail) = word(rest);
    if word.len() >= 19 && matches!(word.get(10), Some(b'T')) {
        let stamp = full(word)?;
        let message = old_style(stamp, tail);
        return (priority || !message.program.is_empty()).then_some(message);
    }
    None
}

fn full(word: &[u8]) -> Option<Stamp> {
    match stamp::utc(word) {
        Ok(t) => Some(Stamp::Full(t)),
        Err(stamp::BadTime::ClockNotSet) => Some(Stamp::Unset),
        Err(_) => None,
    }
}

/// RFC 5424 section 6 behind `<PRI>1 `.
fn rfc5424(rest: &[u8]) -> Option<Message<'_>> {
    let (time, rest) = word(rest);
    let stamp = if time == b"-" { Stamp::Unset } else { full(time)? };
    let (host, rest) = word(rest);
    let (program, rest) = word(rest);
    let (process, rest) = word(rest);
    let (id, rest) = word(rest);
    if [host, program, process, id].iter().any(|w| w.is_empty()) {
        return None;
    }
    let text = structured(rest)?.trim_ascii();
    let text = super::lines::without_mark(text);
    Some(Message { stamp, new_style: true, program: if program == b"-" { &[] } else { program }, text })
}

/// What follows the structured data (RFC 5424 section 6.3).
fn structured(rest: &[u8]) -> Option<&[u8]> {
    if let Some(tail) = rest.strip_prefix(b"-") {
        return Some(tail);
    }
    let mut rest = rest;
    let mut any = false;
    while let [b'[', tail @ ..] = rest {
        any = true;
        let (mut quoted, mut escaped, mut end) = (false, false, None);
        for (i, b) in tail.iter().enumerate() {
            match b {
                _ if escaped => escaped = false,
                b'\\' if quoted => escaped = true,
                b'"' => quoted = !quoted,
                b']' if !quoted => {
                    end = Some(i + 1);
                    break;
                }
                _ => {}
            }
        }
        rest = tail.get(end?..)?;
    }
    any.then_some(rest)
}

/// `Mmm dd [yyyy] hh:mm:ss[.fff]` (RFC 3164 section 4.1.2) and what follows.
fn old_stamp(rest: &[u8]) -> Option<(Stamp, &[u8])> {
    let month = MONTHS.iter().position(|m| rest.get(..3).is_some_and(|w| w.eq_ignore_ascii_case(*m)))? as u32 + 1;
    let rest = rest.get(3..)?.strip_prefix(b" ")?;
    let (day, rest) = word(rest.trim_ascii_start());
    let day = small(day)?;
    let (mut time, mut rest) = word(rest);
    let mut year = None;
    if time.len() == 4 {
        year = Some(small(time)?);
        (time, rest) = word(rest);
    }
    let (of_day, tail) = stamp::clock(time)?;
    if !matches!(tail, [] | b":") {
        return None;
    }
    days_from_date(2000, month, day)?; // a leap year: 29 February is possible
    let stamp = match year {
        Some(year) => {
            let day = days_from_date(i32::try_from(year).ok()?, month, day)?;
            stamp::plausible(day * DAY_MS + of_day).map_or(Stamp::Unset, Stamp::Full)
        }
        None => Stamp::NoYear(month, day, of_day),
    };
    Some((stamp, rest))
}

/// `HOST TAG: text`, where the host may be missing.
fn old_style(stamp: Stamp, rest: &[u8]) -> Message<'_> {
    let (host, tail) = word(rest);
    let (program, text) = if host.ends_with(b":") { tag(rest) } else { tag(tail) };
    let text = if text.is_empty() && program.is_empty() { rest } else { text };
    Message { stamp, new_style: false, program, text: text.trim_ascii() }
}

/// `program[pid]:` and what follows. A program's name may hold a blank ("syslogd 1.4.1").
fn tag(rest: &[u8]) -> (&[u8], &[u8]) {
    let end = rest.iter().take(48).position(|b| *b == b':');
    match end {
        Some(at) if rest.get(at + 1).is_none_or(|b| *b == b' ') => {
            let (program, text) = rest.split_at(at);
            let name = program.split(|b| *b == b'[').next().unwrap_or(program);
            (name, text.get(1..).unwrap_or_default())
        }
        _ => (&[], rest),
    }
}

/// The next word and what is behind the blank after it.
fn word(rest: &[u8]) -> (&[u8], &[u8]) {
    match memchr::memchr(b' ', rest) {
        Some(at) => {
            let (word, tail) = rest.split_at(at);
            (word, tail.get(1..).unwrap_or_default())
        }
        None => (rest, &[]),
    }
}

fn small(bytes: &[u8]) -> Option<u32> {
    if bytes.is_empty() || bytes.len() > 4 || !bytes.iter().all(u8::is_ascii_digit) {
        return None;
    }
    std::str::from_utf8(bytes).ok()?.parse().ok()
}

struct Syslog {
    lines: Lines,
    reader: Reader,
}

/// When, as far as the line tells: a full time, or one in a year counted from the first line's.
#[derive(Debug, Clone, Copy)]
enum When {
    Full(UtcMs),
    InYear { year: i32, month: u32, day: u32, of_day: i64 },
    Waiting,
}

impl When {
    fn utc(self, base: i32) -> Option<UtcMs> {
        match self {
            When::Full(t) => Some(t),
            When::InYear { year, month, day, of_day } => {
                // 29 February in a year that has none: the year is wrong, the day after is the nearest that exists.
                let day = days_from_date(base + year, month, day).or_else(|| days_from_date(base + year, 3, 1))?;
                Some(day * DAY_MS + of_day)
            }
            When::Waiting => None,
        }
    }

    fn is_leap_day(self) -> bool {
        matches!(self, When::InYear { month: 2, day: 29, .. })
    }
}

struct Found {
    when: When,
    kind: String,
    detail: String,
    place: Place,
}

struct Reader {
    body: Body,
    rules: Arc<SyslogRules>,
    hints: DateHints,
    text: Vec<u8>,
    found: Vec<Found>,
    /// Found events at the end of the list that wait for a time.
    waiting: usize,
    /// Years since the first line without a year.
    year: i32,
    last: Option<When>,
    first: Option<When>,
    /// A full time of the file: its place among the years without one (last relative year then), and itself.
    dated: Option<(i32, UtcMs)>,
    new: u64,
    old: u64,
}

impl Reader {
    fn line(&mut self, line: Line<'_>) {
        let place = Place { line: line.number, offset: line.offset };
        if line.too_long {
            self.body.bad("a line longer than 64 KiB", place, "the line was left out; is this file damaged?");
            return self.body.ledger.skipped(line.size, "line too long");
        }
        let text = line.content();
        if text.trim_ascii().is_empty() {
            return self.body.ledger.skipped(line.size, "blank line");
        }
        let Some(message) = message(text) else {
            if matches!(text.first(), Some(b' ' | b'\t')) {
                return self.body.ledger.skipped(line.size, "continued message");
            }
            self.body.bad("a line that is not a syslog message", place, "the line was left out");
            return self.body.ledger.unknown(line.size);
        };
        self.body.ledger.decoded(line.size);
        if message.new_style {
            self.new += 1;
        } else {
            self.old += 1;
        }
        let when = self.when(message.stamp, place);
        if !matches!(when, When::Waiting) {
            self.first.get_or_insert(when);
            self.last = Some(when);
            let from = self.found.len() - self.waiting.min(self.found.len());
            for waiting in self.found.iter_mut().skip(from) {
                waiting.when = when;
            }
            self.waiting = 0;
        }
        self.text.clear();
        self.text.extend_from_slice(message.program);
        if !message.program.is_empty() {
            self.text.extend_from_slice(b": ");
        }
        self.text.extend_from_slice(message.text);
        if let Some(kind) = self.rules.kind(&self.text) {
            let detail = text_of(&self.text).chars().take(DETAIL_LIMIT).collect();
            self.found.push(Found { when, kind: kind.to_owned(), detail, place });
            self.waiting += usize::from(matches!(when, When::Waiting));
        }
    }

    fn when(&mut self, stamp: Stamp, place: Place) -> When {
        let unset = "the unit's clock was not set";
        let hint = "the message got the time of the next one that has it";
        match stamp {
            Stamp::Unset => {
                self.body.bad(unset, place, hint);
                When::Waiting
            }
            Stamp::Full(t) => {
                self.dated = Some((self.year, t));
                When::Full(t)
            }
            Stamp::NoYear(month, day, of_day) => {
                let ordinal = |m: u32, d: u32| i64::from(m) * 31 + i64::from(d);
                let before = match self.last {
                    Some(When::InYear { month, day, .. }) => Some(ordinal(month, day)),
                    _ => None,
                };
                let step = before.map_or(0, |b| ordinal(month, day) - b);
                // The first hour of 1 January straight after another time of the year is a clock that starts from zero.
                if (month, day) == (1, 1) && of_day < HOUR_MS && before.is_some() && (-340..-3).contains(&step) {
                    self.body.bad(unset, place, hint);
                    return When::Waiting;
                }
                if step < -300 {
                    self.year += 1;
                } else if step > 300 {
                    self.year -= 1; // a late message of the old year
                } else if step < -2 {
                    self.body.bad("the time steps back by days", place, "the times are taken as written");
                }
                When::InYear { year: self.year, month, day, of_day }
            }
        }
    }

    /// The year of the first line without one, with the words for where it came from.
    fn base_year(&self) -> Option<(i32, String)> {
        let (first, last) = (self.first?, self.last?);
        let year_of = |t: UtcMs| -> Option<i32> { date_text(t.div_euclid(DAY_MS)).get(..4)?.parse().ok() };
        let pick = |near: UtcMs, distance: &dyn Fn(UtcMs, UtcMs) -> i64| -> Option<i32> {
            let around = year_of(near)?;
            let leap = self.found.iter().any(|f| f.when.is_leap_day()) || first.is_leap_day() || last.is_leap_day();
            (around - 2 - self.year.abs()..=around + 1)
                .filter(|y| !leap || days_from_date(y + self.year, 2, 29).is_some() || self.year != 0)
                .filter_map(|y| Some((distance(first.utc(y)?, last.utc(y)?), y)))
                .min_by_key(|(d, y)| (*d, -*y))
                .map(|(_, y)| y)
        };
        let inside = |near: UtcMs| move |from: UtcMs, to: UtcMs| (from - near).max(near - to).max(0);
        let at_end = |near: UtcMs| move |_: UtcMs, to: UtcMs| (to - near).abs();
        if let Some((_, t)) = self.dated {
            return Some((pick(t, &inside(t))?, "messages of the file that have a year".to_owned()));
        }
        if let Some(day) = self.hints.unit_card {
            return Some((pick(day * DAY_MS, &inside(day * DAY_MS))?, "the unit card".to_owned()));
        }
        if let Some(t) = self.hints.member_time {
            return Some((pick(t, &at_end(t))?, "the zip member time".to_owned()));
        }
        let day = self.hints.file_name?;
        Some((pick(day * DAY_MS, &inside(day * DAY_MS))?, "the file name".to_owned()))
    }

    fn finish(mut self) -> Parsed {
        let needs = |w: &Option<When>| matches!(w, Some(When::InYear { .. }));
        let needs_year = needs(&self.first) || needs(&self.last);
        let base = self.base_year();
        let mut base_year = 0;
        if needs_year {
            match &base {
                Some((year, source)) => {
                    base_year = *year;
                    self.body.date_from = Some(format!("year assumed from {source}, zone assumed UTC"));
                }
                None => {
                    self.body.undated = true;
                    self.body.problems.note("no year", || {
                        Problem::whole(
                            "the messages have no year and nothing else tells it",
                            "give `logged_on` in unit.toml, or a date in the file name",
                        )
                    });
                    base_year = 2000 - self.year.min(0);
                }
            }
        }
        let undated = self.body.undated;
        let body = &mut self.body;
        for found in self.found.drain(..) {
            match found.when.utc(base_year) {
                Some(t) => events::log(body, t, &found.kind, &found.detail),
                None => body.bad(
                    "an event without any time",
                    found.place,
                    "no later message tells the time; the event was left out",
                ),
            }
        }
        if !undated {
            for when in [self.first, self.last].into_iter().flatten() {
                if let Some(t) = when.utc(base_year) {
                    body.saw(t);
                }
            }
        }
        body.count("rfc5424", self.new);
        body.count("rfc3164", self.old);
        let version = match (self.new, self.old) {
            (_, 0) => Some("RFC 5424"),
            (0, _) => Some("RFC 3164"),
            _ => None,
        };
        let mut parsed = self.body.finish(Format::Syslog, version);
        if undated {
            parsed.span = None;
            parsed.look.from = None;
            parsed.look.to = None;
        }
        parsed
    }
}

impl Stream for Syslog {
    fn feed(&mut self, bytes: &[u8]) {
        let Syslog { lines, reader } = self;
        lines.feed(bytes, &mut |line| reader.line(line));
    }

    fn held(&self) -> usize {
        self.reader.body.held()
    }

    fn piece(&mut self) -> Piece {
        self.reader.body.piece()
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        let Syslog { lines, reader } = &mut *self;
        lines.finish(&mut |line| reader.line(line));
        self.reader.finish()
    }
}

#[cfg(test)]
#[path = "syslog_tests.rs"]
mod tests;
