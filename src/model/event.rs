//! What detectors find and where it is written.

use super::time::UtcMs;

/// Where a fact was read: a bundle and a file in it.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Origin {
    /// Path of the bundle as the user gave it.
    pub bundle: String,
    /// Path of the file inside the bundle.
    pub file: String,
}

/// Something that happened, or was so, at a unit from one time to another.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// The unit it happened to.
    pub unit: String,
    /// What it is: the detector's own id of the fact, for example `second-frequency-lost`.
    pub kind: &'static str,
    /// Begin, UTC ms.
    pub from: UtcMs,
    /// End, UTC ms (not before `from`).
    pub to: UtcMs,
    /// How much, in `value_unit`.
    pub value: Option<f64>,
    /// Unit of the value: `share`, `dB`, `m`, `s`, `V`, `mA`, `count`, ...
    pub value_unit: &'static str,
    /// How strongly it speaks, 0 to 1: 1 is far beyond the limit, 0.5 at the limit.
    pub strength: f32,
    /// In words, for the evidence line, with the number.
    pub detail: String,
    /// Where it was read.
    pub origin: Origin,
}

/// Times in which the ionosphere over a base was measured on at least four satellites and no storm was seen.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Calm {
    /// One satellite swung at most, and not strongly: where nothing else is told then, the ionosphere was quiet.
    pub quiet: Vec<(UtcMs, UtcMs)>,
    /// Few satellites swung: reflections or scintillation, perhaps, but not all of the sky.
    pub mostly: Vec<(UtcMs, UtcMs)>,
}
