//! What every text decoder gathers: ledger, problems, rows, span and counts.

use super::super::piece::Piece;
use super::super::{FileContext, Parsed};
use crate::model::ledger::Ledger;
use crate::model::look::{FileLook, Format};
use crate::model::problem::{Problem, Problems};
use crate::model::rows::Rows;
use crate::model::time::{UtcMs, rfc3339};
use std::collections::BTreeMap;

/// The place of a line or record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Line number, from 1.
    pub line: u64,
    /// Byte offset.
    pub offset: u64,
}

/// Everything gathered so far from one file.
#[derive(Debug, Default)]
pub struct Body {
    pub path: String,
    pub ledger: Ledger,
    pub problems: Problems,
    pub rows: Rows,
    pub counts: BTreeMap<String, u64>,
    pub date_from: Option<String>,
    pub undated: bool,
    span: Option<(UtcMs, UtcMs)>,
}

impl Body {
    pub fn new(context: &FileContext) -> Body {
        Body { path: context.path.clone(), ..Body::default() }
    }

    /// An epoch at this time.
    pub fn saw(&mut self, t: UtcMs) {
        self.span = Some(match self.span {
            Some((from, to)) => (from.min(t), to.max(t)),
            None => (t, t),
        });
    }

    /// A problem of a kind at a place.
    pub fn bad(&mut self, kind: &'static str, place: Place, hint: &str) {
        self.problems.note(kind, || Problem::on_line(place.line, place.offset, kind, hint));
    }

    /// A problem of a kind with the words it met; the words are cut short.
    pub fn bad_word(&mut self, kind: &'static str, word: &[u8], place: Place, hint: &str) {
        self.problems.note(kind, || {
            let word: String = super::lines::text_of(word).chars().take(60).collect();
            Problem::on_line(place.line, place.offset, format!("{kind}: `{word}`"), hint)
        });
    }

    pub fn count(&mut self, what: &str, n: u64) {
        if n > 0 {
            match self.counts.get_mut(what) {
                Some(have) => *have += n,
                None => {
                    self.counts.insert(what.to_owned(), n);
                }
            }
        }
    }

    /// Bytes of rows that are held.
    pub fn held(&self) -> usize {
        self.rows.bytes()
    }

    /// The rows so far: no later line touches them.
    pub fn piece(&mut self) -> Piece {
        Piece { own: self.rows.split_front(|_, n| n), ..Piece::default() }
    }

    pub fn finish(self, format: Format, version: Option<&str>) -> Parsed {
        let look = FileLook {
            path: self.path,
            format,
            version: version.map(ToOwned::to_owned),
            compressed: "none".to_owned(),
            from: self.span.map(|s| rfc3339(s.0)),
            to: self.span.map(|s| rfc3339(s.1)),
            bytes: self.ledger,
            counts: self.counts,
            date_from: self.date_from,
            problems: self.problems.into_list(),
            ..FileLook::default()
        };
        Parsed { look, rows: self.rows, span: self.span, undated: self.undated, ..Parsed::default() }
    }
}
