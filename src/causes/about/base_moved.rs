//! Manual text: `base-moved`.
use super::cautions::{COMMON, COORDINATES, FLOAT, HEIGHT, MACHINES};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-moved",
    side: "base",
    title: "Base position changed or not the surveyed one",
    what: "The base sends another position than the one used for the site calibration, or its antenna has really moved or \
        drifts. All machines of the site are then wrong by the same amount, even with a fix; a large error also costs the fix.",
    looks_like: &[
        "The reported position jumps, drifts, alternates, or differs from the record.",
        "All rovers shift by the same vector at the same time.",
        "A restart or a change of settings just before.",
    ],
    speaks_for: &[
        "The position messages show the change at the time the loss begins.",
        "Rovers on known points are all off by the same amount.",
        "The position is so far off that it spoils the baseline: the error there is the error of the position times the distance \
         over 20 000 km, and 0.10 m is a wrong cycle (500 m at 4 km).",
        "Somebody moved, levelled or hit the mast.",
    ],
    speaks_against: &[
        "The position stayed the same to the millimetre during the loss, and known points agree.",
        "The record was never updated after a planned move.",
        "Two different positions alternate: that may be two bases, see station clash.",
    ],
    checks: &[
        "Stop grade work. Check one rover on a known point: height and position against its sheet.",
        "Read the base's position and antenna height in its settings and compare with the calibration record.",
        "Ask who restarted, moved or re-surveyed the base; look for a position averaged anew at start-up.",
        "Look at the mount: rigid, plumb, marks unbroken, ground stable?",
        "Have the surveyor restore the position or re-calibrate the site, then check two known points.",
    ],
    would_disprove: &[
        "Two known points agree within tolerance for a rover on this base.",
        "The position in the messages equals the record through the loss.",
    ],
    cautions: &[COORDINATES, MACHINES, FLOAT, HEIGHT],
    sources: &[COMMON, "Reported position: RTCM 10403.x, messages 1005 and 1006; RINEX header."],
};
