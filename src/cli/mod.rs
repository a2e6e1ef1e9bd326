//! Room: cli.
