//! Manual text: `rover-firmware`.
use super::cautions::{COMMON, FLOAT, MACHINES, UPDATE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "rover-firmware",
    side: "rover",
    title: "Rover firmware with known trouble",
    what: "The rover runs a firmware version for which the catalogue names a fault that can cost the fix. The version alone \
        proves nothing: the pattern of the loss has to fit the fault.",
    looks_like: &[
        "Rovers with this version lose the fix, others on the same base do not.",
        "Loss begins on the day of an update.",
    ],
    speaks_for: &[
        "The version is in the catalogue with a fault that fits.",
        "Several rovers with this version behave alike, also on other bases.",
    ],
    speaks_against: &[
        "Rovers with the same version on the same base are fixed.",
        "It loses no more by itself than rovers with another version do.",
        "Another cause is seen in the logs at the same times.",
    ],
    checks: &[
        "Read the exact version from the rover, not from the register.",
        "Read the maker's release notes: does the described fault fit?",
        "Compare rovers with this and with other versions on the same base and day.",
        "Save the settings, update one rover first, compare a week, then update the others.",
    ],
    would_disprove: &[
        "The updated rover loses the fix as before, beside rovers that do not.",
        "The version read from the rover is not the one listed.",
    ],
    cautions: &[UPDATE, MACHINES, FLOAT],
    sources: &["The catalogue file given (and the release notes it names).", COMMON],
};
