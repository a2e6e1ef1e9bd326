//! Something that is here, or lies elsewhere until it is asked for.

use std::borrow::Cow;
use std::fmt;
use std::sync::Arc;

/// Brings a value; what went wrong in words with what to do.
type Bring<T> = Arc<dyn Fn() -> Result<T, String> + Send + Sync>;

/// A value that need not be in memory.
#[derive(Clone)]
pub enum Held<T> {
    /// It is here.
    Here(T),
    /// It was put aside.
    Aside(Bring<T>),
}

impl<T: Clone> Held<T> {
    /// The value.
    ///
    /// # Errors
    /// In words, when it was put aside and cannot be brought.
    pub fn get(&self) -> Result<Cow<'_, T>, String> {
        match self {
            Held::Here(value) => Ok(Cow::Borrowed(value)),
            Held::Aside(bring) => bring().map(Cow::Owned),
        }
    }
}

impl<T: Default> Default for Held<T> {
    fn default() -> Held<T> {
        Held::Here(T::default())
    }
}

impl<T> fmt::Debug for Held<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Held::Here(_) => "here",
            Held::Aside(_) => "aside",
        })
    }
}
