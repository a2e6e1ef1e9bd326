//! Lost share day by day: a row of small bars, and its trend in words.

use super::super::draw::{Svg, box_path};
use super::super::text::percent;
use crate::model::picture::{DayTotal, DayTrend};

/// Days drawn, the last ones.
const DAYS: usize = 62;

fn share(d: &DayTotal) -> f64 {
    d.lost_ms as f64 / d.observed_ms.max(1) as f64
}

/// A full bar is at least this share, so that a healthy site does not look like a bad one.
const FULL: f64 = 0.1;

/// A bar a day, a full one for the worst day of the site or [`FULL`]; empty without two days.
pub(in crate::report) fn spark(id: &str, days: &[DayTotal]) -> String {
    let shown = days.get(days.len().saturating_sub(DAYS)..).unwrap_or_default();
    let (Some(first), Some(last)) = (shown.first(), shown.last()) else { return String::new() };
    if shown.len() < 2 {
        return String::new();
    }
    let worst = shown.iter().map(share).fold(0.0, f64::max);
    let (width, height) = (120.0, 24.0);
    let span = (last.from - first.from).max(1) as f64;
    // Days without a log stay empty: bars stand at their date.
    let slots = (span / 86_400_000.0).round() + 1.0;
    let step = width / slots;
    let words = format!("Lost share by day, {} to {}; worst day {}", first.day, last.day, percent(worst));
    let mut svg = Svg::new(id, width, height, "Day by day", &words);
    let mut bars = String::new();
    for d in shown {
        let x = ((d.from - first.from) as f64 / 86_400_000.0).round() * step;
        let h = (share(d) / worst.max(FULL) * (height - 2.0)).max(0.8);
        bars.push_str(&box_path(x, height - h, (step * 0.8).max(0.6), h));
    }
    svg.path(&bars, "spark");
    svg.finish()
}

/// Points of a hundred with their sign: `+3`, `−0.4`.
fn points(x: f64) -> String {
    let (x, digits) = (x * 100.0, usize::from(x.abs() < 0.0095));
    let text = format!("{:.digits$}", x.abs());
    if text.trim_matches(['0', '.']).is_empty() {
        return "0".to_owned();
    }
    format!("{}{text}", if x < 0.0 { '\u{2212}' } else { '+' })
}

/// The range of a change of a share in words: `+3 to +11`, in points of a hundred.
pub(in crate::report) fn range_words(low: f64, high: f64) -> String {
    let (low, high) = (points(low), points(high));
    if low == high { low } else { format!("{low} to {high}") }
}

/// The trend in words: the lost share of the first half of the days and of the second, and the range of the change. Rising
/// or falling is only said where that range leaves no change out.
pub(in crate::report) fn trend(trend: &DayTrend) -> String {
    let ends = range_words(trend.low, trend.high);
    let halves = format!("{} then {}", percent(trend.first), percent(trend.second));
    // What the printed ends do not show is not said either.
    if trend.low > 0.0 && !ends.starts_with('0') {
        format!("rising: {halves}, {ends} points")
    } else if trend.high < 0.0 && !ends.ends_with(" 0") && ends != "0" {
        format!("falling: {halves}, {ends} points")
    } else {
        format!("no clear trend: {halves}, {ends} points")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(n: i64, lost: i64) -> DayTotal {
        DayTotal {
            day: format!("2026-05-{:02}", n + 1),
            from: n * 86_400_000,
            to: (n + 1) * 86_400_000,
            observed_ms: 36_000_000,
            lost_ms: lost * 360_000,
        }
    }

    #[test]
    fn a_direction_is_told_with_the_range_of_the_change() {
        let of = |first: f64, second: f64, low: f64, high: f64| trend(&DayTrend { first, second, low, high });
        assert_eq!(of(0.02, 0.09, 0.03, 0.11), "rising: 2 % then 9 %, +3 to +11 points");
        assert_eq!(of(0.09, 0.02, -0.11, -0.03), "falling: 9 % then 2 %, \u{2212}11 to \u{2212}3 points");
        assert_eq!(of(0.02, 0.09, -0.004, 0.144), "no clear trend: 2 % then 9 %, \u{2212}0.4 to +14 points");
        assert_eq!(of(0.01, 0.01, 0.0002, 0.004), "no clear trend: 1 % then 1 %, 0 to +0.4 points");
        assert_eq!(of(0.0, 0.0, 0.0, 0.0), "no clear trend: 0 % then 0 %, 0 points");
    }

    #[test]
    fn a_day_without_a_log_leaves_its_place_empty() {
        let svg = spark("s", &[day(0, 10), day(3, 20)]);
        // Four places of 30 units: the bars stand in the first and the last.
        assert!(svg.contains("M0 13h24v11h-24z") && svg.contains("M90 2h24v22h-24z"), "{svg}");
        assert!(spark("s", &[day(0, 1)]).is_empty());
        // 1 % and 2 % lost are small bars, not full ones.
        let healthy = spark("s", &[day(0, 1), day(1, 2)]);
        assert!(healthy.contains("v2.2h") && healthy.contains("v4.4h"), "{healthy}");
    }
}
