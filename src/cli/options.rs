//! What can be typed.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Reads diagnostic bundles of GNSS bases and RTK rovers, finds every period without an RTK fix and ranks, per base site,
/// the likely causes.
///
/// Exit codes: 0 done; 1 could not do the job; 2 wrong usage or configuration; 3 done, but some input could not be read
/// (all of it listed); 4 done, and a site is above an alert limit.
#[derive(Debug, Parser)]
#[command(name = "lostfix", version, max_term_width = 110)]
pub struct Options {
    /// Options of every command.
    #[command(flatten)]
    pub common: Common,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// Options of every command.
#[derive(Debug, Args)]
pub struct Common {
    /// Settings file (TOML). Nothing is picked up by itself.
    #[arg(long, global = true, value_name = "FILE")]
    pub config: Option<PathBuf>,
    /// How many bundles are read at once (default: one a core).
    #[arg(long, global = true, value_name = "N")]
    pub jobs: Option<usize>,
    /// Say nothing but errors.
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Say what is done with every bundle.
    #[arg(long, short, global = true, conflicts_with = "quiet")]
    pub verbose: bool,
    /// Colours on the terminal.
    #[arg(long, global = true, value_enum, default_value_t = Color::Auto, value_name = "WHEN")]
    pub color: Color,
}

/// When to use colours.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Color {
    /// On a terminal, unless NO_COLOR is set.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The whole job in one go: read, analyse, write the report.
    Report(Box<ReportArgs>),
    /// Only bring new bundles into a store; known ones cost nothing, several processes may do it at once.
    Read(ReadArgs),
    /// For a scheduler: read what is new, analyse the window, write the report, keep the history. Settings: [nightly].
    Nightly(NightlyArgs),
    /// What is in one bundle (folder or zip) or one file.
    Look(LookArgs),
    /// Make a practice fleet: bundles with known causes, and the truth beside them.
    Practice(PracticeArgs),
    /// Compare findings with a known truth.
    Score(ScoreArgs),
    /// What a cause looks like, what speaks for and against it, what to check, cautions.
    Explain(ExplainArgs),
    /// The commented default settings; with --config, check a settings file.
    Settings(SettingsArgs),
}

/// `lostfix report`.
#[derive(Debug, Args)]
pub struct ReportArgs {
    /// Folders with bundles (a single bundle or file will do too).
    #[arg(required_unless_present = "store", value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Analyse what `lostfix read` brought into this store, instead of folders.
    #[arg(long, value_name = "DIR", conflicts_with = "folders")]
    pub store: Option<PathBuf>,
    /// Where the report goes.
    #[arg(long, value_name = "DIR", default_value = "lostfix-report")]
    pub out: PathBuf,
    /// Where tables of a large pile are put aside meanwhile (default: beside the report; gone at the end).
    #[arg(long, value_name = "DIR", conflicts_with = "store")]
    pub scratch: Option<PathBuf>,
    /// Begin of the window: RFC 3339 or a date, UTC.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End of the window (a date counts to its end).
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Only this site (may be given several times).
    #[arg(long, value_name = "ID")]
    pub site: Vec<String>,
    /// What to write beside findings.json and the tables.
    #[arg(long, value_name = "LIST", value_delimiter = ',', default_value = "html,md")]
    pub format: Vec<String>,
    /// Fleet register (fleet.toml).
    #[arg(long, value_name = "FILE")]
    pub fleet: Option<PathBuf>,
    /// Complaints (CSV).
    #[arg(long, value_name = "FILE")]
    pub complaints: Option<PathBuf>,
    /// Field work (CSV).
    #[arg(long, value_name = "FILE")]
    pub fieldwork: Option<PathBuf>,
    /// Airports, radars, masts (CSV or GeoJSON).
    #[arg(long, value_name = "FILE")]
    pub places: Option<PathBuf>,
    /// Kp text, flares or IONEX (may be given several times).
    #[arg(long, value_name = "FILE")]
    pub space_weather: Vec<PathBuf>,
    /// Antennas, cables, firmware (TOML).
    #[arg(long, value_name = "FILE")]
    pub catalogue: Option<PathBuf>,
    /// Use only files given by option, not those lying beside the bundles.
    #[arg(long)]
    pub only_given: bool,
    /// A machine summary on stdout.
    #[arg(long)]
    pub json: bool,
}

/// `lostfix read`.
#[derive(Debug, Args)]
pub struct ReadArgs {
    /// Folders with bundles (a single bundle or file will do too).
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// The store; made when it is not there. Several processes may read into it at once.
    #[arg(long, value_name = "DIR")]
    pub store: PathBuf,
    /// Only part K of N of the bundles, for a job scheduler.
    #[arg(long, value_name = "K/N")]
    pub shard: Option<String>,
    /// Fleet register (fleet.toml).
    #[arg(long, value_name = "FILE")]
    pub fleet: Option<PathBuf>,
    /// Use only files given by option, not those lying beside the bundles.
    #[arg(long)]
    pub only_given: bool,
    /// A machine summary on stdout.
    #[arg(long)]
    pub json: bool,
}

/// `lostfix nightly`.
#[derive(Debug, Args)]
pub struct NightlyArgs {
    /// Only check settings, paths and limits, and print every setting with where it comes from.
    #[arg(long)]
    pub check: bool,
    /// End of the window instead of now (a date counts to its end): a missed night made up for.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// A machine summary on stdout.
    #[arg(long)]
    pub json: bool,
}

/// `lostfix settings`.
#[derive(Debug, Args)]
pub struct SettingsArgs {
    /// Instead: the catalogue that ships (antennas, cables, receivers, firmware), as a start for your own.
    #[arg(long, conflicts_with_all = ["completions", "man"])]
    pub catalogue: bool,
    /// Instead: the completion script of a shell, to be put where that shell looks for it.
    #[arg(long, value_enum, value_name = "SHELL", conflicts_with = "man")]
    pub completions: Option<clap_complete::Shell>,
    /// Instead: write the manual pages into this folder.
    #[arg(long, value_name = "DIR")]
    pub man: Option<PathBuf>,
}

/// `lostfix look`.
#[derive(Debug, Args)]
pub struct LookArgs {
    /// A bundle (folder or zip) or one file.
    #[arg(value_name = "PATH")]
    pub path: PathBuf,
    /// Schema lostfix-look/1 on stdout.
    #[arg(long)]
    pub json: bool,
    /// Of a base: write the sky as a page (sky view, C/N0 and multipath over elevation, satellites over time).
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
    /// Broadcast orbits from elsewhere, such as the RINEX navigation file of the day (may be given more than once).
    #[arg(long, value_name = "FILE")]
    pub orbits: Vec<PathBuf>,
}

/// `lostfix practice`.
#[derive(Debug, Args)]
pub struct PracticeArgs {
    /// A scenario file, the name of a shipped scenario, or random:SITES,ROVERS,DAYS.
    #[arg(value_name = "SCENARIO")]
    pub scenario: String,
    /// Where the fleet goes.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Seed; the same seed makes the same fleet.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Hold evidence back, to see that the score falls without it: cn0, spectrum, ages, events, metrics.
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    pub without: Vec<String>,
}

/// `lostfix score`.
#[derive(Debug, Args)]
pub struct ScoreArgs {
    /// truth.json of a practice fleet (several: in the order of the findings).
    #[arg(long, required = true, value_name = "FILE")]
    pub truth: Vec<PathBuf>,
    /// findings.json of a report over the same fleet.
    #[arg(long, required = true, value_name = "FILE")]
    pub findings: Vec<PathBuf>,
    /// The scoreboard as JSON on stdout.
    #[arg(long)]
    pub json: bool,
    /// Floors, as ac1=0.9,healthy=0.95: exit code 1 when a figure lies below. Keys: ac1, ac3, both, healthy, complaints,
    /// time, and calibration (the error, at most).
    #[arg(long, value_name = "LIST", value_delimiter = ',')]
    pub at_least: Vec<String>,
}

/// `lostfix explain`.
#[derive(Debug, Args)]
pub struct ExplainArgs {
    /// A cause id; none: a list of all.
    #[arg(value_name = "CAUSE")]
    pub cause: Option<String>,
}
