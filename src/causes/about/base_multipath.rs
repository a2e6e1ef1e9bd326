//! Manual text: `base-multipath`.
use super::cautions::{COMMON, COORDINATES, HEIGHT, MACHINES};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-multipath",
    side: "base",
    title: "Reflections at the base antenna",
    what: "Signals reach the base antenna also by way of roofs, walls, containers, water or machines. The mixture shifts range \
        and phase, and the error goes to all rovers. It returns with the satellites, about four minutes earlier each day.",
    looks_like: &[
        "C/N0 of low satellites swings slowly; code multipath (MP1, MP2) is high at low elevation in some directions.",
        "Trouble repeats about four minutes earlier each day.",
        "Frequent slips on the same satellites in the same part of the sky.",
    ],
    speaks_for: &[
        "The loss concentrates when folded at the sidereal day, not at the clock day.",
        "Multipath figures are well above other bases with the same receiver.",
        "The antenna stands on or under metal, or close to a wall.",
    ],
    speaks_against: &[
        "The loss follows clock time or shift hours.",
        "Multipath figures are as good as at healthy bases of the same make.",
        "Only one rover suffers.",
    ],
    checks: &[
        "Look at the base: metal, walls, parked machines, containers, water near the antenna? What was added lately?",
        "Compare the times of the loss over several days: four minutes earlier each day?",
        "Check that the antenna has a ground plane and stands above everything near it.",
        "Raise the elevation mask to 10 to 15 degrees for a day and compare.",
        "Move the antenna to a clear place, with new coordinates from the surveyor.",
    ],
    would_disprove: &[
        "After moving or raising the antenna the loss keeps its pattern.",
        "Over a week the loss stays at the same clock time.",
    ],
    cautions: &[HEIGHT, COORDINATES, MACHINES],
    sources: &[
        "MP1 and MP2: Estey and Meertens 1999, doi 10.1007/PL00012778.",
        "C/N0 swings from reflectors: Bilich and Larson 2007, doi 10.1029/2007RS003652.",
        "Repeat of the geometry: Agnew and Larson 2007, doi 10.1007/s10291-006-0038-4.",
        COMMON,
    ],
};
