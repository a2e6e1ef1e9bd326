//! Pictures beside the timeline: map of the sites, plan of a site, sky over a base, C/N0 over elevation, days as a spark.
//! Each comes with its words and, where it helps, the numbers as a table (for Markdown and for people who do not see it).

mod curve;
mod map;
mod multipath;
mod plan;
mod sky;
mod spark;
mod steps;

pub(super) use curve::curve;
pub(super) use map::{Map, Spot, map};
pub(super) use multipath::multipath;
pub(super) use plan::plan;
pub(super) use sky::sky;
pub(super) use spark::{range_words, spark, trend};

use serde::Serialize;

/// A mark of a legend.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Key {
    /// Finished picture.
    pub(super) svg: String,
    pub(super) words: String,
}

/// A finished picture.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Figure {
    pub(super) title: String,
    pub(super) note: String,
    pub(super) svg: String,
    pub(super) keys: Vec<Key>,
    /// The same in numbers.
    pub(super) columns: Vec<&'static str>,
    pub(super) rows: Vec<Vec<String>>,
}
