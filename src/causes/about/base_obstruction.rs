//! Manual text: `base-obstruction`.
use super::cautions::{COMMON, COORDINATES, HEIGHT, MACHINES};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-obstruction",
    side: "base",
    title: "Part of the base's sky is blocked",
    what: "A building, trees, a stockpile, a crane or the mast itself hides part of the sky from the base. Satellites that the \
        base does not see are of no use to any rover, so at times too few are left for a fix.",
    looks_like: &[
        "Satellites above the mask are missing in the same directions day after day.",
        "C/N0 falls as satellites pass behind the same edge.",
        "Under a roof, metal or leaves the whole sky is weak and each satellite swings for itself.",
        "Losses come when few satellites are in common, about four minutes earlier each day.",
    ],
    speaks_for: &[
        "The base tracks clearly fewer satellites than were above its mask.",
        "Missing satellites keep to one sector, or, with metal around the antenna, many slip all day.",
        "All rovers of the base are short of satellites at the same times.",
    ],
    speaks_against: &[
        "The base tracks nearly all that is above the mask.",
        "The whole sky is weak alike and steadily: antenna, cable or amplifier.",
        "One rover alone is short of satellites.",
    ],
    checks: &[
        "Stand at the base and look round above 10 degrees (about a fist at arm's length): what hides the sky, and where?",
        "Compare with the directions on this page, and with what was built, stacked or parked lately.",
        "Check the elevation mask and the systems switched on in the receiver.",
        "Clear the obstacle, raise the antenna, or move the base with new coordinates from the surveyor.",
    ],
    would_disprove: &[
        "Photographs or a walk round the base show a free sky in the missing directions.",
        "The base tracked the satellites in question during the loss.",
    ],
    cautions: &[HEIGHT, COORDINATES, MACHINES],
    sources: &[
        COMMON,
        "Five satellites in common to start, four to hold, mask 10 to 15 degrees: common practice, no source.",
    ],
};
