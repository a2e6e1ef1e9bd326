//! From two receivers and a radio path to a fix state, once with and once without each cause.

use super::cause::Cause;
use super::claims::Claims;
use super::clock::on_beat;
use super::fault::{Act, Target, sway_m};
use super::machine::Path;
use super::orbit::Constellation;
use super::plan::{LinkKind, Plan, Rover, Session};
use super::rng::{mix, smooth, sub, uni};
use super::skyweather::{Weather, gradient_mm_km, storm_mm_km};
use super::track::{Tracked, systems_in};

/// What the base put on air in one second.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sent {
    /// An epoch of observables.
    pub obs: bool,
    /// A reference position.
    pub pos: bool,
    /// Company-assigned messages instead of open ones.
    pub closed: bool,
    /// Generation of the coordinates sent: a new number = other coordinates.
    pub generation: u32,
    /// Sent coordinates less true ones: east, north, up, m.
    pub offset_m: [f64; 3],
}

/// What the base sends, with the causes of `mask` acting.
pub(super) fn base_sends(plan: &Plan, s: &Session, acts: &[Act], mask: u16, base: &Tracked) -> Vec<Sent> {
    let mut out = Vec::with_capacity(s.n);
    let mut generation = 0u32;
    let mut offset = [0.0; 3];
    let mut moving = false;
    let mut next_change = 0usize;
    let acts: Vec<&Act> = acts.iter().filter(|a| mask >> a.fault.bit & 1 == 1).collect();
    let mean_m = plan.rovers.iter().map(|r| r.centre_m.0.hypot(r.centre_m.1)).fold(300.0, f64::max);
    for i in 0..s.n {
        let t = s.t0 + i as i64;
        let on = base.on.get(i).copied().unwrap_or(false);
        let mut e = Sent {
            obs: on && on_beat(t, plan.interval_s) && base.any.get(i).is_some_and(|m| *m != 0),
            pos: on && t.rem_euclid(10) == 3,
            closed: false,
            generation,
            offset_m: offset,
        };
        for a in &acts {
            let level = a.level.get(i).copied().unwrap_or(0.0);
            let f = a.fault;
            match f.cause {
                Cause::BaseMessages if f.mode == 0 => {
                    // Inside the bad stretch an epoch goes out only at the marked seconds (level 0 there).
                    let before = i.checked_sub(1).and_then(|k| a.level.get(k)).copied().unwrap_or(0.0);
                    if level > 0.5 {
                        e.obs = false;
                    } else if before > 0.5 {
                        e.obs = on;
                    }
                }
                Cause::BaseMessages if f.mode == 1 && level > 0.5 => e.pos = false,
                Cause::BaseMessages if level > 0.5 => {
                    e.closed = e.obs;
                    e.obs = false;
                }
                Cause::BaseFirmware if f.mode == 1 && level > 0.5 => {
                    e.obs = false;
                    e.pos = false;
                }
                Cause::BaseMoved if !f.loose_mount() => {
                    if level > 0.5 {
                        if f.mode == 1 {
                            if !moving {
                                moving = true;
                                generation += 1;
                                // Set up again with a rough position: far enough off to spoil the baseline.
                                let m = (0.16 + 0.14 * f.strength) * 2.0e7 / mean_m;
                                let az = uni(f.seed, u64::from(s.day), 51) * std::f64::consts::TAU;
                                offset = [m.min(60_000.0) * az.sin(), m.min(60_000.0) * az.cos(), m.min(900.0) * 0.05];
                            }
                        } else if !moving || i >= next_change {
                            // Averages its own position again and again.
                            moving = true;
                            generation += 1;
                            let k = u64::from(generation) + 1000 * u64::from(s.day);
                            let size = 0.3 + 1.7 * uni(f.seed, k, 52);
                            let az = uni(f.seed, k, 53) * std::f64::consts::TAU;
                            offset = [size * az.sin(), size * az.cos(), (uni(f.seed, k, 54) - 0.5) * 3.0];
                            let pause = 30.0 + 100.0 * uni(f.seed, k, 55) * (1.6 - f.strength);
                            next_change = i + pause as usize;
                        }
                    } else if moving {
                        moving = false;
                        generation += 1;
                        offset = [0.0; 3];
                    }
                    e.generation = generation;
                    e.offset_m = offset;
                }
                _ => {}
            }
        }
        out.push(e);
    }
    out
}

/// Everything about one rover's surroundings that no cause of tracking changes.
pub(super) struct Field<'a> {
    pub sky: &'a Constellation,
    pub weather: &'a Weather,
    pub plan: &'a Plan,
    pub rover: &'a Rover,
    pub index: u8,
    pub session: &'a Session,
    pub path: &'a Path,
}

/// One epoch of a rover. `state`: GGA quality digit, 255 = off or not logging.
#[derive(Debug, Clone, Copy)]
pub(super) struct Epoch {
    pub state: u8,
    pub age_s: f32,
    pub used: u8,
    pub foreign: bool,
    pub offset_m: [f32; 3],
    pub loss_pct: f32,
    pub rssi_dbm: f32,
}

/// Receiver sensitivity of the radio, dBm.
const SENSITIVITY_DBM: f64 = -108.0;

/// Received power over the path, dBm (free space or plane earth, whichever loses more; see check values 12.5).
fn received_dbm(plan: &Plan, d_m: f64) -> f64 {
    let l = &plan.link;
    let free = 32.45 + 20.0 * l.mhz.max(1.0).log10() + 20.0 * (d_m / 1000.0).max(0.05).log10();
    let plane = 40.0 * d_m.max(50.0).log10() - 20.0 * l.mast_m.log10() - 20.0 * 2.5f64.log10();
    10.0 * (l.power_w.max(1e-3) * 1000.0).log10() + 1.0 - free.max(plane)
}

/// Runs a rover's fix state with the causes of `mask` acting.
pub(super) fn run(f: &Field, acts: &[Act], mask: u16, base: &Tracked, sent: &[Sent], own: &Tracked) -> Vec<Epoch> {
    let (plan, s) = (f.plan, f.session);
    let mine = |a: &&Act| mask >> a.fault.bit & 1 == 1 && !matches!(a.fault.target, Target::Rover(k) if k != f.index);
    let acts: Vec<&Act> = acts.iter().filter(mine).collect();
    let seed = mix(sub(f.rover.unit.seed, "fix") ^ s.t0 as u64);
    let long = acts.iter().any(|a| a.fault.cause == Cause::LongBaseline);
    let planned_long = plan.causes.contains(&Cause::LongBaseline);
    let centre = f.rover.centre_m.0.hypot(f.rover.centre_m.1);
    let far = centre + f.rover.half_m.0.max(f.rover.half_m.1) * 1.5;
    // The crew set the radio up so that it works where they work; a range fault takes that margin away.
    let spare = (16.0 - (received_dbm(plan, far) - SENSITIVITY_DBM)).max(0.0);
    let margin_centre = received_dbm(plan, centre) + spare - SENSITIVITY_DBM;
    let mut out = Vec::with_capacity(s.n);
    let mut last: Option<usize> = None;
    let mut known: Option<u32> = None;
    let mut offset = [0f32; 3];
    let mut foreign = false;
    let mut fixed = false;
    let (mut progress, mut need) = (0f32, 0f32);
    let mut bad_s = 0i32;
    let mut ring = [0u128; 8];
    let mut loss_pct = 0f32;
    let mut cold = true;
    let (mut usable, mut nsys, mut common_any) = (0i32, 0i32, 0u32);
    let mut last_set = u128::MAX;
    let off =
        Epoch { state: 255, age_s: 0.0, used: 0, foreign: false, offset_m: [0.0; 3], loss_pct: 0.0, rssi_dbm: 0.0 };
    for i in 0..s.n {
        let t = s.t0 + i as i64;
        if !own.on.get(i).copied().unwrap_or(false) || (i as i64) < f.rover.start_delay_s {
            (last, known, foreign, fixed, cold, progress) = (None, None, false, false, true, 0.0);
            need = 0.0;
            out.push(off);
            continue;
        }
        let at = f.path.at.get(i).copied().unwrap_or((0.0, 0.0));
        let d_m = f64::from(at.0).hypot(f64::from(at.1));
        // ---- radio
        let mut rssi = 0.0;
        let mut p_loss = 0.004;
        let mut hears_other = false;
        if plan.link.kind != LinkKind::Network {
            let place =
                f64::from(smooth(sub(plan.seed, "terrain"), (at.1 / 80.0) as i64 as u64, (at.0 / 40.0) as i64, 4));
            rssi = received_dbm(plan, d_m) + spare + 3.0 * f64::from(smooth(seed, 61, t, 7)) + 2.0 * place;
        }
        for a in &acts {
            let level = f64::from(a.level.get(i).copied().unwrap_or(0.0));
            let s01 = a.fault.strength;
            match a.fault.cause {
                Cause::LinkRange => {
                    // Low mast and power, and ground in the way on one side of the area.
                    let shadow = if smooth(sub(plan.seed, "shadow"), 1, ((at.0 + at.1) / 120.0) as i64, 6) > 0.2 {
                        7.0
                    } else {
                        0.0
                    };
                    rssi -= (margin_centre - (3.0 - 5.0 * s01)) * level + shadow;
                }
                Cause::LinkOutage if level > 0.5 => p_loss = 0.985,
                Cause::LinkRover => {
                    rssi -= level * (margin_centre + 3.0 + 8.0 * s01);
                    if plan.link.kind == LinkKind::Network && level > 0.5 {
                        p_loss = 0.97;
                    }
                }
                Cause::LinkStationClash if level > 0.5 => {
                    let block = smooth(a.fault.seed ^ u64::from(f.index), 71, t, 11);
                    hears_other = f64::from(block) > 0.55 - 0.9 * s01;
                    p_loss = 0.2;
                }
                _ => {}
            }
        }
        if plan.link.kind != LinkKind::Network {
            let fade = 1.0 / (1.0 + ((rssi - SENSITIVITY_DBM) / 1.4).exp());
            p_loss = 1.0 - (1.0 - p_loss) * (1.0 - fade);
        }
        loss_pct += (p_loss as f32 * 100.0 - loss_pct) * 0.1;
        let heard = uni(seed, t as u64, 62) > p_loss;
        let heard_pos = uni(seed, t as u64, 63) > p_loss;
        // ---- what arrives: the epoch of the second before
        if let Some(k) = i.checked_sub(1) {
            if hears_other {
                if on_beat(t, plan.interval_s) && uni(seed, t as u64, 64) > 0.25 {
                    last = Some(k);
                    if !foreign {
                        (foreign, fixed, progress) = (true, false, 0.0);
                    }
                }
            } else if let Some(e) = sent.get(k) {
                if e.obs && heard {
                    last = Some(k);
                    if foreign {
                        (foreign, fixed, progress) = (false, false, 0.0);
                    }
                }
                if e.pos && heard_pos && known != Some(e.generation) {
                    if known.is_some() {
                        (fixed, progress) = (false, 0.0);
                    }
                    known = Some(e.generation);
                    offset = e.offset_m.map(|v| v as f32);
                }
            }
        }
        // ---- satellites good at both ends, the last slips settled
        let slips = own.slip.get(i).copied().unwrap_or(0) | base.slip.get(i).copied().unwrap_or(0);
        ring[i & 7] = slips;
        let dirty = ring.iter().fold(0, |a, b| a | b);
        let age = last.map_or(999.0, |k| (i - k) as f32);
        let ours = own.dual.get(i).copied().unwrap_or(0);
        let theirs = if foreign { u128::MAX } else { last.and_then(|k| base.dual.get(k)).copied().unwrap_or(0) };
        let set = ours & theirs & !dirty;
        if set != last_set {
            last_set = set;
            usable = set.count_ones() as i32;
            nsys = systems_in(f.sky, set).iter().filter(|n| **n > 0).count() as i32;
        }
        let n_eff = usable - (nsys - 1).max(0);
        if i % 4 == 0 || !fixed {
            let b = if foreign { u128::MAX } else { last.and_then(|k| base.any.get(k)).copied().unwrap_or(0) };
            common_any = (own.any.get(i).copied().unwrap_or(0) & b).count_ones();
        }
        // ---- what spoils the carrier difference
        let mut g = gradient_mm_km(&plan.place, t, f.weather.kp(t).min(4.0), plan.seed);
        for a in acts.iter().filter(|a| a.fault.cause == Cause::SkyStorm) {
            g += storm_mm_km(a, t, i);
        }
        let km = if foreign {
            38.0
        } else if planned_long && !long {
            d_m.min(4000.0) / 1000.0
        } else {
            d_m / 1000.0
        };
        let iono = g * km / 1000.0;
        // What a standard troposphere leaves over long distances.
        let tropo = 0.000_6 * (km - 15.0).max(0.0);
        let wrong = tropo + (f64::from(offset[0]).hypot(f64::from(offset[1]))) * km / 20_000.0;
        // Irregularities: what base and rover see differently of them. Diffraction (the part that fades) differs beyond
        // some 400 m, the size of the first Fresnel zone at the shell; refraction grows with the distance.
        let [deep, rough] = base.rough.get(i).copied().unwrap_or_default().map(f64::from);
        let rough = (0.2 * deep * (1.0 - (-km / 0.4).exp())).hypot(rough * (0.028 * km).min(0.2));
        // A mount that sways: corrections of a moving antenna, taken for a standing one.
        let mut sway = 0.0;
        for a in acts.iter().filter(|a| a.fault.loose_mount()) {
            let v = sway_m(a, s, i);
            sway += f64::from(v[0].hypot(v[1]));
        }
        let mp = f64::from(base.mp_m.get(i).copied().unwrap_or(0.0)) * 3.0;
        let aged = f64::from(age.min(60.0)) * 0.0012 * (1.0 + g / 20.0);
        let luck = 1.0 + 0.12 * f64::from(smooth(seed, 65, t, 90));
        let err = ((iono * iono + mp * mp + aged * aged + rough * rough + sway * sway).sqrt() + wrong) * luck + 0.006;
        // ---- state
        if fixed {
            let hopeless = n_eff < 4 || err > 0.085;
            bad_s = if hopeless { bad_s + 1 } else { 0 };
            // With nothing left in common every ambiguity is new; with a few left the fix coasts for some seconds.
            let coast = if n_eff < 2 { 2.0 } else { 6.0 };
            let patience = 1 + (uni(seed, (i / 20) as u64, 66) * coast) as i32;
            let h = match n_eff {
                i32::MIN..=4 => 60.0,
                5 => 20.0,
                6 => 7.0,
                7 => 2.5,
                _ => 1.0,
            } / 3200.0
                * (1.0 + (err / 0.045).powi(4));
            if bad_s > patience || age > f.rover.hold_age_s || uni(seed, t as u64, 67) < h {
                fixed = false;
                progress = 0.0;
                need = 0.0;
            }
        } else {
            if need <= 0.0 {
                let u = uni(seed, (i / 30) as u64, 68).max(1e-6);
                need = (5.0 - 11.0 * u.ln()).min(80.0) as f32 + if cold { 14.0 } else { 0.0 };
            }
            let rate = if n_eff >= 5 && known.is_some() && age < 30.0 {
                let many = (f64::from(n_eff - 4) / 5.0).min(1.0);
                let clean = ((0.068 - err) / 0.045).clamp(0.0, 1.0);
                let fresh = if age <= 6.0 { 1.0 } else { 0.4 };
                many * clean * fresh
            } else {
                0.0
            };
            progress = if rate > 0.0 { progress + rate as f32 } else { (progress - 0.7).max(0.0) };
            if progress > need {
                (fixed, bad_s, cold) = (true, 0, false);
            }
        }
        let any = own.any.get(i).copied().unwrap_or(0).count_ones();
        let state = if any < 4 {
            0
        } else if fixed {
            4
        } else if last.is_none() || age > 60.0 || known.is_none() {
            1
        } else if common_any >= 5 {
            5
        } else {
            2
        };
        let used = match state {
            4 | 5 => (set.count_ones().max(common_any * 8 / 10)).max(4),
            0 => 0,
            _ => any,
        };
        out.push(Epoch {
            state,
            age_s: if last.is_some() && age < 300.0 { age } else { -1.0 },
            used: used.min(60) as u8,
            foreign,
            offset_m: if state == 4 || state == 5 { offset } else { [0.0; 3] },
            loss_pct,
            rssi_dbm: rssi as f32,
        });
    }
    out
}

/// A run of lost epochs with one cause. `cause` counts into the site's list; `None` = unexplained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Lost {
    pub from: i64,
    /// One past the last lost second.
    pub to: i64,
    pub cause: Option<u8>,
    /// Bits of other causes: each of all of them was needed for the loss, or each was enough.
    pub or: u16,
}

/// Counts of a rover's session.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    pub observed_s: u64,
    pub lost_s: u64,
    /// By cause of the site's list; the last entry is unexplained.
    pub by_cause_s: Vec<u64>,
    /// Who can claim them.
    pub claims: Claims,
    /// Lost seconds with no cause acting.
    pub lost_without_s: u64,
    pub periods: Vec<Lost>,
}

/// Puts every lost second on the cause without which the rover would have been fixed.
///
/// `variants` holds (mask, states); the first is the world as it was, the second that without any cause.
pub(super) fn judge(s: &Session, causes: usize, variants: &[(u16, Vec<Epoch>)]) -> Tally {
    let mut out = Tally { by_cause_s: vec![0; causes + 1], claims: Claims::new(causes), ..Tally::default() };
    let (Some((all, actual)), Some((_, calm))) = (variants.first(), variants.get(1)) else { return out };
    let fixed = |v: &[Epoch], i: usize| v.get(i).is_some_and(|e| e.state == 4);
    let without: Vec<(u8, &[Epoch])> = (0..causes as u8)
        .filter(|b| all >> b & 1 == 1)
        .filter_map(|b| variants.iter().find(|(m, _)| *m == all & !(1 << b)).map(|(_, v)| (b, v.as_slice())))
        .collect();
    let mut start_up = Some(0usize);
    let mut silent = 10_000usize;
    let mut before: Option<u8> = None;
    for i in 0..s.n {
        let Some(e) = actual.get(i) else { break };
        if e.state == 255 {
            silent += 1;
            continue;
        }
        if silent > 900 {
            start_up = Some(i);
        }
        silent = 0;
        if let Some(a) = start_up {
            if e.state == 4 || i - a >= 120 {
                start_up = None;
            } else {
                continue;
            }
        }
        out.observed_s += 1;
        out.lost_without_s += u64::from(calm.get(i).is_some_and(|c| c.state != 4 && c.state != 255));
        if e.state == 4 {
            before = None;
            continue;
        }
        out.lost_s += 1;
        // Enough by itself: without it alone the rover would be fixed.
        let single: Vec<u8> = without.iter().filter(|(_, v)| fixed(v, i)).map(|(b, _)| *b).collect();
        let cause = if !single.is_empty() {
            before.filter(|b| single.contains(b)).or(single.first().copied())
        } else if fixed(calm, i) && without.len() > 1 {
            // Two causes, either of them enough: stays with the one that took the fix first.
            before.or(without.iter().find(|(_, v)| !fixed(v, i)).map(|(b, _)| *b))
        } else {
            None
        };
        before = cause.or(before);
        let bits = |of: &mut dyn Iterator<Item = u8>| of.fold(0_u16, |m, b| m | 1 << b);
        let claim = match cause {
            None => 0,
            Some(_) if single.is_empty() => bits(&mut without.iter().map(|(b, _)| *b)),
            Some(_) => bits(&mut single.iter().copied()),
        };
        out.claims.add(claim);
        let or = cause.map_or(0, |b| claim & !(1 << b));
        let slot = cause.map_or(causes, usize::from);
        if let Some(v) = out.by_cause_s.get_mut(slot) {
            *v += 1;
        }
        let t = s.t0 + i as i64;
        match out.periods.last_mut() {
            Some(p) if p.cause == cause && p.or == or && t - p.to < 5 => p.to = t + 1,
            _ => out.periods.push(Lost { from: t, to: t + 1, cause, or }),
        }
    }
    // A second or two that belong to nobody inside a period of a cause do not split it; shorter than 2 s is no period.
    out.periods.retain(|p| p.to - p.from >= 2);
    out
}
