//! The ionosphere over the fleet: background content by local time, gradients, Kp, and patches of irregularities.

use super::cause::Cause;
use super::earth::{Place, slant};
use super::fault::{Act, Fault};
use super::plan::Plan;
use super::rng::{Rng, bits, mix, smooth, sub, uni};
use super::signal::pattern_dbi;

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
            for f in p.faults.iter().filter(|f| f.cause.sky() && !f.burst()) {
                for s in &p.sessions {
                    let act = f.act(s, &p.place);
                    for (k, q) in kp.iter_mut().enumerate() {
                        let a = first + k as i64 * 10_800 - s.t0;
                        let from = a.max(0) as usize;
                        let to = (a + 10_800).clamp(0, s.n as i64) as usize;
                        if from >= to || !act.level[from..to].iter().any(|l| *l > 0.3) {
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

/// Solar local hour at a longitude.
fn solar_hour(lon_deg: f64, t: i64) -> f64 {
    (t.rem_euclid(86_400) as f64 / 3600.0 + lon_deg / 15.0).rem_euclid(24.0)
}

/// 0 below `a`, 1 above `b`, straight in between.
fn ramp(x: f64, a: f64, b: f64) -> f64 {
    ((x - a) / (b - a)).clamp(0.0, 1.0)
}

/// Hours after local noon, 0 to 24: evening and night in one piece.
fn after_noon(lon_deg: f64, t: i64) -> f64 {
    (solar_hour(lon_deg, t) - 12.0).rem_euclid(24.0)
}

/// Number of the local night a time belongs to.
fn night(lon_deg: f64, t: i64) -> i64 {
    ((t as f64 / 3600.0 + lon_deg / 15.0 - 12.0) / 24.0).floor() as i64
}

/// How disturbed a night is: nights differ.
pub(super) fn night_level(f: &Fault, place: &Place, t: i64) -> f32 {
    (0.75 + 0.35 * uni(sub(f.seed, "night"), night(place.lon_deg, t) as u64, 7)) as f32
}

/// Storm level at a place: some hours of main phase from the onset on, on most of the days, in gusts of about 45 min. The
/// auroral zone feels it most, middle latitudes in the afternoon and evening (check values 7.4, 12.2), low ones little.
pub(super) fn storm_level(f: &Fault, place: &Place, t: i64) -> f32 {
    let since = t - f.onset + 3600;
    let (day, x) = (since.div_euclid(86_400), since.rem_euclid(86_400));
    let stormy = day == 0 || (day > 0 && uni(sub(f.seed, "day"), day as u64, 7) < 0.5 + 0.5 * f.share);
    if !stormy || x > 10 * 3600 {
        return 0.0;
    }
    let m = place.dipole_lat_deg().abs();
    // In one storm ambiguities stayed unresolved in the auroral zone and nowhere in middle latitudes (check values 12.2).
    let zone = 0.15 + 0.2 * ramp(m, 28.0, 45.0) + 0.65 * ramp(m, 45.0, 58.0);
    let h = after_noon(place.lon_deg, t);
    let hour = if m > 55.0 {
        ramp(h, 3.0, 6.0) * ramp(20.0 - h, 0.0, 3.0)
    } else {
        ramp(h, 0.0, 1.5) * ramp(12.0 - h, 0.0, 2.5)
    };
    let piece = 2700;
    let k = t.div_euclid(piece);
    let on = |k: i64| if uni(sub(f.seed, "window"), k as u64, 7) < f.share + 0.12 { 1.0 } else { 0.0 };
    // Soft edges of about five minutes.
    let w = (t.rem_euclid(piece) as f64 / 300.0).min(1.0);
    let swing = 0.9 + 0.18 * f64::from(smooth(f.seed, 9, t, 400));
    let gust = on(k - 1) + (on(k) - on(k - 1)) * w;
    (gust * swing * zone * (0.25 + 0.75 * hour)).clamp(0.0, 1.3) as f32
}

/// Elevation of the Sun in degrees, without the equation of time (a quarter of an hour at most).
pub(super) fn sun_el_deg(place: &Place, t: i64) -> f64 {
    let day = (t.rem_euclid(31_557_600)) as f64 / 86_400.0;
    let dec = (-23.44 * ((day + 10.0) / 365.25 * std::f64::consts::TAU).cos()).to_radians();
    let turn = ((solar_hour(place.lon_deg, t) - 12.0) * 15.0).to_radians();
    let lat = place.lat_deg.to_radians();
    (lat.sin() * dec.sin() + lat.cos() * dec.cos() * turn.cos()).asin().to_degrees()
}

/// Bursts of an active region: begin, length in s and size (0 to 1), one in an hour at most, some hours a day.
pub(super) fn bursts(f: &Fault, days: u32) -> Vec<(i64, i64, f64)> {
    let mut out = Vec::new();
    for day in 0..i64::from(days) {
        if day > 0 && uni(sub(f.seed, "day"), day as u64, 7) > 0.5 + 0.5 * f.share {
            continue;
        }
        out.extend((-1..9).filter_map(|slot| burst_in(f, f.onset + day * 86_400 + slot * 3600)));
    }
    out
}

fn burst_in(f: &Fault, from: i64) -> Option<(i64, i64, f64)> {
    let k = from as u64;
    if uni(f.seed, k, 81) > f.share + 0.15 {
        return None;
    }
    let long = 900 + (1800.0 * uni(f.seed, k, 82)) as i64;
    let begin = from + (uni(f.seed, k, 83) * (3590 - long) as f64) as i64;
    Some((begin, long, 0.35 + 0.65 * uni(f.seed, k, 84)))
}

/// Flux of radio bursts at a time, times the antenna's gain towards the Sun; 0 at night.
pub(super) fn burst_level(f: &Fault, place: &Place, t: i64) -> f32 {
    let since = t - f.onset;
    let day = since.div_euclid(86_400);
    let x = since.rem_euclid(86_400);
    // The slots of a day run from an hour before the onset to nine hours after it.
    let (day, x) = if x >= 86_400 - 3600 { (day + 1, x - 86_400) } else { (day, x) };
    let active = day == 0 || (day > 0 && uni(sub(f.seed, "day"), day as u64, 7) <= 0.5 + 0.5 * f.share);
    if !active || x >= 9 * 3600 {
        return 0.0;
    }
    let el = sun_el_deg(place, t);
    if el <= 0.0 {
        return 0.0;
    }
    let from = f.onset + day * 86_400 + x.div_euclid(3600) * 3600;
    let Some((begin, long, size)) = burst_in(f, from) else { return 0.0 };
    let p = (t - begin) as f64 / long as f64;
    if !(0.0..1.0).contains(&p) {
        return 0.0;
    }
    // Up within an eighth, down over the rest, with structure of some seconds to a minute.
    let shape = if p < 0.125 { p / 0.125 } else { (1.0 - p) / 0.875 };
    let spikes = 1.0 + 0.25 * f64::from(smooth(f.seed, 85, t, 20)) + 0.12 * f64::from(smooth(f.seed, 86, t, 4));
    let gain = 10f64.powf(f64::from(pattern_dbi(el)) / 10.0);
    (size * shape * spikes.max(0.2) * gain) as f32
}

/// Storm gradient, mm per km, on top of the background.
pub(super) fn storm_mm_km(act: &Act, t: i64, i: usize) -> f64 {
    let level = f64::from(act.level.get(i).copied().unwrap_or(0.0));
    if level <= 0.0 || act.fault.burst() {
        return 0.0;
    }
    let swing = 0.9 + 0.35 * f64::from(smooth(act.fault.seed, 41, t, 420));
    level * swing.max(0.1) * (12.0 + 18.0 * act.fault.strength)
}

/// Irregularities at a pierce point: (depth like S4 on the first frequency, roughness of the content 0 to 1).
///
/// Low latitudes: plumes, long along the magnetic field and 50 to 150 km wide, born after sunset, drifting east at about
/// 100 m/s and gone after midnight (check values 7.4); amplitude and phase. Auroral zone: patches at night, mostly phase.
pub(super) fn irregular(act: &Act, lat: f64, lon: f64, t: i64, i: usize) -> (f32, f32) {
    let level = f64::from(act.level.get(i).copied().unwrap_or(0.0));
    let f = act.fault;
    let m = Place { lat_deg: lat, lon_deg: lon, h_m: 0.0 }.dipole_lat_deg().abs();
    let h = after_noon(lon, t);
    let size = level * (0.6 + 0.5 * f.strength);
    if m < 25.0 {
        let zone = ramp(25.0 - m, 0.0, 6.0) * (0.85 + 0.15 * ramp(m, 5.0, 12.0));
        let hour = ramp(h, 6.9, 7.6) * (1.0 - 0.85 * ramp(h, 11.0, 14.0)) * ramp(15.0 - h, 0.0, 1.0);
        if zone * hour * size <= 0.0 {
            return (0.0, 0.0);
        }
        // 100 m/s east at the shell is 0.00085 degrees a second. One plume at most in three degrees.
        let x = lon - 0.000_85 * t.rem_euclid(8_640_000) as f64;
        let cell = (x / 3.0).floor() as i64;
        let mut top = 0f64;
        for c in cell - 1..=cell + 1 {
            let key = mix(f.seed ^ bits(77, c as u64, night(lon, t) as u64));
            if uni(key, 1, 0) > 0.3 + 0.5 * f.share {
                continue;
            }
            let d = (x - (c as f64 + uni(key, 2, 0)) * 3.0) / (0.5 + 0.8 * uni(key, 4, 0));
            if d.abs() < 1.0 {
                top = top.max((0.55 + 0.6 * uni(key, 5, 0)) * (1.0 - d * d).sqrt());
            }
        }
        let s4 = (top * zone * hour * size).min(1.1) as f32;
        (s4, s4)
    } else {
        let zone = ramp(m, 59.0, 63.0) * ramp(79.0 - m, 0.0, 4.0);
        let hour = ramp(h, 6.5, 8.5) * ramp(17.5 - h, 0.0, 2.0);
        if zone * hour * size <= 0.0 {
            return (0.0, 0.0);
        }
        // Patches drift west before midnight and east after it, on a lattice of 5 by 2 degrees.
        let x = lon + 0.003 * ((h - 12.0) * 3600.0).abs();
        let (cx, cy) = ((x / 5.0).floor() as i64, (lat / 2.0).floor() as i64);
        let mut top = 0f64;
        for c in cx - 1..=cx + 1 {
            for d in cy - 1..=cy + 1 {
                let key = mix(f.seed ^ bits(78 + night(lon, t) as u64, c as u64, d as u64));
                if uni(key, 1, 0) > 0.25 + 0.45 * f.share {
                    continue;
                }
                let px = (c as f64 + uni(key, 2, 0)) * 5.0;
                let py = (d as f64 + uni(key, 3, 0)) * 2.0;
                let r = 0.5 + 0.7 * uni(key, 4, 0);
                let q = ((x - px) / (2.4 * r)).powi(2) + ((lat - py) / r).powi(2);
                if q < 1.0 {
                    top = top.max((0.75 + 0.75 * uni(key, 5, 0)) * (1.0 - q).sqrt());
                }
            }
        }
        let rough = (top * zone * hour * size).min(1.7) as f32;
        (0.25 * rough, rough)
    }
}

/// Slant content in TECU of a satellite as the base sees it: background, travelling waves, storm and patches.
pub(super) fn slant_tecu(place: &Place, seed: u64, lane: u64, el_deg: f64, t: i64, storm: f64, rough: f32) -> f64 {
    let m = slant(el_deg.max(3.0));
    let wave =
        0.08 * f64::from(smooth(seed, lane, t, 400)) + storm * 0.10 * f64::from(smooth(seed, lane ^ 0x100, t, 150));
    let rough = f64::from(rough)
        * (1.3 * f64::from(smooth(seed, lane ^ 0x200, t, 45)) + 0.25 * f64::from(smooth(seed, lane ^ 0x300, t, 6)));
    m * (vertical_tecu(place, t) + wave) + rough
}
