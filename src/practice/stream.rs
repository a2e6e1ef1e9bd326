//! Writes the stream of a base: observables, position, descriptions, ephemerides.

use super::cause::Cause;
use super::clock;
use super::fault::{Act, MAX_SIGNALS, antenna_shift};
use super::fix::Sent;
use super::geometry::Geometry;
use super::orbit::{C_MS, Sys};
use super::plan::{Format, Plan, Session, World};
use super::rng::{bits, mix, pair, smooth, sub};
use super::rtcm::{self, Bits, Obs, SatObs};
use super::signal::{Band, SIGNALS, hz};
use super::skyweather::slant_tecu;
use super::track::{State, lock_s};

/// Writes the base's stream.
pub(super) struct BaseWriter<'a> {
    world: &'a World,
    plan: &'a Plan,
    geo: &'a Geometry,
    session: &'a Session,
    sent: &'a [Sent],
    /// What storms add to the content on the way, by second.
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

impl<'a> BaseWriter<'a> {
    pub(super) fn new(
        world: &'a World,
        plan: &'a Plan,
        geo: &'a Geometry,
        session: &'a Session,
        acts: &[Act],
        sent: &'a [Sent],
    ) -> BaseWriter<'a> {
        let mut storm = vec![0f32; session.n];
        for a in acts.iter().filter(|a| a.fault.cause == Cause::SkyStorm && !a.fault.burst()) {
            for (v, l) in storm.iter_mut().zip(&a.level) {
                *v += l * (10.0 + 14.0 * a.fault.strength as f32);
            }
        }
        let cells = geo.sats.len() * MAX_SIGNALS;
        BaseWriter {
            world,
            plan,
            geo,
            session,
            sent,
            storm,
            shift: acts.iter().find(|a| a.fault.loose_mount()).map_or(Vec::new(), |a| antenna_shift(a, session)),
            x: plan.place.ecef(),
            bits: Bits::default(),
            out: Vec::with_capacity(session.n * 400),
            amb: vec![0.0; cells],
            since: vec![-1; cells],
            seed: mix(sub(plan.base.seed, "observables") ^ session.t0 as u64),
            next_eph: [0; 4],
        }
    }

    /// The stream as it was written.
    pub(super) fn finish(self) -> Vec<u8> {
        self.out
    }

    fn clock_m(&self, t: i64) -> f64 {
        40.0 * f64::from(smooth(self.seed, 1, t, 300)) + 3.0 * f64::from(smooth(self.seed, 2, t, 20))
    }

    /// Writes what the base sends in second `i`.
    pub(super) fn second(&mut self, i: usize, st: &State) {
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
                let lambda = C_MS / hz;
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
                let lock = lock_s(st.since[cell], i as i32);
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
