//! Room: crawl. Finds bundles in folders and zips and hands out their files as streams.
//!
//! Knows folders, zips, gzip and `.Z`; does not know what the bytes mean. The one exception is the name `unit.toml`,
//! which makes a folder a bundle and is handed out first.
//!
//! What is promised:
//! - Nothing is unpacked to disk. Memory stays within [`Limits::max_nested_zip_in_memory`] plus a few buffers, whatever
//!   the size of a file.
//! - Every file met ends in one of [`Outcome`], with a reason where it was not read to its end.
//! - Links are never followed, except a FOLDER named on the command line that is itself one. A link to a file inside the
//!   same FOLDER loses nothing: that file is met at its own place.
//! - FIFOs, sockets and devices are listed and never opened.
//! - The order of folders on the command line, and the order in which the system lists files, change nothing.

mod bundle;
mod entry;
mod hash;
mod inflate;
mod inventory;
mod limits;
mod lzw;
mod magic;
mod meter;
mod names;
mod source;
mod zipdir;

pub use bundle::open;
pub use hash::{ContentHash, exact_copies, quick_hash};
pub use inventory::{find, is_ionex_name};
pub use limits::Limits;

use crate::model::problem::Problem;
use crate::model::time::UtcMs;
use serde::{Deserialize, Serialize};
use std::io::Read;
use std::path::PathBuf;

/// What a bundle is on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum BundleKind {
    /// A zip file, whatever its extension.
    Zip,
    /// Files of a folder: everything below it when it holds a `unit.toml`, else the files directly in it.
    Folder,
    /// One single file named on the command line.
    File,
}

/// A bundle that was found and not yet read.
#[derive(Debug, Clone)]
pub struct BundleRef {
    /// Path below the FOLDER named on the command line (with the FOLDER's name in front when several were named), with
    /// `/` between the parts, safe to show, unique within an [`Inventory`].
    pub path: String,
    /// Where it is on disk.
    pub source: PathBuf,
    /// What it is.
    pub kind: BundleKind,
    /// Bytes on disk.
    pub bytes: u64,
    /// Of a folder: its files, relative to `source`, sorted. Empty for the other kinds.
    pub files: Vec<PathBuf>,
    /// Of a folder: links, special files and unreadable folders in it, which are not read.
    pub not_taken: Vec<NotTaken>,
}

/// Something in the folders that is not read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotTaken {
    /// Path as in [`BundleRef::path`]; inside a bundle relative to the bundle.
    pub path: String,
    /// Which kind of not taken.
    pub why: Why,
    /// What it is and what to do.
    pub problem: Problem,
}

/// Why something in the folders is not read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Why {
    /// A link that leads out, a special file, a limit.
    Refused,
    /// The system did not let us.
    Unreadable,
    /// Nothing is lost: a link to a file that is met at its own place, or what file managers leave behind.
    Nothing,
}

/// A file that lies beside the bundles, directly in a FOLDER named on the command line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SideFile {
    /// Lower-case file name: `fleet.toml`, `kp.txt`, ...
    pub name: String,
    /// Path to show.
    pub path: String,
    /// Where it is on disk.
    pub source: PathBuf,
}

/// What [`find`] found.
#[derive(Debug, Clone, Default)]
pub struct Inventory {
    /// Sorted by [`BundleRef::path`].
    pub bundles: Vec<BundleRef>,
    /// Known files beside the bundles, sorted by name and path.
    pub side_files: Vec<SideFile>,
    /// What is not read and belongs to no bundle, sorted by path.
    pub not_taken: Vec<NotTaken>,
}

/// One file of a bundle, open for reading.
pub struct Member<'a> {
    /// Path inside the bundle, `/` between the parts, safe to show, unique within the bundle; a file of an inner zip is
    /// `inner.zip!/a/b.nmea`.
    pub path: String,
    /// `none`, `gz` or `Z`.
    pub compressed: &'static str,
    /// Time of the zip entry, taken as if it were UTC; serves for the date only. `None` for files of a folder, for
    /// 1980-01-01 (nobody set a clock) and for times that do not exist.
    pub member_time: Option<UtcMs>,
    /// The decompressed content. It gives every byte there is, then an error once if the file is damaged or reaches a
    /// limit, then the end.
    pub reader: &'a mut dyn Read,
}

/// What the visitor made of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MemberDone {
    /// Understood; read to the end (what was left is read and checked now).
    Read,
    /// Not one of the open formats; the rest is not read.
    NotOpen,
}

/// How a file ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Outcome {
    /// Read. With a problem when its end could not be.
    Read,
    /// Not one of the open formats.
    NotOpen,
    /// Nothing of it could be read.
    Unreadable,
    /// Left aside, or stopped, on purpose: a limit, a link, an overlap.
    Refused,
}

/// One file of a bundle after reading.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileRead {
    /// As in [`Member::path`].
    pub path: String,
    /// As in [`Member::compressed`].
    pub compressed: &'static str,
    /// Decompressed bytes that were handed out.
    pub bytes: u64,
    /// How it ended.
    pub outcome: Outcome,
    /// What was wrong, where, what to do.
    pub problems: Vec<Problem>,
}

/// A bundle after reading.
#[derive(Debug, Clone, Default)]
pub struct BundleRead {
    /// Every file in the order of reading.
    pub files: Vec<FileRead>,
    /// What was wrong with the bundle as a whole.
    pub problems: Vec<Problem>,
    /// How the bundle as a whole failed, if it did: [`Outcome::Unreadable`] or [`Outcome::Refused`].
    pub failed: Option<Outcome>,
    /// The zip's table of contents was lost; files were found by their own headers.
    pub salvaged: bool,
    /// Digest of paths and decompressed content; `None` when nothing was read.
    pub content_hash: Option<ContentHash>,
    /// Decompressed bytes handed out.
    pub bytes: u64,
}
