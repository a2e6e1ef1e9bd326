//! Manual text: `rover-tracking`.
use super::cautions::{COMMON, FLOAT, ON_MACHINE, PORT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "rover-tracking",
    side: "rover",
    title: "The rover's own antenna, cable or second frequency",
    what: "One rover receives its satellites badly: antenna, cable, connector or settings. It has weak signals, few satellites \
        or one frequency only, and loses the fix while its neighbours hold theirs.",
    looks_like: &[
        "C/N0 lower than on other rovers, or no second frequency, everywhere on site.",
        "Fewer satellites than neighbours at the same time.",
        "Slips with vibration or when the boom moves (a loose or chafed cable).",
    ],
    speaks_for: &[
        "Others of the same base were fixed in the same seconds.",
        "This rover's C/N0 or number of satellites is lower than that of its neighbours.",
        "The level falls and then stays where it is: a source of noise near by would be restless.",
        "Corrections were fresh.",
    ],
    speaks_against: &[
        "All rovers of the base are lost.",
        "It happens at the same places to every rover.",
        "Its signals are as good as those of its neighbours.",
        "It lost the fix once only, or no more than its neighbours do.",
    ],
    checks: &[
        "Compare satellites and C/N0 with a second rover parked beside it under a free sky.",
        "Check the systems and frequencies switched on, and the options of the receiver.",
        "Look at antenna and cable: cracks, water, chafing at joints, loose connectors, mud or metal over the antenna.",
        "Swap the antenna with a working rover, then the cable: the fault goes with the part.",
    ],
    would_disprove: &[
        "Parked beside a good rover it shows the same satellites and C/N0 and still loses the fix.",
        "The fault stays with the machine after antenna, cable and receiver are swapped.",
    ],
    cautions: &[ON_MACHINE, PORT, FLOAT],
    sources: &[COMMON, "Levels that allow good tracking: Flores-Soriano 2024, doi 10.1051/swsc/2024034."],
};
