//! Damaged files through the whole report: what is found about other units stays as it was.

use crate::damage::{Damage, Dice, EXTENSIONS, damages, renamed};
use crate::pile::{Bundle, Pile, bundles, put, put_all, small_pile, unit_of};
use lostfix::config::settings::Settings;
use lostfix::model::findings::{Findings, SiteFindings};
use lostfix::pipeline::{Outcome, Request, RunError, Unwatched, analyse};
use std::collections::{BTreeMap, BTreeSet};
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

/// Bases nearer than this share a sky, km: the default of the setting `[neighbours] distance_km`.
const NEIGHBOUR_KM: f64 = 150.0;

fn units(site: &SiteFindings) -> impl Iterator<Item = &String> {
    site.bases.iter().chain(&site.rovers)
}

/// Great-circle distance on a sphere of 6371 km (haversine); none when a position is missing.
fn distance_km(a: &SiteFindings, b: &SiteFindings) -> Option<f64> {
    let (p, q) = (a.position?, b.position?);
    let half = |x: f64, y: f64| ((y - x).to_radians() / 2.0).sin().powi(2);
    let (lat1, lat2) = (p.latitude.to_radians(), q.latitude.to_radians());
    let h = half(p.latitude, q.latitude) + lat1.cos() * lat2.cos() * half(p.longitude, q.longitude);
    Some(2.0 * 6371.0 * h.sqrt().asin())
}

/// Sites that have nothing to do with the units: they do not hold them and are no neighbours of a site that does (a site without
/// a position is near to all: nobody knows).
fn apart(findings: &Findings, but: &BTreeSet<String>) -> BTreeSet<String> {
    let theirs: Vec<&SiteFindings> = findings.sites.iter().filter(|s| units(s).any(|u| but.contains(u))).collect();
    let far = |s: &&SiteFindings| theirs.iter().all(|t| distance_km(s, t).is_some_and(|d| d > NEIGHBOUR_KM));
    findings.sites.iter().filter(far).map(|s| s.site.clone()).collect()
}

/// Sites where one of the units is a rover: their hours are its hours too.
fn driven(findings: &Findings, but: &BTreeSet<String>) -> BTreeSet<String> {
    findings.sites.iter().filter(|s| s.rovers.iter().any(|u| but.contains(u))).map(|s| s.site.clone()).collect()
}

/// What damage to a file of the units `but` must leave as it is.
///
/// - The lost time of every other unit: its float periods, neighbouring ones taken together. Where they are split and which cause
///   each gets may differ: who else lost fix and what the base shows is evidence.
/// - Events of other bases; hours (observed, lost, start-up, silent) of every site but the `driven`, so too when a base is damaged.
/// - Everything at all (causes, evidence, verdict, advisories) at the sites `apart`. Only their rank counts all sites; and what a
///   base's strong satellites are compared with is the median of all bases, so that one event is left out everywhere.
fn facts(
    findings: &Findings,
    but: &BTreeSet<String>,
    apart: &BTreeSet<String>,
    driven: &BTreeSet<String>,
) -> BTreeSet<String> {
    let mut out = BTreeSet::new();
    let mut lost: BTreeMap<&str, Vec<(String, String)>> = BTreeMap::new();
    for site in &findings.sites {
        if !driven.contains(&site.site) {
            out.insert(format!(
                "{} {:?} observed {} lost {} start-up {} silent {}",
                site.site,
                site.rovers,
                site.observed_hours,
                site.lost_fix_hours,
                site.start_up_hours,
                site.silent_hours,
            ));
        }
        for p in site.float_periods.iter().filter(|p| !but.contains(p.unit.as_str())) {
            lost.entry(p.unit.as_str()).or_default().push((p.from.clone(), p.to.clone()));
        }
        for e in site.base_events.iter().filter(|e| !but.contains(&e.unit) && e.kind != "weak-signal") {
            out.insert(format!("{e:?}"));
        }
        let compared = site.base_events.iter().any(|e| e.kind == "weak-signal");
        if apart.contains(&site.site) && !compared {
            let whole = SiteFindings { rank: 0, ..site.clone() };
            out.insert(serde_json::to_string(&whole).unwrap());
        }
    }
    for (unit, mut periods) in lost {
        periods.sort();
        let mut merged: Vec<(String, String)> = Vec::new();
        for (from, to) in periods {
            match merged.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.clone().max(to),
                _ => merged.push((from, to)),
            }
        }
        out.extend(merged.into_iter().map(|(from, to)| format!("{unit} lost {from} to {to}")));
    }
    out
}

/// What was done so far.
#[derive(Debug, Default, Clone, Copy)]
struct Done {
    files: usize,
    cuts: usize,
    flips: usize,
    thousands: usize,
    renames: usize,
    panics: usize,
}

impl Done {
    fn reports(&self) -> usize {
        self.cuts + self.flips + self.thousands + self.renames
    }

    fn count(&mut self, damage: Damage) {
        match damage {
            Damage::Cut(_) => self.cuts += 1,
            Damage::Flip(..) => self.flips += 1,
            Damage::Flips(..) => self.thousands += 1,
        }
    }
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
        let far = apart(&self.clean, &but);
        // Where a damaged rover is now, or was and is no more.
        let mut driven = self::driven(&self.clean, &but);
        driven.extend(self::driven(&outcome.findings, &but));
        let (a, b) = (facts(&self.clean, &but, &far, &driven), facts(&outcome.findings, &but, &far, &driven));
        if a != b {
            let gone: Vec<&String> = a.difference(&b).take(3).collect();
            let new: Vec<&String> = b.difference(&a).take(3).collect();
            return Some(format!("{name} {what}: other units changed: gone {gone:#?}, new {new:#?}"));
        }
        // Every file of the pile is in run.log, whatever became of it.
        let last = name.rsplit('/').next().unwrap_or(name);
        (!outcome.log.contains(last)).then(|| format!("{name} {what}: not in run.log"))
    }

    fn damaged(&self, cuts: usize, flips: usize, done: &mut Done) -> Vec<String> {
        let mut faults = Vec::new();
        for path in self.files() {
            let data = &self.pile[&path];
            done.files += 1;
            for damage in damages(&path, data.len(), cuts, flips) {
                done.count(damage);
                faults.extend(self.fault(&path, &path, &damage.of(data), &format!("{damage:?}")));
            }
        }
        done.panics += faults.iter().filter(|f| f.ends_with(": panic")).count();
        faults
    }

    fn renamed(&self, extensions: usize, done: &mut Done) -> Vec<String> {
        let mut faults = Vec::new();
        for path in self.files() {
            let mut dice = Dice::of(&path, 3);
            let data = &self.pile[&path];
            for i in 0..extensions {
                let pick = if extensions == EXTENSIONS.len() { i } else { dice.below(EXTENSIONS.len()) };
                let name = renamed(&path, EXTENSIONS[pick]);
                if name == path || self.pile.contains_key(&name) {
                    continue;
                }
                done.renames += 1;
                faults.extend(self.fault(&path, &name, data, "renamed"));
            }
        }
        done.panics += faults.iter().filter(|f| f.ends_with(": panic")).count();
        faults
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
fn damage_to_one_file_changes_nothing_about_other_units() {
    let mut done = Done::default();
    for bench in benches() {
        none(&bench.damaged(1, 1, &mut done));
    }
    println!("{} reports: {done:?}", done.reports());
    assert!(done.reports() >= 3 * done.files && done.files > 5, "{done:?}");
}

#[test]
fn another_name_of_one_file_changes_nothing_about_other_units() {
    let mut done = Done::default();
    for bench in benches() {
        none(&bench.renamed(2, &mut done));
    }
    println!("{} reports: {done:?}", done.reports());
}

#[test]
fn what_must_stay_would_be_missed() {
    // The comparison must be able to fail: a period, an hour, an event and an evidence line taken away elsewhere are each seen.
    let bench = &benches()[0];
    let but = BTreeSet::from([unit_of("bundles/slatequay/SL06-EX1_2026-05-09.zip")]);
    let far = apart(&bench.clean, &but);
    assert!(far.contains("larkfield") && !far.contains("slatequay"), "{far:?}");
    let driven = driven(&bench.clean, &but);
    let before = facts(&bench.clean, &but, &far, &driven);
    let at = |f: &Findings| f.sites.iter().position(|s| s.site == "larkfield").unwrap();
    let changes: [fn(&mut SiteFindings); 4] = [
        |s| s.observed_hours += 0.001,
        |s| s.float_periods.truncate(s.float_periods.len() - 1),
        |s| s.base_events.truncate(s.base_events.len() - 1),
        |s| s.causes.iter_mut().for_each(|c| c.evidence.truncate(1)),
    ];
    for (i, change) in changes.iter().enumerate() {
        let mut other = bench.clean.clone();
        let site = at(&other);
        change(&mut other.sites[site]);
        assert_ne!(before, facts(&other, &but, &far, &driven), "change {i}");
    }
}

#[test]
#[ignore = "minutes to hours: 200 cuts, 1,000 flips and every name of every file, a report each"]
fn all_damage_through_the_whole_report() {
    // LOSTFIX_MUTATIONS: so many percent of it, for a machine that has other things to do.
    let percent: usize = std::env::var("LOSTFIX_MUTATIONS").ok().and_then(|p| p.parse().ok()).unwrap_or(100);
    // LOSTFIX_PILE: the name of one site, for the one pile with it: the work of an hour in parts that can be stopped between.
    let only = std::env::var("LOSTFIX_PILE").ok();
    let piles: Vec<_> = PILES.iter().filter(|sites| only.as_deref().is_none_or(|site| sites.contains(&site))).collect();
    let all = bundles();
    let (mut total, mut faults) = (Done::default(), Vec::new());
    for sites in &piles {
        let bench = Bench::new(&all, sites);
        let started = std::time::Instant::now();
        let mut done = Done::default();
        let mut f = bench.damaged(2 * percent, 10 * percent, &mut done);
        f.append(&mut bench.renamed(EXTENSIONS.len(), &mut done));
        println!("{sites:?}: {done:?}, {} faults, {:.0} s", f.len(), started.elapsed().as_secs_f64());
        f.iter().take(3).for_each(|f| println!("  {f}"));
        total = Done {
            files: total.files + done.files,
            cuts: total.cuts + done.cuts,
            flips: total.flips + done.flips,
            thousands: total.thousands + done.thousands,
            renames: total.renames + done.renames,
            panics: total.panics + done.panics,
        };
        faults.append(&mut f);
    }
    println!("{} reports: {total:?}, {} faults", total.reports(), faults.len());
    none(&faults);
    assert!(total.reports() > 80 * percent * piles.len() && !piles.is_empty(), "only {} reports", total.reports());
}
