//! Manual text: `base-second-frequency`.
use super::cautions::{COMMON, FLOAT, HEIGHT, MACHINES, PORT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-second-frequency",
    side: "base",
    title: "Second frequency lost at the base",
    what: "The base stops tracking or sending the second frequency (L2, L5, E5 and their likes). A rover fixes on the \
        combination of two frequencies of the same satellites, so all rovers of this base fall back to float although the \
        corrections keep arriving.",
    looks_like: &[
        "The share of satellites sent with a second frequency drops, often to nothing, while the number of satellites \
         stays the same.",
        "Or its satellites stay tracked, but L2 and L5 sink to 30 dB-Hz and less while L1 stays as it is: an amplifier that ages does \
         that over a quarter of an hour.",
        "All rovers of the base lose the fix within seconds to a few minutes and stay float for as long as it lasts.",
        "The age of corrections stays low.",
    ],
    speaks_for: &[
        "The observation messages of the base carry one frequency only during the loss.",
        "All observed rovers of the base are lost at once.",
        "The fix comes back soon after the second frequency does.",
        "All bands below L1 fall together while L1 stays as it is: one branch of the antenna, not a transmitter.",
        "Semi-codeless L2 goes first and L2C, L5 or E5 later: the signal as a whole is getting weaker.",
    ],
    speaks_against: &[
        "Only one of several rovers is lost: look at that rover.",
        "The second frequency was there during the loss.",
        "The rovers' age of corrections grew: look at the link.",
    ],
    checks: &[
        "Read the base's settings: are all frequencies, systems and message types that it should send switched on? Was \
         anything changed on the day the loss began?",
        "Open the base's satellite list: is there a C/N0 figure for the second frequency on satellites above 30 degrees?",
        "Check that options or licences of the receiver for the second frequency are still valid.",
        "Look at the connector at the receiver: tight, dry, not bent. Measure the antenna voltage at the port.",
        "Swap in an antenna known to be good, on a short cable. If the second frequency is back, test the old cable with \
         the good antenna, then the old antenna on the good cable.",
    ],
    would_disprove: &[
        "A recording of the base's messages during a loss shows the second frequency on most satellites.",
        "A rover on the same base held its fix on two frequencies during the loss.",
    ],
    cautions: &[MACHINES, PORT, HEIGHT, FLOAT],
    sources: &[
        COMMON,
        "Second-frequency signals in the messages: RTCM 10403.x, MSM signal masks.",
        "Semi-codeless L2 falls first when signals weaken: Cerruti et al. 2006, doi 10.1029/2006SW000254.",
    ],
};
