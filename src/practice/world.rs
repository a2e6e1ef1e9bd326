//! Turns a scenario and a seed into a concrete world: which site gets which cause, who is under the same sky.

use super::cause::Cause;
use super::clock;
use super::draw::{self, Near};
use super::earth::Place;
use super::fault::Fault;
use super::orbit::Constellation;
use super::plan::{Plan, World};
use super::rng::{Rng, sub};
use super::scenario::{Injected, Scenario, Site};
use super::skyweather::Weather;

impl World {
    /// Draws the world.
    pub(super) fn new(scenario: &Scenario, seed: u64) -> World {
        let mut r = Rng::new(sub(seed, "world"));
        let t0 = match scenario.start.as_deref().and_then(clock::parse_date) {
            Some(t) => t,
            // Any day of most of a year; three days in seven the fleet crosses the GPS week.
            None => (clock::days_of(2026, 2, 1) + r.int(0, 250)) * 86_400,
        };
        let sky = Constellation::new(seed, clock::gpst(t0), scenario.days);
        let wishes = wishes(scenario, &mut r);
        let mut sites: Vec<Plan> = Vec::new();
        let mut used = std::collections::BTreeSet::new();
        for w in &wishes {
            if let Some(id) = &w.id {
                used.insert(id.clone());
            }
        }
        // A disturbed sky hangs over neighbours as well: every second site with the same sky cause settles near the
        // one before, under the same disturbance.
        let mut open: std::collections::BTreeMap<Cause, Near> = std::collections::BTreeMap::new();
        for (k, w) in wishes.iter().enumerate() {
            let sky_cause = w.cause.iter().filter_map(|c| Cause::from_id(&c.id)).find(|c| c.sky());
            let near = sky_cause.and_then(|c| open.remove(&c));
            let taken: Vec<Place> = sites.iter().map(|p| p.place).collect();
            let p = draw::site(scenario, seed, t0, k, w, &mut used, near.as_ref(), &taken);
            if let (Some(c), None) = (sky_cause, near) {
                let hour = p
                    .sessions
                    .first()
                    .map_or(8.0, |s| ((s.t0 - t0) as f64 / 3600.0 + p.place.lon_deg / 15.0).rem_euclid(24.0));
                if let Some(f) = p.faults.iter().find(|f| f.cause == c) {
                    open.insert(c, Near { place: p.place, hour, fault: f.clone() });
                }
            }
            sites.push(p);
        }
        let worked_at = sites.iter_mut().filter(|p| p.first_mendable().is_some());
        for p in worked_at.step_by(2) {
            p.mended = scenario.repair_day;
        }
        // Neighbours of a disturbed site feel it too, asked for or not; a storm reaches every site of its latitudes at
        // the time, a radio burst every sunlit one.
        let sources: Vec<(Place, Fault)> = sites
            .iter()
            .flat_map(|p| p.faults.iter().filter(|f| f.cause.sky()).map(|f| (p.place, f.clone())))
            .collect();
        for p in &mut sites {
            for (place, f) in &sources {
                if p.causes.contains(&f.cause) || p.causes.len() >= 5 {
                    continue;
                }
                let felt = if f.cause == Cause::SkyStorm {
                    p.sessions.iter().any(|s| f.act(s, &p.place).level.iter().step_by(60).any(|l| *l > 0.2))
                } else {
                    place.distance_km(&p.place) < 300.0
                };
                if felt {
                    let bit = p.causes.len() as u8;
                    p.causes.push(f.cause);
                    p.faults.push(Fault { bit, ..f.clone() });
                }
            }
        }
        let weather = Weather::new(seed, t0, scenario.days, &sites);
        World { seed, t0, days: scenario.days, scenario: scenario.clone(), sky, weather, sites }
    }
}

fn wishes(s: &Scenario, r: &mut Rng) -> Vec<Site> {
    let mut out: Vec<Site> = s.site.clone();
    let Some(f) = &s.fleet else { return out };
    let list: Vec<Cause> = if f.causes.is_empty() {
        Cause::ALL.to_vec()
    } else {
        f.causes.iter().filter_map(|c| Cause::from_id(c)).collect()
    };
    let healthy = (f64::from(f.sites) * f.share_healthy).round() as usize;
    let double = (f64::from(f.sites) * f.share_two_causes).round() as usize;
    // Every cause gets its turn before one comes twice.
    let mut order: Vec<Cause> = Vec::new();
    let mut draw = |r: &mut Rng, not: Option<Cause>| -> Cause {
        for _ in 0..50 {
            if order.is_empty() {
                order = list.clone();
                for k in (1..order.len()).rev() {
                    order.swap(k, r.below(k + 1));
                }
            }
            let c = order.pop().unwrap_or(Cause::BaseRestart);
            let clash = not.is_some_and(|n| {
                n == c
                    || (n.sky() && c.sky())
                    || (n == Cause::LongBaseline && c == Cause::LinkRange)
                    || (c == Cause::LongBaseline && n == Cause::LinkRange)
            });
            if !clash {
                return c;
            }
        }
        Cause::BaseRestart
    };
    let mut kinds: Vec<u8> = Vec::new();
    for k in 0..f.sites as usize {
        kinds.push(if k < healthy {
            0
        } else if k < healthy + double {
            2
        } else {
            1
        });
    }
    for k in (1..kinds.len()).rev() {
        kinds.swap(k, r.below(k + 1));
    }
    for kind in kinds {
        let mut causes: Vec<Cause> = Vec::new();
        for _ in 0..kind {
            let c = draw(r, causes.first().copied());
            if !causes.contains(&c) {
                causes.push(c);
            }
        }
        let cause = causes
            .iter()
            .map(|c| Injected {
                id: c.id().into(),
                strength: None,
                share: r.range(0.3, 0.7),
                rover: r.below(f.rovers as usize) as u32,
                // What hour of the day a disturbed sky needs depends on its kind.
                mode: c.sky().then(|| r.below(3) as u32),
            })
            .collect();
        out.push(Site {
            id: None,
            latitude: None,
            longitude: None,
            rovers: f.rovers,
            hours: None,
            start_hour: None,
            distance_km: None,
            systems: None,
            messages: None,
            base_interval_s: None,
            cause,
        });
    }
    out
}
