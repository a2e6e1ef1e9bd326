//! Bits.
