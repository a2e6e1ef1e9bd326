//! Frames that carry no time (1005, 1033, company messages ...) between two epochs of observables.
//!
//! While epochs follow each other such frames belong to the last one. Where the observables pause for more than ten seconds and
//! other frames go on, these came somewhere in the pause: they are spread evenly over it, so that a base that sends only
//! its position, or only a maker's own messages, is not taken for a silent one.

use super::minutes::Minutes;
use crate::formats::tally::SPAN_GAP_MS;
use crate::model::rows::{Corrections, Span};
use crate::model::time::UtcMs;

/// The frames of one number and station that wait.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    station: u16,
    message: u16,
    count: u32,
    bytes: u32,
}

/// Frames that wait for the next time of the stream. Memory grows with distinct pairs of message and station only.
#[derive(Debug, Clone, Default)]
pub(super) struct Undated {
    since: Option<UtcMs>,
    waiting: Vec<Waiting>,
}

impl Undated {
    /// Whether a message has no time of its own.
    pub(super) fn takes(&self, message: u16) -> bool {
        !matches!(message, 1001..=1004 | 1009..=1013 | 1029 | 1071..=1137)
    }

    pub(super) fn push(&mut self, t: UtcMs, station: u16, message: u16, bytes: u32) {
        self.since = Some(t);
        match self.waiting.iter_mut().find(|w| w.message == message && w.station == station) {
            Some(w) => {
                w.count = w.count.saturating_add(1);
                w.bytes = w.bytes.saturating_add(bytes);
            }
            None => self.waiting.push(Waiting { station, message, count: 1, bytes }),
        }
    }

    /// The stream has reached `t`: books what waited.
    #[inline]
    pub(super) fn until(&mut self, t: UtcMs, minutes: &mut Minutes, out: &mut Corrections, span: &mut Option<Span>) {
        let Some(since) = self.since else { return };
        if t == since {
            return;
        }
        if t - since <= SPAN_GAP_MS {
            self.end(minutes, out);
            return;
        }
        let frames: i64 = self.waiting.iter().map(|w| i64::from(w.count)).sum();
        for w in self.waiting.drain(..) {
            let each = w.bytes / w.count.max(1);
            let rest = w.bytes - each * w.count;
            for k in 1..=i64::from(w.count) {
                let at = since + (t - since) * k / (i64::from(w.count) + 1);
                let bytes = if k == 1 { each + rest } else { each };
                minutes.count(at, w.station, w.message, 1, bytes, out);
            }
        }
        if (t - since) / (frames + 1) <= SPAN_GAP_MS
            && let Some(span) = span
            && span.until == since
        {
            span.until = t;
        }
        self.since = None;
    }

    /// Books what waited at the last time of the stream.
    pub(super) fn end(&mut self, minutes: &mut Minutes, out: &mut Corrections) {
        let Some(since) = self.since.take() else { return };
        for w in self.waiting.drain(..) {
            minutes.count(since, w.station, w.message, w.count, w.bytes, out);
        }
    }

    pub(super) fn shift(&mut self, delta_ms: i64) {
        self.since = self.since.map(|t| t.saturating_add(delta_ms));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_in_a_pause_are_spread_over_it() {
        // By hand: nine frames without a time in a pause of 600 s stand 60 s apart.
        let (mut undated, mut minutes, mut out) = (Undated::default(), Minutes::new(), Corrections::default());
        let mut span = None;
        for _ in 0..9 {
            undated.push(0, 7, 4001, 100);
        }
        undated.until(600_000, &mut minutes, &mut out, &mut span);
        minutes.finish(&mut out);
        let times: Vec<i64> = out.time.clone();
        assert_eq!(times, (1..=9).map(|k| k * 60_000).collect::<Vec<_>>());
        assert_eq!(out.bytes.iter().sum::<u32>(), 900);
    }

    #[test]
    fn between_epochs_they_belong_to_the_last_one() {
        let (mut undated, mut minutes, mut out) = (Undated::default(), Minutes::new(), Corrections::default());
        undated.push(5_000, 7, 1005, 25);
        undated.until(15_000, &mut minutes, &mut out, &mut None);
        minutes.finish(&mut out);
        assert_eq!((out.time.as_slice(), out.count.as_slice()), ([0].as_slice(), [1].as_slice()));
    }
}
