//! `ionosphere-disturbed`: the electron content swings on the satellites of the whole sky for long, without fading: a storm.
//!
//! Two ways to see it. Most satellites reach the onset of irregularities (ROTI of 0.5 TECU/min, check values 7.2: from memory); or the
//! middle of all of them is well over what a quiet sky shows. What a storm does to middle latitudes seldom reaches the first, and single
//! satellites of a quiet sky often the second; the middle of a dozen of them does not.

use super::Maker;
use super::limits::Limits;
use super::scintillation::{MASK_DEG, Minute};
use super::window::{median, quantile, stretches};
use crate::frames::UnitFrames;
use crate::model::event::{Calm, Event};
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::BTreeMap;

/// Satellites with rates that one minute needs.
const LEAST_SATELLITES: usize = 4;
/// Minutes from which on a base's own quiet level is known.
const LEAST_MINUTES: usize = 60;
/// Reflections and noise make a quiet sky of one antenna swing more than that of another: disturbed is so many times its quiet level ...
const TIMES_QUIET: f64 = 3.0;
/// ... up to so many times the limit: a log may hold nothing but the storm.
const MOST_TIMES: f64 = 1.75;

/// A quarter of the satellites swings less than this part of the middle only where it swings in patches (in 19 of 20 storm minutes of
/// tuning seeds 535001-536019 the quarter has 0.43 and more).
const LEAST_OF_MIDDLE: f64 = 0.35;

/// From which ROTI in the middle of the sky on it is disturbed over this base, TECU/min. `middles`: of all its minutes.
fn limit(middles: impl Iterator<Item = f64>, limits: &Limits) -> f64 {
    let mut middles: Vec<f64> = middles.collect();
    if middles.len() < LEAST_MINUTES {
        return limits.roti_sky;
    }
    let tenth = middles.len() / 10;
    let (_, quiet, _) = middles.select_nth_unstable_by(tenth, f64::total_cmp);
    (TIMES_QUIET * *quiet).clamp(limits.roti_sky, MOST_TIMES * limits.roti_sky)
}

/// A part of the strong satellites of a minute swings no more than this, TECU/min; 0 for too few.
fn swing(minute: &Minute<'_>, part: f64) -> f64 {
    if minute.rotis.len() < LEAST_SATELLITES {
        return 0.0;
    }
    quantile(minute.rotis.iter().copied(), part).unwrap_or(0.0)
}

fn middle(minute: &Minute<'_>) -> f64 {
    swing(minute, 0.5)
}

/// What all of the sky swings, TECU/min; where a quarter of it hardly does, it swings in patches and not all over.
fn all_over(minute: &Minute<'_>, middle: f64) -> f64 {
    if swing(minute, 0.25) < LEAST_OF_MIDDLE * middle { 0.0 } else { middle }
}

pub(super) fn run(frames: &UnitFrames, minutes: &BTreeMap<UtcMs, Minute<'_>>, limits: &Limits) -> Vec<Event> {
    let judged = || minutes.iter().filter(|(_, m)| m.with_rates >= LEAST_SATELLITES);
    let middles: Vec<f64> = judged().map(|(_, m)| middle(m)).collect();
    let known: Vec<(UtcMs, &Minute, f64)> =
        judged().zip(&middles).map(|((t, m), middle)| (*t, m, all_over(m, *middle))).collect();
    let limit = limit(middles.into_iter(), limits);
    let times: Vec<UtcMs> = known.iter().map(|k| k.0).collect();
    let share = |m: &Minute| m.swinging as f64 / m.with_rates as f64;
    let flags: Vec<bool> = known
        .iter()
        .map(|(_, m, all_over)| {
            // Fading on top is scintillation; a storm swings without it.
            (share(m) >= limits.disturbed_share || *all_over >= limit)
                && (m.scintillating.len() as f64) < 0.3 * m.judged as f64
        })
        .collect();
    let maker = Maker::of_signals(frames);
    stretches(&times, &flags, MINUTE_MS, 10 * MINUTE_MS, 12 * MINUTE_MS)
        .into_iter()
        .filter_map(|s| {
            let inside = known.get(s.first..s.end).unwrap_or_default();
            let mean = inside.iter().map(|(_, m, _)| share(m)).sum::<f64>() / inside.len().max(1) as f64;
            let middle = median(inside.iter().map(|k| k.2))?;
            if mean < limits.disturbed_share && middle < limit {
                return None; // more gaps than storm
            }
            Some(maker.event(
                "ionosphere-disturbed",
                s.from,
                s.to,
                Some(middle),
                "TECU/min",
                0.5 * (mean / limits.disturbed_share).max(middle / limit),
                format!(
                    "the electron content swings all over the sky for {} min, without fading: ROTI of {middle:.2} TECU/min in the middle \
                     of all satellites over {MASK_DEG} degrees (disturbed from {limit:.2}), {:.0} % of them over {} or with a rate over {}",
                    (s.to - s.from) / MINUTE_MS,
                    mean * 100.0,
                    limits.roti_onset,
                    limits.rot_storm,
                ),
            ))
        })
        .collect()
}

/// One minute of rates.
struct Rates {
    time: UtcMs,
    judged: usize,
    /// Satellites that swing.
    swing: usize,
    /// One of them swings strongly.
    strongly: bool,
    middle: f64,
}

/// The times in which the data of a base show that there was no storm over it.
pub(super) fn calm(minutes: &BTreeMap<UtcMs, Minute<'_>>, limits: &Limits) -> Calm {
    let rates = minutes.iter().filter(|(_, m)| m.with_rates > 0).map(|(time, m)| Rates {
        time: *time,
        judged: m.with_rates,
        swing: m.rotis.iter().filter(|r| **r >= limits.roti_onset).count(),
        strongly: m.rotis.iter().any(|r| *r >= 2.0 * limits.roti_onset),
        middle: middle(m),
    });
    let minutes: Vec<Rates> = rates.collect();
    let known = minutes.iter().filter(|m| m.judged >= LEAST_SATELLITES);
    let limit = limit(known.map(|m| m.middle), limits);
    let of = |calm: &dyn Fn(&Rates) -> bool| {
        let mut out: Vec<(UtcMs, UtcMs)> = Vec::new();
        let mut swung = UtcMs::MIN;
        for m in &minutes {
            if !calm(m) {
                swung = m.time;
            } else if m.judged >= LEAST_SATELLITES {
                match out.last_mut() {
                    Some(last) if m.time - last.1 <= 5 * MINUTE_MS && last.1 > swung => last.1 = m.time + MINUTE_MS,
                    _ => out.push((m.time, m.time + MINUTE_MS)),
                }
            }
        }
        out
    };
    Calm {
        quiet: of(&|m| m.swing <= 1 && !m.strongly && m.middle < 0.5 * limit),
        mostly: of(&|m| m.swing as f64 <= 0.5 * limits.disturbed_share * m.judged as f64 && m.middle < limit),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swings_in_patches_are_not_all_over_the_sky() {
        let of = |rotis: &[f64]| {
            let mut minute = Minute::default();
            minute.rotis = rotis.to_vec();
            let middle = middle(&minute);
            (middle, all_over(&minute, middle))
        };
        // A travelling disturbance over all of the sky; patches under half of it and more; too few to say.
        assert_eq!(of(&[0.22, 0.28, 0.3, 0.34, 0.4, 0.5, 0.7]), (0.34, 0.34));
        assert_eq!(of(&[0.04, 0.05, 0.06, 0.4, 1.5, 1.6, 1.8, 2.0]), (1.5, 0.0));
        assert_eq!(of(&[0.05, 0.05, 0.05, 0.06, 1.5, 1.8]), (0.06, 0.06), "under less than half of it");
        assert_eq!(of(&[0.03, 0.04, 0.04, 0.05, 0.06]), (0.04, 0.04), "a quiet sky");
        assert_eq!(of(&[0.4, 0.4, 0.4]), (0.0, 0.0));
    }

    #[test]
    fn a_sky_in_patches_is_not_calm() {
        let told = |rotis: &[f64]| {
            let mut minute = Minute::default();
            minute.rotis = rotis.to_vec();
            minute.with_rates = rotis.len();
            calm(&BTreeMap::from([(0, minute)]), &Limits::default())
        };
        // No satellite reaches the onset; most of them swing, a quarter hardly does.
        let patches = told(&[0.04, 0.05, 0.06, 0.4, 0.4, 0.4, 0.4, 0.45]);
        assert_eq!(patches, Calm::default());
        let quiet = told(&[0.04, 0.05, 0.06, 0.06, 0.06, 0.07, 0.07, 0.08]);
        assert_eq!((quiet.quiet, quiet.mostly), (vec![(0, MINUTE_MS)], vec![(0, MINUTE_MS)]));
    }
}
