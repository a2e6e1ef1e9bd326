//! Broadcast orbits of all files against the signals of a base: where its satellites stood, and which it should have had.

use crate::frames::{FrameError, UnitFrames, view};
use crate::identify::Placement;
use crate::maths::geodesy::{Geodetic, geodetic_to_ecef};
use crate::maths::orbits::{Ephemeris, Shelf, direction};
use crate::model::ids::{Role, Sat, System};
use crate::model::rows::{Expected, Expecteds};
use crate::model::sky::GeometryFrom;
use crate::model::time::{MINUTE_MS, UtcMs, utc_to_gps};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// No satellite climbs so fast near the horizon or under it, degrees a minute (a medium orbit less than 0.6).
const CLIMBS_DEG_A_MIN: f64 = 0.8;

/// Satellite, reference time in s of GPS, health: what makes an orbit another one.
type OrbitKey = (char, u8, i64, u16);

fn key(e: &Ephemeris) -> OrbitKey {
    // The reference time is where the age is 0.
    (e.system(), e.number(), (-e.age_s(0, 0.0)).round() as i64, e.health())
}

/// Minutes in order, with azimuth and elevation, degrees.
pub(super) type Looks = Vec<(UtcMs, (f32, f32))>;

/// Broadcast orbits, each once: a stream repeats them every minute.
#[derive(Default)]
pub(super) struct Once {
    seen: BTreeSet<OrbitKey>,
}

impl Once {
    /// Those that were not there before.
    pub(super) fn of(&mut self, all: &[Ephemeris]) -> Vec<Ephemeris> {
        let mut out = Vec::new();
        for e in all {
            let key = key(e);
            if self.seen.contains(&key) {
                continue;
            }
            // One with a value that is no number gives no direction, and JSON cannot hold it.
            let whole = serde_json::to_value(e).ok().and_then(|v| serde_json::from_value::<Ephemeris>(v).ok());
            if whole.as_ref() == Some(e) {
                self.seen.insert(key);
                out.push(e.clone());
            }
        }
        out
    }
}

/// Orbits that all bundles of a run hold in common: every base hears the same satellites say the same.
#[derive(Default)]
pub(super) struct Common {
    seen: HashMap<OrbitKey, Vec<Arc<Ephemeris>>>,
}

impl Common {
    /// The same orbit, in memory once.
    pub(super) fn of(&mut self, e: Ephemeris) -> Arc<Ephemeris> {
        let list = self.seen.entry(key(&e)).or_default();
        if let Some(same) = list.iter().find(|o| ***o == e) {
            return Arc::clone(same);
        }
        let e = Arc::new(e);
        list.push(Arc::clone(&e));
        e
    }
}

/// Where the satellites of a base stood.
pub(super) struct Directions {
    pub(super) from: GeometryFrom,
    /// What it should have tracked.
    pub(super) expected: Expecteds,
    /// By satellite.
    pub(super) found: HashMap<u16, Looks>,
}

/// Azimuth and elevation of a satellite in a minute, degrees.
pub(super) fn of(found: &HashMap<u16, Looks>, t: UtcMs, sat: u16) -> Option<(f32, f32)> {
    let looks = found.get(&sat)?;
    looks.get(looks.binary_search_by_key(&t, |l| l.0).ok()?).map(|l| l.1)
}

/// Every broadcast orbit of the run, and those of each site's bases.
#[derive(Debug, Default)]
pub(super) struct Navigation {
    all: Shelf,
    by_site: BTreeMap<String, Vec<Arc<Ephemeris>>>,
}

impl Navigation {
    /// The orbits of one bundle.
    pub(super) fn add(&mut self, placement: &Placement, orbits: Vec<Arc<Ephemeris>>) {
        if placement.role == Role::Base {
            // A base that no site was named for is a site of its own under its unit id.
            self.add_own(placement.site.as_ref().unwrap_or(&placement.unit), orbits);
        } else {
            self.add_others(&orbits);
        }
    }

    /// Orbits that the bases of a site heard themselves.
    pub(super) fn add_own(&mut self, site: &str, orbits: Vec<Arc<Ephemeris>>) {
        self.add_others(&orbits);
        if !orbits.is_empty() {
            self.by_site.entry(site.to_owned()).or_default().extend(orbits);
        }
    }

    /// Orbits of anybody.
    pub(super) fn add_others(&mut self, orbits: &[Arc<Ephemeris>]) {
        orbits.iter().for_each(|e| self.all.add(e));
    }

    /// Whether there are any.
    pub(super) fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// Writes directions into the signals of a base at `place` (degrees, ellipsoidal m).
    ///
    /// # Errors
    /// When a table cannot be built.
    pub(super) fn directions(
        &self,
        frames: UnitFrames,
        site: Option<&str>,
        place: (f64, f64, f64),
    ) -> Result<UnitFrames, FrameError> {
        match self.over(&frames, site, place) {
            Some(d) => frames.with_directions(d.from, d.expected, |t, sat| of(&d.found, t, sat)),
            None => Ok(frames),
        }
    }

    /// Where the satellites of a base at `place` stood, minute by minute; `None` without orbits or signals. Of the frames only the times
    /// and satellites of the signals are looked at.
    pub(super) fn over(&self, frames: &UnitFrames, site: Option<&str>, place: (f64, f64, f64)) -> Option<Directions> {
        let times = view::i64s(&frames.signals, "time");
        let sats = view::u32s_full(&frames.signals, "sat");
        // Rows are by time: each minute of a satellite comes once for each of its signals.
        let mut tracked: HashMap<u16, Vec<UtcMs>> = HashMap::new();
        for (t, sat) in times.iter().zip(&sats) {
            let minutes = tracked.entry(*sat as u16).or_default();
            if minutes.last() != Some(t) {
                minutes.push(*t);
            }
        }
        if self.all.is_empty() || tracked.is_empty() {
            return None;
        }
        let mut minutes = times;
        minutes.dedup();
        let systems: BTreeSet<System> = tracked.keys().filter_map(|s| Sat::from_code(*s)).map(Sat::system).collect();
        let own = self.by_site.get(site.unwrap_or(&frames.unit)).map(|orbits| {
            let mut shelf = Shelf::default();
            orbits.iter().for_each(|e| shelf.add(e));
            shelf
        });
        let station = Geodetic { lat_deg: place.0, lon_deg: place.1, h_m: place.2 };
        let ecef_m = geodetic_to_ecef(&station);
        let mut expected = Expecteds::default();
        let mut found: HashMap<u16, Looks> = HashMap::new();
        let mut from = GeometryFrom::OtherOrbits;
        for (letter, number) in self.all.satellites() {
            let Some(system) = System::from_letter(letter as u8).filter(|s| systems.contains(s)) else { continue };
            let sat = Sat::new(system, number).code();
            let seen = tracked.get(&sat).map(Vec::as_slice).unwrap_or_default();
            let is_seen = |minute: &UtcMs| seen.binary_search(minute).is_ok();
            let mut looks = Vec::new();
            let mut i = 0;
            while let Some(minute) = minutes.get(i) {
                i += 1;
                let gps_s = utc_to_gps(minute + MINUTE_MS / 2) as f64 / 1000.0;
                let by_own = own.as_ref().and_then(|o| o.nearest(letter, number, gps_s));
                let Some(e) = by_own.or_else(|| self.all.nearest(letter, number, gps_s)) else { continue };
                let Some(look) = direction(e, &station, ecef_m, gps_s) else { continue };
                if look.elevation_deg < 0.0 && !is_seen(minute) {
                    // Leap over the time in which it cannot come up; minutes may have holes, so by the clock.
                    let until = minute + (-look.elevation_deg / CLIMBS_DEG_A_MIN) as i64 * MINUTE_MS;
                    while minutes.get(i).is_some_and(|m| *m < until && !is_seen(m)) {
                        i += 1;
                    }
                    continue;
                }
                let (azimuth, elevation) = (look.azimuth_deg as f32, look.elevation_deg as f32);
                let has = is_seen(minute);
                if has {
                    looks.push((*minute, (azimuth, elevation)));
                    if by_own.is_some() {
                        from = GeometryFrom::OwnOrbits;
                    }
                }
                if elevation > 0.0 && e.health() == 0 {
                    expected.push(Expected { time: *minute, sat, azimuth, elevation, tracked: has });
                }
            }
            found.insert(sat, looks);
        }
        let mut order: Vec<u32> = (0..expected.len() as u32).collect();
        order.sort_by_key(|i| (expected.time.get(*i as usize), expected.sat.get(*i as usize)));
        Some(Directions { from, expected: expected.take(&order), found })
    }
}
