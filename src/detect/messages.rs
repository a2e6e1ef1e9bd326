//! `position-message-missing`, `observables-slow`, `observables-irregular`, `observables-missing`,
//! `observables-incomplete`, `company-messages-only`: is the message set of the base complete, fast and even?
//!
//! What a base must send and how often: check-values 3.9 (rates common practice, no source).

use super::Maker;
use super::limits::Limits;
use super::window::{Stretch, median, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;
use crate::model::time::{MINUTE_MS, SECOND_MS, UtcMs};
use std::collections::BTreeMap;

/// What a message number is for, as far as a rover cares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Use {
    /// 1005, 1006.
    Position,
    /// Observables that carry code, phase and both or more frequencies.
    Full,
    /// 1001, 1002, 1009, 1010: first frequency only.
    FirstOnly,
    /// MSM1-3: no full range, no C/N0.
    Compact,
    /// 4001-4095.
    Company,
    /// Anything else.
    Other,
}

/// The use of a message number (RTCM 10403.x message table).
pub(crate) fn use_of(message: u32) -> Use {
    match message {
        1005 | 1006 => Use::Position,
        1001 | 1002 | 1009 | 1010 => Use::FirstOnly,
        1003 | 1004 | 1011 | 1012 => Use::Full,
        1071..=1137 => match message % 10 {
            1..=3 => Use::Compact,
            4..=7 => Use::Full,
            _ => Use::Other,
        },
        4001..=4095 => Use::Company,
        _ => Use::Other,
    }
}

#[derive(Default, Clone, Copy)]
struct Minute {
    position: u32,
    full: u32,
    compact: u32,
    company: u32,
    other: u32,
    /// Highest count of one observables message: the epochs of the minute.
    epochs: u32,
    /// Of the message with the shortest longest gap: only then was there nothing at all. `None`: no gap ends here.
    longest_gap_s: Option<f64>,
}

impl Minute {
    fn has_observables(&self) -> bool {
        self.full + self.compact > 0
    }

    /// Seconds between epochs.
    fn interval_s(&self) -> f64 {
        60.0 / f64::from(self.epochs)
    }
}

/// What came in each minute, by time.
struct Minutes {
    t: Vec<UtcMs>,
    m: Vec<Minute>,
}

impl Minutes {
    fn of(frames: &UnitFrames) -> Minutes {
        let table = &frames.corrections;
        let times = view::i64s(table, "time");
        let messages = view::u32s_full(table, "message");
        let counts = view::u32s_full(table, "count");
        let gaps = view::f32s(table, "longest_gap_s");
        let mut minutes: BTreeMap<UtcMs, Minute> = BTreeMap::new();
        for i in 0..times.len() {
            let m = minutes.entry(times[i]).or_default();
            match use_of(messages[i]) {
                Use::Position => m.position += counts[i],
                Use::Full | Use::FirstOnly => {
                    m.full += counts[i];
                    m.epochs = m.epochs.max(counts[i]);
                    if gaps[i].is_finite() {
                        let gap = f64::from(gaps[i]);
                        m.longest_gap_s = Some(m.longest_gap_s.map_or(gap, |g| g.min(gap)));
                    }
                }
                Use::Compact => m.compact += counts[i],
                Use::Company => m.company += counts[i],
                Use::Other => m.other += counts[i],
            }
        }
        let (t, m) = minutes.into_iter().unzip();
        Minutes { t, m }
    }

    /// Stretches of minutes for which `flag` holds.
    fn flagged(&self, flag: impl Fn(&Minute) -> bool, shortest_s: f64, bridge: i64) -> Vec<Stretch> {
        let flags: Vec<bool> = self.m.iter().map(flag).collect();
        stretches(&self.t, &flags, MINUTE_MS, bridge, (shortest_s * 1000.0) as i64)
    }

    /// Whether a minute has epochs, and lies between two others, so that none of them is missing for want of log.
    fn counts(&self, i: usize) -> bool {
        let t = &self.t;
        let whole = i > 0 && i + 1 < t.len() && t[i + 1] - t[i] == MINUTE_MS && t[i] - t[i - 1] == MINUTE_MS;
        whole && self.m[i].epochs > 0
    }

    /// The usual interval of the observables.
    fn usual_s(&self) -> f64 {
        median((0..self.m.len()).filter(|i| self.counts(*i)).map(|i| self.m[i].interval_s())).unwrap_or(1.0)
    }
}

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let minutes = Minutes::of(frames);
    if minutes.t.len() < 2 {
        return Vec::new();
    }
    let maker = Maker::new(frames, &frames.corrections);
    let usual_s = minutes.usual_s();
    let mut events = position_missing(&minutes, &maker, limits);
    events.extend(slow(&minutes, usual_s, &maker, limits));
    events.extend(irregular(&minutes, usual_s, &maker, limits));
    events.extend(unusable(&minutes, &maker));
    events.extend(systems_stopped(frames, &maker));
    events
}

fn position_missing(minutes: &Minutes, maker: &Maker<'_>, limits: &Limits) -> Vec<Event> {
    let missing = |x: &Minute| x.has_observables() && x.position == 0;
    let found = minutes.flagged(missing, limits.position_missing_s, 0);
    let event = |s: Stretch| {
        let minutes = (s.to - s.from) / MINUTE_MS;
        maker.event(
            "position-message-missing",
            s.from,
            s.to,
            Some(minutes as f64 * 60.0),
            "s",
            1.0,
            format!("no reference position (1005 or 1006) for {minutes} min while observables flow"),
        )
    };
    found.into_iter().map(event).collect()
}

/// Stretches where the observables come more slowly than any machine likes.
fn slow(minutes: &Minutes, usual_s: f64, maker: &Maker<'_>, limits: &Limits) -> Vec<Event> {
    let m = &minutes.m;
    let slow: Vec<bool> =
        (0..m.len()).map(|i| minutes.counts(i) && m[i].interval_s() > limits.observables_slow_s).collect();
    let event = |s: Stretch| {
        let inside = median(m[s.first..s.end].iter().filter(|x| x.epochs > 0).map(Minute::interval_s));
        let inside = inside.unwrap_or(usual_s);
        maker.event(
            "observables-slow",
            s.from,
            s.to,
            Some(inside),
            "s",
            (0.05 + 0.15 * inside / limits.observables_slow_s).min(1.0),
            format!("observables every {inside:.0} s instead of every second"),
        )
    };
    stretches(&minutes.t, &slow, MINUTE_MS, MINUTE_MS, 2 * MINUTE_MS).into_iter().map(event).collect()
}

/// Stretches with gaps that are long against the usual interval.
fn irregular(minutes: &Minutes, usual_s: f64, maker: &Maker<'_>, limits: &Limits) -> Vec<Event> {
    let irregular = |x: &Minute| x.longest_gap_s.unwrap_or(0.0) > limits.observables_gap_s.max(3.0 * usual_s);
    let event = |s: Stretch| {
        let worst = minutes.m[s.first..s.end].iter().filter_map(|x| x.longest_gap_s).fold(0.0, f64::max);
        // A longer gap is a stop, not an uneven rate.
        (worst <= limits.irregular_gap_s).then(|| {
            maker.event(
                "observables-irregular",
                s.from,
                s.to,
                Some(worst),
                "s",
                (0.4 + worst / 60.0).min(1.0),
                format!("gaps of up to {worst:.0} s between observables that usually come every {usual_s:.0} s"),
            )
        })
    };
    minutes.flagged(irregular, 0.0, MINUTE_MS).into_iter().filter_map(event).collect()
}

/// Stretches without observables that every rover can use.
fn unusable(minutes: &Minutes, maker: &Maker<'_>) -> Vec<Event> {
    let mut events = Vec::new();
    let mut add = |kind, s: Stretch, detail| events.push(maker.event(kind, s.from, s.to, None, "", 1.0, detail));
    let missing = |x: &Minute| !x.has_observables() && x.position + x.other > 0 && x.company == 0;
    for s in minutes.flagged(missing, 0.0, 0) {
        let detail = format!("station messages but no observables for {} min", (s.to - s.from) / MINUTE_MS);
        add("observables-missing", s, detail);
    }
    for s in minutes.flagged(|x| x.compact > 0 && x.full == 0, 0.0, MINUTE_MS) {
        let detail = "only MSM1 to MSM3: no full ranges, an RTK rover cannot use them alone";
        add("observables-incomplete", s, detail.to_owned());
    }
    for s in minutes.flagged(|x| x.company > 0 && !x.has_observables(), 0.0, MINUTE_MS) {
        let detail = "only a maker's own messages (4001 to 4095): other makes cannot read them; use open RTCM 3 in its newest \
                      generation that all rovers read";
        add("company-messages-only", s, detail.to_owned());
    }
    events
}

/// `system-stopped`: the messages of one satellite system cease while the others go on.
fn systems_stopped(frames: &UnitFrames, maker: &Maker<'_>) -> Vec<Event> {
    let table = &frames.corrections;
    let times = view::i64s(table, "time");
    let messages = view::u32s_full(table, "message");
    let system_of = |m: u32| match m {
        1001..=1004 | 1071..=1077 => Some(0),
        1009..=1012 | 1081..=1087 => Some(1),
        1091..=1097 => Some(2),
        1121..=1127 => Some(3),
        _ => None,
    };
    const NAMES: [&str; 4] = ["GPS", "GLONASS", "Galileo", "BeiDou"];
    let mut by_minute: BTreeMap<UtcMs, [bool; 4]> = BTreeMap::new();
    for i in 0..times.len() {
        if let Some(s) = system_of(messages[i]) {
            by_minute.entry(times[i]).or_default()[s] = true;
        }
    }
    let t: Vec<UtcMs> = by_minute.keys().copied().collect();
    let mut events = Vec::new();
    for (s, name) in NAMES.iter().enumerate() {
        let present = by_minute.values().filter(|m| m[s]).count();
        // Only a system that is there most of the time can be missed.
        if present * 2 < by_minute.len() {
            continue;
        }
        let flags: Vec<bool> = by_minute.values().map(|m| !m[s]).collect();
        for stretch in stretches(&t, &flags, MINUTE_MS, MINUTE_MS, 2 * MINUTE_MS) {
            events.push(maker.event(
                "system-stopped",
                stretch.from,
                stretch.to,
                None,
                "",
                0.7,
                format!(
                    "no {name} observables for {} min, others go on",
                    (stretch.to - stretch.from) / (60 * SECOND_MS)
                ),
            ));
        }
    }
    events
}
