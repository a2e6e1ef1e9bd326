//! Room: correlate.
