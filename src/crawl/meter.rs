//! The last reader before the visitor: counts, digests, enforces limits, remembers what went wrong.

use super::hash::{FileDigest, HEAD_BYTES};
use super::limits::{Limits, size_text};
use std::io::{self, Read};

/// Most bytes given with one read: limits are looked at in between.
const MOST_AT_ONCE: usize = 1024 * 1024;

/// What one bundle has cost so far.
#[derive(Debug, Default)]
pub(super) struct Spent {
    /// Bytes of the bundle on disk.
    pub on_disk: u64,
    /// Decompressed bytes, inner zips included.
    pub bytes: u64,
    /// Files met, inner zips included.
    pub members: u64,
    /// Inner zips in memory now, bytes.
    pub in_memory: u64,
}

impl Spent {
    /// The limit that the bundle as a whole has reached, in words.
    pub fn over(&self, limits: &Limits) -> Option<String> {
        if self.bytes > limits.max_bundle_bytes {
            return Some(format!("the bundle holds more than {} in all", size_text(limits.max_bundle_bytes)));
        }
        if self.bytes > limits.ratio_free_bytes && self.bytes / limits.max_ratio.max(1) > self.on_disk {
            return Some(format!("the bundle unpacks to more than {} times its size", limits.max_ratio));
        }
        None
    }
}

/// How a stream stopped before its end.
#[derive(Debug)]
pub(super) enum Stop {
    /// Damaged: the words of the error.
    Broken(String),
    /// A limit, in words.
    Limit(String),
}

pub(super) struct Meter<'a> {
    inner: Box<dyn Read>,
    limits: &'a Limits,
    spent: &'a mut Spent,
    /// Compressed bytes of this file in its container.
    packed: u64,
    pub digest: FileDigest,
    pub stop: Option<Stop>,
    told: bool,
    pub ended: bool,
}

impl<'a> Meter<'a> {
    pub fn new(inner: Box<dyn Read>, packed: u64, limits: &'a Limits, spent: &'a mut Spent) -> Meter<'a> {
        Meter { inner, limits, spent, packed, digest: FileDigest::new(), stop: None, told: false, ended: false }
    }

    /// Bytes handed out so far.
    pub fn handed(&self) -> u64 {
        self.digest.bytes()
    }

    fn limit_reached(&self) -> Option<String> {
        let (bytes, limits) = (self.handed(), self.limits);
        if bytes > limits.ratio_free_bytes && bytes / limits.max_ratio.max(1) > self.packed {
            return Some(format!("the file unpacks to more than {} times its size", limits.max_ratio));
        }
        self.spent.over(limits)
    }

    /// Reads on: to the end, or (`head_only`) until the digest of the head is complete.
    pub fn drain(&mut self, head_only: bool) {
        let mut buffer = vec![0; 64 * 1024];
        while !self.ended && self.stop.is_none() && !(head_only && self.handed() >= HEAD_BYTES) {
            let _ = self.read(&mut buffer);
        }
    }
}

impl Read for Meter<'_> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        if out.is_empty() || self.ended {
            return Ok(0);
        }
        if let Some(stop) = &self.stop {
            // Told once; a reader that goes on regardless finds the end.
            if self.told {
                return Ok(0);
            }
            self.told = true;
            let (Stop::Broken(what) | Stop::Limit(what)) = stop;
            return Err(io::Error::new(io::ErrorKind::InvalidData, what.clone()));
        }
        let room = self.limits.max_member_bytes.saturating_sub(self.handed());
        if room == 0 {
            // At the limit exactly: one more byte decides whether the file is too long.
            let mut one = [0];
            match self.inner.read(&mut one) {
                Ok(0) => self.ended = true,
                Ok(_) => {
                    let what = format!("the file is longer than {}", size_text(self.limits.max_member_bytes));
                    self.stop = Some(Stop::Limit(what));
                }
                Err(e) => self.stop = Some(Stop::Broken(e.to_string())),
            }
            return self.read(out);
        }
        let want = usize::try_from(room).unwrap_or(usize::MAX).min(out.len()).min(MOST_AT_ONCE);
        let Some(out) = out.get_mut(..want) else { return Ok(0) };
        loop {
            match self.inner.read(out) {
                Ok(0) => {
                    self.ended = true;
                    return Ok(0);
                }
                Ok(n) => {
                    let n = n.min(out.len());
                    self.digest.update(out.get(..n).unwrap_or_default());
                    self.spent.bytes = self.spent.bytes.saturating_add(n as u64);
                    self.stop = self.limit_reached().map(Stop::Limit);
                    return Ok(n);
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => {
                    self.stop = Some(Stop::Broken(e.to_string()));
                    return self.read(out);
                }
            }
        }
    }
}
