//! Manual text: `base-restart`.
use super::cautions::{BATTERY, COMMON, ELECTRIC, FLOAT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-restart",
    side: "base",
    title: "Base restarts or loses power",
    what: "The base stops and starts again. No corrections come while it is down, and afterwards every satellite has to be \
        followed anew, so all rovers lose the fix for some minutes each time.",
    looks_like: &[
        "The stream is silent and comes back with all lock times at zero.",
        "Restart, power-fail or overheat entries in the log; supply voltage sags before.",
        "All rovers see the age of corrections grow, then float, then fix.",
    ],
    speaks_for: &[
        "All lock times start again at the same epoch.",
        "Power or restart events in the base's log at the same times.",
        "Supply voltage falls before each stop, often early in the morning on battery or solar.",
    ],
    speaks_against: &[
        "Lock times run on through the silence: the base was up, the link was not.",
        "The base's own log is complete through the loss.",
    ],
    checks: &[
        "Read the base's log: reason and times of the restarts, supply voltage, temperature.",
        "Compare the times with generator stops, shift begin, charging and timers.",
        "Check plugs, fuses, battery age and charge, solar panel, ventilation and filters.",
        "Measure the supply at the base under load with the radio transmitting.",
        "Let a buffer battery carry the base for a day and compare.",
    ],
    would_disprove: &[
        "Lock times and the base's own log run through the loss without a break.",
        "Supply voltage was logged steady and no restart is noted.",
    ],
    cautions: &[ELECTRIC, BATTERY, FLOAT],
    sources: &[COMMON, "Lock time indicators: RTCM 10403.x (DF402, DF407)."],
};
