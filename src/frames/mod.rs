//! Room: frames.
