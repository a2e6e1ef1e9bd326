//! The events of one unit in time, and what one of them says about a stretch of lost time.

use super::apart::Holds;
use super::association::window;
use super::evidence::{Feature, Timing};
use super::segment::Segment;
use crate::model::event::Event;
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeMap;

/// The events of one unit, found by time without a look at all of them: a week of a bad base has thousands.
pub(super) struct Timeline<'a> {
    side: &'static str,
    pub(super) events: &'a [Event],
    /// Id and timing of a kind.
    kinds: BTreeMap<&'static str, (String, Timing)>,
    /// For each event the begin of its chain: events of one kind that follow each other within their after effects are one trouble
    /// that goes on.
    pub(super) since: Vec<UtcMs>,
    /// Events up to an hour long, by begin.
    short: Vec<(UtcMs, usize)>,
    /// The few that last longer.
    long: Vec<usize>,
}

impl<'a> Timeline<'a> {
    pub(super) fn new(side: &'static str, events: &'a [Event], timing: &dyn Fn(&str) -> Timing) -> Timeline<'a> {
        let mut kinds = BTreeMap::new();
        let (mut short, mut long) = (Vec::new(), Vec::new());
        for (k, e) in events.iter().enumerate() {
            kinds.entry(e.kind).or_insert_with(|| {
                let id = format!("{side}:{}", e.kind);
                let t = timing(&id);
                (id, t)
            });
            if e.to - e.from <= HOUR_MS { short.push((e.from, k)) } else { long.push(k) }
        }
        short.sort_unstable();
        let mut since: Vec<UtcMs> = events.iter().map(|e| e.from).collect();
        let mut order: Vec<usize> = (0..events.len()).collect();
        order.sort_by_key(|k| (events[*k].kind, events[*k].from, *k));
        for pair in order.windows(2) {
            let (a, b) = (&events[pair[0]], &events[pair[1]]);
            let after_ms = kinds.get(b.kind).map_or(0, |(_, t): &(String, Timing)| t.after_ms);
            if a.kind == b.kind && b.from <= a.to.saturating_add(after_ms) {
                since[pair[1]] = since[pair[0]];
            }
        }
        Timeline { side, events, kinds, since, short, long }
    }

    /// Indices of the events that may work in `from..to` (after effects never last longer than an hour), ascending.
    pub(super) fn near(&self, from: UtcMs, to: UtcMs) -> Vec<usize> {
        let margin = HOUR_MS;
        let a = self.short.partition_point(|(t, _)| *t < from - HOUR_MS - margin);
        let b = self.short.partition_point(|(t, _)| *t <= to + margin);
        let reaches =
            |k: &usize| self.events[*k].from <= to + margin && self.events[*k].to.saturating_add(margin) >= from;
        let mut found: Vec<usize> = Vec::with_capacity(b.saturating_sub(a) + self.long.len());
        found.extend(self.short[a..b.max(a)].iter().map(|(_, k)| *k).filter(reaches));
        found.extend(self.long.iter().copied().filter(reaches));
        found.sort_unstable();
        found
    }

    /// The evidence id of a kind.
    pub(super) fn id(&self, kind: &str) -> String {
        format!("{}:{kind}", self.side)
    }

    /// When each kind works.
    pub(super) fn holds(&self) -> Vec<Holds> {
        let mut spans: BTreeMap<&str, Vec<(UtcMs, UtcMs)>> = BTreeMap::new();
        for e in self.events {
            if let Some((_, timing)) = self.kinds.get(e.kind) {
                spans.entry(e.kind).or_default().push(window(e, timing));
            }
        }
        let kinds = self.kinds.iter();
        kinds.map(|(kind, (id, t))| Holds::new(id.clone(), spans.remove(kind).unwrap_or_default(), t.stops)).collect()
    }

    pub(super) fn how(&self, k: usize) -> (&str, Timing) {
        match self.events.get(k).and_then(|e| self.kinds.get(e.kind)) {
            Some((id, t)) => (id.as_str(), *t),
            None => ("", Timing::default()),
        }
    }
}

/// What is left of an event that begins after the loss did; of lists of the sky, which hold much that does nothing here, nearly
/// nothing (both chosen on seeds 525001-525020).
const LATE: f64 = 0.35;
const LATE_SKY: f64 = 0.1;

/// Adds what an event says about a segment: strength by overlap, association and onset; of one kind only the strongest stays.
pub(super) fn event_feature(
    features: &mut Vec<Feature>,
    (id, t): (&str, Timing),
    (event, since): (&Event, UtcMs),
    index: usize,
    segment: &Segment,
    period_from: UtcMs,
    association: f64,
) {
    let from = event.from - t.resolution_ms;
    let to = event.to + t.resolution_ms + t.after_ms;
    let overlap = (segment.to.min(to) - segment.from.max(from)).max(0);
    let share = overlap as f64 / (segment.to - segment.from).max(1) as f64;
    if share <= 0.05 {
        return;
    }
    // An event after the loss cannot have caused it; it may still keep the fix away.
    let late = match since > period_from + t.resolution_ms.max(15_000) {
        true if id.starts_with("sky:") => LATE_SKY,
        // What began soon after the loss and goes on for long with it is more than what is left of another cause.
        true => {
            let (before, after) = ((since - period_from) as f64, (segment.from - since).max(0) as f64);
            LATE + (1.0 - LATE) * after / (before + after)
        }
        false => 1.0,
    };
    let strength = f64::from(event.strength) * share * association * late;
    if strength < 0.02 {
        return;
    }
    match features.iter_mut().find(|f| f.id == id) {
        Some(f) if f.strength >= strength => {}
        Some(f) => {
            f.strength = strength;
            f.event = Some(index);
        }
        None => features.push(Feature { id: id.to_owned(), strength, event: Some(index) }),
    }
}
