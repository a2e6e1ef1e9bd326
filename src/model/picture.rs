//! What the pages draw beside the findings: strips on one time axis and small tables. Filled upstream, so that the report
//! room never asks for tables of data.

use super::findings::Working;
use super::held::Held;
use super::time::UtcMs;
use serde::{Deserialize, Serialize};

/// A coloured stretch of a strip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Strip {
    /// Unit, or unit and what.
    pub label: String,
    /// What it shows.
    pub kind: StripKind,
    /// In order of time, merged to what a pixel can show.
    pub marks: Vec<Mark>,
}

/// A small table for a page.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
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

/// A stretch that is shaded behind every row of the timeline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shade {
    /// Begin, UTC ms.
    pub from: UtcMs,
    /// End, UTC ms.
    pub to: UtcMs,
    /// The sun is below the horizon (`true`), or nobody works (`false`).
    pub night: bool,
}

/// Values within one bin of a track.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrackBin {
    /// Number of the bin, from the begin of the axis.
    pub at: u32,
    /// Low end of what was seen.
    pub low: f32,
    /// Middle.
    pub mid: f32,
    /// High end.
    pub high: f32,
}

/// A measured value on the time axis; bins without data are left out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Track {
    /// What is measured, with the unit that measured it.
    pub label: String,
    /// What low, middle and high are.
    pub what: String,
    /// Unit of the values.
    pub unit: String,
    /// Length of a bin, ms.
    pub bin_ms: i64,
    /// Lower end of the drawn scale.
    pub floor: f64,
    /// Upper end of the drawn scale.
    pub ceiling: f64,
    /// A logarithmic scale.
    pub log: bool,
    /// A value that matters, with its words.
    pub limit: Option<(f64, String)>,
    /// In order of time.
    pub bins: Vec<TrackBin>,
}

/// Time of a day.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct DayTotal {
    /// Date in the site's zone, `2026-05-04`.
    pub day: String,
    /// Begin of the day, UTC ms.
    pub from: UtcMs,
    /// End of the day, UTC ms.
    pub to: UtcMs,
    /// Observed, ms.
    pub observed_ms: i64,
    /// Lost, ms.
    pub lost_ms: i64,
}

/// How the lost share went over the days: the second half of them against the first, with a 95 % interval from how the days
/// differ among themselves.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct DayTrend {
    /// Lost share of the first half of the days, 0 to 1.
    pub first: f64,
    /// Lost share of the second half.
    pub second: f64,
    /// Lower end of second minus first.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Observed and lost time of something, ms.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Share {
    /// Observed, ms.
    pub observed_ms: i64,
    /// Lost, ms.
    pub lost_ms: i64,
}

/// Who else was lost: rover by rover.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct WhoElse {
    /// Rovers.
    pub units: Vec<String>,
    /// Lost share of each over all its time: what chance alone would give.
    pub usual: Vec<f64>,
    /// `[a][b]`: of the time in which `a` was lost and `b` observed (`observed_ms`), that in which `b` was lost as well
    /// (`lost_ms`).
    pub together: Vec<Vec<Share>>,
    /// Rovers that are left out, those with the least lost time.
    pub left_out: usize,
}

/// Loss by ranges of a value.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Profile {
    /// Unit of the value.
    pub unit: String,
    /// Lower and upper edge (`None`: open) and the time within.
    pub bins: Vec<(f64, Option<f64>, Share)>,
    /// Time without a value.
    pub missing: Share,
}

/// Loss by the time of day, folded over all days, in cells of equal length.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Rhythm {
    /// Minutes of a cell.
    pub cell_min: u32,
    /// A row a day: date, and the time in each cell by the site's clock.
    pub days: Vec<(String, Vec<Share>)>,
    /// All days by the site's clock.
    pub clock: Vec<Share>,
    /// All days by the sidereal day: 3 min 56 s earlier by the clock each day.
    pub sidereal: Vec<Share>,
}

/// Where fixes were held and lost.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SitePlan {
    /// Side of a cell, m.
    pub cell_m: f64,
    /// Column (east), row (north) and the time within; cell (0, 0) begins at the origin.
    pub cells: Vec<(i32, i32, Share)>,
    /// The base, m east and north of the origin.
    pub base: Option<(f64, f64)>,
    /// Cells further than what the plan shows, and the time in them.
    pub outside: Share,
}

/// A cell of the sky over a base.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct SkyCell {
    /// Azimuth of its begin, degrees.
    pub azimuth_deg: f64,
    /// Elevation of its lower edge, degrees.
    pub elevation_deg: f64,
    /// Satellite-minutes tracked.
    pub minutes: u32,
    /// Satellite-minutes in which a healthy satellite stood there by its orbit; `None` when no orbits were read.
    pub expected: Option<u32>,
    /// C/N0 against the usual one of the same elevation, dB.
    pub cn0_off_db: f32,
    /// Scatter of C/N0 within a minute, dB.
    pub scatter_db: f32,
    /// Code multipath against that of a clean antenna at the same elevation and C/N0, mean of the satellite-minutes; NaN
    /// when not known.
    pub reflected: f32,
    /// A satellite can be there, by the geometry of the orbits.
    pub in_reach: bool,
}

/// The sky over a base as it was tracked.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SkyView {
    /// Base.
    pub unit: String,
    /// Width of a cell in azimuth, degrees.
    pub step_azimuth_deg: f64,
    /// Height of a cell, degrees.
    pub step_elevation_deg: f64,
    /// All cells.
    pub cells: Vec<SkyCell>,
    /// Where the directions come from, in words.
    pub directions_from: String,
    /// Lowest elevation tracked, degrees, by azimuth cell.
    pub lowest_deg: Vec<Option<f32>>,
}

/// C/N0 of one band over elevation.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ElevationCurve {
    /// Base.
    pub unit: String,
    /// Band.
    pub band: String,
    /// Lower edge (degrees), upper edge, low, middle, high (dB-Hz), satellite-minutes.
    pub bins: Vec<(f64, f64, f32, f32, f32, u32)>,
    /// Lower edge, upper edge (degrees), low and high of the expected C/N0 (dB-Hz).
    pub expected: Vec<(f64, f64, f64, f64)>,
    /// Where the expected values come from.
    pub expected_from: String,
}

/// Code multipath of one band over elevation.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct MultipathCurve {
    /// Base.
    pub unit: String,
    /// Band.
    pub band: String,
    /// Lower edge (degrees), upper edge, low, middle, high (m), satellite-minutes.
    pub bins: Vec<(f64, f64, f32, f32, f32, u32)>,
    /// Elevation (degrees) and what a clean antenna has there at the usual C/N0 (m).
    pub clean: Vec<(f64, f64)>,
    /// Where the values of a clean antenna come from.
    pub clean_from: String,
}

/// One band of a [`SkyRow`].
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SkyBand {
    /// Band.
    pub band: String,
    /// Mean C/N0 of the satellite-minutes, dB-Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cn0_mean_dbhz: Option<f64>,
    /// Code multipath, root of the mean square over the satellite-minutes, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mp_rms_m: Option<f64>,
}

/// The sky of a base between two elevations.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SkyRow {
    /// Lower edge, degrees.
    pub from_deg: f64,
    /// Upper edge, degrees.
    pub to_deg: f64,
    /// Satellite-minutes in which a healthy satellite of a system that the base hears stood there; `None` without orbits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected: Option<u32>,
    /// Of them those in which it was tracked; without orbits all satellite-minutes with a direction.
    pub tracked: u32,
    /// Bands with a value.
    pub bands: Vec<SkyBand>,
}

/// The sky of one base by itself.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct SkyPage {
    /// Bundle or file that was looked at.
    pub bundle: String,
    /// Base, as far as it is known.
    pub unit: String,
    /// Begin of the observations, UTC ms.
    pub from: UtcMs,
    /// End of the observations, UTC ms.
    pub to: UtcMs,
    /// Where the directions come from, in words.
    pub directions_from: String,
    /// What is missing, and what stands instead.
    pub missing: Vec<String>,
    /// By elevation.
    pub rows: Vec<SkyRow>,
    /// The sky; none without directions.
    pub skies: Vec<SkyView>,
    /// C/N0 over elevation, a band each.
    pub elevation: Vec<ElevationCurve>,
    /// Code multipath over elevation, a band each.
    pub multipath: Vec<MultipathCurve>,
    /// Satellites, second frequency and C/N0 over time.
    pub tracks: Vec<Track>,
    /// What the detectors see in this sky: kind, begin, end, words.
    pub seen: Vec<(String, UtcMs, UtcMs, String)>,
    /// Program name and version.
    pub made_by: String,
}

/// What the page of one site draws.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
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
    /// Shaded stretches.
    pub shades: Vec<Shade>,
    /// Values on the time axis.
    pub tracks: Vec<Track>,
    /// Day by day.
    pub days: Vec<DayTotal>,
    /// How they went; `None` with too few to say.
    pub trend: Option<DayTrend>,
    /// Who else.
    pub who_else: Option<WhoElse>,
    /// Loss by the age of corrections, s.
    pub by_age: Option<Profile>,
    /// Loss by the distance to the base, km.
    pub by_distance: Option<Profile>,
    /// Loss by the time of day.
    pub rhythm: Option<Rhythm>,
    /// Loss by place.
    pub plan: Option<SitePlan>,
    /// The sky over each base with known directions.
    pub skies: Vec<SkyView>,
    /// C/N0 over elevation, a band each.
    pub elevation: Vec<ElevationCurve>,
}

/// All that the report needs of one site beside the findings: what others ask for, and what only its own page and tables show.
#[derive(Debug, Clone, Default)]
pub struct SitePictures {
    /// Site id.
    pub site: String,
    /// Zone of the site (`UTC` when not known): an IANA name.
    pub time_zone: String,
    /// Day by day.
    pub days: Vec<DayTotal>,
    /// How they went; `None` with too few to say.
    pub trend: Option<DayTrend>,
    /// How the loss goes with each kind of event, of the bases and of each rover.
    pub event_tests: Vec<EventTest>,
    /// Those of the bases as a table.
    pub chances: Option<SmallTable>,
    /// What its page draws.
    pub picture: Held<SitePicture>,
    /// How each stretch of lost time was judged.
    pub working: Held<Working>,
}

impl SitePictures {
    /// Of a picture that is here, without tests and working.
    pub fn of(picture: SitePicture) -> SitePictures {
        SitePictures {
            site: picture.site.clone(),
            time_zone: picture.time_zone.clone(),
            days: picture.days.clone(),
            trend: picture.trend,
            picture: Held::Here(picture),
            ..SitePictures::default()
        }
    }
}

/// Loss within the time of one kind of event and its aftermath, against the rest of the time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct EventTest {
    /// The rover; empty for the events of the bases, which are compared with the loss of all rovers.
    pub unit: String,
    /// Event kind.
    pub kind: String,
    /// How many.
    pub events: usize,
    /// Observed time inside, rover-ms.
    pub exposed_ms: i64,
    /// Lost share inside, 0 to 1.
    pub inside: f64,
    /// Lost share outside, 0 to 1; `None` when nearly nothing was observed outside.
    pub outside: Option<f64>,
    /// Relative risk.
    pub ratio: Option<f64>,
    /// Probability that so much loss falls inside by chance (circular shifts).
    pub p: Option<f64>,
    /// The same after control of false discoveries over all kinds, units and sites of the run (Benjamini and Hochberg 1995).
    pub q: Option<f64>,
    /// Losses that begin within seconds after such an event, all losses, and how many would begin with one by chance; where more do than
    /// by chance.
    pub begun: Option<(u64, u64, f64)>,
}

/// A line of equal magnetic latitude for the map.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct MagneticEdge {
    /// Magnetic latitude, degrees, north positive.
    pub magnetic_deg: f64,
    /// Longitude and latitude, degrees, by rising longitude.
    pub points: Vec<(f64, f64)>,
}

/// What the pages need beside the findings.
#[derive(Debug, Clone, Default)]
pub struct Pictures {
    /// One a site, in the order of the findings.
    pub sites: Vec<SitePictures>,
    /// Limits of the magnetic latitude bands.
    pub magnetic_edges: Vec<MagneticEdge>,
    /// Files beside the bundles that were used, and settings that differ from the built-in ones.
    pub used: Vec<String>,
    /// Program name and version.
    pub made_by: String,
}
