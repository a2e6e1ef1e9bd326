//! Manual text: `rover-restart`.
use super::cautions::{BATTERY, COMMON, ELECTRIC, ON_MACHINE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "rover-restart",
    side: "rover",
    title: "The rover restarts or loses power",
    what: "The rover's receiver stops and starts again in the middle of work. Each time it has to find satellites, corrections \
        and the fix anew. The first start of the day is counted apart and is normal.",
    looks_like: &[
        "A gap in the log of seconds to minutes, then no position, autonomous, float, fix.",
        "Restart or power entries in the rover's log.",
        "With engine starts, hammering or a loose plug.",
    ],
    speaks_for: &[
        "The log is silent just before the loss.",
        "Supply voltage dips or a restart is noted.",
        "Others of the same base were fixed.",
    ],
    speaks_against: &[
        "The log runs on through the loss without a gap.",
        "All rovers of the base are lost at that time.",
    ],
    checks: &[
        "Read the rover's log for restarts and supply voltage; compare with engine starts.",
        "Move plugs and cables by hand with the receiver on: does it restart?",
        "Check that the supply comes from a steady line, with good fuse, relay and earth.",
        "Measure the voltage at the receiver while the engine starts.",
        "Run the receiver from its own battery for a day.",
    ],
    would_disprove: &[
        "The receiver's up-time counter runs through the loss.",
        "From its own battery, the loss goes on unchanged.",
    ],
    cautions: &[ON_MACHINE, ELECTRIC, BATTERY],
    sources: &[COMMON],
};
