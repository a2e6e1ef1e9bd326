//! Manual text: `base-weak-signal`.
use super::cautions::{COMMON, HEIGHT, LIGHTNING, MACHINES, PORT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-weak-signal",
    side: "base",
    title: "Weak signals over the whole sky at the base",
    what: "All satellites arrive weak at the base receiver, high ones included. The usual reason is the signal path: cable \
        too long or too thin, too little gain, water in a connector, an ageing antenna. Weak signals are noisy, slip and \
        drop out, and the noise goes to every rover.",
    looks_like: &[
        "C/N0 is below the expected curve at all elevations and directions, on all bands, steadily or falling over weeks.",
        "Fewer satellites than the sky offers; low ones are lost first.",
        "Where it is weak enough the receiver loses all satellites and starts over: the stream stops again and again while everything is weak.",
        "Worse after rain (water), or since a cable or an antenna was changed.",
    ],
    speaks_for: &[
        "C/N0 of satellites above 60 degrees is several dB under what this receiver type shows elsewhere.",
        "The sum of gain and losses (antenna gain less cable, connectors, splitters) is under about 15 dB at the receiver.",
        "Semi-codeless L2 is hit harder than the other signals.",
        "All rovers of the base suffer at the same times.",
    ],
    speaks_against: &[
        "Only low satellites in one direction are weak: that is an obstruction.",
        "C/N0 jumps within seconds: that is interference.",
        "Everything vanishes and returns together: that is the antenna supply.",
        "The same levels were there in weeks without trouble.",
    ],
    checks: &[
        "Compare C/N0 of satellites above 60 degrees with another base that has the same receiver, or with this base before \
         the trouble.",
        "Ask what was changed: cable, splitter, arrestor, antenna. Ask whether it is worse after rain.",
        "Look at every connector for water, corrosion and looseness; look for kinks and crushed cable.",
        "Write down kind and length of the cable, connectors and antenna gain and compare with the sum on this page.",
        "Swap in a short, good cable; then another antenna.",
        "If the run is too long: thicker cable, or the receiver nearer to the antenna, rather than more gain.",
    ],
    would_disprove: &[
        "C/N0 does not change with a short, good cable and another antenna.",
        "Signals were as weak in times when all rovers held their fix.",
    ],
    cautions: &[PORT, HEIGHT, LIGHTNING, MACHINES],
    sources: &[
        "Noise of a chain of amplifiers and losses: Friis 1944, doi 10.1109/JRPROC.1944.232049.",
        "About 30 dB-Hz is needed, over 40 dB-Hz is normal for satellites that are not low: Flores-Soriano 2024, \
         doi 10.1051/swsc/2024034.",
        "Net gain of 15 to 35 dB at the receiver: common practice, no source.",
        COMMON,
    ],
};
