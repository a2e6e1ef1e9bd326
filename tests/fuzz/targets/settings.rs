//! The configuration, and a weights table as somebody could override it.
#![no_main]
use lostfix::causes::{verdict::CAUSES, weights::Weights};
use lostfix::config::settings;

libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    let Some((first, rest)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(rest);
    if first % 2 == 0 { drop(settings::parse(&text)) } else { drop(Weights::parse(&text, &CAUSES)) }
});
