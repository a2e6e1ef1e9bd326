//! Room: config.
