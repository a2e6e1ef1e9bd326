//! Room: formats.
