//! Room: maths.
