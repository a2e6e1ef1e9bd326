//! The radio path between base and rover: level, lost packets, another base on the channel.

use super::cause::Cause;
use super::fault::Act;
use super::fix::Field;
use super::plan::{LinkKind, Plan};
use super::rng::{smooth, sub};

/// Receiver sensitivity of the radio, dBm.
const SENSITIVITY_DBM: f64 = -108.0;

/// Received power over the path, dBm (free space or plane earth, whichever loses more; see check values 12.5).
fn received_dbm(plan: &Plan, d_m: f64) -> f64 {
    let l = &plan.link;
    let free = 32.45 + 20.0 * l.mhz.max(1.0).log10() + 20.0 * (d_m / 1000.0).max(0.05).log10();
    let plane = 40.0 * d_m.max(50.0).log10() - 20.0 * l.mast_m.log10() - 20.0 * 2.5f64.log10();
    10.0 * (l.power_w.max(1e-3) * 1000.0).log10() + 1.0 - free.max(plane)
}

/// The radio of one rover.
pub(super) struct Radio<'a> {
    f: &'a Field<'a>,
    acts: &'a [&'a Act<'a>],
    seed: u64,
    /// What the crew added so that it works where they work, dB.
    spare: f64,
    /// Level over the sensitivity in the middle of the area, dB.
    margin_centre: f64,
}

/// One second of the radio path.
pub(super) struct Air {
    /// Level, dBm; 0 on a network.
    pub rssi: f64,
    /// Chance that a packet is lost.
    pub p_loss: f64,
    /// Another base is louder.
    pub hears_other: bool,
}

impl<'a> Radio<'a> {
    pub(super) fn new(f: &'a Field<'a>, acts: &'a [&'a Act<'a>], seed: u64) -> Radio<'a> {
        let centre = f.rover.centre_m.0.hypot(f.rover.centre_m.1);
        let far = centre + f.rover.half_m.0.max(f.rover.half_m.1) * 1.5;
        // The crew set the radio up so that it works where they work; a range fault takes that margin away.
        let spare = (16.0 - (received_dbm(f.plan, far) - SENSITIVITY_DBM)).max(0.0);
        let margin_centre = received_dbm(f.plan, centre) + spare - SENSITIVITY_DBM;
        Radio { f, acts, seed, spare, margin_centre }
    }

    /// Second `i` with the rover at `at` (m east and north), `d_m` from the base.
    pub(super) fn air(&self, i: usize, t: i64, at: (f32, f32), d_m: f64) -> Air {
        let plan = self.f.plan;
        let network = plan.link.kind == LinkKind::Network;
        let mut air = Air { rssi: 0.0, p_loss: 0.004, hears_other: false };
        if !network {
            let place =
                f64::from(smooth(sub(plan.seed, "terrain"), (at.1 / 80.0) as i64 as u64, (at.0 / 40.0) as i64, 4));
            let flutter = f64::from(smooth(self.seed, 61, t, 7));
            air.rssi = received_dbm(plan, d_m) + self.spare + 3.0 * flutter + 2.0 * place;
        }
        for a in self.acts {
            self.planted(a, i, t, at, &mut air);
        }
        if !network {
            let fade = 1.0 / (1.0 + ((air.rssi - SENSITIVITY_DBM) / 1.4).exp());
            air.p_loss = 1.0 - (1.0 - air.p_loss) * (1.0 - fade);
        }
        air
    }

    /// What a planted fault of the link does to a second.
    fn planted(&self, a: &Act, i: usize, t: i64, at: (f32, f32), air: &mut Air) {
        let level = f64::from(a.level.get(i).copied().unwrap_or(0.0));
        let s01 = a.fault.strength;
        let plan = self.f.plan;
        match a.fault.cause {
            Cause::LinkRange => {
                // Low mast and power, and ground in the way on one side of the area.
                let hill = smooth(sub(plan.seed, "shadow"), 1, ((at.0 + at.1) / 120.0) as i64, 6) > 0.2;
                air.rssi -= (self.margin_centre - (3.0 - 5.0 * s01)) * level + if hill { 7.0 } else { 0.0 };
            }
            Cause::LinkOutage if level > 0.5 => air.p_loss = 0.985,
            Cause::LinkRover => {
                air.rssi -= level * (self.margin_centre + 3.0 + 8.0 * s01);
                if plan.link.kind == LinkKind::Network && level > 0.5 {
                    air.p_loss = 0.97;
                }
            }
            Cause::LinkStationClash if level > 0.5 => {
                let block = smooth(a.fault.seed ^ u64::from(self.f.index), 71, t, 11);
                air.hears_other = f64::from(block) > 0.55 - 0.9 * s01;
                air.p_loss = 0.2;
            }
            _ => {}
        }
    }
}
