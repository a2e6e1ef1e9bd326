//! Time to an event when some logs end first: Kaplan-Meier and log-rank.

use super::special;

/// One duration: its length and whether the event came (false: the log ended first, censored).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Duration {
    /// Length, s or any other unit.
    pub time: f64,
    /// Whether the event came at that time.
    pub event: bool,
}

/// One step of a survival curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurvivalStep {
    /// Time of the events.
    pub time: f64,
    /// Still under observation just before.
    pub at_risk: usize,
    /// Events at this time.
    pub events: usize,
    /// Share without event after this time.
    pub survival: f64,
}

fn sorted(durations: &[Duration]) -> Vec<Duration> {
    let mut all: Vec<Duration> = durations.iter().copied().filter(|d| d.time.is_finite()).collect();
    all.sort_by(|a, b| a.time.total_cmp(&b.time));
    all
}

/// Product-limit estimate (Kaplan and Meier 1958, JASA 53:457-481): one step per time with events.
pub fn kaplan_meier(durations: &[Duration]) -> Vec<SurvivalStep> {
    let all = sorted(durations);
    let mut steps = Vec::new();
    let mut survival = 1.0;
    let mut left = all.len();
    for group in all.chunk_by(|a, b| a.time == b.time) {
        let events = group.iter().filter(|d| d.event).count();
        if events > 0 {
            survival *= 1.0 - events as f64 / left as f64;
            let time = group.first().map_or(f64::NAN, |d| d.time);
            steps.push(SurvivalStep { time, at_risk: left, events, survival });
        }
        left -= group.len();
    }
    steps
}

/// First time at which at most half are left without event; `None` when the curve does not fall so far.
pub fn median_survival(steps: &[SurvivalStep]) -> Option<f64> {
    steps.iter().find(|s| s.survival <= 0.5 + 1e-12).map(|s| s.time)
}

/// Log-rank test of two groups (Mantel 1966, Cancer Chemother. Rep. 50:163-170): χ² with one degree of freedom, and p.
/// `None` when no time tells the groups apart.
pub fn log_rank(first: &[Duration], second: &[Duration]) -> Option<(f64, f64)> {
    let (a, b) = (sorted(first), sorted(second));
    let mut times: Vec<f64> = a.iter().chain(&b).filter(|d| d.event).map(|d| d.time).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let at_risk = |g: &[Duration], t: f64| (g.len() - g.partition_point(|d| d.time < t)) as f64;
    let events = |g: &[Duration], t: f64| {
        let from = g.partition_point(|d| d.time < t);
        g.iter().skip(from).take_while(|d| d.time == t).filter(|d| d.event).count() as f64
    };
    let (mut excess, mut variance) = (0.0, 0.0);
    for t in times {
        let (n1, n2) = (at_risk(&a, t), at_risk(&b, t));
        let (d1, d2) = (events(&a, t), events(&b, t));
        let (n, d) = (n1 + n2, d1 + d2);
        excess += d1 - d * n1 / n;
        if n > 1.0 {
            variance += d * (n1 / n) * (n2 / n) * (n - d) / (n - 1.0);
        }
    }
    if variance <= 0.0 {
        return None;
    }
    let chi2 = excess * excess / variance;
    Some((chi2, special::chi2_sf(chi2, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    fn durations(events: &[i32], censored: &[i32]) -> Vec<Duration> {
        let make = |event| move |t: &i32| Duration { time: f64::from(*t), event };
        events.iter().map(make(true)).chain(censored.iter().map(make(false))).collect()
    }

    /// Freireich et al. 1963, Blood 21:699-716; check values 13.8.
    fn treated() -> Vec<Duration> {
        durations(&[6, 6, 6, 7, 10, 13, 16, 22, 23], &[6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35])
    }

    fn control() -> Vec<Duration> {
        durations(&[1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23], &[])
    }

    #[test]
    fn curve_of_check_values_13_8() {
        let want = [
            (6.0, 21, 3, 0.857143),
            (7.0, 17, 1, 0.806723),
            (10.0, 15, 1, 0.752941),
            (13.0, 12, 1, 0.690196),
            (16.0, 11, 1, 0.627451),
            (22.0, 7, 1, 0.537815),
            (23.0, 6, 1, 0.448179),
        ];
        let got = kaplan_meier(&treated());
        assert_eq!(got.len(), want.len());
        for (g, (t, n, d, s)) in got.iter().zip(want) {
            assert_eq!((g.time, g.at_risk, g.events), (t, n, d));
            near(g.survival, s, 1e-6);
        }
        assert_eq!(median_survival(&got), Some(23.0));
        assert_eq!(median_survival(&kaplan_meier(&control())), Some(8.0));
    }

    #[test]
    fn log_rank_of_check_values_13_8() {
        let (chi2, p) = log_rank(&treated(), &control()).unwrap();
        near(chi2, 16.792941, 1e-6);
        near(p, 4.1688e-5, 1e-9);
    }

    #[test]
    fn empty_and_censored_only() {
        assert!(kaplan_meier(&[]).is_empty());
        assert!(kaplan_meier(&durations(&[], &[3, 4])).is_empty());
        assert!(log_rank(&durations(&[], &[3]), &durations(&[], &[4])).is_none());
        assert!(median_survival(&kaplan_meier(&durations(&[1], &[2, 3, 4]))).is_none());
    }
}
