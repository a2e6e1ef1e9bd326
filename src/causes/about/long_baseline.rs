//! Manual text: `long-baseline`.
use super::cautions::{COMMON, COORDINATES, FLOAT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "long-baseline",
    side: "sky",
    title: "Rover too far from the base",
    what: "With distance, base and rover look through different pieces of the atmosphere and share fewer low satellites. \
        Beyond some 10 to 20 km a single base often cannot give a fix, although base, link and rover all work.",
    looks_like: &[
        "Loss rises with distance to the base while corrections are fresh.",
        "Worse about midday and in years of an active sun.",
        "Near rovers of the same base are fixed.",
    ],
    speaks_for: &[
        "Distance over 10 km in normal, over 20 km in quiet conditions.",
        "Low age of corrections and good C/N0 during the loss.",
        "The loss goes away when the rover comes closer.",
    ],
    speaks_against: &[
        "Rovers within a few kilometres are lost too.",
        "The age of corrections is high: then it is the link.",
        "The far rover was fixed for days at the same distance.",
    ],
    checks: &[
        "Read the distance to the base on the rover: beyond some 10 to 20 km one base often cannot give a fix.",
        "Check that the rover really uses the nearest base.",
        "Use a nearer base or a network of bases for that part of the site.",
        "Switch on all systems and frequencies that base and rover have in common.",
    ],
    would_disprove: &[
        "A rover at the same place fixes well with the same base in the same hours.",
        "Rovers close to the base are lost in the same seconds.",
    ],
    cautions: &[FLOAT, COORDINATES],
    sources: &[
        "Errors that grow with distance: doi 10.1007/s10291-015-0466-0 (and Kleusberg 1986 quoted there).",
        "Limits in kilometres: common practice, no source.",
        COMMON,
    ],
};
