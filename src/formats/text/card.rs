//! Recognises `unit.toml`, for the look. What it says is read by the configuration room; here it is only checked to be
//! TOML with a `[unit]` table.

use super::super::{FileContext, Parsed, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::lines::without_mark;
use crate::model::look::Format;
use toml::de::{DeTable, DeValue};

/// A card beyond this size is not one.
pub const CARD_LIMIT: usize = 256 * 1024;

/// A `[unit]` table at the top, or the whole text is TOML with one.
pub fn sniff(head: &[u8], context: &FileContext, _settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let text = without_mark(head);
    let begins = text
        .split(|b| *b == b'\n')
        .map(<[u8]>::trim_ascii)
        .filter(|line| !line.is_empty() && !line.starts_with(b"#"))
        .take(200)
        .any(|line| matches!(line.split(|b| *b == b'#').next().map(<[u8]>::trim_ascii), Some(b"[unit]" | b"[ unit ]")));
    // A fleet register has `[[unit]]`, never `[unit]`.
    begins.then(|| Box::new(Card { body: Body::new(context), text: Vec::new(), dropped: 0 }) as Box<dyn Stream>)
}

struct Card {
    body: Body,
    text: Vec<u8>,
    dropped: u64,
}

impl Stream for Card {
    fn feed(&mut self, bytes: &[u8]) {
        let room = CARD_LIMIT - self.text.len().min(CARD_LIMIT);
        let (kept, rest) = bytes.split_at(bytes.len().min(room));
        self.text.extend_from_slice(kept);
        self.dropped += rest.len() as u64;
    }

    fn finish(self: Box<Self>) -> Parsed {
        let Card { mut body, text, dropped } = *self;
        let start = Place { line: 1, offset: 0 };
        if dropped > 0 {
            body.bad("a unit card larger than 256 KiB", start, "the rest was left out");
            body.ledger.skipped(dropped, "beyond the largest unit card");
        }
        let size = text.len() as u64;
        let Ok(text) = std::str::from_utf8(without_mark(&text)) else {
            body.bad("a unit card that is not UTF-8", start, "save the file as UTF-8");
            body.ledger.unknown(size);
            return body.finish(Format::UnitCard, None);
        };
        let (table, errors) = DeTable::parse_recoverable(text);
        let bad = errors.len();
        for error in errors {
            let at = error.span().map_or(0, |s| s.start).min(text.len());
            let line = 1 + text.as_bytes().iter().take(at).filter(|b| **b == b'\n').count() as u64;
            body.bad_word(
                "not TOML",
                error.message().as_bytes(),
                Place { line, offset: at as u64 },
                "correct the line",
            );
        }
        for (name, value) in table.get_ref() {
            if let DeValue::Table(inner) = value.get_ref() {
                body.count(name.get_ref(), inner.len() as u64);
            }
        }
        if bad > 0 && table.get_ref().is_empty() {
            body.ledger.unknown(size);
        } else {
            body.ledger.decoded(size);
        }
        body.finish(Format::UnitCard, None)
    }
}
