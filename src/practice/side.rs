//! What lies beside the observations: unit cards, events, metrics, spectrum sweeps, syslog.

use super::cause::Cause;
use super::clock::rfc3339;
use super::fault::{Act, Target};
use super::plan::{Plan, Session, Unit};
use super::rng::{Rng, mix, smooth, sub};
use std::fmt::Write;

/// One line of events.csv.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Event {
    pub t: i64,
    pub kind: &'static str,
    pub detail: String,
}

/// Rising and falling edges of a level.
fn edges(level: &[f32]) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut start = None;
    for (i, v) in level.iter().enumerate() {
        match (start, *v > 0.5) {
            (None, true) => start = Some(i),
            (Some(a), false) => {
                out.push((a, i));
                start = None;
            }
            _ => {}
        }
    }
    if let Some(a) = start {
        out.push((a, level.len()));
    }
    out
}

/// Events of a unit (`rover` = None for the base) in a session: marks of faults, and harmless ones.
pub(super) fn events(plan: &Plan, s: &Session, acts: &[Act], unit: &Unit, rover: Option<u8>) -> Vec<Event> {
    let mut r = Rng::new(mix(sub(unit.seed, "events") ^ s.t0 as u64));
    let mut out: Vec<Event> = Vec::new();
    let mut add = |i: i64, kind: &'static str, detail: &str| {
        out.push(Event { t: s.t0 + i, kind, detail: detail.to_string() });
    };
    for a in acts {
        let f = a.fault;
        let here = match (f.target, rover) {
            (Target::Base, None) => true,
            (Target::Rover(k), Some(n)) => k == n,
            (Target::All, None) => f.cause == Cause::LinkOutage,
            _ => false,
        };
        if !here {
            continue;
        }
        for (a, b) in edges(&a.level) {
            let (a, b) = (a as i64, b as i64);
            match f.cause {
                Cause::BaseRestart | Cause::RoverRestart => {
                    if f.traces && r.chance(0.6) {
                        add(a, "power-fail", "supply below limit");
                        add(b - 3, "power-restored", "");
                    }
                    if f.traces || r.chance(0.5) {
                        add(b, "restart", r.pick(&["cold start", "watchdog", "power up"], "cold start"));
                    }
                }
                Cause::BaseAntennaPower if f.traces && r.chance(0.6) => {
                    let kind = if f.mode == 2 { "antenna-short" } else { "antenna-open" };
                    add(a + 1, kind, if f.mode == 2 { "current above limit" } else { "no current" });
                }
                Cause::BaseMoved if f.traces && f.loose_mount() => add(a, "moved", "tilt sensor"),
                Cause::BaseMoved if f.traces => add(a, "position-change", "reference position set"),
                Cause::BaseMessages if f.traces => add(a - 2, "settings-change", "output messages changed"),
                Cause::LinkOutage if f.traces => {
                    add(a, "radio-off", "transmitter off");
                    add(b, "radio-on", "");
                }
                Cause::LinkRover if f.traces && r.chance(0.3) => add(a, "radio-off", "no carrier"),
                Cause::BaseWeakSignal if f.mode == 1 && f.traces && r.chance(0.5) => {
                    add(a + 200, "water", "humidity in housing")
                }
                Cause::BaseFirmware | Cause::RoverFirmware if f.traces && r.chance(0.15) => {
                    add(a, "other", "tracking engine note 17");
                }
                _ => {}
            }
        }
        if matches!(f.cause, Cause::BaseFirmware | Cause::RoverFirmware) && s.day == 0 && f.traces {
            add(-200, "firmware-update", &unit.firmware);
        }
    }
    if plan.confounders {
        let n = s.n as f64;
        // Things that happen anyway and cost nothing: a restarted logger, settings looked at, a warm box.
        for _ in 0..r.below(3) {
            let t = r.range(0.0, n) as i64;
            add(t, "restart", "logger service only");
        }
        if r.chance(0.25) {
            add(r.range(0.0, n) as i64, "settings-change", "display language");
        }
        if r.chance(0.15) {
            add(r.range(0.0, n) as i64, "overheat", "board 71 C");
        }
        if r.chance(0.1) {
            add(r.range(0.0, n) as i64, "radio-on", "self test");
        }
    }
    out.sort();
    out
}

/// `time,kind,detail`.
pub(super) fn events_csv(out: &mut String, list: &[Event]) {
    for e in list {
        let _ = writeln!(out, "{},{},{}", rfc3339(e.t), e.kind, e.detail);
    }
}

/// Header of events.csv.
pub(super) const EVENTS_HEAD: &str = "time,kind,detail\n";

/// Syslog lines: events and chatter. `old` = RFC 3164 (no year, no zone), else RFC 5424.
pub(super) fn syslog(out: &mut String, unit: &Unit, s: &Session, list: &[Event], old: bool) {
    let mut r = Rng::new(mix(sub(unit.seed, "syslog") ^ s.t0 as u64));
    let mut lines: Vec<(i64, u8, &str, String)> =
        list.iter().map(|e| (e.t, 4, "gnssd", format!("{} {}", e.kind, e.detail).trim_end().to_string())).collect();
    let mut t = 20.0;
    while t < s.n as f64 {
        let text = r.pick(&["disk 41 % used", "time sync ok", "session saved", "heartbeat"], "heartbeat");
        lines.push((s.t0 + t as i64, 6, "sysmon", text.into()));
        t += r.range(300.0, 1500.0);
    }
    lines.sort();
    const MONTH: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    for (t, severity, app, text) in lines {
        let pri = 16 * 8 + severity;
        if old {
            let (_, m, d) = super::clock::civil(t.div_euclid(86_400));
            let c = t.rem_euclid(86_400);
            let month = MONTH.get(m as usize - 1).copied().unwrap_or("Jan");
            let _ = writeln!(
                out,
                "<{pri}>{month} {d:>2} {:02}:{:02}:{:02} {} {app}: {text}",
                c / 3600,
                c / 60 % 60,
                c % 60,
                unit.id
            );
        } else {
            let _ = writeln!(out, "<{pri}>1 {} {} {app} - - - {text}", rfc3339(t), unit.id);
        }
    }
}

/// Metrics of a base: every 10 s.
pub(super) fn base_metrics(out: &mut String, s: &Session, acts: &[Act], unit: &Unit, on: &[bool]) {
    let seed = sub(unit.seed, "metrics");
    let noise = acts.iter().any(|a| a.fault.cause == Cause::BaseInterference && a.fault.traces);
    if out.is_empty() {
        out.push_str("time,antenna_voltage_v,antenna_current_ma,supply_voltage_v,temperature_c");
        if noise {
            out.push_str(",noise_level_l1_db,noise_level_l2_db");
        }
        out.push('\n');
    }
    for i in (0..s.n).step_by(10) {
        if !on.get(i).copied().unwrap_or(false) {
            continue;
        }
        let t = s.t0 + i as i64;
        let g = |lane: u64, period: i64| f64::from(smooth(seed, lane, t, period));
        let (mut v, mut ma) = (unit.supply_v + 0.02 * g(1, 40), unit.current_ma + 0.6 * g(2, 40));
        let mut supply = 12.6 + 0.2 * g(3, 600);
        let (mut l1, mut l2) = (0.4 * g(5, 15), 0.4 * g(6, 15));
        for a in acts {
            let level = f64::from(a.level.get(i).copied().unwrap_or(0.0));
            match a.fault.cause {
                Cause::BaseAntennaPower if level > 0.5 => match a.fault.mode {
                    // Supply sags; line open; line shorted.
                    0 => (v, ma) = (2.1 + 0.3 * g(7, 20), ma * 0.4),
                    1 => (v, ma) = (v + 0.1, 0.3 + 0.2 * g(8, 20).abs()),
                    _ => (v, ma) = (0.6 + 0.2 * g(7, 20), 190.0 + 5.0 * g(8, 20)),
                },
                Cause::BaseWeakSignal if a.fault.mode == 2 => ma *= 1.0 - 0.35 * level,
                Cause::BaseRestart => {
                    let soon = a.level.get(i..(i + 30).min(a.level.len())).is_some_and(|w| w.iter().any(|x| *x > 0.5));
                    if soon {
                        supply = 9.9 + 0.3 * g(9, 20);
                    }
                }
                Cause::BaseInterference => {
                    let (first, second) = a.fault.jam_db();
                    l1 += first * level;
                    l2 += second * level;
                }
                _ => {}
            }
        }
        let _ = write!(out, "{},{v:.2},{ma:.1},{supply:.2},{:.1}", rfc3339(t), 31.0 + 4.0 * g(4, 1800));
        if noise {
            let _ = write!(out, ",{l1:.1},{l2:.1}");
        }
        out.push('\n');
    }
}

/// Metrics of a rover: every 30 s, with what its radio said.
pub(super) fn rover_metrics(out: &mut String, s: &Session, unit: &Unit, epochs: &[super::fix::Epoch], radio: bool) {
    let seed = sub(unit.seed, "metrics");
    if out.is_empty() {
        out.push_str("time,supply_voltage_v,temperature_c,radio_loss_pct");
        out.push_str(if radio { ",radio_rssi_dbm\n" } else { "\n" });
    }
    for i in (0..s.n).step_by(30) {
        let Some(e) = epochs.get(i).filter(|e| e.state != 255) else { continue };
        let t = s.t0 + i as i64;
        let g = |lane: u64, period: i64| f64::from(smooth(seed, lane, t, period));
        let _ =
            write!(out, "{},{:.2},{:.1},{:.1}", rfc3339(t), 24.8 + 0.4 * g(1, 90), 38.0 + 5.0 * g(2, 1500), e.loss_pct);
        if radio {
            let _ = write!(out, ",{:.1}", e.rssi_dbm);
        }
        out.push('\n');
    }
}

/// Spectrum sweeps of a base, a few an hour: noise floor, and spikes while a band is disturbed.
pub(super) fn spectrum(out: &mut String, s: &Session, acts: &[Act], unit: &Unit) {
    if out.is_empty() {
        out.push_str("time,frequency_hz,power_dbm\n");
    }
    let mut r = Rng::new(mix(sub(unit.seed, "spectrum") ^ s.t0 as u64));
    let mut i = r.range(60.0, 600.0) as usize;
    while i < s.n {
        let t = s.t0 + i as i64;
        let mut spikes: Vec<(f64, f64)> = Vec::new();
        for a in acts.iter().filter(|a| a.fault.cause == Cause::BaseInterference) {
            let level = f64::from(a.level.get(i).copied().unwrap_or(0.0));
            if level > 0.1 {
                let (first, second) = a.fault.jam_db();
                let centre = if second > 0.0 { 1226 + a.fault.seed % 4 } else { 1575 + a.fault.seed % 5 };
                spikes.push((centre as f64, level * (first + second) + 8.0));
            }
        }
        for (a, b) in [(1160, 1300), (1555, 1612)] {
            for mhz in (a..b).step_by(2) {
                let f = f64::from(mhz);
                let mut p = -106.0 + r.normal() * 0.8;
                for (c, up) in &spikes {
                    let d = (f - c).abs();
                    if d < 8.0 {
                        p += up * (1.0 - d / 8.0);
                    }
                }
                let _ = writeln!(out, "{},{}000000,{p:.1}", rfc3339(t), mhz);
            }
        }
        i += r.range(700.0, 1500.0) as usize;
    }
}

/// Receiver, antenna and cable tables as TOML under a prefix ("" or "unit.").
pub(super) fn hardware(out: &mut String, u: &Unit, prefix: &str) {
    let chain = u.bad_chain.as_ref().unwrap_or(&u.chain);
    let _ = writeln!(
        out,
        "\n[{prefix}receiver]\nmake = \"{}\"\nmodel = \"{}\"\nserial = \"{}\"\nfirmware = \"{}\"",
        u.make, u.model, u.serial, u.firmware
    );
    let _ = writeln!(
        out,
        "\n[{prefix}antenna]\nmodel = \"{}\"\ngain_db = {:.1}\nnoise_figure_db = {:.1}\nfeeds = {}\nground_plane = {}\nsupply_min_v = {:.1}\nsupply_max_v = 5.5",
        u.antenna, chain.lna_gain_db, chain.lna_nf_db, u.feeds, u.ground_plane, u.supply_min_v
    );
    let kind = super::signal::CABLES.get(chain.cable).map_or("RG-213", |c| c.name);
    let _ = writeln!(
        out,
        "\n[{prefix}cable]\nkind = \"{kind}\"\nlength_m = {:.1}\nconnectors = {}",
        chain.cable_m, chain.connectors
    );
}

/// Reference and link tables of a base.
pub(super) fn reference(out: &mut String, p: &Plan, prefix: &str, set_on: i64) {
    let _ = writeln!(
        out,
        "\n[{prefix}reference]\nlatitude = {:.9}\nlongitude = {:.9}\nheight_m = {:.3}\nset_on = {}\nstation_id = {}",
        p.place.lat_deg,
        p.place.lon_deg,
        p.place.h_m,
        super::clock::date(set_on),
        p.station
    );
    let _ = write!(out, "\n[{prefix}link]\nkind = \"{}\"\n", p.link.kind.name());
    if p.link.kind != super::plan::LinkKind::Network {
        let _ = writeln!(
            out,
            "frequency_mhz = {:.4}\npower_w = {:.1}\nmast_m = {:.1}",
            p.link.mhz, p.link.power_w, p.link.mast_m
        );
    }
}

/// The unit card.
pub(super) fn card(p: &Plan, u: &Unit, base: bool, logged_on: i64, set_on: i64) -> String {
    let mut out = format!(
        "[unit]\nid = \"{}\"\nrole = \"{}\"\nsite = \"{}\"\nlabel = \"{}\"\nlogged_on = {}\n",
        u.id,
        if base { "base" } else { "rover" },
        p.id,
        u.label,
        super::clock::date(logged_on)
    );
    hardware(&mut out, u, "");
    if base {
        reference(&mut out, p, "", set_on);
    }
    out
}
