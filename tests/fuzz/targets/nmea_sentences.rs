//! Every NMEA sentence, with the right checksum, so that its fields are read.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| {
    lostfix_fuzz::file("log.nmea", &lostfix_fuzz::sentences(data));
});
