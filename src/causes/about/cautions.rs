//! Cautions in our own words, written once so that every page says the same (check-values section 14).

/// Masts, roofs, ladders.
pub const HEIGHT: &str = "Work at height: base antennas stand on masts and roofs. Use fall protection, do not work alone, \
    have a rescue plan, and lower the mast instead of climbing where you can.";
/// Thunder.
pub const LIGHTNING: &str = "Lightning: leave antenna, mast and cable alone as soon as thunder is heard. Afterwards check \
    earthing and arrestors before use.";
/// Near transmitting antennas.
pub const RADIO: &str = "Radio-frequency exposure: keep away from transmitting antennas. Have the owner switch the \
    transmitter off and lock it off before anyone works near it.";
/// Opening an enclosure.
pub const ELECTRIC: &str = "Electricity: qualified people only. Switch off, lock and tag the supply before opening an \
    enclosure.";
/// The port carries DC.
pub const PORT: &str = "The antenna port carries a DC voltage. Measure through a T-piece or the right adapter, never short \
    the centre pin, never connect test equipment without a DC block, and unplug only with the feed switched off.";
/// Batteries and solar supplies.
pub const BATTERY: &str = "Batteries can give off explosive gas and deliver very high short-circuit currents: ventilate, no \
    sparks, insulated tools, eye protection.";
/// Automatic control.
pub const MACHINES: &str = "Machines: stop automatic blade and bucket control and warn all operators before you change \
    anything at the base or on the machine.";
/// One coordinate for all.
pub const COORDINATES: &str = "Never correct base coordinates by feel: a change moves every machine on the site. Let the \
    surveyor responsible decide, and check on a known point afterwards.";
/// Not for grade.
pub const FLOAT: &str = "Float and other positions without an RTK fix are not for grade-critical or stake-out work. After a \
    fault, check on a known point before work goes on; a fix can be wrong too.";
/// Interference law.
pub const JAMMER: &str = "Transmitting jammers are unlawful in most countries. Do not search for, confront or switch off a \
    suspected one: keep logs, times and place, tell the site manager, and report it to the national spectrum regulator.";
/// Do not radiate.
pub const NO_TEST_SIGNAL: &str = "Never transmit or re-radiate a signal in a GNSS band to try an idea. Repeaters need a \
    licence.";
/// Licences.
pub const LICENCE: &str = "Frequency, power and antenna height of a radio are bound by licence and local rules. Let the \
    licence holder change them.";
/// Climb on and under machines.
pub const ON_MACHINE: &str = "On the machine: engine off, key out, attachment on the ground, three points of contact. Do not \
    climb a boom or cab roof without fall protection.";
/// People moving on site.
pub const ON_SITE: &str = "On a working site: report in, wear high-visibility clothing and stay out of the machines' \
    swing and travel range.";
/// Firmware.
pub const UPDATE: &str =
    "Save the settings first, plan the stop with the site, and do not cut the supply during an update.";
/// Findings are probabilities.
pub const PROBABILITY: &str = "Findings are probabilities from logs that may be incomplete. Local codes, the site's safety \
    plan and licensed surveyors, electricians and radio engineers decide.";
/// Position logs are personal.
pub const PRIVACY: &str = "Position logs of machines can be personal data of their operators. Check local law before you \
    pass this report on.";
/// Rule of thumb marker.
pub const COMMON: &str = "Common practice, no source.";
