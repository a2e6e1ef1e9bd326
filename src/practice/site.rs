//! Runs one site: tracks, sends, moves, fixes, and writes what its units would hand over.

use super::bundle::File;
use super::cause::Cause;
use super::clock;
use super::fault::{Act, Target};
use super::fix::{self, Epoch, Field, Sent};
use super::geometry::Geometry;
use super::judge::{Lost, Tally, judge};
use super::machine::{self, Path};
use super::plan::{LinkKind, Plan, Rover, Session, Unit, World};
use super::rover_log::{View, in_view, write_nmea};
use super::side;
use super::stream::BaseWriter;
use super::track::{Ground, Receiver, Tracked};
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

/// Runs a site through all its sessions.
pub(super) fn run(world: &World, plan: &Plan) -> Outcome {
    let mut outcome = Outcome { handed: Vec::new(), tallies: Vec::new() };
    for s in &plan.sessions {
        session(world, plan, s, &mut outcome);
    }
    outcome
}

/// Runs one session of a site and hands over what its units logged.
fn session(world: &World, plan: &Plan, s: &Session, outcome: &mut Outcome) {
    let acts: Vec<Act> = plan.acting(s).map(|f| f.act(s, &plan.place)).collect();
    let geo = Geometry::new(&world.sky, &plan.place, s, &[true; 4]);
    let work = Work { world, plan, session: s, acts: &acts, geo: &geo, stamp: clock::date(s.t0).replace('-', "") };
    let bases = Bases::run(&work);
    let Some(files) = work.base_files(&bases) else { return };
    outcome.handed.push(Handed { unit: 0, session: *s, files });
    for n in 0..plan.rovers.len() {
        if let Some((files, tally)) = work.rover(n, &bases) {
            outcome.handed.push(Handed { unit: n + 1, session: *s, files });
            outcome.tallies.push((n, *s, tally));
        }
    }
}

/// Sets of causes under which a unit is run: all that matter to it, none, and all but each.
fn variants(relevant: u16) -> Vec<u16> {
    let mut masks = vec![relevant, 0];
    for b in 0..16 {
        let m = relevant & !(1 << b);
        if relevant >> b & 1 == 1 && !masks.contains(&m) {
            masks.push(m);
        }
    }
    masks
}

/// The base of a site, once for every set of causes that matters to it or to a rover.
struct Bases {
    /// Causes that touch what the base tracks.
    touch: u16,
    /// By those of a set that do.
    tracked: BTreeMap<u16, Tracked>,
    /// By set of causes.
    sent: BTreeMap<u16, Vec<Sent>>,
}

impl Bases {
    fn run(work: &Work) -> Bases {
        let (plan, s) = (work.plan, work.session);
        let touch = work.touch(None);
        let base = work.base();
        let (mut tracked, mut sent) = (BTreeMap::new(), BTreeMap::new());
        for rover in 0..plan.rovers.len().max(1) as u8 {
            for m in variants(relevant(plan, rover)) {
                let key = m & touch;
                let at = tracked.entry(key).or_insert_with(|| base.follow(work.acts, key, |_, _| {}));
                sent.entry(m).or_insert_with(|| fix::base_sends(plan, s, work.acts, m, at));
            }
        }
        // The base's own log: all causes act.
        let key = work.all() & touch;
        tracked.entry(key).or_insert_with(|| base.follow(work.acts, key, |_, _| {}));
        Bases { touch, tracked, sent }
    }

    fn tracked(&self, mask: u16) -> Option<&Tracked> {
        self.tracked.get(&(mask & self.touch))
    }
}

/// One session of a site: what its units have in common.
struct Work<'a> {
    world: &'a World,
    plan: &'a Plan,
    session: &'a Session,
    acts: &'a [Act<'a>],
    geo: &'a Geometry,
    /// Date in names of files.
    stamp: String,
}

impl<'a> Work<'a> {
    /// All causes of the site.
    fn all(&self) -> u16 {
        self.plan.faults.iter().fold(0, |m, f| m | 1 << f.bit)
    }

    /// Causes that touch what a unit tracks.
    fn touch(&self, rover: Option<u8>) -> u16 {
        self.plan.faults.iter().filter(|f| f.touches_tracking(rover)).fold(0, |m, f| m | 1 << f.bit)
    }

    fn receiver(&self, unit: &'a Unit, rover: Option<u8>, ground: Option<Ground<'a>>) -> Receiver<'a> {
        let (world, plan) = (self.world, self.plan);
        Receiver { sky: &world.sky, geo: self.geo, place: &plan.place, session: self.session, unit, rover, ground }
    }

    fn base(&self) -> Receiver<'a> {
        self.receiver(&self.plan.base, None, None)
    }

    fn base_files(&self, bases: &Bases) -> Option<Vec<File>> {
        let (plan, s) = (self.plan, self.session);
        let all = self.all();
        let base = bases.tracked(all)?;
        let sent = fix::base_sends(plan, s, self.acts, all, base);
        let mut writer = BaseWriter::new(self.world, plan, self.geo, s, self.acts, &sent);
        self.base().follow(self.acts, all & bases.touch, |i, st| writer.second(i, st));
        let mut files = vec![self.file(&plan.base.id, "rtcm3", writer.finish())];
        self.extras(&mut files, &plan.base, None);
        if plan.base.logs_metrics && !self.hides("metrics") {
            let mut text = String::new();
            side::base_metrics(&mut text, s, self.acts, &plan.base, &base.on);
            files.push(self.file("metrics", "csv", text.into_bytes()));
        }
        if plan.base.logs_spectrum && !self.hides("spectrum") {
            let mut text = String::new();
            side::spectrum(&mut text, s, self.acts, &plan.base);
            files.push(self.file("spectrum", "csv", text.into_bytes()));
        }
        Some(files)
    }

    /// Files of the `n`-th rover, and what became of its seconds.
    fn rover(&self, n: usize, bases: &Bases) -> Option<(Vec<File>, Tally)> {
        let (world, plan, s) = (self.world, self.plan, self.session);
        let rover = plan.rovers.get(n)?;
        let index = n as u8;
        let slow = plan.faults.iter().any(|f| f.cause == Cause::RoverObstruction && f.touches_tracking(Some(index)));
        let path = machine::work(rover, s, plan.seed, slow);
        let (results, views) = self.fixes(rover, index, &path, bases);
        let tally = judge(s, plan.causes.len(), &results);
        let (_, epochs) = results.first()?;
        let bytes = write_nmea(world, plan, rover, s, &path, epochs, &views);
        let mut files = vec![self.file(&rover.unit.id, "nmea", bytes)];
        self.extras(&mut files, &rover.unit, Some(index));
        if rover.unit.logs_metrics && !self.hides("metrics") {
            let mut text = String::new();
            side::rover_metrics(&mut text, s, &rover.unit, epochs, plan.link.kind != LinkKind::Network);
            files.push(self.file("metrics", "csv", text.into_bytes()));
        }
        Some((files, tally))
    }

    /// A rover's epochs under every set of causes that matters to it, the world as it was first; and what it had in view.
    fn fixes(&self, rover: &Rover, index: u8, path: &Path, bases: &Bases) -> (Vec<(u16, Vec<Epoch>)>, Vec<View>) {
        let (world, plan, s) = (self.world, self.plan, self.session);
        let ground = Ground { trees: &path.trees, zone: &path.zone, zone_az: (plan.seed % 360) as f64 };
        let receiver = self.receiver(&rover.unit, Some(index), Some(ground));
        let field = Field { sky: &world.sky, weather: &world.weather, plan, rover, index, session: s, path };
        let touch = self.touch(Some(index));
        let every = i64::from(world.scenario.output.gsv_interval_s.max(1));
        let small = world.scenario.output.two_signals;
        let mut tracked: BTreeMap<u16, Tracked> = BTreeMap::new();
        let mut views = Vec::new();
        let mut results = Vec::new();
        for m in variants(relevant(plan, index)) {
            let key = m & touch;
            let first = tracked.is_empty();
            let own = tracked.entry(key).or_insert_with(|| {
                receiver.follow(self.acts, key, |i, st| {
                    let t = s.t0 + i as i64;
                    if first && st.on && t.rem_euclid(every) == every / 2 {
                        views.push((i, in_view(world, rover, self.geo, t, st, small)));
                    }
                })
            });
            if let (Some(base), Some(sent)) = (bases.tracked(m), bases.sent.get(&m)) {
                results.push((m, fix::run(&field, self.acts, m, base, sent, own)));
            }
        }
        (results, views)
    }

    /// Events and syslog of a unit that logs them.
    fn extras(&self, files: &mut Vec<File>, u: &Unit, rover: Option<u8>) {
        if self.hides("events") {
            return;
        }
        let (plan, s) = (self.plan, self.session);
        let events = side::events(plan, s, self.acts, u, rover);
        if u.logs_events && !events.is_empty() {
            let mut text = String::from(side::EVENTS_HEAD);
            side::events_csv(&mut text, &events);
            files.push(self.file("events", "csv", text.into_bytes()));
        }
        if u.logs_syslog {
            let mut text = String::new();
            side::syslog(&mut text, u, s, &events, plan.seed & 3 == 0);
            files.push(self.file("messages", "log", text.into_bytes()));
        }
    }

    fn hides(&self, what: &str) -> bool {
        self.world.scenario.output.hides(what)
    }

    fn file(&self, name: &str, ending: &str, bytes: Vec<u8>) -> File {
        File { name: format!("{name}_{}.{ending}", self.stamp), bytes }
    }
}

/// Causes that can reach a rover.
fn relevant(plan: &Plan, rover: u8) -> u16 {
    plan.faults.iter().filter(|f| !matches!(f.target, Target::Rover(k) if k != rover)).fold(0, |m, f| m | 1 << f.bit)
}

/// Lost periods of a rover in seconds, for complaints.
pub(super) fn longest(periods: &[Lost], cause: Option<u8>) -> Option<(i64, i64)> {
    let mine: Vec<&Lost> = periods.iter().filter(|p| p.cause == cause).collect();
    Some((mine.first()?.from, mine.last()?.to))
}
