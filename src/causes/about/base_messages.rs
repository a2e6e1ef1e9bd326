//! Manual text: `base-messages`.
use super::cautions::{COMMON, COORDINATES, MACHINES};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-messages",
    side: "base",
    title: "Correction messages missing, slow or not understood",
    what: "The base tracks well but does not send what the rovers need: no reference position, no observations of a system, \
        too seldom, or in a maker's own format that other makes cannot read. Without the right set a rover cannot fix.",
    looks_like: &[
        "Rovers receive data (a station id, a fresh age) but stay DGNSS or float.",
        "The reference position (1005 or 1006) is missing or comes minutes apart.",
        "Observation messages come slowly, irregularly or for one system only.",
    ],
    speaks_for: &[
        "The message table of the base lacks a needed message during the loss.",
        "Loss began with a change of settings or firmware at the base.",
        "Only rovers of another make are affected.",
    ],
    speaks_against: &[
        "The full set came at its normal rate during the loss.",
        "The same rovers fixed with the same messages on other days.",
    ],
    checks: &[
        "Compare the message table on this page with: observations of every system once a second, 1005 or 1006 at least every \
         10 to 30 s, 1033, and 1230 where GLONASS is used.",
        "Ask whether settings or firmware changed when the loss began.",
        "Set the base to open RTCM 3 in the newest generation that all rovers read.",
        "Check that the radio or network can carry the amount: drop message types nobody needs, not the rate.",
        "Bring firmware of base and rovers to versions that know the messages used.",
    ],
    would_disprove: &[
        "A rover of the same make and version fixes on the same stream while others do not.",
        "A recorded stream contains the full set during the loss.",
    ],
    cautions: &[MACHINES, COORDINATES],
    sources: &["Message set: RTCM 10403.x.", "Rates: common practice, no source.", COMMON],
};
