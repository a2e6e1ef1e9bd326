//! `lostfix practice`: a fleet of bundles with known causes.

use super::options::{Common, PracticeArgs};
use super::{Exit, say};
use crate::practice;

/// Runs the command.
pub fn run(args: &PracticeArgs, common: &Common) -> Exit {
    if let Some(jobs) = common.jobs {
        let _ = rayon::ThreadPoolBuilder::new().num_threads(jobs.max(1)).build_global();
    }
    match practice::run_without(&args.scenario, &args.out, args.seed, &args.without) {
        Ok(summary) => {
            if !common.quiet {
                say(&words(&summary));
            }
            Exit::Done
        }
        Err(error) => {
            say(&format!("lostfix: {error}"));
            if matches!(error, practice::PracticeError::Scenario(_)) { Exit::Usage } else { Exit::Failed }
        }
    }
}

fn words(s: &practice::Summary) -> String {
    let mut lines = vec![format!(
        "{} sites, {} bundles, {:.1} MB, seed {}: {:.1} of {:.1} observed rover-hours lost",
        s.sites,
        s.bundles,
        s.bytes as f64 / 1e6,
        s.seed,
        s.lost_hours,
        s.observed_hours
    )];
    for c in &s.causes {
        lines.push(format!(
            "  {:20} {:24} lost {:.2} h; lost share {:.1} %, without any cause {:.1} %",
            c.site,
            c.cause,
            c.lost_hours,
            c.lost_share * 100.0,
            c.lost_share_without * 100.0
        ));
    }
    lines.join("\n")
}
