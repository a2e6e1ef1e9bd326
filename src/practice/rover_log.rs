//! Writes the log of a rover: positions, times, errors, satellites in view.

use super::fault::MAX_SIGNALS;
use super::fix::Epoch;
use super::geometry::Geometry;
use super::machine::Path;
use super::nmea::{self, Gga, InView};
use super::orbit::Sys;
use super::plan::{Plan, Rover, Session, World};
use super::rng::{mix, smooth, sub};
use super::signal::SIGNALS;
use super::track::State;

/// A second of the session, and the sentences of what is in view then.
pub(super) type View = (usize, Vec<u8>);

/// GSV and GSA sentences of a rover at one second.
pub(super) fn in_view(world: &World, rover: &Rover, geo: &Geometry, t: i64, st: &State, small: bool) -> Vec<u8> {
    let mut out = Vec::new();
    let hide = world.scenario.output.hides("cn0");
    let id_of = |sys: Sys, id: u8| u16::from(id) + if sys == Sys::Glo { 64 } else { 0 };
    let talkers: [&[u8; 2]; 4] = [b"GP", b"GL", b"GA", b"GB"];
    let mut rows: [Vec<(usize, InView)>; 4] = Default::default();
    for (row, &k) in geo.sats.iter().enumerate() {
        let (az, el) = geo.direction(row, t);
        if el < 2.0 {
            continue;
        }
        let Some(sat) = world.sky.sats.get(k) else { continue };
        rows[sat.sys.ix()].push((
            row,
            InView {
                id: id_of(sat.sys, sat.id),
                el: el.round().clamp(0.0, 90.0) as u8,
                az: az.round() as u16 % 360,
                cn0: None,
            },
        ));
    }
    for sys in Sys::ALL {
        let list = &rows[sys.ix()];
        let ids: Vec<u16> =
            list.iter().filter(|(row, _)| st.since[row * MAX_SIGNALS] != -1).map(|(_, v)| v.id).take(20).collect();
        if !ids.is_empty() {
            let dop = 2.4 / (ids.len() as f64 + 4.0).sqrt();
            nmea::gsa(&mut out, &ids, rover.unit.nmea411.then_some(b'1' + sys.ix() as u8), (dop * 1.9, dop, dop * 1.6));
        }
    }
    for sys in Sys::ALL {
        let list = &rows[sys.ix()];
        let mut shown = 0;
        for (n, sig) in SIGNALS[sys.ix()].iter().enumerate() {
            if rover.unit.signals[sys.ix()] >> n & 1 == 0 || (n > 0 && !rover.unit.nmea411) || (small && shown >= 2) {
                continue;
            }
            shown += 1;
            let group: Vec<InView> = list
                .iter()
                .filter_map(|(row, v)| {
                    let c = row * MAX_SIGNALS + n;
                    let cn0 = (st.since[c] != -1).then(|| st.cn0[c].round().clamp(0.0, 99.0) as u8);
                    // A satellite without this signal is not in its list.
                    let shown = if hide { None } else { cn0 };
                    (n == 0 || cn0.is_some()).then_some(InView { cn0: shown, ..*v })
                })
                .collect();
            nmea::gsv(&mut out, talkers[sys.ix()], &group, rover.unit.nmea411.then_some(sig.nmea));
        }
    }
    out
}

/// The whole log of a rover; `views` are the sentences of `in_view` by second.
pub(super) fn write_nmea(
    world: &World,
    plan: &Plan,
    rover: &Rover,
    s: &Session,
    path: &Path,
    epochs: &[Epoch],
    views: &[View],
) -> Vec<u8> {
    let seed = mix(sub(rover.unit.seed, "position") ^ s.t0 as u64);
    let mut out = Vec::with_capacity(s.n * 160);
    let a = plan.place.offset(0.0, 1000.0, 0.0).lat_deg - plan.place.lat_deg;
    let b = plan.place.offset(1000.0, 0.0, 0.0).lon_deg - plan.place.lon_deg;
    let geoid = ((12.0 + 30.0 * (plan.place.lon_deg / 40.0).sin()) * 1000.0).round() / 1000.0;
    let small = world.scenario.output.two_signals;
    let digits = if small { 6 } else { 7 };
    let hide_age = world.scenario.output.hides("ages");
    let mut view = views.iter().peekable();
    for (i, e) in epochs.iter().enumerate() {
        while view.peek().is_some_and(|(k, _)| *k < i) {
            view.next();
        }
        if e.state == 255 {
            continue;
        }
        let t = s.t0 + i as i64;
        let at = path.at.get(i).copied().unwrap_or((0.0, 0.0));
        let km = f64::from(at.0).hypot(f64::from(at.1)) / 1000.0;
        let (h, v, period) = match e.state {
            4 => (0.006 + 0.000_8 * km, 0.010 + 0.001_2 * km, 7),
            5 => (0.22, 0.4, 50),
            2 => (0.6, 1.1, 90),
            _ => (1.6, 2.8, 120),
        };
        let lane = u64::from(e.state) * 8;
        let g = |k: u64| f64::from(smooth(seed, lane + k, t, period));
        let east = f64::from(at.0 + e.offset_m[0]) + h * g(1);
        let north = f64::from(at.1 + e.offset_m[1]) + h * g(2);
        let ground = 4.0 * f64::from(smooth(plan.seed, 3, (at.0 * 100.0) as i64, 6000)) - 3.0;
        let gga = Gga {
            t,
            lat_deg: plan.place.lat_deg + north / 1000.0 * a,
            lon_deg: plan.place.lon_deg + east / 1000.0 * b,
            quality: e.state,
            sats: e.used,
            hdop: (2.4 / (f64::from(e.used) + 2.0).sqrt()).clamp(0.4, 9.9),
            alt_m: plan.place.h_m + ground + f64::from(e.offset_m[2]) + v * g(3) - geoid,
            geoid_m: geoid,
            age_s: if hide_age { -1.0 } else { e.age_s },
            station: if e.foreign { plan.other_station } else { plan.station },
            digits,
        };
        nmea::gga(&mut out, &gga);
        if t.rem_euclid(rover.unit.date_s) == 0 {
            if rover.unit.zda {
                nmea::zda(&mut out, t);
            } else {
                let knots = f64::from(path.speed_ms.get(i).copied().unwrap_or(0.0)) / 0.514_444;
                let course = f64::from(path.course_deg.get(i).copied().unwrap_or(0.0));
                nmea::rmc(&mut out, &gga, knots, course, rover.unit.nmea411);
            }
        }
        if e.state != 0 && t.rem_euclid(rover.unit.gst_s.max(1)) == 0 {
            nmea::gst(&mut out, t, 0.5 + 0.1 * g(5).abs(), h * (1.0 + 0.1 * g(6)), h * (1.0 + 0.1 * g(7)), v);
        }
        if let Some((_, text)) = view.peek().filter(|(k, _)| *k == i) {
            out.extend_from_slice(text);
        }
    }
    out
}
