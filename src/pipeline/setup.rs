//! From card, register, catalogue and places to what a detector may know of a unit's set-up.

use super::beside::Beside;
use crate::config::card::UnitCard;
use crate::detect::{NearPlace, Setup};
use crate::maths::budget::{self, Stage};
use crate::maths::geodesy::{Geodetic, geodetic_to_ecef, great_circle_m};
use crate::model::event::Origin;

/// L1, MHz.
const L1_MHZ: f64 = 1575.42;
/// One connector at L band, dB (0.1 to 0.3 dB: common practice, no source).
const CONNECTOR_DB: f64 = 0.2;
/// Noise figure of a receiver that nobody described, dB (worked example of check-values 10.4).
const RECEIVER_NF_DB: f64 = 10.0;
/// Antenna temperature, K (worked example of check-values 10.4).
const ANTENNA_K: f64 = 100.0;
/// Current for the voltage drop on the cable, A (typical 20 to 100 mA: common practice, no source).
const CURRENT_A: f64 = 0.1;

/// The maker of a unit's receiver.
pub(crate) fn make_of(card: &UnitCard) -> String {
    card.receiver.make.to_ascii_lowercase()
}

/// The set-up of a unit; `position` in degrees when known.
pub(crate) fn of(card: &UnitCard, beside: &Beside, position: Option<(f64, f64)>, origin: Origin) -> Setup {
    let catalogue = &beside.catalogue;
    let entry = catalogue.antenna(&card.antenna.model);
    let gain = card.antenna.gain_db.or(entry.and_then(|e| e.gain_db));
    let noise = card.antenna.noise_figure_db.or(entry.and_then(|e| e.noise_figure_db)).unwrap_or(2.0);
    let per_100m = catalogue.cable_loss_db_per_100m(&card.cable.kind, L1_MHZ);
    let loss = match (per_100m, card.cable.length_m) {
        (Some(db), Some(m)) => Some(db * m / 100.0 + CONNECTOR_DB * card.cable.connectors.unwrap_or(2.0)),
        _ => None,
    };
    let receiver_nf = catalogue
        .receivers
        .iter()
        .find(|r| r.model.eq_ignore_ascii_case(&card.receiver.model))
        .and_then(|r| r.noise_figure_db)
        .unwrap_or(RECEIVER_NF_DB);
    let cost = match (gain, loss) {
        (Some(g), Some(l)) => {
            let chain = |cable: f64| {
                budget::friis(&[Stage::active(g, noise), Stage::loss(cable), Stage::active(0.0, receiver_nf)])
            };
            match (chain(l), chain(0.0)) {
                (Some(with), Some(without)) => Some(budget::cn0_cost_db(&with, &without, ANTENNA_K)),
                _ => None,
            }
        }
        _ => None,
    };
    let drop = catalogue
        .loop_ohm_per_km(&card.cable.kind)
        .zip(card.cable.length_m)
        .map(|(ohm, m)| CURRENT_A * ohm * m / 1000.0);
    let trouble = catalogue.trouble(&card.receiver.model, &card.receiver.firmware);
    let reference = match (card.reference.latitude, card.reference.longitude, card.reference.height_m) {
        (Some(lat_deg), Some(lon_deg), Some(h_m)) => Some(geodetic_to_ecef(&Geodetic { lat_deg, lon_deg, h_m })),
        _ => None,
    };
    let mut near: Vec<NearPlace> = position
        .map(|(lat, lon)| {
            beside
                .places
                .iter()
                .map(|p| NearPlace {
                    name: p.name.clone(),
                    kind: p.kind.clone(),
                    distance_m: great_circle_m(lat, lon, p.latitude, p.longitude),
                })
                .filter(|p| p.distance_m < 30_000.0)
                .collect()
        })
        .unwrap_or_default();
    near.sort_by(|a, b| a.distance_m.total_cmp(&b.distance_m).then(a.name.cmp(&b.name)));
    let cable_words = match card.cable.length_m {
        Some(m) if !card.cable.kind.is_empty() => format!("{m:.0} m {}", card.cable.kind),
        _ => String::new(),
    };
    let text = |s: &str| (!s.is_empty()).then(|| s.to_owned());
    Setup {
        place: None,
        reference_xyz_m: reference,
        supply_min_v: card.antenna.supply_min_v.or(entry.and_then(|e| e.supply_min_v)),
        supply_max_v: card.antenna.supply_max_v.or(entry.and_then(|e| e.supply_max_v)),
        voltage_drop_v: drop,
        antenna_feeds: card.antenna.feeds,
        ground_plane: card.antenna.ground_plane,
        antenna_gain_db: gain,
        cable_loss_db: loss,
        cable_words,
        budget_cost_db: cost,
        firmware: card.receiver.firmware.clone(),
        firmware_trouble: trouble.and_then(|t| text(&t.trouble)).or(trouble.map(|_| "known trouble".to_owned())),
        firmware_mends: trouble.and_then(|t| text(&t.mends)),
        make: make_of(card),
        near,
        origin,
    }
}
