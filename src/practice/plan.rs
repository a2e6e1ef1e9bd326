//! What a world consists of: sites with their hardware, sessions, links and planted faults. `world` draws it.

use super::cause::Cause;
use super::earth::Place;
use super::fault::Fault;
use super::orbit::Constellation;
use super::scenario::Scenario;
use super::signal::Chain;
use super::skyweather::Weather;

/// One stretch of work of a site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Session {
    /// First second, Unix UTC.
    pub t0: i64,
    /// Length in seconds.
    pub n: usize,
    /// Day number of the scenario.
    pub day: u32,
}

/// Form of the base's observables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Msm4,
    Msm5,
    Msm7,
    Legacy,
}

/// How corrections travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LinkKind {
    Uhf,
    Ism,
    Network,
}

impl LinkKind {
    pub(super) fn name(self) -> &'static str {
        match self {
            LinkKind::Uhf => "uhf",
            LinkKind::Ism => "900mhz",
            LinkKind::Network => "network",
        }
    }
}

/// The radio of a site.
#[derive(Debug, Clone)]
pub(super) struct Link {
    pub kind: LinkKind,
    pub mhz: f64,
    pub power_w: f64,
    pub mast_m: f64,
}

/// What is built into a unit.
#[derive(Debug, Clone)]
pub(super) struct Unit {
    pub id: String,
    pub label: String,
    pub seed: u64,
    pub make: &'static str,
    pub model: &'static str,
    pub serial: String,
    pub firmware: String,
    pub antenna: &'static str,
    pub feeds: u8,
    pub ground_plane: bool,
    pub chain: Chain,
    /// What is really built in and stands on the card, when a planted fault made it worse than `chain`.
    pub bad_chain: Option<Chain>,
    pub supply_min_v: f64,
    pub supply_v: f64,
    pub current_ma: f64,
    /// Systems the receiver uses.
    pub systems: [bool; 4],
    /// Bit k = signal k of each system's table is used.
    pub signals: [u8; 4],
    pub mask_deg: f64,
    /// Reflection from the ground: height and amplitude.
    pub ground_h_m: f64,
    pub ground_alpha: f32,
    pub logs_events: bool,
    pub logs_metrics: bool,
    pub logs_syslog: bool,
    pub logs_spectrum: bool,
    pub card: bool,
    /// NMEA 4.11 with signal ids (else the older form without).
    pub nmea411: bool,
    pub gst_s: i64,
    pub date_s: i64,
    pub zda: bool,
}

/// A rover and its place of work.
#[derive(Debug, Clone)]
pub(super) struct Rover {
    pub unit: Unit,
    /// Middle of its work area from the base, metres east and north.
    pub centre_m: (f64, f64),
    pub half_m: (f64, f64),
    pub speed_ms: f64,
    /// Parks under trees in breaks.
    pub trees: bool,
    pub hold_age_s: f32,
    pub start_delay_s: i64,
}

/// A site with everything that happens there.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub id: String,
    pub name: String,
    pub seed: u64,
    pub place: Place,
    pub tz_hours: i64,
    pub sessions: Vec<Session>,
    pub station: u16,
    pub format: Format,
    pub interval_s: i64,
    pub base: Unit,
    pub antenna_height_m: f64,
    pub rovers: Vec<Rover>,
    pub link: Link,
    /// Distinct causes; a fault's bit counts into this list.
    pub causes: Vec<Cause>,
    pub faults: Vec<Fault>,
    pub confounders: bool,
    /// First day without the causes that work in the field can take away.
    pub mended: Option<u32>,
    /// Position of another base that can be heard on the channel.
    pub other_station: u16,
    pub sends_1230: bool,
    pub sends_1013: bool,
    pub msg_1006: bool,
}

/// The whole world.
pub(super) struct World {
    pub seed: u64,
    pub t0: i64,
    pub days: u32,
    pub scenario: Scenario,
    pub sky: Constellation,
    pub weather: Weather,
    pub sites: Vec<Plan>,
}

impl Plan {
    /// The first fault that work in the field can take away.
    pub(super) fn first_mendable(&self) -> Option<&Fault> {
        self.faults.iter().find(|f| f.cause.mendable())
    }

    /// The faults that act in a session.
    pub(super) fn acting(&self, s: &Session) -> impl Iterator<Item = &Fault> {
        let mended = self.mended.is_some_and(|day| s.day >= day);
        self.faults.iter().filter(move |f| !(mended && f.cause.mendable()))
    }
}
