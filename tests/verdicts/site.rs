//! A small made-up site: what a base and its rovers log, from closures over time, through the real tables, detectors,
//! evidence and ranking. The noise comes from a small generator with a fixed seed.

use lostfix::causes::rank::{Ranking, rank};
use lostfix::causes::verdict::CAUSES;
use lostfix::causes::weights::{SHIPPED, Weights};
use lostfix::correlate::case::{RoverCase, SiteCase};
use lostfix::correlate::evidence::{EvidenceLimits, SiteEvidence, observed_spans};
use lostfix::correlate::gather::gather;
use lostfix::correlate::grid::Grid;
use lostfix::correlate::periods::{PeriodLimits, rover_time};
use lostfix::detect::{Limits, Setup, advisories, base_events, over_rover};
use lostfix::frames::{UnitBuilder, UnitFrames, view};
use lostfix::maths::starts::starting_spans;
use lostfix::model::event::{Event, Origin};
use lostfix::model::ids::{Band, FixState, Role, Sat, Signal, System};
use lostfix::model::rows::{
    BandTen, Correction, Fix, LoggedEvent, Metric, Position, Rows, SPAN_OBSERVATIONS, SPAN_POSITIONS, SignalMinute,
    Span, SpectrumBin, SystemTen,
};
use std::collections::BTreeSet;

/// 2025-03-10 08:00 UTC.
pub const T0: i64 = 1_741_593_600_000;
/// Three hours.
pub const SECONDS: i64 = 10_800;
pub const BASE_LAT: f64 = 47.0;
pub const BASE_LON: f64 = 8.0;

/// SplitMix64 (public domain algorithm), enough for test noise.
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
    /// About normal, sigma 1.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }
}

/// What a base does in ten seconds.
#[derive(Clone)]
pub struct BaseNow {
    pub on: bool,
    /// Fall of C/N0 on L1, L2, L5.
    pub drop_db: [f64; 3],
    /// Largest common step of L1, L2, L5 within the ten seconds.
    pub step_db: [f64; 3],
    /// Share of satellites with a second frequency.
    pub second: f64,
    pub satellites: u8,
    pub lost_lock: u8,
    /// Satellites that fade (of 14).
    pub fading: usize,
    /// Slips a satellite and minute, on all satellites.
    pub slips: u16,
    /// 1006 goes out.
    pub position: bool,
    /// Open observables go out, every so many seconds; 0: none.
    pub observables_s: u32,
    /// A maker's own messages go out.
    pub company: bool,
    /// Shift of the reported position, m.
    pub moved_m: f64,
}

impl Default for BaseNow {
    fn default() -> BaseNow {
        BaseNow {
            on: true,
            drop_db: [0.0; 3],
            step_db: [0.0; 3],
            second: 0.92,
            satellites: 24,
            lost_lock: 0,
            fading: 0,
            slips: 0,
            position: true,
            observables_s: 1,
            company: false,
            moved_m: 0.0,
        }
    }
}

/// One rover epoch.
#[derive(Clone)]
pub struct RoverNow {
    pub state: FixState,
    pub age_s: f32,
    pub station: u16,
    pub satellites: u8,
    /// Distance north of the base, km.
    pub north_km: f64,
    /// East of the base, m.
    pub east_m: f64,
    pub logs: bool,
    pub second: f64,
    pub drop_db: [f64; 3],
}

impl Default for RoverNow {
    fn default() -> RoverNow {
        RoverNow {
            state: FixState::Fixed,
            age_s: 1.2,
            station: 12,
            satellites: 20,
            north_km: 1.0,
            east_m: 0.0,
            logs: true,
            second: 0.9,
            drop_db: [0.0; 3],
        }
    }
}

impl RoverNow {
    pub fn lost(mut self, lost: bool) -> RoverNow {
        if lost {
            self.state = FixState::Float;
        }
        self
    }
}

pub type BaseDoes = Box<dyn Fn(i64) -> BaseNow>;
pub type RoverDoes = Box<dyn Fn(i64) -> RoverNow>;

pub struct Site {
    pub base: BaseDoes,
    pub rovers: Vec<RoverDoes>,
    pub neighbours: Vec<RoverDoes>,
    pub setup: Setup,
    pub extra: Rows,
    pub magnetic_latitude: Option<f64>,
    pub longitude: f64,
    pub sky: Vec<Event>,
    pub rover_logs: Vec<(usize, LoggedEvent)>,
}

impl Default for Site {
    fn default() -> Site {
        Site {
            base: Box::new(|_| BaseNow::default()),
            rovers: Vec::new(),
            neighbours: Vec::new(),
            setup: Setup::default(),
            extra: Rows::default(),
            magnetic_latitude: Some(48.0),
            longitude: BASE_LON,
            sky: Vec::new(),
            rover_logs: Vec::new(),
        }
    }
}

pub struct Outcome {
    pub ranking: Ranking,
    pub base_events: Vec<Event>,
    pub standing: Vec<Event>,
    pub rover_events: Vec<Vec<Event>>,
    pub evidence: SiteEvidence,
}

impl Outcome {
    pub fn first(&self) -> &str {
        self.ranking.causes.first().map_or("", |c| c.cause.as_str())
    }
    pub fn confidence(&self) -> f64 {
        self.ranking.causes.first().map_or(0.0, |c| c.confidence)
    }
    pub fn hours(&self, cause: &str) -> f64 {
        self.ranking.causes.iter().filter(|c| c.cause == cause).map(|c| c.lost_fix_hours).sum()
    }
    pub fn side_hours(&self, side: &str) -> f64 {
        self.ranking.causes.iter().filter(|c| c.side == side).map(|c| c.lost_fix_hours).sum()
    }
    pub fn has_event(&self, kind: &str) -> bool {
        self.base_events.iter().any(|e| e.kind == kind)
    }
    pub fn told(&self) -> String {
        let causes: Vec<String> = self
            .ranking
            .causes
            .iter()
            .map(|c| format!("{} {:.3} h p={:.2}", c.cause, c.lost_fix_hours, c.confidence))
            .collect();
        let mut kinds: Vec<String> = Vec::new();
        for e in self.base_events.iter().chain(self.rover_events.iter().flatten()) {
            let k = format!("{}:{}", e.unit, e.kind);
            if !kinds.contains(&k) {
                kinds.push(k);
            }
        }
        let mut longest: Vec<_> = self.evidence.segments.iter().collect();
        longest.sort_by_key(|s| std::cmp::Reverse(s.lost_ms));
        let features: Vec<String> = longest
            .iter()
            .take(3)
            .map(|s| {
                let f: Vec<String> = s.features.iter().map(|f| format!("{} {:.2}", f.id, f.strength)).collect();
                format!("rover {} {}..{}: {}", s.rover, (s.from - T0) / 1000, (s.to - T0) / 1000, f.join(", "))
            })
            .collect();
        format!("causes: {}\nevents: {}\n{}", causes.join("; "), kinds.join(" "), features.join("\n"))
    }
    /// Asserts the first cause.
    pub fn must_be(&self, cause: &str) {
        assert_eq!(self.first(), cause, "\n{}", self.told());
    }
}

fn origin(name: &str) -> Origin {
    Origin { bundle: format!("{name}.zip"), file: "log".to_owned() }
}

const BANDS: [Band; 3] = [Band::L1, Band::L2, Band::L5];
/// Usual median C/N0 of the bands, dB-Hz.
const LEVEL: [f64; 3] = [45.0, 42.0, 47.0];

pub fn base_rows(does: &dyn Fn(i64) -> BaseNow, seed: u64) -> Rows {
    let mut noise = Noise(seed);
    let mut rows = Rows::default();
    let mut span: Option<(i64, i64)> = None;
    let mut last_moved = f64::NAN;
    for s in (0..SECONDS).step_by(10) {
        let now = does(s);
        let t = T0 + s * 1000;
        if !now.on {
            if let Some((from, to)) = span.take() {
                rows.spans.push(Span { time: from, until: to, kind: SPAN_OBSERVATIONS, epochs: 1 });
            }
            continue;
        }
        span = Some((span.map_or(t, |x| x.0), t + 9_000));
        rows.systems.push(SystemTen {
            time: t,
            system: b'G',
            satellites: now.satellites,
            first: now.satellites,
            second: (f64::from(now.satellites) * now.second).round() as u8,
        });
        for (b, band) in BANDS.iter().enumerate() {
            let second = if b == 0 { 1.0 } else { now.second };
            let satellites = (f64::from(now.satellites) * second).round() as u8;
            if satellites == 0 {
                continue;
            }
            rows.bands.push(BandTen {
                time: t,
                band: band.code(),
                satellites,
                cn0_median: (LEVEL[b] - now.drop_db[b] + 0.2 * noise.normal()) as f32,
                cn0_step_max: (0.3 + 0.1 * noise.next() + now.step_db[b]) as f32,
                cn0_scatter: 0.5,
                lost_lock: now.lost_lock,
            });
        }
        if now.moved_m != last_moved && now.position {
            last_moved = now.moved_m;
            rows.positions.push(Position {
                time: t,
                station_id: 12,
                x_m: 4_300_000.0,
                y_m: 600_000.0 + now.moved_m,
                z_m: 4_650_000.0,
                antenna_height_m: 0.0,
                is_virtual: false,
                from_rtcm: true,
            });
        }
        if s % 60 == 0 {
            let mut message = |message: u16, count: u32| {
                if count > 0 {
                    rows.corrections.push(Correction {
                        time: t,
                        station_id: 12,
                        message,
                        count,
                        bytes: count * 200,
                        longest_gap_s: 60.0 / count as f32,
                    });
                }
            };
            message(1006, if now.position { 6 } else { 0 });
            // 0 s apart: no observables are sent.
            if let Some(a_minute) = 60_u32.checked_div(now.observables_s) {
                for m in [1077, 1087, 1097, 1127] {
                    message(m, a_minute);
                }
            }
            message(1033, 1);
            message(1230, 2);
            message(4090, if now.company { 60 } else { 0 });
            for k in 0..14_usize {
                let (azimuth, elevation) = (k as f32 * 25.0, 15.0 + 5.0 * k as f32);
                let bend = (f64::from(elevation) - 45.0) * 0.1;
                for (b, band) in BANDS.iter().enumerate() {
                    if b > 0 && k as f64 >= 14.0 * now.second {
                        continue;
                    }
                    let fades = k < now.fading;
                    rows.signals.push(SignalMinute {
                        time: t,
                        sat: Sat::new(System::Gps, k as u8 + 1).code(),
                        signal: Signal { system: System::Gps, code: [b"1C", b"2L", b"5Q"][b].to_owned() }.pack(),
                        band: band.code(),
                        cn0_mean: (LEVEL[b] + bend - now.drop_db[b] + 0.3 * noise.normal()) as f32,
                        cn0_min: (LEVEL[b] + bend - now.drop_db[b] - 2.0) as f32,
                        cn0_sd: if fades { 3.5 } else { 0.6 },
                        epochs: 60,
                        slips: now.slips + u16::from(fades),
                        azimuth,
                        elevation,
                        ..SignalMinute::default()
                    });
                }
            }
        }
    }
    if let Some((from, to)) = span {
        rows.spans.push(Span { time: from, until: to, kind: SPAN_OBSERVATIONS, epochs: 1 });
    }
    rows
}

pub fn rover_rows(does: &dyn Fn(i64) -> RoverNow, seed: u64, longitude: f64) -> Rows {
    let mut noise = Noise(seed);
    let mut rows = Rows::default();
    let mut span: Option<(i64, i64)> = None;
    for s in 0..SECONDS {
        let now = does(s);
        let t = T0 + s * 1000;
        if !now.logs {
            if let Some((from, to)) = span.take() {
                rows.spans.push(Span { time: from, until: to, kind: SPAN_POSITIONS, epochs: 1 });
            }
            continue;
        }
        span = Some((span.map_or(t, |x| x.0), t));
        rows.fixes.push(Fix {
            time: t,
            state: now.state as u8,
            satellites: now.satellites,
            hdop: 0.7,
            correction_age_s: now.age_s,
            station_id: now.station,
            lat: BASE_LAT + now.north_km / 111.195,
            lon: longitude + now.east_m / 75_000.0,
            height_m: 500.0,
            sigma_h_m: 0.01,
            sigma_v_m: 0.02,
        });
        if s % 10 == 0 {
            rows.systems.push(SystemTen {
                time: t,
                system: b'G',
                satellites: now.satellites,
                first: now.satellites,
                second: (f64::from(now.satellites) * now.second).round() as u8,
            });
            for (b, band) in BANDS.iter().enumerate() {
                let satellites = (f64::from(now.satellites) * if b == 0 { 1.0 } else { now.second }).round() as u8;
                if satellites > 0 {
                    rows.bands.push(BandTen {
                        time: t,
                        band: band.code(),
                        satellites,
                        cn0_median: (LEVEL[b] - now.drop_db[b] + 0.4 * noise.normal()) as f32,
                        cn0_step_max: 0.4,
                        cn0_scatter: 0.5,
                        lost_lock: 0,
                    });
                }
            }
        }
    }
    if let Some((from, to)) = span {
        rows.spans.push(Span { time: from, until: to, kind: SPAN_POSITIONS, epochs: 1 });
    }
    rows
}

pub fn frames(unit: &str, role: Role, rows: Vec<Rows>) -> UnitFrames {
    let mut builder = UnitBuilder::new(unit, role, "meadow");
    for (i, r) in rows.into_iter().enumerate() {
        builder.add(origin(&format!("{unit}-{i}")), r);
    }
    builder.build().unwrap()
}

fn rover_case(f: &UnitFrames, limits: &Limits) -> RoverCase {
    let times = view::i64s(&f.fixes, "time");
    let states = view::u32s_full(&f.fixes, "state");
    let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
    let seen = over_rover(f, limits);
    let ages_s = view::f32s(&f.fixes, "correction_age_s");
    RoverCase {
        unit: f.unit.clone(),
        starting: starting_spans(&times, &ages_s),
        ages_s,
        lat: view::f64s(&f.fixes, "lat"),
        lon: view::f64s(&f.fixes, "lon"),
        origin_of: view::u32s_full(&f.fixes, "origin"),
        origins: f.origins.clone(),
        events: seen.events,
        steady: seen.steady,
        never_corrected: false,
        times,
        states,
        time,
    }
}

impl Site {
    pub fn with_rovers(mut self, n: usize, does: impl Fn(usize, i64) -> RoverNow + Clone + 'static) -> Site {
        for i in 0..n {
            let does = does.clone();
            self.rovers.push(Box::new(move |s| does(i, s)));
        }
        self
    }

    pub fn with_neighbours(mut self, n: usize, does: impl Fn(usize, i64) -> RoverNow + Clone + 'static) -> Site {
        for i in 0..n {
            let does = does.clone();
            self.neighbours.push(Box::new(move |s| does(i, s)));
        }
        self
    }

    pub fn with_base(mut self, does: impl Fn(i64) -> BaseNow + 'static) -> Site {
        self.base = Box::new(does);
        self
    }

    pub fn base_log(mut self, s: i64, kind: &str) -> Site {
        self.extra.logged.push(LoggedEvent { time: T0 + s * 1000, kind: kind.to_owned(), detail: String::new() });
        self
    }

    pub fn metric(mut self, s: i64, name: &str, value: f64) -> Site {
        self.extra.metrics.push(Metric { time: T0 + s * 1000, metric: name.to_owned(), value });
        self
    }

    pub fn sweep(mut self, s: i64, spike: Option<(f64, f32)>) -> Site {
        for k in 0..250 {
            let frequency_hz = (1150.0 + 2.0 * f64::from(k)) * 1e6;
            let near = spike.is_some_and(|(mhz, _)| (frequency_hz / 1e6 - mhz).abs() <= 1.0);
            let power_dbm = -100.0 + if near { spike.map_or(0.0, |x| x.1) } else { (k % 3) as f32 };
            self.extra.spectra.push(SpectrumBin { time: T0 + s * 1000, frequency_hz, power_dbm });
        }
        self
    }

    pub fn judge(self) -> Outcome {
        let limits = Limits::default();
        let weights = Weights::parse(SHIPPED, &CAUSES).unwrap();
        let base = frames("BASE", Role::Base, vec![base_rows(&*self.base, 1), self.extra.clone()]);
        let found = base_events(&base, &self.setup, &limits);
        let makes: BTreeSet<String> = ["one".to_owned()].into();
        let standing = advisories(&base, &self.setup, &makes, T0, T0 + SECONDS * 1000, &limits);
        let spans: Vec<(i64, i64)> =
            view::i64s(&base.spans, "time").into_iter().zip(view::i64s(&base.spans, "until")).collect();
        let rovers: Vec<RoverCase> = self
            .rovers
            .iter()
            .enumerate()
            .map(|(i, does)| {
                let mut logs = Rows::default();
                for (_, log) in self.rover_logs.iter().filter(|(r, _)| *r == i) {
                    logs.logged.push(log.clone());
                }
                let f = frames(
                    &format!("R{i}"),
                    Role::Rover,
                    vec![rover_rows(&**does, 100 + i as u64, self.longitude), logs],
                );
                rover_case(&f, &limits)
            })
            .collect();
        let near: Vec<RoverCase> = self
            .neighbours
            .iter()
            .enumerate()
            .map(|(i, does)| {
                let f =
                    frames(&format!("N{i}"), Role::Rover, vec![rover_rows(&**does, 200 + i as u64, self.longitude)]);
                rover_case(&f, &limits)
            })
            .collect();
        let grids: Vec<Grid> = rovers.iter().map(|r| Grid::of(r, 5.0)).collect();
        let near_grids: Vec<Grid> = near.iter().map(|r| Grid::of(r, 5.0)).collect();
        let rover_found = rovers.iter().map(|r| r.events.clone()).collect();
        let case = SiteCase {
            site: "meadow".to_owned(),
            bases: vec!["BASE".to_owned()],
            position: Some((BASE_LAT, self.longitude, 500.0)),
            magnetic_latitude: self.magnetic_latitude,
            rovers,
            base_events: found.clone(),
            standing: standing.clone(),
            sky_events: self.sky,
            base_observed: observed_spans(&spans),
            ionosphere: Default::default(),
            base_logs: Vec::new(),
        };
        let near_refs: Vec<&Grid> = near_grids.iter().collect();
        let evidence = gather(
            &case,
            &grids,
            &near_refs,
            &|id| weights.timing(id),
            &EvidenceLimits { age_fresh_s: 3.0, age_old_s: 5.0, long_baseline_km: limits.long_baseline_km },
        );
        let ranking = rank(&case, &evidence, &weights);
        let out = Outcome { ranking, base_events: found, standing, rover_events: rover_found, evidence };
        if std::env::var_os("LOSTFIX_TELL").is_some() {
            println!("{}", out.told());
        }
        out
    }
}
