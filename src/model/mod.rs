//! Shared words: plain data that every room may use. No algorithm that reads a table, no files, no format.

pub mod ids;
pub mod ledger;
pub mod problem;
