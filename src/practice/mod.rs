//! Room: practice.
