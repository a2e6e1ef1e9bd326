//! Compact RINEX.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("base.26d", data);
});
