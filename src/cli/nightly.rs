//! `lostfix nightly`: read what is new, analyse the window, write the report, keep the history. Made for a scheduler: one run
//! at a time, nothing half-written, an exit code that says whether a person is needed.

use super::nightly_check;
use super::nightly_files::{History, Lock, Locked, clean, prune};
use super::options::{Common, NightlyArgs};
use super::report::{Progress, formats, load_settings, time_of};
use super::{Exit, print, read, report, say};
use crate::config::settings::{Nightly, Settings};
use crate::model::time::{DAY_MS, HOUR_MS, UtcMs, date_text, rfc3339};
use crate::pipeline::{self, Request, RunError, WindowNumbers};
use std::fmt::Write;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

/// Runs the command.
pub fn run(args: &NightlyArgs, common: &Common) -> Exit {
    let Some(path) = &common.config else {
        return fail(
            "name the settings file with --config FILE; `lostfix settings` prints one to start from",
            Exit::Usage,
        );
    };
    let settings = match load_settings(path) {
        Ok(settings) => settings,
        Err(why) => return fail(&why, Exit::Usage),
    };
    if args.check {
        return nightly_check::run(path, &settings);
    }
    if let Err(why) = nightly_check::problems(&settings) {
        return fail(&why.join("\nlostfix: "), Exit::Usage);
    }
    let to = match time_of(args.to.as_deref(), true) {
        Ok(Some(to)) => to,
        // To the full hour, so that a second run in the same minute says the same.
        Ok(None) => now_ms().div_euclid(HOUR_MS) * HOUR_MS,
        Err(why) => return fail(&why, Exit::Usage),
    };
    if let Some(jobs) = common.jobs {
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build_global();
    }
    match night(&settings, common, to) {
        Ok((text, machine, exit)) => {
            if !common.quiet {
                say(&text);
            }
            if args.json {
                print(&machine);
            }
            exit
        }
        Err(RunError::Usage(why)) => fail(&why, Exit::Usage),
        Err(RunError::Failed(why)) => fail(&why, Exit::Failed),
    }
}

fn fail(why: &str, exit: Exit) -> Exit {
    say(&format!("lostfix: {why}"));
    exit
}

fn now_ms() -> UtcMs {
    SystemTime::now().duration_since(UNIX_EPOCH).ok().and_then(|d| i64::try_from(d.as_millis()).ok()).unwrap_or(0)
}

/// The whole night: words for people, a summary for machines, the exit code.
fn night(settings: &Settings, common: &Common, to: UtcMs) -> Result<(String, String, Exit), RunError> {
    let started = Instant::now();
    let plan = &settings.nightly;
    let options = formats(&plan.formats).map_err(RunError::Usage)?;
    pipeline::make_store(&plan.store)?;
    let _lock = match Lock::take(&plan.store, plan.wait_s).map_err(RunError::Failed)? {
        Locked::Ours(lock) => lock,
        Locked::Busy(who) => {
            return Err(RunError::Failed(format!(
                "another run works on the store {} ({who}); this one leaves. Raise wait_s in [nightly] to wait for it",
                plan.store.display()
            )));
        }
    };
    let io =
        |what: &str, e: std::io::Error| RunError::Failed(format!("{}: could not {what}: {e}", plan.reports.display()));
    std::fs::create_dir_all(&plan.reports).map_err(|e| io("make the folder of the reports", e))?;
    clean(&plan.reports).map_err(|e| io("remove what a former run left", e))?;

    let watch = Progress::new(common);
    let request = Request { folders: plan.folders.clone(), settings: settings.clone(), ..Request::default() };
    let read = pipeline::read_into(&request, &plan.store, None, &watch)?;
    let read_s = started.elapsed().as_secs_f64();
    let from = window_from(plan, to);
    let window = |from: Option<UtcMs>, to: Option<UtcMs>| Request { from, to, only_window: true, ..request.clone() };
    let mut outcome = pipeline::analyse_store(&window(from, from.map(|_| to)), &plan.store, &watch)?;
    let mut history = History::load(&plan.reports).map_err(|e| io("read history.jsonl", e))?;
    if let Some(from) = from {
        let before = match history.before(from) {
            Some(before) => Some(before.clone()),
            // The first nights: the window before may be in the store though no run looked at it.
            None => {
                let request = window(Some(from - (to - from)), Some(from));
                let earlier = pipeline::analyse_store(&request, &plan.store, &watch)?;
                Some(WindowNumbers::of(&earlier.findings, &earlier.pictures)).filter(|n| !n.sites.is_empty())
            }
        };
        if let Some(before) = before {
            pipeline::compare(&mut outcome.findings, &outcome.pictures, &before);
        }
    }
    watch.done();

    // The run's own window, also where there are no data at its edges.
    if let Some(from) = from {
        outcome.findings.window.from = rfc3339(from);
        outcome.findings.window.to = rfc3339(to);
    }
    let day = date_text((to - 1).div_euclid(DAY_MS));
    let mut exit = if outcome.alerts.is_empty() { Exit::Done } else { Exit::Alert };
    if exit == Exit::Done && !(outcome.findings.input.not_read.is_empty() && read.unfinished.is_empty()) {
        exit = Exit::SomeNotRead;
    }
    let text = summary(&outcome, &read, &plan.reports.join(&day), exit);
    let log = format!(
        "{text}\n\n{}\nreading {read_s:.1} s, whole run {:.1} s\n",
        outcome.log,
        started.elapsed().as_secs_f64()
    );
    // The dated one first; `latest` changes only when everything is there.
    for name in [day.as_str(), "latest"] {
        let out = plan.reports.join(name);
        crate::report::write(&mut outcome.findings, &outcome.pictures, &options, &out, &log)
            .map_err(|e| RunError::Failed(e.to_string()))?;
    }
    history.add(WindowNumbers::of(&outcome.findings, &outcome.pictures));
    history.save(&plan.reports).map_err(|e| io("write history.jsonl", e))?;
    prune(&plan.reports, plan.keep).map_err(|e| io("remove reports that are too old", e))?;
    let machine = report::machine_summary(&outcome, &plan.reports.join("latest"));
    Ok((text, machine, exit))
}

fn window_from(plan: &Nightly, to: UtcMs) -> Option<UtcMs> {
    (plan.window_days > 0).then(|| to - i64::from(plan.window_days) * DAY_MS)
}

/// One screen for a person.
fn summary(outcome: &pipeline::Outcome, read: &pipeline::ReadOutcome, out: &std::path::Path, exit: Exit) -> String {
    let mut text = String::new();
    let f = &outcome.findings;
    let _ = writeln!(text, "window {} to {}", f.window.from, f.window.to);
    let _ = writeln!(text, "{}", read::words(read));
    let _ = writeln!(text, "{}", report::summary(f, out));
    if !f.fleet.trend.is_empty() {
        let count = |change: &str| f.fleet.trend.iter().filter(|t| t.change == change).count();
        let parts: Vec<String> =
            ["new", "worse", "better", "solved", "same"].iter().map(|c| format!("{} {c}", count(c))).collect();
        let _ = writeln!(text, "against the window before: {}", parts.join(", "));
    }
    for alert in &outcome.alerts {
        let _ = writeln!(text, "alert: {alert}");
    }
    let need = match exit {
        Exit::Alert => "a site is above an alert limit: a person is needed",
        Exit::SomeNotRead => "some input could not be read; it is listed",
        _ => "nothing above the alert limits",
    };
    let _ = write!(text, "{need}");
    text
}
