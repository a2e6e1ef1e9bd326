//! Text formats that are not NMEA or RINEX: events, metrics and spectrum CSV, syslog, Kp text, the unit card, and any
//! other CSV by a `[[column_map]]`.
//!
//! Every decoder here streams, keeps a byte ledger that adds up, and lists what it could not use with line and offset.
//! To add one: a file with `sniff` and a [`super::Stream`], one `mod` line and one entry in [`SNIFFERS`].

mod body;
mod card;
pub mod column_map;
pub mod events;
pub mod flares;
pub mod kp;
mod lines;
mod mapped;
pub mod metrics;
mod record;
mod spectrum;
mod stamp;
mod syslog;
pub mod syslog_rules;
mod table;
#[cfg(test)]
mod tests;

use super::{FileContext, Stream};
use column_map::ColumnMap;
use std::sync::Arc;
use syslog_rules::SyslogRules;

/// What the configuration adds to the recognition of text files.
#[derive(Debug, Clone, Default)]
pub struct FormatSettings {
    /// `[[column_map]]`s in their order; the first that fits a file is used.
    pub column_maps: Vec<Arc<ColumnMap>>,
    /// `[[syslog_rule]]`s, with the built-in ones behind them.
    pub syslog_rules: Arc<SyslogRules>,
    /// The time of the run, UTC ms, for records without a full date; see `DateHints`.
    pub now: Option<i64>,
}

type Sniffer = fn(&[u8], &FileContext, &FormatSettings) -> Option<Box<dyn Stream>>;

/// In the order in which they are asked: what the user named comes first.
const SNIFFERS: [Sniffer; 7] =
    [mapped::sniff, events::sniff, spectrum::sniff, card::sniff, kp::sniff, syslog::sniff, metrics::sniff];

/// The decoder for a text file that begins with `head`; `None`: not one of these formats.
pub fn sniff(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    SNIFFERS.iter().find_map(|sniffer| sniffer(head, context, settings))
}

/// A file that nothing recognised although a `[[column_map]]` means it: it is listed with the column that is missing.
/// To be asked last, after every other format.
pub fn sniff_mismatch(head: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    mapped::sniff_mismatch(head, context, settings)
}
