//! The result of a run, schema `lostfix-findings/1` (`bundles.md`). Every output is a rendering of this one value and of
//! the pictures beside it.

use super::word::Word;
use serde::{Deserialize, Serialize};

/// The schema's name.
pub const SCHEMA: &str = "lostfix-findings/1";

/// A span of time in RFC 3339, UTC.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Window {
    /// Begin.
    pub from: String,
    /// End.
    pub to: String,
}

/// A bundle or file that was not read.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct NotRead {
    /// Path as the user gave it, members behind `!/`.
    pub path: String,
    /// Why, and what to do.
    pub reason: String,
}

/// What went in.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputSummary {
    /// Bundles met, duplicates included.
    pub bundles_found: u64,
    /// Bundles read.
    pub bundles_read: u64,
    /// Bundles that were copies of one already read.
    pub duplicates: u64,
    /// Not read, with the reason.
    pub not_read: Vec<NotRead>,
    /// Bundles whose unit or site is not known, with what is known.
    pub not_placed: Vec<NotRead>,
    /// Contradictions and other things worth knowing (card says rover, data say base ...).
    pub notes: Vec<NotRead>,
}

/// WGS 84, antenna reference point.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LatLonHeight {
    /// Degrees.
    pub latitude: f64,
    /// Degrees.
    pub longitude: f64,
    /// Ellipsoidal, m.
    pub height_m: f64,
}

/// One line of evidence with its place in the logs.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// In words, with numbers.
    pub text: String,
    /// Begin, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// Unit that logged it.
    pub unit: String,
    /// Bundle.
    pub bundle: String,
    /// File in the bundle.
    pub file: String,
    /// Speaks for the cause (`true`) or against it.
    #[serde(rename = "for")]
    pub supports: bool,
}

/// One ranked cause of a site.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// Id of the contract.
    pub cause: String,
    /// `base`, `link`, `sky`, `rover`, `unexplained`.
    pub side: String,
    /// Rover-hours without a fix that are put on it.
    pub lost_fix_hours: f64,
    /// Of the site's lost time.
    pub share: f64,
    /// Probability that the cause is right.
    pub confidence: f64,
    /// For and against.
    pub evidence: Vec<Evidence>,
    /// What to check, cheapest and most telling first.
    pub checks: Vec<String>,
    /// What would prove it wrong.
    pub would_disprove: Vec<String>,
    /// What could not be observed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_observable: Vec<String>,
}

/// One period without a fix of one rover.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FloatPeriod {
    /// Rover.
    pub unit: Word,
    /// First lost epoch, RFC 3339.
    pub from: String,
    /// End of the last lost epoch, RFC 3339.
    pub to: String,
    /// The state that took most of it.
    pub state: Word,
    /// Mean correction age over its epochs, s.
    pub mean_correction_age_s: Option<f64>,
    /// Cause id.
    pub cause: Word,
    /// Probability of the cause.
    pub confidence: f64,
    /// Share of the other observed rovers of the base that were lost too; absent when there was none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub others_lost: Option<f64>,
    /// Bundle of its first epoch.
    #[serde(default)]
    pub bundle: Word,
    /// File of its first epoch.
    #[serde(default)]
    pub file: Word,
}

/// One detected event.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BaseEvent {
    /// Unit.
    pub unit: String,
    /// Kind.
    pub kind: String,
    /// Begin, RFC 3339.
    pub from: String,
    /// End, RFC 3339.
    pub to: String,
    /// How much.
    pub value: Option<f64>,
    /// In what unit.
    pub value_unit: String,
    /// Bundle.
    pub bundle: String,
    /// File.
    pub file: String,
    /// In words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// Something wrong that has not cost fix time (yet).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Advisory {
    /// Cause id it belongs to.
    pub cause: String,
    /// In words.
    pub text: String,
    /// Where it is seen.
    pub evidence: Vec<Evidence>,
    /// What to check.
    pub checks: Vec<String>,
}

/// One base site.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SiteFindings {
    /// Site id.
    pub site: String,
    /// Name from the register, else the id.
    #[serde(default)]
    pub name: String,
    /// 1 is the site with most lost time.
    pub rank: u32,
    /// Base units.
    pub bases: Vec<String>,
    /// Rover units with observed time here.
    pub rovers: Vec<String>,
    /// Of the base.
    pub position: Option<LatLonHeight>,
    /// `equatorial`, `middle`, `auroral`, `polar`; absent when the position is not known.
    pub latitude_band: Option<String>,
    /// Degrees.
    pub magnetic_latitude: Option<f64>,
    /// Rover-hours.
    pub observed_hours: f64,
    /// Rover-hours.
    pub lost_fix_hours: f64,
    /// Of the observed time.
    pub fixed_share: Option<f64>,
    /// Cost of the lost rover-hours, when the site has an hourly cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost_cost: Option<f64>,
    /// Rover-hours of first fixes, counted apart.
    #[serde(default)]
    pub start_up_hours: f64,
    /// Rover-hours of gaps over 10 s inside the shifts, counted apart.
    #[serde(default)]
    pub silent_hours: f64,
    /// `lost-fix`, `healthy`, `too-little-data`.
    pub verdict: String,
    /// Ranked.
    pub causes: Vec<Cause>,
    /// By unit and time.
    pub float_periods: Vec<FloatPeriod>,
    /// By time.
    pub base_events: Vec<BaseEvent>,
    /// Listed apart from the causes.
    pub advisories: Vec<Advisory>,
    /// Rovers that never had a correction in the window and so do not count.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_using_rtk: Vec<String>,
}

/// One complaint answered.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ComplaintAnswer {
    /// Its id.
    pub id: String,
    /// Site.
    pub site: String,
    /// Unit.
    pub unit: String,
    /// Cause id, empty when the logs show no lost fix or there are no logs.
    pub cause: String,
    /// Probability.
    pub confidence: f64,
    /// Lost rover-hours in its time.
    pub lost_fix_hours: f64,
    /// One line for people.
    pub summary: String,
    /// Begin as given, RFC 3339.
    #[serde(default)]
    pub from: String,
    /// End as given, RFC 3339.
    #[serde(default)]
    pub to: String,
    /// The words of the complaint.
    #[serde(default)]
    pub text: String,
    /// What to check first.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub check_first: String,
}

/// Before and after of one change in the field.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FieldWorkAnswer {
    /// When, RFC 3339.
    pub time: String,
    /// Site.
    pub site: String,
    /// Unit, empty for the whole site.
    pub unit: String,
    /// What was done.
    pub what: String,
    /// More words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// `better`, `worse`, `no-change`, `no-loss`, `too-early`, `no-logs`.
    pub verdict: String,
    /// One line for people.
    pub summary: String,
    /// Observed rover-hours before, at hours of the day that were observed on both sides.
    pub before_hours: f64,
    /// The same after.
    pub after_hours: f64,
    /// Of them without a fix, before.
    pub before_lost_hours: f64,
    /// Of them without a fix, after.
    pub after_lost_hours: f64,
    /// Rate of hours with lost fix, after to before.
    #[serde(default)]
    pub rate_ratio: Option<f64>,
    /// Lower end of its exact 95 % interval.
    #[serde(default)]
    pub ratio_low: Option<f64>,
    /// Upper end; absent when there is none.
    #[serde(default)]
    pub ratio_high: Option<f64>,
    /// Exact two-sided p of equal rates.
    #[serde(default)]
    pub p: Option<f64>,
}

/// A rover that is worse than the others at every site where it was.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BadRover {
    /// Unit.
    pub unit: String,
    /// Sites where it was observed.
    pub sites: Vec<String>,
    /// Observed rover-hours.
    pub observed_hours: f64,
    /// Of them without a fix.
    pub lost_fix_hours: f64,
    /// What it would have lost with the loss rate of the other rovers of these sites.
    pub expected_hours: f64,
    /// One line for people.
    pub summary: String,
}

/// A receiver, firmware or antenna that is more often among the bad than chance gives.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct OverRepresented {
    /// `base` or `rover`.
    pub role: String,
    /// `receiver`, `firmware`, `antenna`, `cable`.
    pub part: String,
    /// Which one.
    pub value: String,
    /// Units with it that are bad.
    pub bad_with: u64,
    /// Units with it.
    pub with: u64,
    /// Other units that are bad.
    pub bad_without: u64,
    /// Other units.
    pub without: u64,
    /// Fisher's exact test, one-sided.
    pub p: f64,
    /// The same after Benjamini and Hochberg over all parts looked at.
    pub p_adjusted: f64,
}

/// A site against the window before.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SiteTrend {
    /// Site.
    pub site: String,
    /// `new`, `worse`, `better`, `solved`, `same`, `too-little-data`.
    pub change: String,
    /// Lost share in the window before.
    pub share_before: Option<f64>,
    /// Lost share now.
    pub share_now: Option<f64>,
    /// Lower end of the 95 % interval of the share now minus the share before, from how the days differ among themselves;
    /// absent with fewer than three days on a side.
    #[serde(default)]
    pub change_low: Option<f64>,
    /// Upper end.
    #[serde(default)]
    pub change_high: Option<f64>,
}

/// What only shows over the whole fleet.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FleetView {
    /// Cost of the lost rover-hours of all sites with an hourly cost.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost_cost: Option<f64>,
    /// Rovers that are bad everywhere.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bad_rovers: Vec<BadRover>,
    /// Parts that are over-represented among the bad.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub over_represented: Vec<OverRepresented>,
    /// The window before, when there is one to compare with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<Window>,
    /// Sites against it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trend: Vec<SiteTrend>,
}

impl FleetView {
    /// Whether there is nothing to say.
    pub fn is_empty(&self) -> bool {
        *self == FleetView::default()
    }
}

/// The whole result.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    /// [`SCHEMA`].
    pub schema: String,
    /// What was analysed.
    pub window: Window,
    /// What went in.
    pub input: InputSummary,
    /// Ranked by lost time.
    pub sites: Vec<SiteFindings>,
    /// In the order given.
    pub complaints: Vec<ComplaintAnswer>,
    /// By time.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fieldwork: Vec<FieldWorkAnswer>,
    /// What only shows over the whole fleet.
    #[serde(default, skip_serializing_if = "FleetView::is_empty")]
    pub fleet: FleetView,
}

/// How one stretch of lost time was judged: the working of a verdict, for `tables/verdicts.csv`. Texts are places in the lists of its
/// [`Working`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// Rover, in [`Working::units`].
    pub unit: u16,
    /// Begin, UTC ms.
    pub from: i64,
    /// End, UTC ms.
    pub to: i64,
    /// Lost time inside, ms.
    pub lost_ms: i64,
    /// Cause id or `unexplained`, in [`Working::causes`].
    pub cause: u16,
    /// Its probability.
    pub confidence: f64,
    /// Rovers of the base that were observed at the time besides this one.
    pub others: u32,
    /// Rovers of neighbouring bases that were observed at the time.
    pub neighbours: u32,
    /// Evidence, in [`Working::evidence`], and its strength (0 to 1).
    pub evidence: Box<[(u16, f32)]>,
    /// Causes that are ruled out, whatever the evidence (see `causes::verdict`), in [`Working::ruled_out`].
    pub ruled_out: u16,
}

/// The working of all verdicts of one site. There are thousands of stretches: texts are there once.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Working {
    /// Rovers.
    pub units: Vec<String>,
    /// Evidence ids.
    pub evidence: Vec<String>,
    /// Cause ids.
    pub causes: Vec<String>,
    /// Lists of cause ids, with a space between them.
    pub ruled_out: Vec<String>,
    /// By rover and time.
    pub stretches: Vec<Stretch>,
}
