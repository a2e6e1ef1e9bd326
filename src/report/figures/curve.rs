//! C/N0 over elevation: the middle 80 % as a band, the median as a line, the expected range hatched behind.

use super::super::draw::{Anchor, Svg, box_path, coordinate};
use super::super::text::{name, plain};
use super::{Figure, steps};
use crate::model::picture::ElevationCurve;

const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 230.0;
const LEFT: f64 = 34.0;
const BOTTOM: f64 = 30.0;
const TOP: f64 = 10.0;

pub(in crate::report) fn curve(id: &str, c: &ElevationCurve) -> Figure {
    let all = || {
        c.bins.iter().flat_map(|b| [f64::from(b.2), f64::from(b.4)]).chain(c.expected.iter().flat_map(|e| [e.2, e.3]))
    };
    // C/N0 is between 0 and 70 dB-Hz; anything else would be no value but must not break the picture.
    let ten = |v: f64| (v / 10.0).clamp(0.0, 8.0);
    let floor = ten(all().fold(80.0, f64::min)).floor().min(7.0) * 10.0;
    let ceiling = (ten(all().fold(0.0, f64::max)).ceil() * 10.0).max(floor + 10.0);
    let x = |deg: f64| LEFT + deg / 90.0 * (WIDTH - LEFT - 8.0);
    let y = |v: f64| TOP + (ceiling - v) / (ceiling - floor) * (HEIGHT - BOTTOM - TOP);
    let title = format!("{}: C/N0 of {} over elevation", name(&c.unit), name(&c.band));
    // Against the expected range, weighted by time.
    let (mut below, mut weight) = (0.0, 0.0);
    for b in &c.bins {
        let mid = (b.0 + b.1) / 2.0;
        if let Some(e) = c.expected.iter().find(|e| mid >= e.0 && mid < e.1) {
            below += (f64::from(b.3) - (e.2 + e.3) / 2.0) * f64::from(b.5);
            weight += f64::from(b.5);
        }
    }
    let note = if weight > 0.0 {
        let off: f64 = below / weight;
        let place = match off {
            off if off.abs() < 0.5 => "in".to_owned(),
            off => format!("{:.0} dB {}", off.abs(), if off < 0.0 { "below" } else { "above" }),
        };
        format!("On average {place} the middle of the expected range ({}).", plain(&c.expected_from, 120))
    } else {
        "No expected range is known for these signals.".to_owned()
    };
    let mut svg = Svg::new(id, WIDTH, HEIGHT, &title, &note);
    let mut grid = String::new();
    let mut v = floor;
    while v <= ceiling + 0.1 {
        grid.push_str(&format!("M{} {}H{}", coordinate(LEFT), coordinate(y(v)), coordinate(WIDTH - 8.0)));
        svg.text(LEFT - 5.0, y(v) + 4.0, Anchor::End, "lbl", &format!("{v:.0}"));
        v += 10.0;
    }
    svg.path(&grid, "grid");
    for deg in [0.0, 30.0, 60.0, 90.0] {
        let anchor = if deg > 80.0 { Anchor::End } else { Anchor::Middle };
        svg.text(x(deg), HEIGHT - 14.0, anchor, "lbl", &format!("{deg:.0}°"));
    }
    svg.text(x(45.0), HEIGHT - 2.0, Anchor::Middle, "lbl", "elevation");
    svg.text(LEFT + 4.0, TOP + 9.0, Anchor::Start, "lbl", "dB-Hz");
    let expected: String =
        c.expected.iter().map(|e| box_path(x(e.0), y(e.3), x(e.1) - x(e.0), y(e.2) - y(e.3))).collect();
    svg.path(&expected, "c-want");
    steps::draw(&mut svg, &c.bins, &x, &y);
    let mut keys = steps::keys();
    if !c.expected.is_empty() {
        keys.push(steps::key("c-want", "M1 3H15V13H1z", "expected"));
    }
    let rows = c
        .bins
        .iter()
        .map(|b| {
            let mid = (b.0 + b.1) / 2.0;
            let want = c.expected.iter().find(|e| mid >= e.0 && mid < e.1);
            vec![
                format!("{:.0}° to {:.0}°", b.0, b.1),
                format!("{:.0}", b.2),
                format!("{:.0}", b.3),
                format!("{:.0}", b.4),
                want.map_or_else(String::new, |e| format!("{:.0} to {:.0}", e.2, e.3)),
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
            "Lowest tenth, dB-Hz",
            "Median, dB-Hz",
            "Highest tenth, dB-Hz",
            "Expected, dB-Hz",
            "Satellite-minutes",
        ],
        rows,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_weak_base_is_told_in_db() {
        let c = ElevationCurve {
            unit: "B".to_owned(),
            band: "L1".to_owned(),
            bins: vec![(20.0, 25.0, 30.0, 34.0, 38.0, 100), (25.0, 30.0, 30.0, 34.0, 38.0, 100)],
            expected: vec![(20.0, 40.0, 41.0, 47.0)],
            expected_from: "a table".to_owned(),
        };
        let f = curve("c", &c);
        assert!(f.note.contains("10 dB below"), "{}", f.note);
        assert_eq!(f.rows[0], ["20° to 25°", "30", "34", "38", "41 to 47", "100"]);
        assert!(curve("c", &ElevationCurve::default()).note.contains("No expected range"));
    }
}
