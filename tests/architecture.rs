//! The import rules of DEVELOPERS.md, checked: data flows one way, and each room stays ignorant of what it must not know.

// Helpers outside #[test] functions fail a test by panicking, as tests do.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

/// Room and the rooms of ours that it may import.
const RULES: &[(&str, &[&str])] = &[
    ("model", &[]),
    ("maths", &[]),
    ("practice", &[]),
    ("crawl", &["model"]),
    ("formats", &["model", "maths"]),
    ("config", &["model", "maths"]),
    ("identify", &["model", "maths", "config", "formats"]),
    ("frames", &["model"]),
    ("store", &["model", "frames"]),
    ("detect", &["model", "maths", "frames"]),
    ("correlate", &["model", "maths"]),
    ("causes", &["model", "maths", "correlate"]),
    ("report", &["model", "causes"]),
    ("score", &["model", "maths"]),
];

/// Crates that only some rooms may name.
const CRATES: &[(&str, &[&str])] = &[
    ("polars", &["frames", "detect", "store"]),
    ("polars_arrow", &["frames"]),
    ("parquet", &["store"]),
    ("clap_complete", &["cli"]),
    ("clap_mangen", &["cli"]),
    ("zip", &["crawl", "practice"]),
    ("walkdir", &["crawl", "practice"]),
    ("minijinja", &["report"]),
    ("clap", &["cli"]),
];

fn sources(dir: &Path, into: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(dir).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            sources(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

/// Lines of a file with comments cut, so that prose does not count.
fn code_lines(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines().enumerate().map(|(i, line)| (i + 1, line.split("//").next().unwrap_or("")))
}

fn room_of(src: &Path, file: &Path) -> String {
    let inside = file.strip_prefix(src).unwrap();
    let first = inside.components().next().unwrap().as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_owned()
}

#[test]
fn rooms_import_only_what_the_table_allows() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    assert!(files.len() > 30, "found only {} source files", files.len());
    let mut broken = Vec::new();
    let mut seen = 0;
    for file in &files {
        let room = room_of(&src, file);
        let Some((_, allowed)) = RULES.iter().find(|(r, _)| *r == room) else { continue };
        let text = fs::read_to_string(file).unwrap();
        for (number, line) in code_lines(&text) {
            for part in line.split("crate::").skip(1) {
                seen += 1;
                let name: String = part.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                let is_room = RULES.iter().any(|(r, _)| *r == name) || ["cli", "pipeline"].contains(&name.as_str());
                if is_room && name != room && !allowed.contains(&name.as_str()) {
                    broken.push(format!("{}:{number}: `{room}` must not import `{name}`", file.display()));
                }
            }
        }
    }
    assert!(seen > 50, "the test read too little: {seen} imports");
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn crates_stay_in_their_rooms() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut broken = Vec::new();
    let mut seen = 0;
    for file in &files {
        let room = room_of(&src, file);
        let text = fs::read_to_string(file).unwrap();
        for (number, line) in code_lines(&text) {
            for (name, rooms) in CRATES {
                // A path into the crate: `polars::`, not a local module of the same name behind `super::` or `crate::`.
                let uses = line.match_indices(&format!("{name}::")).any(|(at, _)| {
                    let before = line[..at].chars().next_back();
                    !before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':')
                });
                if uses {
                    seen += 1;
                    if !rooms.contains(&room.as_str()) {
                        broken.push(format!("{}:{number}: `{room}` must not use the crate {name}", file.display()));
                    }
                }
            }
        }
    }
    assert!(seen > 5, "the test read too little: {seen} uses");
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn practice_shares_no_code_with_the_decoders() {
    // Two equal mistakes must not cancel: nothing of ours but the room itself.
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/practice");
    let mut files = Vec::new();
    sources(&src, &mut files);
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        for (number, line) in code_lines(&text) {
            for part in line.split("crate::").skip(1) {
                assert!(part.starts_with("practice"), "{}:{number}: {line}", file.display());
            }
        }
    }
}

/// A detector that reads a column which the analysis does not load would see an empty one.
#[test]
fn columns_that_are_not_loaded_are_not_looked_at() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut seen = 0;
    for room in ["detect", "identify", "pipeline"] {
        let mut files = Vec::new();
        sources(&src.join(room), &mut files);
        for file in files {
            let text = fs::read_to_string(&file).unwrap();
            seen += text.matches("\"cn0_mean\"").count();
            for column in lostfix::frames::schema::FOR_OTHERS {
                let named = text.contains(&format!("\"{column}\""));
                assert!(!named, "{}: \"{column}\" is not loaded; take it off FOR_OTHERS", file.display());
            }
        }
    }
    assert!(seen > 3, "the test read too little: {seen}");
}
