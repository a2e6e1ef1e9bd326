//! Machines at work: passes over an area, pauses, a break (some under trees), and a corner with a bad sky.

use super::plan::{Rover, Session};
use super::rng::{Rng, mix};

/// Where a machine was, second by second.
pub(super) struct Path {
    /// Metres east and north of the base.
    pub at: Vec<(f32, f32)>,
    pub speed_ms: Vec<f32>,
    pub course_deg: Vec<f32>,
    /// 0..1: stands under trees.
    pub trees: Vec<f32>,
    /// 0..1: stands in the corner with the blocked sky.
    pub zone: Vec<f32>,
}

/// Moves a rover through a session.
pub(super) fn work(rover: &Rover, s: &Session, seed: u64, slow_in_zone: bool) -> Path {
    let mut r = Rng::new(mix(seed ^ rover.unit.seed ^ s.t0 as u64));
    let n = s.n;
    let mut p = Path {
        at: Vec::with_capacity(n),
        speed_ms: Vec::with_capacity(n),
        course_deg: Vec::with_capacity(n),
        trees: vec![0.0; n],
        zone: vec![0.0; n],
    };
    let (hx, hy) = rover.half_m;
    let rows = 7;
    let row_y = |k: usize| -1.0 + 2.0 * (k % rows) as f64 / (rows - 1) as f64;
    let (mut u, mut dir, mut row) = (-1.0 + r.range(0.0, 0.4), 1.0, r.below(rows));
    let mut v = row_y(row);
    let mut pause = 0usize;
    let mut next_pause = r.int(200, 800) as usize;
    let break_at = (n as f64 * r.range(0.35, 0.7)) as usize;
    // Trees cost most of the background float; a short break keeps it small.
    let break_len = if rover.trees { r.int(90, 260) as usize } else { r.int(300, 900) as usize }.min(n / 6);
    let mut corner = (0.0, 0.0);
    for i in 0..n {
        let parked = i >= break_at && i < break_at + break_len;
        let z = {
            let d = ((u - 0.5) / 0.55).powi(2) + ((v - 0.35) / 0.6).powi(2);
            ((1.0 - d) * 6.0).clamp(0.0, 1.0)
        };
        p.zone[i] = z as f32;
        let (mut speed, mut course) = (0.0, 0.0);
        if parked {
            if rover.trees {
                let edge = (i - break_at).min(break_at + break_len - i);
                p.trees[i] = (edge as f32 / 15.0).min(1.0);
            }
        } else if pause > 0 {
            pause -= 1;
        } else {
            if i >= next_pause {
                pause = r.int(15, 150) as usize;
                next_pause = i + pause + r.int(250, 900) as usize;
            }
            // Digging in the corner takes longer than driving through it.
            speed = rover.speed_ms * (0.8 + 0.4 * r.unit()) * if slow_in_zone && z > 0.0 { 0.6 } else { 1.0 };
            let y = row_y(row);
            if (y - v).abs() * hy > 1.0 {
                let step = (speed / hy).min((y - v).abs());
                course = if y > v { 0.0 } else { 180.0 };
                v += step * (y - v).signum();
            } else {
                u += dir * speed / hx;
                course = if dir > 0.0 { 90.0 } else { 270.0 };
                if !(-1.0..=1.0).contains(&u) {
                    u = u.clamp(-1.0, 1.0);
                    dir = -dir;
                    row += 1;
                }
            }
            corner = (corner.0 * 0.97 + r.normal() * 0.02, corner.1 * 0.97 + r.normal() * 0.02);
        }
        p.at.push(((rover.centre_m.0 + u * hx + corner.0) as f32, (rover.centre_m.1 + v * hy + corner.1) as f32));
        p.speed_ms.push(speed as f32);
        p.course_deg.push(course as f32);
    }
    p
}
