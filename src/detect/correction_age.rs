//! `corrections-old`: the correction age of a rover grows over the limit, or corrections it had have stopped.

use super::Maker;
use super::limits::Limits;
use super::window::{step_ms, stretches};
use crate::frames::{UnitFrames, view};
use crate::maths::starts::starting_spans;
use crate::model::event::Event;
use crate::model::ids::FixState;

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let table = &frames.fixes;
    let times = view::i64s(table, "time");
    let ages = view::f32s(table, "correction_age_s");
    let states = view::u32s_full(table, "state");
    let maker = Maker::new(frames, table);
    let mut flags = Vec::with_capacity(times.len());
    let mut last_fresh: Option<i64> = None;
    let mut starts = starting_spans(&times, &ages).into_iter().peekable();
    for i in 0..times.len() {
        while starts.next_if(|(_, until)| *until < times[i]).is_some() {}
        let starting = starts.peek().is_some_and(|(from, _)| *from <= times[i]);
        let old = if ages[i].is_finite() {
            f64::from(ages[i]) > limits.age_old_s
        } else {
            // The receiver has given up the corrections: age empty and a state that uses none, after it had some.
            let none = matches!(FixState::from_code(states[i] as u8), Some(FixState::Autonomous | FixState::None));
            none && states[i] != FixState::None as u32
                && !starting
                && last_fresh.is_some_and(|t| times[i] - t <= 3_600_000)
        };
        if ages[i].is_finite() && !old {
            last_fresh = Some(times[i]);
        }
        flags.push(old);
    }
    // A log of one epoch in 5 or 10 s has cells of that length.
    let step = step_ms(&times);
    stretches(&times, &flags, step, 3 * step, 3_000)
        .into_iter()
        .map(|s| {
            let told = ages[s.first..s.end].iter().copied().filter(|a| a.is_finite()).fold(0.0_f32, f32::max);
            let oldest = told.max(silent_age_s(&times, &ages, s.end - 1));
            let growing = growing_share(&times[s.first..s.end], &ages[s.first..s.end]);
            let detail = match told {
                0.0 => format!("no correction age any more: the last correction in use is {oldest:.0} s old"),
                _ if growing > 0.7 => {
                    format!("correction age up to {told:.0} s, growing as fast as time passes: nothing arrives")
                }
                _ => format!("correction age up to {told:.0} s"),
            };
            // The age says when the corrections stopped: before the limit was reached.
            let from = s.from - (limits.age_old_s * 1000.0) as i64;
            maker.event(
                "corrections-old",
                from.max(times.first().copied().unwrap_or(from)),
                s.to,
                Some(f64::from(oldest)),
                "s",
                (0.4 + f64::from(oldest) / 40.0).min(1.0),
                detail,
            )
        })
        .collect()
}

/// How old corrections must be at an epoch that tells no age, by the last one that did, s; 0 where the epoch tells its own.
fn silent_age_s(times: &[i64], ages: &[f32], at: usize) -> f32 {
    if ages[at].is_finite() {
        return 0.0;
    }
    let last = (0..at).rev().find(|i| ages[*i].is_finite());
    last.map_or(0.0, |i| ages[i] + (times[at] - times[i]) as f32 / 1000.0)
}

/// Share of steps in which the age grows as fast as time.
fn growing_share(times: &[i64], ages: &[f32]) -> f64 {
    let mut steps = 0;
    let mut growing = 0;
    for i in 1..times.len() {
        if ages[i].is_finite() && ages[i - 1].is_finite() {
            steps += 1;
            let dt = (times[i] - times[i - 1]) as f32 / 1000.0;
            if (ages[i] - ages[i - 1] - dt).abs() < 0.3 * dt.max(0.5) {
                growing += 1;
            }
        }
    }
    if steps == 0 { 0.0 } else { f64::from(growing) / f64::from(steps) }
}
