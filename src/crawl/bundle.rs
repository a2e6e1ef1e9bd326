//! Opens one bundle and hands out its files one after the other.

use super::entry::{Checked, cannot_read, dos_time, overlapping, peek, superseded};
use super::hash::content_hash;
use super::inflate::{GzReader, Inflate};
use super::limits::{Limits, size_text};
use super::lzw::LzwReader;
use super::magic::{Wrapper, wrapper};
use super::meter::{Meter, Spent, Stop};
use super::names::{Unique, is_card, os_path, zip_name};
use super::source::{Source, open_regular};
use super::zipdir::{Entry, NoListing, data_start, list, salvage};
use super::{BundleKind, BundleRead, BundleRef, FileRead, Member, MemberDone, Outcome};
use crate::model::problem::Problem;
use crate::model::time::UtcMs;
use std::io::{self, BufReader, Read};
use std::path::Path;

const COPY_AGAIN: &str = "copy it again from where it came; if it is the same there, ask for a new one";
const SHORT_ZIP: &str = "the zip ends in the middle";
const SHORT_FILE: &str = "the file became shorter while it was read";

/// Reads one bundle and calls `visit` for each of its files: the unit card first where there is one (the least deep),
/// then the rest sorted by path; where a zip has no card, the zips inside it come before its other files, as one of them
/// may have it. Never fails: what could not be read is in the result.
pub fn open(bundle: &BundleRef, limits: &Limits, visit: &mut dyn FnMut(Member<'_>) -> MemberDone) -> BundleRead {
    let spent = Spent { on_disk: bundle.bytes, ..Spent::default() };
    let mut job =
        Job { limits, visit, spent, unique: Unique::default(), digests: Vec::new(), out: BundleRead::default() };
    match bundle.kind {
        BundleKind::Folder => job.folder(bundle),
        BundleKind::Zip => match disk_source(&bundle.source) {
            Ok((source, _)) => {
                job.spent.on_disk = source.len();
                job.zip(&source, "", 0);
            }
            Err(e) => job.bundle_failed(Outcome::Unreadable, format!("the zip cannot be opened: {e}"), open_hint(&e)),
        },
        BundleKind::File => {
            let name = bundle.source.file_name().map(|n| os_path(Path::new(n))).unwrap_or_default();
            job.disk_file(&bundle.source, name);
        }
    }
    let mut out = job.out;
    out.content_hash = content_hash(&mut job.digests);
    out.bytes = out.files.iter().map(|file| file.bytes).sum();
    out
}

/// A source over a file as long as it is now.
fn disk_source(path: &Path) -> io::Result<(Source, u64)> {
    let (file, metadata) = open_regular(path)?;
    Ok((Source::file(file, metadata.len()), metadata.len()))
}

fn open_hint(e: &io::Error) -> &'static str {
    match e.kind() {
        io::ErrorKind::NotFound => "it vanished after it was listed; if it was moved on purpose, all is well",
        io::ErrorKind::PermissionDenied => "give the user who runs this the right to read it",
        _ => "see that the disk or share is all right and run again",
    }
}

struct Job<'a> {
    limits: &'a Limits,
    visit: &'a mut dyn FnMut(Member<'_>) -> MemberDone,
    spent: Spent,
    unique: Unique,
    digests: Vec<(String, [u8; 32])>,
    out: BundleRead,
}

/// One file on its way to the visitor.
struct Item {
    path: String,
    time: Option<UtcMs>,
    /// The content.
    reader: Box<dyn Read>,
    /// Bytes it takes in its container.
    packed: u64,
    /// Size that its container declares for the content.
    size: u64,
    /// The same content with random access, where that costs nothing.
    whole: Option<Source>,
    depth: usize,
    problems: Vec<Problem>,
}

impl Job<'_> {
    fn bundle_failed(&mut self, outcome: Outcome, what: String, hint: &str) {
        self.out.failed = Some(outcome);
        self.out.problems.push(Problem::whole(what, hint));
    }

    fn list_file(&mut self, path: String, outcome: Outcome, problems: Vec<Problem>) {
        self.out.files.push(FileRead { path, compressed: "none", bytes: 0, outcome, problems });
    }

    // -- folders --

    fn folder(&mut self, bundle: &BundleRef) {
        for not_taken in &bundle.not_taken {
            let outcome = match not_taken.why {
                super::Why::Refused => Outcome::Refused,
                super::Why::Unreadable => Outcome::Unreadable,
                super::Why::Nothing => continue,
            };
            self.list_file(not_taken.path.clone(), outcome, vec![not_taken.problem.clone()]);
        }
        if bundle.files.len() as u64 > self.limits.max_members {
            let what = format!("the folder holds more than {} files", self.limits.max_members);
            return self.bundle_failed(Outcome::Refused, what, "split it, or raise the limit in the configuration");
        }
        let mut files: Vec<(String, &Path)> = bundle.files.iter().map(|path| (os_path(path), path.as_path())).collect();
        files.sort();
        let card = first_card(files.iter().map(|(path, _)| path.as_str()));
        if let Some(n) = card {
            let card = files.remove(n);
            files.insert(0, card);
        }
        for (path, relative) in files {
            self.disk_file(&bundle.source.join(relative), path);
        }
    }

    fn disk_file(&mut self, on_disk: &Path, path: String) {
        let path = self.unique.take(path);
        self.spent.members += 1;
        let (source, len) = match disk_source(on_disk) {
            Ok(opened) => opened,
            Err(e) => {
                let problem = Problem::whole(format!("it cannot be opened: {e}"), open_hint(&e));
                return self.list_file(path, Outcome::Unreadable, vec![problem]);
            }
        };
        let before = self.out.files.len();
        self.item(Item {
            path,
            time: None,
            reader: Box::new(source.section(0, len, SHORT_FILE)),
            packed: len,
            size: len,
            whole: Some(source),
            depth: 0,
            problems: Vec::new(),
        });
        // A log that is still being written is read as far as it was long when it was opened.
        if std::fs::symlink_metadata(on_disk).is_ok_and(|now| now.len() > len)
            && let Some(file) = self.out.files.get_mut(before..).and_then(|new| new.last_mut())
        {
            file.problems.push(Problem::at(
                len,
                "the file grew while it was read; what came after this byte is not in",
                "run again when the logger has finished",
            ));
        }
    }

    // -- zips --

    /// Reads a zip. `prefix` is empty for the bundle itself, else `inner.zip!/`.
    fn zip(&mut self, source: &Source, prefix: &str, depth: usize) {
        let mut entries = match list(source, self.limits.max_members) {
            Ok(listing) => {
                for odd in listing.odd {
                    self.note_zip(
                        prefix,
                        odd,
                        "it was read as far as its table goes; make the zip again if files are missing",
                    );
                }
                listing.entries
            }
            Err(NoListing::TooMany(n)) => {
                let what = format!("it lists {n} files or more, {} are allowed", self.limits.max_members);
                return self.zip_failed(
                    prefix,
                    Outcome::Refused,
                    what,
                    "split it, or raise the limit in the configuration",
                );
            }
            Err(NoListing::Split) => {
                let what = "it is one part of a zip that was split over several files".to_string();
                return self.zip_failed(prefix, Outcome::Unreadable, what, "join the parts into one zip");
            }
            Err(NoListing::Io(e)) => {
                return self.zip_failed(prefix, Outcome::Unreadable, format!("it cannot be read: {e}"), open_hint(&e));
            }
            Err(NoListing::Damaged(what)) => match self.salvaged(source, prefix, what) {
                Some(entries) => entries,
                None => return,
            },
        };
        entries.sort_by(|a, b| a.name.cmp(&b.name));
        let mut refused = superseded(&entries);
        refused.extend(overlapping(&entries));
        let names: Vec<_> = entries.iter().map(|entry| zip_name(&entry.name, entry.utf8)).collect();
        let mut order: Vec<usize> = (0..entries.len()).collect();
        let paths = |n: usize| names.get(n).map(|name| name.path.as_str()).unwrap_or_default();
        let usable = |n: &usize| names.get(*n).is_some_and(|name| !name.is_folder) && !refused.contains_key(n);
        let cards: Vec<usize> = order.iter().copied().filter(usable).filter(|n| is_card(paths(*n))).collect();
        let card = first_card(cards.iter().map(|n| paths(*n))).and_then(|k| cards.get(k).copied());
        let inner_first = |n: usize| card.is_none() && !paths(n).to_ascii_lowercase().ends_with(".zip");
        order.sort_by(|a, b| {
            (Some(*a) != card, inner_first(*a), paths(*a), *a).cmp(&(Some(*b) != card, inner_first(*b), paths(*b), *b))
        });
        for n in order {
            let (Some(entry), Some(name)) = (entries.get(n), names.get(n)) else { continue };
            if name.is_folder && entry.packed == 0 {
                continue;
            }
            let path = self.unique.take(format!("{prefix}{}", name.path));
            self.spent.members += 1;
            let mut problems = Vec::new();
            if let Some(changed) = name.changed {
                problems.push(Problem::whole(
                    format!("{changed}; it is shown as {}", name.path),
                    "nothing is unpacked to disk, so this does no harm; see who made the zip",
                ));
            }
            match refused.remove(&n).or_else(|| self.over_budget()) {
                Some(why) => {
                    problems.insert(0, why);
                    self.list_file(path, Outcome::Refused, problems);
                }
                None => self.entry(source, entry, path, problems, depth),
            }
        }
    }

    /// The limit of the whole bundle, once it is reached: everything after it is refused.
    fn over_budget(&self) -> Option<Problem> {
        let hint = "split the bundle, or raise the limit in the configuration";
        if self.spent.members > self.limits.max_members {
            return Some(Problem::whole(format!("the bundle holds more than {} files", self.limits.max_members), hint));
        }
        self.spent.over(self.limits).map(|what| Problem::whole(what, hint))
    }

    fn note_zip(&mut self, prefix: &str, what: String, hint: &str) {
        let what = match prefix.strip_suffix("!/") {
            Some(inner) => format!("{inner}: {what}"),
            None => what,
        };
        self.out.problems.push(Problem::whole(what, hint));
    }

    fn zip_failed(&mut self, prefix: &str, outcome: Outcome, what: String, hint: &str) {
        match prefix.strip_suffix("!/") {
            Some(inner) => {
                let problem = Problem::whole(format!("the inner zip is left out: {what}"), hint);
                self.list_file(inner.to_string(), outcome, vec![problem]);
            }
            None => self.bundle_failed(outcome, format!("the zip is left out: {what}"), hint),
        }
    }

    /// The files of a zip that lost its table of contents, by their own headers.
    fn salvaged(&mut self, source: &Source, prefix: &str, what: String) -> Option<Vec<Entry>> {
        let found = salvage(source, self.limits.max_members).unwrap_or_default();
        if found.is_empty() {
            self.zip_failed(prefix, Outcome::Unreadable, format!("{what}; no file in it can be found"), COPY_AGAIN);
            return None;
        }
        if found.len() as u64 > self.limits.max_members {
            let what = format!("{what}; more than {} files begin in it", self.limits.max_members);
            self.zip_failed(prefix, Outcome::Refused, what, COPY_AGAIN);
            return None;
        }
        self.out.salvaged = true;
        let what = format!("the zip is damaged: {what}; {} files were found by their own headers", found.len());
        self.note_zip(prefix, what, COPY_AGAIN);
        Some(found)
    }

    fn entry(&mut self, source: &Source, entry: &Entry, path: String, mut problems: Vec<Problem>, depth: usize) {
        if let Some((outcome, problem)) = cannot_read(entry, self.limits) {
            problems.insert(0, problem);
            return self.list_file(path, outcome, problems);
        }
        let (at, same_name) = match data_start(source, entry) {
            Ok(found) => found,
            Err(e) => {
                problems.insert(0, Problem::at(0, format!("unreadable from byte 0: {e}"), COPY_AGAIN));
                return self.list_file(path, Outcome::Unreadable, problems);
            }
        };
        if !same_name {
            problems.push(Problem::whole(
                "the zip gives this file one name in its table and another before its data",
                "the name of the table is used; see who made the zip",
            ));
        }
        let stored = entry.method == 0;
        let section = source.section(at, entry.packed, SHORT_ZIP);
        let reader: Box<dyn Read> = if stored {
            Box::new(Checked::new(section, entry))
        } else {
            Box::new(Checked::new(Inflate::new(section), entry))
        };
        self.item(Item {
            path,
            time: dos_time(entry.dos_date, entry.dos_time),
            reader,
            packed: entry.packed,
            size: entry.size.unwrap_or(entry.packed),
            whole: (stored && at.saturating_add(entry.packed) <= source.len()).then(|| source.part(at, entry.packed)),
            depth,
            problems,
        });
    }

    // -- one file --

    /// Unwraps gzip and `.Z`, goes into inner zips, hands everything else to the visitor.
    fn item(&mut self, mut item: Item) {
        let mut compressed = "none";
        let mut layers = 0;
        loop {
            let (head, reader) = peek(item.reader);
            item.reader = reader;
            let kind = wrapper(&head);
            let packed_again = matches!(kind, Wrapper::Gz | Wrapper::Lzw | Wrapper::Zip);
            if packed_again && item.depth + layers >= self.limits.max_depth {
                // Its buffers first: what is listed stays, and with them still there each line would pin a hole of their size.
                drop((head, item.reader));
                let what = format!("it lies more than {} packings deep in the bundle", self.limits.max_depth);
                item.problems.insert(0, Problem::whole(what, "unpack it and zip the files themselves"));
                return self.list_file(item.path, Outcome::Refused, item.problems);
            }
            match kind {
                Wrapper::None => return self.visit_file(item, compressed),
                Wrapper::Foreign(name) => {
                    let what = format!("a packed file of another kind ({name}), which is not opened");
                    item.problems.insert(0, Problem::whole(what, "unpack it and put the files into a zip"));
                    self.digests.push((item.path.clone(), *blake3::hash(&head).as_bytes()));
                    self.out.files.push(FileRead {
                        path: item.path,
                        compressed,
                        bytes: 0,
                        outcome: Outcome::NotOpen,
                        problems: item.problems,
                    });
                    return;
                }
                Wrapper::Zip => return self.inner_zip(item, layers),
                Wrapper::Gz => {
                    compressed = "gz";
                    item.reader = Box::new(GzReader::new(BufReader::with_capacity(64 * 1024, item.reader)));
                }
                Wrapper::Lzw => {
                    compressed = "Z";
                    item.reader = Box::new(LzwReader::new(item.reader));
                }
            }
            layers += 1;
            item.whole = None;
        }
    }

    fn inner_zip(&mut self, item: Item, layers: usize) {
        let prefix = format!("{}!/", item.path);
        let depth = item.depth + layers + 1;
        if let Some(source) = item.whole {
            // Stored without compression, or on disk: read in place.
            drop(item.reader);
            return self.zip_of_item(&source, &prefix, depth, item.problems);
        }
        let budget = self.limits.max_nested_zip_in_memory.saturating_sub(self.spent.in_memory);
        let mut bytes = Vec::new();
        let read = item.reader.take(budget.saturating_add(1)).read_to_end(&mut bytes);
        let len = bytes.len() as u64;
        self.spent.bytes = self.spent.bytes.saturating_add(len);
        if len > budget {
            let what = format!(
                "more than {} of inner zips would have to be held in memory",
                size_text(self.limits.max_nested_zip_in_memory)
            );
            return self.zip_failed(&prefix, Outcome::Refused, what, "unpack the outer zip and give the inner ones");
        }
        let mut problems = item.problems;
        if let Err(e) = read {
            problems.push(Problem::at(len, format!("unreadable from byte {len}: {e}"), COPY_AGAIN));
        }
        self.spent.in_memory += len;
        self.zip_of_item(&Source::memory(bytes), &prefix, depth, problems);
        self.spent.in_memory -= len;
    }

    fn zip_of_item(&mut self, source: &Source, prefix: &str, depth: usize, problems: Vec<Problem>) {
        let before = self.out.files.len();
        self.zip(source, prefix, depth);
        let path = prefix.strip_suffix("!/").unwrap_or(prefix).to_string();
        // An inner zip shows by its files; with none, or with something to say about itself, it is listed too.
        let nothing = self.out.files.len() == before;
        let new = self.out.files.get_mut(before..).unwrap_or_default();
        match new.iter_mut().find(|file| file.path == path) {
            Some(file) => file.problems.extend(problems),
            None if !problems.is_empty() => self.list_file(path, Outcome::Read, problems),
            None if nothing => {
                let problem = Problem::whole("an empty zip", "nothing to do");
                self.list_file(path, Outcome::NotOpen, vec![problem]);
            }
            None => {}
        }
    }

    fn visit_file(&mut self, item: Item, compressed: &'static str) {
        let mut meter = Meter::new(item.reader, item.packed, self.limits, &mut self.spent);
        let member = Member { path: item.path.clone(), compressed, member_time: item.time, reader: &mut meter };
        let done = (self.visit)(member);
        meter.drain(done == MemberDone::NotOpen);
        let bytes = meter.handed();
        let digest = match done {
            MemberDone::NotOpen if !meter.ended => meter.digest.head_and_size(item.size),
            MemberDone::NotOpen => meter.digest.head_and_size(if compressed == "none" { bytes } else { item.size }),
            MemberDone::Read => meter.digest.whole(),
        };
        let stop = meter.stop.take();
        let mut problems = item.problems;
        let mut outcome = match done {
            MemberDone::Read => Outcome::Read,
            MemberDone::NotOpen => Outcome::NotOpen,
        };
        match stop {
            None => {}
            Some(Stop::Limit(what)) => {
                outcome = Outcome::Refused;
                let what = format!("stopped at byte {bytes}: {what}");
                problems
                    .insert(0, Problem::at(bytes, what, "see whether this is a log at all; if so, raise the limit"));
            }
            Some(Stop::Broken(what)) => {
                if bytes == 0 {
                    outcome = Outcome::Unreadable;
                }
                let what = format!("unreadable from byte {bytes}: {what}");
                problems.insert(0, Problem::at(bytes, what, COPY_AGAIN));
            }
        }
        if outcome != Outcome::Unreadable {
            self.digests.push((item.path.clone(), digest));
        }
        self.out.files.push(FileRead { path: item.path, compressed, bytes, outcome, problems });
    }
}

/// The least deep unit card, the first by name among equals.
fn first_card<'a>(paths: impl Iterator<Item = &'a str>) -> Option<usize> {
    paths
        .enumerate()
        .filter(|(_, path)| is_card(path))
        .min_by(|(_, a), (_, b)| (a.matches('/').count(), *a).cmp(&(b.matches('/').count(), *b)))
        .map(|(n, _)| n)
}
