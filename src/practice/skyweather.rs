//! The ionosphere over the fleet: background content by local time, gradients, Kp, and patches of irregularities.

use super::cause::Cause;
use super::earth::{Place, slant};
use super::fault::Act;
use super::plan::Plan;
use super::rng::{Rng, bits, mix, smooth, sub, uni};

/// Kp in thirds for every three-hour interval from one day before the fleet's first day.
pub(super) struct Weather {
    pub first: i64,
    pub kp_thirds: Vec<u8>,
}

impl Weather {
    pub(super) fn new(seed: u64, t0: i64, days: u32, sites: &[Plan]) -> Weather {
        let first = t0 - 86_400;
        let n = (days as usize + 3) * 8;
        let mut r = Rng::new(sub(seed, "kp"));
        let mut v = 5.0;
        let mut kp = Vec::with_capacity(n);
        for _ in 0..n {
            v = (v + r.range(-2.2, 2.2) + (5.0 - v) * 0.2).clamp(0.0, 11.0);
            kp.push(v as u8);
        }
        for p in sites {
            for f in p.faults.iter().filter(|f| f.cause.sky()) {
                for s in &p.sessions {
                    let act = f.act(s);
                    for (k, q) in kp.iter_mut().enumerate() {
                        let a = first + k as i64 * 10_800 - s.t0;
                        let from = a.max(0) as usize;
                        let to = (a + 10_800).clamp(0, s.n as i64) as usize;
                        if from >= to || !act.level[from..to].iter().any(|l| *l > 0.4) {
                            continue;
                        }
                        let level = match f.cause {
                            Cause::SkyStorm => 19 + (6.0 * f.strength) as u8,
                            // Night scintillation of the auroral zone goes with activity, that of the equator does not.
                            _ if p.place.dipole_lat_deg().abs() > 50.0 => 13 + (4.0 * f.strength) as u8,
                            _ => 0,
                        };
                        *q = (*q).max(level);
                    }
                }
            }
        }
        Weather { first, kp_thirds: kp }
    }

    /// Kp at a time.
    pub(super) fn kp(&self, t: i64) -> f64 {
        let k = (t - self.first).div_euclid(10_800).max(0) as usize;
        f64::from(self.kp_thirds.get(k).copied().unwrap_or(6)) / 3.0
    }
}

/// Vertical content in TECU by place and solar time.
pub(super) fn vertical_tecu(place: &Place, t: i64) -> f64 {
    let hour = (t.rem_euclid(86_400) as f64 / 3600.0 + place.lon_deg / 15.0).rem_euclid(24.0);
    let m = place.dipole_lat_deg().abs();
    let top = if m < 25.0 { 55.0 } else { (38.0 - 0.4 * m).max(8.0) };
    5.0 + top * (((hour - 14.0) / 24.0 * std::f64::consts::TAU).cos()).max(0.0)
}

/// Background difference of the delay between two places, mm per km on the first frequency.
pub(super) fn gradient_mm_km(place: &Place, t: i64, kp: f64, seed: u64) -> f64 {
    let hour = (t.rem_euclid(86_400) as f64 / 3600.0 + place.lon_deg / 15.0).rem_euclid(24.0);
    let day = (((hour - 14.0) / 24.0 * std::f64::consts::TAU).cos()).max(0.0);
    let m = place.dipole_lat_deg().abs();
    let belt = if m < 25.0 { 1.3 } else { 1.0 };
    let slow = 1.0 + 0.3 * f64::from(smooth(seed, 31, t, 900));
    (1.0 + 1.5 * day) * belt * slow.max(0.3) * (1.0 + (kp - 3.0).max(0.0) * 0.15)
}

/// Storm gradient, mm per km, on top of the background.
pub(super) fn storm_mm_km(act: &Act, t: i64, i: usize) -> f64 {
    let level = f64::from(act.level.get(i).copied().unwrap_or(0.0));
    if level <= 0.0 {
        return 0.0;
    }
    let swing = 0.9 + 0.35 * f64::from(smooth(act.fault.seed, 41, t, 420));
    level * swing.max(0.1) * (14.0 + 22.0 * act.fault.strength)
}

/// Depth of scintillation (like S4 on the first frequency) for a pierce point: patches drift east at about 100 m/s.
pub(super) fn patch_s4(act: &Act, lat: f64, lon: f64, t: i64, i: usize) -> f32 {
    let level = act.level.get(i).copied().unwrap_or(0.0);
    if level <= 0.0 {
        return 0.0;
    }
    // 100 m/s east at the shell is 0.00085 degrees a second.
    let x = lon - 0.000_85 * (t.rem_euclid(8_640_000)) as f64;
    // Patches sit on a lattice of 4 by 3 degrees; each cell has its own.
    let mut top = 0f32;
    let (cx, cy) = ((x / 4.0).floor() as i64, (lat / 3.0).floor() as i64);
    for dx in -1..=1 {
        for dy in -1..=1 {
            let key = mix(act.fault.seed ^ bits(77, (cx + dx) as u64, (cy + dy) as u64));
            if uni(key, 1, 0) > 0.88 {
                continue;
            }
            let px = ((cx + dx) as f64 + uni(key, 2, 0)) * 4.0;
            let py = ((cy + dy) as f64 + uni(key, 3, 0)) * 3.0;
            let r = 1.3 + 1.6 * uni(key, 4, 0);
            let d2 = ((x - px) / r).powi(2) + ((lat - py) / (1.6 * r)).powi(2);
            if d2 < 1.0 {
                let v = (0.5 + 0.55 * uni(key, 5, 0)) * (1.0 - d2).sqrt();
                top = top.max(v as f32);
            }
        }
    }
    top * level * (0.6 + 0.5 * act.fault.strength as f32)
}

/// Slant content in TECU of a satellite as the base sees it: background, travelling waves, storm and patches.
pub(super) fn slant_tecu(place: &Place, seed: u64, lane: u64, el_deg: f64, t: i64, storm: f64, s4: f32) -> f64 {
    let m = slant(el_deg.max(3.0));
    let wave =
        0.08 * f64::from(smooth(seed, lane, t, 400)) + storm * 0.10 * f64::from(smooth(seed, lane ^ 0x100, t, 150));
    let rough = f64::from(s4)
        * (1.3 * f64::from(smooth(seed, lane ^ 0x200, t, 45)) + 0.25 * f64::from(smooth(seed, lane ^ 0x300, t, 6)));
    m * (vertical_tecu(place, t) + wave) + rough
}
