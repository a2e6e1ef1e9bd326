//! The settings file (TOML). Only taken from where the user points. Unknown keys are refused with file, line and the
//! nearest known key; the commented default is `defaults.toml`.

use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The commented default settings, as the program prints them.
pub const DEFAULTS: &str = include_str!("defaults.toml");

/// All settings, resolved.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// When a site is healthy.
    pub noise: Noise,
    /// What counts as lost.
    pub time: TimeRules,
    /// Who is a neighbour.
    pub neighbours: Neighbours,
    /// Limits of detectors by name.
    pub detect: BTreeMap<String, f64>,
    /// Log-odds that differ from the shipped table: `"evidence id" = { cause = number }`.
    pub weights: BTreeMap<String, BTreeMap<String, f64>>,
    /// When a person must be called (exit code 4).
    pub alert: Alert,
    /// What lost time costs.
    pub money: Money,
    /// The nightly run.
    pub nightly: Nightly,
    /// Files beside the bundles.
    pub files: Files,
    /// Who is it, by path.
    pub path_rule: Vec<PathRule>,
    /// Foreign CSV.
    pub column_map: Vec<toml::Table>,
    /// Events in syslog by keyword.
    pub syslog_rule: Vec<SyslogRule>,
    /// The time of the run, UTC ms; not a setting of the file. `None` (tests): nothing is held to be in the future.
    #[serde(skip)]
    pub now: Option<i64>,
}

/// When a site is healthy and when there is too little data (`analysis.md`).
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Noise {
    /// Lost share that is healthy.
    pub healthy_share: f64,
    /// A cause with this much, h ...
    pub cause_hours: f64,
    /// ... and this confidence makes a site ill.
    pub cause_confidence: f64,
    /// Fewer observed rover-hours are too little data.
    pub too_little_hours: f64,
}

impl Default for Noise {
    fn default() -> Noise {
        Noise { healthy_share: 0.02, cause_hours: 0.25, cause_confidence: 0.5, too_little_hours: 2.0 }
    }
}

/// What counts as observed, start-up, lost.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TimeRules {
    /// A longer gap between epochs is silence, s.
    pub gap_s: f64,
    /// A longer silence begins a new start-up, s.
    pub restart_silence_s: f64,
    /// Longest start-up, s.
    pub start_up_s: f64,
    /// Lost runs closer than this are one period, s.
    pub merge_s: f64,
    /// A shorter run is no period, s.
    pub shortest_s: f64,
}

impl Default for TimeRules {
    fn default() -> TimeRules {
        TimeRules { gap_s: 10.0, restart_silence_s: 900.0, start_up_s: 120.0, merge_s: 5.0, shortest_s: 2.0 }
    }
}

/// Who is a neighbour.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Neighbours {
    /// Distance of a neighbouring base, km.
    pub distance_km: f64,
}

impl Default for Neighbours {
    fn default() -> Neighbours {
        Neighbours { distance_km: 150.0 }
    }
}

/// When a person must be called.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Alert {
    /// Lost rover-hours of a site.
    pub lost_hours: Option<f64>,
    /// Fixed share of a site.
    pub fixed_share: Option<f64>,
}

/// What lost time costs.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Money {
    /// Cost of a rover-hour at sites that the fleet register gives none for.
    pub hourly_cost: Option<f64>,
}

/// The nightly run.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Nightly {
    /// Folders with bundles.
    pub folders: Vec<PathBuf>,
    /// The store.
    pub store: PathBuf,
    /// Where dated reports, `latest` and the history go.
    pub reports: PathBuf,
    /// Length of the window, days; 0: everything in the store.
    pub window_days: u32,
    /// Dated reports that are kept.
    pub keep: u32,
    /// How long to wait for another run on the same store, s.
    pub wait_s: u32,
    /// What to write beside findings.json and the tables.
    pub formats: Vec<String>,
}

impl Default for Nightly {
    fn default() -> Nightly {
        Nightly {
            folders: Vec::new(),
            store: PathBuf::from("lostfix-store"),
            reports: PathBuf::from("lostfix-reports"),
            window_days: 7,
            keep: 14,
            wait_s: 0,
            formats: vec!["html".to_owned(), "md".to_owned()],
        }
    }
}

/// Files beside the bundles; the same as the options.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Files {
    /// Fleet register.
    pub fleet: Option<PathBuf>,
    /// Complaints.
    pub complaints: Option<PathBuf>,
    /// Field work.
    pub fieldwork: Option<PathBuf>,
    /// Places.
    pub places: Option<PathBuf>,
    /// Kp text, flares, IONEX.
    pub space_weather: Vec<PathBuf>,
    /// Catalogue.
    pub catalogue: Option<PathBuf>,
}

/// A regular expression over a bundle's path with the groups `site`, `unit`, `role`.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PathRule {
    /// The expression.
    pub pattern: String,
    /// Role where the path does not name it.
    #[serde(default)]
    pub role: Option<crate::model::ids::Role>,
}

/// Words in a syslog line that are an event.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SyslogRule {
    /// Regular expression, without case.
    pub pattern: String,
    /// Event kind.
    pub kind: String,
}

impl Settings {
    /// Paths that are not absolute are meant from the folder of the settings file, wherever the program is started.
    pub fn relative_to(&mut self, folder: &Path) {
        let fix = |p: &mut PathBuf| {
            if p.is_relative() {
                *p = folder.join(&*p);
            }
        };
        let files = &mut self.files;
        let single =
            [&mut files.fleet, &mut files.complaints, &mut files.fieldwork, &mut files.places, &mut files.catalogue];
        single.into_iter().flatten().for_each(fix);
        files.space_weather.iter_mut().for_each(fix);
        self.nightly.folders.iter_mut().for_each(fix);
        fix(&mut self.nightly.store);
        fix(&mut self.nightly.reports);
    }
}

/// Reads settings.
///
/// # Errors
/// Line, what is wrong, and for an unknown key the nearest known one.
pub fn parse(text: &str) -> Result<Settings, String> {
    toml::from_str::<Settings>(text.trim_start_matches('\u{feff}')).map_err(|e| {
        let line = e.span().map_or(0, |s| text[..s.start.min(text.len())].matches('\n').count() + 1);
        let message = e.message();
        format!("line {line}: {message}{}", nearest_hint(message))
    })
}

/// `unknown field `x`, expected one of `a`, `b``: says which of them is meant.
fn nearest_hint(message: &str) -> String {
    let names: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let Some((unknown, known)) = names.split_first() else { return String::new() };
    if !message.starts_with("unknown field") {
        return String::new();
    }
    match known.iter().min_by_key(|k| edit_distance(unknown, k)) {
        Some(k) if edit_distance(unknown, k) <= unknown.len() / 2 + 1 => format!(" (do you mean `{k}`?)"),
        _ => String::new(),
    }
}

/// Levenshtein distance.
pub fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut before = row[0];
        row[0] = i + 1;
        for j in 0..b.len() {
            let next = if x == b[j] { before } else { 1 + before.min(row[j]).min(row[j + 1]) };
            before = row[j + 1];
            row[j + 1] = next;
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_printed_default_is_the_built_in_default() {
        let printed = parse(DEFAULTS).unwrap();
        assert_eq!(printed.noise, Noise::default());
        assert_eq!(printed.time, TimeRules::default());
        assert_eq!(printed.neighbours, Neighbours::default());
        assert_eq!(printed.alert, Alert::default());
        assert_eq!(printed.money, Money::default());
        assert_eq!(printed.nightly, Nightly::default());
        assert_eq!(printed.files, Files::default());
    }

    #[test]
    fn every_example_in_the_comments_is_right() {
        // Commented keys and tables uncommented, prose left out: the file must still be read, and name every key.
        let mut text = String::new();
        for line in DEFAULTS.lines() {
            let bare = line.strip_prefix("# ").unwrap_or(line);
            let is_key = bare.starts_with('[')
                || bare.split_once('=').is_some_and(|(k, _)| !k.trim().contains(' ') || k.starts_with('"'));
            text.push_str(if is_key || line.is_empty() { bare } else { "" });
            text.push('\n');
        }
        let all = parse(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        assert!(all.alert.lost_hours.is_some() && all.alert.fixed_share.is_some() && all.money.hourly_cost.is_some());
        assert_eq!((all.path_rule.len(), all.column_map.len(), all.syslog_rule.len()), (1, 1, 1));
        assert!(all.files.catalogue.is_some() && !all.detect.is_empty() && !all.weights.is_empty());
    }

    #[test]
    fn paths_are_meant_from_the_settings_file() {
        let mut settings = parse("[files]\nfleet='a.toml'\n[nightly]\nfolders=['in', '/abs']\n").unwrap();
        settings.relative_to(Path::new("/etc/x"));
        assert_eq!(settings.files.fleet.unwrap(), Path::new("/etc/x/a.toml"));
        assert_eq!(settings.nightly.folders, [Path::new("/etc/x/in"), Path::new("/abs")]);
    }

    #[test]
    fn a_typo_names_line_and_nearest_key() {
        let error = parse("[noise]\nhealthy_shar = 0.03\n").unwrap_err();
        assert!(error.contains("line 2") && error.contains("do you mean `healthy_share`"), "{error}");
    }
}
