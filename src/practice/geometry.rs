//! Where the satellites stand over a place: directions and distances on a grid, and in between.

use super::clock;
use super::earth::Place;
use super::orbit::Constellation;
use super::plan::Session;

/// Seconds between nodes of the geometry grid.
const STEP: i64 = 30;

/// Directions and distances of all satellites over a session, on a grid.
pub(super) struct Geometry {
    pub t0: i64,
    /// Indices of satellites that rise above the horizon.
    pub sats: Vec<usize>,
    nodes: usize,
    az: Vec<f32>,
    el: Vec<f32>,
    range: Vec<f64>,
}

impl Geometry {
    /// For a place; the grid runs two nodes past both ends for interpolation.
    pub(super) fn new(sky: &Constellation, place: &Place, s: &Session, systems: &[bool; 4]) -> Geometry {
        let x = place.ecef();
        let nodes = s.n / STEP as usize + 6;
        let t0 = s.t0 - 2 * STEP;
        let mut g = Geometry { t0, sats: Vec::new(), nodes, az: Vec::new(), el: Vec::new(), range: Vec::new() };
        for (k, sat) in sky.sats.iter().enumerate() {
            if !systems.get(sat.sys.ix()).copied().unwrap_or(false) {
                continue;
            }
            let first = g.az.len();
            let mut up = false;
            for n in 0..nodes {
                let t = clock::gpst(t0 + n as i64 * STEP) as f64;
                let (az, el, r) = sky.look(k, place, &x, t);
                up |= el > 3.0;
                g.az.push(az as f32);
                g.el.push(el as f32);
                g.range.push(r);
            }
            if up {
                g.sats.push(k);
            } else {
                g.az.truncate(first);
                g.el.truncate(first);
                g.range.truncate(first);
            }
        }
        g
    }

    fn at(&self, row: usize, t: i64) -> (usize, f64) {
        let d = (t - self.t0).max(0);
        let k = ((d / STEP) as usize).min(self.nodes.saturating_sub(3));
        (row * self.nodes + k, (d - k as i64 * STEP) as f64 / STEP as f64)
    }

    /// Azimuth and elevation in degrees of the `row`-th visible satellite.
    pub(super) fn direction(&self, row: usize, t: i64) -> (f64, f64) {
        let (k, w) = self.at(row, t);
        let get = |v: &[f32], k: usize| f64::from(v.get(k).copied().unwrap_or(0.0));
        let (a, b) = (get(&self.az, k), get(&self.az, k + 1));
        let d = (b - a + 540.0).rem_euclid(360.0) - 180.0;
        let (c, e) = (get(&self.el, k), get(&self.el, k + 1));
        ((a + d * w).rem_euclid(360.0), c + (e - c) * w)
    }

    /// Pseudo distance (range less satellite clock, m) and its rate (m/s): Hermite between nodes, error below 1 mm.
    pub(super) fn range(&self, row: usize, t: i64) -> (f64, f64) {
        let (k, w) = self.at(row, t);
        let r = |d: isize| self.range.get((k as isize + d).max(0) as usize).copied().unwrap_or(0.0);
        let h = STEP as f64;
        let slope = |d: isize| (8.0 * (r(d + 1) - r(d - 1)) - (r(d + 2) - r(d - 2))) / (12.0 * h);
        let (p0, p1, m0, m1) = (r(0), r(1), slope(0) * h, slope(1) * h);
        let (w2, w3) = (w * w, w * w * w);
        let v =
            (2.0 * w3 - 3.0 * w2 + 1.0) * p0 + (w3 - 2.0 * w2 + w) * m0 + (3.0 * w2 - 2.0 * w3) * p1 + (w3 - w2) * m1;
        let rate = ((6.0 * w2 - 6.0 * w) * (p0 - p1) + (3.0 * w2 - 4.0 * w + 1.0) * m0 + (3.0 * w2 - 2.0 * w) * m1) / h;
        (v, rate)
    }
}
