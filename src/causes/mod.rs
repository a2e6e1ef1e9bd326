//! Causes: evidence in, one verdict a stretch of lost time and one ranking a site out. Knows no table and no file.

pub mod about;
mod float_periods;
mod lines;
pub mod rank;
pub mod verdict;
pub mod weights;
