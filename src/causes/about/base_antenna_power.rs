//! Manual text: `base-antenna-power`.
use super::cautions::{BATTERY, COMMON, ELECTRIC, HEIGHT, MACHINES, PORT};
use crate::model::about::About;

/// The words.
pub const ABOUT: About = About {
    id: "base-antenna-power",
    side: "base",
    title: "Antenna supply at the base out of range",
    what: "The amplifier in the antenna is fed through the cable. With the voltage too low, too high, interrupted or shorted \
        it does not amplify, and almost all satellites are lost at once on all bands. Every rover of the base then loses its \
        fix.",
    looks_like: &[
        "Almost all satellites vanish within one epoch and come back together.",
        "C/N0 falls by 20 to 40 dB on all bands.",
        "The receiver reports antenna open or short, or the logged antenna voltage or current leaves its range.",
    ],
    speaks_for: &[
        "Antenna current near 0 mA (open) or far above normal (short, water) during the loss.",
        "Voltage at the port outside what the antenna needs, or set for another kind of antenna.",
        "All rovers are lost in the same seconds.",
    ],
    speaks_against: &[
        "Voltage and current were logged during the loss and stayed in range.",
        "One band only is affected.",
        "Satellites fade one after the other.",
    ],
    checks: &[
        "Read antenna voltage, current and status in the receiver's pages or log. Typical current is 20 to 100 mA.",
        "Check the antenna kind chosen in the receiver: it decides the voltage at the port.",
        "Look for a splitter or arrestor that does not pass DC, and for a second device feeding the same cable.",
        "Inspect the connectors for water and a bent centre pin.",
        "Measure the voltage at the antenna end under load with a T-piece; compare with what the antenna needs.",
        "Swap the antenna; then the cable.",
    ],
    would_disprove: &[
        "Voltage and current are logged in range through a loss.",
        "Signals stay weak with an antenna that has its own separate supply.",
    ],
    cautions: &[PORT, ELECTRIC, BATTERY, HEIGHT, MACHINES],
    sources: &[COMMON, "The needs of the antenna: its data sheet, or the catalogue file given."],
};
