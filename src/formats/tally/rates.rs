//! Rate of change of the electron content (ROT) of one satellite and its spread (ROTI).
//!
//! ROT = difference of slant content / time, TECU/min, from samples of 30 s; ROTI = sqrt(<ROT²> - <ROT>²) over 5 minutes
//! (Pi et al. 1997, doi 10.1029/97GL02273; check values 7.2). Samples of 1 s give other numbers and are kept apart. A slip or
//! a gap ends the chain.

use crate::model::time::UtcMs;

/// Minutes of a window.
const WINDOW: usize = 5;

const STEP_30_S_MS: i64 = 30_000;
const STEP_1_S_MS: i64 = 1_000;

/// Where an epoch lies in the grids of samples; of GPS time, so that 30 s data of any receiver fall on them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grid {
    pub(super) of_30_s: i64,
    pub(super) of_1_s: i64,
}

impl Grid {
    /// At a GPS time in ms, from any zero that is a multiple of 30 s.
    pub(super) fn of(gps_ms: i64) -> Grid {
        Grid { of_30_s: gps_ms.div_euclid(STEP_30_S_MS), of_1_s: gps_ms.div_euclid(STEP_1_S_MS) }
    }
}

/// Sums of one minute.
#[derive(Debug, Clone, Copy)]
struct Minute {
    minute: i64,
    n: f64,
    sum: f64,
    squares: f64,
}

const EMPTY: Minute = Minute { minute: i64::MIN, n: 0.0, sum: 0.0, squares: 0.0 };

/// Rates of one sampling interval.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rates {
    /// Interval and how far a step may be from it, ms.
    step_ms: i64,
    slack_ms: i64,
    /// Rates that five minutes must have at least.
    least: f64,
    cell: i64,
    at: UtcMs,
    arc: u32,
    tecu: f64,
    window: [Minute; WINDOW],
}

impl Rates {
    /// For samples of 30 s: at least half of the 10 rates of five minutes, because irregularities make slips.
    pub(super) fn of_30_s() -> Rates {
        Rates::new(STEP_30_S_MS, 15_000, 5.0)
    }

    /// For samples of 1 s: at least half of the 300 rates.
    pub(super) fn of_1_s() -> Rates {
        Rates::new(STEP_1_S_MS, 500, 150.0)
    }

    fn new(step_ms: i64, slack_ms: i64, least: f64) -> Rates {
        Rates { step_ms, slack_ms, least, cell: i64::MIN, at: i64::MIN, arc: 0, tecu: 0.0, window: [EMPTY; WINDOW] }
    }

    /// Content at an epoch in a cell of the grid of samples: [`Grid::of`] the epoch for this interval.
    #[inline]
    pub(super) fn add(&mut self, t: UtcMs, cell: i64, minute: i64, arc: u32, tecu: f64) {
        if cell == self.cell {
            return;
        }
        let dt_ms = t.saturating_sub(self.at);
        let chained = arc == self.arc && (dt_ms - self.step_ms).abs() <= self.slack_ms;
        if arc == self.arc && dt_ms > 0 && dt_ms < self.step_ms - self.slack_ms {
            return; // too near to the sample before: wait for the next cell
        }
        if chained {
            let rate = (tecu - self.tecu) / (dt_ms as f64 / 60_000.0);
            let Some(slot) = self.window.get_mut(minute.rem_euclid(WINDOW as i64) as usize) else { return };
            if slot.minute != minute {
                *slot = Minute { minute, ..EMPTY };
            }
            slot.n += 1.0;
            slot.sum += rate;
            slot.squares += rate * rate;
        }
        (self.cell, self.at, self.arc, self.tecu) = (cell, t, arc, tecu);
    }

    /// Mean and spread of the rates of the five minutes that end with this one; NaN when too few.
    pub(super) fn over(&self, minute: i64) -> (f32, f32) {
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for m in self.window.iter().filter(|m| (minute - WINDOW as i64 + 1..=minute).contains(&m.minute)) {
            n += m.n;
            sum += m.sum;
            squares += m.squares;
        }
        if n < self.least {
            return (f32::NAN, f32::NAN);
        }
        let mean = sum / n;
        (mean as f32, (squares / n - mean * mean).max(0.0).sqrt() as f32)
    }

    /// Moves the times.
    pub(super) fn shift(&mut self, delta_ms: i64) {
        self.cell = i64::MIN;
        if self.at != i64::MIN {
            self.at = self.at.saturating_add(delta_ms);
        }
        for m in self.window.iter_mut().filter(|m| m.minute != i64::MIN) {
            m.minute = m.minute.saturating_add(delta_ms.div_euclid(60_000));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(gps_ms: i64) -> i64 {
        Grid::of(gps_ms).of_30_s
    }

    #[test]
    fn worked_example_of_check_values_7_2() {
        // Ten rates at 30 s: mean 0.05, ROTI 0.473814 TECU/min (population form).
        let rot = [0.10, -0.20, 0.45, 0.80, -0.55, -0.30, 0.15, 0.60, -0.75, 0.20];
        let mut rates = Rates::of_30_s();
        let mut tecu = 12.0;
        rates.add(-30_000, cell(-12_000), -1, 7, tecu);
        for (k, r) in (0..).zip(rot) {
            tecu += r / 2.0;
            let t = k * 30_000;
            rates.add(t, cell(t + 18_000), t / 60_000, 7, tecu);
            rates.add(t + 1_000, cell(t + 19_000), t / 60_000, 7, tecu + 9.0); // within the same 30 s: not a sample
        }
        let (mean, roti) = rates.over(4);
        assert!((mean - 0.05).abs() < 1e-5 && (roti - 0.473814).abs() < 1e-5, "{mean} {roti}");
        assert!(rates.over(7).1.is_nan(), "two minutes of five are not enough");
        assert!(rates.over(6).1.is_finite(), "three are");
    }

    #[test]
    fn slips_and_gaps_break_the_chain() {
        let mut rates = Rates::of_30_s();
        for k in 0..20_i64 {
            // Every second step is an arc of its own or comes after a gap: no rate, however wild the content.
            let t = k * 30_000 + (k / 2) * 60_000;
            rates.add(t, cell(t), t.div_euclid(60_000), (k / 2) as u32, 1e6 * k as f64);
        }
        assert!(rates.over(4).1.is_nan());
    }
}
