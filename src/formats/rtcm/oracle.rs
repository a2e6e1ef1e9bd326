//! The same bytes through an independent open library (`rtcm-rs`, dev-dependency), value by value.

use super::ephemeris::{self, Motion};
use super::samples::{bytes, run};
use super::*;
use crate::model::clock::{DateHints, StreamClock};
use rtcm_rs::prelude::*;

fn near(a: f64, b: f64, tolerance: f64, what: &str) {
    assert!((a - b).abs() <= tolerance * b.abs().max(1.0), "{what}: {a} is not {b}");
}
