//! Room: identify.
