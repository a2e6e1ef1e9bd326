//! Manual text: `sky-scintillation`.
use super::cautions::{COMMON, FLOAT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "sky-scintillation",
    side: "sky",
    title: "Ionospheric irregularities",
    what: "Patches in the ionosphere make signals flicker in strength and phase. Receivers slip or lose single satellites, and \
        base and rover no longer see the same. It comes near the magnetic equator after sunset, and under the auroral oval \
        in disturbed hours. Nothing on site is broken.",
    looks_like: &[
        "ROTI or C/N0 flicker rises on several satellites, second frequency worse.",
        "Neighbouring bases in the same region have it too.",
        "Begins after sunset local solar time (low magnetic latitude) or goes with a high Kp (high magnetic latitude).",
    ],
    speaks_for: &[
        "Phase irregularity on several satellites, high ones too, at this base and its neighbours.",
        "Place and solar time fit.",
        "Rovers of several bases lose the fix in the same hours.",
        "Within the hour around single satellites are seen to flicker, and not the whole sky at once as in a storm.",
    ],
    speaks_against: &[
        "Neighbouring bases were quiet.",
        "It repeats four minutes earlier each day (reflections) or keeps to shift hours (people and machines).",
        "One band only drops on all satellites at once: interference.",
    ],
    checks: &[
        "Ask neighbouring sites or public stations within 150 km whether they had it in the same hours.",
        "Compare the hours over the week in solar time, and with Kp or ionosphere maps.",
        "Switch on all systems and frequencies that base and rovers can use; keep firmware current.",
        "Work closer to the base, or plan grade-critical work outside these hours.",
    ],
    would_disprove: &[
        "A base within 150 km tracked the same satellites without irregularities.",
        "The loss comes at hours of the day in which solar time and magnetic latitude do not fit.",
    ],
    cautions: &[FLOAT],
    sources: &[
        "ROTI: Pi et al. 1997, doi 10.1029/97GL02273. Scintillation index: ITU-R P.531.",
        "Positioning errors grow with ROTI at high latitudes: Jacobsen and Dähnn 2014, doi 10.1051/swsc/2014024.",
        COMMON,
    ],
};
