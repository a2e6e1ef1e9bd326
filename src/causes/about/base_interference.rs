//! Manual text: `base-interference`.
use super::cautions::{COMMON, JAMMER, LICENCE, NO_TEST_SIGNAL, RADIO};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-interference",
    side: "base",
    title: "Radio interference at the base",
    what: "Another radio signal in or near a GNSS band covers the satellites at the base. All satellites of that band drop or \
        jump together, whatever their height and direction. A base without one band cannot give its rovers a fix.",
    looks_like: &[
        "C/N0 of all satellites of one band falls or jumps within seconds; other bands go on unchanged.",
        "Spikes in a spectrum log near a GNSS frequency.",
        "Repeats with machines, radios or vehicles, or every 4 to 12 s where a radar turns.",
    ],
    speaks_for: &[
        "The drop is common to all satellites of a band, high ones too, and starts within one epoch.",
        "Noise level or spectrum rises in the same seconds; then also where all bands fall.",
        "All rovers of the base lose the fix then, also those far from each other.",
    ],
    speaks_against: &[
        "A slow drift over hours or days: that is the signal path.",
        "Only one direction of the sky is affected: that is an obstruction.",
        "Bases 50 km away drop at the same time: look at the sun.",
        "No jump of C/N0 during the loss.",
    ],
    checks: &[
        "Compare the times with the use of site radios, generators, converters, cameras and with passing vehicles.",
        "Have your own base radio switched off for some minutes: does C/N0 recover? Its third harmonic can hit L2 or L5.",
        "Look round within 400 m for masts, radar, television or cellular sites, engines and switching supplies.",
        "Record a spectrum at the antenna in quiet and in bad minutes, or move the antenna a few metres up or aside and compare.",
        "Fit a filter in front of the receiver or move the base; report lasting interference to the regulator with times \
         and place.",
    ],
    would_disprove: &[
        "A spectrum recorded through a loss shows nothing above the noise near the band.",
        "C/N0 of the band stayed level through several losses.",
        "A second receiver on the same antenna was not affected.",
    ],
    cautions: &[JAMMER, NO_TEST_SIGNAL, RADIO, LICENCE],
    sources: &[
        "Other services beside the bands: ITU-R M.1902-1 (1215 to 1300 MHz), ITU-R M.1903-1 (1559 to 1610 MHz).",
        "Patterns and the 400 m distance: common practice, no source.",
        COMMON,
    ],
};
