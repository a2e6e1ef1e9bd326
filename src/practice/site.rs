//! Runs one site: tracks, sends, moves, fixes, and writes what its units would hand over.

use super::bundle::File;
use super::clock;
use super::fault::{Act, MAX_SIGNALS, antenna_shift};
use super::fix::{self, Epoch, Field, Lost, Tally};
use super::machine;
use super::nmea::{self, Gga, InView};
use super::orbit::Sys;
use super::plan::{Format, Plan, Rover, Session, World};
use super::rng::{bits, mix, pair, smooth, sub};
use super::rtcm::{self, Bits, Obs, SatObs};
use super::side::{self, Event};
use super::signal::{Band, SIGNALS, hz};
use super::skyweather::slant_tecu;
use super::track::{self, Geometry, Ground, State, Tracked};
use std::collections::BTreeMap;

/// Files of one unit in one session.
pub(super) struct Handed {
    pub unit: usize,
    pub session: Session,
    pub files: Vec<File>,
}

/// What came out of a site.
pub(super) struct Outcome {
    pub handed: Vec<Handed>,
    /// One tally a rover and session.
    pub tallies: Vec<(usize, Session, Tally)>,
}

/// Writes the base's stream.
struct BaseWriter<'a> {
    world: &'a World,
    plan: &'a Plan,
    geo: &'a Geometry,
    session: &'a Session,
    sent: &'a [fix::Sent],
    storm: Vec<f32>,
    /// Antenna on a loose mount against its place; empty when it stands fast.
    shift: Vec<[f32; 3]>,
    x: [f64; 3],
    bits: Bits,
    out: Vec<u8>,
    amb: Vec<f64>,
    since: Vec<i32>,
    seed: u64,
    next_eph: [usize; 4],
}

impl BaseWriter<'_> {
    fn clock_m(&self, t: i64) -> f64 {
        40.0 * f64::from(smooth(self.seed, 1, t, 300)) + 3.0 * f64::from(smooth(self.seed, 2, t, 20))
    }

    fn second(&mut self, i: usize, st: &State) {
        let (p, s) = (self.plan, self.session);
        let t = s.t0 + i as i64;
        let Some(e) = self.sent.get(i).copied() else { return };
        if e.pos {
            let q = p.place.offset(e.offset_m[0], e.offset_m[1], e.offset_m[2]).ecef();
            let x = if e.offset_m == [0.0; 3] { self.x } else { q };
            let h = p.msg_1006.then_some(p.antenna_height_m);
            rtcm::position(&mut self.bits, &mut self.out, p.station, p.base.systems, &x, h);
        }
        if !st.on {
            return;
        }
        let frozen = !e.obs && !e.closed && clock::on_beat(t, p.interval_s);
        if !frozen {
            if t.rem_euclid(20) == 6 {
                let u = &p.base;
                let name = format!("{} {}", u.make, u.model);
                rtcm::descriptors(&mut self.bits, &mut self.out, p.station, u.antenna, &u.serial, &name, &u.firmware);
            }
            if p.sends_1230 && t.rem_euclid(10) == 8 {
                rtcm::biases(&mut self.bits, &mut self.out, p.station, 0.0, 0.0);
            }
            if p.sends_1013 && t.rem_euclid(60) == 9 {
                let msm = |sys| rtcm::msm_number(sys, p.format);
                let obs = if p.format == Format::Legacy { 1004 } else { msm(Sys::Gps) };
                let list = [
                    (1005 + u16::from(p.msg_1006), false, 10.0),
                    (obs, true, p.interval_s as f64),
                    (1033, false, 20.0),
                ];
                rtcm::parameters(&mut self.bits, &mut self.out, p.station, t, &list);
            }
        }
        if e.closed {
            let size = 120 + (bits(self.seed, t as u64, 5) % 60) as usize;
            rtcm::closed(&mut self.bits, &mut self.out, p.station, self.seed ^ t as u64, size);
        }
        if e.obs {
            self.observables(i, t, st);
            let every = i64::from(self.world.scenario.output.ephemeris_interval_s);
            for sys in Sys::ALL {
                if p.base.systems[sys.ix()]
                    && (t + 2 * sys.ix() as i64).rem_euclid(every.max(p.interval_s)) < p.interval_s
                {
                    self.ephemeris(sys, t, i);
                }
            }
        }
    }

    fn ephemeris(&mut self, sys: Sys, t: i64, i: usize) {
        let n = self.geo.sats.len();
        for _ in 0..n {
            let row = self.next_eph[sys.ix()] % n.max(1);
            self.next_eph[sys.ix()] = row + 1;
            let Some(&k) = self.geo.sats.get(row) else { return };
            let right = self.world.sky.sats.get(k).is_some_and(|s| s.sys == sys);
            if right && self.geo.direction(row, t).1 > self.plan.base.mask_deg {
                let fnav = (i / 300) % 2 == 1;
                rtcm::ephemeris(&mut self.bits, &mut self.out, &self.world.sky, k, t, fnav);
                return;
            }
        }
    }

    fn observables(&mut self, i: usize, t: i64, st: &State) {
        let p = self.plan;
        let clk = self.clock_m(t);
        let clk_rate = (self.clock_m(t + 1) - self.clock_m(t - 1)) / 2.0;
        let storm = f64::from(self.storm.get(i).copied().unwrap_or(0.0));
        let mut groups: [Vec<SatObs>; 4] = Default::default();
        for (row, &k) in self.geo.sats.iter().enumerate() {
            let c0 = row * MAX_SIGNALS;
            if (0..MAX_SIGNALS).all(|n| st.since[c0 + n] == -1) {
                continue;
            }
            let Some(sat) = self.world.sky.sats.get(k) else { continue };
            let (az, el) = self.geo.direction(row, t);
            let (mut range, rate) = self.geo.range(row, t);
            if let Some(d) = self.shift.get(i) {
                let (e, a) = (el.to_radians(), az.to_radians());
                let d = d.map(f64::from);
                range -= d[0] * e.cos() * a.sin() + d[1] * e.cos() * a.cos() + d[2] * e.sin();
            }
            let tropo = 2.4 / (el.to_radians().sin() + 0.01);
            let tec = slant_tecu(&p.place, self.seed, k as u64, el, t, storm, st.rough[row]);
            let common = range + clk + tropo;
            let mut so = SatObs { id: sat.id, fcn: sat.fcn, obs: [Obs::default(); MAX_SIGNALS] };
            let h = bits(self.seed, t as u64, 0x900 + k as u64);
            let (a, b) = pair(h);
            let (c, d) = pair(mix(h));
            let (e, f) = pair(mix(h ^ 0x77));
            let (g, q) = pair(mix(h ^ 0x99));
            let luck = [(a, b), (c, d), (e, f), (g, q)];
            for (n, sig) in SIGNALS[sat.sys.ix()].iter().enumerate() {
                let cell = c0 + n;
                if st.since[cell] == -1 {
                    self.since[cell] = -1;
                    continue;
                }
                let hz = hz(sat, sig);
                let lambda = super::orbit::C_MS / hz;
                let iono = 40.3e16 * tec / (hz * hz);
                if self.since[cell] != st.since[cell] {
                    self.since[cell] = st.since[cell];
                    self.amb[cell] = ((2.0 * iono / lambda).round() + f64::from(st.cycles[cell])) * lambda;
                }
                let cn0 = st.cn0[cell];
                let reported = if self.world.scenario.output.hides("cn0") { 0.0 } else { cn0 };
                // What squaring cost a semi-codeless signal does not widen its loop.
                let squared = if sig.band == Band::L2W { 6.0 } else { 0.0 };
                let weak = 10f64.powf(f64::from(45.0 - squared - cn0).clamp(-10.0, 30.0) / 20.0);
                let code = match sig.band {
                    // Wide codes; for L2W the reported C/N0 is that after squaring, the code itself is 10.23 Mchip/s.
                    Band::L5 | Band::L2W => 0.10,
                    _ => 0.22,
                } * weak.min(6.0);
                let phase = 0.0012 * weak.min(5.0);
                let (z0, z1) = luck[n];
                let lock = track::lock_s(st.since[cell], i as i32);
                so.obs[n] = Obs {
                    have: true,
                    code_m: common + iono + f64::from(st.mp_code[cell]) + code * f64::from(z0),
                    phase_m: common - iono + self.amb[cell] + phase * f64::from(z1) + f64::from(st.mp_phase[cell]),
                    rate_ms: rate + clk_rate + 0.004 * f64::from(z0) * weak.min(3.0),
                    cn0_dbhz: reported,
                    lock_s: lock,
                    half: lock < 1,
                };
            }
            groups[sat.sys.ix()].push(so);
        }
        let present: Vec<usize> = (0..4).filter(|g| !groups[*g].is_empty()).collect();
        for (n, g) in present.iter().enumerate() {
            let more = n + 1 < present.len();
            let sys = Sys::ALL[*g];
            groups[*g].sort_by_key(|s| s.id);
            if p.format == Format::Legacy {
                rtcm::legacy(&mut self.bits, &mut self.out, p.station, sys, t, more, &groups[*g]);
            } else {
                rtcm::msm(&mut self.bits, &mut self.out, p.station, sys, p.format, t, more, &groups[*g]);
            }
        }
    }
}

/// GSV and GSA sentences of a rover at one second.
fn in_view(world: &World, rover: &Rover, geo: &Geometry, t: i64, st: &State, small: bool) -> Vec<u8> {
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

fn write_nmea(
    world: &World,
    plan: &Plan,
    rover: &Rover,
    s: &Session,
    path: &machine::Path,
    epochs: &[Epoch],
    views: &[(usize, Vec<u8>)],
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

/// Runs a site through all its sessions.
pub(super) fn run(world: &World, plan: &Plan) -> Outcome {
    let mut outcome = Outcome { handed: Vec::new(), tallies: Vec::new() };
    for s in &plan.sessions {
        session(world, plan, s, &mut outcome);
    }
    outcome
}

fn session(world: &World, plan: &Plan, s: &Session, outcome: &mut Outcome) {
    let acts: Vec<Act> = plan.acting(s).map(|f| f.act(s, &plan.place)).collect();
    let geo = Geometry::new(&world.sky, &plan.place, s, &[true; 4]);
    let all: u16 = plan.faults.iter().fold(0, |m, f| m | 1 << f.bit);
    let touch =
        |rover: Option<u8>| plan.faults.iter().filter(|f| f.touches_tracking(rover)).fold(0u16, |m, f| m | 1 << f.bit);
    // ---- the base, once for every set of causes that matters to it
    let base_touch = touch(None);
    let mut bases: BTreeMap<u16, Tracked> = BTreeMap::new();
    let mut sends: BTreeMap<u16, Vec<fix::Sent>> = BTreeMap::new();
    let variants = |relevant: u16| {
        let mut masks = vec![relevant, 0];
        for b in 0..16 {
            let m = relevant & !(1 << b);
            if relevant >> b & 1 == 1 && !masks.contains(&m) {
                masks.push(m);
            }
        }
        masks
    };
    for rover in 0..plan.rovers.len().max(1) as u8 {
        let relevant = relevant(plan, rover) & all;
        for m in variants(relevant) {
            let key = m & base_touch;
            let base = bases.entry(key).or_insert_with(|| {
                track::follow(&world.sky, &geo, &plan.place, s, &plan.base, None, &acts, key, None, |_, _| {})
            });
            sends.entry(m).or_insert_with(|| fix::base_sends(plan, s, &acts, m, base));
        }
    }
    // The base's own log: all causes act.
    let key = all & base_touch;
    bases.entry(key).or_insert_with(|| {
        track::follow(&world.sky, &geo, &plan.place, s, &plan.base, None, &acts, key, None, |_, _| {})
    });
    let Some(base) = bases.get(&key) else { return };
    let sent = fix::base_sends(plan, s, &acts, all, base);
    let mut storm = vec![0f32; s.n];
    for a in acts.iter().filter(|a| a.fault.cause == super::cause::Cause::SkyStorm && !a.fault.burst()) {
        for (v, l) in storm.iter_mut().zip(&a.level) {
            *v += l * (10.0 + 14.0 * a.fault.strength as f32);
        }
    }
    let cells = geo.sats.len() * MAX_SIGNALS;
    let mut w = BaseWriter {
        world,
        plan,
        geo: &geo,
        session: s,
        sent: &sent,
        storm,
        shift: acts.iter().find(|a| a.fault.loose_mount()).map_or(Vec::new(), |a| antenna_shift(a, s)),
        x: plan.place.ecef(),
        bits: Bits::default(),
        out: Vec::with_capacity(s.n * 400),
        amb: vec![0.0; cells],
        since: vec![-1; cells],
        seed: mix(sub(plan.base.seed, "observables") ^ s.t0 as u64),
        next_eph: [0; 4],
    };
    track::follow(&world.sky, &geo, &plan.place, s, &plan.base, None, &acts, key, None, |i, st| w.second(i, st));
    let rtcm = std::mem::take(&mut w.out);
    drop(w);
    let stamp = clock::date(s.t0).replace('-', "");
    let mut files = vec![File { name: format!("{}_{stamp}.rtcm3", plan.base.id), bytes: rtcm }];
    let events = side::events(plan, s, &acts, &plan.base, None);
    if !world.scenario.output.hides("events") {
        extras(&mut files, plan, &plan.base, s, &events, &stamp);
    }
    if plan.base.logs_metrics && !world.scenario.output.hides("metrics") {
        let mut text = String::new();
        side::base_metrics(&mut text, s, &acts, &plan.base, &base.on);
        files.push(File { name: format!("metrics_{stamp}.csv"), bytes: text.into_bytes() });
    }
    if plan.base.logs_spectrum && !world.scenario.output.hides("spectrum") {
        let mut text = String::new();
        side::spectrum(&mut text, s, &acts, &plan.base);
        files.push(File { name: format!("spectrum_{stamp}.csv"), bytes: text.into_bytes() });
    }
    outcome.handed.push(Handed { unit: 0, session: *s, files });
    // ---- rovers
    for (n, rover) in plan.rovers.iter().enumerate() {
        let index = n as u8;
        let slow = plan
            .faults
            .iter()
            .any(|f| f.cause == super::cause::Cause::RoverObstruction && f.touches_tracking(Some(index)));
        let path = machine::work(rover, s, plan.seed, slow);
        let ground = Ground { trees: &path.trees, zone: &path.zone, zone_az: (plan.seed % 360) as f64 };
        let own_touch = touch(Some(index));
        let relevant = relevant(plan, index) & all;
        let masks = variants(relevant);
        let field = Field { sky: &world.sky, weather: &world.weather, plan, rover, index, session: s, path: &path };
        let mut tracked: BTreeMap<u16, Tracked> = BTreeMap::new();
        let mut views: Vec<(usize, Vec<u8>)> = Vec::new();
        let every = i64::from(world.scenario.output.gsv_interval_s.max(1));
        let mut results: Vec<(u16, Vec<Epoch>)> = Vec::new();
        for m in masks {
            let key = m & own_touch;
            if !tracked.contains_key(&key) {
                let first = tracked.is_empty();
                let small = world.scenario.output.two_signals;
                let t = track::follow(
                    &world.sky,
                    &geo,
                    &plan.place,
                    s,
                    &rover.unit,
                    Some(index),
                    &acts,
                    key,
                    Some(&ground),
                    |i, st| {
                        let t = s.t0 + i as i64;
                        if first && st.on && t.rem_euclid(every) == every / 2 {
                            views.push((i, in_view(world, rover, &geo, t, st, small)));
                        }
                    },
                );
                tracked.insert(key, t);
            }
            let (Some(own), Some(base), Some(sent)) = (tracked.get(&key), bases.get(&(m & base_touch)), sends.get(&m))
            else {
                continue;
            };
            results.push((m, fix::run(&field, &acts, m, base, sent, own)));
        }
        let tally = fix::judge(s, plan.causes.len(), &results);
        let Some((_, epochs)) = results.first() else { continue };
        let bytes = write_nmea(world, plan, rover, s, &path, epochs, &views);
        let mut files = vec![File { name: format!("{}_{stamp}.nmea", rover.unit.id), bytes }];
        let events = side::events(plan, s, &acts, &rover.unit, Some(index));
        if !world.scenario.output.hides("events") {
            extras(&mut files, plan, &rover.unit, s, &events, &stamp);
        }
        if rover.unit.logs_metrics && !world.scenario.output.hides("metrics") {
            let mut text = String::new();
            let radio = plan.link.kind != super::plan::LinkKind::Network;
            side::rover_metrics(&mut text, s, &rover.unit, epochs, radio);
            files.push(File { name: format!("metrics_{stamp}.csv"), bytes: text.into_bytes() });
        }
        outcome.handed.push(Handed { unit: n + 1, session: *s, files });
        outcome.tallies.push((n, *s, tally));
    }
}

/// Causes that can reach a rover.
fn relevant(plan: &Plan, rover: u8) -> u16 {
    plan.faults
        .iter()
        .filter(|f| !matches!(f.target, super::fault::Target::Rover(k) if k != rover))
        .fold(0, |m, f| m | 1 << f.bit)
}

fn extras(files: &mut Vec<File>, plan: &Plan, u: &super::plan::Unit, s: &Session, events: &[Event], stamp: &str) {
    if u.logs_events && !events.is_empty() {
        let mut text = String::from(side::EVENTS_HEAD);
        side::events_csv(&mut text, events);
        files.push(File { name: format!("events_{stamp}.csv"), bytes: text.into_bytes() });
    }
    if u.logs_syslog {
        let mut text = String::new();
        side::syslog(&mut text, u, s, events, plan.seed & 3 == 0);
        files.push(File { name: format!("messages_{stamp}.log"), bytes: text.into_bytes() });
    }
}

/// Lost periods of a rover in seconds, for complaints.
pub(super) fn longest(periods: &[Lost], cause: Option<u8>) -> Option<(i64, i64)> {
    let mine: Vec<&Lost> = periods.iter().filter(|p| p.cause == cause).collect();
    Some((mine.first()?.from, mine.last()?.to))
}
