//! Bytes as they come: where a frame or a sentence begins and ends.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("log.bin", data);
});
