//! `lostfix practice`: a fleet of bundles with known causes.

use super::options::{Common, PracticeArgs};
use super::{Exit, say};
use crate::practice;

/// Runs the command.
pub fn run(args: &PracticeArgs, common: &Common) -> Exit {
    if let Some(jobs) = common.jobs {
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build_global();
    }
    match practice::run(&args.scenario, &args.out, args.seed) {
        Ok(summary) => {
            if !common.quiet {
                say(&summary.to_string());
            }
            Exit::Done
        }
        Err(error) => {
            say(&format!("lostfix: {error}"));
            if error.is_usage() { Exit::Usage } else { Exit::Failed }
        }
    }
}
