//! What people write and lay beside the bundles: unit card, register, complaints, field work, places, catalogue.
#![no_main]
use lostfix::config::{card, catalogue::Catalogue, complaints, fieldwork, fleet, places};

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Some((first, rest)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(rest);
    match first % 6 {
        0 => drop(card::parse(&text)),
        1 => drop(fleet::parse(&text)),
        2 => drop(complaints::parse(&text, &Default::default())),
        3 => drop(fieldwork::parse(&text, &Default::default())),
        4 => drop(places::parse(&text)),
        _ => drop(Catalogue::with_shipped(Some(&text))),
    }
});
