//! Room: causes.
