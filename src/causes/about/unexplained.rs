//! Manual text: `unexplained`.
use super::cautions::{COMMON, FLOAT, PROBABILITY};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "unexplained",
    side: "unexplained",
    title: "Not explained by the logs",
    what: "The logs show that the fix was lost but hold no evidence strong enough for any cause. That is an answer: the time \
        is counted, nobody is blamed, and the list says which logs would help.",
    looks_like: &[
        "Short, scattered losses without a common event.",
        "Losses in times without base logs.",
        "Several weak hints that speak for different causes.",
    ],
    speaks_for: &["No event at base, link, sky or rover goes with the loss beyond chance."],
    speaks_against: &["A log not yet read covers the time of the loss and shows an event."],
    checks: &[
        "Collect what was missing: the base's correction stream or observation log, the rover's NMEA log with GGA and GSV, \
         event and power logs of both, for the same hours.",
        "Ask the operator what happened, where, and what others saw in the same minutes.",
        "Write down the age of corrections, satellites and station id at the next loss.",
        "If it is rare and short, watch it for another week before sending somebody out.",
    ],
    would_disprove: &["Fuller logs of the same hours show an event that goes with the loss."],
    cautions: &[PROBABILITY, FLOAT],
    sources: &[COMMON],
};
