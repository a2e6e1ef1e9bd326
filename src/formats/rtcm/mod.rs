//! RTCM 3 decoder.
