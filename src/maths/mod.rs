//! Room: maths. Pure formulas with their published sources: no files, no clock, no other room.
//!
//! Angles are degrees unless a name ends in `_rad`; other units stand in the names. A function that cannot answer
//! (values missing, outside the formula's range, not finite) returns `None`; none of them panics.

pub mod budget;
pub mod geodesy;
pub mod ionosphere;
pub mod magnetic;
pub mod orbits;
pub mod signals;
pub mod starts;
pub mod stats;
pub mod sun;

#[cfg(test)]
mod dump;

/// Speed of light in vacuum, m/s, exact (SI).
pub const SPEED_OF_LIGHT_M_S: f64 = 299_792_458.0;

/// Rounded to so many decimals for a text; what rounds to nothing has no sign.
pub fn for_text(x: f64, places: i32) -> f64 {
    let factor = 10_f64.powi(places);
    // `+ 0.0` turns minus zero into zero.
    (x * factor).round() / factor + 0.0
}

#[cfg(test)]
#[test]
fn no_minus_zero_in_texts() {
    let texts = [-0.04, -0.0, -0.06, 2.34].map(|x| format!("{:.1}", for_text(x, 1)));
    assert_eq!(texts, ["0.0", "0.0", "-0.1", "2.3"]);
}

/// Test helper: equal within a tolerance.
#[cfg(test)]
#[track_caller]
pub(crate) fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance}");
}
