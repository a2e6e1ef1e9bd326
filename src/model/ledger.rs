//! The byte ledger: every byte of a file is decoded, skipped with a reason, or unknown.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Where the bytes of one (decompressed) file went. `decoded + skipped + unknown = total`.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ledger {
    /// Size of the decompressed file.
    pub total: u64,
    /// Bytes of records that were understood.
    pub decoded: u64,
    /// Bytes left aside on purpose: a known record that is not used, a blank line, a failed checksum.
    pub skipped: u64,
    /// Bytes of which nothing is known.
    pub unknown: u64,
    /// Skipped bytes by reason.
    #[serde(skip)]
    pub reasons: BTreeMap<&'static str, u64>,
}

impl Ledger {
    /// Counts bytes that were understood.
    pub fn decoded(&mut self, bytes: u64) {
        self.decoded += bytes;
        self.total += bytes;
    }

    /// Counts bytes left aside with a reason.
    pub fn skipped(&mut self, bytes: u64, reason: &'static str) {
        if bytes == 0 {
            return;
        }
        self.skipped += bytes;
        self.total += bytes;
        *self.reasons.entry(reason).or_default() += bytes;
    }

    /// Counts bytes of which nothing is known.
    pub fn unknown(&mut self, bytes: u64) {
        self.unknown += bytes;
        self.total += bytes;
    }

    /// Whether the parts add up.
    pub fn adds_up(&self) -> bool {
        self.decoded + self.skipped + self.unknown == self.total
    }
}
