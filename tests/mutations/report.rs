//! Damaged files through the whole report: what is found about other units stays as it was.

use crate::damage::{Dice, EXTENSIONS, damages, renamed};
use crate::pile::{Bundle, Pile, bundles, put, put_all, small_pile, unit_of};
use lostfix::config::settings::Settings;
use lostfix::model::findings::Findings;
use lostfix::pipeline::{Outcome, Request, RunError, Unwatched, analyse};
use std::collections::BTreeSet;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

/// Which part of the day the small piles hold.
const PART: (f64, f64) = (0.30, 0.38);

/// Two sites and the strays; a zip and a folder, with and without a unit card.
const PILES: [&[&str]; 5] = [
    &["larkfield", "slatequay", "incoming"],
    &["stonebrook", "amberford"],
    &["ravenmoor", "juniperpit"],
    &["heronvale", "cedarwell"],
    &["granitelea", "ravenmoor"],
];

fn run(folder: &Path) -> Result<Outcome, String> {
    let request = Request { folders: vec![folder.to_path_buf()], settings: Settings::default(), ..Request::default() };
    match catch_unwind(AssertUnwindSafe(|| analyse(&request, &Unwatched))) {
        Ok(Ok(outcome)) => Ok(outcome),
        Ok(Err(RunError::Usage(why) | RunError::Failed(why))) => Err(why),
        Err(_) => Err("panic".to_owned()),
    }
}

/// What is known about every unit but one: its float periods (times, state, correction age), its events (but weak signal, which
/// compares the bases of the whole pile), and all times of sites that do not hold that unit. Causes are left out: who else
/// lost fix is evidence, so a unit that falls silent may change a neighbour's verdict.
fn facts(findings: &Findings, but: &BTreeSet<String>) -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    for site in &findings.sites {
        let units: Vec<&String> = site.bases.iter().chain(&site.rovers).collect();
        if !units.iter().any(|u| but.contains(*u)) {
            out.insert(format!(
                "{} {:?} observed {} lost {} start-up {} silent {} at {:?}: {}",
                site.site,
                units,
                site.observed_hours,
                site.lost_fix_hours,
                site.start_up_hours,
                site.silent_hours,
                site.position,
                site.verdict
            ));
        }
        for p in site.float_periods.iter().filter(|p| !but.contains(&p.unit)) {
            out.insert(format!("{} {} to {} {} age {:?}", p.unit, p.from, p.to, p.state, p.mean_correction_age_s));
        }
        for e in site.base_events.iter().filter(|e| !but.contains(&e.unit) && e.kind != "weak-signal") {
            out.insert(format!("{e:?}"));
        }
    }
    out
}

/// One small pile on disk with what is found in it undamaged.
struct Bench {
    folder: temp_dir::TempDir,
    pile: Pile,
    clean: Findings,
}

impl Bench {
    fn new(all: &[Bundle], sites: &[&str]) -> Bench {
        let pile = small_pile(all, sites, PART.0, PART.1);
        let folder = temp_dir::TempDir::new().unwrap();
        put_all(folder.path(), &pile);
        let clean = run(folder.path()).unwrap().findings;
        Bench { folder, pile, clean }
    }

    /// The files of the bundles.
    fn files(&self) -> Vec<String> {
        self.pile.keys().filter(|k| k.starts_with("bundles/")).cloned().collect()
    }

    /// What is wrong when a file has other bytes and another name.
    fn fault(&self, path: &str, name: &str, data: &[u8], what: &str) -> Option<String> {
        let folder = self.folder.path();
        if name != path {
            fs::remove_file(folder.join(path)).unwrap();
        }
        put(folder, name, data);
        let outcome = run(folder);
        if name != path {
            fs::remove_file(folder.join(name)).unwrap();
        }
        put(folder, path, &self.pile[path]);
        let outcome = match outcome {
            Ok(outcome) => outcome,
            Err(why) => return Some(format!("{name} {what}: {why}")),
        };
        let mut but = BTreeSet::from([unit_of(path)]);
        if path.contains("incoming") {
            // A part of a rover's day, by its own card.
            but.insert("LA01-GR1".to_owned());
        }
        // A name that the damage made out of the unit's own belongs to the damaged file.
        let known: BTreeSet<&String> = self.clean.sites.iter().flat_map(|s| s.bases.iter().chain(&s.rovers)).collect();
        for unit in outcome.findings.sites.iter().flat_map(|s| s.bases.iter().chain(&s.rovers)) {
            if !known.contains(unit) {
                but.insert(unit.clone());
            }
        }
        let (a, b) = (facts(&self.clean, &but), facts(&outcome.findings, &but));
        if a != b {
            let gone: Vec<&String> = a.difference(&b).take(3).collect();
            let new: Vec<&String> = b.difference(&a).take(3).collect();
            return Some(format!("{name} {what}: other units changed: gone {gone:#?}, new {new:#?}"));
        }
        // Every file of the pile is in run.log, whatever became of it.
        let last = name.rsplit('/').next().unwrap_or(name);
        (!outcome.log.contains(last)).then(|| format!("{name} {what}: not in run.log"))
    }

    fn damaged(&self, cuts: usize, flips: usize) -> (usize, Vec<String>) {
        let (mut runs, mut faults) = (0, Vec::new());
        for path in self.files() {
            let data = &self.pile[&path];
            for damage in damages(&path, data.len(), cuts, flips) {
                runs += 1;
                faults.extend(self.fault(&path, &path, &damage.of(data), &format!("{damage:?}")));
            }
        }
        (runs, faults)
    }

    fn renamed(&self, extensions: usize) -> (usize, Vec<String>) {
        let (mut runs, mut faults) = (0, Vec::new());
        for path in self.files() {
            let mut dice = Dice::of(&path, 3);
            let data = &self.pile[&path];
            for i in 0..extensions {
                let pick = if extensions == EXTENSIONS.len() { i } else { dice.below(EXTENSIONS.len()) };
                let name = renamed(&path, EXTENSIONS[pick]);
                if name == path || self.pile.contains_key(&name) {
                    continue;
                }
                runs += 1;
                faults.extend(self.fault(&path, &name, data, "renamed"));
            }
        }
        (runs, faults)
    }
}

fn none(faults: &[String]) {
    assert!(faults.is_empty(), "{} faults, first: {:#?}", faults.len(), &faults[..faults.len().min(6)]);
}

/// Piles one after another, or the first only in the slow profile.
fn benches() -> Vec<Bench> {
    let all = bundles();
    let n = if cfg!(debug_assertions) { 1 } else { PILES.len() };
    PILES.iter().take(n).map(|sites| Bench::new(&all, sites)).collect()
}

#[test]
fn the_small_piles_have_something_to_lose() {
    let mut periods = 0;
    for bench in benches() {
        assert!(bench.clean.sites.len() >= 2, "{:?}", bench.clean.sites);
        periods += bench.clean.sites.iter().map(|s| s.float_periods.len()).sum::<usize>();
    }
    assert!(periods > 2, "only {periods} float periods in the small piles");
}

#[test]
#[ignore = "known difference: without its base a rover's period is split elsewhere and the site takes its position from a card"]
fn damage_to_one_file_changes_nothing_about_other_units() {
    for bench in benches() {
        let (runs, faults) = bench.damaged(1, 3);
        println!("{} sites, {runs} reports over damaged files", bench.clean.sites.len());
        none(&faults);
    }
}

#[test]
fn another_name_of_one_file_changes_nothing_about_other_units() {
    for bench in benches() {
        let (runs, faults) = bench.renamed(2);
        println!("{} sites, {runs} reports over renamed files", bench.clean.sites.len());
        none(&faults);
    }
}

#[test]
#[ignore = "minutes: 200 cuts, 1,000 flips and every name of every file, a report each"]
fn all_damage_through_the_whole_report() {
    // LOSTFIX_MUTATIONS: so many percent of it, for a machine that has other things to do.
    let percent: usize = std::env::var("LOSTFIX_MUTATIONS").ok().and_then(|p| p.parse().ok()).unwrap_or(100);
    let all = bundles();
    let (mut runs, mut faults) = (0, Vec::new());
    for sites in PILES {
        let bench = Bench::new(&all, sites);
        let started = std::time::Instant::now();
        let (a, mut f) = bench.damaged(2 * percent, 10 * percent);
        let (b, mut g) = bench.renamed(EXTENSIONS.len());
        println!(
            "{sites:?}: {a} damaged, {b} renamed, {} faults, {:.0} s",
            f.len() + g.len(),
            started.elapsed().as_secs_f64()
        );
        runs += a + b;
        faults.append(&mut f);
        faults.append(&mut g);
    }
    println!("{runs} reports");
    none(&faults);
    assert!(runs > 400 * percent, "only {runs} reports");
}
