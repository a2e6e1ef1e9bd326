//! What the store keeps of a bundle beside its tables, and how a read bundle becomes that and comes back.

use super::read::{Counts, ReadBundle};
use super::sky::{Common, Once};
use crate::config::card::UnitCard;
use crate::crawl::{BundleRead, FileRead, Outcome};
use crate::formats::{Identity, Parsed};
use crate::maths::orbits::Ephemeris;
use crate::model::look::FileLook;
use crate::model::problem::Problem;
use crate::model::time::UtcMs;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// One bundle without its rows.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct Record {
    /// Its unit card.
    pub(super) card: Option<UnitCard>,
    /// Digest of the settings that decide how files are decoded.
    pub(super) formats: String,
    pub(super) counts: Counts,
    files: Vec<FileRecord>,
    ends: Vec<EndRecord>,
    problems: Vec<Problem>,
    failed: Option<Outcome>,
    bytes: u64,
}

/// Of a record only how its files were decoded.
#[derive(Debug, Clone, Default, Deserialize)]
pub(super) struct ReadAs {
    /// As [`Record::formats`].
    #[serde(default)]
    pub(super) formats: String,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct FileRecord {
    look: FileLook,
    span: Option<(UtcMs, UtcMs)>,
    undated: bool,
    identity: Identity,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    ephemerides: Vec<Ephemeris>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct EndRecord {
    path: String,
    bytes: u64,
    outcome: Outcome,
    problems: Vec<Problem>,
}

impl Record {
    /// What to keep of a bundle.
    pub(super) fn of(bundle: &ReadBundle, formats: &str) -> Record {
        let mut once = Once::default();
        Record {
            card: bundle.card.clone(),
            formats: formats.to_owned(),
            counts: bundle.counts(),
            files: bundle
                .files
                .iter()
                .map(|f| FileRecord {
                    look: f.look.clone(),
                    span: f.span,
                    undated: f.undated,
                    identity: f.identity.clone(),
                    ephemerides: once.of(&f.ephemerides),
                })
                .collect(),
            ends: bundle
                .ends
                .files
                .iter()
                .map(|e| EndRecord {
                    path: e.path.clone(),
                    bytes: e.bytes,
                    outcome: e.outcome,
                    problems: e.problems.clone(),
                })
                .collect(),
            problems: bundle.ends.problems.clone(),
            failed: bundle.ends.failed,
            bytes: bundle.ends.bytes,
        }
    }

    /// Paths of its files, in the order of the `origin` column.
    pub(super) fn file_paths(&self) -> impl Iterator<Item = &str> {
        self.files.iter().map(|f| f.look.path.as_str())
    }

    /// The bundle, lying at a path; its rows are elsewhere.
    pub(super) fn into_bundle(mut self, path: &str, common: &mut Common) -> ReadBundle {
        let orbits = self.files.iter_mut().flat_map(|f| std::mem::take(&mut f.ephemerides));
        let orbits: Vec<Arc<Ephemeris>> = orbits.map(|e| common.of(e)).collect();
        let ends = self.ends.into_iter().map(|e| FileRead {
            path: e.path,
            compressed: "none",
            bytes: e.bytes,
            outcome: e.outcome,
            problems: e.problems,
        });
        ReadBundle {
            path: path.to_owned(),
            card: self.card,
            files: self
                .files
                .into_iter()
                .map(|f| Parsed {
                    look: f.look,
                    span: f.span,
                    undated: f.undated,
                    identity: f.identity,
                    ..Parsed::default()
                })
                .collect(),
            ends: BundleRead {
                files: ends.collect(),
                problems: self.problems,
                failed: self.failed,
                bytes: self.bytes,
                ..BundleRead::default()
            },
            orbits,
            ..ReadBundle::default()
        }
    }
}
