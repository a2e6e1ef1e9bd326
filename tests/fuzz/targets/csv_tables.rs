//! Tables of the bundle contract: metrics, spectrum, events; syslog is among the plain text.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("metrics.csv", data);
});
