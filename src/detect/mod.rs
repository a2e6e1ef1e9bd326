//! Room: detect.
