//! What is known about a unit from cards, register, catalogue and places, and what follows from it without any epoch:
//! `firmware-trouble`, `link-budget-low`, `link-budget-high`, `emitter-near`, `airport-near`, `biases-missing`,
//! `description-missing`, `older-generation`, `antenna-simple`. These are advisories first; they become evidence only beside others.

use super::Maker;
use super::limits::Limits;
use super::messages::{Use, use_of};
use crate::frames::{UnitFrames, view};
use crate::model::event::{Event, Origin};
use crate::model::time::UtcMs;
use std::collections::BTreeSet;

/// A place near a base.
#[derive(Debug, Clone, PartialEq)]
pub struct NearPlace {
    /// Its name in the places file.
    pub name: String,
    /// `airport`, `radar`, `tv`, `cell`, `military`, `power`, `other`.
    pub kind: String,
    /// Distance, m.
    pub distance_m: f64,
}

/// What cards and catalogue say about a unit. Every field may be unknown.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Setup {
    /// Where the unit stands: latitude and longitude in degrees, ellipsoidal height in m (bases).
    pub place: Option<(f64, f64, f64)>,
    /// Surveyed reference position, ECEF, m (bases).
    pub reference_xyz_m: Option<[f64; 3]>,
    /// What the antenna needs at least, V.
    pub supply_min_v: Option<f64>,
    /// What the antenna takes at most, V.
    pub supply_max_v: Option<f64>,
    /// Voltage drop on the cable, V.
    pub voltage_drop_v: Option<f64>,
    /// Gain of the antenna's amplifier, dB.
    pub antenna_gain_db: Option<f64>,
    /// Loss of cable and connectors at L1, dB.
    pub cable_loss_db: Option<f64>,
    /// The cable in words, `30 m RG-213`.
    pub cable_words: String,
    /// Feed points of the antenna element.
    pub antenna_feeds: Option<i64>,
    /// Whether the antenna has a ground plane.
    pub ground_plane: Option<bool>,
    /// How much the noise cascade says the cable costs, dB of C/N0.
    pub budget_cost_db: Option<f64>,
    /// Firmware of the unit.
    pub firmware: String,
    /// What the catalogue knows against this firmware.
    pub firmware_trouble: Option<String>,
    /// What mends it.
    pub firmware_mends: Option<String>,
    /// Receiver make, compared without case.
    pub make: String,
    /// Places near the unit.
    pub near: Vec<NearPlace>,
    /// Where the card or register was read.
    pub origin: Origin,
}

/// Events without an epoch, over `from` to `to` (the unit's data). `makes` are the makes of the base and its rovers.
pub fn advisories(
    frames: &UnitFrames,
    setup: &Setup,
    makes: &BTreeSet<String>,
    from: UtcMs,
    to: UtcMs,
    limits: &Limits,
) -> Vec<Event> {
    let mut events = Vec::new();
    let maker = Maker::new(frames, &frames.corrections);
    let mut add = |kind, value, value_unit, strength, detail, from_card: bool| {
        let mut event = maker.event(kind, from, to, value, value_unit, strength, detail);
        if from_card {
            event.origin = setup.origin.clone();
        }
        events.push(event);
    };
    if let Some(trouble) = &setup.firmware_trouble {
        let mends = setup.firmware_mends.as_deref().map(|m| format!("; {m} mends it")).unwrap_or_default();
        add("firmware-trouble", None, "", 1.0, format!("firmware {}: {trouble}{mends}", setup.firmware), true);
    }
    if let (Some(gain), Some(loss)) = (setup.antenna_gain_db, setup.cable_loss_db) {
        let net = gain - loss;
        if net < limits.net_gain_min_db {
            let cost = setup.budget_cost_db.map(|c| format!(", about {c:.1} dB of C/N0")).unwrap_or_default();
            let strength = (0.5 + (limits.net_gain_min_db - net) / 20.0).min(1.0);
            add(
                "link-budget-low",
                Some(net),
                "dB",
                strength,
                format!(
                    "net gain at the receiver {net:.1} dB ({gain:.0} dB antenna, {loss:.1} dB for {}){cost}",
                    setup.cable_words
                ),
                true,
            );
        } else if net > limits.net_gain_max_db {
            add(
                "link-budget-high",
                Some(net),
                "dB",
                0.5,
                format!("net gain at the receiver {net:.1} dB: it may be overloaded"),
                true,
            );
        }
    }
    // Less steady phase centre, more reflections from below (check-values 18: common practice, no source). Never a cause.
    if setup.antenna_feeds.is_some_and(|n| (1..=2).contains(&n)) && setup.ground_plane == Some(false) {
        let feeds = setup.antenna_feeds.unwrap_or(0);
        add(
            "antenna-simple",
            Some(feeds as f64),
            "count",
            0.3,
            format!(
                "antenna with {feeds} feed points and no ground plane: less steady phase centre, more reflections from \
                 below than with four"
            ),
            true,
        );
    }
    for place in &setup.near {
        let airfield = matches!(place.kind.as_str(), "airport" | "military");
        let near = if airfield { limits.airport_near_m } else { limits.emitter_near_m };
        if place.distance_m <= near {
            let kind = if airfield { "airport-near" } else { "emitter-near" };
            add(
                kind,
                Some(place.distance_m),
                "m",
                0.5,
                format!("{} ({}) at {:.0} m", place.name, place.kind, place.distance_m),
                true,
            );
        }
    }
    if frames.corrections.height() > 0 {
        let messages: BTreeSet<u32> = view::u32s_full(&frames.corrections, "message").into_iter().collect();
        let glonass = messages.iter().any(|m| matches!(m, 1009..=1012 | 1081..=1087));
        let mixed = makes.len() > 1;
        if glonass && !messages.contains(&1230) && !messages.contains(&1033) {
            add(
                "biases-missing",
                None,
                "",
                if mixed { 0.8 } else { 0.4 },
                format!(
                    "GLONASS without 1230 and without 1033{}: rovers of another make may not use GLONASS",
                    if mixed { " in a fleet of mixed makes" } else { "" }
                ),
                false,
            );
        }
        if !messages.iter().any(|m| matches!(m, 1007 | 1008 | 1033)) {
            add(
                "description-missing",
                None,
                "",
                0.3,
                "no antenna description (1007, 1008 or 1033): heights may be off by centimetres".to_owned(),
                false,
            );
        }
        let legacy = messages.iter().any(|m| matches!(m, 1001..=1004 | 1009..=1012));
        let msm = messages.iter().any(|m| (1071..=1137).contains(m) && use_of(*m) != Use::Other);
        if legacy && !msm {
            add(
                "older-generation",
                None,
                "",
                0.3,
                "only the older GPS and GLONASS messages (1001 to 1012): newer satellites are not corrected".to_owned(),
                false,
            );
        }
    }
    events
}
