//! The program as it is typed: exit codes of `look` and `report` over the same input, colours.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn sample(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-bundles/bundles").join(path)
}

/// Streams of a child are no terminals.
fn lostfix(args: &[&str], color: Option<&str>, no_color: bool) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lostfix"));
    command.env_remove("NO_COLOR").args(args);
    if no_color {
        command.env("NO_COLOR", "1");
    }
    if let Some(when) = color {
        command.args(["--color", when]);
    }
    command.output().unwrap()
}

fn code(args: &[&str]) -> i32 {
    lostfix(args, None, false).status.code().unwrap()
}

#[test]
fn look_and_report_agree_on_what_could_not_be_read() {
    // product.md: 0 done; 2 wrong usage; 3 done, but some input could not be read.
    let out = temp_dir::TempDir::new().unwrap();
    for (path, expected) in [
        ("larkfield/LA01-GR1_2026-05-09.zip", 0),
        ("incoming/hours_of_work.sheet", 3),
        ("incoming/broken_download.zip", 3),
        // A readme.txt lies in it.
        ("slatequay/SL06-GR2_2026-05-09.zip", 3),
        ("no_such_file.zip", 2),
    ] {
        let path = sample(path);
        let path = path.to_str().unwrap();
        let report = out.child("report");
        assert_eq!(code(&["look", path]), expected, "look {path}");
        assert_eq!(code(&["look", "--json", path]), expected, "look --json {path}");
        assert_eq!(code(&["report", path, "--out", report.to_str().unwrap()]), expected, "report {path}");
    }
    assert_eq!(code(&["look"]), 2);
    assert_eq!(code(&["look", "--color", "sometimes", "x"]), 2);
}

#[test]
fn colours_only_where_they_are_asked_for_or_can_be_seen() {
    // ECMA-48: a colour begins with ESC [.
    let coloured = |bytes: &[u8]| bytes.windows(2).any(|w| w == b"\x1b[");
    let path = sample("incoming/broken_download.zip");
    let path = path.to_str().unwrap();
    for (color, no_color, expected) in [
        (None, false, false),
        (Some("auto"), false, false),
        (Some("never"), false, false),
        (Some("always"), false, true),
        // no-color.org: a flag of the program wins over the environment.
        (Some("always"), true, true),
        (Some("auto"), true, false),
    ] {
        let looked = lostfix(&["look", path], color, no_color);
        assert_eq!(coloured(&looked.stdout), expected, "look, {color:?}, NO_COLOR {no_color}");
        let failed = lostfix(&["look", "no such file"], color, no_color);
        assert_eq!(coloured(&failed.stderr), expected, "an error, {color:?}, NO_COLOR {no_color}");
        // JSON is for machines.
        assert!(!coloured(&lostfix(&["look", "--json", path], color, no_color).stdout));
    }
    let plain = lostfix(&["look", path], None, false);
    assert!(String::from_utf8(plain.stdout).unwrap().contains("named by its unit.toml"));
}
