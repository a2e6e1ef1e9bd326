//! Manual text: `link-rover`.
use super::cautions::{COMMON, ELECTRIC, FLOAT, ON_MACHINE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "link-rover",
    side: "link",
    title: "One rover's radio or modem",
    what: "One rover does not receive the corrections that all others receive: its radio, modem, antenna, cable, SIM or \
        settings. It alone grows old corrections and loses the fix.",
    looks_like: &[
        "Growing age of corrections on this rover only, at any distance.",
        "Other rovers nearby are fixed with fresh corrections.",
        "Short drop-outs with movement or vibration.",
    ],
    speaks_for: &[
        "Others of the same base were fixed in the same seconds.",
        "This rover's age of corrections was above 10 s.",
        "Its radio strength is low also near the base.",
    ],
    speaks_against: &[
        "Its corrections were fresh while the fix was lost.",
        "Several rovers lost corrections at once.",
        "It happens only far from the base or at certain places.",
    ],
    checks: &[
        "Compare channel, spacing, protocol, network settings and SIM with a rover that works.",
        "Look at the radio antenna on the machine: tight, not bent, the right one, clear of metal.",
        "Swap the radio antenna with a working rover, then the cable, then the radio: the fault goes with the part.",
        "Read the modem's log for reconnects; check supply voltage while the engine starts.",
    ],
    would_disprove: &[
        "After swapping antenna, cable and radio the same machine still loses corrections.",
        "Another rover beside it loses corrections in the same seconds.",
    ],
    cautions: &[ON_MACHINE, ELECTRIC, FLOAT],
    sources: &[COMMON],
};
