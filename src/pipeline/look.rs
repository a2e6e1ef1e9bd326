//! What is in one bundle or one file: schema `lostfix-look/1` and the same for people.

use super::look_sky::Gather;
use super::read::{ReadBundle, add_facts, read_bundle};
use super::{Rules, RunError};
use crate::config::settings::Settings;
use crate::crawl::{self, Limits};
use crate::identify::{self, BundleFacts};
use crate::model::findings::NotRead;
use crate::model::ids::{FixState, Role};
use crate::model::look::FileLook;
use crate::model::picture::{SkyPage, SkyRow};
use crate::model::time::rfc3339;
use crate::model::visible::safe_text;
use serde::Serialize;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// Who it is, as far as the bundle itself tells.
#[derive(Debug, Clone, Default, Serialize)]
pub struct LookUnit {
    /// Unit id.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Role.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// `unit.toml`, `path rule`, `inferred`, `not placed`.
    pub known_from: String,
    /// The same for people.
    #[serde(skip)]
    pub known_words: &'static str,
}

/// The sky of a base in numbers.
#[derive(Debug, Clone, Default, Serialize)]
pub struct LookSky {
    /// Where the directions come from, in words.
    pub directions_from: String,
    /// By elevation; empty without directions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub elevation: Vec<SkyRow>,
    /// What is missing, and what stands instead.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
}

/// What else is wanted of a look.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// Make what the page of the sky shows.
    pub page: bool,
    /// Files or folders with broadcast orbits from elsewhere.
    pub orbits: Vec<PathBuf>,
}

/// The schema.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Look {
    /// `lostfix-look/1`.
    pub schema: &'static str,
    /// Path of the bundle.
    pub bundle: String,
    /// Who it is.
    pub unit: LookUnit,
    /// First epoch, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Last epoch, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Files.
    pub files: Vec<FileLook>,
    /// What was not read, or not to its end.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_read: Vec<NotRead>,
    /// Contradictions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
    /// The sky, of a base.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sky: Option<LookSky>,
    /// What the page of the sky shows, when it was wanted; else why there is none and what to do.
    #[serde(skip)]
    pub page: Option<Result<Box<SkyPage>, String>>,
}

/// Looks into a bundle (folder or zip) or a file.
///
/// # Errors
/// When there is nothing at the path, or the settings are wrong: what and what to do.
pub fn look(path: &Path, settings: &Settings) -> Result<Look, String> {
    look_for(path, settings, &Wanted::default())
}

/// The same, with more about the sky.
///
/// # Errors
/// As [`look`].
pub fn look_for(path: &Path, settings: &Settings, wanted: &Wanted) -> Result<Look, String> {
    let rules = Rules::of(settings).map_err(|e| match e {
        RunError::Usage(why) | RunError::Failed(why) => why,
    })?;
    std::fs::symlink_metadata(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let limits = Limits::default();
    let inventory = crawl::find(&[path.to_path_buf()], &limits);
    let mut out = Look { schema: "lostfix-look/1", bundle: path.display().to_string(), ..Look::default() };
    out.not_read.extend(
        inventory
            .not_taken
            .iter()
            .filter(|n| n.why != crawl::Why::Nothing)
            .map(|n| NotRead { path: n.path.clone(), reason: format!("{}; {}", n.problem.what, n.problem.hint) }),
    );
    let mut facts = BundleFacts { path: out.bundle.clone(), ..BundleFacts::default() };
    let several = inventory.bundles.len() > 1;
    let mut gather = Gather::default();
    for bundle in &inventory.bundles {
        let mut read: ReadBundle = read_bundle(bundle, &limits, &rules.formats);
        super::read::list_not_read(&read, &mut out.not_read);
        add_facts(&mut facts, &read);
        gather.add(&mut read, &rules.paths);
        for file in read.files {
            let mut look = file.look;
            if several {
                look.path = format!("{}!/{}", bundle.path, look.path);
            }
            out.files.push(look);
        }
    }
    out.from = facts.span.map(|s| rfc3339(s.0));
    out.to = facts.span.map(|s| rfc3339(s.1));
    out.unit = match identify::place(&facts, &Default::default(), &rules.paths) {
        Some(p) => {
            out.notes = p.notes;
            LookUnit {
                id: Some(p.unit),
                role: Some(p.role),
                site: p.site,
                known_from: p.known_from.words().to_owned(),
                known_words: p.known_from.plain(),
            }
        }
        None => LookUnit { known_from: "not placed".to_owned(), ..LookUnit::default() },
    };
    for path in &wanted.orbits {
        std::fs::symlink_metadata(path).map_err(|e| format!("{}: {e}", path.display()))?;
        for bundle in &crawl::find(std::slice::from_ref(path), &limits).bundles {
            gather.add_orbits(read_bundle(bundle, &limits, &rules.formats));
        }
    }
    match gather.sky(&out.bundle, &rules, wanted.page) {
        Ok((sky, page)) => {
            out.sky = Some(sky);
            out.page = page.map(Ok);
        }
        Err(why) => out.page = wanted.page.then_some(Err(why)),
    }
    Ok(out)
}

impl LookSky {
    /// A short table for people.
    fn text(&self) -> String {
        let mut t = format!("\nsky\n  directions from {}\n", self.directions_from);
        let mut bands: Vec<&str> = Vec::new();
        for b in self.elevation.iter().flat_map(|r| &r.bands) {
            if !bands.contains(&b.band.as_str()) {
                bands.push(&b.band);
            }
        }
        // The names of the bands sort as the bands do.
        bands.sort_unstable();
        if !self.elevation.is_empty() {
            let mut head = format!("  {:12}{:>10}{:>10}{:>7}", "elevation", "expected", "tracked", "");
            for b in &bands {
                head.push_str(&format!("{:>10}{:>10}", format!("C/N0 {b}"), format!("MP {b}")));
            }
            let _ =
                writeln!(t, "{}\n  (satellite-minutes; mean C/N0 in dB-Hz, code multipath RMS in m)", head.trim_end());
        }
        for r in &self.elevation {
            let expected = r.expected.map_or_else(|| "-".to_owned(), |n| n.to_string());
            let share = match r.expected {
                Some(n) if n > 0 => format!("{:.0} %", 100.0 * f64::from(r.tracked) / f64::from(n)),
                _ => String::new(),
            };
            let range = format!("{:.0}-{:.0} deg", r.from_deg, r.to_deg);
            let mut line = format!("  {range:12}{expected:>10}{:>10}{share:>7}", r.tracked);
            for b in &bands {
                let of = r.bands.iter().find(|x| x.band == **b);
                let number =
                    |v: Option<f64>, digits: usize| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.digits$}"));
                let cn0 = number(of.and_then(|x| x.cn0_mean_dbhz), 1);
                let mp = number(of.and_then(|x| x.mp_rms_m), 2);
                line.push_str(&format!("{cn0:>10}{mp:>10}"));
            }
            let _ = writeln!(t, "{line}");
        }
        for m in &self.missing {
            let _ = writeln!(t, "  ! {m}");
        }
        t
    }
}

impl Look {
    /// The same for people.
    pub fn text(&self) -> String {
        let mut t = String::new();
        let who = match (&self.unit.id, self.unit.role, &self.unit.site) {
            (Some(id), Some(role), site) => format!(
                "{} {id}{} ({})",
                role.name(),
                site.as_ref().map(|s| format!(" at {s}")).unwrap_or_default(),
                self.unit.known_words
            ),
            _ => "unit not known".to_owned(),
        };
        let _ = writeln!(t, "{}: {who}", self.bundle);
        if let (Some(a), Some(b)) = (&self.from, &self.to) {
            let _ = writeln!(t, "{a} to {b}");
        }
        for f in &self.files {
            file_text(&mut t, f);
        }
        if let Some(sky) = &self.sky {
            t.push_str(&sky.text());
        }
        for n in &self.notes {
            let _ = writeln!(t, "\nnote: {n}");
        }
        if !self.not_read.is_empty() {
            let _ = writeln!(t, "\nnot read, or not to the end");
            for n in &self.not_read {
                let _ = writeln!(t, "  {}: {}", n.path, n.reason);
            }
        }
        t.split_inclusive('\n').map(|l| safe_text(l.trim_end_matches('\n')) + "\n").collect()
    }
}

/// One file for people.
fn file_text(t: &mut String, f: &FileLook) {
    let _ = write!(t, "\n{}\n  {}", f.path, f.format.name());
    if let Some(v) = &f.version {
        let _ = write!(t, " {v}");
    }
    if f.compressed != "none" && !f.compressed.is_empty() {
        let _ = write!(t, " ({})", f.compressed);
    }
    if let (Some(a), Some(b)) = (&f.from, &f.to) {
        let _ = write!(t, ", {a} to {b}");
    }
    if let Some(d) = &f.date_from {
        let _ = write!(t, ", date from {d}");
    }
    let b = &f.bytes;
    let _ = writeln!(t, "\n  {} bytes: {} decoded, {} skipped, {} unknown", b.total, b.decoded, b.skipped, b.unknown);
    for (reason, n) in &b.reasons {
        let _ = writeln!(t, "    skipped {n}: {reason}");
    }
    records_text(t, f);
    base_text(t, f);
    for p in &f.problems {
        let place = match (p.line, p.offset) {
            (Some(l), Some(o)) => format!("line {l}, byte {o}: "),
            (Some(l), None) => format!("line {l}: "),
            (None, Some(o)) => format!("byte {o}: "),
            _ => String::new(),
        };
        let _ = writeln!(t, "  ! {place}{}; {}", p.what, p.hint);
    }
}

/// What records are in a file, and what a rover's say.
fn records_text(t: &mut String, f: &FileLook) {
    if !f.counts.is_empty() {
        let counts: Vec<String> = f.counts.iter().map(|(k, n)| format!("{k} {n}")).collect();
        let _ = writeln!(t, "  records: {}", counts.join(", "));
    }
    if f.failed_checks > 0 {
        let _ = writeln!(t, "  failed checks: {}", f.failed_checks);
    }
    if !f.qualities.is_empty() {
        let q: Vec<String> = f
            .qualities
            .iter()
            .map(|(q, n)| {
                let word = q.parse().ok().map_or("empty", |q: u8| FixState::from_gga_quality(q).name());
                format!("{q} ({word}) {n}")
            })
            .collect();
        let _ = writeln!(t, "  GGA quality: {}", q.join(", "));
    }
    if let Some(a) = &f.correction_age_s {
        let _ = writeln!(t, "  correction age: {:.1} to {:.1} s, mean {:.2} s", a.min, a.max, a.mean);
    }
    if !f.station_ids.is_empty() {
        let ids: Vec<String> = f.station_ids.iter().map(u16::to_string).collect();
        let _ = writeln!(t, "  station ids: {}", ids.join(", "));
    }
}

/// What a base tells of itself, and its observables.
fn base_text(t: &mut String, f: &FileLook) {
    for p in &f.positions {
        let _ = writeln!(t, "  position of station {}: {:.4}, {:.4}, {:.4} m", p.station_id, p.x_m, p.y_m, p.z_m);
    }
    for d in &f.descriptions {
        let _ = writeln!(t, "  antenna \"{}\", receiver \"{}\", firmware \"{}\"", d.antenna, d.receiver, d.firmware);
    }
    if let Some(n) = f.epochs {
        let _ = writeln!(t, "  epochs: {n}, satellites: {}", f.satellites.unwrap_or(0));
    }
    for s in &f.signals {
        let cn0 = s.cn0_mean_dbhz.map(|c| format!(", mean C/N0 {c:.2} dB-Hz")).unwrap_or_default();
        let _ = writeln!(t, "    {}: {} satellites, {} observations{cn0}", s.signal, s.satellites, s.observations);
    }
}
