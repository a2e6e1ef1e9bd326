//! truth.json of a practice fleet, schema `lostfix-truth/1`.

use serde::Deserialize;

/// The truth of one fleet.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Truth {
    /// `lostfix-truth/1`.
    #[serde(default)]
    pub schema: String,
    /// Sites.
    #[serde(default)]
    pub sites: Vec<TruthSite>,
    /// Complaints with their true cause.
    #[serde(default)]
    pub complaints: Vec<TruthComplaint>,
}

/// One site.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct TruthSite {
    /// Id.
    pub site: String,
    /// No injected cause.
    #[serde(default)]
    pub healthy: bool,
    /// By lost time, most first.
    #[serde(default)]
    pub causes: Vec<TruthCause>,
    /// Causes that the first one shares so much of its time with that either may be called the first.
    #[serde(default)]
    pub or: Vec<String>,
    /// Lost periods with their cause.
    #[serde(default)]
    pub float_periods: Vec<TruthPeriod>,
}

/// A cause and its lost time.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct TruthCause {
    /// Id.
    pub cause: String,
    /// Rover-hours.
    pub lost_fix_hours: f64,
}

/// A lost period.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct TruthPeriod {
    /// Rover.
    pub unit: String,
    /// RFC 3339.
    pub from: String,
    /// RFC 3339.
    pub to: String,
    /// Id.
    pub cause: String,
    /// Other causes that were needed as well, or would have been enough.
    #[serde(default)]
    pub or: Vec<String>,
}

/// A complaint's true cause.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct TruthComplaint {
    /// Its id.
    pub id: String,
    /// Cause id.
    pub cause: String,
    /// Causes that may be named as well.
    #[serde(default)]
    pub or: Vec<String>,
}
