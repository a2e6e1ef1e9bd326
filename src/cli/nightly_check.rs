//! `lostfix nightly --check`: settings, paths and limits, and every setting with where it comes from.

use super::{Exit, print, say};
use crate::config::settings::{DEFAULTS, Settings};
use crate::pipeline;
use std::collections::BTreeMap;
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// Says what is wrong, prints the resolved settings.
pub(super) fn run(path: &Path, settings: &Settings) -> Exit {
    match std::fs::read_to_string(path) {
        Ok(text) => print(&resolved(&text, &path.display().to_string())),
        Err(e) => say(&format!("lostfix: {}: {e}", path.display())),
    }
    match problems(settings) {
        Ok(()) => {
            say("settings, paths and limits are right");
            Exit::Done
        }
        Err(list) => {
            for why in list {
                say(&format!("lostfix: {why}"));
            }
            Exit::Usage
        }
    }
}

/// Everything that would stop a run, or make it useless.
pub(super) fn problems(settings: &Settings) -> Result<(), Vec<String>> {
    let mut out = Vec::new();
    if let Err(why) = pipeline::check_settings(settings) {
        out.push(why);
    }
    let n = &settings.nightly;
    if n.folders.is_empty() {
        out.push("[nightly] folders is empty: name the folders with bundles".to_owned());
    }
    for folder in &n.folders {
        match std::fs::read_dir(folder) {
            Ok(_) => {}
            Err(e) => out.push(format!("[nightly] folders: {}: {e}; is the share mounted?", folder.display())),
        }
    }
    for (key, path) in [("store", &n.store), ("reports", &n.reports)] {
        let inside = n.folders.iter().find(|f| path.starts_with(f));
        if let Some(folder) = inside {
            let (path, folder) = (path.display(), folder.display());
            out.push(format!(
                "[nightly] {key}: {path} lies inside the folder {folder}, which is read; put it elsewhere"
            ));
        }
        if path.exists() && !path.is_dir() {
            out.push(format!("[nightly] {key}: {} is not a folder", path.display()));
        } else if let Some(parent) = path.ancestors().find(|p| p.exists() || p.as_os_str().is_empty())
            && std::fs::metadata(if parent.as_os_str().is_empty() { Path::new(".") } else { parent })
                .is_ok_and(|m| m.permissions().readonly())
        {
            out.push(format!("[nightly] {key}: {} cannot be written", parent.display()));
        }
    }
    if n.store == n.reports {
        out.push("[nightly] store and reports must be two folders".to_owned());
    }
    for format in n.formats.iter().filter(|f| !matches!(f.as_str(), "html" | "md")) {
        out.push(format!("[nightly] formats: `{format}`; known are html and md"));
    }
    let files = &settings.files;
    let named = [
        ("fleet", &files.fleet),
        ("complaints", &files.complaints),
        ("fieldwork", &files.fieldwork),
        ("places", &files.places),
        ("catalogue", &files.catalogue),
    ];
    let weather = files.space_weather.iter().map(|p| ("space_weather", p));
    for (key, path) in named.into_iter().filter_map(|(k, p)| p.as_ref().map(|p| (k, p))).chain(weather) {
        if let Err(e) = std::fs::File::open(path) {
            out.push(format!("[files] {key}: {}: {e}", path.display()));
        }
    }
    if settings.alert.lost_hours.is_some_and(|h| h < 0.0) {
        out.push("[alert] lost_hours must not be negative".to_owned());
    }
    for (key, share) in [
        ("[alert] fixed_share", settings.alert.fixed_share),
        ("[noise] healthy_share", Some(settings.noise.healthy_share)),
        ("[noise] cause_confidence", Some(settings.noise.cause_confidence)),
    ] {
        if share.is_some_and(|s| !(0.0..=1.0).contains(&s)) {
            out.push(format!("{key} is a share: from 0 to 1"));
        }
    }
    if out.is_empty() { Ok(()) } else { Err(out) }
}

/// Keys with their values and lines, tables flattened with dots; lists of tables are numbered.
fn flat(text: &str) -> BTreeMap<String, (String, usize)> {
    let mut out = BTreeMap::new();
    if let Ok(table) = DeTable::parse(text) {
        walk(table.get_ref(), "", text, &mut out);
    }
    out
}

fn walk(table: &DeTable<'_>, prefix: &str, text: &str, out: &mut BTreeMap<String, (String, usize)>) {
    for (key, value) in table {
        let name = if prefix.is_empty() { key.get_ref().to_string() } else { format!("{prefix}.{}", key.get_ref()) };
        let span = value.span();
        match value.get_ref() {
            DeValue::Table(inner) => walk(inner, &name, text, out),
            DeValue::Array(list) if list.iter().any(|v| matches!(v.get_ref(), DeValue::Table(_))) => {
                for (i, item) in list.iter().enumerate() {
                    if let DeValue::Table(inner) = item.get_ref() {
                        walk(inner, &format!("{name}[{}]", i + 1), text, out);
                    }
                }
            }
            _ => {
                let line = text.get(..key.span().start).map_or(0, |t| t.matches('\n').count() + 1);
                out.insert(name, (text.get(span).unwrap_or("").to_owned(), line));
            }
        }
    }
}

/// `key = value   # built in` or `# FILE, line N`.
fn resolved(text: &str, file: &str) -> String {
    let mut lines: BTreeMap<String, String> = BTreeMap::new();
    for (key, (value, _)) in flat(DEFAULTS) {
        lines.insert(key.clone(), format!("{key} = {value}   # built in"));
    }
    for (key, (value, line)) in flat(text) {
        lines.insert(key.clone(), format!("{key} = {value}   # {file}, line {line}"));
    }
    let mut out = String::new();
    for line in lines.values() {
        out.push_str(line);
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::settings;

    #[test]
    fn origin_of_every_setting() {
        let text = "[alert]\nlost_hours = 5.0\n\n[nightly]\nfolders = [\"in\"]\n[[syslog_rule]]\npattern = 'x'\nkind = 'restart'\n";
        let out = resolved(text, "my.toml");
        for line in [
            "alert.lost_hours = 5.0   # my.toml, line 2",
            "nightly.folders = [\"in\"]   # my.toml, line 5",
            "nightly.keep = 14   # built in",
            "syslog_rule[1].pattern = 'x'   # my.toml, line 7",
            "noise.healthy_share = 0.02   # built in",
        ] {
            assert!(out.lines().any(|l| l == line), "{line}\n{out}");
        }
    }

    #[test]
    fn what_would_stop_a_run_is_told_before() {
        let folder = temp_dir::TempDir::new().unwrap();
        let text = "[nightly]\nfolders=['.', 'no-such']\nstore='s'\nreports='s'\nformats=['pdf']\n[alert]\nfixed_share=95\n[files]\nfleet='none.toml'\n[detect]\nno_such_limit=1.0\n";
        let mut settings = settings::parse(text).unwrap();
        settings.relative_to(folder.path());
        let list = problems(&settings).unwrap_err();
        for part in ["no-such", "two folders", "`pdf`", "fixed_share", "none.toml", "no_such_limit", "lies inside"] {
            assert!(list.iter().any(|l| l.contains(part)), "{part}: {list:?}");
        }
    }
}
