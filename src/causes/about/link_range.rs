//! Manual text: `link-range`.
use super::cautions::{COMMON, HEIGHT, LICENCE, ON_SITE, RADIO};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "link-range",
    side: "link",
    title: "Corrections get lost with distance or terrain",
    what: "The radio link is too weak where the rover works: too far, behind a hill or stockpile, or the radio antenna stands \
        too low. Corrections arrive late or not at all there, while rovers near the base have no trouble.",
    looks_like: &[
        "The age of corrections grows with distance from the base or at the same places.",
        "Near rovers hold the fix while far ones lose it, the farther the more often.",
        "The rover's satellites and C/N0 are good.",
    ],
    speaks_for: &[
        "Loss and age rise with distance or keep to places out of sight of the radio mast.",
        "Radio signal strength falls towards the receiver's limit there.",
        "The base tracks well and other rovers are fixed.",
    ],
    speaks_against: &[
        "Corrections are fresh where the fix is lost.",
        "Losses come at all distances at certain hours: a shared channel.",
        "One rover loses them next to the base: look at that rover's radio.",
    ],
    checks: &[
        "Park a working rover at the bad place and note age and radio strength; then go towards the base until it recovers.",
        "Look at the radio antenna of the base: height, free sight, connector, the right antenna for the frequency.",
        "Put the radio antenna higher: with antennas at 5 m and 2 m the radio horizon is about 15 km, terrain takes the rest.",
        "Set up a repeater, or use the network where there is coverage.",
        "Raise the transmit power only within the licence.",
    ],
    would_disprove: &[
        "Another rover at the same place and time has fresh corrections.",
        "The age stays low at the bad place while the fix is lost.",
    ],
    cautions: &[RADIO, LICENCE, HEIGHT, ON_SITE],
    sources: &[
        "Free-space loss: ITU-R P.525. Radio horizon with 4/3 Earth radius: ITU-R P.310, P.834.",
        "Typical ranges: common practice, no source.",
        COMMON,
    ],
};
