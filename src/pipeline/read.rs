//! Reading bundles in parallel: each file of each bundle becomes rows, a look and problems. Copies count once.

use super::long::{Long, Place, Taking};
use super::sky::{Common, Once};
use super::workers::share_out_or_stop;
use super::{RunError, Watch};
use crate::config::card::{self, UnitCard};
use crate::crawl::{self, BundleRead, BundleRef, Inventory, Limits, Member, MemberDone, Outcome};
use crate::formats::text::FormatSettings;
use crate::formats::{self, FileContext, Parsed};
use crate::frames::schema::{self, Wanted};
use crate::frames::{Batch, FrameError, Loader, loader_error};
use crate::identify::BundleFacts;
use crate::maths::orbits::Ephemeris;
use crate::model::clock::DateHints;
use crate::model::event::Origin;
use crate::model::findings::NotRead;
use crate::model::ids::FixState;
use crate::model::look::Format;
use crate::model::problem::Problem;
use crate::model::rows::{Rows, SPAN_OBSERVATIONS};
use crate::model::time::date_in_name;
use crate::store::{Kept, Part, Scratch, StoreError};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap};
use std::io::Read;
use std::sync::{Arc, Mutex};

/// A unit card is not longer than this.
const CARD_BYTES: u64 = 1024 * 1024;

/// One bundle after reading.
#[derive(Debug, Default)]
pub struct ReadBundle {
    /// Path to show.
    pub path: String,
    /// Its unit card.
    pub card: Option<UnitCard>,
    /// Every file, in the order of reading.
    pub files: Vec<Parsed>,
    /// How each file ended.
    pub ends: BundleRead,
    /// Broadcast orbits, once they were taken out of `files`.
    pub orbits: Vec<Arc<Ephemeris>>,
    /// Rows of long files, by place in `files`: they come before what `files` holds of them.
    pub long: BTreeMap<usize, Long>,
    /// Rows that were put aside or lie in a store, and are not in `files`.
    pub stored: Option<StoredRows>,
}

/// Rows that lie elsewhere.
pub struct StoredRows {
    /// What they tell about who it is.
    pub counts: Counts,
    /// What their tables take in memory, about.
    pub bytes: u64,
    /// Brings them.
    pub load: Loader,
}

impl std::fmt::Debug for StoredRows {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.counts.fmt(f)
    }
}

/// Rows of a bundle that tell who it is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// All rows.
    pub rows: usize,
    /// Rover epochs.
    pub fixes: usize,
    /// Of them RTK fixed or float.
    pub rtk_fixes: usize,
    /// Reference positions out of messages.
    pub station_positions: usize,
    /// Stretches of observations.
    pub observations: usize,
}

impl Counts {
    /// Of these rows.
    pub(super) fn of(rows: &Rows) -> Counts {
        let rtk = |s: &&u8| **s == FixState::Fixed as u8 || **s == FixState::Float as u8;
        Counts {
            rows: rows.len(),
            fixes: rows.fixes.len(),
            rtk_fixes: rows.fixes.state.iter().filter(rtk).count(),
            station_positions: rows.positions.from_rtcm.iter().filter(|r| **r).count(),
            observations: rows.spans.kind.iter().filter(|k| **k == SPAN_OBSERVATIONS).count(),
        }
    }

    /// And of others.
    pub(super) fn add(&mut self, more: Counts) {
        self.rows += more.rows;
        self.fixes += more.fixes;
        self.rtk_fixes += more.rtk_fixes;
        self.station_positions += more.station_positions;
        self.observations += more.observations;
    }
}

impl ReadBundle {
    /// Whether anything of it was understood.
    pub fn usable(&self) -> bool {
        self.ends.failed.is_none() && self.files.iter().any(|f| f.look.format != Format::Foreign)
    }

    /// How many rows of which kind it has.
    pub fn counts(&self) -> Counts {
        if let Some(stored) = &self.stored {
            return stored.counts;
        }
        let mut counts = Counts::default();
        self.files.iter().for_each(|file| counts.add(Counts::of(&file.rows)));
        self.long.values().for_each(|long| counts.add(long.counts()));
        counts
    }

    /// What tells who it is.
    pub fn facts(&self) -> BundleFacts {
        let mut facts = BundleFacts { path: self.path.clone(), ..BundleFacts::default() };
        add_facts(&mut facts, self);
        facts
    }
}

/// Adds what a bundle tells about who it is; its card counts when none was there before.
pub fn add_facts(facts: &mut BundleFacts, bundle: &ReadBundle) {
    if facts.card.is_none() {
        facts.card = bundle.card.clone();
    }
    for file in &bundle.files {
        facts.identity.station_ids.extend(&file.identity.station_ids);
        facts.identity.markers.extend(file.identity.markers.iter().cloned());
        facts.identity.receiver_serials.extend(file.identity.receiver_serials.iter().cloned());
        if let Some((a, b)) = file.span.filter(|_| !file.undated) {
            facts.span = Some(facts.span.map_or((a, b), |(x, y)| (x.min(a), y.max(b))));
        }
    }
    let counts = bundle.counts();
    facts.fixes += counts.fixes;
    facts.rtk_fixes += counts.rtk_fixes;
    facts.station_positions += counts.station_positions;
    facts.observations += counts.observations;
}

/// All bundles after reading.
#[derive(Debug, Default)]
pub struct ReadAll {
    /// By path, copies left out.
    pub bundles: Vec<ReadBundle>,
    /// Path of a copy and path of the bundle it equals.
    pub duplicates: BTreeMap<String, String>,
    /// Bundles and files that were not read, or not to their end.
    pub not_read: Vec<NotRead>,
}

/// Swallows an error of the reader: what was read until then is kept, the crawl room lists the error.
struct Tolerant<'a> {
    inner: &'a mut dyn Read,
    /// Some of the bytes are wrong (a checksum or a size says so), not only missing at the end.
    wrong: bool,
}

impl Read for Tolerant<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        match self.inner.read(out) {
            Err(e) if e.kind() == std::io::ErrorKind::Interrupted => Err(e),
            Err(e) => {
                self.wrong |= e.kind() == std::io::ErrorKind::InvalidData;
                Ok(0)
            }
            Ok(n) => Ok(n),
        }
    }
}

/// Reads one bundle, all of it into memory.
pub fn read_bundle(bundle: &BundleRef, limits: &Limits, settings: &FormatSettings) -> ReadBundle {
    // Only a shelf can fail.
    read_bundle_onto(bundle, limits, settings, None).unwrap_or_default()
}

/// Reads one bundle; rows of its long files go to a place of their own.
///
/// # Errors
/// When they cannot be written there.
pub(super) fn read_bundle_onto(
    bundle: &BundleRef,
    limits: &Limits,
    settings: &FormatSettings,
    place: Option<Place<'_>>,
) -> Result<ReadBundle, StoreError> {
    let mut out = ReadBundle { path: bundle.path.clone(), ..ReadBundle::default() };
    let mut card: Option<UnitCard> = None;
    let mut files: Vec<Parsed> = Vec::new();
    let mut on_shelf: BTreeMap<usize, Long> = BTreeMap::new();
    let mut first_error = None;
    let mut foreign = 0;
    let ends = crawl::open(bundle, limits, &mut |member: Member<'_>| {
        let is_card = member.path.rsplit('/').next().is_some_and(|n| n.eq_ignore_ascii_case("unit.toml"));
        let mut reader = Tolerant { inner: member.reader, wrong: false };
        let context = FileContext {
            path: member.path.clone(),
            hints: DateHints {
                unit_card: card.as_ref().and_then(|c| c.logged_on),
                member_time: member.member_time,
                file_name: date_in_name(&member.path),
                now: settings.now,
            },
        };
        let mut card_problems = Vec::new();
        let mut taking = place.filter(|_| first_error.is_none()).map(Taking::new);
        let parsed = if is_card && card.is_none() {
            let mut bytes = Vec::new();
            let _ = (&mut reader).take(CARD_BYTES).read_to_end(&mut bytes);
            // A log has checks of its own; in a card one wrong letter would move the unit to another site.
            if reader.wrong {
                card_problems.push(Problem::whole(
                    "some bytes of this card are wrong (its checksum or size does not fit): it is not used".to_owned(),
                    "send the bundle again; until then the fleet register, the path rules and the data say who the unit is",
                ));
            } else {
                let (found, problems) = card::parse(&String::from_utf8_lossy(&bytes));
                card = found;
                card_problems = problems;
            }
            formats::read(&mut bytes.as_slice(), &context, settings)
        } else {
            let shelf = taking.as_mut().map(|t| t as &mut dyn formats::piece::Shelf);
            formats::read_onto(&mut reader, &context, settings, shelf)
        };
        let mut parsed = parsed.unwrap_or_default();
        let mut long = match taking.map(|t| t.end(std::mem::take(&mut parsed.settle))) {
            Some(Err(error)) => {
                first_error = Some(error);
                None
            }
            Some(Ok(long)) => long,
            None => None,
        };
        parsed.look.path = member.path;
        if parsed.look.compressed.is_empty() || parsed.look.compressed == "none" {
            parsed.look.compressed = member.compressed.to_owned();
        }
        for problem in card_problems {
            if !parsed.look.problems.contains(&problem) {
                parsed.look.problems.push(problem);
            }
        }
        if parsed.undated && (!parsed.rows.is_empty() || long.is_some()) {
            let rows = parsed.rows.len() + long.as_ref().map_or(0, |l| l.counts().rows);
            parsed.look.problems.push(Problem::whole(
                format!("{rows} rows have a time but no date, and nothing else tells the date: not used"),
                "put logged_on into unit.toml, or log RMC or ZDA",
            ));
            (parsed.rows, long) = (Rows::default(), None);
        }
        if parsed.look.format != Format::Foreign {
            on_shelf.extend(long.map(|long| (files.len(), long)));
            files.push(parsed);
            return MemberDone::Read;
        }
        // A zip of a hundred thousand pictures: how they end is told of all, what they look like of the first.
        foreign += 1;
        if foreign <= NAMED_A_BUNDLE {
            files.push(parsed);
        }
        MemberDone::NotOpen
    });
    if let Some(error) = first_error {
        return Err(error);
    }
    out.card = card;
    out.files = files;
    out.long = on_shelf;
    out.ends = ends;
    Ok(out)
}

/// Takes the rows of all files out of a bundle that lies at `path`.
pub(super) fn take_rows(bundle: &mut ReadBundle, path: &str) -> Vec<(Origin, Rows)> {
    let files = bundle.files.iter_mut();
    files
        .map(|f| (Origin { bundle: path.to_owned(), file: f.look.path.clone() }, std::mem::take(&mut f.rows)))
        .collect()
}

/// The tables that a bundle has rows of, each in parts. `path` stands in the origins, which come beside.
pub(super) fn take_tables<'a>(
    mut files: Vec<(Origin, Rows)>,
    long: &'a BTreeMap<usize, Long>,
    mut take: impl FnMut(&'static str, Vec<Part<'a>>) -> Result<(), AsideError>,
) -> Result<Vec<Origin>, AsideError> {
    if long.is_empty() {
        return Batch::each(files, |name, frame| take(name, vec![Part::Here(frame)]));
    }
    for name in schema::TABLES {
        let mut parts = Vec::new();
        for (i, (_, rows)) in files.iter_mut().enumerate() {
            let origin = u32::try_from(i).unwrap_or(u32::MAX);
            parts.extend(long.get(&i).into_iter().flat_map(|l| l.parts(name, origin)));
            let frame = schema::take_table(rows, name, origin)?;
            if frame.height() > 0 {
                parts.push(Part::Here(frame));
            }
        }
        if !parts.is_empty() {
            take(name, parts)?;
        }
    }
    Ok(files.into_iter().map(|(origin, _)| origin).collect())
}

pub(super) enum AsideError {
    Table(FrameError),
    Disk(StoreError),
}

impl From<FrameError> for AsideError {
    fn from(e: FrameError) -> AsideError {
        AsideError::Table(e)
    }
}

impl From<StoreError> for AsideError {
    fn from(e: StoreError) -> AsideError {
        AsideError::Disk(e)
    }
}

/// Puts the rows of a bundle aside and lets go of what no later step needs.
fn put_aside(bundle: &mut ReadBundle, scratch: &Scratch, common: &Mutex<Common>) -> Result<(), RunError> {
    let mut once = Once::default();
    for file in &mut bundle.files {
        (file.received, file.maps, file.site_log) = (Rows::default(), None, None);
        let orbits = once.of(&std::mem::take(&mut file.ephemerides));
        let mut common = common.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        bundle.orbits.extend(orbits.into_iter().map(|e| common.of(e)));
    }
    let (counts, path) = (bundle.counts(), bundle.path.clone());
    let mut kept = Kept::default();
    let origins = take_tables(take_rows(bundle, &path), &bundle.long, |name, parts| {
        for part in parts {
            scratch.keep(&mut kept, name, part.frame()?)?;
        }
        Ok(())
    });
    let origins = origins.map_err(|e| match e {
        AsideError::Table(e) => RunError::Failed(format!("{path}: its tables could not be made: {e}")),
        AsideError::Disk(e) => scratch_error(&e),
    })?;
    bundle.long = BTreeMap::new();
    let bytes = kept.bytes();
    let load: Loader = Arc::new(move |wanted: Option<Wanted<'_>>| {
        let tables = wanted.map_or(Ok(Vec::new()), |w| kept.load(w)).map_err(|e| loader_error(e.to_string()))?;
        Ok(Batch { origins: origins.clone(), tables })
    });
    bundle.stored = Some(StoredRows { counts, bytes, load });
    Ok(())
}

pub(super) fn scratch_error(e: &StoreError) -> RunError {
    RunError::Failed(format!("{e}. Tables of a large pile are put aside there; --scratch DIR names another folder"))
}

/// Reads all bundles of an inventory, in parallel, each content once. Their rows go into `scratch`.
///
/// # Errors
/// When `scratch` cannot be written.
pub(super) fn read_all(
    inventory: &Inventory,
    limits: &Limits,
    settings: &FormatSettings,
    scratch: &Scratch,
    watch: &dyn Watch,
) -> Result<ReadAll, RunError> {
    watch.stage("reading", inventory.bundles.len() as u64);
    let common = Mutex::new(Common::default());
    // Exact copies of zips need not be opened at all.
    let copies = crawl::exact_copies(&inventory.bundles);
    let bundles: Vec<&BundleRef> =
        inventory.bundles.iter().enumerate().filter(|(i, _)| !copies.contains_key(i)).map(|(_, b)| b).collect();
    let read: Vec<ReadBundle> = share_out_or_stop(bundles.len(), |i| {
        let read = read_bundle_onto(bundles[i], limits, settings, Some(&|| scratch.place()));
        let mut done = read.map_err(|e| scratch_error(&e))?;
        put_aside(&mut done, scratch, &common)?;
        watch.step(&bundles[i].path);
        Ok::<_, RunError>(done)
    })?;
    let mut out = ReadAll::default();
    for (copy, of) in &copies {
        if let (Some(copy), Some(of)) = (inventory.bundles.get(*copy), inventory.bundles.get(*of)) {
            out.duplicates.insert(copy.path.clone(), of.path.clone());
        }
    }
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    for bundle in read {
        if let Some(hash) = &bundle.ends.content_hash
            && bundle.ends.failed.is_none()
        {
            if let Some(first) = seen.get(&hash.hex()) {
                out.duplicates.insert(bundle.path.clone(), first.clone());
                continue;
            }
            seen.insert(hash.hex(), bundle.path.clone());
        }
        list_not_read(&bundle, &mut out.not_read);
        out.bundles.push(bundle);
    }
    Ok(out)
}

fn words(problems: &[Problem]) -> String {
    problems
        .iter()
        .map(|p| if p.hint.is_empty() { p.what.clone() } else { format!("{}; {}", p.what, p.hint) })
        .collect::<Vec<_>>()
        .join("; ")
}

pub(super) fn list_not_read(bundle: &ReadBundle, to: &mut Vec<NotRead>) {
    if bundle.ends.failed.is_some() {
        let reason = words(&bundle.ends.problems);
        let reason = if reason.is_empty() { "unreadable".to_owned() } else { reason };
        to.push(NotRead { path: bundle.path.clone(), reason });
        return;
    }
    for problem in &bundle.ends.problems {
        to.push(NotRead { path: bundle.path.clone(), reason: words(std::slice::from_ref(problem)) });
    }
    let mut told = Told::default();
    let looks: HashMap<&str, &Parsed> = bundle.files.iter().rev().map(|f| (f.look.path.as_str(), f)).collect();
    for file in &bundle.ends.files {
        let format = looks.get(file.path.as_str()).map(|f| f.look.format);
        let reason = match file.outcome {
            Outcome::Read if file.problems.is_empty() => match format {
                Some(Format::Ionex | Format::Kp) => OF_ALL.to_owned(),
                _ => continue,
            },
            Outcome::Read | Outcome::Unreadable | Outcome::Refused => words(&file.problems),
            Outcome::NotOpen => looks
                .get(file.path.as_str())
                .map(|f| words(&f.look.problems))
                .filter(|w| !w.is_empty())
                .unwrap_or_else(|| "not one of the open formats".to_owned()),
        };
        told.add(format!("{}!/{}", bundle.path, file.path), reason, to);
    }
    told.rest(&bundle.path, to);
}

/// What lies inside a bundle is of one unit, space weather is of all.
const OF_ALL: &str =
    "space weather inside a bundle is not used; put the file beside the bundles, or name it with --space-weather";

/// Files of one bundle that are named one by one for the same reason; the others are counted.
const NAMED_A_REASON: usize = 100;
/// Files of one bundle that are named one by one at all.
const NAMED_A_BUNDLE: usize = 1000;

/// What was listed of one bundle: a zip can hold fifty thousand files that are none of ours.
#[derive(Default)]
struct Told {
    named: usize,
    /// By reason without its numbers: how many are named, how many only counted, one of the reasons.
    of: BTreeMap<String, (usize, usize, String)>,
}

impl Told {
    fn add(&mut self, path: String, reason: String, to: &mut Vec<NotRead>) {
        // Reasons that differ in numbers only (bytes, lines) are one; a bundle has few others.
        let kind: String = reason.chars().filter(|c| !c.is_ascii_digit()).collect();
        let of = self.of.entry(kind).or_default();
        if of.0 < NAMED_A_REASON && self.named < NAMED_A_BUNDLE {
            of.0 += 1;
            self.named += 1;
            to.push(NotRead { path, reason });
        } else {
            of.1 += 1;
            of.2 = reason;
        }
    }

    fn rest(self, bundle: &str, to: &mut Vec<NotRead>) {
        for (_, more, reason) in self.of.into_values().filter(|n| n.1 > 0) {
            to.push(NotRead {
                path: format!("{bundle}!/"),
                reason: format!("{more} more files in it, the last: {reason}"),
            });
        }
    }
}
