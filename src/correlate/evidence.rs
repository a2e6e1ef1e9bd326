//! What evidence is: pieces of it on each stretch of lost time, with strengths from 0 to 1. What it means for a cause is not known here;
//! it is gathered in [`super::gather`].

use super::association::Association;
use super::grid::merge_spans;
use super::onsets::Onsets;
use super::place::PlaceBound;
use super::segment::Segment;
use crate::model::event::Event;
use crate::model::time::UtcMs;
use std::collections::BTreeMap;

/// Association by event kind.
pub(super) type ByKind = BTreeMap<&'static str, Association>;

/// How an event kind works in time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Timing {
    /// How long it goes on to work after its end, ms (a rover needs time to get its fix back).
    pub after_ms: i64,
    /// How exactly its times are known, ms.
    pub resolution_ms: i64,
    /// It takes the fix by itself: its association with loss need not be shown.
    pub direct: bool,
    /// It can stop the corrections: loss with old corrections may be its work.
    pub stops: bool,
    /// How far it convinces although too little loss met it to rule out chance, 0 to 1.
    pub alone: f64,
    /// Number of its group: evidence of one group comes from one observation. `None`: of none.
    pub group: Option<u16>,
}

/// One piece of evidence on a segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Feature {
    /// `base:restart`, `rover:band-drop`, `context:others-lost`, ...
    pub id: String,
    /// 0 to 1.
    pub strength: f64,
    /// The event behind it, index into [`SiteEvidence::events`].
    pub event: Option<usize>,
}

/// The strongest of some kinds of one scope (`base:`, `rover:`, `sky:`), 0 where there is none.
pub(super) fn strongest(features: &[Feature], scope: &str, kinds: &[&str]) -> f64 {
    let of = |f: &&Feature| f.id.strip_prefix(scope).is_some_and(|kind| kinds.contains(&kind));
    features.iter().filter(of).map(|f| f.strength).fold(0.0, f64::max)
}

/// All evidence of a site.
#[derive(Debug, Clone, Default)]
pub struct SiteEvidence {
    /// Lost time in segments, by rover and time.
    pub segments: Vec<Segment>,
    /// Every event that a feature may point to.
    pub events: Vec<Event>,
    /// How base events go with the loss of all rovers.
    pub base_associations: BTreeMap<&'static str, Association>,
    /// How the begins of losses go with base events.
    pub base_onsets: Onsets,
    /// How a rover's own events go with its loss, a rover each.
    pub rover_associations: Vec<BTreeMap<&'static str, Association>>,
    /// Bad places, a rover each.
    pub places: Vec<PlaceBound>,
}

/// Limits that the evidence needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvidenceLimits {
    /// Corrections up to this age are fresh, s.
    pub age_fresh_s: f64,
    /// Older than this is old, s.
    pub age_old_s: f64,
    /// A baseline from which distance speaks, km.
    pub long_baseline_km: f64,
}

/// Times in which a base was observed, from its spans.
pub fn observed_spans(spans: &[(UtcMs, UtcMs)]) -> Vec<(UtcMs, UtcMs)> {
    merge_spans(spans.to_vec(), 3_000)
}
