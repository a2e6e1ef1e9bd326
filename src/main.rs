//! Binary entry point.
fn main() {}
