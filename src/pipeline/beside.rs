//! The files beside the bundles: by option, by setting, or lying under their names directly in a FOLDER.

use super::ionosphere_maps::IonosphereMaps;
use super::{Request, Rules, RunError};
use crate::config::catalogue::Catalogue;
use crate::config::complaints::{self, Complaint};
use crate::config::fieldwork::{self, FieldWork};
use crate::config::fleet::{self, Fleet};
use crate::config::places::{self, Place};
use crate::config::settings::Settings;
use crate::crawl::{self, Inventory};
use crate::detect::Limits;
use crate::formats::text::flares::{self, Flare};
use crate::formats::text::kp::{self, KpInterval};
use crate::formats::text::{FormatSettings, syslog_rules::SyslogRules};
use crate::model::event::{Event, Origin};
use crate::model::problem::Problem;
use crate::model::time::{HOUR_MS, UtcMs};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Files given by option.
#[derive(Debug, Clone, Default)]
pub struct Given {
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

/// What was read of them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Beside {
    pub(crate) fleet: Fleet,
    /// Where the register was read, for evidence lines.
    pub(crate) fleet_path: String,
    pub(crate) complaints: Vec<Complaint>,
    pub(crate) complaints_given: bool,
    pub(crate) fieldwork: Vec<FieldWork>,
    pub(crate) places: Vec<Place>,
    pub(crate) catalogue: Catalogue,
    /// Kp of storms and flares, as events of the sky.
    pub(crate) sky: Vec<Event>,
    /// Begin and Kp of every interval of three hours, for the pages.
    pub(crate) kp: Vec<(UtcMs, f32)>,
    /// Ionosphere maps.
    pub(crate) maps: IonosphereMaps,
    /// What was used, for run.log and the fleet page.
    pub(crate) used: Vec<String>,
    /// What was wrong with it.
    pub(crate) problems: Vec<(String, Problem)>,
}

/// A side file: as it is shown and where it is; whether it was asked for by name.
struct Found {
    shown: String,
    path: PathBuf,
    named: bool,
}

impl Found {
    fn named(path: &Path) -> Found {
        Found { shown: path.display().to_string(), path: path.to_owned(), named: true }
    }
}

/// Where side files are looked for.
struct Finder<'a> {
    request: &'a Request,
    inventory: &'a Inventory,
}

impl Finder<'_> {
    /// Those that lie under a name in a FOLDER.
    fn lying(&self, name: &str) -> Vec<Found> {
        if self.request.only_given {
            return Vec::new();
        }
        let here = self.inventory.side_files.iter().filter(|s| s.name == name);
        here.map(|s| Found { shown: s.path.clone(), path: s.source.clone(), named: false }).collect()
    }

    /// The one of the option, else that of the setting, else those that lie under the names.
    fn pick(&self, option: &Option<PathBuf>, setting: &Option<PathBuf>, names: &[&str]) -> Vec<Found> {
        match option.as_ref().or(setting.as_ref()) {
            Some(path) => vec![Found::named(path)],
            None => names.iter().flat_map(|n| self.lying(n)).collect(),
        }
    }

    /// Kp text, flares and ionosphere maps.
    fn space_weather(&self) -> Vec<Found> {
        let asked = self.request.given.space_weather.iter().chain(&self.request.settings.files.space_weather);
        let asked: Vec<Found> = asked.map(|p| Found::named(p)).collect();
        if !asked.is_empty() {
            return asked;
        }
        let maps = self.inventory.side_files.iter().map(|s| s.name.as_str()).filter(|n| crawl::is_ionex_name(n));
        let names: BTreeSet<&str> = maps.chain(["kp.txt", "flares.csv"]).collect();
        names.into_iter().flat_map(|n| self.lying(n)).collect()
    }
}

impl Beside {
    /// Loads everything.
    pub(crate) fn load(request: &Request, inventory: &Inventory, rules: &Rules) -> Result<Beside, RunError> {
        let (given, files) = (&request.given, &request.settings.files);
        let finder = Finder { request, inventory };
        let mut out = Beside::default();
        for f in finder.pick(&given.fleet, &files.fleet, &["fleet.toml"]) {
            out.register(&f)?;
        }
        let catalogue = finder.pick(&given.catalogue, &files.catalogue, &["catalogue.toml"]);
        out.catalogue(catalogue.first())?;
        for f in finder.pick(&given.complaints, &files.complaints, &["complaints.csv"]) {
            let Some(text) = out.text(&f)? else { continue };
            let (mut rows, problems) = complaints::parse(&text, &out.fleet);
            out.complaints.append(&mut rows);
            out.complaints_given = true;
            out.note(&f.shown, "complaints", problems);
        }
        for f in finder.pick(&given.fieldwork, &files.fieldwork, &["fieldwork.csv"]) {
            let Some(text) = out.text(&f)? else { continue };
            let (mut rows, problems) = fieldwork::parse(&text, &out.fleet);
            out.fieldwork.append(&mut rows);
            out.note(&f.shown, "field work", problems);
        }
        for f in finder.pick(&given.places, &files.places, &["places.csv", "places.geojson"]) {
            let Some(text) = out.text(&f)? else { continue };
            let (mut rows, problems) = places::parse(&text);
            out.places.append(&mut rows);
            out.note(&f.shown, "places", problems);
        }
        for f in finder.space_weather() {
            out.space_weather(&f, rules)?;
        }
        out.sky.sort_by(|a, b| (a.from, a.kind).cmp(&(b.from, b.kind)));
        Ok(out)
    }

    fn register(&mut self, f: &Found) -> Result<(), RunError> {
        let Some(text) = self.text(f)? else { return Ok(()) };
        match fleet::parse(&text) {
            Ok((fleet, problems)) => {
                self.fleet.sites.extend(fleet.sites);
                self.fleet.units.extend(fleet.units);
                self.fleet_path = f.shown.clone();
                self.note(&f.shown, "fleet register", problems);
            }
            Err(why) if f.named => return Err(RunError::Usage(format!("{}: {why}", f.shown))),
            Err(why) => self.note(&f.shown, "", vec![Problem::whole(why, "mend the file; it was not used")]),
        }
        Ok(())
    }

    /// The shipped catalogue, with what a file adds to it.
    fn catalogue(&mut self, f: Option<&Found>) -> Result<(), RunError> {
        let text = match f {
            Some(f) => self.text(f)?,
            None => None,
        };
        let (catalogue, problems) = Catalogue::with_shipped(text.as_deref());
        self.catalogue = catalogue;
        if let Some(f) = f {
            self.note(&f.shown, "catalogue", problems);
        }
        Ok(())
    }

    fn space_weather(&mut self, f: &Found, rules: &Rules) -> Result<(), RunError> {
        if let Some(problems) = self.maps.read(&f.path, &f.shown, MOST_BYTES) {
            self.note(&f.shown, "ionosphere maps", problems);
            return Ok(());
        }
        let Some(text) = self.text(f)? else { return Ok(()) };
        let origin = Origin { bundle: f.shown.clone(), file: f.shown.clone() };
        // A header with time and class is a list of flares; anything else is taken for Kp text.
        let (what, events, problems) = match flares::read(text.as_bytes()) {
            Ok((list, problems)) => ("flares", flare_events(&list, &origin), problems),
            Err(_) => {
                let (intervals, problems) = kp::read(text.as_bytes());
                self.kp.extend(intervals.iter().map(|i| (i.from, i.kp)));
                ("Kp", kp_events(&intervals, &origin, &rules.limits), problems)
            }
        };
        self.sky.extend(events);
        self.note(&f.shown, what, problems);
        Ok(())
    }

    /// The text of a side file. One that was named must be readable; one that only lies there is a problem.
    fn text(&mut self, f: &Found) -> Result<Option<String>, RunError> {
        match read_text(&f.path) {
            Ok(text) => Ok(Some(text)),
            Err(e) if f.named => Err(RunError::Usage(format!("{}: {e}", f.shown))),
            Err(e) => {
                self.problems
                    .push((f.shown.clone(), Problem::whole(format!("cannot be read: {e}"), "it was not used")));
                Ok(None)
            }
        }
    }

    fn note(&mut self, shown: &str, what: &str, problems: Vec<Problem>) {
        if !what.is_empty() {
            self.used.push(format!("{shown}: {what}"));
        }
        self.problems.extend(problems.into_iter().map(|p| (shown.to_owned(), p)));
    }
}

/// Side files are small; a larger one is not what its name says.
const MOST_BYTES: u64 = 64 * 1024 * 1024;

fn read_text(path: &Path) -> std::io::Result<String> {
    let size = std::fs::metadata(path)?.len();
    if size > MOST_BYTES {
        return Err(std::io::Error::other(format!("{size} bytes are too many for a file beside the bundles")));
    }
    Ok(String::from_utf8_lossy(&std::fs::read(path)?).into_owned())
}

fn sky_event(
    kind: &'static str,
    (from, to): (UtcMs, UtcMs),
    (value, unit): (f64, &'static str),
    strength: f64,
    detail: String,
    origin: &Origin,
) -> Event {
    Event {
        unit: String::new(),
        kind,
        from,
        to,
        value: Some(value),
        value_unit: unit,
        strength: strength.clamp(0.0, 1.0) as f32,
        detail,
        origin: origin.clone(),
    }
}

/// Storm intervals out of Kp text (NOAA G1 and more).
fn kp_events(intervals: &[KpInterval], origin: &Origin, limits: &Limits) -> Vec<Event> {
    let storms = intervals.iter().map(|i| (i.from, f64::from(i.kp))).filter(|(_, kp)| *kp >= limits.kp_storm);
    storms
        .map(|(from, kp)| {
            sky_event(
                "kp-storm",
                (from, from + 3 * HOUR_MS),
                (kp, "Kp"),
                0.5 + (kp - limits.kp_storm) / 4.0,
                format!("geomagnetic storm: Kp {kp:.1}"),
                origin,
            )
        })
        .collect()
}

/// Flares of class M and X.
fn flare_events(list: &[Flare], origin: &Origin) -> Vec<Event> {
    list.iter()
        .filter(|f| f.peak_w_m2 >= 1.0e-5)
        .map(|f| {
            let strength = (0.3 + 0.25 * (f.peak_w_m2 / 1.0e-5).log10()).clamp(0.3, 1.0);
            let detail = format!("solar flare of class {}", f.class);
            sky_event("flare", (f.time, f.time + HOUR_MS / 2), (f.peak_w_m2, "W/m2"), strength, detail, origin)
        })
        .collect()
}

/// Column maps and syslog words out of the settings.
pub(crate) fn format_settings(settings: &Settings) -> Result<FormatSettings, RunError> {
    let words: Vec<(String, String)> =
        settings.syslog_rule.iter().map(|r| (r.pattern.clone(), r.kind.clone())).collect();
    let syslog = SyslogRules::new(&words)
        .map_err(|(i, why)| RunError::Usage(format!("settings, [[syslog_rule]] number {}: {why}", i + 1)))?;
    let mut maps = Vec::new();
    for (i, table) in settings.column_map.iter().enumerate() {
        let map = super::column_maps::from_table(table)
            .map_err(|why| RunError::Usage(format!("settings, [[column_map]] number {}: {why}", i + 1)))?;
        maps.push(Arc::new(map));
    }
    Ok(FormatSettings { column_maps: maps, syslog_rules: Arc::new(syslog), now: settings.now })
}
