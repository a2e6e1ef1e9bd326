//! Draws one site: its name, place, hours, messages, link, rovers and planted faults.
//!
//! Everything comes from one stream of chance in this order; a draw moved or added changes every fleet (and the sample bundles).

use super::cause::Cause;
use super::earth::Place;
use super::fault::{Fault, Target};
use super::hardware::{dress, unit};
use super::plan::{Format, Link, LinkKind, Plan, Rover, Session};
use super::rng::{Rng, mix, sub};
use super::scenario::{Scenario, Site};
use std::collections::BTreeSet;

const FIRST: &[&str] = &[
    "lark", "stone", "birch", "amber", "hollow", "raven", "cedar", "marsh", "willow", "granite", "heron", "copper",
    "fern", "juniper", "slate", "otter", "maple", "thistle", "harrow", "juno", "ember", "kestrel", "plover", "sorrel",
    "tansy", "umber", "veld", "wren", "yarrow", "alder", "bracken", "clover", "dapple", "elder", "flint", "gorse",
];
const SECOND: &[&str] = &[
    "field", "brook", "ridge", "ford", "haven", "moor", "gate", "mead", "hurst", "dale", "wick", "combe", "bank",
    "cross", "garth", "holt", "lea", "mere", "pit", "quay", "rise", "stead", "tor", "vale", "well", "yard",
];
/// Places to scatter sites around: latitude, longitude; equatorial, middle, auroral by magnetic latitude.
const EQUATORIAL: &[(f64, f64)] =
    &[(-11.6, -76.4), (1.9, 103.2), (-2.1, 37.6), (9.6, 77.4), (7.9, -1.2), (10.4, 105.8)];
const MIDDLE: &[(f64, f64)] = &[
    (47.1, 8.2),
    (51.2, 10.4),
    (44.6, 2.7),
    (40.2, -82.9),
    (39.4, -98.1),
    (36.3, 138.6),
    (-33.4, 149.1),
    (-36.7, 174.9),
    (52.6, -1.6),
    (49.6, 16.3),
    (42.8, -3.4),
    (-30.6, 22.8),
    (45.3, -72.6),
    (50.4, 30.9),
    (38.4, 23.1),
    (-37.3, -60.8),
];
const AURORAL: &[(f64, f64)] = &[(68.1, 17.2), (65.1, -148.3), (67.4, 22.9), (64.6, -21.1), (62.8, -114.6)];
const LABELS: &[&str] =
    &["32 t excavator", "dozer", "grader", "wheel loader", "survey pole", "drill rig", "roller", "paver"];

/// Latitude belts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Belt {
    Equatorial,
    Middle,
    Auroral,
}

/// A neighbour under the same sky.
pub(super) struct Near {
    pub place: Place,
    pub hour: f64,
    pub fault: Fault,
}

/// What the causes of a site need of its place, hours and link.
struct Needs {
    scintillation: bool,
    storm: bool,
    /// The storm is one of radio bursts.
    bursts: bool,
    long_baseline: bool,
    link_range: bool,
    station_clash: bool,
    base_moved: bool,
}

impl Needs {
    fn of(site: &Site) -> Needs {
        let has = |cause: Cause| site.cause.iter().any(|c| c.id == cause.id());
        Needs {
            scintillation: has(Cause::SkyScintillation),
            storm: has(Cause::SkyStorm),
            bursts: site.cause.iter().any(|c| c.id == Cause::SkyStorm.id() && c.mode == Some(2)),
            long_baseline: has(Cause::LongBaseline),
            link_range: has(Cause::LinkRange),
            station_clash: has(Cause::LinkStationClash),
            base_moved: has(Cause::BaseMoved),
        }
    }
}

/// The `k`th site of a world that begins at `t0`: what the scenario fixes, and everything else by chance. `near`: it settles beside
/// that neighbour; `taken`: places to stay away from; `used`: names that are gone.
#[allow(clippy::too_many_arguments)]
pub(super) fn site(
    s: &Scenario,
    seed: u64,
    t0: i64,
    k: usize,
    site: &Site,
    used: &mut BTreeSet<String>,
    near: Option<&Near>,
    taken: &[Place],
) -> Plan {
    let seed = mix(sub(seed, "site") ^ k as u64);
    let mut r = Rng::new(sub(seed, "plan"));
    let needs = Needs::of(site);
    let id = site.id.clone().unwrap_or_else(|| name(&mut r, k, used));
    let place = settle(&mut r, site, &needs, near, taken);
    let sessions = sessions(&mut r, s, site, &needs, near, &place, t0);
    let (format, systems) = messages(&mut r, s, site);
    let distance_km = distance_km(&mut r, site, &needs, &place);
    let link = link(&mut r, &needs, distance_km);
    let short = short_name(&id, k);
    let mut base = unit(&mut r, format!("{short}-BASE"), "base".into(), true, s.output.two_signals, systems);
    base.gst_s = 0;
    let rovers = (0..site.rovers as usize).map(|n| rover(&mut r, s, &needs, n, &short, distance_km)).collect();
    let mut p = Plan {
        name: format!("{}{}", id[..1].to_uppercase(), &id[1..]),
        id,
        seed,
        place,
        tz_hours: (place.lon_deg / 15.0).round() as i64,
        sessions,
        station: r.int(1, 110) as u16 + 200 * (k % 19) as u16,
        format,
        interval_s: i64::from(site.base_interval_s.unwrap_or(s.output.base_interval_s)),
        antenna_height_m: (r.range(1.2, 3.0) * 1000.0).round() / 1000.0,
        base,
        rovers,
        link,
        causes: Vec::new(),
        faults: Vec::new(),
        confounders: s.confounders,
        mended: None,
        other_station: 0,
        sends_1230: systems[1] && r.chance(0.85),
        sends_1013: r.chance(0.4),
        msg_1006: r.chance(0.5),
    };
    p.other_station = (p.station + 57) % 4000;
    plant(&mut p, site, near, t0);
    p
}

fn name(r: &mut Rng, k: usize, used: &mut BTreeSet<String>) -> String {
    let mut n = 0;
    loop {
        let name = format!("{}{}", r.pick(FIRST, "lark"), r.pick(SECOND, "field"));
        let name = if n > 40 { format!("{name}-{k}") } else { name };
        n += 1;
        if used.insert(name.clone()) {
            return name;
        }
    }
}

fn belt(r: &mut Rng, needs: &Needs) -> Belt {
    if needs.scintillation {
        if r.chance(0.65) { Belt::Equatorial } else { Belt::Auroral }
    } else if needs.bursts {
        // With the Sun well above the horizon.
        Belt::Middle
    } else if needs.storm {
        if r.chance(0.6) { Belt::Middle } else { Belt::Auroral }
    } else {
        r.pick(&[Belt::Equatorial, Belt::Middle, Belt::Middle, Belt::Middle, Belt::Auroral], Belt::Middle)
    }
}

fn settle(r: &mut Rng, site: &Site, needs: &Needs, near: Option<&Near>, taken: &[Place]) -> Place {
    let belt = belt(r, needs);
    let h_m = (r.range(20.0, 600.0) * 1000.0).round() / 1000.0;
    let mut place = Place { lat_deg: site.latitude.unwrap_or(47.1), lon_deg: site.longitude.unwrap_or(8.2), h_m };
    if site.latitude.is_some() {
        return place;
    }
    let (list, belt) = match belt {
        Belt::Equatorial => (EQUATORIAL, 0.0..13.0),
        Belt::Middle => (MIDDLE, 28.0..52.0),
        Belt::Auroral => (AURORAL, 62.5..70.0),
    };
    // Away from the others (a fleet over half the globe), in the right belt of magnetic latitude.
    for n in 0..200 {
        let (lat, lon) = r.pick(list, (47.1, 8.2));
        let wide = 1.0 + f64::from(n) * 0.12;
        place = Place {
            lat_deg: (lat + r.range(-0.9, 0.9) * wide).clamp(-72.0, 72.0),
            lon_deg: (lon + r.range(-1.4, 1.4) * wide + 540.0).rem_euclid(360.0) - 180.0,
            h_m,
        };
        if belt.contains(&place.dipole_lat_deg().abs()) && taken.iter().all(|p| p.distance_km(&place) > 320.0) {
            break;
        }
    }
    if let Some(q) = near {
        let (d, a) = (r.range(25_000.0, 90_000.0), r.range(0.0, std::f64::consts::TAU));
        place = Place { h_m, ..q.place.offset(d * a.sin(), d * a.cos(), 0.0) };
    }
    place
}

fn sessions(
    r: &mut Rng,
    s: &Scenario,
    site: &Site,
    needs: &Needs,
    near: Option<&Near>,
    place: &Place,
    t0: i64,
) -> Vec<Session> {
    let magnetic = place.dipole_lat_deg().abs();
    let hours = site.hours.unwrap_or(s.hours);
    // Shifts in solar time: day work, some evening and night work; a disturbed sky needs its own hours.
    let start_hour = site.start_hour.unwrap_or_else(|| match near {
        Some(q) => q.hour,
        None if needs.scintillation && magnetic < 30.0 => (21.3 - hours / 2.0).clamp(17.5, 20.0),
        None if needs.scintillation => r.range(19.0, 22.0),
        // Radio bursts need the Sun, storms their hours.
        None if needs.bursts => r.range(8.0, 11.0),
        None if needs.storm && magnetic > 55.0 => r.range(17.5, 21.0),
        None if needs.storm => r.range(13.0, 17.0),
        None => r.pick(&[6.5, 7.0, 7.5, 8.0, 9.0, 12.5, 13.0, 18.0, 21.5], 7.0) + r.range(-0.2, 0.2),
    });
    let first = t0 + ((start_hour - place.lon_deg / 15.0).rem_euclid(24.0) * 3600.0) as i64;
    let n = (hours * 3600.0) as usize;
    (0..s.days)
        .map(|d| Session {
            t0: first + i64::from(d) * 86_400 + r.int(-120, 120),
            n: n - r.below(90.min(n / 10)),
            day: d,
        })
        .collect()
}

/// The form of the base's observables and the systems in them.
fn messages(r: &mut Rng, s: &Scenario, site: &Site) -> (Format, [bool; 4]) {
    let systems = site.systems.unwrap_or_else(|| r.pick(&[2, 2, 3, 4, 4], 3)).clamp(1, 4);
    let format = match site.messages.as_deref().unwrap_or(&s.output.messages) {
        "msm4" => Format::Msm4,
        "msm5" => Format::Msm5,
        "msm7" => Format::Msm7,
        "legacy" => Format::Legacy,
        _ => r.pick(
            &[Format::Msm4, Format::Msm4, Format::Msm5, Format::Msm7, Format::Msm7, Format::Legacy],
            Format::Msm4,
        ),
    };
    // The legacy messages know GPS and GLONASS only.
    let systems = if format == Format::Legacy { systems.min(2) } else { systems };
    let systems = match systems {
        1 => [true, false, false, false],
        2 if format == Format::Legacy || r.chance(0.5) => [true, true, false, false],
        2 => [true, false, true, false],
        3 if r.chance(0.5) => [true, true, true, false],
        3 => [true, false, true, true],
        _ => [true; 4],
    };
    (format, systems)
}

/// Base to the middle of the work area.
fn distance_km(r: &mut Rng, site: &Site, needs: &Needs, place: &Place) -> f64 {
    let magnetic = place.dipole_lat_deg().abs();
    site.distance_km.unwrap_or_else(|| {
        if needs.long_baseline {
            let s = site.cause.iter().find(|c| c.id == Cause::LongBaseline.id()).and_then(|c| c.strength);
            30.0 + 22.0 * s.unwrap_or(r.range(0.3, 1.0))
        } else if needs.link_range || needs.storm || (needs.scintillation && magnetic > 30.0) {
            r.range(4.0, 9.0)
        } else if needs.base_moved {
            r.range(3.0, 7.0)
        } else {
            r.range(0.6, 6.0)
        }
    })
}

fn link(r: &mut Rng, needs: &Needs, distance_km: f64) -> Link {
    let kind = if needs.long_baseline || distance_km > 12.0 {
        LinkKind::Network
    } else if needs.link_range || needs.station_clash {
        r.pick(&[LinkKind::Uhf, LinkKind::Uhf, LinkKind::Ism], LinkKind::Uhf)
    } else {
        r.pick(&[LinkKind::Uhf, LinkKind::Uhf, LinkKind::Ism, LinkKind::Network], LinkKind::Uhf)
    };
    Link {
        kind,
        mhz: match kind {
            LinkKind::Uhf => 450.0 + 0.0125 * r.int(40, 1400) as f64,
            LinkKind::Ism => 915.0,
            LinkKind::Network => 0.0,
        },
        power_w: match kind {
            LinkKind::Uhf => r.pick(&[4.0, 10.0, 25.0, 35.0], 10.0),
            LinkKind::Ism => 1.0,
            LinkKind::Network => 0.0,
        },
        mast_m: (r.range(5.0, 12.0) * 2.0).round() / 2.0,
    }
}

fn rover(r: &mut Rng, s: &Scenario, needs: &Needs, n: usize, short: &str, distance_km: f64) -> Rover {
    let (az, share) = (r.range(0.0, std::f64::consts::TAU), r.range(0.75, 1.1));
    let d = distance_km * 1000.0 * share;
    let letter = r.pick(&["EX", "DZ", "GR", "RV"], "RV");
    let label = r.pick(LABELS, "rover").to_string();
    let mut u = unit(r, format!("{short}-{letter}{}", n + 1), label, false, s.output.two_signals, [true; 4]);
    if s.output.gst_interval_s > 0 {
        u.gst_s = i64::from(s.output.gst_interval_s);
    }
    if s.output.date_interval_s > 0 {
        u.date_s = i64::from(s.output.date_interval_s);
    }
    let spread = if needs.link_range { (0.35, 0.55) } else { (0.03, 0.12) };
    Rover {
        unit: u,
        centre_m: (d * az.sin(), d * az.cos()),
        half_m: (
            (d * r.range(spread.0, spread.1)).clamp(60.0, 2500.0),
            (d * r.range(spread.0, spread.1)).clamp(60.0, 2500.0),
        ),
        speed_ms: if needs.link_range { r.range(4.0, 9.0) } else { r.range(0.7, 3.0) },
        trees: s.confounders && r.chance(0.3),
        hold_age_s: r.range(12.0, 35.0) as f32,
        start_delay_s: r.int(0, 180),
    }
}

/// Puts the faults of a site in, each with a stream of chance of its own.
fn plant(p: &mut Plan, site: &Site, near: Option<&Near>, t0: i64) {
    for (n, inj) in site.cause.iter().enumerate() {
        let Some(cause) = Cause::from_id(&inj.id) else { continue };
        let bit = match p.causes.iter().position(|c| *c == cause) {
            Some(b) => b,
            None => {
                p.causes.push(cause);
                p.causes.len() - 1
            }
        };
        let mut q = Rng::new(sub(p.seed, "fault") ^ mix(n as u64));
        let target = if cause.one_rover() {
            Target::Rover(inj.rover as u8)
        } else if inj.id.starts_with("base") {
            Target::Base
        } else {
            Target::All
        };
        let fault = Fault {
            bit: bit as u8,
            cause,
            target,
            strength: inj.strength.unwrap_or_else(|| q.range(0.45, 1.0)),
            share: inj.share,
            mode: inj.mode.unwrap_or_else(|| q.below(3) as u32),
            seed: q.next(),
            onset: if cause == Cause::SkyStorm { p.sessions.first().map_or(t0, |s| s.t0 - q.int(0, 1800)) } else { 0 },
            traces: q.chance(0.75),
        };
        let fault = match near.filter(|n| n.fault.cause == cause) {
            Some(n) => Fault { bit: bit as u8, ..n.fault.clone() },
            None => fault,
        };
        dress(p, &fault, &mut q);
        p.faults.push(fault);
    }
}

fn short_name(id: &str, k: usize) -> String {
    let mut s: String = id.chars().filter(char::is_ascii_alphabetic).take(2).collect();
    s.make_ascii_uppercase();
    format!("{s}{:02}", (k + 1) % 100)
}
