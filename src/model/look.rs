//! What one file held: the `files` entries of the `lostfix-look/1` schema (`bundles.md`, look --json).

use super::ledger::Ledger;
use super::problem::Problem;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Content kinds, in the words of the schema.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub enum Format {
    /// NMEA 0183 sentences.
    #[serde(rename = "nmea")]
    Nmea,
    /// RTCM 3 frames.
    #[serde(rename = "rtcm3")]
    Rtcm3,
    /// A serial capture with both.
    #[serde(rename = "nmea+rtcm3")]
    NmeaRtcm3,
    /// RINEX observation file.
    #[serde(rename = "rinex-obs")]
    RinexObs,
    /// RINEX navigation file.
    #[serde(rename = "rinex-nav")]
    RinexNav,
    /// IONEX maps.
    #[serde(rename = "ionex")]
    Ionex,
    /// IGS site log.
    #[serde(rename = "sitelog")]
    Sitelog,
    /// Kp text.
    #[serde(rename = "kp")]
    Kp,
    /// `time,kind,detail` CSV.
    #[serde(rename = "events")]
    Events,
    /// `time,<metric>...` CSV.
    #[serde(rename = "metrics")]
    Metrics,
    /// `time,frequency_hz,power_dbm` CSV.
    #[serde(rename = "spectrum")]
    Spectrum,
    /// Syslog, RFC 5424 or RFC 3164.
    #[serde(rename = "syslog")]
    Syslog,
    /// `unit.toml`.
    #[serde(rename = "unit-card")]
    UnitCard,
    /// Not one of the open formats.
    #[default]
    #[serde(rename = "foreign")]
    Foreign,
}

impl Format {
    /// The schema's word.
    pub fn name(self) -> &'static str {
        match self {
            Format::Nmea => "nmea",
            Format::Rtcm3 => "rtcm3",
            Format::NmeaRtcm3 => "nmea+rtcm3",
            Format::RinexObs => "rinex-obs",
            Format::RinexNav => "rinex-nav",
            Format::Ionex => "ionex",
            Format::Sitelog => "sitelog",
            Format::Kp => "kp",
            Format::Events => "events",
            Format::Metrics => "metrics",
            Format::Spectrum => "spectrum",
            Format::Syslog => "syslog",
            Format::UnitCard => "unit-card",
            Format::Foreign => "foreign",
        }
    }
}

/// Correction age over the epochs of a file that have one, s.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AgeRange {
    /// Smallest.
    pub min: f64,
    /// Mean.
    pub mean: f64,
    /// Largest.
    pub max: f64,
}

/// A distinct base position of a file.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LookPosition {
    /// DF003.
    pub station_id: u16,
    /// ECEF, m.
    pub x_m: f64,
    /// ECEF, m.
    pub y_m: f64,
    /// ECEF, m.
    pub z_m: f64,
    /// DF028, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub antenna_height_m: Option<f64>,
}

/// A distinct set of antenna and receiver words of a file.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct LookDescription {
    /// Antenna descriptor.
    pub antenna: String,
    /// Receiver type.
    pub receiver: String,
    /// Receiver firmware.
    pub firmware: String,
}

/// One signal of a file over all its satellites.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LookSignal {
    /// `G1C`.
    pub signal: String,
    /// Distinct satellites.
    pub satellites: u32,
    /// Observations (cells) of the signal.
    pub observations: u64,
    /// Mean C/N0 over the observations that have one, dB-Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cn0_mean_dbhz: Option<f64>,
}

/// What one file held.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct FileLook {
    /// Path inside the bundle.
    pub path: String,
    /// Content kind.
    pub format: Format,
    /// Version of the format where it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// `gz`, `Z`, `crx` or `none`.
    pub compressed: String,
    /// First epoch, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
    /// Last epoch, RFC 3339.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
    /// Byte ledger.
    pub bytes: Ledger,
    /// Records by sentence type, message number or record kind.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub counts: BTreeMap<String, u64>,
    /// Records whose checksum or CRC failed.
    pub failed_checks: u64,
    /// GGA quality digits and how many ("" for an empty field).
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub qualities: BTreeMap<String, u64>,
    /// Correction age of GGA.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correction_age_s: Option<AgeRange>,
    /// Station ids as written in GGA (numbers), or DF003.
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    pub station_ids: BTreeSet<u16>,
    /// Distinct base positions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub positions: Vec<LookPosition>,
    /// Distinct descriptions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub descriptions: Vec<LookDescription>,
    /// Observation epochs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub epochs: Option<u64>,
    /// Distinct satellites.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub satellites: Option<u32>,
    /// Signals.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub signals: Vec<LookSignal>,
    /// Where the date came from, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date_from: Option<String>,
    /// What was wrong.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub problems: Vec<Problem>,
}
