//! What the pages draw beside the findings: strips on one time axis and small tables. Filled upstream, so that the report
//! room never asks for tables of data.

use super::findings::Stretch;
use super::time::UtcMs;
use serde::Serialize;

/// A coloured stretch of a strip.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mark {
    /// Begin, UTC ms.
    pub from: UtcMs,
    /// End, UTC ms.
    pub to: UtcMs,
    /// What it shows: a fix state (`fixed`, `float`, `dgnss`, `autonomous`, `none`, `estimated`), `gap`, or an event kind.
    pub class: String,
    /// Words for the tooltip and for screen readers.
    pub title: String,
}

/// What a strip shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum StripKind {
    /// Fix states of a rover.
    Rover,
    /// Events of a base.
    Events,
    /// Data of a base that were there.
    Coverage,
}

/// One row of the timeline.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Strip {
    /// Unit, or unit and what.
    pub label: String,
    /// What it shows.
    pub kind: StripKind,
    /// In order of time, merged to what a pixel can show.
    pub marks: Vec<Mark>,
}

/// A small table for a page.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SmallTable {
    /// Heading.
    pub title: String,
    /// One sentence on what it shows and how to read it.
    pub note: String,
    /// Column heads, with units.
    pub columns: Vec<String>,
    /// Cells as text.
    pub rows: Vec<Vec<String>>,
}

/// Pictures of one site, in the order of the findings.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SitePicture {
    /// Site id.
    pub site: String,
    /// Zone of the site (`UTC` when not known): an IANA name.
    pub time_zone: String,
    /// Begin of the axis, UTC ms.
    pub from: UtcMs,
    /// End of the axis, UTC ms.
    pub to: UtcMs,
    /// Rows of the timeline: rovers first, then bases.
    pub strips: Vec<Strip>,
    /// Message set, link budget, who else, coverage ...
    pub tables: Vec<SmallTable>,
    /// How each stretch of lost time was judged.
    #[serde(skip)]
    pub stretches: Vec<Stretch>,
}

/// What the pages need beside the findings.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Pictures {
    /// One a site.
    pub sites: Vec<SitePicture>,
    /// Files beside the bundles that were used, and settings that differ from the built-in ones.
    pub used: Vec<String>,
    /// Program name and version.
    pub made_by: String,
}
