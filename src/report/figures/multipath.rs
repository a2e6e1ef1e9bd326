//! Code multipath over elevation: the middle 80 % of the satellite-minutes as a band, the median as a line, a clean antenna
//! as a broken line.

use super::super::draw::{Anchor, Svg, coordinate};
use super::super::text::{name, number, plain};
use super::{Figure, steps};
use crate::model::picture::MultipathCurve;

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 230.0;
const LEFT: f64 = 34.0;
const BOTTOM: f64 = 30.0;
const TOP: f64 = 10.0;

/// The value of a clean antenna at an elevation: that of the nearest point.
fn clean_at(c: &MultipathCurve, elevation_deg: f64) -> Option<f64> {
    c.clean
        .iter()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .min_by(|a, b| (a.0 - elevation_deg).abs().total_cmp(&(b.0 - elevation_deg).abs()))
        .map(|p| p.1)
}

pub(in crate::report) fn multipath(id: &str, c: &MultipathCurve) -> Figure {
    let all = || c.bins.iter().map(|b| f64::from(b.4)).chain(c.clean.iter().map(|p| p.1)).filter(|v| v.is_finite());
    // Half a metre to five: beyond that the exact value says nothing more.
    let ceiling = (all().fold(0.5, f64::max) * 2.0).ceil().clamp(1.0, 10.0) / 2.0;
    let x = |deg: f64| LEFT + deg / 90.0 * (WIDTH - LEFT - 8.0);
    let y = |v: f64| TOP + (ceiling - v.clamp(0.0, ceiling)) / ceiling * (HEIGHT - BOTTOM - TOP);
    let title = format!("{}: code multipath of {} over elevation", name(&c.unit), name(&c.band));
    // Against a clean antenna, weighted by time.
    let (mut times, mut weight) = (0.0, 0.0);
    for b in &c.bins {
        if let Some(clean) = clean_at(c, (b.0 + b.1) / 2.0).filter(|v| *v > 0.0) {
            times += f64::from(b.3) / clean * f64::from(b.5);
            weight += f64::from(b.5);
        }
    }
    let note = if weight > 0.0 {
        format!(
            "On average {} times that of a clean antenna at the same elevation and C/N0 ({}); from 2 times on reflections are likely.",
            number((times / weight * 10.0).round() / 10.0),
            plain(&c.clean_from, 120)
        )
    } else {
        "What a clean antenna would have is not known for these signals.".to_owned()
    };
    let mut svg = Svg::new(id, WIDTH, HEIGHT, &title, &note);
    let step = if ceiling > 2.0 { 1.0 } else { 0.5 };
    let mut grid = String::new();
    let mut v = 0.0;
    while v <= ceiling + 0.01 {
        grid.push_str(&format!("M{} {}H{}", coordinate(LEFT), coordinate(y(v)), coordinate(WIDTH - 8.0)));
        svg.text(LEFT - 5.0, y(v) + 4.0, Anchor::End, "lbl", &number(v));
        v += step;
    }
    svg.path(&grid, "grid");
    for deg in [0.0, 30.0, 60.0, 90.0] {
        let anchor = if deg > 80.0 { Anchor::End } else { Anchor::Middle };
        svg.text(x(deg), HEIGHT - 14.0, anchor, "lbl", &format!("{deg:.0}°"));
    }
    svg.text(x(45.0), HEIGHT - 2.0, Anchor::Middle, "lbl", "elevation");
    svg.text(WIDTH - 8.0, TOP + 9.0, Anchor::End, "lbl", "m");
    steps::draw(&mut svg, &c.bins, &x, &y);
    let clean: String = c
        .clean
        .iter()
        .enumerate()
        .map(|(k, p)| format!("{}{} {}", if k == 0 { "M" } else { "L" }, coordinate(x(p.0)), coordinate(y(p.1))))
        .collect();
    svg.path(&clean, "t-limit");
    let mut keys = steps::keys();
    if !c.clean.is_empty() {
        keys.push(steps::key("t-limit", "M0 8H16", "clean antenna"));
    }
    let rows = c
        .bins
        .iter()
        .map(|b| {
            let clean = clean_at(c, (b.0 + b.1) / 2.0);
            vec![
                format!("{:.0}° to {:.0}°", b.0, b.1),
                format!("{:.2}", b.2),
                format!("{:.2}", b.3),
                format!("{:.2}", b.4),
                clean.map_or_else(String::new, |v| format!("{v:.2}")),
                b.5.to_string(),
            ]
        })
        .collect();
    Figure {
        title,
        note,
        svg: svg.finish(),
        keys,
        columns: vec![
            "Elevation",
            "Lowest tenth, m",
            "Median, m",
            "Highest tenth, m",
            "Clean antenna, m",
            "Satellite-minutes",
        ],
        rows,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn multipath_is_told_against_a_clean_antenna() {
        let c = MultipathCurve {
            unit: "B".to_owned(),
            band: "L1".to_owned(),
            bins: vec![(20.0, 25.0, 0.2, 0.6, 1.2, 100), (25.0, 30.0, 0.2, 0.9, 1.4, 100)],
            clean: vec![(22.5, 0.3), (27.5, 0.3)],
            clean_from: "a table".to_owned(),
        };
        let f = multipath("m", &c);
        assert!(f.note.contains("2.5 times") && f.note.contains("a table"), "{}", f.note);
        assert_eq!(f.rows[0], ["20° to 25°", "0.20", "0.60", "1.20", "0.30", "100"]);
        assert!(f.svg.contains("t-limit") && f.svg.contains("<title"));
        // Values that are none, and nothing at all, make no broken picture.
        let odd = MultipathCurve {
            bins: vec![(0.0, 5.0, f32::NAN, f32::INFINITY, 1e30, 1)],
            clean: vec![(2.5, f64::NAN)],
            ..c
        };
        assert!(!multipath("m", &odd).svg.contains("NaN"));
        assert!(multipath("m", &MultipathCurve::default()).note.contains("not known"));
    }
}
