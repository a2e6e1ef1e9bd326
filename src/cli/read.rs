//! `lostfix read`: new bundles into a store.

use super::options::{Common, ReadArgs};
use super::report::{Progress, load_settings};
use super::{Exit, print, say};
use crate::config::settings::Settings;
use crate::pipeline::{self, Given, ReadOutcome, Request, RunError, Shard};

/// Runs the command.
pub fn run(args: &ReadArgs, common: &Common) -> Exit {
    let usage = |why: String| {
        say(&format!("lostfix: {why}"));
        Exit::Usage
    };
    let settings = match common.config.as_deref().map(load_settings).transpose() {
        Ok(settings) => settings.unwrap_or_default(),
        Err(why) => return usage(why),
    };
    let shard = match args.shard.as_deref().map(Shard::parse).transpose() {
        Ok(shard) => shard,
        Err(why) => return usage(format!("--shard {why}")),
    };
    if let Some(jobs) = common.jobs {
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build_global();
    }
    let request = request(args, settings);
    let watch = Progress::new(common);
    let read = pipeline::read_into(&request, &args.store, shard, &watch);
    watch.done();
    let outcome = match read {
        Ok(outcome) => outcome,
        Err(RunError::Usage(why)) => return usage(why),
        Err(RunError::Failed(why)) => {
            say(&format!("lostfix: {why}"));
            return Exit::Failed;
        }
    };
    if !common.quiet {
        say(&words(&outcome));
    }
    if args.json {
        print(&machine(&outcome));
    }
    if outcome.not_read.is_empty() && outcome.unfinished.is_empty() { Exit::Done } else { Exit::SomeNotRead }
}

fn request(args: &ReadArgs, settings: Settings) -> Request {
    Request {
        folders: args.folders.clone(),
        given: Given { fleet: args.fleet.clone(), ..Given::default() },
        only_given: args.only_given,
        settings,
        ..Request::default()
    }
}

/// The lines for people.
pub(super) fn words(o: &ReadOutcome) -> String {
    let mut lines = vec![format!(
        "{} bundles: {} new, {} known, {} copies, {} replaced, {} still being written",
        o.found,
        o.new,
        o.known,
        o.copies,
        o.replaced,
        o.unfinished.len()
    )];
    for n in o.unfinished.iter().chain(&o.not_read) {
        lines.push(format!("  {}: {}", n.path, n.reason));
    }
    lines.join("\n")
}

fn machine(o: &ReadOutcome) -> String {
    let value = serde_json::json!({
        "schema": "lostfix-read/1",
        "found": o.found, "known": o.known, "new": o.new, "copies": o.copies, "replaced": o.replaced,
        "unfinished": o.unfinished, "not_read": o.not_read,
    });
    format!("{value}\n")
}
