//! Which bundles are the same.
//!
//! The content hash covers the sorted (path, digest of the decompressed content) of a bundle's files, so a zip and the
//! folder it was made of are one bundle, and so is the same log compressed in another way.

use super::BundleKind;
use super::BundleRef;
use super::source::open_regular;
use std::collections::BTreeMap;
use std::io::{self, Read};

/// A 256-bit BLAKE3 digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ContentHash(pub [u8; 32]);

impl ContentHash {
    /// Lower-case hexadecimal, 64 characters.
    pub fn hex(&self) -> String {
        blake3::Hash::from(self.0).to_hex().to_string()
    }
}

/// Of a file that is not an open format only this much is read and hashed, together with its size.
pub(super) const HEAD_BYTES: u64 = 64 * 1024;

/// The digest of one file while it streams by.
pub(super) struct FileDigest {
    hasher: blake3::Hasher,
    head: Option<blake3::Hash>,
    bytes: u64,
}

impl FileDigest {
    pub fn new() -> FileDigest {
        FileDigest { hasher: blake3::Hasher::new(), head: None, bytes: 0 }
    }

    pub fn update(&mut self, data: &[u8]) {
        let room = usize::try_from(HEAD_BYTES.saturating_sub(self.bytes)).unwrap_or(usize::MAX);
        if self.head.is_none() && data.len() >= room {
            let (head, rest) = data.split_at(room.min(data.len()));
            self.hasher.update(head);
            self.head = Some(self.hasher.finalize());
            self.hasher.update(rest);
        } else {
            self.hasher.update(data);
        }
        self.bytes += data.len() as u64;
    }

    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Digest of everything.
    pub fn whole(&self) -> [u8; 32] {
        *self.hasher.finalize().as_bytes()
    }

    /// Digest of the first [`HEAD_BYTES`] and a size.
    pub fn head_and_size(&self, size: u64) -> [u8; 32] {
        let head = self.head.unwrap_or_else(|| self.hasher.finalize());
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"head and size").update(head.as_bytes()).update(&size.to_le_bytes());
        *hasher.finalize().as_bytes()
    }
}

/// The content hash from (path, digest) of every file that was read. One top folder common to all paths is left out:
/// people zip the folder as often as what is in it. `None` for no files.
pub(super) fn content_hash(files: &mut [(String, [u8; 32])]) -> Option<ContentHash> {
    files.sort();
    let first = files.first()?.0.clone();
    let top = first.split_once('/').map(|(top, _)| format!("{top}/")).unwrap_or_default();
    let cut = if files.iter().all(|(path, _)| path.starts_with(&top)) { top.len() } else { 0 };
    let mut hasher = blake3::Hasher::new();
    for (path, digest) in files.iter() {
        let path = path.get(cut..).unwrap_or(path);
        hasher.update(&(path.len() as u64).to_le_bytes()).update(path.as_bytes()).update(digest);
    }
    Some(ContentHash(*hasher.finalize().as_bytes()))
}

/// Digest of the raw bytes of a zip or single file; `None` for a folder.
///
/// Costs one reading of the file. [`exact_copies`] calls it only where two files have the same size.
///
/// # Errors
/// What the system says.
pub fn quick_hash(bundle: &BundleRef) -> io::Result<Option<ContentHash>> {
    if bundle.kind == BundleKind::Folder {
        return Ok(None);
    }
    let (mut file, metadata) = open_regular(&bundle.source)?;
    let mut left = metadata.len();
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0; 256 * 1024];
    while left > 0 {
        match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) => {
                hasher.update(buffer.get(..n).unwrap_or_default());
                left = left.saturating_sub(n as u64);
            }
            Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
            Err(e) => return Err(e),
        }
    }
    Ok(Some(ContentHash(*hasher.finalize().as_bytes())))
}

/// Exact copies among zips: index of the copy to index of the first with the same bytes. Files are only read where their
/// sizes are equal; one that cannot be read is no copy (reading the bundle will say why).
pub fn exact_copies(bundles: &[BundleRef]) -> BTreeMap<usize, usize> {
    let mut by_size: BTreeMap<u64, Vec<usize>> = BTreeMap::new();
    for (n, bundle) in bundles.iter().enumerate() {
        if bundle.kind == BundleKind::Zip {
            by_size.entry(bundle.bytes).or_default().push(n);
        }
    }
    let mut copies = BTreeMap::new();
    for group in by_size.values().filter(|group| group.len() > 1) {
        let mut seen: BTreeMap<ContentHash, usize> = BTreeMap::new();
        for &n in group {
            let Some(Ok(Some(hash))) = bundles.get(n).map(quick_hash) else { continue };
            match seen.get(&hash) {
                Some(&first) => {
                    copies.insert(n, first);
                }
                None => {
                    seen.insert(hash, n);
                }
            }
        }
    }
    copies
}
