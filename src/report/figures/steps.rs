//! What curves over elevation have in common: a step a bin, the middle 80 % as a band and the median as a line.

use super::super::draw::{Svg, box_path, coordinate};
use super::Key;

/// Lower edge (degrees), upper edge, low, middle, high, satellite-minutes.
type Bin = (f64, f64, f32, f32, f32, u32);

/// Draws the bins; `x` and `y` place an elevation and a value.
pub(super) fn draw(svg: &mut Svg, bins: &[Bin], x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64) {
    let band: String = bins
        .iter()
        .map(|b| {
            let (high, low) = (y(f64::from(b.4)), y(f64::from(b.2)));
            box_path(x(b.0), high, x(b.1) - x(b.0), (low - high).max(0.5))
        })
        .collect();
    svg.path(&band, "t-band");
    let (mut line, mut end) = (String::new(), f64::NAN);
    for b in bins {
        let v = coordinate(y(f64::from(b.3)));
        line.push_str(&if b.0 == end {
            format!("V{v}H{}", coordinate(x(b.1)))
        } else {
            format!("M{} {v}H{}", coordinate(x(b.0)), coordinate(x(b.1)))
        });
        end = b.1;
    }
    svg.path(&line, "t-line");
}

/// One sign of the key.
pub(super) fn key(class: &str, d: &str, words: &str) -> Key {
    Key {
        svg: format!("<svg viewBox=\"0 0 16 16\" aria-hidden=\"true\"><path class=\"{class}\" d=\"{d}\"/></svg>"),
        words: words.to_owned(),
    }
}

/// The signs of what [`draw`] draws.
pub(super) fn keys() -> Vec<Key> {
    vec![key("t-line", "M0 8H16", "median"), key("t-band", "M0 3H16V13H0z", "middle 80 % of the time")]
}
