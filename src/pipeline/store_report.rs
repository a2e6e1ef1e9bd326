//! The analysis of what lies in a store.

use super::read::{ReadAll, StoredRows, list_not_read};
use super::sky::Common;
use super::stored::Record;
use super::workers::share_out;
use super::{Outcome, Request, Rules, RunError, Watch, beside};
use crate::crawl::{self, BundleKind, BundleRef, Inventory, SideFile};
use crate::frames::schema::Wanted;
use crate::frames::{Batch, Loader, loader_error};
use crate::model::event::Origin;
use crate::model::findings::NotRead;
use crate::model::problem::Problem;
use crate::store::{Seen, Store, StoreError, TableFile};
use serde::de::IgnoredAny;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Spans reach over midnight: they are loaded whatever their date.
const WHOLE: [&str; 1] = ["spans"];
/// Records of bundles that are read side by side.
const RECORDS_AT_ONCE: usize = 128;
/// About what a row takes in memory.
const ROW_BYTES: u64 = 64;

pub(super) fn store_error(error: &StoreError) -> RunError {
    match error {
        StoreError::NotUsable(_) => RunError::Usage(error.to_string()),
        _ => RunError::Failed(error.to_string()),
    }
}

/// The whole job up to the findings, out of a store instead of folders. The findings are those of [`super::analyse`] over
/// the same bundles.
///
/// # Errors
/// [`RunError`]; a bundle whose tables are damaged is listed.
pub fn analyse_store(request: &Request, dir: &Path, watch: &dyn Watch) -> Result<Outcome, RunError> {
    let rules = Rules::of(&request.settings)?;
    let store = Arc::new(Store::open(dir).map_err(|e| store_error(&e))?);
    let mut inventory = side_files(&store)?;
    let beside = beside::Beside::load(request, &inventory, &rules)?;
    let read = read_all(&store, request, &mut inventory)?;
    super::conclude(request, &inventory, &beside, &rules, read, &super::scratch_of(request), watch)
}

/// What lay beside the bundles and what was not taken when the FOLDERs were read.
fn side_files(store: &Store) -> Result<Inventory, RunError> {
    let mut inventory = Inventory::default();
    for note in store.folders().map_err(|e| store_error(&e))? {
        for (name, shown) in &note.side_files {
            inventory.side_files.push(SideFile {
                name: name.clone(),
                path: shown.clone(),
                source: store.side_file(&note, name),
            });
        }
        inventory.not_taken.extend(note.not_taken.into_iter().map(|n| crawl::NotTaken {
            path: n.path,
            why: crawl::Why::Refused,
            problem: problem_of(&n.reason),
        }));
    }
    inventory.side_files.sort_by(|a, b| (&a.name, &a.path).cmp(&(&b.name, &b.path)));
    inventory.not_taken.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(inventory)
}

/// `what; hint` as [`super::conclude`] joins them.
fn problem_of(reason: &str) -> Problem {
    match reason.rsplit_once("; ") {
        Some((what, hint)) => Problem::whole(what, hint),
        None => Problem::whole(reason, ""),
    }
}

fn read_all(store: &Arc<Store>, request: &Request, inventory: &mut Inventory) -> Result<ReadAll, RunError> {
    let (seen, bad) = store.seen().map_err(|e| store_error(&e))?;
    let mut out = ReadAll::default();
    let mut common = Common::default();
    for path in bad {
        out.not_read.push(NotRead {
            path: path.display().to_string(),
            reason: "a damaged record of the store; run `lostfix read` over the bundles again".to_owned(),
        });
    }
    // Content to the path of the first bundle with it.
    let mut first: BTreeMap<String, String> = BTreeMap::new();
    let mut wanted: Vec<&Seen> = Vec::new();
    for s in seen.iter().filter(|s| !request.only_window || in_window(s, request)) {
        inventory.bundles.push(BundleRef {
            path: s.path.clone(),
            source: PathBuf::new(),
            kind: BundleKind::File,
            bytes: 0,
            files: Vec::new(),
            not_taken: Vec::new(),
        });
        let content = s.hash.clone().or_else(|| s.raw.as_ref().map(|r| format!("raw {r}")));
        if let Some(content) = content {
            if let Some(of) = first.get(&content) {
                out.duplicates.insert(s.path.clone(), of.clone());
                continue;
            }
            first.insert(content, s.path.clone());
        }
        wanted.push(s);
    }
    // Some at a time: a record holds the orbits that its base sent, and many have the same ones.
    let records = wanted.chunks(RECORDS_AT_ONCE).flat_map(|some| {
        let found = share_out(some.len(), |i| some.get(i).map(|s| record_of(store, s)));
        some.iter().zip(found.into_iter().flatten())
    });
    for (s, found) in records {
        let (record, tables) = match found {
            Ok(found) => found,
            Err(reason) => {
                out.not_read.push(NotRead { path: s.path.clone(), reason });
                continue;
            }
        };
        let counts = record.counts;
        let origins: Vec<Origin> =
            record.file_paths().map(|f| Origin { bundle: s.path.clone(), file: f.to_owned() }).collect();
        let mut bundle = record.into_bundle(&s.path, &mut common);
        list_not_read(&bundle, &mut out.not_read);
        if let Some(tables) = tables {
            bundle.stored = Some(StoredRows {
                counts,
                bytes: ROW_BYTES * tables.iter().map(|t| t.rows).sum::<u64>(),
                load: loader(store, tables, origins, request),
            });
        }
        out.bundles.push(bundle);
    }
    Ok(out)
}

fn in_window(seen: &Seen, request: &Request) -> bool {
    match seen.span {
        Some((a, b)) => request.from.is_none_or(|f| b >= f) && request.to.is_none_or(|t| a < t),
        // Nothing dated in it, or it could not be read: that is worth a line every night.
        None => true,
    }
}

fn record_of(store: &Store, seen: &Seen) -> Result<(Record, Option<Vec<TableFile>>), String> {
    let damaged = |e: &str| format!("its record in the store is damaged ({e}); run `lostfix read` over it again");
    let Some(hash) = &seen.hash else {
        let record = serde_json::from_value(seen.record.clone().unwrap_or_default());
        return Ok((record.map_err(|e| damaged(&e.to_string()))?, None));
    };
    match store.manifest::<Record>(hash) {
        Ok(Some(manifest)) => Ok((manifest.record, Some(manifest.tables))),
        Ok(None) => Err("its tables are not in the store; run `lostfix read` over it again".to_owned()),
        // Is it the record alone?
        Err(StoreError::Damaged { what, .. }) if store.manifest::<IgnoredAny>(hash).is_ok() => Err(damaged(&what)),
        Err(e) => Err(e.to_string()),
    }
}

fn loader(store: &Arc<Store>, tables: Vec<TableFile>, origins: Vec<Origin>, request: &Request) -> Loader {
    let store = Arc::clone(store);
    let (from, to) = (request.from, request.to);
    Arc::new(move |wanted: Option<Wanted<'_>>| {
        let tables = wanted
            .map_or(Ok(Vec::new()), |w| store.load(&tables, from, to, &WHOLE, w))
            .map_err(|e| loader_error(e.to_string()))?;
        Ok(Batch { origins: origins.clone(), tables })
    })
}
