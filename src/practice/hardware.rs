//! The hardware of a unit, drawn, and what a planted fault changes of it. Receiver models and antenna names are invented.

use super::cause::Cause;
use super::fault::{Fault, Target};
use super::plan::{LinkKind, Plan, Unit};
use super::rng::Rng;
use super::signal::Chain;

const MAKES: &[&str] = &["make-a", "make-b", "make-c"];
const MODELS: &[&str] = &["RX-210", "RX-340", "RX-500"];
const ANTENNAS: &[(&str, u8, bool)] =
    &[("EXA-GEO4        NONE", 4, true), ("EXA-CHOKE2      NONE", 4, true), ("EXA-PUCK        NONE", 2, false)];

/// What a fault shows on cards: a long cable, an old firmware, a low radio mast.
pub(super) fn dress(p: &mut Plan, f: &Fault, q: &mut Rng) {
    let rover = match f.target {
        Target::Rover(n) => p.rovers.get_mut(usize::from(n)),
        _ => None,
    };
    match f.cause {
        Cause::BaseWeakSignal if f.mode == 0 => {
            // A long run of thin cable behind a weak amplifier.
            let mut bad = Chain { cable: 0, lna_gain_db: 28.0, connectors: 4, cable_m: 30.0, ..p.base.chain.clone() };
            let want = 12.0 + 7.0 * f.strength as f32;
            let good = p.base.chain.noise_dbm_hz(1575.42, 0.0, 0.0);
            while bad.noise_dbm_hz(1575.42, 0.0, 0.0) - good < want && bad.cable_m < 200.0 {
                bad.cable_m += 1.0;
            }
            p.base.bad_chain = Some(bad);
        }
        Cause::BaseWeakSignal => {
            p.base.chain.cable_m = p.base.chain.cable_m.max(25.0);
        }
        Cause::BaseFirmware => {
            p.base.model = "RX-340";
            p.base.firmware = format!("4.1.{}", q.int(0, 4));
        }
        // An emitter near 1227 MHz hurts where L2 is the second frequency: older receivers, GPS and GLONASS.
        Cause::BaseInterference if f.mode == 2 => {
            p.base.model = "RX-210";
            p.base.firmware = "2.8.0".into();
            p.base.signals = [0b111, 0b11, 0b11, 0b11];
            p.base.systems = [true, true, false, false];
            p.sends_1230 = true;
        }
        Cause::RoverInterference if f.mode == 2 => {
            if let Some(rv) = rover {
                rv.unit.model = "RX-210";
                rv.unit.firmware = "2.8.0".into();
                rv.unit.nmea411 = false;
                rv.unit.signals = [0b111, 0b11, 0b11, 0b11];
                rv.unit.systems = [true, true, false, false];
                p.base.systems[1] = true;
            }
        }
        Cause::RoverFirmware => {
            if let Some(rv) = rover {
                rv.unit.model = "RX-210";
                rv.unit.firmware = "2.7.3".into();
            }
        }
        Cause::LinkRange => {
            p.link.mast_m = 3.0;
            if p.link.kind == LinkKind::Uhf {
                p.link.power_w = 2.0;
            }
        }
        Cause::BaseObstruction | Cause::BaseMultipath if q.chance(0.4) => {
            (p.base.antenna, p.base.feeds, p.base.ground_plane) = ANTENNAS[2];
        }
        _ => {}
    }
}

/// A unit of a base or rover.
pub(super) fn unit(r: &mut Rng, id: String, label: String, base: bool, two_signals: bool, systems: [bool; 4]) -> Unit {
    let model = r.below(3);
    let firmware = match model {
        // None of these stands in the catalogue as trouble.
        0 => r.pick(&["2.6.1", "2.8.0", "2.8.1"], "2.8.0"),
        1 => r.pick(&["4.0.9", "4.1.5", "4.2.0"], "4.2.0"),
        _ => r.pick(&["5.0.2", "5.2.0", "5.2.1"], "5.2.0"),
    };
    let (antenna, feeds, ground_plane) = r.pick(ANTENNAS, ANTENNAS[0]);
    let modern = model != 0;
    let signals = if two_signals {
        [if modern { 0b101 } else { 0b11 }, 0b11, 0b11, 0b11]
    } else if modern {
        [0b1111, 0b11, 0b111, 0b111]
    } else {
        [0b111, 0b11, 0b11, 0b11]
    };
    Unit {
        seed: r.next(),
        make: r.pick(MAKES, "make-a"),
        model: MODELS.get(model).copied().unwrap_or("RX-210"),
        serial: format!("{}{:05}", if base { "B" } else { "R" }, r.int(1, 99_999)),
        firmware: firmware.into(),
        antenna,
        feeds,
        ground_plane,
        chain: Chain {
            lna_gain_db: r.pick(&[30.0, 35.0, 40.0], 40.0),
            lna_nf_db: r.pick(&[1.8, 2.0, 2.5], 2.0),
            cable: r.pick(&[1, 2, 3, 3], 3),
            cable_m: if base { r.range(5.0, 30.0).round() } else { r.range(2.0, 6.0).round() },
            connectors: 2,
            rx_nf_db: r.range(6.0, 9.0),
        },
        supply_min_v: 3.3,
        supply_v: 5.0 + r.range(-0.1, 0.1),
        current_ma: r.range(25.0, 60.0),
        systems,
        signals,
        mask_deg: if base { 5.0 } else { 8.0 },
        ground_h_m: r.range(1.5, 4.0),
        ground_alpha: r.range(0.04, 0.12) as f32 * if ground_plane { 1.0 } else { 1.5 },
        logs_events: r.chance(0.85),
        logs_metrics: r.chance(if base { 0.85 } else { 0.5 }),
        logs_syslog: r.chance(0.4),
        logs_spectrum: base && r.chance(0.4),
        card: r.chance(0.93),
        bad_chain: None,
        nmea411: modern,
        gst_s: r.pick(&[1, 2, 5], 5),
        date_s: 1,
        zda: r.chance(0.4),
        id,
        label,
    }
}
