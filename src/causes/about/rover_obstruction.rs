//! Manual text: `rover-obstruction`.
use super::cautions::{COMMON, FLOAT, ON_SITE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "rover-obstruction",
    side: "rover",
    title: "The rover works where the sky is blocked",
    what: "At certain places on site, walls, trees, trenches, cuts or the machine itself hide satellites or reflect them. \
        Rovers lose the fix there and get it back a few metres further.",
    looks_like: &[
        "Loss at the same places on several days and passes.",
        "Number of satellites falls and precision values rise there.",
        "Other rovers elsewhere are fixed in the same seconds.",
    ],
    speaks_for: &[
        "The rate of loss in these places is far above the rest of the site.",
        "Different rovers lose the fix at the same places.",
        "Corrections are fresh during the loss.",
    ],
    speaks_against: &[
        "Loss anywhere on site, or standing still under a free sky.",
        "All rovers are lost at the same time at different places.",
        "Corrections are old there: look at the radio range.",
    ],
    checks: &[
        "Ask the operator where it happens; compare with the places listed on this page.",
        "Go there and look at the sky above 15 degrees: walls, trees, cranes, slopes, stockpiles, own boom.",
        "Check the antenna's place on the machine: nothing of the machine above it.",
        "Plan work in these places for hours with more satellites, or use other means of measuring there.",
    ],
    would_disprove: &[
        "At the listed place, with the machine standing still for ten minutes, the fix holds.",
        "The sky there is free and the loss also comes elsewhere.",
    ],
    cautions: &[ON_SITE, FLOAT],
    sources: &[COMMON],
};
