//! What tests of this room begin with.

use crate::model::event::{Event, Origin};

/// An event of a kind, times in seconds.
pub(super) fn event(kind: &'static str, from_s: i64, to_s: i64) -> Event {
    Event {
        unit: String::new(),
        kind,
        from: from_s * 1000,
        to: to_s * 1000,
        value: None,
        value_unit: "",
        strength: 1.0,
        detail: String::new(),
        origin: Origin::default(),
    }
}
