//! Hands the units' files over as bundles, with the mishaps of real life.

use super::PracticeError;
use super::bundle::{self, File, put};
use super::clock;
use super::judge::Tally;
use super::plan::{Plan, Session, Unit, World};
use super::rng::{Rng, sub};
use super::side;
use super::site::{Handed, Outcome};
use std::path::Path;

/// A site after its bundles were written.
pub(super) struct SiteDone {
    pub bundles: usize,
    pub bytes: u64,
    pub tallies: Vec<(usize, Session, Tally)>,
    /// Units without a card.
    pub uncarded: Vec<usize>,
}

pub(super) fn unit(p: &Plan, n: usize) -> &Unit {
    n.checked_sub(1).and_then(|k| p.rovers.get(k)).map_or(&p.base, |r| &r.unit)
}

/// Day on which the reference coordinates were set.
pub(super) fn set_on(world: &World) -> i64 {
    world.t0 - 40 * 86_400
}

/// Writes the bundles of a site.
pub(super) fn hand_over(
    world: &World,
    k: usize,
    p: &Plan,
    outcome: Outcome,
    dir: &Path,
) -> Result<SiteDone, PracticeError> {
    let mut r = Rng::new(sub(p.seed, "hand-over"));
    let root = dir.join("bundles").join(&p.id);
    let mut done = SiteDone { bundles: 0, bytes: 0, tallies: outcome.tallies, uncarded: Vec::new() };
    let small = world.scenario.output.two_signals;
    let mut by_unit: std::collections::BTreeMap<usize, Vec<Handed>> = Default::default();
    for h in outcome.handed {
        by_unit.entry(h.unit).or_default().push(h);
    }
    for (n, days) in by_unit {
        let u = unit(p, n);
        // One unit of a spoiled fleet always goes without a card.
        let carded = (u.card || !p.confounders) && !(world.scenario.output.spoil_all && k == 1 && n == 1);
        if !carded {
            done.uncarded.push(n);
        }
        let together = days.len() > 1 && r.chance(0.4);
        let mut batches: Vec<Vec<Handed>> = Vec::new();
        for h in days {
            match batches.last_mut() {
                Some(b) if together => b.push(h),
                _ => batches.push(vec![h]),
            }
        }
        for mut batch in batches {
            let Some(first) = batch.first().map(|h| h.session) else { continue };
            let last = batch.last().map_or(first, |h| h.session);
            let mut files: Vec<File> = Vec::new();
            if carded {
                let card = side::card(p, u, n == 0, first.t0, set_on(world));
                files.push(File { name: "unit.toml".into(), bytes: card.into_bytes() });
            }
            let form = world.scenario.output.bundles.as_str();
            let as_folder = form == "folder" || (form == "mixed" && !small && r.chance(0.25));
            let as_folder = as_folder || (form == "mixed" && small && n == 1 && k % 4 == 1);
            // A folder without a card is the nearest folder that holds the files: no sub-folder then.
            let folder = r.pick(&["", "log/", "data/"], "");
            let folder = if as_folder && !carded { "" } else { folder };
            for h in &mut batch {
                for f in std::mem::take(&mut h.files) {
                    files.push(File { name: format!("{folder}{}", f.name), bytes: f.bytes });
                }
            }
            if n == 0 && world.scenario.output.rinex_nav {
                let text = super::rinex::navigation(&world.sky, first.t0, last.t0 + last.n as i64);
                files.push(File { name: format!("{folder}{}.rnx", u.id), bytes: text.into_bytes() });
            }
            // A day of the base's log that nobody saved.
            if p.confounders && n == 0 && world.days > 2 && !together && r.chance(0.04) {
                continue;
            }
            if p.confounders {
                mishaps(&mut r, &mut files, small)?;
            }
            let stem = format!("{}_{}", u.id, clock::date(first.t0));
            let end = last.t0 + last.n as i64;
            if as_folder {
                for f in &files {
                    let small_file = if small && !f.name.ends_with(".gz") && f.bytes.len() > 20_000 {
                        put(&root.join(&stem).join(format!("{}.gz", f.name)), &bundle::gzip(&f.bytes)?)?
                    } else {
                        put(&root.join(&stem).join(&f.name), &f.bytes)?
                    };
                    done.bytes += small_file;
                }
                done.bundles += 1;
            } else {
                let bytes = bundle::zip(&files, end, small)?;
                done.bytes += put(&root.join(format!("{stem}.zip")), &bytes)?;
                done.bundles += 1;
                if p.confounders && r.chance(0.04) {
                    // The same bundle handed over twice.
                    done.bytes += put(&root.join(format!("copy_of_{stem}.zip")), &bytes)?;
                    done.bundles += 1;
                }
                if world.scenario.output.spoil_all && k == 0 && n == 1 {
                    // A download that broke off: half of a zip that also exists whole.
                    let half = bytes.get(..bytes.len() / 3).unwrap_or(&[]);
                    done.bytes += put(&dir.join("bundles").join("incoming").join("broken_download.zip"), half)?;
                    done.bundles += 1;
                }
            }
            if p.confounders && n > 0 && r.chance(if small { 0.08 } else { 0.06 }) {
                done.bytes += overlap(&mut r, p, u, &files, carded, &root, &stem, end)?;
                done.bundles += 1;
            }
        }
    }
    Ok(done)
}

/// Foreign files inside a bundle, and a log whose last line was cut when the power went.
fn mishaps(r: &mut Rng, files: &mut Vec<File>, small: bool) -> Result<(), PracticeError> {
    if r.chance(0.05) {
        let n = if small { 600 } else { 20_000 };
        let mut bytes = b"\xFF\xD8\xFF\xE0\x00\x10JFIF\x00".to_vec();
        bytes.extend((0..n).map(|_| r.next() as u8));
        files.push(File { name: "photo_1.jpg".into(), bytes });
    }
    if r.chance(0.05) {
        files.push(File {
            name: "readme.txt".into(),
            bytes: b"Logs pulled by the night crew. Battery changed.\n".to_vec(),
        });
    }
    if r.chance(0.08)
        && let Some(f) = files.iter_mut().find(|f| f.name.ends_with(".nmea") || f.name.ends_with(".rtcm3"))
    {
        let cut = r.int(3, 60) as usize;
        f.bytes.truncate(f.bytes.len().saturating_sub(cut));
    }
    if r.chance(0.06)
        && let Some(f) = files.iter_mut().find(|f| f.name.ends_with(".nmea"))
    {
        f.bytes = bundle::gzip(&f.bytes)?;
        f.name.push_str(".gz");
    }
    Ok(())
}

/// A second bundle of the same unit that repeats a stretch of its log (cut off in the middle of a line).
#[allow(clippy::too_many_arguments)]
fn overlap(
    r: &mut Rng,
    p: &Plan,
    u: &Unit,
    files: &[File],
    carded: bool,
    root: &Path,
    stem: &str,
    end: i64,
) -> Result<u64, PracticeError> {
    let Some(f) = files.iter().find(|f| f.name.ends_with(".nmea")) else { return Ok(0) };
    let from = (f.bytes.len() as f64 * r.range(0.5, 0.7)) as usize;
    let start = f.bytes.iter().skip(from).position(|b| *b == b'\n').map_or(from, |k| from + k + 1);
    let part = f.bytes.get(start..f.bytes.len().saturating_sub(r.int(5, 50) as usize)).unwrap_or(&[]).to_vec();
    let mut list = Vec::new();
    if carded {
        list.push(File { name: "unit.toml".into(), bytes: side::card(p, u, false, end, end).into_bytes() });
    }
    list.push(File { name: "export.nmea".into(), bytes: part });
    put(&root.join(format!("{stem}_again.zip")), &bundle::zip(&list, end, true)?)
}
