//! Each situation of section 18 of the check values, each line of the "Never" list of the analysis, and some more: build
//! it, and the verdict must say what the table says. Unless another source is named, the source of every situation is
//! "check-values 18: common practice, no source".
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod never;
mod scale;
mod site;
mod trade;
