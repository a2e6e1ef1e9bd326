//! Reads and checks a scenario: TOML, the name of a shipped one, or `random:SITES,ROVERS,DAYS`.

use super::PracticeError;
use super::cause::Cause;
use super::clock;
use serde::Deserialize;
use std::collections::BTreeSet;
use std::path::Path;

/// Scenarios that ship with the program: name and text.
pub(super) const SHIPPED: &[(&str, &str)] = &[
    ("base-antenna-power", include_str!("scenarios/base-antenna-power.toml")),
    ("base-firmware", include_str!("scenarios/base-firmware.toml")),
    ("base-interference", include_str!("scenarios/base-interference.toml")),
    ("base-messages", include_str!("scenarios/base-messages.toml")),
    ("base-moved", include_str!("scenarios/base-moved.toml")),
    ("base-multipath", include_str!("scenarios/base-multipath.toml")),
    ("base-obstruction", include_str!("scenarios/base-obstruction.toml")),
    ("base-restart", include_str!("scenarios/base-restart.toml")),
    ("base-second-frequency", include_str!("scenarios/base-second-frequency.toml")),
    ("base-weak-signal", include_str!("scenarios/base-weak-signal.toml")),
    ("healthy", include_str!("scenarios/healthy.toml")),
    ("link-outage", include_str!("scenarios/link-outage.toml")),
    ("link-range", include_str!("scenarios/link-range.toml")),
    ("link-rover", include_str!("scenarios/link-rover.toml")),
    ("link-station-clash", include_str!("scenarios/link-station-clash.toml")),
    ("long-baseline", include_str!("scenarios/long-baseline.toml")),
    ("mixed-fleet", include_str!("scenarios/mixed-fleet.toml")),
    ("rover-firmware", include_str!("scenarios/rover-firmware.toml")),
    ("rover-interference", include_str!("scenarios/rover-interference.toml")),
    ("rover-obstruction", include_str!("scenarios/rover-obstruction.toml")),
    ("rover-restart", include_str!("scenarios/rover-restart.toml")),
    ("rover-tracking", include_str!("scenarios/rover-tracking.toml")),
    ("sample-bundles", include_str!("scenarios/sample-bundles.toml")),
    ("sky-scintillation", include_str!("scenarios/sky-scintillation.toml")),
    ("sky-storm", include_str!("scenarios/sky-storm.toml")),
    ("two-causes", include_str!("scenarios/two-causes.toml")),
];

/// Kinds of evidence that can be held back.
pub(super) const MASKS: [&str; 5] = ["cn0", "spectrum", "ages", "events", "metrics"];

impl Output {
    /// Whether a kind of evidence is held back.
    pub(super) fn hides(&self, what: &str) -> bool {
        self.without.iter().any(|w| w == what)
    }
}

fn yes() -> bool {
    true
}
fn one() -> u32 {
    1
}
fn four() -> f64 {
    4.0
}
fn two() -> u32 {
    2
}
fn half() -> f64 {
    0.6
}

/// A whole scenario.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Scenario {
    /// Free text.
    #[serde(default, rename = "name")]
    pub _name: String,
    /// Used when no seed is given on the command line.
    #[serde(default)]
    pub seed: Option<u64>,
    /// UTC date of the first session; drawn by seed when left out.
    #[serde(default)]
    pub start: Option<String>,
    #[serde(default = "one")]
    pub days: u32,
    #[serde(default = "four")]
    pub hours: f64,
    #[serde(default = "yes")]
    pub confounders: bool,
    /// Day (0 = first) before which somebody worked at every site with a cause that work can mend; at every second of them
    /// the cause is gone from that day on.
    #[serde(default)]
    pub repair_day: Option<u32>,
    #[serde(default)]
    pub output: Output,
    #[serde(default)]
    pub fleet: Option<Fleet>,
    #[serde(default)]
    pub site: Vec<Site>,
}

/// How much and in which form the units log.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Output {
    /// `zip`, `folder` or `mixed`.
    pub bundles: String,
    /// `msm4`, `msm5`, `msm7`, `legacy` or `mixed`.
    pub messages: String,
    /// Seconds between base epochs (1, 2, 5, 10).
    pub base_interval_s: u32,
    /// Seconds between GSV groups of the rovers.
    pub gsv_interval_s: u32,
    /// Seconds between GST sentences; 0 = by unit.
    pub gst_interval_s: u32,
    /// Seconds between RMC or ZDA sentences; 0 = by unit.
    pub date_interval_s: u32,
    /// Seconds between ephemerides of one system.
    pub ephemeris_interval_s: u32,
    /// Also write a RINEX 3.04 navigation file in the base bundles.
    pub rinex_nav: bool,
    /// Fewer signals a satellite (two), for small fleets on disk.
    pub two_signals: bool,
    /// Evidence held back, to see that a score falls without it: words of `MASKS`.
    pub without: Vec<String>,
    /// Always the full set of spoiled extras: unreadable zip, foreign file, unit without card.
    pub spoil_all: bool,
}

impl Default for Output {
    fn default() -> Output {
        Output {
            bundles: "mixed".into(),
            messages: "mixed".into(),
            base_interval_s: 1,
            gsv_interval_s: 10,
            gst_interval_s: 0,
            date_interval_s: 0,
            ephemeris_interval_s: 10,
            rinex_nav: false,
            two_signals: false,
            spoil_all: false,
            without: Vec::new(),
        }
    }
}

/// Sites drawn at random.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Fleet {
    pub sites: u32,
    #[serde(default = "two")]
    pub rovers: u32,
    #[serde(default)]
    pub share_healthy: f64,
    #[serde(default)]
    pub share_two_causes: f64,
    /// Causes to draw from; all when empty.
    #[serde(default)]
    pub causes: Vec<String>,
}

/// One site by hand.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Site {
    #[serde(default)]
    pub id: Option<String>,
    #[serde(default)]
    pub latitude: Option<f64>,
    #[serde(default)]
    pub longitude: Option<f64>,
    #[serde(default = "two")]
    pub rovers: u32,
    /// Hours of this site's sessions, when they differ from the fleet's.
    #[serde(default)]
    pub hours: Option<f64>,
    /// Solar local hour at which the sessions start.
    #[serde(default)]
    pub start_hour: Option<f64>,
    /// Distance of the work area from the base.
    #[serde(default)]
    pub distance_km: Option<f64>,
    /// Number of systems the base sends (1 to 4): GPS, GLONASS, Galileo, BeiDou in this order.
    #[serde(default)]
    pub systems: Option<u32>,
    /// `msm4`, `msm5`, `msm7` or `legacy` for this base.
    #[serde(default)]
    pub messages: Option<String>,
    #[serde(default)]
    pub base_interval_s: Option<u32>,
    #[serde(default)]
    pub cause: Vec<Injected>,
}

/// One injected cause.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Injected {
    pub id: String,
    /// 0 (hardly felt) to 1 (severe); drawn when left out.
    #[serde(default)]
    pub strength: Option<f64>,
    /// Share of the working time in which it acts.
    #[serde(default = "half")]
    pub share: f64,
    /// Number of the rover (0 = first) for causes of one rover.
    #[serde(default)]
    pub rover: u32,
    /// One of the cause's own modes; drawn when left out.
    #[serde(default)]
    pub mode: Option<u32>,
}

fn bad(key: &str, given: impl std::fmt::Display, accepted: impl std::fmt::Display) -> PracticeError {
    PracticeError::Scenario(format!("key `{key}`: {given} is not possible; accepted: {accepted}"))
}

/// Finds and parses a scenario.
pub(super) fn load(scenario: &str) -> Result<Scenario, PracticeError> {
    let s = if let Some(rest) = scenario.strip_prefix("random:") {
        random(rest)?
    } else if let Some((_, text)) = SHIPPED.iter().find(|(n, _)| *n == scenario) {
        parse(text, scenario)?
    } else if Path::new(scenario).is_file() {
        let text = std::fs::read_to_string(scenario)
            .map_err(|e| PracticeError::Io(format!("cannot read scenario {scenario}: {e}")))?;
        parse(&text, scenario)?
    } else {
        let names: Vec<&str> = SHIPPED.iter().map(|(n, _)| *n).collect();
        return Err(bad(
            "SCENARIO",
            format!("`{scenario}`"),
            format!("a TOML file, random:SITES,ROVERS,DAYS, or one of {}", names.join(", ")),
        ));
    };
    Ok(s)
}

fn parse(text: &str, name: &str) -> Result<Scenario, PracticeError> {
    toml::from_str(text).map_err(|e| PracticeError::Scenario(format!("{name}: {e}")))
}

fn random(rest: &str) -> Result<Scenario, PracticeError> {
    let accepted = "three whole numbers, 1 to 2000 sites, 1 to 50 rovers a site, 1 to 366 days, as in random:10,3,2";
    let v: Vec<u32> = rest.split(',').filter_map(|p| p.trim().parse().ok()).collect();
    let [sites, rovers, days] = v[..] else { return Err(bad("SCENARIO", format!("`random:{rest}`"), accepted)) };
    if rest.split(',').count() != 3 {
        return Err(bad("SCENARIO", format!("`random:{rest}`"), accepted));
    }
    Ok(Scenario {
        _name: "random".into(),
        seed: None,
        start: None,
        days,
        hours: 4.0,
        confounders: true,
        repair_day: None,
        output: Output::default(),
        fleet: Some(Fleet { sites, rovers, share_healthy: 0.2, share_two_causes: 0.36, causes: Vec::new() }),
        site: Vec::new(),
    })
}

/// One of a list of words.
fn word(key: &str, v: &str, list: &[&str]) -> Result<(), PracticeError> {
    if list.contains(&v) { Ok(()) } else { Err(bad(key, format!("`{v}`"), list.join(", "))) }
}

/// One of a list of numbers.
fn number(key: &str, v: u32, list: &[u32]) -> Result<(), PracticeError> {
    let text: Vec<String> = list.iter().map(u32::to_string).collect();
    if list.contains(&v) { Ok(()) } else { Err(bad(key, v, text.join(", "))) }
}

/// Checks every value; names the key and what is accepted.
pub(super) fn check(s: &Scenario) -> Result<(), PracticeError> {
    if !(0.25..=24.0).contains(&s.hours) {
        return Err(bad("hours", s.hours, "0.25 to 24"));
    }
    if !(1..=366).contains(&s.days) {
        return Err(bad("days", s.days, "1 to 366"));
    }
    if let Some(d) = s.repair_day.filter(|d| !(1..s.days.max(1)).contains(d)) {
        return Err(bad("repair_day", d, "1 to days - 1: there must be a day before and one after"));
    }
    if let Some(d) = &s.start {
        let first = clock::days_of(2017, 1, 1) * 86_400;
        let last = clock::days_of(2035, 1, 1) * 86_400;
        if !clock::parse_date(d).is_some_and(|t| (first..last).contains(&t)) {
            return Err(bad("start", format!("`{d}`"), "a date YYYY-MM-DD from 2017-01-01 to 2034-12-31"));
        }
    }
    check_output(&s.output)?;
    if let Some(f) = &s.fleet {
        check_fleet(f)?;
    }
    if s.fleet.is_none() && s.site.is_empty() {
        return Err(bad("site", "no site at all", "at least one [[site]], or a [fleet] with sites = 1 or more"));
    }
    let mut ids = BTreeSet::new();
    for (k, site) in s.site.iter().enumerate() {
        check_site(site, k, &mut ids)?;
        for (n, c) in site.cause.iter().enumerate() {
            check_cause(c, &format!("site[{k}].cause[{n}]"), site.rovers)?;
        }
    }
    Ok(())
}

fn check_output(o: &Output) -> Result<(), PracticeError> {
    word("output.bundles", &o.bundles, &["zip", "folder", "mixed"])?;
    word("output.messages", &o.messages, &["msm4", "msm5", "msm7", "legacy", "mixed"])?;
    number("output.base_interval_s", o.base_interval_s, &[1, 2, 5, 10])?;
    number("output.gst_interval_s", o.gst_interval_s, &[0, 1, 2, 5, 10, 30, 60])?;
    number("output.date_interval_s", o.date_interval_s, &[0, 1, 2, 5, 10, 30, 60])?;
    for w in &o.without {
        word("output.without", w, &MASKS)?;
    }
    if !(1..=300).contains(&o.gsv_interval_s) {
        return Err(bad("output.gsv_interval_s", o.gsv_interval_s, "1 to 300"));
    }
    if !(1..=600).contains(&o.ephemeris_interval_s) {
        return Err(bad("output.ephemeris_interval_s", o.ephemeris_interval_s, "1 to 600"));
    }
    Ok(())
}

fn check_fleet(f: &Fleet) -> Result<(), PracticeError> {
    if !(1..=2000).contains(&f.sites) {
        return Err(bad("fleet.sites", f.sites, "1 to 2000"));
    }
    if !(1..=50).contains(&f.rovers) {
        return Err(bad("fleet.rovers", f.rovers, "1 to 50"));
    }
    for (key, v) in [("fleet.share_healthy", f.share_healthy), ("fleet.share_two_causes", f.share_two_causes)] {
        if !(0.0..=1.0).contains(&v) {
            return Err(bad(key, v, "0 to 1"));
        }
    }
    if f.share_healthy + f.share_two_causes > 1.0 {
        return Err(bad("fleet.share_two_causes", f.share_two_causes, "at most 1 less fleet.share_healthy"));
    }
    for c in &f.causes {
        if Cause::from_id(c).is_none() {
            return Err(bad("fleet.causes", format!("`{c}`"), Cause::accepted()));
        }
    }
    Ok(())
}

/// The `k`-th site; `ids` are those of the sites before it.
fn check_site<'a>(site: &'a Site, k: usize, ids: &mut BTreeSet<&'a str>) -> Result<(), PracticeError> {
    let at = |key: &str| format!("site[{k}].{key}");
    if let Some(id) = &site.id {
        let good = !id.is_empty() && id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
        if !good || id.len() > 40 {
            return Err(bad(&at("id"), format!("`{id}`"), "lower-case letters, digits and - (at most 40)"));
        }
        if !ids.insert(id) {
            return Err(bad(&at("id"), format!("`{id}` (used twice)"), "a name of its own"));
        }
    }
    if site.latitude.is_some_and(|v| !(-80.0..=80.0).contains(&v)) {
        return Err(bad(&at("latitude"), site.latitude.unwrap_or(0.0), "-80 to 80"));
    }
    if site.longitude.is_some_and(|v| !(-180.0..=180.0).contains(&v)) {
        return Err(bad(&at("longitude"), site.longitude.unwrap_or(0.0), "-180 to 180"));
    }
    if site.latitude.is_some() != site.longitude.is_some() {
        return Err(bad(&at("latitude"), "one of latitude and longitude alone", "both or neither"));
    }
    if !(1..=50).contains(&site.rovers) {
        return Err(bad(&at("rovers"), site.rovers, "1 to 50"));
    }
    if site.hours.is_some_and(|v| !(0.25..=24.0).contains(&v)) {
        return Err(bad(&at("hours"), site.hours.unwrap_or(0.0), "0.25 to 24"));
    }
    if site.start_hour.is_some_and(|v| !(0.0..24.0).contains(&v)) {
        return Err(bad(&at("start_hour"), site.start_hour.unwrap_or(0.0), "0 to below 24"));
    }
    if site.distance_km.is_some_and(|v| !(0.05..=100.0).contains(&v)) {
        return Err(bad(&at("distance_km"), site.distance_km.unwrap_or(0.0), "0.05 to 100"));
    }
    if site.systems.is_some_and(|v| !(1..=4).contains(&v)) {
        return Err(bad(&at("systems"), site.systems.unwrap_or(0), "1 to 4 (no satellites, no fix)"));
    }
    if let Some(m) = &site.messages {
        word(&at("messages"), m, &["msm4", "msm5", "msm7", "legacy"])?;
    }
    if let Some(v) = site.base_interval_s {
        number(&at("base_interval_s"), v, &[1, 2, 5, 10])?;
    }
    if site.cause.len() > 4 {
        return Err(bad(&at("cause"), format!("{} causes", site.cause.len()), "at most 4 at a site"));
    }
    Ok(())
}

/// A cause at the key `place`, of a site with so many rovers.
fn check_cause(c: &Injected, place: &str, rovers: u32) -> Result<(), PracticeError> {
    let at = |key: &str| format!("{place}.{key}");
    let Some(_) = Cause::from_id(&c.id) else {
        return Err(bad(&at("id"), format!("`{}`", c.id), Cause::accepted()));
    };
    if c.strength.is_some_and(|v| !(0.0..=1.0).contains(&v)) {
        return Err(bad(&at("strength"), c.strength.unwrap_or(0.0), "0 to 1"));
    }
    if !(0.0..=1.0).contains(&c.share) {
        return Err(bad(&at("share"), c.share, "0 to 1"));
    }
    if c.rover >= rovers {
        return Err(bad(&at("rover"), c.rover, format!("0 to {}", rovers - 1)));
    }
    if c.mode.is_some_and(|m| m > 2) {
        return Err(bad(&at("mode"), c.mode.unwrap_or(0), "0 to 2"));
    }
    Ok(())
}
