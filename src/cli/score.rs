//! `lostfix score`: findings against a known truth.

use super::options::{Common, ScoreArgs};
use super::{Exit, print, say};
use crate::model::findings::Findings;
use crate::score::{self, Truth};
use std::path::Path;

/// Runs the command.
pub fn run(args: &ScoreArgs, _common: &Common) -> Exit {
    if args.truth.len() != args.findings.len() {
        say(&format!("lostfix: {} truths but {} findings; give them in pairs", args.truth.len(), args.findings.len()));
        return Exit::Usage;
    }
    let mut pairs: Vec<(Truth, Findings)> = Vec::new();
    for (truth, findings) in args.truth.iter().zip(&args.findings) {
        let pair = json::<Truth>(truth).and_then(|t| json::<Findings>(findings).map(|f| (t, f)));
        match pair {
            Ok(pair) => pairs.push(pair),
            Err(why) => {
                say(&format!("lostfix: {why}"));
                return Exit::Usage;
            }
        }
    }
    let board = score::score(&pairs);
    if args.json {
        match serde_json::to_string_pretty(&board) {
            Ok(text) => print(&format!("{text}\n")),
            Err(e) => {
                say(&format!("lostfix: {e}"));
                return Exit::Failed;
            }
        }
    } else {
        print(&score::text(&board));
    }
    Exit::Done
}

fn json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    serde_json::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))
}
