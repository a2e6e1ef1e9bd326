//! A text that many rows share: ids, states, names of files.

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Borrow;
use std::collections::BTreeSet;
use std::fmt;
use std::ops::Deref;
use std::sync::Arc;

/// Reads like a `str`; a clone is the same text once more, not a copy. In JSON it is a string.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Word(Arc<str>);

impl Word {
    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl Default for Word {
    fn default() -> Word {
        Word(Arc::from(""))
    }
}

impl Deref for Word {
    type Target = str;

    fn deref(&self) -> &str {
        &self.0
    }
}

impl Borrow<str> for Word {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl From<&str> for Word {
    fn from(text: &str) -> Word {
        Word(Arc::from(text))
    }
}

impl From<String> for Word {
    fn from(text: String) -> Word {
        Word(Arc::from(text))
    }
}

impl fmt::Debug for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&*self.0, f)
    }
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl Serialize for Word {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&self.0)
    }
}

impl<'de> Deserialize<'de> for Word {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Word, D::Error> {
        String::deserialize(from).map(Word::from)
    }
}

/// The words of something, each there once.
#[derive(Debug, Default)]
pub struct Words(BTreeSet<Word>);

impl Words {
    /// The word of a text.
    pub fn of(&mut self, text: &str) -> Word {
        if let Some(word) = self.0.get(text) {
            return word.clone();
        }
        let word = Word::from(text);
        self.0.insert(word.clone());
        word
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_text_is_there_once_and_is_a_string_in_json() {
        let mut words = Words::default();
        let (a, b) = (words.of("float"), words.of(&String::from("float")));
        assert!(Arc::ptr_eq(&a.0, &b.0));
        assert_eq!(serde_json::to_string(&a).unwrap(), "\"float\"");
        assert_eq!(serde_json::from_str::<Word>("\"float\"").unwrap(), a);
        assert_eq!((a.as_str(), a.len(), Word::default().is_empty()), ("float", 5, true));
    }
}
