//! Bringing new bundles into a store. Known ones are not opened.

use super::read::{AsideError, list_not_read, read_bundle_onto, take_rows, take_tables};
use super::store_report::store_error;
use super::stored::{ReadAs, Record};
use super::workers::share_out;
use super::{Request, Rules, RunError, Watch, beside};
use crate::crawl::{self, BundleKind, BundleRef, ContentHash, Inventory, Limits};
use crate::identify;
use crate::model::findings::NotRead;
use crate::store::{BundleEntry, FolderNote, Seen, Store, Writer};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::UNIX_EPOCH;

/// A part of the work: number `k` (from 1) of `n`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// From 1.
    pub k: u64,
    /// How many there are.
    pub n: u64,
}

impl Shard {
    /// Reads `K/N`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(text: &str) -> Result<Shard, String> {
        let parts = text.split_once('/').and_then(|(k, n)| Some((k.trim().parse().ok()?, n.trim().parse().ok()?)));
        match parts {
            Some((k, n)) if k >= 1 && k <= n => Ok(Shard { k, n }),
            _ => Err(format!("`{text}` is no shard; write K/N with K from 1 to N, for example 1/4")),
        }
    }

    /// Whether a bundle belongs to the part; the path alone decides, so that the parts stay the same while bundles come.
    fn has(self, path: &str) -> bool {
        let hash = blake3::hash(path.as_bytes());
        let mut first = [0_u8; 8];
        for (to, from) in first.iter_mut().zip(hash.as_bytes()) {
            *to = *from;
        }
        u64::from_le_bytes(first) % self.n == self.k - 1
    }
}

/// What a run of reading did.
#[derive(Debug, Clone, Default)]
pub struct ReadOutcome {
    /// Bundles in the folders (of the shard).
    pub found: u64,
    /// Known before; not opened.
    pub known: u64,
    /// Brought in.
    pub new: u64,
    /// Copies of bundles that are in the store.
    pub copies: u64,
    /// Changed while they were read: they are read next time.
    pub unfinished: Vec<NotRead>,
    /// Bundles replaced by what now lies at their path.
    pub replaced: u64,
    /// New bundles and files that could not be read, or not to their end.
    pub not_read: Vec<NotRead>,
}

enum Did {
    New,
    Copy,
    Failed,
    Unfinished,
}

struct One {
    seen: Option<Seen>,
    did: Did,
    not_read: Vec<NotRead>,
}

/// Reads what is new in the folders of `request` into the store at `dir`.
///
/// # Errors
/// [`RunError`]; what was brought in until then stays.
pub fn read_into(
    request: &Request,
    dir: &Path,
    shard: Option<Shard>,
    watch: &dyn Watch,
) -> Result<ReadOutcome, RunError> {
    let rules = Rules::of(&request.settings)?;
    super::check_folders(&request.folders)?;
    let limits = Limits::default();
    let store = Store::open_or_create(dir).map_err(|e| store_error(&e))?;
    let writer = Writer::begin(&store).map_err(|e| store_error(&e))?;
    let inventory = crawl::find(&request.folders, &limits);
    let beside = beside::Beside::load(request, &inventory, &rules)?;
    let roots = roots(&request.folders);
    let formats = formats_digest(request);
    let (seen, _) = store.seen().map_err(|e| store_error(&e))?;
    let mut by_path: BTreeMap<&str, Vec<&Seen>> = BTreeMap::new();
    for s in &seen {
        by_path.entry(&s.path).or_default().push(s);
    }
    let mut out = ReadOutcome::default();
    let mut fresh: Vec<(BundleRef, String)> = Vec::new();
    for bundle in inventory.bundles.iter().filter(|b| shard.is_none_or(|s| s.has(&b.path))) {
        out.found += 1;
        let stamp = format!("{} {formats}", stamp(bundle));
        let known = by_path.get(bundle.path.as_str()).is_some_and(|list| {
            list.iter().any(|s| s.stamp == stamp && s.hash.as_ref().is_none_or(|hash| store.has(hash)))
        });
        if known {
            out.known += 1;
        } else {
            fresh.push((bundle.clone(), stamp));
        }
    }
    watch.stage("reading", fresh.len() as u64);
    let refs: Vec<BundleRef> = fresh.iter().map(|(b, _)| b.clone()).collect();
    let copies = crawl::exact_copies(&refs);
    let job = Job {
        store: &store,
        writer: &writer,
        limits: &limits,
        rules: &rules,
        beside: &beside,
        formats: &formats,
        begun: Mutex::default(),
    };
    let first_seen: Vec<usize> = (0..fresh.len()).filter(|i| !copies.contains_key(i)).collect();
    let done: Vec<Result<(usize, One), RunError>> = share_out(first_seen.len(), |k| {
        let (bundle, stamp) = &fresh[first_seen[k]];
        let one = job.one(bundle, stamp, &root_of(&bundle.source, &roots))?;
        watch.step(&bundle.path);
        Ok((first_seen[k], one))
    });
    let mut noted: BTreeMap<usize, Seen> = BTreeMap::new();
    let mut first_error = None;
    for result in done {
        match result {
            Ok((i, one)) => {
                match one.did {
                    Did::New => out.new += 1,
                    Did::Copy => out.copies += 1,
                    Did::Failed => {}
                    Did::Unfinished => out.unfinished.extend(one.not_read.clone()),
                }
                if !matches!(one.did, Did::Unfinished) {
                    out.not_read.extend(one.not_read);
                }
                if let Some(seen) = one.seen {
                    noted.insert(i, seen);
                }
            }
            Err(e) => {
                first_error.get_or_insert(e);
            }
        }
    }
    if let Some(error) = first_error {
        return Err(error);
    }
    for (copy, of) in &copies {
        let (Some((bundle, stamp)), Some(original)) = (fresh.get(*copy), noted.get(of)) else { continue };
        let seen = Seen {
            path: bundle.path.clone(),
            root: root_of(&bundle.source, &roots),
            stamp: stamp.clone(),
            ..original.clone()
        };
        writer.note(&seen).map_err(|e| store_error(&e))?;
        out.copies += 1;
        noted.insert(*copy, seen);
    }
    out.replaced = retire_replaced(&writer, &seen, noted.values())?;
    note_folders(&writer, &inventory, &roots, &request.folders)?;
    out.not_read.sort();
    Ok(out)
}

/// Makes an empty store where there is none.
///
/// # Errors
/// As [`read_into`].
pub fn make_store(dir: &Path) -> Result<(), RunError> {
    Store::open_or_create(dir).map(|_| ()).map_err(|e| store_error(&e))
}

struct Job<'a> {
    store: &'a Store,
    writer: &'a Writer,
    limits: &'a Limits,
    rules: &'a Rules,
    beside: &'a beside::Beside,
    formats: &'a str,
    /// Contents that a thread of this run is bringing in: the same content at another path is a copy.
    begun: Mutex<BTreeSet<String>>,
}

impl Job<'_> {
    fn one(&self, bundle: &BundleRef, stamp: &str, root: &str) -> Result<One, RunError> {
        let read = read_bundle_onto(bundle, self.limits, &self.rules.formats, Some(&|| self.writer.aside()));
        let mut read = read.map_err(|e| store_error(&e))?;
        if format!("{} {}", self::stamp(bundle), self.formats) != stamp {
            let reason = "it changed while it was read, so it is not finished; it is read the next time".to_owned();
            let not_read = vec![NotRead { path: bundle.path.clone(), reason }];
            return Ok(One { seen: None, did: Did::Unfinished, not_read });
        }
        let mut not_read = Vec::new();
        list_not_read(&read, &mut not_read);
        let record = Record::of(&read, self.formats);
        let mut seen = Seen {
            path: bundle.path.clone(),
            root: root.to_owned(),
            stamp: stamp.to_owned(),
            span: read.facts().span,
            ..Seen::default()
        };
        let hash = read.ends.content_hash.as_ref().filter(|_| read.ends.failed.is_none()).map(ContentHash::hex);
        let Some(hash) = hash else {
            seen.raw = crawl::quick_hash(bundle).ok().flatten().map(|h| h.hex());
            let record = serde_json::to_value(&record)
                .map_err(|e| RunError::Failed(format!("{}: its record could not be made: {e}", bundle.path)))?;
            seen.record = Some(record);
            self.writer.note(&seen).map_err(|e| store_error(&e))?;
            return Ok(One { seen: Some(seen), did: Did::Failed, not_read });
        };
        seen.hash = Some(hash.clone());
        let same = |m: crate::store::Manifest<ReadAs>| m.record.formats == self.formats;
        let first = || self.begun.lock().unwrap_or_else(PoisonError::into_inner).insert(hash.clone());
        // If the one that is brought in fails, the run fails, and the next one reads this again: its tables are not there.
        if self.store.manifest(&hash).ok().flatten().is_some_and(same) || !first() {
            self.writer.note(&seen).map_err(|e| store_error(&e))?;
            return Ok(One { seen: Some(seen), did: Did::Copy, not_read: Vec::new() });
        }
        let placement = identify::place(&read.facts(), &self.beside.fleet, &self.rules.paths);
        let (unit, site) = placement.map(|p| (p.unit, p.site.unwrap_or_default())).unwrap_or_default();
        let mut tables = Vec::new();
        let rows = take_rows(&mut read, "");
        take_tables(rows, &read.long, |name, parts| {
            tables.push((name.to_owned(), parts));
            Ok(())
        })
        .map_err(|e| match e {
            AsideError::Table(e) => RunError::Failed(format!("{}: its tables could not be made: {e}", bundle.path)),
            AsideError::Disk(e) => store_error(&e),
        })?;
        let entry = BundleEntry { hash, site, unit, record, tables };
        self.writer.put(&entry, &seen).map_err(|e| store_error(&e))?;
        Ok(One { seen: Some(seen), did: Did::New, not_read })
    }
}

/// Bundles that no path has any more, because something else now lies there, leave the store.
fn retire_replaced<'a>(writer: &Writer, before: &[Seen], now: impl Iterator<Item = &'a Seen>) -> Result<u64, RunError> {
    let now: BTreeMap<(&str, &str), &Seen> = now.map(|s| ((s.path.as_str(), s.root.as_str()), s)).collect();
    let mut held: BTreeSet<&str> = now.values().filter_map(|s| s.hash.as_deref()).collect();
    let mut gone: BTreeSet<&str> = BTreeSet::new();
    for old in before {
        let Some(hash) = old.hash.as_deref() else { continue };
        match now.get(&(old.path.as_str(), old.root.as_str())) {
            Some(new) if new.hash.as_deref() != Some(hash) => {
                gone.insert(hash);
            }
            _ => {
                held.insert(hash);
            }
        }
    }
    let mut count = 0;
    for hash in gone.difference(&held) {
        writer.retire(hash).map_err(|e| store_error(&e))?;
        count += 1;
    }
    Ok(count)
}

fn note_folders(
    writer: &Writer,
    inventory: &Inventory,
    roots: &[PathBuf],
    folders: &[PathBuf],
) -> Result<(), RunError> {
    for root in roots {
        let mut note = FolderNote { root: root.to_string_lossy().into_owned(), ..FolderNote::default() };
        let mut sources = Vec::new();
        for side in inventory.side_files.iter().filter(|s| s.source.starts_with(root)) {
            note.side_files.push((side.name.clone(), side.path.clone()));
            // The truth of a practice fleet is only named, never looked at.
            if side.name != "truth.json" {
                sources.push((side.name.clone(), side.source.clone()));
            }
        }
        // Paths to show begin with the FOLDER's name where several were named.
        let several = roots.len() > 1;
        let label = root.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        note.not_taken = inventory
            .not_taken
            .iter()
            .filter(|n| n.why != crawl::Why::Nothing && (!several || n.path.starts_with(&label)))
            .map(|n| NotRead { path: n.path.clone(), reason: format!("{}; {}", n.problem.what, n.problem.hint) })
            .collect();
        if folders.is_empty() {
            continue;
        }
        writer.folder(&note, &sources).map_err(|e| store_error(&e))?;
    }
    Ok(())
}

/// The real paths of the FOLDERs, outermost only.
fn roots(folders: &[PathBuf]) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = folders.iter().filter_map(|f| f.canonicalize().ok()).collect();
    all.sort();
    all.dedup();
    let outer: Vec<PathBuf> =
        all.iter().filter(|f| !all.iter().any(|o| o != *f && f.starts_with(o))).cloned().collect();
    outer
}

fn root_of(source: &Path, roots: &[PathBuf]) -> String {
    roots.iter().find(|r| source.starts_with(r)).map(|r| r.to_string_lossy().into_owned()).unwrap_or_default()
}

/// Size and times of a bundle on disk: what has the same was not touched, and is not opened. Where the system keeps the time
/// of the last change of a file whatever its owner sets (Unix: ctime), it is in it: a file that was changed and set back to
/// its old time and length is found. A changed time alone costs one reading, no more.
fn stamp(bundle: &BundleRef) -> String {
    let of = |path: &Path| -> String {
        match std::fs::symlink_metadata(path) {
            Ok(m) => {
                let ms = m.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).map_or(0, |d| d.as_millis());
                format!("{} {ms}{}", m.len(), changed(&m))
            }
            Err(_) => "gone".to_owned(),
        }
    };
    if bundle.kind != BundleKind::Folder {
        return of(&bundle.source);
    }
    let mut hasher = blake3::Hasher::new();
    for file in &bundle.files {
        hasher.update(file.to_string_lossy().as_bytes()).update(b"\0");
        hasher.update(of(&bundle.source.join(file)).as_bytes()).update(b"\0");
    }
    for not_taken in &bundle.not_taken {
        hasher.update(not_taken.path.as_bytes()).update(b"\0");
    }
    hasher.finalize().to_hex().to_string()
}

#[cfg(unix)]
fn changed(m: &std::fs::Metadata) -> String {
    use std::os::unix::fs::MetadataExt;
    format!(" {}.{:03}", m.ctime(), m.ctime_nsec() / 1_000_000)
}

#[cfg(not(unix))]
fn changed(_: &std::fs::Metadata) -> String {
    String::new()
}

/// Settings that change what is read out of a file: with others a bundle must be read anew.
fn formats_digest(request: &Request) -> String {
    let settings = &request.settings;
    if settings.column_map.is_empty() && settings.syslog_rule.is_empty() {
        return "-".to_owned();
    }
    let text = format!("{:?} {:?}", settings.column_map, settings.syslog_rule);
    blake3::hash(text.as_bytes()).to_hex().chars().take(16).collect()
}
