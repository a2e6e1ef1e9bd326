//! What happened at the base: kinds first, since some come a hundred times a day, then one by one.

use crate::model::findings::BaseEvent;
use crate::model::time::{UtcMs, parse_utc};
use crate::report::text::{LONG, kind_words, name, number, percent, plain, upper_first};
use crate::report::times::{Zone, duration, duration_between};
use serde::Serialize;
use std::collections::BTreeMap;

/// Events shown one by one.
const EVENTS: usize = 100;

/// One event.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct EventView {
    unit: String,
    kind: String,
    when: String,
    length: String,
    value: String,
    detail: String,
    origin: String,
}

/// All events of one kind at one unit.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct EventKind {
    unit: String,
    kind: String,
    times: usize,
    /// Length of all of them; a dash for moments.
    total: String,
    /// From the first to the last.
    when: String,
    /// The longest in words.
    longest: String,
    /// When that was, where there are several.
    longest_when: String,
    origin: String,
}

/// Where something was logged, in one line.
pub(super) fn origin(bundle: &str, file: &str) -> String {
    match (plain(bundle, LONG), plain(file, LONG)) {
        (b, f) if f.is_empty() => b,
        (b, f) if b.is_empty() => f,
        (b, f) => format!("{b} : {f}"),
    }
}

pub(super) fn events(events: &[BaseEvent], zone: Zone) -> Vec<EventView> {
    events
        .iter()
        .take(EVENTS)
        .map(|e| EventView {
            unit: name(&e.unit),
            kind: kind_words(&e.kind),
            when: zone.span(&e.from, &e.to),
            length: duration_between(&e.from, &e.to),
            value: match (e.value, e.value_unit.as_str()) {
                (None, _) => String::new(),
                (Some(v), "share") => percent(v),
                (Some(v), unit) => format!("{} {}", number(v), name(unit)),
            },
            detail: plain(&e.detail, LONG),
            origin: origin(&e.bundle, &e.file),
        })
        .collect()
}

/// Begin and end of an event; both the begin where the end is no time.
fn span(e: &BaseEvent) -> Option<(UtcMs, UtcMs)> {
    let from = parse_utc(&e.from)?;
    Some((from, parse_utc(&e.to).unwrap_or(from).max(from)))
}

/// The kinds, that of the longest time first, then by how often they came.
pub(super) fn kinds(events: &[BaseEvent], zone: Zone) -> Vec<EventKind> {
    let mut of: BTreeMap<(&str, &str), Vec<&BaseEvent>> = BTreeMap::new();
    for e in events {
        of.entry((e.unit.as_str(), e.kind.as_str())).or_default().push(e);
    }
    let length = |e: &BaseEvent| span(e).map_or(0, |(a, b)| b.saturating_sub(a));
    let mut out: Vec<(i64, EventKind)> = Vec::new();
    for ((unit, kind), list) in of {
        let total = list.iter().fold(0_i64, |sum, e| sum.saturating_add(length(e)));
        let (Some(first), Some(longest)) = (list.first(), list.iter().max_by_key(|e| length(e))) else { continue };
        let spans = || list.iter().filter_map(|e| span(e));
        let when = match (spans().map(|s| s.0).min(), spans().map(|s| s.1).max()) {
            // Of several, the seconds of the first and the last say nothing.
            (Some(a), Some(b)) if list.len() > 1 => zone.span_ms_min(a, b),
            (Some(a), Some(b)) => zone.span_ms(a, b),
            _ => zone.span(&first.from, &first.to),
        };
        let view = EventKind {
            unit: name(unit),
            kind: upper_first(&kind_words(kind)),
            times: list.len(),
            total: if total > 0 { duration(total) } else { "–".to_owned() },
            when,
            longest: plain(&longest.detail, LONG),
            longest_when: if list.len() > 1 { zone.span(&longest.from, &longest.to) } else { String::new() },
            origin: origin(&longest.bundle, &longest.file),
        };
        out.push((total, view));
    }
    out.sort_by_key(|(total, k)| std::cmp::Reverse((*total, k.times)));
    out.into_iter().map(|(_, k)| k).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_events_of_a_kind_are_one_line_with_the_longest_of_them() {
        let event = |kind: &str, from: &str, to: &str, detail: &str| BaseEvent {
            unit: "B".to_owned(),
            kind: kind.to_owned(),
            from: format!("2026-05-04T{from}Z"),
            to: format!("2026-05-04T{to}Z"),
            detail: detail.to_owned(),
            ..BaseEvent::default()
        };
        let all = [
            event("restart", "06:00:00", "06:00:00", "logged"),
            event("stream-gap", "06:00:00", "06:01:00", "short"),
            event("stream-gap", "08:00:00", "08:09:00", "long"),
        ];
        let kinds = kinds(&all, Zone::UTC);
        assert_eq!(kinds.len(), 2);
        let gap = &kinds[0];
        assert_eq!((gap.times, gap.total.as_str(), gap.longest.as_str()), (2, "10 min", "long"));
        assert_eq!(gap.when, "Mon 2026-05-04 06:00 to 08:09 UTC");
        assert_eq!(gap.longest_when, "Mon 2026-05-04 08:00 to 08:09 UTC");
        assert_eq!((kinds[1].total.as_str(), kinds[1].longest_when.as_str()), ("–", ""));
    }
}
