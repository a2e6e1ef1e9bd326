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

/// A RINEX 3.05 observation file (table A2, A3) of ten minutes of two satellites, without orbits.
fn observations() -> String {
    let mut text = "     3.05           OBSERVATION DATA    G                   RINEX VERSION / TYPE
MARK                                                        MARKER NAME
  4433469.9438   362672.6919  4556211.6229                  APPROX POSITION XYZ
G    2 C1C S1C                                              SYS / # / OBS TYPES
  2018     7    19     0     0    0.0000000     GPS         TIME OF FIRST OBS
                                                            END OF HEADER
"
    .to_owned();
    for k in 0..20 {
        text.push_str(&format!("> 2018 07 19 00 {:02} {:2}.0000000  0  2\n", k / 2, k % 2 * 30));
        text.push_str("G09  20891534.648          47.000\nG12  23629347.915          45.000\n");
    }
    text
}

#[test]
fn the_sky_of_a_base_is_a_page_of_its_own() {
    let folder = temp_dir::TempDir::new().unwrap();
    let page = folder.child("sky.html");
    let to = page.to_str().unwrap();
    let html = |path: &Path, args: &[&str]| {
        let done = lostfix(&[&["look", path.to_str().unwrap(), "--html", to], args].concat(), None, false);
        (done.status.code().unwrap(), String::from_utf8(done.stdout).unwrap(), String::from_utf8(done.stderr).unwrap())
    };
    let of_base = sample("amberford/AM03-BASE_2026-05-09.zip");
    let (exit, text, _) = html(&of_base, &[]);
    assert_eq!(exit, 0);
    assert!(text.contains("\nsky\n  directions from broadcast orbits"), "{text}");
    let row = text.lines().find(|l| l.starts_with("  20-40 deg")).unwrap();
    let cells: Vec<&str> = row.split_whitespace().collect();
    let (expected, tracked): (u32, u32) = (cells[2].parse().unwrap(), cells[3].parse().unwrap());
    assert!(expected >= tracked && tracked > 100, "{row}");
    let first = std::fs::read_to_string(&page).unwrap();
    for part in [
        "<title>Sky over AM03-BASE",
        "C/N0 of L1 over elevation",
        "Satellites tracked",
        "Second frequency",
        "By elevation",
    ] {
        assert!(first.contains(part), "{part}");
    }
    // One file: nothing is loaded from anywhere, every picture has its words, and it stays small.
    for bad in ["http:", "https:", "src=", "url(", "<script", "@import", "NaN"] {
        assert!(!first.contains(bad), "{bad}");
    }
    assert!(first.len() < 2_000_000, "{}", first.len());
    assert_eq!(first.matches("role=\"img\" aria-labelledby").count(), first.matches("<desc id=").count());
    assert_eq!(html(&of_base, &["--quiet"]).2, "");
    assert_eq!(std::fs::read_to_string(&page).unwrap(), first, "the same bundle gives the same page");

    // A rover's log has no such page, and the former one stays.
    let (exit, _, said) = html(&sample("larkfield/LA01-GR1_2026-05-09.zip"), &[]);
    assert!(exit == 2 && said.contains("rover") && said.contains("base"), "{said}");
    assert_eq!(std::fs::read_to_string(&page).unwrap(), first);

    // Without orbits: what can be shown over time, and what is missing.
    let raw = folder.child("day.rnx");
    std::fs::write(&raw, observations()).unwrap();
    let (exit, text, _) = html(&raw, &[]);
    assert!(exit == 0 && text.contains("No broadcast orbits") && text.contains("--orbits"), "{text}");
    let page_text = std::fs::read_to_string(&page).unwrap();
    assert!(page_text.contains("No broadcast orbits") && page_text.contains("Satellites tracked"));
    assert!(!page_text.contains("lowest satellite tracked"), "no sky without directions");

    // A log is never written over, and nothing else is left behind.
    let done = lostfix(&["look", to, "--html", raw.to_str().unwrap()], None, false);
    assert_ne!(done.status.code(), Some(0));
    let done = lostfix(&["look", of_base.to_str().unwrap(), "--html", raw.to_str().unwrap()], None, false);
    assert_eq!(done.status.code(), Some(1), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(std::fs::read_to_string(&raw).unwrap(), observations());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2);
}
