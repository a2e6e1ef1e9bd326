//! Manual text: `rover-interference`.
use super::cautions::{COMMON, FLOAT, JAMMER, NO_TEST_SIGNAL, ON_MACHINE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "rover-interference",
    side: "rover",
    title: "Radio interference at the rover",
    what: "A radio signal near the rover covers one or more GNSS bands: a device on the machine, a passing vehicle, a \
        transmitter near the place of work. The base, out of its reach, is not affected.",
    looks_like: &[
        "C/N0 of all satellites of a band drops or jumps within seconds on the rover, while the base is steady.",
        "Rovers near each other are hit together, others are not.",
        "Comes with a device switched on, or for seconds to minutes when a vehicle passes.",
    ],
    speaks_for: &[
        "A common, sudden drop over all satellites, high ones too.",
        "Steady signals at the base in the same seconds.",
        "It starts with an added device: camera, radio, lamp, converter, charger.",
    ],
    speaks_against: &[
        "Satellites vanish one after the other or on one side: obstruction.",
        "The base sees the drop too.",
        "Its own log shows two carriers and more, each as strong as in the half hour before. One carrier alone tells nothing of the \
            others: log GSV with signal ids.",
        "A slow drift over days: antenna or cable.",
    ],
    checks: &[
        "Ask what was added to the machine lately; with the machine parked, switch devices off one by one and watch C/N0.",
        "Compare the times with vehicles and people on site.",
        "Move the rover some hundred metres: does C/N0 recover?",
        "Keep GNSS cable and antenna away from radios, cameras, lamps and converters; use ferrites and good earthing.",
        "Report lasting interference with times and place to the regulator.",
    ],
    would_disprove: &[
        "C/N0 stays level through several losses.",
        "A second rover within some metres is never affected in the same seconds.",
    ],
    cautions: &[JAMMER, NO_TEST_SIGNAL, ON_MACHINE, FLOAT],
    sources: &[
        COMMON,
        "Interference lowers the effective C/N0: Kaplan and Hegarty 2017, chapter 9 (from memory).",
        "Protection of the bands: ITU-R M.1902-1, M.1903-1.",
    ],
};
