//! The store on the sample bundles: the same findings as without it, whoever read, in how many parts, and whatever was killed.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use lostfix::model::picture::SitePictures;
use lostfix::pipeline::{Outcome, ReadOutcome, Request, RunError, Shard, Unwatched, analyse, analyse_store, read_into};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use temp_dir::TempDir;

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-bundles")
}

fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_tree(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Two sites, one with a copy, the broken ones and the files beside them, in a folder with blanks and letters beyond ASCII.
fn pile(in_folder: &Path) -> PathBuf {
    let pile = in_folder.join("Gerät & Söhne");
    for part in ["bundles/larkfield", "bundles/slatequay", "bundles/incoming"] {
        copy_tree(&samples().join(part), &pile.join(part));
    }
    // Copies: one byte for byte, one of the same content as a folder elsewhere, one of a broken zip.
    let bundles = pile.join("bundles");
    fs::copy(bundles.join("larkfield/LA01-DZ2_2026-05-09.zip"), bundles.join("mailed again.zip")).unwrap();
    fs::copy(bundles.join("incoming/broken_download.zip"), bundles.join("incoming/broken_too.zip")).unwrap();
    copy_tree(&bundles.join("slatequay/SL06-EX1_2026-05-09"), &bundles.join("slatequay/same/SL06-EX1_2026-05-09"));
    for file in ["fleet.toml", "complaints.csv", "fieldwork.csv", "kp.txt", "places.csv", "catalogue.toml"] {
        fs::copy(samples().join(file), pile.join(file)).unwrap();
    }
    pile
}

fn request(pile: &Path) -> Request {
    Request { folders: vec![pile.to_owned()], ..Request::default() }
}

fn ok<T>(result: Result<T, RunError>) -> T {
    match result {
        Ok(value) => value,
        Err(RunError::Usage(why) | RunError::Failed(why)) => panic!("{why}"),
    }
}

fn read(pile: &Path, store: &Path) -> ReadOutcome {
    ok(read_into(&request(pile), store, None, &Unwatched))
}

fn stored(store: &Path) -> Outcome {
    ok(analyse_store(&Request::default(), store, &Unwatched))
}

fn json(outcome: &Outcome) -> String {
    serde_json::to_string(&outcome.findings).unwrap()
}

/// Every file of a store with its content; what only one run needs is left out.
fn files(store: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut out = BTreeMap::new();
    let mut waiting = vec![store.to_owned()];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                waiting.push(path);
            } else {
                let name = path.strip_prefix(store).unwrap().to_string_lossy().into_owned();
                out.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    out
}

#[test]
fn findings_are_those_of_a_direct_report() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (pile(temp.path()), temp.path().join("Lager ü"));
    let first = read(&pile, &store);
    assert!(first.new >= 7 && first.known == 0, "{first:?}");
    let direct = ok(analyse(&request(&pile), &Unwatched));
    let from_store = stored(&store);
    assert!(direct.findings.sites.iter().any(|s| s.lost_fix_hours > 0.1) && !direct.findings.complaints.is_empty());
    assert_eq!(direct.findings.input.duplicates, 3);
    assert_eq!(json(&direct), json(&from_store));
    assert_eq!(direct.log, from_store.log);
    // A window that cuts through the day, and one that ends before it.
    let noon = lostfix::model::time::parse_utc("2026-05-09T09:30:00Z");
    for (from, to) in [(None, noon), (noon, None)] {
        let direct = ok(analyse(&Request { from, to, ..request(&pile) }, &Unwatched));
        let from_store = ok(analyse_store(&Request { from, to, ..Request::default() }, &store, &Unwatched));
        assert_eq!(json(&direct), json(&from_store));
    }
}

/// Hidden folders in which tables were put aside.
fn scratch_left(folder: &Path) -> usize {
    let name = |e: std::io::Result<fs::DirEntry>| e.unwrap().file_name().to_string_lossy().into_owned();
    fs::read_dir(folder).unwrap().map(name).filter(|n| n.starts_with(".lostfix-scratch")).count()
}

/// Counts how many hidden folders there were while sites were looked at.
struct Spy<'a>(&'a Path, std::sync::atomic::AtomicUsize);

impl lostfix::pipeline::Watch for Spy<'_> {
    fn step(&self, _: &str) {
        self.1.fetch_max(scratch_left(self.0), std::sync::atomic::Ordering::Relaxed);
    }
}

#[test]
fn tables_that_are_put_aside_change_nothing() {
    let temp = TempDir::new().unwrap();
    let scratch = temp.path().join("aside");
    fs::create_dir(&scratch).unwrap();
    let mut folders: Vec<PathBuf> =
        fs::read_dir(samples().join("bundles")).unwrap().map(|e| e.unwrap().path()).collect();
    folders.sort();
    let request = |memory: u64, folders: &[PathBuf]| Request {
        folders: folders.to_vec(),
        scratch: Some(scratch.clone()),
        memory_bytes: Some(memory),
        ..Request::default()
    };
    let in_memory = ok(analyse(&request(u64::MAX, &folders), &Unwatched));
    assert!(in_memory.findings.sites.len() >= 9);
    let pictures = |o: &Outcome| -> String {
        let of = |s: &SitePictures| {
            let picture = serde_json::to_string(&*s.picture.get().unwrap()).unwrap();
            format!("{} {picture} {:?} {:?} {:?}", s.site, s.event_tests, s.chances, s.working.get().unwrap())
        };
        o.pictures.sites.iter().map(of).collect()
    };
    let mut turned = folders.clone();
    turned.reverse();
    // All on disk, a part on disk; other orders of folders and numbers of threads.
    for (memory, folders, threads) in [(0, &folders, 1), (0, &turned, 4), (2_000_000, &turned, 3)] {
        let spy = Spy(&scratch, Default::default());
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let aside = pool.install(|| ok(analyse(&request(memory, folders), &spy)));
        assert_eq!(json(&in_memory), json(&aside), "{memory} {threads}");
        assert_eq!(in_memory.log, aside.log);
        assert!(pictures(&in_memory) == pictures(&aside), "{memory} {threads}: pictures");
        assert_eq!(spy.1.into_inner(), 1, "nothing was put aside");
        assert!(scratch_left(&scratch) <= 1, "pictures wait there for the report");
        drop(aside);
        assert_eq!(scratch_left(&scratch), 0, "what was put aside stays");
    }
    // Where nothing can be put aside the run says so and what to do.
    let file = temp.path().join("a file");
    fs::write(&file, "x").unwrap();
    match analyse(&Request { scratch: Some(file), ..request(0, &folders) }, &Unwatched) {
        Err(RunError::Failed(why)) => assert!(why.contains("--scratch"), "{why}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_change_that_keeps_length_and_time_is_found() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (pile(temp.path()), temp.path().join("store"));
    let first = read(&pile, &store);
    let log = pile.join("bundles/slatequay/SL06-EX1_2026-05-09/log/events_20260509.csv");
    let (text, time) = (fs::read_to_string(&log).unwrap(), fs::metadata(&log).unwrap().modified().unwrap());
    let changed = text.replacen('0', "1", 1);
    assert!(changed != text && changed.len() == text.len());
    fs::write(&log, changed).unwrap();
    fs::File::options().write(true).open(&log).unwrap().set_modified(time).unwrap();
    let again = read(&pile, &store);
    if cfg!(unix) {
        assert_eq!((again.new, again.known), (1, first.found - 1));
    }
}

#[test]
fn of_two_copies_that_come_at_once_one_is_new() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (temp.path().join("pile"), temp.path().join("store"));
    for copy in 0..6 {
        copy_tree(&samples().join("bundles/slatequay"), &pile.join(format!("{copy}")));
    }
    let bundles = read(&samples().join("bundles/slatequay"), &temp.path().join("other"));
    let all = read(&pile, &store);
    assert_eq!((all.found, all.new, all.copies), (bundles.found * 6, bundles.new, bundles.found * 6 - bundles.new));
}

#[test]
fn four_parts_at_once_write_what_one_process_writes() {
    let temp = TempDir::new().unwrap();
    let pile = pile(temp.path());
    let (one, four) = (temp.path().join("one"), temp.path().join("four"));
    read(&pile, &one);
    let found: u64 = std::thread::scope(|scope| {
        let parts: Vec<_> = (1..=4)
            .map(|k| {
                let (pile, four) = (&pile, &four);
                scope.spawn(move || ok(read_into(&request(pile), four, Some(Shard { k, n: 4 }), &Unwatched)).found)
            })
            .collect();
        parts.into_iter().map(|p| p.join().unwrap()).sum()
    });
    assert_eq!(found, read(&pile, &one).found);
    let (one, four) = (files(&one), files(&four));
    assert_eq!(one.keys().collect::<Vec<_>>(), four.keys().collect::<Vec<_>>());
    assert!(one == four, "same names, other bytes");
}

#[test]
fn known_bundles_are_not_opened_and_a_changed_one_takes_its_place() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (pile(temp.path()), temp.path().join("store"));
    let first = read(&pile, &store);
    let again = read(&pile, &store);
    assert_eq!((again.new, again.copies, again.known), (0, 0, first.found));
    assert!(again.not_read.is_empty(), "only what is new is listed by read: {:?}", again.not_read);
    // A folder that grows: what it held before must not count twice.
    let log = pile.join("bundles/slatequay/SL06-EX1_2026-05-09/log/events_20260509.csv");
    let mut text = fs::read_to_string(&log).unwrap();
    text.push_str("2026-05-09T10:00:00Z,restart,by hand\n");
    fs::write(&log, &text).unwrap();
    let changed = read(&pile, &store);
    // Its copy still has the old content, so nothing leaves the store yet.
    assert_eq!((changed.new, changed.replaced, changed.known), (1, 0, first.found - 1));
    fs::write(pile.join("bundles/slatequay/same/SL06-EX1_2026-05-09/log/events_20260509.csv"), &text).unwrap();
    let changed = read(&pile, &store);
    assert_eq!((changed.copies, changed.replaced, changed.known), (1, 1, first.found - 1));
    assert_eq!(json(&ok(analyse(&request(&pile), &Unwatched))), json(&stored(&store)));
    let fresh = temp.path().join("fresh");
    read(&pile, &fresh);
    assert_eq!(files(&fresh).keys().collect::<Vec<_>>(), files(&store).keys().collect::<Vec<_>>());
    // What left the folder stays in the store.
    let before = json(&stored(&store));
    fs::remove_dir_all(pile.join("bundles/larkfield")).unwrap();
    read(&pile, &store);
    assert_eq!(before, json(&stored(&store)));
}

#[test]
fn what_a_killed_run_left_is_finished_or_removed() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (pile(temp.path()), temp.path().join("store"));
    read(&pile, &store);
    let whole = files(&store);
    // As if the process had died while it moved one bundle to its places: the manifest, the record and one table are still
    // in `ready`, the others are where they belong.
    // One that lies in the pile once.
    let copied = ["LA01-DZ2", "SL06-EX1", "mailed", "broken"];
    let once = |text: &[u8]| !copied.iter().any(|c| String::from_utf8_lossy(text).contains(c));
    let manifest = whole.iter().find(|(k, v)| k.starts_with("bundles") && once(v)).unwrap().0.clone();
    let value: serde_json::Value = serde_json::from_slice(&whole[&manifest]).unwrap();
    let hash = value["hash"].as_str().unwrap();
    let seen =
        whole.iter().find(|(k, v)| k.starts_with("seen") && String::from_utf8_lossy(v).contains(hash)).unwrap().0;
    let ready = store.join("ready").join(format!("{hash}-dead"));
    fs::create_dir_all(&ready).unwrap();
    fs::rename(store.join(&manifest), ready.join("manifest.json")).unwrap();
    fs::rename(store.join(seen), ready.join("seen.json")).unwrap();
    let last = value["tables"].as_array().unwrap().len() - 1;
    let table = value["tables"][last]["path"].as_str().unwrap();
    fs::rename(store.join(table), ready.join(format!("{last}.parquet"))).unwrap();
    // And another one while it wrote aside; its lock is free.
    let aside = store.join("tmp/dead-run/0");
    fs::create_dir_all(&aside).unwrap();
    fs::write(aside.join("0.parquet"), b"half").unwrap();
    let owner = store.join("tmp/dead-run/owner");
    let host = ["COMPUTERNAME", "HOSTNAME"]
        .iter()
        .find_map(|k| std::env::var(k).ok().filter(|v| !v.is_empty()))
        .or_else(|| fs::read_to_string("/etc/hostname").ok().map(|h| h.trim().to_owned()))
        .unwrap_or_else(|| "unknown".to_owned());
    fs::write(&owner, host).unwrap();
    // And one that died between the two steps of making the head, a moment ago.
    fs::write(store.join(".lostfix-store-dead-1-1"), b"").unwrap();
    let next = read(&pile, &store);
    assert_eq!(next.new, 0, "everything was there: {next:?}");
    assert_eq!(whole, files(&store));
    // A bundle that was on its way out.
    let retired = store.join("retired").join(format!("{hash}.json"));
    fs::create_dir_all(store.join("retired")).unwrap();
    fs::rename(store.join(&manifest), retired).unwrap();
    let next = read(&pile, &store);
    assert_eq!(next.new, 1, "it lies in the folder, so it is read again: {next:?}");
    assert_eq!(whole, files(&store));
}

#[test]
fn folders_that_are_no_store_and_other_versions_are_refused() {
    let temp = TempDir::new().unwrap();
    let (pile, store) = (pile(temp.path()), temp.path().join("store"));
    let usage = |store: &Path| match read_into(&request(&pile), store, None, &Unwatched) {
        Err(RunError::Usage(why)) => why,
        other => panic!("{other:?}"),
    };
    assert!(usage(&pile).contains("is no store"));
    assert!(
        matches!(analyse_store(&Request::default(), &store, &Unwatched), Err(RunError::Usage(w)) if w.contains("lostfix read"))
    );
    read(&pile, &store);
    let head = store.join("lostfix-store.json");
    let text = fs::read_to_string(&head).unwrap();
    fs::write(&head, text.replace("\"format\":1", "\"format\":0")).unwrap();
    assert!(usage(&store).contains("must be read again"));
    fs::write(&head, text.replace("sigma_v_m", "sigma_x_m")).unwrap();
    assert!(usage(&store).contains("with other columns"));
    // A damaged table is told with its name, not read.
    fs::write(&head, text).unwrap();
    let table = files(&store).keys().find(|k| k.starts_with("fixes")).unwrap().clone();
    fs::write(store.join(&table), b"PAR1").unwrap();
    match analyse_store(&Request::default(), &store, &Unwatched) {
        Err(RunError::Failed(why)) => assert!(why.contains("fixes") && why.contains("lostfix read"), "{why}"),
        other => panic!("{other:?}"),
    }
}
