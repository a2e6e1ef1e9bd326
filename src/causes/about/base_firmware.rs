//! Manual text: `base-firmware`.
use super::cautions::{COMMON, COORDINATES, MACHINES, UPDATE};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-firmware",
    side: "base",
    title: "Base firmware with known trouble",
    what: "The base runs a firmware version for which the catalogue names a fault that can cost rovers their fix. The version \
        alone proves nothing: the pattern of the loss has to fit the fault.",
    looks_like: &[
        "Loss begins on the day of an update, or at a date that the fault is known for (a week rollover, a leap second).",
        "All rovers of the base are affected, those of other bases are not.",
    ],
    speaks_for: &[
        "The version is in the catalogue with a fault that fits.",
        "Losses begin within seconds after the receiver loses all satellites or falls silent, again and again.",
        "Other bases with this version show the same, those with other versions do not.",
    ],
    speaks_against: &[
        "The same version ran for long without trouble.",
        "Another cause is seen in the logs at the same times: a supply or an antenna port out of range, a signal that weakens.",
    ],
    checks: &[
        "Read the exact version from the base, not from the register.",
        "Read the maker's release notes: does the described fault fit the times and the pattern?",
        "Compare with bases that run other versions.",
        "Save the settings, bring the base to the version named as mended, and compare a week before with a week after.",
    ],
    would_disprove: &[
        "The loss goes on unchanged after the update.",
        "The version read from the base is not the one listed.",
    ],
    cautions: &[UPDATE, MACHINES, COORDINATES],
    sources: &["The catalogue file given (and the release notes it names).", COMMON],
};
