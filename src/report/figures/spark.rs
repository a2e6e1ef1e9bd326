//! Lost share day by day: a row of small bars, and its trend in words.

use super::super::draw::{Svg, box_path};
use super::super::text::percent;
use crate::model::picture::{Course, DayTotal};

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

/// The trend in words, with the lost share of the first half of the days and of the second; empty where days are too few.
pub(in crate::report) fn trend(days: &[DayTotal], course: Course) -> String {
    let word = match course {
        Course::Short => return String::new(),
        Course::Unclear => "no clear trend",
        Course::Rising => "rising",
        Course::Falling => "falling",
    };
    let (first, second) = days.split_at(days.len() / 2);
    let of = |part: &[DayTotal]| {
        part.iter().map(|d| d.lost_ms).sum::<i64>() as f64
            / part.iter().map(|d| d.observed_ms).sum::<i64>().max(1) as f64
    };
    format!("{word}: {} then {}", percent(of(first)), percent(of(second)))
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
    fn trend_names_both_halves() {
        let days: Vec<DayTotal> = [1, 2, 2, 8, 9, 10].iter().zip(0..).map(|(l, n)| day(n, *l)).collect();
        assert_eq!(trend(&days, Course::Rising), "rising: 2 % then 9 %");
        assert_eq!(trend(&days, Course::Unclear), "no clear trend: 2 % then 9 %");
        assert_eq!(trend(&days, Course::Short), "");
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
