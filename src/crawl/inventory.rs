//! Walks the folders named on the command line and finds bundles.

use super::limits::Limits;
use super::magic::{PEEK_BYTES, Wrapper, is_zip, wrapper};
use super::names::{Unique, is_card, os_name, os_path};
use super::source::open_regular;
use super::{BundleKind, BundleRef, Inventory, NotTaken, SideFile, Why};
use crate::model::problem::Problem;
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs::FileType;
use std::io::Read;
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// Files that lie beside bundles (`bundles.md`), directly in a FOLDER.
const SIDE_FILES: [&str; 9] = [
    "fleet.toml",
    "complaints.csv",
    "fieldwork.csv",
    "places.csv",
    "places.geojson",
    "kp.txt",
    "flares.csv",
    "catalogue.toml",
    "truth.json",
];

/// What file managers leave in folders.
const LITTER: [&str; 3] = [".ds_store", "thumbs.db", "desktop.ini"];

/// Finds the bundles of the folders (or single zips or files) named on the command line.
///
/// A zip is a bundle; a folder with a `unit.toml` is one with everything below it; of any other folder the plain files
/// directly in it are one. A FOLDER inside another FOLDER is walked once, with the outer one. Never fails: what cannot be
/// walked is in [`Inventory::not_taken`].
pub fn find(folders: &[PathBuf], limits: &Limits) -> Inventory {
    let mut walk = Walk { limits, out: Inventory::default(), tagged: Vec::new() };
    let mut roots: Vec<PathBuf> = Vec::new();
    let mut missing: Vec<&PathBuf> = Vec::new();
    for folder in folders {
        // The real path, so that one folder named in two ways counts once.
        match folder.canonicalize() {
            Ok(root) => roots.push(root),
            Err(_) => missing.push(folder),
        }
    }
    roots.sort();
    roots.dedup();
    missing.sort();
    missing.dedup();
    let named: BTreeSet<PathBuf> = roots.iter().cloned().collect();
    let outermost: Vec<PathBuf> =
        roots.iter().filter(|root| !root.ancestors().skip(1).any(|above| named.contains(above))).cloned().collect();
    let labels = labels(&outermost);
    for (root, label) in outermost.iter().zip(&labels) {
        let prefix = if outermost.len() > 1 { Some(label.as_str()) } else { None };
        walk.root(root, label, prefix, &named);
    }
    for folder in missing {
        // The text of the error is asked for again here, so that the order of arguments plays no part.
        let reason = folder.canonicalize().err().map_or_else(|| "it came and went".to_string(), |e| e.to_string());
        let problem =
            Problem::whole(format!("it cannot be opened: {reason}"), "check the spelling and that it is there");
        walk.note(os_path(folder), Why::Unreadable, problem);
    }
    walk.finish()
}

/// For each root the shortest tail of its path that tells it from the others.
fn labels(roots: &[PathBuf]) -> Vec<String> {
    let tail = |root: &Path, n: usize| -> String {
        let parts: Vec<_> = root.components().collect();
        let from = parts.len().saturating_sub(n);
        os_path(&parts.get(from..).unwrap_or_default().iter().collect::<PathBuf>())
    };
    roots
        .iter()
        .map(|root| {
            let longest = root.components().count();
            let mut n = 1;
            while n < longest && roots.iter().any(|other| other != root && tail(other, n) == tail(root, n)) {
                n += 1;
            }
            match tail(root, n) {
                label if label.is_empty() => "root".to_string(),
                label => label,
            }
        })
        .collect()
}

struct Walk<'a> {
    limits: &'a Limits,
    out: Inventory,
    /// Bundles with their real path beside the one to show, for an order that does not depend on how names are shown.
    tagged: Vec<(String, BundleRef)>,
}

/// One folder's entries.
struct Listed {
    name: OsString,
    path: PathBuf,
    kind: FileType,
    bytes: u64,
}

impl Walk<'_> {
    fn note(&mut self, path: String, why: Why, problem: Problem) {
        self.out.not_taken.push(NotTaken { path, why, problem });
    }

    fn root(&mut self, root: &Path, label: &str, prefix: Option<&str>, named: &BTreeSet<PathBuf>) {
        let metadata = match std::fs::metadata(root) {
            Ok(metadata) => metadata,
            Err(e) => return self.note(label.to_string(), Why::Unreadable, cannot_open(&e.to_string())),
        };
        if metadata.is_dir() {
            return self.folders(root, label, prefix, named);
        }
        if !metadata.is_file() {
            return self.note(label.to_string(), Why::Refused, special());
        }
        let kind = if begins_as_zip(root) { BundleKind::Zip } else { BundleKind::File };
        self.add(label.to_string(), root.to_path_buf(), kind, metadata.len(), Vec::new(), Vec::new());
    }

    fn add(
        &mut self,
        shown: String,
        source: PathBuf,
        kind: BundleKind,
        bytes: u64,
        files: Vec<PathBuf>,
        not_taken: Vec<NotTaken>,
    ) {
        self.tagged.push((shown.clone(), BundleRef { path: shown, source, kind, bytes, files, not_taken }));
    }

    /// Walks a FOLDER level by level until bundles begin.
    fn folders(&mut self, root: &Path, label: &str, prefix: Option<&str>, named: &BTreeSet<PathBuf>) {
        let show = |path: &Path| -> String {
            let below = os_path(path.strip_prefix(root).unwrap_or(path));
            match (prefix, below.is_empty()) {
                (_, true) => label.to_string(),
                (Some(prefix), false) => format!("{prefix}/{below}"),
                (None, false) => below,
            }
        };
        // A stack of our own: folders may be nested deeper than the call stack.
        let mut waiting = vec![root.to_path_buf()];
        while let Some(folder) = waiting.pop() {
            let (mut listed, notes) = list(&folder, root, &show);
            if listed.iter().any(|entry| entry.kind.is_file() && is_card(&os_name(&entry.name))) {
                self.card_folder(&folder, root, show(&folder));
                continue;
            }
            self.out.not_taken.extend(notes);
            // What lies in a bundle is a stranger's, so a FOLDER that is itself a bundle has no side files.
            if named.contains(&folder) {
                listed.retain(|entry| !self.side_file(entry, &show));
            }
            let mut plain = Vec::new();
            let mut bytes = 0;
            for entry in listed {
                if entry.kind.is_dir() {
                    waiting.push(entry.path);
                } else if begins_as_zip(&entry.path) || is_empty_zip(&entry) {
                    self.add(show(&entry.path), entry.path, BundleKind::Zip, entry.bytes, Vec::new(), Vec::new());
                } else {
                    bytes += entry.bytes;
                    plain.push(PathBuf::from(entry.name));
                }
            }
            if !plain.is_empty() {
                self.add(show(&folder), folder, BundleKind::Folder, bytes, plain, Vec::new());
            }
        }
    }

    fn side_file(&mut self, entry: &Listed, show: &dyn Fn(&Path) -> String) -> bool {
        let name = os_name(&entry.name).to_ascii_lowercase();
        if !entry.kind.is_file() || !(SIDE_FILES.contains(&name.as_str()) || is_ionex_name(&name)) {
            return false;
        }
        self.out.side_files.push(SideFile { name, path: show(&entry.path), source: entry.path.clone() });
        true
    }

    /// A folder with a card: everything below is one bundle.
    fn card_folder(&mut self, folder: &Path, root: &Path, shown: String) {
        let mut files = Vec::new();
        let mut not_taken = Vec::new();
        let mut bytes = 0;
        // One more than allowed is kept: reading then says that there are too many.
        let most = usize::try_from(self.limits.max_members).unwrap_or(usize::MAX).saturating_add(1);
        for entry in WalkDir::new(folder).min_depth(1).follow_root_links(false).sort_by_file_name() {
            if files.len() + not_taken.len() >= most {
                break;
            }
            let inside = |path: &Path| os_path(path.strip_prefix(folder).unwrap_or(path));
            match entry {
                Ok(entry) => match taken(&entry, root) {
                    Ok(_) if entry.file_type().is_dir() => {}
                    Ok(size) => {
                        bytes += size;
                        files.push(entry.path().strip_prefix(folder).unwrap_or(entry.path()).to_path_buf());
                    }
                    Err((why, problem)) => not_taken.push(NotTaken { path: inside(entry.path()), why, problem }),
                },
                Err(e) => {
                    let path = e.path().map(inside).unwrap_or_default();
                    not_taken.push(NotTaken { path, why: Why::Unreadable, problem: cannot_open(&io_text(&e)) });
                }
            }
        }
        self.add(shown, folder.to_path_buf(), BundleKind::Folder, bytes, files, not_taken);
    }

    fn finish(mut self) -> Inventory {
        self.tagged.sort_by(|a, b| (&a.0, &a.1.source).cmp(&(&b.0, &b.1.source)));
        let mut unique = Unique::default();
        for (shown, mut bundle) in self.tagged {
            bundle.path = unique.take(shown);
            self.out.bundles.push(bundle);
        }
        self.out.bundles.sort_by(|a, b| a.path.cmp(&b.path));
        self.out.side_files.sort_by(|a, b| (&a.name, &a.path).cmp(&(&b.name, &b.path)));
        self.out.not_taken.sort_by(|a, b| a.path.cmp(&b.path));
        self.out
    }
}

/// Files and folders directly in a folder, sorted by name, and what is not taken.
fn list(folder: &Path, root: &Path, show: &dyn Fn(&Path) -> String) -> (Vec<Listed>, Vec<NotTaken>) {
    let mut listed = Vec::new();
    let mut notes = Vec::new();
    for entry in WalkDir::new(folder).min_depth(1).max_depth(1).follow_root_links(false).sort_by_file_name() {
        match entry {
            Ok(entry) => match taken(&entry, root) {
                Ok(bytes) => listed.push(Listed {
                    name: entry.file_name().to_os_string(),
                    kind: entry.file_type(),
                    path: entry.into_path(),
                    bytes,
                }),
                Err((why, problem)) => notes.push(NotTaken { path: show(entry.path()), why, problem }),
            },
            Err(e) => {
                let path = e.path().map_or_else(|| show(folder), show);
                notes.push(NotTaken { path, why: Why::Unreadable, problem: cannot_open(&io_text(&e)) });
            }
        }
    }
    (listed, notes)
}

/// A folder or regular file with its size, or why it is not taken. `root` is the FOLDER of the command line.
fn taken(entry: &walkdir::DirEntry, root: &Path) -> Result<u64, (Why, Problem)> {
    let kind = entry.file_type();
    if kind.is_dir() {
        return Ok(0);
    }
    if kind.is_symlink() {
        return Err(link(entry.path(), root));
    }
    if !kind.is_file() {
        return Err((Why::Refused, special()));
    }
    let name = os_name(entry.file_name()).to_ascii_lowercase();
    if LITTER.contains(&name.as_str()) {
        return Err((Why::Nothing, Problem::whole("left behind by a file manager", "nothing to do")));
    }
    match entry.metadata() {
        Ok(metadata) => Ok(metadata.len()),
        Err(e) => Err((Why::Unreadable, cannot_open(&io_text(&e)))),
    }
}

fn link(path: &Path, root: &Path) -> (Why, Problem) {
    match path.canonicalize() {
        Err(e) => (
            Why::Refused,
            Problem::whole(format!("a link that leads nowhere: {e}"), "remove it, or put the file itself there"),
        ),
        Ok(target) if !target.starts_with(root) => (
            Why::Refused,
            Problem::whole(
                "a link that leads out of the given folder; it is not followed",
                "name the folder it leads to on the command line too, or put the file itself there",
            ),
        ),
        Ok(_) => (
            Why::Nothing,
            Problem::whole(
                "a link to another place in the given folder, where the file is met itself",
                "nothing to do",
            ),
        ),
    }
}

fn special() -> Problem {
    Problem::whole("a special file (FIFO, socket or device), which is not opened", "remove it from the folder")
}

fn cannot_open(reason: &str) -> Problem {
    Problem::whole(format!("it cannot be read: {reason}"), "give the user who runs this the right to read it")
}

/// The system's words without the path, which stands beside them.
fn io_text(e: &walkdir::Error) -> String {
    e.io_error().map_or_else(|| "a loop of links".to_string(), ToString::to_string)
}

/// Whether a file's lower-case name is one of ionosphere maps: `jplg0010.17i` (also `.gz`, `.Z`), and the long names that end in `.inx` (IGS long file names, type GIM).
pub fn is_ionex_name(name: &str) -> bool {
    let name = name.strip_suffix(".gz").or_else(|| name.strip_suffix(".z")).unwrap_or(name);
    let Some((_, extension)) = name.rsplit_once('.') else { return false };
    extension == "inx" || matches!(extension.as_bytes(), [a, b, b'i'] if a.is_ascii_digit() && b.is_ascii_digit())
}

/// Whether a file begins like a zip (office documents do not count). One that cannot be opened does not; reading it as a
/// plain file will say why.
fn begins_as_zip(path: &Path) -> bool {
    let Ok((file, _)) = open_regular(path) else { return false };
    let mut head = Vec::with_capacity(PEEK_BYTES);
    if file.take(PEEK_BYTES as u64).read_to_end(&mut head).is_err() {
        return false;
    }
    is_zip(&head) && wrapper(&head) == Wrapper::Zip
}

/// An empty file that calls itself a zip: a copy that never began. Listed as a bundle that cannot be read.
fn is_empty_zip(entry: &Listed) -> bool {
    entry.bytes == 0 && os_name(&entry.name).to_ascii_lowercase().ends_with(".zip")
}
