//! Turns a scenario and a seed into a concrete world: places, hardware, shifts, people's habits and planted faults.

use super::cause::Cause;
use super::clock;
use super::earth::Place;
use super::fault::{Fault, Target};
use super::orbit::Constellation;
use super::rng::{Rng, mix, sub};
use super::scenario::{Injected, Scenario, Site};
use super::signal::Chain;
use super::skyweather::Weather;

/// One stretch of work of a site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Session {
    /// First second, Unix UTC.
    pub t0: i64,
    /// Length in seconds.
    pub n: usize,
    /// Day number of the scenario.
    pub day: u32,
}

/// Form of the base's observables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Msm4,
    Msm5,
    Msm7,
    Legacy,
}

/// How corrections travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LinkKind {
    Uhf,
    Ism,
    Network,
}

impl LinkKind {
    pub(super) fn name(self) -> &'static str {
        match self {
            LinkKind::Uhf => "uhf",
            LinkKind::Ism => "900mhz",
            LinkKind::Network => "network",
        }
    }
}

/// The radio of a site.
#[derive(Debug, Clone)]
pub(super) struct Link {
    pub kind: LinkKind,
    pub mhz: f64,
    pub power_w: f64,
    pub mast_m: f64,
}

/// What is built into a unit.
#[derive(Debug, Clone)]
pub(super) struct Unit {
    pub id: String,
    pub label: String,
    pub seed: u64,
    pub make: &'static str,
    pub model: &'static str,
    pub serial: String,
    pub firmware: String,
    pub antenna: &'static str,
    pub feeds: u8,
    pub ground_plane: bool,
    pub chain: Chain,
    /// What is really built in and stands on the card, when a planted fault made it worse than `chain`.
    pub bad_chain: Option<Chain>,
    pub supply_min_v: f64,
    pub supply_v: f64,
    pub current_ma: f64,
    /// Systems the receiver uses.
    pub systems: [bool; 4],
    /// Bit k = signal k of each system's table is used.
    pub signals: [u8; 4],
    pub mask_deg: f64,
    /// Reflection from the ground: height and amplitude.
    pub ground_h_m: f64,
    pub ground_alpha: f32,
    pub logs_events: bool,
    pub logs_metrics: bool,
    pub logs_syslog: bool,
    pub logs_spectrum: bool,
    pub card: bool,
    /// NMEA 4.11 with signal ids (else the older form without).
    pub nmea411: bool,
    pub gst_s: i64,
    pub date_s: i64,
    pub zda: bool,
}

/// A rover and its place of work.
#[derive(Debug, Clone)]
pub(super) struct Rover {
    pub unit: Unit,
    /// Middle of its work area from the base, metres east and north.
    pub centre_m: (f64, f64),
    pub half_m: (f64, f64),
    pub speed_ms: f64,
    /// Parks under trees in breaks.
    pub trees: bool,
    pub hold_age_s: f32,
    pub start_delay_s: i64,
}

/// A site with everything that happens there.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub id: String,
    pub name: String,
    pub seed: u64,
    pub place: Place,
    pub tz_hours: i64,
    pub sessions: Vec<Session>,
    pub station: u16,
    pub format: Format,
    pub interval_s: i64,
    pub base: Unit,
    pub antenna_height_m: f64,
    pub rovers: Vec<Rover>,
    pub link: Link,
    /// Distinct causes; a fault's bit counts into this list.
    pub causes: Vec<Cause>,
    pub faults: Vec<Fault>,
    pub confounders: bool,
    /// First day without the causes that work in the field can take away.
    pub mended: Option<u32>,
    /// Position of another base that can be heard on the channel.
    pub other_station: u16,
    pub sends_1230: bool,
    pub sends_1013: bool,
    pub msg_1006: bool,
}

/// The whole world.
pub(super) struct World {
    pub seed: u64,
    pub t0: i64,
    pub days: u32,
    pub scenario: Scenario,
    pub sky: Constellation,
    pub weather: Weather,
    pub sites: Vec<Plan>,
}

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
/// Receiver models and antenna names are invented.
const MAKES: &[&str] = &["make-a", "make-b", "make-c"];
const MODELS: &[&str] = &["RX-210", "RX-340", "RX-500"];
const ANTENNAS: &[(&str, u8, bool)] =
    &[("EXA-GEO4        NONE", 4, true), ("EXA-CHOKE2      NONE", 4, true), ("EXA-PUCK        NONE", 2, false)];
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
struct Near {
    place: Place,
    hour: f64,
    fault: Fault,
}

/// A site as the scenario wants it, before anything is drawn.
struct Wish {
    site: Site,
    belt: Option<Belt>,
}

impl Plan {
    /// The first fault that work in the field can take away.
    pub(super) fn first_mendable(&self) -> Option<&Fault> {
        self.faults.iter().find(|f| f.cause.mendable())
    }

    /// The faults that act in a session.
    pub(super) fn acting(&self, s: &Session) -> impl Iterator<Item = &Fault> {
        let mended = self.mended.is_some_and(|day| s.day >= day);
        self.faults.iter().filter(move |f| !(mended && f.cause.mendable()))
    }
}

impl World {
    /// Draws the world.
    pub(super) fn new(scenario: &Scenario, seed: u64) -> World {
        let mut r = Rng::new(sub(seed, "world"));
        let t0 = match scenario.start.as_deref().and_then(clock::parse_date) {
            Some(t) => t,
            // Any day of most of a year; three days in seven the fleet crosses the GPS week.
            None => (clock::days_of(2026, 2, 1) + r.int(0, 250)) * 86_400,
        };
        let sky = Constellation::new(seed, clock::gpst(t0), scenario.days);
        let wishes = wishes(scenario, &mut r);
        let mut sites: Vec<Plan> = Vec::new();
        let mut used = std::collections::BTreeSet::new();
        for w in &wishes {
            if let Some(id) = &w.site.id {
                used.insert(id.clone());
            }
        }
        // A disturbed sky hangs over neighbours as well: every second site with the same sky cause settles near the
        // one before, under the same disturbance.
        let mut open: std::collections::BTreeMap<Cause, Near> = std::collections::BTreeMap::new();
        for (k, w) in wishes.iter().enumerate() {
            let sky_cause = w.site.cause.iter().filter_map(|c| Cause::from_id(&c.id)).find(|c| c.sky());
            let near = sky_cause.and_then(|c| open.remove(&c));
            let taken: Vec<Place> = sites.iter().map(|p| p.place).collect();
            let p = site_plan(scenario, seed, t0, k, w, &mut used, near.as_ref(), &taken);
            if let (Some(c), None) = (sky_cause, near) {
                let hour = p
                    .sessions
                    .first()
                    .map_or(8.0, |s| ((s.t0 - t0) as f64 / 3600.0 + p.place.lon_deg / 15.0).rem_euclid(24.0));
                if let Some(f) = p.faults.iter().find(|f| f.cause == c) {
                    open.insert(c, Near { place: p.place, hour, fault: f.clone() });
                }
            }
            sites.push(p);
        }
        let worked_at = sites.iter_mut().filter(|p| p.first_mendable().is_some());
        for p in worked_at.step_by(2) {
            p.mended = scenario.repair_day;
        }
        // Neighbours of a disturbed site feel it too, asked for or not; a storm reaches every site of its latitudes at
        // the time, a radio burst every sunlit one.
        let sources: Vec<(Place, Fault)> = sites
            .iter()
            .flat_map(|p| p.faults.iter().filter(|f| f.cause.sky()).map(|f| (p.place, f.clone())))
            .collect();
        for p in &mut sites {
            for (place, f) in &sources {
                if p.causes.contains(&f.cause) || p.causes.len() >= 5 {
                    continue;
                }
                let felt = if f.cause == Cause::SkyStorm {
                    p.sessions.iter().any(|s| f.act(s, &p.place).level.iter().step_by(60).any(|l| *l > 0.2))
                } else {
                    place.distance_km(&p.place) < 300.0
                };
                if felt {
                    let bit = p.causes.len() as u8;
                    p.causes.push(f.cause);
                    p.faults.push(Fault { bit, ..f.clone() });
                }
            }
        }
        let weather = Weather::new(seed, t0, scenario.days, &sites);
        World { seed, t0, days: scenario.days, scenario: scenario.clone(), sky, weather, sites }
    }
}

fn wishes(s: &Scenario, r: &mut Rng) -> Vec<Wish> {
    let mut out: Vec<Wish> = s.site.iter().map(|site| Wish { site: site.clone(), belt: None }).collect();
    let Some(f) = &s.fleet else { return out };
    let list: Vec<Cause> = if f.causes.is_empty() {
        Cause::ALL.to_vec()
    } else {
        f.causes.iter().filter_map(|c| Cause::from_id(c)).collect()
    };
    let healthy = (f64::from(f.sites) * f.share_healthy).round() as usize;
    let double = (f64::from(f.sites) * f.share_two_causes).round() as usize;
    // Every cause gets its turn before one comes twice.
    let mut order: Vec<Cause> = Vec::new();
    let mut draw = |r: &mut Rng, not: Option<Cause>| -> Cause {
        for _ in 0..50 {
            if order.is_empty() {
                order = list.clone();
                for k in (1..order.len()).rev() {
                    order.swap(k, r.below(k + 1));
                }
            }
            let c = order.pop().unwrap_or(Cause::BaseRestart);
            let clash = not.is_some_and(|n| {
                n == c
                    || (n.sky() && c.sky())
                    || (n == Cause::LongBaseline && c == Cause::LinkRange)
                    || (c == Cause::LongBaseline && n == Cause::LinkRange)
            });
            if !clash {
                return c;
            }
        }
        Cause::BaseRestart
    };
    let mut kinds: Vec<u8> = Vec::new();
    for k in 0..f.sites as usize {
        kinds.push(if k < healthy {
            0
        } else if k < healthy + double {
            2
        } else {
            1
        });
    }
    for k in (1..kinds.len()).rev() {
        kinds.swap(k, r.below(k + 1));
    }
    for kind in kinds {
        let mut causes: Vec<Cause> = Vec::new();
        for _ in 0..kind {
            let c = draw(r, causes.first().copied());
            if !causes.contains(&c) {
                causes.push(c);
            }
        }
        let cause = causes
            .iter()
            .map(|c| Injected {
                id: c.id().into(),
                strength: None,
                share: r.range(0.3, 0.7),
                rover: r.below(f.rovers as usize) as u32,
                // What hour of the day a disturbed sky needs depends on its kind.
                mode: c.sky().then(|| r.below(3) as u32),
            })
            .collect();
        out.push(Wish {
            site: Site {
                id: None,
                latitude: None,
                longitude: None,
                rovers: f.rovers,
                hours: None,
                start_hour: None,
                distance_km: None,
                systems: None,
                messages: None,
                base_interval_s: None,
                cause,
            },
            belt: None,
        });
    }
    out
}

#[allow(clippy::too_many_arguments)]
fn site_plan(
    s: &Scenario,
    seed: u64,
    t0: i64,
    k: usize,
    w: &Wish,
    used: &mut std::collections::BTreeSet<String>,
    near: Option<&Near>,
    taken: &[Place],
) -> Plan {
    let seed = mix(sub(seed, "site") ^ k as u64);
    let mut r = Rng::new(sub(seed, "plan"));
    let site = &w.site;
    let causes: Vec<Cause> = site.cause.iter().filter_map(|c| Cause::from_id(&c.id)).collect();
    let id = site.id.clone().unwrap_or_else(|| {
        let mut n = 0;
        loop {
            let name = format!("{}{}", r.pick(FIRST, "lark"), r.pick(SECOND, "field"));
            let name = if n > 40 { format!("{name}-{k}") } else { name };
            n += 1;
            if used.insert(name.clone()) {
                break name;
            }
        }
    });
    let scint = causes.contains(&Cause::SkyScintillation);
    let storm = causes.contains(&Cause::SkyStorm);
    let bursts = site.cause.iter().any(|c| c.id == Cause::SkyStorm.id() && c.mode == Some(2));
    let belt = w.belt.unwrap_or_else(|| {
        if scint {
            if r.chance(0.65) { Belt::Equatorial } else { Belt::Auroral }
        } else if storm && bursts {
            // With the Sun well above the horizon.
            Belt::Middle
        } else if storm {
            if r.chance(0.6) { Belt::Middle } else { Belt::Auroral }
        } else {
            r.pick(&[Belt::Equatorial, Belt::Middle, Belt::Middle, Belt::Middle, Belt::Auroral], Belt::Middle)
        }
    });
    let list = match belt {
        Belt::Equatorial => EQUATORIAL,
        Belt::Middle => MIDDLE,
        Belt::Auroral => AURORAL,
    };
    let h_m = (r.range(20.0, 600.0) * 1000.0).round() / 1000.0;
    let mut place = Place { lat_deg: site.latitude.unwrap_or(47.1), lon_deg: site.longitude.unwrap_or(8.2), h_m };
    if site.latitude.is_none() {
        let (lo, hi) = match belt {
            Belt::Equatorial => (0.0, 13.0),
            Belt::Middle => (28.0, 52.0),
            Belt::Auroral => (62.5, 70.0),
        };
        // Away from the others (a fleet over half the globe), in the right belt of magnetic latitude.
        for n in 0..200 {
            let (lat, lon) = r.pick(list, (47.1, 8.2));
            let wide = 1.0 + f64::from(n) * 0.12;
            let at = Place {
                lat_deg: (lat + r.range(-0.9, 0.9) * wide).clamp(-72.0, 72.0),
                lon_deg: (lon + r.range(-1.4, 1.4) * wide + 540.0).rem_euclid(360.0) - 180.0,
                h_m,
            };
            place = at;
            let m = at.dipole_lat_deg().abs();
            if (lo..hi).contains(&m) && taken.iter().all(|p| p.distance_km(&at) > 320.0) {
                break;
            }
        }
    }
    if let (Some(q), None) = (near, site.latitude) {
        let (d, a) = (r.range(25_000.0, 90_000.0), r.range(0.0, std::f64::consts::TAU));
        place = Place { h_m, ..q.place.offset(d * a.sin(), d * a.cos(), 0.0) };
    }
    let magnetic = place.dipole_lat_deg().abs();
    let hours = site.hours.unwrap_or(s.hours);
    // Shifts in solar time: day work, some evening and night work; a disturbed sky needs its own hours.
    let start_hour = site.start_hour.unwrap_or_else(|| match near {
        Some(q) => q.hour,
        None if scint && magnetic < 30.0 => (21.3 - hours / 2.0).clamp(17.5, 20.0),
        None if scint => r.range(19.0, 22.0),
        // Radio bursts need the Sun, storms their hours.
        None if storm && bursts => r.range(8.0, 11.0),
        None if storm && magnetic > 55.0 => r.range(17.5, 21.0),
        None if storm => r.range(13.0, 17.0),
        None => r.pick(&[6.5, 7.0, 7.5, 8.0, 9.0, 12.5, 13.0, 18.0, 21.5], 7.0) + r.range(-0.2, 0.2),
    });
    let first = t0 + ((start_hour - place.lon_deg / 15.0).rem_euclid(24.0) * 3600.0) as i64;
    let n = (hours * 3600.0) as usize;
    let sessions: Vec<Session> = (0..s.days)
        .map(|d| Session {
            t0: first + i64::from(d) * 86_400 + r.int(-120, 120),
            n: n - r.below(90.min(n / 10)),
            day: d,
        })
        .collect();
    let systems = site.systems.unwrap_or_else(|| r.pick(&[2, 2, 3, 4, 4], 3)).clamp(1, 4);
    let word = site.messages.clone().unwrap_or_else(|| s.output.messages.clone());
    let format = match word.as_str() {
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
    let used_systems = match systems {
        1 => [true, false, false, false],
        2 if format == Format::Legacy || r.chance(0.5) => [true, true, false, false],
        2 => [true, false, true, false],
        3 if r.chance(0.5) => [true, true, true, false],
        3 => [true, false, true, true],
        _ => [true; 4],
    };
    let long = causes.contains(&Cause::LongBaseline);
    let range = causes.contains(&Cause::LinkRange);
    let distance_km = site.distance_km.unwrap_or_else(|| {
        if long {
            let s = site.cause.iter().find(|c| c.id == Cause::LongBaseline.id()).and_then(|c| c.strength);
            30.0 + 22.0 * s.unwrap_or(r.range(0.3, 1.0))
        } else if range || storm || (scint && magnetic > 30.0) {
            r.range(4.0, 9.0)
        } else if causes.contains(&Cause::BaseMoved) {
            r.range(3.0, 7.0)
        } else {
            r.range(0.6, 6.0)
        }
    });
    let kind = if long || distance_km > 12.0 {
        LinkKind::Network
    } else if range || causes.contains(&Cause::LinkStationClash) {
        r.pick(&[LinkKind::Uhf, LinkKind::Uhf, LinkKind::Ism], LinkKind::Uhf)
    } else {
        r.pick(&[LinkKind::Uhf, LinkKind::Uhf, LinkKind::Ism, LinkKind::Network], LinkKind::Uhf)
    };
    let link = Link {
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
    };
    let short = short_name(&id, k);
    let two = s.output.two_signals;
    let mut base = unit(&mut r, format!("{short}-BASE"), "base".into(), true, two, used_systems);
    base.gst_s = 0;
    let mut rovers = Vec::new();
    for n in 0..site.rovers as usize {
        let (az, share) = (r.range(0.0, std::f64::consts::TAU), r.range(0.75, 1.1));
        let d = distance_km * 1000.0 * share;
        let letter = r.pick(&["EX", "DZ", "GR", "RV"], "RV");
        let label = r.pick(LABELS, "rover").to_string();
        let mut u = unit(&mut r, format!("{short}-{letter}{}", n + 1), label, false, two, [true; 4]);
        if s.output.gst_interval_s > 0 {
            u.gst_s = i64::from(s.output.gst_interval_s);
        }
        if s.output.date_interval_s > 0 {
            u.date_s = i64::from(s.output.date_interval_s);
        }
        let spread = if range { (0.35, 0.55) } else { (0.03, 0.12) };
        rovers.push(Rover {
            unit: u,
            centre_m: (d * az.sin(), d * az.cos()),
            half_m: (
                (d * r.range(spread.0, spread.1)).clamp(60.0, 2500.0),
                (d * r.range(spread.0, spread.1)).clamp(60.0, 2500.0),
            ),
            speed_ms: if range { r.range(4.0, 9.0) } else { r.range(0.7, 3.0) },
            trees: s.confounders && r.chance(0.3),
            hold_age_s: r.range(12.0, 35.0) as f32,
            start_delay_s: r.int(0, 180),
        });
    }
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
        sends_1230: used_systems[1] && r.chance(0.85),
        sends_1013: r.chance(0.4),
        msg_1006: r.chance(0.5),
    };
    p.other_station = (p.station + 57) % 4000;
    for (n, inj) in site.cause.iter().enumerate() {
        let Some(cause) = Cause::from_id(&inj.id) else { continue };
        let bit = match p.causes.iter().position(|c| *c == cause) {
            Some(b) => b,
            None => {
                p.causes.push(cause);
                p.causes.len() - 1
            }
        };
        let mut q = Rng::new(sub(seed, "fault") ^ mix(n as u64));
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
        dress(&mut p, &fault, &mut q);
        p.faults.push(fault);
    }
    p
}

/// What a fault shows on cards: a long cable, an old firmware, a low radio mast.
fn dress(p: &mut Plan, f: &Fault, q: &mut Rng) {
    let rover = match f.target {
        Target::Rover(n) => p.rovers.get_mut(usize::from(n)),
        _ => None,
    };
    match f.cause {
        Cause::BaseWeakSignal if f.mode == 0 => {
            // A long run of thin cable behind a weak amplifier.
            let mut bad = Chain { cable: 0, lna_gain_db: 28.0, connectors: 4, cable_m: 30.0, ..p.base.chain.clone() };
            let want = 12.0 + 7.0 * f.strength as f32;
            let good = p.base.chain.noise_dbm_hz(1575.42, 0.0, 0.0);
            while bad.noise_dbm_hz(1575.42, 0.0, 0.0) - good < want && bad.cable_m < 200.0 {
                bad.cable_m += 1.0;
            }
            p.base.bad_chain = Some(bad);
        }
        Cause::BaseWeakSignal => {
            p.base.chain.cable_m = p.base.chain.cable_m.max(25.0);
        }
        Cause::BaseFirmware => {
            p.base.model = "RX-340";
            p.base.firmware = format!("4.1.{}", q.int(0, 4));
        }
        // An emitter near 1227 MHz hurts where L2 is the second frequency: older receivers, GPS and GLONASS.
        Cause::BaseInterference if f.mode == 2 => {
            p.base.model = "RX-210";
            p.base.firmware = "2.8.0".into();
            p.base.signals = [0b111, 0b11, 0b11, 0b11];
            p.base.systems = [true, true, false, false];
            p.sends_1230 = true;
        }
        Cause::RoverInterference if f.mode == 2 => {
            if let Some(rv) = rover {
                rv.unit.model = "RX-210";
                rv.unit.firmware = "2.8.0".into();
                rv.unit.nmea411 = false;
                rv.unit.signals = [0b111, 0b11, 0b11, 0b11];
                rv.unit.systems = [true, true, false, false];
                p.base.systems[1] = true;
            }
        }
        Cause::RoverFirmware => {
            if let Some(rv) = rover {
                rv.unit.model = "RX-210";
                rv.unit.firmware = "2.7.3".into();
            }
        }
        Cause::LinkRange => {
            p.link.mast_m = 3.0;
            if p.link.kind == LinkKind::Uhf {
                p.link.power_w = 2.0;
            }
        }
        Cause::BaseObstruction | Cause::BaseMultipath if q.chance(0.4) => {
            (p.base.antenna, p.base.feeds, p.base.ground_plane) = ANTENNAS[2];
        }
        _ => {}
    }
}

fn short_name(id: &str, k: usize) -> String {
    let mut s: String = id.chars().filter(char::is_ascii_alphabetic).take(2).collect();
    s.make_ascii_uppercase();
    format!("{s}{:02}", (k + 1) % 100)
}

fn unit(r: &mut Rng, id: String, label: String, base: bool, two_signals: bool, systems: [bool; 4]) -> Unit {
    let model = r.below(3);
    let firmware = match model {
        // None of these stands in the catalogue as trouble.
        0 => r.pick(&["2.6.1", "2.8.0", "2.8.1"], "2.8.0"),
        1 => r.pick(&["4.0.9", "4.1.5", "4.2.0"], "4.2.0"),
        _ => r.pick(&["5.0.2", "5.2.0", "5.2.1"], "5.2.0"),
    };
    let (antenna, feeds, ground_plane) = r.pick(ANTENNAS, ANTENNAS[0]);
    let modern = model != 0;
    let signals = if two_signals {
        [if modern { 0b101 } else { 0b11 }, 0b11, 0b11, 0b11]
    } else if modern {
        [0b1111, 0b11, 0b111, 0b111]
    } else {
        [0b111, 0b11, 0b11, 0b11]
    };
    Unit {
        seed: r.next(),
        make: r.pick(MAKES, "make-a"),
        model: MODELS.get(model).copied().unwrap_or("RX-210"),
        serial: format!("{}{:05}", if base { "B" } else { "R" }, r.int(1, 99_999)),
        firmware: firmware.into(),
        antenna,
        feeds,
        ground_plane,
        chain: Chain {
            lna_gain_db: r.pick(&[30.0, 35.0, 40.0], 40.0),
            lna_nf_db: r.pick(&[1.8, 2.0, 2.5], 2.0),
            cable: r.pick(&[1, 2, 3, 3], 3),
            cable_m: if base { r.range(5.0, 30.0).round() } else { r.range(2.0, 6.0).round() },
            connectors: 2,
            rx_nf_db: r.range(6.0, 9.0),
        },
        supply_min_v: 3.3,
        supply_v: 5.0 + r.range(-0.1, 0.1),
        current_ma: r.range(25.0, 60.0),
        systems,
        signals,
        mask_deg: if base { 5.0 } else { 8.0 },
        ground_h_m: r.range(1.5, 4.0),
        ground_alpha: r.range(0.04, 0.12) as f32 * if ground_plane { 1.0 } else { 1.5 },
        logs_events: r.chance(0.85),
        logs_metrics: r.chance(if base { 0.85 } else { 0.5 }),
        logs_syslog: r.chance(0.4),
        logs_spectrum: base && r.chance(0.4),
        card: r.chance(0.93),
        bad_chain: None,
        nmea411: modern,
        gst_s: r.pick(&[1, 2, 5], 5),
        date_s: 1,
        zda: r.chance(0.4),
        id,
        label,
    }
}
