//! `time,kind,detail`: what the unit itself logged (`bundles.md`).

use super::super::{FileContext, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::lines::text_of;
use super::record::Row;
use super::stamp;
use super::table::{CsvStream, Header, SEPARATORS, Table, header};
use crate::model::look::Format;
use crate::model::rows::LoggedEvent;
use crate::model::time::UtcMs;

/// The event kinds of the contract; anything else is `other`.
pub const KINDS: [&str; 13] = [
    "restart",
    "power-fail",
    "power-restored",
    "antenna-open",
    "antenna-short",
    "settings-change",
    "position-change",
    "firmware-update",
    "radio-off",
    "radio-on",
    "overheat",
    "water",
    "moved",
];

/// Longest text of an event that is kept, characters.
pub(super) const DETAIL_LIMIT: usize = 500;

/// A header with `time` and `kind`.
pub fn sniff(head: &[u8], context: &FileContext, _settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let header = header(head, 0, &SEPARATORS, |h| h.find("time").is_some() && h.find("kind").is_some())?;
    let table = Events::new(&header)?;
    Some(Box::new(CsvStream::new(Body::new(context), &header, 0, true, table)))
}

struct Events {
    time: usize,
    kind: usize,
    detail: Option<usize>,
}

impl Events {
    fn new(header: &Header) -> Option<Events> {
        Some(Events { time: header.find("time")?, kind: header.find("kind")?, detail: header.find("detail") })
    }
}

impl Table for Events {
    fn format(&self) -> Format {
        Format::Events
    }

    fn ends_in_number(&self) -> bool {
        false
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
        let kind = text_of(row.get(self.kind));
        if kind.is_empty() {
            body.bad("an event without a kind", place, "counted as `other`");
        }
        let detail = self.detail.map(|i| text_of(row.get(i))).unwrap_or_default();
        log(body, time, &kind, &detail);
        true
    }
}

/// Writes one event row; a kind that is not in the contract becomes `other` and keeps its word in the text.
pub(super) fn log(body: &mut Body, time: UtcMs, kind: &str, detail: &str) {
    let known = known_kind(kind);
    let detail: String = match known {
        None if !kind.is_empty() && detail.is_empty() => kind.chars().take(DETAIL_LIMIT).collect(),
        None if !kind.is_empty() && !kind.eq_ignore_ascii_case("other") => {
            format!("{kind}: {detail}").chars().take(DETAIL_LIMIT).collect()
        }
        _ => detail.chars().take(DETAIL_LIMIT).collect(),
    };
    let kind = known.unwrap_or("other");
    body.count(kind, 1);
    body.saw(time);
    body.rows.logged.push(LoggedEvent { time, kind: kind.to_owned(), detail });
}

/// The contract's word for a kind as written (case, blanks and underscores do not matter).
pub fn known_kind(word: &str) -> Option<&'static str> {
    let same = |known: &str| {
        known.len() == word.len()
            && known.bytes().zip(word.bytes()).all(|(k, w)| match w {
                b'_' | b' ' => k == b'-',
                w => k == w.to_ascii_lowercase(),
            })
    };
    KINDS.into_iter().find(|known| same(known))
}
