//! Byte ledger, problems and counts of one file while it is read.

use super::lines::Line;
use crate::model::ledger::Ledger;
use crate::model::problem::{Problem, Problems};
use std::collections::BTreeMap;

/// What is written down about a file.
#[derive(Debug, Default)]
pub(crate) struct Report {
    pub ledger: Ledger,
    pub problems: Problems,
    pub counts: BTreeMap<String, u64>,
}

impl Report {
    /// A problem on a line; the words are made only if it is kept.
    pub fn problem(&mut self, kind: &'static str, line: &Line<'_>, what: impl FnOnce() -> String, hint: &'static str) {
        let (number, offset) = (line.number, line.offset);
        self.problems.note(kind, || Problem::on_line(number, offset, what(), hint));
    }

    /// A problem of the file as a whole.
    pub fn whole(&mut self, kind: &'static str, what: String, hint: &'static str) {
        self.problems.note(kind, || Problem::whole(what, hint));
    }

    /// The line was understood.
    pub fn decoded(&mut self, line: &Line<'_>) {
        self.ledger.decoded(line.bytes);
    }

    /// The line was left aside.
    pub fn skipped(&mut self, line: &Line<'_>, reason: &'static str) {
        self.ledger.skipped(line.bytes, reason);
    }

    /// Nothing is known of the line.
    pub fn unknown(&mut self, line: &Line<'_>) {
        self.ledger.unknown(line.bytes);
    }

    /// The line was understood but for some bytes.
    pub fn decoded_but(&mut self, line: &Line<'_>, unknown: u64) {
        let unknown = unknown.min(line.bytes);
        self.ledger.decoded(line.bytes - unknown);
        self.ledger.unknown(unknown);
    }

    /// Counts a record of a kind.
    pub fn count(&mut self, kind: &str) {
        match self.counts.get_mut(kind) {
            Some(n) => *n += 1,
            None => {
                self.counts.insert(kind.to_owned(), 1);
            }
        }
    }
}

/// The beginning of a line for messages, unprintable bytes replaced.
pub(crate) fn quote(text: &[u8]) -> String {
    const SHOWN: usize = 40;
    let shown: String =
        text.iter().take(SHOWN).map(|b| if (32..127).contains(b) { char::from(*b) } else { '.' }).collect();
    if text.len() > SHOWN { format!("\"{shown}...\"") } else { format!("\"{shown}\"") }
}
