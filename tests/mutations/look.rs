//! Every sample file as it lies on disk (zips, text, gzip), damaged, through `look`: the whole crawl room and the decoders.

use crate::damage::{Damage, damages};
use crate::pile::samples;
use crate::thinned;
use lostfix::config::settings::Settings;
use lostfix::pipeline::look::{Look, look};
use rayon::prelude::*;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// Reading a whole bundle takes 10 to 100 times as long as the damage is worth: so many here, all in the ignored test.
const CUTS: usize = 10;
const FLIPS: usize = 20;

fn files(folder: &Path, into: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() { files(&path, into) } else { into.push(path) }
    }
}

/// Everything that a look says, without the path of the temporary file.
fn said(look: &Look) -> String {
    serde_json::to_string(&(&look.files, look.not_read.iter().map(|n| &n.reason).collect::<Vec<_>>())).unwrap()
}

/// Bytes not decoded, failed checks, problems and things not read.
fn wrongs(look: &Look) -> (u64, u64, usize, usize) {
    let sum = |of: fn(&lostfix::model::look::FileLook) -> u64| look.files.iter().map(of).sum::<u64>();
    (
        sum(|f| f.bytes.skipped + f.bytes.unknown),
        sum(|f| f.failed_checks),
        look.files.iter().map(|f| f.problems.len()).sum(),
        look.not_read.len(),
    )
}

#[test]
fn damaged_archives_and_files_are_listed_and_never_panic() {
    let mut paths = Vec::new();
    files(&samples().join("bundles"), &mut paths);
    assert!(paths.len() > 30);
    let thin = thinned().min(5);
    let faults: Vec<String> = paths
        .par_iter()
        .flat_map_iter(|path| {
            let data = fs::read(path).unwrap();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let folder = temp_dir::TempDir::new().unwrap();
            let at = folder.child(&name);
            fs::write(&at, &data).unwrap();
            let before = look(&at, &Settings::default()).unwrap();
            let mut faults = Vec::new();
            for damage in damages(&name, data.len(), CUTS / thin, FLIPS / thin) {
                fs::write(&at, damage.of(&data)).unwrap();
                let Ok(after) = catch_unwind(AssertUnwindSafe(|| look(&at, &Settings::default()))) else {
                    faults.push(format!("{name} {damage:?}: panic"));
                    continue;
                };
                let after = after.unwrap();
                if let Some(f) = after.files.iter().find(|f| !f.bytes.adds_up()) {
                    faults.push(format!("{name} {damage:?}: the ledger of {} does not add up", f.path));
                }
                let (a, b) = (wrongs(&before), wrongs(&after));
                // The broken download is listed before any damage of ours.
                let broken = name.starts_with("broken") && b.3 > 0;
                let listed = broken || b.0 > a.0 || b.1 > a.1 || b.2 > a.2 || b.3 > a.3;
                // Checked are the content of zips and gzips; text without a check cannot show a changed letter, and a cut
                // between two lines leaves whole lines.
                let archive = name.ends_with(".zip") || name.ends_with(".gz");
                let seen =
                    listed || said(&before) == said(&after) || (!archive && !matches!(damage, Damage::Flips(..)));
                if !seen {
                    faults.push(format!("{name} {damage:?}: not listed: {a:?} before, {b:?} after"));
                }
            }
            faults
        })
        .collect();
    assert!(faults.is_empty(), "{} faults, first: {:#?}", faults.len(), &faults[..faults.len().min(8)]);
}
