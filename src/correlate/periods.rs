//! Observed time, start-up and lost fix time of one rover, by the definitions of `analysis.md`.

use crate::model::ids::FixState;
use crate::model::time::UtcMs;

/// The limits of the definitions; all are settings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodLimits {
    /// A longer gap between epochs is silence, s.
    pub gap_s: f64,
    /// A silence longer than this begins a new start-up, s.
    pub restart_silence_s: f64,
    /// The longest time to the first fix that counts as start-up, s.
    pub start_up_s: f64,
    /// Two lost runs closer than this are one period, s.
    pub merge_s: f64,
    /// A shorter run counts in time but is not a period, s.
    pub shortest_s: f64,
}

impl Default for PeriodLimits {
    fn default() -> PeriodLimits {
        PeriodLimits { gap_s: 10.0, restart_silence_s: 900.0, start_up_s: 120.0, merge_s: 5.0, shortest_s: 2.0 }
    }
}

/// What an epoch counts as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum EpochKind {
    /// Not inside a shift.
    OffShift = 0,
    /// Time to the first fix after power-up.
    StartUp = 1,
    /// RTK fixed.
    Fixed = 2,
    /// Observed without a fix.
    Lost = 3,
}

/// A run of lost epochs.
#[derive(Debug, Clone, PartialEq)]
pub struct LostRun {
    /// First lost epoch.
    pub from: UtcMs,
    /// End of the last lost epoch.
    pub to: UtcMs,
    /// Index of the first epoch.
    pub first: usize,
    /// Index behind the last epoch.
    pub end: usize,
    /// Lost time inside, ms (less than `to - from` where short fixed stretches were bridged).
    pub lost_ms: i64,
}

/// The time of one rover, told apart.
#[derive(Debug, Clone, Default)]
pub struct RoverTime {
    /// What each epoch counts as.
    pub kinds: Vec<EpochKind>,
    /// How long each epoch stands for, ms.
    pub lasts_ms: Vec<i64>,
    /// Lost periods.
    pub periods: Vec<LostRun>,
    /// Observed, ms: fixed and lost.
    pub observed_ms: i64,
    /// Lost, ms.
    pub lost_ms: i64,
    /// Start-up, ms.
    pub start_up_ms: i64,
    /// Gaps longer than the limit between epochs of the log, inside shifts, ms.
    pub silent_ms: i64,
}

/// Tells the time of one rover apart.
///
/// `times` (UTC ms, ascending) and `states` (column codes) have one entry an epoch; `in_shift` says whether a time is
/// inside the site's shifts.
pub fn rover_time(
    times: &[UtcMs],
    states: &[u32],
    in_shift: impl Fn(UtcMs) -> bool,
    limits: &PeriodLimits,
) -> RoverTime {
    let n = times.len().min(states.len());
    let mut out = RoverTime { kinds: Vec::with_capacity(n), lasts_ms: Vec::with_capacity(n), ..RoverTime::default() };
    let ms = |s: f64| (s * 1000.0) as i64;
    let (gap_ms, silence_ms, start_up_ms) = (ms(limits.gap_s), ms(limits.restart_silence_s), ms(limits.start_up_s));
    let usual_ms = usual_interval_ms(&times[..n]).min(gap_ms);
    let mut session_start: Option<UtcMs> = None;
    let mut had_fix = false;
    for i in 0..n {
        let t = times[i];
        let to_next = times.get(i + 1).filter(|_| i + 1 < n).map(|next| next - t);
        let lasts = match to_next {
            Some(step) if step <= gap_ms => step.max(0),
            _ => usual_ms,
        };
        let after_silence = i == 0 || t - times[i - 1] > silence_ms;
        if after_silence {
            session_start = Some(t);
            had_fix = false;
        }
        let fixed = states[i] == FixState::Fixed as u32;
        had_fix |= fixed;
        let starting = !had_fix && session_start.is_some_and(|s| t - s < start_up_ms);
        let kind = if !in_shift(t) {
            EpochKind::OffShift
        } else if fixed {
            EpochKind::Fixed
        } else if starting {
            EpochKind::StartUp
        } else {
            EpochKind::Lost
        };
        match kind {
            EpochKind::OffShift => {}
            EpochKind::StartUp => out.start_up_ms += lasts,
            EpochKind::Fixed => out.observed_ms += lasts,
            EpochKind::Lost => {
                out.observed_ms += lasts;
                out.lost_ms += lasts;
            }
        }
        if let Some(step) = to_next
            && step > gap_ms
            && step <= silence_ms.max(gap_ms) * 24
            && in_shift(t)
            && in_shift(t + step)
        {
            out.silent_ms += step - lasts;
        }
        out.kinds.push(kind);
        out.lasts_ms.push(lasts);
    }
    out.periods = lost_runs(&times[..n], &out.kinds, &out.lasts_ms, ms(limits.merge_s), ms(limits.shortest_s));
    out
}

/// Median step between epochs, ms; 1000 for fewer than two epochs.
fn usual_interval_ms(times: &[UtcMs]) -> i64 {
    let mut steps: Vec<i64> = times.windows(2).take(10_000).map(|w| w[1] - w[0]).filter(|s| *s > 0).collect();
    if steps.is_empty() {
        return 1000;
    }
    let middle = steps.len() / 2;
    *steps.select_nth_unstable(middle).1
}

fn lost_runs(times: &[UtcMs], kinds: &[EpochKind], lasts_ms: &[i64], merge_ms: i64, shortest_ms: i64) -> Vec<LostRun> {
    let mut runs: Vec<LostRun> = Vec::new();
    for i in 0..times.len() {
        if kinds[i] != EpochKind::Lost {
            continue;
        }
        let to = times[i] + lasts_ms[i];
        match runs.last_mut() {
            // An epoch that starts where the last one ended goes on; a short fixed stretch between is bridged.
            Some(run) if times[i] - run.to < merge_ms => {
                run.to = to;
                run.end = i + 1;
                run.lost_ms += lasts_ms[i];
            }
            _ => runs.push(LostRun { from: times[i], to, first: i, end: i + 1, lost_ms: lasts_ms[i] }),
        }
    }
    runs.retain(|r| r.lost_ms >= shortest_ms);
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at_1_hz(states: &str) -> (Vec<UtcMs>, Vec<u32>) {
        let mut times = Vec::new();
        let mut codes = Vec::new();
        for (i, c) in states.chars().enumerate() {
            let state = match c {
                'F' => FixState::Fixed,
                'f' => FixState::Float,
                'd' => FixState::Dgnss,
                _ => continue,
            };
            times.push(i as i64 * 1000);
            codes.push(state as u32);
        }
        (times, codes)
    }

    fn check(states: &str, limits: PeriodLimits) -> RoverTime {
        let (times, codes) = at_1_hz(states);
        rover_time(&times, &codes, |_| true, &limits)
    }

    #[test]
    fn runs_closer_than_the_limit_are_one_period_and_only_lost_epochs_count() {
        let t =
            check(&format!("{}ffFFFff{}f{}", "F".repeat(20), "F".repeat(20), "F".repeat(20)), PeriodLimits::default());
        assert_eq!(t.lost_ms, 5_000); // four in the bridged period, one single second
        assert_eq!(t.periods.len(), 1);
        assert_eq!((t.periods[0].from, t.periods[0].to, t.periods[0].lost_ms), (20_000, 27_000, 4_000));
    }

    #[test]
    fn start_up_ends_at_the_first_fix_or_after_its_limit() {
        let t = check(&format!("{}{}", "f".repeat(30), "F".repeat(30)), PeriodLimits::default());
        assert_eq!((t.start_up_ms, t.lost_ms), (30_000, 0));
        let t = check(&"f".repeat(200), PeriodLimits::default());
        assert_eq!((t.start_up_ms, t.lost_ms), (120_000, 80_000));
    }

    #[test]
    fn a_fix_got_back_after_a_short_silence_is_lost_time() {
        // 60 s of silence: a restart in the middle of work.
        let t = check(
            &format!("{}{}{}{}", "F".repeat(60), ".".repeat(60), "f".repeat(20), "F".repeat(20)),
            PeriodLimits::default(),
        );
        assert_eq!((t.lost_ms, t.start_up_ms), (20_000, 0));
        assert_eq!(t.silent_ms, 60_000);
        // 20 min of silence: a new start.
        let t = check(
            &format!("{}{}{}{}", "F".repeat(60), ".".repeat(1200), "f".repeat(20), "F".repeat(20)),
            PeriodLimits::default(),
        );
        assert_eq!((t.lost_ms, t.start_up_ms), (0, 20_000));
    }

    #[test]
    fn only_shifts_are_observed() {
        let (times, codes) = at_1_hz(&format!("{}{}", "F".repeat(10), "f".repeat(10)));
        let t = rover_time(&times, &codes, |t| t < 15_000, &PeriodLimits::default());
        assert_eq!((t.observed_ms, t.lost_ms), (15_000, 5_000));
    }

    #[test]
    fn slow_logs_count_their_interval() {
        let times: Vec<i64> = (0..10).map(|i| i * 5_000).collect();
        let t = rover_time(&times, &[1; 10], |_| true, &PeriodLimits { start_up_s: 0.0, ..PeriodLimits::default() });
        assert_eq!(t.lost_ms, 50_000);
    }
}
