//! Manual text: `sky-storm`.
use super::cautions::{COMMON, FLOAT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "sky-storm",
    side: "sky",
    title: "Geomagnetic storm, flare or solar radio burst",
    what: "The sun disturbs the ionosphere (storm, flare) or covers the satellites with radio noise (burst). Whole regions are \
        hit for minutes or hours. Nothing on site is broken.",
    looks_like: &[
        "Many bases and rovers are hit in the same minutes or hours.",
        "Kp of 5 and more, a listed flare, or a common dip of C/N0 on the sunlit side.",
        "At a base with two frequencies the electron content swings on all satellites at once: a ROTI of 0.2 TECU/min and more in the \
         middle of them, where a quiet sky shows 0.03 to 0.08, also when hardly one of them reaches 0.5.",
        "Semi-codeless L2 is hit first in a radio burst.",
    ],
    speaks_for: &[
        "Rovers of other bases, far away, lost the fix in the same period.",
        "Kp, flare list or ionosphere maps show a disturbance at that time.",
        "In a burst: all satellites, all bands and systems together, with slow edges, by daylight.",
    ],
    speaks_against: &[
        "Other bases of the region were fixed.",
        "The base's own dual-frequency data show a quiet ionosphere.",
        "Kp was low and no flare is listed; or the sun was below the horizon for a flare or burst.",
        "A raised Kp alone proves little: it happens on every fifth day or so. Near the magnetic equator maps are steep on quiet days \
         too, and everywhere they flatten what a base and its rovers see.",
    ],
    checks: &[
        "Compare the hours of the loss with Kp, the list of flares and ionosphere maps (IONEX); without them, give the files to the \
         next run.",
        "Ask other sites of the region for the same hours.",
        "Wait: check again when Kp is below 4. Do not change settings meanwhile.",
        "For critical work keep baselines short and check on a known point.",
    ],
    would_disprove: &[
        "Bases and rovers 50 to 150 km away worked normally in the same hours.",
        "The loss goes on on quiet days.",
    ],
    cautions: &[FLOAT],
    sources: &[
        "Kp: Matzka et al. 2021, doi 10.1029/2020SW002641. Ionosphere maps: Schaer, Gurtner and Feltens 1998, IONEX 1.0.",
        "Solar radio bursts and L-band receivers: Cerruti et al. 2006 and 2008, doi 10.1029/2006SW000254 and \
         10.1029/2007SW000375.",
        COMMON,
    ],
};
