//! Syslog, IONEX, site logs.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("messages.log", data);
});
