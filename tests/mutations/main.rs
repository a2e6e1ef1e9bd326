//! Damaged input through the whole program: cut anywhere, any byte flipped, any other name. Nothing panics, the damaged file is
//! listed or counted, and what is found about other units stays as it was.
//!
//! `decoders` and `look` take every sample file, `rinex` open files and short texts; `report` takes small piles (see `pile.rs`). The full amount through the
//! whole pipeline: `cargo test --release --test mutations -- --ignored --nocapture`.

// Helpers of tests may fail loudly; the lint only knows the tests themselves.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod damage;
mod decoders;
mod look;
mod pile;
mod report;
mod rinex;

/// One in so many of the damages: all of them take minutes. `LOSTFIX_MUTATIONS=all` does all.
pub fn thinned() -> usize {
    match std::env::var("LOSTFIX_MUTATIONS").as_deref() {
        Ok("all") => 1,
        _ => 20,
    }
}
