//! Room: practice. Writes fleets of bundles whose truth is known, to train people and to measure the ranking.
//!
//! This room shares no code with the decoders and imports nothing of the crate: its own bit writer, sentence writer,
//! time scales, geodesy and orbits. Two equal mistakes must not cancel.
//!
//! # The world
//!
//! Four invented constellations on Kepler orbits (`orbit`) seen from a place (`geometry`), C/N0 from power, antenna pattern
//! and noise cascade (`signal`), walls, trees and reflections (`obstacles`), receivers that lock, fade and slip (`track`),
//! an ionosphere with gradients and drifting patches (`skyweather`), machines (`machine`), a radio path (`radio`) and a fix
//! state (`fix`). Faults act on these, never on the fix state itself: when is in `level`, what they do in `fault`. Every
//! rover is run once as it was, once without each cause and once without any, with the same luck; a lost second belongs to
//! the cause without which the rover would have been fixed (`judge`, `truth.json`).
//!
//! # Scenario keys (TOML)
//!
//! | key | default | meaning |
//! |---|---|---|
//! | `name` | "" | free text |
//! | `seed` | 1 | used when `--seed` is not given |
//! | `start` | drawn | UTC date of the first session, 2017-01-01 to 2034-12-31 |
//! | `days` | 1 | sessions a site, 1 to 366 |
//! | `hours` | 4.0 | length of a session, 0.25 to 24 |
//! | `confounders` | true | harmless events, trees, missing cards, duplicate, overlapping, cut and foreign files |
//! | `repair_day` | none | work before this day (1 to days - 1) at every site with a mendable cause; every second one is mended |
//! | `output.bundles` | "mixed" | "zip", "folder", "mixed" |
//! | `output.messages` | "mixed" | "msm4", "msm5", "msm7", "legacy", "mixed" |
//! | `output.base_interval_s` | 1 | seconds between base epochs: 1, 2, 5, 10 |
//! | `output.gsv_interval_s` | 10 | seconds between GSV and GSA groups, 1 to 300 |
//! | `output.gst_interval_s` | 0 | seconds between GST; 0 = by unit (1, 2 or 5) |
//! | `output.date_interval_s` | 0 | seconds between RMC or ZDA; 0 = every second |
//! | `output.ephemeris_interval_s` | 10 | seconds between ephemerides of one system, 1 to 600 |
//! | `output.rinex_nav` | false | also a RINEX 3.04 navigation file in base bundles |
//! | `output.two_signals` | false | two signals a satellite at most (small fleets on disk) |
//! | `output.without` | [] | evidence held back: "cn0", "spectrum", "ages", "events" (and syslog), "metrics" |
//! | `output.spoil_all` | false | one each of: unreadable zip, foreign file, unit without a card |
//! | `fleet.sites` | | sites drawn at random, 1 to 2000 |
//! | `fleet.rovers` | 2 | rovers a site, 1 to 50 |
//! | `fleet.share_healthy`, `fleet.share_two_causes` | 0 | shares of such sites |
//! | `fleet.causes` | all | causes to draw from |
//! | `site.id` | drawn | lower-case letters, digits, `-` |
//! | `site.latitude`, `site.longitude` | drawn | degrees |
//! | `site.rovers` | 2 | 1 to 50 |
//! | `site.hours` | `hours` | length of this site's sessions |
//! | `site.start_hour` | drawn | solar local hour at which sessions start |
//! | `site.distance_km` | drawn | base to work area, 0.05 to 100 |
//! | `site.systems` | drawn | systems of the base, 1 to 4 |
//! | `site.messages`, `site.base_interval_s` | `output` | as above, for this base |
//! | `site.cause.id` | | a cause id of the contract |
//! | `site.cause.strength` | drawn | 0 to 1 |
//! | `site.cause.share` | 0.6 | share of working time in which it acts |
//! | `site.cause.rover` | 0 | which rover, for causes of one rover |
//! | `site.cause.mode` | drawn | 0 to 2, see `fault` |

mod beside;
mod bundle;
mod cause;
mod claims;
mod clock;
mod draw;
mod earth;
mod fault;
mod fix;
mod fleet;
mod geometry;
mod hardware;
mod judge;
mod level;
mod machine;
mod nmea;
mod obstacles;
mod orbit;
mod plan;
mod radio;
mod rinex;
mod rng;
mod rover_log;
mod rtcm;
mod scenario;
mod side;
mod signal;
mod site;
mod skyweather;
mod stream;
mod track;
mod world;

use plan::World;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

/// Why a practice fleet could not be made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PracticeError {
    /// The scenario is wrong: names the key and the accepted values. Exit code 2.
    Scenario(String),
    /// The output folder is not ours to replace. Exit code 1.
    OutDir(String),
    /// Reading or writing failed. Exit code 1.
    Io(String),
}

impl fmt::Display for PracticeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PracticeError::Scenario(s) => write!(f, "scenario: {s}"),
            PracticeError::OutDir(s) | PracticeError::Io(s) => f.write_str(s),
        }
    }
}

impl std::error::Error for PracticeError {}

/// What one cause did at one site. Hours are rover-hours.
#[derive(Debug, Clone, PartialEq)]
pub struct CauseRow {
    /// Site id.
    pub site: String,
    /// Cause id.
    pub cause: String,
    /// Observed rover-hours at the site.
    pub observed_hours: f64,
    /// Lost rover-hours that would not have been lost without this cause.
    pub lost_hours: f64,
    /// Lost share of observed time as it was.
    pub lost_share: f64,
    /// Lost share of the same time with no cause at all.
    pub lost_share_without: f64,
}

/// What was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Sites.
    pub sites: usize,
    /// Bundles (zips and folders), extras included.
    pub bundles: usize,
    /// Bytes on disk.
    pub bytes: u64,
    /// Observed rover-hours.
    pub observed_hours: f64,
    /// Lost rover-hours.
    pub lost_hours: f64,
    /// Causes by site, in the order of the sites; sites without a cause have none.
    pub causes: Vec<CauseRow>,
    /// Fixed share of observed time over sites without any cause; `None` if there is none.
    pub healthy_fixed_share: Option<f64>,
    /// The seed used.
    pub seed: u64,
}

/// Names of the scenarios that ship with the program.
pub fn shipped() -> Vec<&'static str> {
    scenario::SHIPPED.iter().map(|(n, _)| *n).collect()
}

/// Makes a practice fleet in `out` (a new or empty folder, or one that an earlier run wrote). `scenario` is the path of
/// a TOML file, the name of a shipped scenario, or `random:SITES,ROVERS,DAYS`. The same scenario and seed give the same
/// bytes on any number of threads. Nothing is left half-written: a temporary folder beside `out` is renamed at the end.
pub fn run(scenario: &str, out: &Path, seed: Option<u64>) -> Result<Summary, PracticeError> {
    run_without(scenario, out, seed, &[])
}

/// Like [`run`], with evidence held back (`cn0`, `spectrum`, `ages`, `events`, `metrics`): the same world and truth, less to
/// see of it.
///
/// # Errors
/// As [`run`]; a word that is not one of these is a scenario error.
pub fn run_without(
    scenario: &str,
    out: &Path,
    seed: Option<u64>,
    without: &[String],
) -> Result<Summary, PracticeError> {
    let mut sc = scenario::load(scenario)?;
    sc.output.without.extend_from_slice(without);
    scenario::check(&sc)?;
    let seed = seed.or(sc.seed).unwrap_or(1);
    let ours = check_out(out)?;
    let world = World::new(&sc, seed);
    let tmp = beside(out, "partial");
    if tmp.exists() {
        remove(&tmp)?;
    }
    std::fs::create_dir_all(&tmp).map_err(|e| PracticeError::Io(format!("cannot create {}: {e}", tmp.display())))?;
    let made = make(&world, &tmp).inspect_err(|_| {
        let _ = std::fs::remove_dir_all(&tmp);
    })?;
    let rename = |a: &Path, b: &Path| {
        std::fs::rename(a, b)
            .map_err(|e| PracticeError::Io(format!("cannot rename {} to {}: {e}", a.display(), b.display())))
    };
    if ours {
        let old = beside(out, "old");
        if old.exists() {
            remove(&old)?;
        }
        rename(out, &old)?;
        rename(&tmp, out)?;
        remove(&old)?;
    } else {
        if out.exists() {
            std::fs::remove_dir(out)
                .map_err(|e| PracticeError::Io(format!("cannot replace {}: {e}", out.display())))?;
        }
        rename(&tmp, out)?;
    }
    Ok(made)
}

fn remove(path: &Path) -> Result<(), PracticeError> {
    std::fs::remove_dir_all(path).map_err(|e| PracticeError::Io(format!("cannot remove {}: {e}", path.display())))
}

/// A hidden sibling of the output folder.
fn beside(out: &Path, what: &str) -> PathBuf {
    let name = out.file_name().map_or_else(|| "practice".into(), |n| n.to_string_lossy().into_owned());
    let parent = out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    parent.join(format!(".{name}.{what}"))
}

/// True when the folder holds an earlier practice fleet; an error when it holds something else.
fn check_out(out: &Path) -> Result<bool, PracticeError> {
    if !out.exists() {
        if let Some(p) = out.parent().filter(|p| !p.as_os_str().is_empty()) {
            std::fs::create_dir_all(p).map_err(|e| PracticeError::Io(format!("cannot create {}: {e}", p.display())))?;
        }
        return Ok(false);
    }
    let mut entries = std::fs::read_dir(out)
        .map_err(|e| PracticeError::OutDir(format!("{} is not a folder that can be read: {e}", out.display())))?;
    if entries.next().is_none() {
        return Ok(false);
    }
    let truth = std::fs::read_to_string(out.join("truth.json")).unwrap_or_default();
    if truth.contains("\"lostfix-truth/1\"") && out.join("fleet.toml").is_file() {
        return Ok(true);
    }
    Err(PracticeError::OutDir(format!(
        "{} is not empty and holds no practice fleet (truth.json); give a new folder",
        out.display()
    )))
}

fn make(world: &World, dir: &Path) -> Result<Summary, PracticeError> {
    let results: Vec<Result<fleet::SiteDone, PracticeError>> = world
        .sites
        .par_iter()
        .enumerate()
        .map(|(k, p)| fleet::hand_over(world, k, p, site::run(world, p), dir))
        .collect();
    let mut done = Vec::with_capacity(results.len());
    for r in results {
        done.push(r?);
    }
    let extra = beside::everything(world, &done, dir)?;
    let mut summary = Summary {
        sites: done.len(),
        bundles: done.iter().map(|d| d.bundles).sum::<usize>() + extra.0,
        bytes: done.iter().map(|d| d.bytes).sum::<u64>() + extra.1,
        observed_hours: 0.0,
        lost_hours: 0.0,
        causes: Vec::new(),
        healthy_fixed_share: None,
        seed: world.seed,
    };
    let (mut calm_observed, mut calm_lost) = (0u64, 0u64);
    for (p, d) in world.sites.iter().zip(&done) {
        let observed: u64 = d.tallies.iter().map(|t| t.2.observed_s).sum();
        let lost: u64 = d.tallies.iter().map(|t| t.2.lost_s).sum();
        let without: u64 = d.tallies.iter().map(|t| t.2.lost_without_s).sum();
        summary.observed_hours += observed as f64 / 3600.0;
        summary.lost_hours += lost as f64 / 3600.0;
        if p.causes.is_empty() {
            calm_observed += observed;
            calm_lost += lost;
        }
        let by = by_cause(d, p.causes.len());
        for (b, c) in p.causes.iter().enumerate() {
            summary.causes.push(CauseRow {
                site: p.id.clone(),
                cause: c.id().to_string(),
                observed_hours: observed as f64 / 3600.0,
                lost_hours: by.get(&Some(b as u8)).copied().unwrap_or(0) as f64 / 3600.0,
                lost_share: lost as f64 / observed.max(1) as f64,
                lost_share_without: without as f64 / observed.max(1) as f64,
            });
        }
    }
    if calm_observed > 0 {
        summary.healthy_fixed_share = Some(1.0 - calm_lost as f64 / calm_observed as f64);
    }
    Ok(summary)
}

/// Lost seconds of a site by cause; `None` = unexplained.
fn by_cause(d: &fleet::SiteDone, causes: usize) -> BTreeMap<Option<u8>, u64> {
    let mut out = BTreeMap::new();
    for (_, _, t) in &d.tallies {
        for (b, s) in t.by_cause_s.iter().enumerate() {
            *out.entry((b < causes).then_some(b as u8)).or_insert(0) += s;
        }
    }
    out
}
