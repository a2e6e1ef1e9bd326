//! Settings and the files beside the bundles: unit cards, fleet register, complaints, places, catalogue, space weather.
//! Every reader gives what it understood and a list of problems; a bad row never costs the good ones.

pub mod card;
pub mod catalogue;
pub mod complaints;
pub mod fieldwork;
pub mod fleet;
pub mod places;
pub mod settings;
pub mod shifts;

/// A table of a CSV with a header row: names in lower case to column index.
pub(crate) fn header_index(headers: &csv::StringRecord, name: &str) -> Option<usize> {
    headers.iter().position(|h| h.trim().trim_start_matches('\u{feff}').eq_ignore_ascii_case(name))
}
