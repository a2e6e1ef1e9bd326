//! `lostfix report`: the whole job in one go.

use super::options::{Common, ReportArgs};
use super::{Exit, print, say};
use crate::causes::about;
use crate::config::settings::{self, Settings};
use crate::model::time::{DAY_MS, UtcMs, parse_utc};
use crate::model::visible::safe_text;
use crate::pipeline::{self, Given, Request, RunError, Watch};
use crate::report::{self, ReportOptions};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Instant;

/// Runs the command.
pub fn run(args: &ReportArgs, common: &Common) -> Exit {
    let started = Instant::now();
    let request = match request(args, common) {
        Ok(request) => request,
        Err(why) => {
            say(&format!("lostfix: {why}"));
            return Exit::Usage;
        }
    };
    let options = match formats(&args.format) {
        Ok(options) => options,
        Err(why) => {
            say(&format!("lostfix: {why}"));
            return Exit::Usage;
        }
    };
    if let Some(jobs) = common.jobs {
        // Fails only when a pool exists already; then that one is used.
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build_global();
    }
    let watch = Progress::new(common);
    let analysed = match &args.store {
        Some(store) => pipeline::analyse_store(&request, store, &watch),
        None => pipeline::analyse(&request, &watch),
    };
    let mut outcome = match analysed {
        Ok(outcome) => outcome,
        Err(error) => {
            watch.done();
            let (why, exit) = match error {
                RunError::Usage(why) => (why, Exit::Usage),
                RunError::Failed(why) => (why, Exit::Failed),
            };
            say(&format!("lostfix: {why}"));
            return exit;
        }
    };
    watch.done();
    let log = format!("{}\nrun time {:.1} s\n", outcome.log, started.elapsed().as_secs_f64());
    if let Err(error) = report::write(&mut outcome.findings, &outcome.pictures, &options, &args.out, &log) {
        say(&format!("lostfix: {error}"));
        return Exit::Failed;
    }
    if !common.quiet {
        say(&summary(&outcome.findings, &args.out));
    }
    for alert in &outcome.alerts {
        say(&format!("alert: {alert}"));
    }
    if args.json {
        print(&machine_summary(&outcome, &args.out));
    }
    if outcome.findings.input.bundles_read == 0 {
        say("lostfix: no bundle could be read; run.log says why");
        return if outcome.findings.input.not_read.is_empty() { Exit::Done } else { Exit::SomeNotRead };
    }
    if !outcome.alerts.is_empty() {
        Exit::Alert
    } else if !outcome.findings.input.not_read.is_empty() {
        Exit::SomeNotRead
    } else {
        Exit::Done
    }
}

fn request(args: &ReportArgs, common: &Common) -> Result<Request, String> {
    let mut settings = match &common.config {
        Some(path) => load_settings(path)?,
        None => Settings::default(),
    };
    settings.now = super::now();
    let (from, to) = (time_of(args.from.as_deref(), false)?, time_of(args.to.as_deref(), true)?);
    if let (Some(a), Some(b)) = (from, to)
        && a >= b
    {
        return Err("--from lies behind --to".to_owned());
    }
    Ok(Request {
        folders: args.folders.clone(),
        from,
        to,
        sites: args.site.clone(),
        given: Given {
            fleet: args.fleet.clone(),
            complaints: args.complaints.clone(),
            fieldwork: args.fieldwork.clone(),
            places: args.places.clone(),
            space_weather: args.space_weather.clone(),
            catalogue: args.catalogue.clone(),
        },
        only_given: args.only_given,
        only_window: false,
        // Beside the report there is room for it; the system's folder for temporary files is often in memory.
        scratch: Some(args.scratch.clone().unwrap_or_else(|| beside(&args.out))),
        memory_bytes: None,
        settings,
    })
}

/// The folder in which a path lies.
fn beside(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// A time of the command line; a date alone as the end means the whole day.
pub(super) fn time_of(text: Option<&str>, end: bool) -> Result<Option<UtcMs>, String> {
    let Some(text) = text else { return Ok(None) };
    let t =
        parse_utc(text).ok_or_else(|| format!("`{text}` is not a time; write 2026-05-04 or 2026-05-04T06:00:00Z"))?;
    Ok(Some(if end && text.trim().len() <= 10 { t + DAY_MS } else { t }))
}

/// Settings of a file, with the file's name in front of what is wrong.
pub(super) fn load_settings(path: &Path) -> Result<Settings, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let mut settings = settings::parse(&text).map_err(|e| format!("{}: {e}", path.display()))?;
    settings.relative_to(path.parent().unwrap_or(Path::new("")));
    Ok(settings)
}

pub(super) fn formats(names: &[String]) -> Result<ReportOptions, String> {
    let mut options =
        ReportOptions { html: false, markdown: false, about: about::about, cautions: &about::GENERAL_CAUTIONS };
    for name in names {
        match name.trim() {
            "html" => options.html = true,
            "md" => options.markdown = true,
            other => return Err(format!("--format {other}: known are html and md")),
        }
    }
    Ok(options)
}

pub(super) fn summary(findings: &crate::model::findings::Findings, out: &Path) -> String {
    let input = &findings.input;
    let mut lines = vec![format!(
        "read {} of {} bundles ({} copies), {} things not read",
        input.bundles_read,
        input.bundles_found,
        input.duplicates,
        input.not_read.len()
    )];
    for site in findings.sites.iter().take(10) {
        let cause = site
            .causes
            .first()
            .map(|c| format!("{} {:.0} %", c.cause, c.confidence * 100.0))
            .unwrap_or_else(|| "nothing lost".to_owned());
        lines.push(format!(
            "{:>2}. {:20} lost {:6.2} of {:7.1} rover-hours  {:15} {cause}",
            site.rank,
            safe_text(&site.site),
            site.lost_fix_hours,
            site.observed_hours,
            site.verdict
        ));
    }
    lines.push(format!("report: {}", out.join("index.html").display()));
    lines.join("\n")
}

pub(super) fn machine_summary(outcome: &pipeline::Outcome, out: &Path) -> String {
    let f = &outcome.findings;
    let value = serde_json::json!({
        "schema": "lostfix-run/1",
        "report": out.display().to_string(),
        "bundles_found": f.input.bundles_found,
        "bundles_read": f.input.bundles_read,
        "not_read": f.input.not_read.len(),
        "alerts": outcome.alerts,
        "sites": f.sites.iter().map(|s| serde_json::json!({
            "site": s.site, "rank": s.rank, "verdict": s.verdict, "lost_fix_hours": s.lost_fix_hours,
            "cause": s.causes.first().map(|c| c.cause.clone()),
        })).collect::<Vec<_>>(),
    });
    format!("{value}\n")
}

/// A line on stderr while a person watches; nothing when stderr is no terminal.
pub(super) struct Progress {
    bar: Mutex<ProgressBar>,
    verbose: bool,
    quiet: bool,
}

impl Progress {
    pub(super) fn new(common: &Common) -> Progress {
        Progress { bar: Mutex::new(ProgressBar::hidden()), verbose: common.verbose, quiet: common.quiet }
    }

    pub(super) fn done(&self) {
        if let Ok(bar) = self.bar.lock() {
            bar.finish_and_clear();
        }
    }
}

impl Watch for Progress {
    fn stage(&self, name: &str, steps: u64) {
        use std::io::IsTerminal;
        if self.quiet || !std::io::stderr().is_terminal() {
            return;
        }
        let bar = ProgressBar::with_draw_target(Some(steps), ProgressDrawTarget::stderr_with_hz(8));
        if let Ok(style) = ProgressStyle::with_template("{prefix:18} {pos}/{len} {wide_msg}") {
            bar.set_style(style);
        }
        bar.set_prefix(name.to_owned());
        if let Ok(mut old) = self.bar.lock() {
            old.finish_and_clear();
            *old = bar;
        }
    }

    fn step(&self, what: &str) {
        if let Ok(bar) = self.bar.lock() {
            bar.inc(1);
            bar.set_message(what.to_owned());
        }
        if self.verbose {
            say(&format!("done {what}"));
        }
    }
}
