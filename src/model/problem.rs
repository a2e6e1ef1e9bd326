//! What was wrong with an input, where, and what the reader may do about it.

use serde::{Deserialize, Serialize};

/// One thing wrong with a file, with its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// Line number, from 1, for text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<u64>,
    /// Byte offset in the decompressed file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<u64>,
    /// What was met, and what was expected.
    pub what: String,
    /// What to do about it.
    pub hint: String,
}

impl Problem {
    /// A problem at a byte offset.
    pub fn at(offset: u64, what: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem { line: None, offset: Some(offset), what: what.into(), hint: hint.into() }
    }

    /// A problem on a line of text.
    pub fn on_line(line: u64, offset: u64, what: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem { line: Some(line), offset: Some(offset), what: what.into(), hint: hint.into() }
    }

    /// A problem of a file as a whole.
    pub fn whole(what: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem { line: None, offset: None, what: what.into(), hint: hint.into() }
    }
}

/// Problems of one file: the first `KEPT` of each kind are kept, the rest are counted, so that a bad file cannot fill
/// the memory or the report.
#[derive(Debug, Clone, Default)]
pub struct Problems {
    kept: Vec<Problem>,
    /// Kind and how many were met; few kinds, so a list.
    kinds: Vec<(&'static str, u64)>,
}

/// How many problems of one kind are kept with their places.
pub const KEPT: u64 = 5;

impl Problems {
    /// Notes a problem of a kind; `make` runs only if the problem is kept.
    pub fn note(&mut self, kind: &'static str, make: impl FnOnce() -> Problem) {
        let count = match self.kinds.iter_mut().find(|(k, _)| *k == kind) {
            Some((_, n)) => {
                *n += 1;
                *n
            }
            None => {
                self.kinds.push((kind, 1));
                1
            }
        };
        if count <= KEPT {
            self.kept.push(make());
        }
    }

    /// How many problems were met in all.
    pub fn count(&self) -> u64 {
        self.kinds.iter().map(|(_, n)| n).sum()
    }

    /// The kept problems in order of their place, then one line for each kind that had more.
    pub fn into_list(self) -> Vec<Problem> {
        let mut list = self.kept;
        list.sort_by_key(|p| (p.offset.unwrap_or(0), p.line.unwrap_or(0)));
        for (kind, n) in self.kinds {
            if n > KEPT {
                list.push(Problem::whole(
                    format!("{} more like this: {kind}", n - KEPT),
                    "the first places are listed above",
                ));
            }
        }
        list
    }
}
