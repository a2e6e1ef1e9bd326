//! What is known about a unit from cards, register, catalogue and places, and what follows from it without any epoch:
//! `firmware-trouble`, `link-budget-low`, `link-budget-high`, `emitter-near`, `airport-near`, `biases-missing`,
//! `description-missing`, `older-generation`, `antenna-simple`. These are advisories first; they become evidence only beside others.

use super::Maker;
use super::limits::Limits;
use super::messages::{Use, use_of};
use crate::frames::{UnitFrames, view};
use crate::maths::for_text;
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
    let maker = Maker::new(frames, &frames.corrections);
    let mut notes = Notes { maker, from, to, events: Vec::new() };
    firmware(setup, &mut notes);
    link_budget(setup, limits, &mut notes);
    antenna(setup, &mut notes);
    near_places(setup, limits, &mut notes);
    // So far out of cards, register and places; the rest out of the log.
    for event in &mut notes.events {
        event.origin = setup.origin.clone();
    }
    if frames.corrections.height() > 0 {
        let messages = view::u32s_full(&frames.corrections, "message").into_iter().collect();
        message_set(&messages, makes.len() > 1, &mut notes);
    }
    notes.events
}

/// Events of one unit over one time.
struct Notes<'a> {
    maker: Maker<'a>,
    from: UtcMs,
    to: UtcMs,
    events: Vec<Event>,
}

impl Notes<'_> {
    fn add(
        &mut self,
        kind: &'static str,
        value: Option<f64>,
        value_unit: &'static str,
        strength: f64,
        detail: impl Into<String>,
    ) {
        self.events.push(self.maker.event(kind, self.from, self.to, value, value_unit, strength, detail.into()));
    }
}

fn firmware(setup: &Setup, notes: &mut Notes<'_>) {
    if let Some(trouble) = &setup.firmware_trouble {
        let mends = setup.firmware_mends.as_deref().map(|m| format!("; {m} mends it")).unwrap_or_default();
        notes.add("firmware-trouble", None, "", 1.0, format!("firmware {}: {trouble}{mends}", setup.firmware));
    }
}

/// Gain of the antenna less loss of the cable: too little, or too much.
fn link_budget(setup: &Setup, limits: &Limits, notes: &mut Notes<'_>) {
    let (Some(gain), Some(loss)) = (setup.antenna_gain_db, setup.cable_loss_db) else { return };
    let net = gain - loss;
    if net < limits.net_gain_min_db {
        let cost = setup.budget_cost_db.map(|c| format!(", about {c:.1} dB of C/N0")).unwrap_or_default();
        let detail = format!(
            "net gain at the receiver {:.1} dB ({gain:.0} dB antenna, {loss:.1} dB for {}){cost}",
            for_text(net, 1),
            setup.cable_words
        );
        let strength = (0.5 + (limits.net_gain_min_db - net) / 20.0).min(1.0);
        notes.add("link-budget-low", Some(net), "dB", strength, detail);
    } else if net > limits.net_gain_max_db {
        let detail = format!("net gain at the receiver {net:.1} dB: it may be overloaded");
        notes.add("link-budget-high", Some(net), "dB", 0.5, detail);
    }
}

/// Less steady phase centre, more reflections from below (check-values 18: common practice, no source). Never a cause.
fn antenna(setup: &Setup, notes: &mut Notes<'_>) {
    let simple = setup.antenna_feeds.filter(|n| (1..=2).contains(n) && setup.ground_plane == Some(false));
    if let Some(feeds) = simple {
        let detail = format!(
            "antenna with {feeds} feed points and no ground plane: less steady phase centre, more reflections from below than \
             with four"
        );
        notes.add("antenna-simple", Some(feeds as f64), "count", 0.3, detail);
    }
}

fn near_places(setup: &Setup, limits: &Limits, notes: &mut Notes<'_>) {
    for place in &setup.near {
        let airfield = matches!(place.kind.as_str(), "airport" | "military");
        let (kind, near_m) =
            if airfield { ("airport-near", limits.airport_near_m) } else { ("emitter-near", limits.emitter_near_m) };
        if place.distance_m <= near_m {
            let detail = format!("{} ({}) at {:.0} m", place.name, place.kind, place.distance_m);
            notes.add(kind, Some(place.distance_m), "m", 0.5, detail);
        }
    }
}

/// What a base does not send, or only in an older form. `mixed`: base and rovers are of several makes.
fn message_set(messages: &BTreeSet<u32>, mixed: bool, notes: &mut Notes<'_>) {
    let glonass = messages.iter().any(|m| matches!(m, 1009..=1012 | 1081..=1087));
    if glonass && !messages.contains(&1230) && !messages.contains(&1033) {
        let fleet = if mixed { " in a fleet of mixed makes" } else { "" };
        let detail =
            format!("GLONASS without 1230 and without 1033{fleet}: rovers of another make may not use GLONASS");
        notes.add("biases-missing", None, "", if mixed { 0.8 } else { 0.4 }, detail);
    }
    if !messages.iter().any(|m| matches!(m, 1007 | 1008 | 1033)) {
        let detail = "no antenna description (1007, 1008 or 1033): heights may be off by centimetres";
        notes.add("description-missing", None, "", 0.3, detail);
    }
    let legacy = messages.iter().any(|m| matches!(m, 1001..=1004 | 1009..=1012));
    let msm = messages.iter().any(|m| (1071..=1137).contains(m) && use_of(*m) != Use::Other);
    if legacy && !msm {
        let detail = "only the older GPS and GLONASS messages (1001 to 1012): newer satellites are not corrected";
        notes.add("older-generation", None, "", 0.3, detail);
    }
}
