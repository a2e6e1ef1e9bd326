//! Every RTCM message, with the right CRC, so that its fields are read.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("log.rtcm3", &lostfix_fuzz::frames(data));
});
