//! When a rover's receiver may have started anew, and so has no corrections yet whatever the link does.

/// After so long without epochs, ms.
const SILENT_MS: i64 = 15_000;
/// It needs its satellites and the position of its base first, for so long, ms (common practice, no source: 60 to 90 s from a cold start).
const STARTS_MS: i64 = 90_000;

/// Spans (begin and end, ms, ends included) in which a receiver that was silent, for longer than between the epochs before, tells no
/// correction age yet. `times_ms` ascend; `ages_s` are NaN where no age was told.
pub fn starting_spans(times_ms: &[i64], ages_s: &[f32]) -> Vec<(i64, i64)> {
    let mut spans: Vec<(i64, i64)> = Vec::new();
    let mut until = i64::MIN;
    for (at, (time, age)) in times_ms.iter().zip(ages_s).enumerate() {
        if at >= 2 {
            let (step, before) = (time - times_ms[at - 1], times_ms[at - 1] - times_ms[at - 2]);
            if step >= SILENT_MS.max(3 * before) && age.is_nan() {
                until = time + STARTS_MS;
                spans.push((*time, *time));
            }
        }
        if age.is_nan() && *time < until {
            if let Some(last) = spans.last_mut() {
                last.1 = *time;
            }
        } else {
            until = i64::MIN;
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An epoch a second, silent for `silent` seconds before 100 s, without an age from there to `until`.
    fn starting(silent: i64, until: i64) -> Vec<(i64, i64)> {
        let times: Vec<i64> = (0..400).filter(|s| !(100 - silent..100).contains(s)).map(|s| s * 1000).collect();
        let none = |t: i64| (100..until).contains(&(t / 1000));
        let ages: Vec<f32> = times.iter().map(|t| if none(*t) { f32::NAN } else { 1.0 }).collect();
        starting_spans(&times, &ages)
    }

    #[test]
    fn it_starts_until_it_tells_an_age_or_for_a_minute_and_a_half() {
        assert_eq!(starting(30, 140), [(100_000, 139_000)]);
        assert_eq!(starting(30, 300), [(100_000, 189_000)]);
        assert!(starting(10, 140).is_empty(), "a hole of seconds is no start");
        assert!(starting(30, 100).is_empty(), "it had corrections at once");
    }

    #[test]
    fn a_log_of_seldom_epochs_is_not_always_starting() {
        let times: Vec<i64> = (0..50).map(|k| k * 20_000).collect();
        assert!(starting_spans(&times, &[f32::NAN; 50]).is_empty());
    }
}
