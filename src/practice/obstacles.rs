//! What stands around an antenna and what it does to the signal of one satellite: walls, metal, trees, a blocked corner,
//! the reflecting ground.

use super::fault::Fault;
use super::plan::Unit;
use super::rng::uni;

/// The way of a satellite's signal to the antenna.
pub(super) struct Way {
    /// Azimuth and elevation, degrees.
    az: f64,
    el: f64,
    /// Loss of C/N0 by what stands in the way, dB.
    pub cut_db: f32,
    /// Chance of a slip a second.
    pub slip: f32,
    /// Relative amplitude of the wave that metal reflects.
    wall: f32,
    /// What that wave travels further, m.
    wall_path_m: f64,
    /// The same of the wave that the ground reflects.
    ground: f32,
    ground_path_m: f64,
}

impl Way {
    /// Through nothing but air, over the ground below the antenna: low satellites slip more often.
    pub(super) fn clear(unit: &Unit, (az, el): (f64, f64)) -> Way {
        let slip = if el < 12.0 {
            1.0 / 500.0
        } else if el < 25.0 {
            1.0 / 5000.0
        } else {
            1.0 / 60_000.0
        };
        let ground = unit.ground_alpha * (-(el as f32).max(0.0) / 18.0).exp();
        let ground_path_m = 2.0 * unit.ground_h_m * el.to_radians().sin();
        Way { az, el, cut_db: 0.0, slip, wall: 0.0, wall_path_m: 0.0, ground, ground_path_m }
    }

    /// Degrees of azimuth from a direction.
    fn off(&self, az0: f64) -> f64 {
        ((self.az - az0 + 540.0).rem_euclid(360.0) - 180.0).abs()
    }

    /// The same from the direction in which a planted fault stands.
    fn off_fault(&self, f: &Fault) -> f64 {
        self.off(uni(f.seed, 11, 0) * 360.0)
    }

    /// A planted obstruction at the base.
    pub(super) fn obstruct(&mut self, f: &Fault, unit: &Unit, level: f32) {
        let loss = wall_loss(f, unit, self.az, self.el, self.off_fault(f));
        self.cut_db += level * loss.0;
        self.slip += level * loss.1;
    }

    /// Metal all round: the reflected wave is strong below a height, strongest towards the wall.
    pub(super) fn reflect(&mut self, f: &Fault, level: f32) {
        let off = self.off_fault(f);
        let reach = (1.3 - self.el / 75.0).clamp(0.0, 1.0) * (1.0 - off / 300.0);
        self.wall = self.wall.max(level * (0.5 + 0.55 * f.strength) as f32 * reach as f32);
        // Way round by the wall: twice its distance, seen along the ray.
        self.wall_path_m = 2.0 * (2.5 + 6.0 * uni(f.seed, 13, 0)) * self.el.to_radians().cos() * off.to_radians().cos();
        self.slip += 0.01 * self.wall;
    }

    /// Trees over a parked machine, with gaps that move every 20 s (second `i` of the session).
    pub(super) fn trees(&mut self, seed: u64, trees: f32, i: usize) {
        if trees > 0.0 && self.el < 65.0 {
            let leaves = uni(seed, 14, (self.az / 12.0) as u64 + 100 * (i as u64 / 20)) as f32;
            self.cut_db += trees * (6.0 + 9.0 * leaves);
            self.slip += 0.02 * trees;
        }
    }

    /// The corner of a rover's area where the sky is blocked, most of it on the side of `az0`.
    pub(super) fn corner(&mut self, az0: f64, zone: f32) {
        if zone > 0.0 {
            let lid = if self.off(az0) < 110.0 { 68.0 } else { 38.0 };
            self.cut_db += zone * if self.el < lid { 24.0 } else { 3.0 };
            self.slip += 0.01 * zone;
        }
    }

    /// Carrier error by the reflection of relative amplitude a, m: at most lambda/2pi asin a.
    pub(super) fn carrier_error_m(&self) -> f32 {
        if self.wall > 0.02 { 0.0303 * self.wall.min(0.98).asin() } else { 0.001 }
    }

    /// The reflections of ground and metal on a wave of length `lambda` m.
    pub(super) fn echo(&self, lambda: f64) -> Echo {
        let turn = |path_m: f64| ((path_m / lambda).fract() * std::f64::consts::TAU) as f32;
        let (sg, cg) = turn(self.ground_path_m).sin_cos();
        let (sw, cw) = turn(self.wall_path_m).sin_cos();
        let amp = 1.0 + self.ground * cg + self.wall * 0.9 * cw;
        let turned = (self.ground * sg + self.wall * 0.9 * sw).atan2(amp);
        Echo {
            code_m: code_shift_m(self.ground, cg, self.ground_path_m)
                + code_shift_m(self.wall * 0.6, cw, self.wall_path_m.abs()),
            phase_m: (lambda / std::f64::consts::TAU) as f32 * turned,
            ripple_db: 20.0 * amp.max(0.12).log10(),
        }
    }
}

/// What reflections do to one signal.
pub(super) struct Echo {
    pub code_m: f32,
    pub phase_m: f32,
    pub ripple_db: f32,
}

/// A short reflection of relative amplitude `a` shifts the code by its share of the sum (Georgiadou & Kleusberg 1988);
/// the correlator of today's receivers leaves about half of it.
fn code_shift_m(a: f32, cos: f32, path_m: f64) -> f32 {
    0.5 * path_m as f32 * a * (cos + a) / (1.0 + 2.0 * a * cos + a * a).max(0.1)
}

/// Loss in dB and chance of a slip a second behind an obstruction: a window of azimuth stands open above 13 degrees, and a
/// hole overhead; elsewhere walls of uneven height. Behind an edge the wave is diffracted (ITU-R P.526 section 4.1, one
/// knife edge, distance of some metres): the loss grows with the angle below the edge.
fn wall_loss(f: &Fault, unit: &Unit, az: f64, e: f64, off: f64) -> (f32, f32) {
    // Bad enough to matter for the satellites there are: fewer systems, wider window.
    // A wall that stays is lived with unless it leaves just too few; what stands there for a while may leave next to none.
    let systems = unit.systems.iter().filter(|s| **s).count().max(1) as f64;
    let wide =
        if f.mode == 0 { (28.0 + 56.0 / systems) * (0.94 + 0.12 * uni(f.seed, 18, 0)) } else { 26.0 + 56.0 / systems };
    let half = wide - 0.4 * wide * f.strength;
    let top = |k: i64| 66.0 + 8.0 * f.strength + 12.0 * (uni(f.seed, 12, k.rem_euclid(15) as u64) - 0.5);
    let (k, w) = ((az / 24.0).floor() as i64, (az / 24.0).fract());
    let wall = top(k) + (top(k + 1) - top(k)) * w;
    // Angle below the nearest edge, degrees; negative in the open.
    let behind = if off < half { 13.0 - e } else { (wall - e).min((off - half) * e.to_radians().cos()).max(13.0 - e) };
    let behind = if off < half && e > 13.0 { behind.max(-(half - off) * e.to_radians().cos()) } else { behind };
    let d = 6.0 + 12.0 * uni(f.seed, 16, 0);
    let v = behind.to_radians() * (2.0 * d / 0.19).sqrt();
    let loss = if v > -0.78 { 6.9 + 20.0 * (((v - 0.1).powi(2) + 1.0).sqrt() + v - 0.1).log10() } else { 0.0 };
    // Behind metal nothing is left but the diffracted wave, at most 30 dB down.
    let slip = if behind.abs() < 2.0 {
        0.05
    } else if behind > 0.0 {
        0.015
    } else {
        0.0
    };
    (loss.clamp(0.0, 30.0) as f32, slip)
}
