//! Manual text: `link-station-clash`.
use super::cautions::{COMMON, COORDINATES, FLOAT, LICENCE, MACHINES};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "link-station-clash",
    side: "link",
    title: "Rovers hear another base",
    what: "Two bases share a channel, a caster entry or a station id, and rovers receive now the one, now the other. The fix \
        breaks at each change. Two bases with the same id are dangerous: a rover may mix both and be wrong with a fix.",
    looks_like: &[
        "The station id at the rover changes to and fro, with jumps of the correction age.",
        "Two reference positions under one id.",
        "Fix and float alternate; failed checks in the stream rise.",
    ],
    speaks_for: &[
        "The loss begins when the station id changes.",
        "Rovers between two bases are hit, those close to one are not.",
        "A second base was set up in the area lately.",
    ],
    speaks_against: &[
        "The station id stayed the same and only one position came with it.",
        "The change of base was planned and happens once.",
    ],
    checks: &[
        "Read station id and position of the base on a rover that suffers; is it yours?",
        "Ask neighbours and hire fleets for new bases, their channel and id.",
        "Give each base its own station id and lock the rovers to it.",
        "Switch your base radio off for a minute: does a rover still receive corrections?",
        "Agree on channels with the licence holders.",
    ],
    would_disprove: &[
        "With your own base radio off, no rover receives corrections during the bad hours.",
        "Logs with station id show one id and one position through the loss.",
    ],
    cautions: &[FLOAT, MACHINES, COORDINATES, LICENCE],
    sources: &["Station id: RTCM 10403.x, DF003; NMEA 0183 GGA, last field.", COMMON],
};
