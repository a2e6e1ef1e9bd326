//! Writes what lies beside the bundles: register, truth and complaints, places, field work, space weather, catalogue.

use super::PracticeError;
use super::bundle::put;
use super::cause::Cause;
use super::claims::Claims;
use super::clock::{self, rfc3339};
use super::fault::Target;
use super::fleet::{SiteDone, set_on, unit};
use super::plan::{Plan, World};
use super::rng::{Rng, sub, uni};
use super::side;
use serde_json::{Value, json};
use std::fmt::Write;
use std::path::Path;

/// Everything beside the bundles. Returns bundles and bytes added.
pub(super) fn everything(world: &World, done: &[SiteDone], dir: &Path) -> Result<(usize, u64), PracticeError> {
    let mut bytes = 0;
    let mut bundles = 0;
    bytes += put(&dir.join("fleet.toml"), register(world, done).as_bytes())?;
    let (truth, complaints) = truth(world, done);
    bytes += put(&dir.join("truth.json"), &truth)?;
    bytes += put(&dir.join("complaints.csv"), complaints.as_bytes())?;
    bytes += put(&dir.join("places.csv"), places(world).as_bytes())?;
    bytes += put(&dir.join("fieldwork.csv"), fieldwork(world).as_bytes())?;
    bytes += put(&dir.join("kp.txt"), kp(world).as_bytes())?;
    bytes += put(&dir.join("flares.csv"), flares(world).as_bytes())?;
    bytes += put(&dir.join("catalogue.toml"), CATALOGUE.as_bytes())?;
    let spoil = world.scenario.confounders;
    if spoil {
        let mut r = Rng::new(sub(world.seed, "foreign"));
        let mut junk = b"SHEETBOOK\x00\x01\x02".to_vec();
        junk.extend((0..3000).map(|_| r.next() as u8));
        bytes += put(&dir.join("bundles").join("incoming").join("hours_of_work.sheet"), &junk)?;
        if !dir.join("bundles").join("incoming").join("broken_download.zip").exists() {
            let mut bad = b"PK\x03\x04\x14\x00\x00\x00\x08\x00".to_vec();
            bad.extend((0..5000).map(|_| r.next() as u8));
            bytes += put(&dir.join("bundles").join("incoming").join("broken_download.zip"), &bad)?;
            bundles += 1;
        }
    }
    Ok((bundles, bytes))
}

fn zone(hours: i64) -> String {
    // The sign of these zone names is reversed: Etc/GMT-3 is three hours ahead of UTC.
    match hours {
        0 => "Etc/GMT".into(),
        h if h > 0 => format!("Etc/GMT-{h}"),
        h => format!("Etc/GMT+{}", -h),
    }
}

fn register(world: &World, done: &[SiteDone]) -> String {
    let mut out = String::from("# Fleet register of an invented fleet.\n");
    for (p, d) in world.sites.iter().zip(done) {
        let from = p.sessions.iter().map(|s| (s.t0 + p.tz_hours * 3600 - 900).rem_euclid(86_400)).min().unwrap_or(0);
        let to = p
            .sessions
            .iter()
            .map(|s| (s.t0 + p.tz_hours * 3600 - 900).rem_euclid(86_400) + s.n as i64 + 1800)
            .max()
            .unwrap_or(86_400);
        let hm = |v: i64| {
            let v = (v + 59) / 60;
            format!("{:02}:{:02}", v / 60, v % 60)
        };
        let from_text = hm(from / 1800 * 1800);
        let to = (to + 1799) / 1800 * 1800;
        let shift = if to > 86_400 && to - 86_400 >= from / 1800 * 1800 {
            "Mon-Sun 00:00-24:00".to_string()
        } else {
            format!("Mon-Sun {from_text}-{}", hm(if to > 86_400 { to - 86_400 } else { to }))
        };
        let _ = write!(
            out,
            "\n[[site]]\nid = \"{}\"\nname = \"{}\"\ntime_zone = \"{}\"\nlatitude = {:.5}\nlongitude = {:.5}\nshifts = [\"{shift}\"]\nhourly_cost = {}\n",
            p.id,
            p.name,
            zone(p.tz_hours),
            p.place.lat_deg,
            p.place.lon_deg,
            60 + p.seed % 120
        );
        for n in 0..=p.rovers.len() {
            let u = unit(p, n);
            let role = if n == 0 { "base" } else { "rover" };
            let _ = write!(
                out,
                "\n[[unit]]\nid = \"{}\"\nrole = \"{role}\"\nsite = \"{}\"\nlabel = \"{}\"\nfrom = {}\n",
                u.id,
                p.id,
                u.label,
                clock::date(set_on(world))
            );
            if d.uncarded.contains(&n) {
                let _ = writeln!(out, "path = \"**/{}*\"", u.id);
                side::hardware(&mut out, u, "unit.");
                if n == 0 {
                    side::reference(&mut out, p, "unit.", set_on(world));
                }
            }
        }
    }
    out
}

/// Truth and complaints.
fn truth(world: &World, done: &[SiteDone]) -> (Vec<u8>, String) {
    let mut sites: Vec<Value> = Vec::new();
    let mut said: Vec<Value> = Vec::new();
    let mut csv = String::from("id,unit,site,from,to,text\n");
    let mut r = Rng::new(sub(world.seed, "complaints"));
    let mut next = 1;
    let (mut from, mut to) = (i64::MAX, i64::MIN);
    let texts = [
        "no fix for a long time",
        "machine keeps dropping to float",
        "guidance stops again and again",
        "accuracy warning on the screen",
        "had to wait for the fix",
    ];
    for (p, d) in world.sites.iter().zip(done) {
        let id = |c: Option<u8>| c.and_then(|b| p.causes.get(usize::from(b))).map_or("unexplained", |c| c.id());
        let by = super::by_cause(d, p.causes.len());
        let mut causes: Vec<(u64, Option<u8>)> = by.iter().filter(|(_, s)| **s > 0).map(|(c, s)| (*s, *c)).collect();
        causes.sort_by(|a, b| b.0.cmp(&a.0).then(id(a.1).cmp(id(b.1))));
        let first = causes.iter().find_map(|(_, c)| *c);
        let observed: u64 = d.tallies.iter().map(|t| t.2.observed_s).sum();
        let lost: u64 = d.tallies.iter().map(|t| t.2.lost_s).sum();
        let planted: u64 = by.iter().filter(|(c, _)| c.is_some()).map(|(_, s)| *s).sum();
        let mut periods: Vec<Value> = Vec::new();
        let mut claims = Claims::new(p.causes.len());
        // Other causes that did the same: only where there are some.
        let or = |mut value: Value, others: &[u8]| {
            if !others.is_empty() {
                value["or"] = others.iter().map(|b| json!(id(Some(*b)))).collect();
            }
            value
        };
        for (n, s, t) in &d.tallies {
            from = from.min(s.t0);
            to = to.max(s.t0 + s.n as i64);
            let u = unit(p, n + 1);
            claims.join(&t.claims);
            for q in &t.periods {
                let period = json!({"unit": u.id, "from": rfc3339(q.from), "to": rfc3339(q.to), "cause": id(q.cause)});
                let others: Vec<u8> = (0..16).filter(|b| q.or >> b & 1 == 1).collect();
                periods.push(or(period, &others));
            }
            // People complain when it hurts: ten minutes of one cause in a session.
            let worst = t.by_cause_s.iter().enumerate().max_by_key(|(_, s)| **s);
            let Some((b, &seconds)) = worst else { continue };
            let cause = (b < p.causes.len()).then_some(b as u8);
            let wish = if seconds >= 600 { 0.6 } else { 0.03 };
            if !r.chance(wish) {
                continue;
            }
            let Some((a, e)) = super::site::longest(&t.periods, cause) else { continue };
            let (a, e) = ((a - r.int(0, 600)).max(s.t0), (e + r.int(0, 600)).min(s.t0 + s.n as i64));
            let text = r.pick(&texts, texts[0]);
            let by_site = r.chance(0.15) && cause.is_some();
            let who = if by_site { "" } else { u.id.as_str() };
            let _ = writeln!(csv, "C-{next},{who},{},{},{},{text}", p.id, rfc3339(a), rfc3339(e));
            let others = cause.map_or(Vec::new(), |b| t.claims.first_as_well(b));
            said.push(or(json!({"id": format!("C-{next}"), "cause": id(cause)}), &others));
            next += 1;
        }
        let causes: Vec<Value> = causes
            .iter()
            .map(|(s, c)| json!({"cause": id(*c), "lost_fix_hours": (*s as f64 / 3600.0 * 1e4).round() / 1e4}))
            .collect();
        let others = first.map_or(Vec::new(), |b| claims.first_as_well(b));
        let site = json!({"site": p.id, "healthy": planted < 900 && lost * 50 <= observed, "causes": causes, "float_periods": periods});
        sites.push(or(site, &others));
    }
    let mut value = json!({
        "schema": "lostfix-truth/1",
        "window": {"from": rfc3339(from), "to": rfc3339(to)},
        "sites": sites,
        "complaints": said,
    });
    if world.scenario.repair_day.is_some() {
        let work = repairs(world)
            .into_iter()
            .map(|(at, p, unit, _, mended)| json!({"time": rfc3339(at), "site": p.id, "unit": unit, "mended": mended}));
        value["fieldwork"] = work.collect();
    }
    let mut text = serde_json::to_vec_pretty(&value).unwrap_or_default();
    text.push(b'\n');
    (text, csv)
}

fn places(world: &World) -> String {
    let mut out = String::from("name,kind,latitude,longitude\n");
    let mut r = Rng::new(sub(world.seed, "places"));
    let kinds = ["airport", "radar", "tv", "cell", "military", "power", "other"];
    for (k, p) in world.sites.iter().enumerate() {
        let jammed = p.causes.contains(&Cause::BaseInterference);
        let n = usize::from(jammed && r.chance(0.7)) + r.below(3);
        for q in 0..n {
            let kind = if q == 0 && jammed {
                r.pick(&["radar", "airport", "military", "tv"], "radar")
            } else {
                r.pick(&kinds, "other")
            };
            let d = if q == 0 && jammed { r.range(300.0, 6000.0) } else { r.range(900.0, 25_000.0) };
            let az = r.range(0.0, std::f64::consts::TAU);
            let at = p.place.offset(d * az.sin(), d * az.cos(), 0.0);
            let _ = writeln!(out, "{kind} {}-{q},{kind},{:.5},{:.5}", k + 1, at.lat_deg, at.lon_deg);
        }
    }
    out
}

/// Work at the sites with a mendable cause, when the scenario asks for it: time, site, unit (empty: the whole site), what,
/// mended. What was done reads the same whether it helped or not.
fn repairs(world: &World) -> Vec<(i64, &Plan, &str, &'static str, bool)> {
    let Some(day) = world.scenario.repair_day else { return Vec::new() };
    let one = |p: &'_ Plan| {
        let s = p.sessions.iter().find(|s| s.day == day)?;
        let (n, what) = match p.first_mendable()?.target {
            Target::Base => (Some(0), "antenna, cable and receiver of the base changed"),
            Target::Rover(k) => (Some(usize::from(k) + 1), "receiver and radio of the rover changed"),
            Target::All => (None, "radio and mast changed"),
        };
        Some((s.t0 - 1800, n, what))
    };
    world
        .sites
        .iter()
        .filter_map(|p| {
            let (at, n, what) = one(p)?;
            Some((at, p, n.map_or("", |n| unit(p, n).id.as_str()), what, p.mended.is_some()))
        })
        .collect()
}

fn fieldwork(world: &World) -> String {
    let mut out = String::from("time,site,unit,what,note\n");
    if world.scenario.repair_day.is_some() {
        for (at, p, unit, what, _) in repairs(world) {
            let _ = writeln!(out, "{},{},{unit},{what},", rfc3339(at), p.id);
        }
        return out;
    }
    let mut r = Rng::new(sub(world.seed, "fieldwork"));
    let mut lines: Vec<(i64, String)> = Vec::new();
    for p in &world.sites {
        if !r.chance(0.35) {
            continue;
        }
        let Some(s) = p.sessions.get(r.below(p.sessions.len())) else { continue };
        let t = s.t0 - r.int(600, 7200);
        let what = r.pick(
            &["battery changed", "cable checked", "receiver cleaned", "radio antenna tightened"],
            "cable checked",
        );
        lines.push((t, format!("{},{},{},{what},\n", rfc3339(t), p.id, p.base.id)));
    }
    lines.sort();
    lines.iter().for_each(|l| out.push_str(&l.1));
    out
}

/// Kp in the layout of one line a three-hour interval (see check values 15.2).
fn kp(world: &World) -> String {
    const AP: [u16; 28] = [
        0, 2, 3, 4, 5, 6, 7, 9, 12, 15, 18, 22, 27, 32, 39, 48, 56, 67, 80, 94, 111, 132, 154, 179, 207, 236, 300, 400,
    ];
    let mut out = String::from("# Invented Kp of a practice fleet\n# YYYY MM DD hh.h hh._m days days_m Kp ap D\n");
    for (k, v) in world.weather.kp_thirds.iter().enumerate() {
        let t = world.weather.first + k as i64 * 10_800;
        let (y, m, d) = clock::civil(t.div_euclid(86_400));
        let h = t.rem_euclid(86_400) as f64 / 3600.0;
        let days = (t - clock::days_of(1932, 1, 1) * 86_400) as f64 / 86_400.0;
        let v = (*v).min(27);
        let _ = writeln!(
            out,
            "{y:04} {m:02} {d:02} {h:04.1} {:05.2} {days:11.5} {:11.5} {:6.3} {:4} 1",
            h + 1.5,
            days + 0.0625,
            f64::from(v) / 3.0,
            AP[usize::from(v)]
        );
    }
    out
}

/// X-ray flares: those of the radio bursts, some minutes ahead of them, and the harmless small ones of every week.
fn flares(world: &World) -> String {
    let mut list: Vec<(i64, String)> = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for f in world.sites.iter().flat_map(|p| &p.faults).filter(|f| f.burst()) {
        if seen.insert(f.seed) {
            for (begin, _, size) in super::skyweather::bursts(f, world.days) {
                // Size of flare and burst go together only loosely (check values 7.6).
                let peak = 0.2 + 1.6 * size * f.strength + 0.5 * uni(f.seed, begin as u64, 87);
                let class = if peak < 1.0 { format!("M{:.1}", peak * 10.0) } else { format!("X{peak:.1}") };
                list.push((begin - 60 - (240.0 * uni(f.seed, begin as u64, 88)) as i64, class));
            }
        }
    }
    let mut r = Rng::new(sub(world.seed, "flares"));
    for _ in 0..(world.days as usize + 1) {
        if r.chance(0.6) {
            let t = world.t0 + r.int(0, i64::from(world.days) * 86_400);
            let letter = r.pick(&["C", "C", "M"], "C");
            list.push((t, format!("{letter}{:.1}", r.range(1.0, 6.0))));
        }
    }
    list.sort();
    let mut out = String::from("time,class\n");
    for (t, class) in list {
        let _ = writeln!(out, "{},{class}", rfc3339(t));
    }
    out
}

/// What the invented receivers, antennas and cables are known for.
const CATALOGUE: &str = r#"# Catalogue of an invented fleet.
[[receiver]]
model = "RX-210"
antenna_supply_v = 5.0
noise_figure_db = 8.0

[[receiver]]
model = "RX-340"
antenna_supply_v = 5.0
noise_figure_db = 8.0

[[receiver]]
model = "RX-500"
antenna_supply_v = 5.0
noise_figure_db = 7.0

[[antenna]]
model = "EXA-GEO4        NONE"
gain_db = 40.0
noise_figure_db = 2.0
feeds = 4
ground_plane = true
supply_min_v = 3.3
supply_max_v = 5.5

[[antenna]]
model = "EXA-CHOKE2      NONE"
gain_db = 40.0
noise_figure_db = 2.0
feeds = 4
ground_plane = true
supply_min_v = 3.3
supply_max_v = 5.5

[[antenna]]
model = "EXA-PUCK        NONE"
gain_db = 30.0
noise_figure_db = 2.5
feeds = 2
ground_plane = false
supply_min_v = 3.3
supply_max_v = 5.5

[[firmware]]
model = "RX-340"
versions = ">=4.1.0, <4.1.5"
trouble = "Loses lock on satellites again and again, or stops the output for a minute"
mends = "4.1.5"

[[firmware]]
model = "RX-210"
versions = "2.7.3"
trouble = "Loses lock on satellites again and again"
mends = "2.8.0"
"#;
