//! Shared words: plain data that every room may use. No algorithm that reads a table, no files, no format.

pub mod about;
pub mod clock;
pub mod event;
pub mod findings;
pub mod held;
pub mod ids;
pub mod keyed;
pub mod ledger;
pub mod look;
pub mod packed;
pub mod picture;
pub mod problem;
pub mod rows;
pub mod sky;
pub mod time;
pub mod visible;
pub mod word;
