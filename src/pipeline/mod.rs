//! The only room that knows the order of the stages: find, read, identify, frames, detect, correlate, judge, findings.
//! Bundles and sites run in parallel; results are taken in the order of their names, so that two runs give the same.

mod aside;
mod beside;
mod column_maps;
mod complaints;
mod fieldwork;
mod findings;
mod fleet_view;
mod ionosphere_maps;
mod log;
mod long;
pub mod look;
mod look_sky;
mod pictures;
pub mod read;
mod setup;
mod sites;
mod sky;
mod store_read;
mod store_report;
mod stored;
mod units;
mod workers;

pub use beside::Given;
pub use fleet_view::{SiteNumbers, WindowNumbers, compare};
pub use store_read::{ReadOutcome, Shard, make_store, read_into};
pub use store_report::analyse_store;

use crate::causes::verdict::CAUSES;
use crate::causes::weights::{SHIPPED, Weights};
use crate::config::settings::Settings;
use crate::crawl;
use crate::detect::Limits;
use crate::formats::text::FormatSettings;
use crate::identify::PathPattern;
use crate::model::findings::{Findings, NotRead};
use crate::model::picture::Pictures;
use crate::model::time::UtcMs;
use crate::store::Scratch;
use std::path::PathBuf;
use std::sync::Arc;

/// What is to be done.
#[derive(Debug, Clone, Default)]
pub struct Request {
    /// Folders (or single bundles) to read.
    pub folders: Vec<PathBuf>,
    /// Begin of the window, UTC ms.
    pub from: Option<UtcMs>,
    /// End of the window, UTC ms.
    pub to: Option<UtcMs>,
    /// Only these sites; empty: all.
    pub sites: Vec<String>,
    /// Files given by option.
    pub given: Given,
    /// Use only files given by option.
    pub only_given: bool,
    /// Of a store: leave out bundles that hold nothing of the window.
    pub only_window: bool,
    /// Where tables of a large pile are put aside while it is analysed; `None`: the system's folder for temporary files.
    pub scratch: Option<PathBuf>,
    /// Tables that take up to so much stay in memory, bytes; `None`: [`MEMORY_BYTES`].
    pub memory_bytes: Option<u64>,
    /// Settings.
    pub settings: Settings,
}

/// Tables of all bundles, and pictures of judged sites, that are kept in memory while a pile is analysed, bytes; more go to disk.
pub const MEMORY_BYTES: u64 = 96 * 1024 * 1024;

/// What came out.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// For every output.
    pub findings: Findings,
    /// For the pages.
    pub pictures: Pictures,
    /// run.log, without times of the run.
    pub log: String,
    /// Sites above an alert limit.
    pub alerts: Vec<String>,
    /// Whether complaints were given.
    pub complaints_given: bool,
}

/// Why the job could not be done, in words with what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunError {
    /// Wrong settings or a file that was named and cannot be used: exit code 2.
    Usage(String),
    /// The job itself: exit code 1.
    Failed(String),
}

/// Told what goes on, for a progress line.
pub trait Watch: Sync {
    /// A stage begins with so many steps.
    fn stage(&self, _name: &str, _steps: u64) {}
    /// One step is done.
    fn step(&self, _what: &str) {}
}

/// Nobody watches.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unwatched;

impl Watch for Unwatched {}

/// The parts of the settings that the stages take.
pub(crate) struct Rules {
    pub(crate) limits: Limits,
    pub(crate) weights: Weights,
    pub(crate) paths: Vec<PathPattern>,
    pub(crate) formats: FormatSettings,
}

impl Rules {
    pub(crate) fn of(settings: &Settings) -> Result<Rules, RunError> {
        let mut limits = Limits::default();
        for (name, value) in &settings.detect {
            limits.set(name, *value).map_err(|e| RunError::Usage(format!("settings, [detect]: {e}")))?;
        }
        let mut known: Vec<(&str, &str)> = CAUSES.to_vec();
        known.push(("unexplained", "unexplained"));
        let mut weights = Weights::parse(SHIPPED, &known).map_err(RunError::Failed)?;
        weights.override_with(&settings.weights, &known).map_err(RunError::Usage)?;
        let mut paths = Vec::new();
        for rule in &settings.path_rule {
            let pattern = regex::Regex::new(&rule.pattern)
                .map_err(|e| RunError::Usage(format!("settings, [[path_rule]] `{}`: {e}", rule.pattern)))?;
            paths.push(PathPattern { pattern, role: rule.role });
        }
        let formats = beside::format_settings(settings)?;
        Ok(Rules { limits, weights, paths, formats })
    }
}

/// The whole job up to the findings.
///
/// # Errors
/// [`RunError`]; single bundles and files never stop a run, they are listed.
pub fn analyse(request: &Request, watch: &dyn Watch) -> Result<Outcome, RunError> {
    let rules = Rules::of(&request.settings)?;
    check_folders(&request.folders)?;
    let limits = crawl::Limits::default();
    let inventory = crawl::find(&request.folders, &limits);
    let beside = beside::Beside::load(request, &inventory, &rules)?;
    let scratch = scratch_of(request);
    let read = read::read_all(&inventory, &limits, &rules.formats, &scratch, watch)?;
    conclude(request, &inventory, &beside, &rules, read, &scratch, watch)
}

/// Where a run puts aside what memory should not hold.
fn scratch_of(request: &Request) -> Arc<Scratch> {
    let temp = std::env::temp_dir();
    let parent = request.scratch.as_deref().unwrap_or(&temp);
    Arc::new(Scratch::new(parent, request.memory_bytes.unwrap_or(MEMORY_BYTES)))
}

/// A FOLDER that is not there is a matter of usage.
fn check_folders(folders: &[PathBuf]) -> Result<(), RunError> {
    for folder in folders {
        if std::fs::symlink_metadata(folder).is_err() {
            return Err(RunError::Usage(format!(
                "{}: no such folder or file; name a folder with bundles, a bundle, or a file",
                folder.display()
            )));
        }
    }
    Ok(())
}

/// From read bundles to the outcome.
fn conclude(
    request: &Request,
    inventory: &crawl::Inventory,
    beside: &beside::Beside,
    rules: &Rules,
    read: read::ReadAll,
    scratch: &Arc<Scratch>,
    watch: &dyn Watch,
) -> Result<Outcome, RunError> {
    let placed = sites::place_all(&read, beside, rules);
    let mut not_read = read.not_read.clone();
    not_read.extend(
        inventory
            .not_taken
            .iter()
            .filter(|n| n.why != crawl::Why::Nothing)
            .map(|n| NotRead { path: n.path.clone(), reason: format!("{}; {}", n.problem.what, n.problem.hint) }),
    );
    not_read.sort();
    let log = log::text(inventory, &read, &placed, beside, &not_read);
    let bundles_read = read.bundles.iter().filter(|b| b.usable()).count() as u64;
    let duplicates = read.duplicates.len() as u64;
    let found = inventory.bundles.len() as u64;
    let (units, navigation) = units::collect(read, &placed, beside);
    let known = units::survey(&units, beside, rules, request, watch)?;
    let tools = sites::Tools { units: &units, known: &known, navigation: &navigation, beside, rules, request, scratch };
    let judged = findings::judge(&tools, watch)?;
    let mut outcome = findings::conclude(judged, &tools, &placed.cards());
    outcome.findings.input.bundles_found = found;
    outcome.findings.input.bundles_read = bundles_read;
    outcome.findings.input.duplicates = duplicates;
    outcome.findings.input.not_read = not_read;
    outcome.findings.input.not_placed = placed.not_placed.clone();
    outcome.findings.input.notes = placed.notes.clone();
    outcome.log = log;
    outcome.complaints_given = beside.complaints_given;
    Ok(outcome)
}

/// Whether the stages can take settings: names of limits and weights, patterns, column maps.
///
/// # Errors
/// What is wrong.
pub fn check_settings(settings: &Settings) -> Result<(), String> {
    match Rules::of(settings) {
        Ok(_) => Ok(()),
        Err(RunError::Usage(why) | RunError::Failed(why)) => Err(why),
    }
}
