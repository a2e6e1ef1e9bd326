//! RINEX observation files.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("base.26o", data);
});
