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
    let mut floors: Vec<(String, f64)> = Vec::new();
    for word in &args.at_least {
        let floor = word.split_once('=').and_then(|(k, v)| Some((k.trim(), v.trim().parse::<f64>().ok()?)));
        match floor.filter(|(k, v)| score::FLOORS.contains(k) && (0.0..=1.0).contains(v)) {
            Some((k, v)) => floors.push((k.to_owned(), v)),
            None => {
                let keys = score::FLOORS.join(", ");
                say(&format!("lostfix: --at-least: `{word}` is not KEY=NUMBER; keys: {keys}; numbers: 0 to 1"));
                return Exit::Usage;
            }
        }
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
    let missed = board.below(&floors);
    for line in &missed {
        say(&format!("lostfix: {line}"));
    }
    if missed.is_empty() { Exit::Done } else { Exit::Failed }
}

fn json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    serde_json::from_str(&text).map_err(|e| format!("{}: {e}", path.display()))
}
