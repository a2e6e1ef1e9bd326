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

/// Satellites under this elevation cannot rise within [`LOW_MINUTES`], degrees (a medium orbit climbs less than 0.6 degrees
/// a minute).
const LOW_DEG: f64 = -12.0;
const LOW_MINUTES: usize = 15;

/// Every broadcast orbit of the run, and those of each site's bases.
#[derive(Debug, Default)]
pub(super) struct Navigation {
    all: Shelf,
    by_site: BTreeMap<String, Shelf>,
}

impl Navigation {
    /// The orbits of one file.
    pub(super) fn add(&mut self, placement: &Placement, ephemerides: &[Ephemeris]) {
        if ephemerides.is_empty() {
            return;
        }
        // A base that no site was named for is a site of its own under its unit id.
        let own = (placement.role == Role::Base)
            .then(|| self.by_site.entry(placement.site.as_ref().unwrap_or(&placement.unit).clone()).or_default());
        if let Some(shelf) = own {
            ephemerides.iter().for_each(|e| shelf.add(e));
        }
        ephemerides.iter().for_each(|e| self.all.add(e));
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
        let times = view::i64s(&frames.signals, "time");
        let sats = view::u32s_full(&frames.signals, "sat");
        let mut tracked: BTreeMap<u16, BTreeSet<UtcMs>> = BTreeMap::new();
        for (t, sat) in times.iter().zip(&sats) {
            tracked.entry(*sat as u16).or_default().insert(*t);
        }
        if self.all.is_empty() || tracked.is_empty() {
            return Ok(frames);
        }
        let minutes: Vec<UtcMs> = times.iter().copied().collect::<BTreeSet<_>>().into_iter().collect();
        let systems: BTreeSet<System> = tracked.keys().filter_map(|s| Sat::from_code(*s)).map(Sat::system).collect();
        let own = self.by_site.get(site.unwrap_or(&frames.unit));
        let station = Geodetic { lat_deg: place.0, lon_deg: place.1, h_m: place.2 };
        let ecef_m = geodetic_to_ecef(&station);
        let mut expected = Expecteds::default();
        let mut found: HashMap<(UtcMs, u16), (f32, f32)> = HashMap::new();
        let mut from = GeometryFrom::OtherOrbits;
        let none = BTreeSet::new();
        for (letter, number) in self.all.satellites() {
            let Some(system) = System::from_letter(letter as u8).filter(|s| systems.contains(s)) else { continue };
            let sat = Sat::new(system, number).code();
            let seen = tracked.get(&sat).unwrap_or(&none);
            let mut i = 0;
            while let Some(minute) = minutes.get(i) {
                i += 1;
                let gps_s = utc_to_gps(minute + MINUTE_MS / 2) as f64 / 1000.0;
                let by_own = own.and_then(|o| o.nearest(letter, number, gps_s));
                let Some(e) = by_own.or_else(|| self.all.nearest(letter, number, gps_s)) else { continue };
                let Some(look) = direction(e, &station, ecef_m, gps_s) else { continue };
                if look.elevation_deg < LOW_DEG && !seen.contains(minute) {
                    // Leap over the time in which it cannot come up; minutes may have holes, so by the clock.
                    let until = minute + LOW_MINUTES as i64 * MINUTE_MS;
                    while minutes.get(i).is_some_and(|m| *m < until)
                        && minutes.get(i).is_some_and(|m| !seen.contains(m))
                    {
                        i += 1;
                    }
                    continue;
                }
                let (azimuth, elevation) = (look.azimuth_deg as f32, look.elevation_deg as f32);
                let has = seen.contains(minute);
                if has {
                    found.insert((*minute, sat), (azimuth, elevation));
                    if by_own.is_some() {
                        from = GeometryFrom::OwnOrbits;
                    }
                }
                if elevation > 0.0 && e.health() == 0 {
                    expected.push(Expected { time: *minute, sat, azimuth, elevation, tracked: has });
                }
            }
        }
        let mut order: Vec<u32> = (0..expected.len() as u32).collect();
        order.sort_by_key(|i| (expected.time.get(*i as usize), expected.sat.get(*i as usize)));
        frames.with_directions(from, expected.take(&order), |t, sat| found.get(&(t, sat)).copied())
    }
}
