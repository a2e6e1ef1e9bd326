//! Manual text: `link-outage`.
use super::cautions::{COMMON, ELECTRIC, HEIGHT, LICENCE, RADIO};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "link-outage",
    side: "link",
    title: "Corrections stop for all rovers",
    what: "The base tracks and works, but its corrections reach nobody: the transmitter, the network, the caster or the \
        common repeater is down. After some seconds of old corrections the rovers lose the fix together.",
    looks_like: &[
        "The age of corrections grows by one second each second on all rovers at once.",
        "The base's own log is complete during that time.",
        "All come back together.",
    ],
    speaks_for: &[
        "All observed rovers have old corrections in the same seconds.",
        "The base tracked well during the loss.",
        "Radio off, network or modem entries at that time.",
    ],
    speaks_against: &[
        "Corrections were fresh (age 1 to 2 s) while the fix was lost.",
        "Only some rovers had old corrections: distance, terrain or their own radio.",
        "The base was silent or restarting itself.",
    ],
    checks: &[
        "At the base: is the radio's transmit light on, or the network connected? Read the modem's or radio's log.",
        "Ask the operator of the network or caster for its outages; check contract, SIM and data volume.",
        "Check supply and temperature of the radio: it draws most when it transmits.",
        "Check antenna and cable of the radio with the transmitter off; then power and reflected power by a radio engineer.",
        "Watch one rover's age of corrections for ten minutes next to the base.",
    ],
    would_disprove: &[
        "A rover near the base had fresh corrections during the loss.",
        "The base's messages, recorded at the transmitter, were missing too: then it is the base.",
    ],
    cautions: &[RADIO, LICENCE, ELECTRIC, HEIGHT],
    sources: &[COMMON, "Age limits (2, 5, 10 s): common practice, no source."],
};
