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
pub mod stats;
pub mod sun;

#[cfg(test)]
mod dump;

/// Speed of light in vacuum, m/s, exact (SI).
pub const SPEED_OF_LIGHT_M_S: f64 = 299_792_458.0;

/// Test helper: equal within a tolerance.
#[cfg(test)]
#[track_caller]
pub(crate) fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} within {tolerance}");
}
