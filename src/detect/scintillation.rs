//! `scintillation`: several satellites, but not all, fade and their electron content swings at the same time, seen through the
//! same part of the ionosphere.
//!
//! ROTI over 0.5 TECU/min is the onset of irregularities (Ma and Maruyama 2006, doi 10.1029/2006GL027512; classes of check values
//! 7.2: from memory); S4 of 0.3 is moderate (ITU-R P.531). Both indices of real receivers vary by a factor of two between
//! studies. Interference falls on a whole band at all elevations and does not disperse; reflections stand low and do not either.

use super::Maker;
use super::limits::Limits;
use super::sky_minutes::{SatMinute, sat_name};
use super::window::{median, stretches};
use crate::frames::UnitFrames;
use crate::maths::geodesy::wrap_180;
use crate::maths::ionosphere::pierce_point;
use crate::maths::magnetic::{FieldModel, decimal_year};
use crate::maths::sun::solar_local_time_h;
use crate::model::event::Event;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, BTreeSet};

/// Height of the irregularities, m (check values 7.5 computes dip latitudes there).
const SHELL_M: f64 = 350_000.0;
/// ROTI is judged over this elevation (mask of 20 to 30 degrees: check values 7.2), degrees.
pub(super) const MASK_DEG: f64 = 25.0;
/// Below this C/N0 the noise of the phase alone makes a ROTI of 0.3 (0.012 m at 25 dB-Hz), dB-Hz.
const STRONG_DBHZ: f64 = 33.0;

/// Dip latitude from which on the auroral zone can lie over a place in disturbed times (check values 7.4), degrees.
const AURORAL_DEG: f64 = 55.0;

/// One minute of the whole sky.
#[derive(Debug, Clone, Default)]
pub(super) struct Minute<'a> {
    pub(super) judged: usize,
    /// Fade and swing.
    pub(super) scintillating: Vec<&'a SatMinute>,
    /// Swing strongly and fade little: scintillation of the phase when few satellites do it, a storm when most do.
    restless: Vec<&'a SatMinute>,
    /// Fade, for whatever reason.
    fading: usize,
    /// Swing, or their content changes as fast as in a storm.
    pub(super) swinging: usize,
    pub(super) with_rates: usize,
    /// ROTI of the strong ones, TECU/min.
    pub(super) rotis: Vec<f64>,
}

/// Whether a place is where the phase swings far more than the intensity.
pub(super) fn is_high_latitude(all: &[SatMinute], place: Option<(f64, f64, f64)>) -> bool {
    place.zip(all.first()).is_some_and(|((lat, lon, _), m)| {
        let dip = FieldModel::at_year(decimal_year(m.time)).and_then(|f| f.dip_latitude_deg(lat, lon, SHELL_M));
        dip.is_some_and(|d| d.abs() >= AURORAL_DEG)
    })
}

/// All minutes in which enough satellites stand high enough.
pub(super) fn minutes<'a>(all: &'a [SatMinute], high_latitude: bool, limits: &Limits) -> BTreeMap<UtcMs, Minute<'a>> {
    let mut minutes: BTreeMap<UtcMs, Minute> = BTreeMap::new();
    for m in all.iter().filter(|m| m.elevation >= MASK_DEG) {
        let fades = m.s4() >= limits.s4_moderate;
        let swings = m.roti() >= limits.roti_onset && m.cn0_dbhz >= STRONG_DBHZ;
        // The other band must fade too where it is measured: what fades on one only is not the sky.
        let both = m.s4_2().is_nan() || m.s4_2() >= limits.s4_moderate;
        let dispersive = swings || (m.roti().is_nan() && m.s4_2() >= limits.s4_moderate);
        // At high latitudes the phase swings far more than the intensity: there it needs no fading, elsewhere a little.
        let half = 0.5 * limits.s4_moderate;
        let strong_swing = m.cn0_dbhz >= STRONG_DBHZ
            && if high_latitude {
                m.roti() >= 2.0 * limits.roti_onset
            } else {
                m.roti() >= 4.0 * limits.roti_onset && m.s4() >= half && (m.s4_2().is_nan() || m.s4_2() >= half)
            };
        let minute = minutes.entry(m.time).or_default();
        minute.judged += 1;
        minute.with_rates += usize::from(m.roti().is_finite());
        if m.roti().is_finite() && m.cn0_dbhz >= STRONG_DBHZ {
            minute.rotis.push(m.roti());
        }
        minute.swinging += usize::from(swings || m.rot().abs() >= limits.rot_storm);
        minute.fading += usize::from(fades);
        if fades && both && dispersive {
            minute.scintillating.push(m);
        } else if strong_swing {
            minute.restless.push(m);
        }
    }
    for m in minutes.values_mut().filter(|m| 2 * m.swinging <= m.with_rates) {
        let restless = std::mem::take(&mut m.restless);
        m.scintillating.extend(restless);
    }
    minutes.retain(|_, m| m.judged >= 4);
    minutes
}

pub(super) fn run(
    frames: &UnitFrames,
    minutes: &BTreeMap<UtcMs, Minute<'_>>,
    (place, high_latitude): (Option<(f64, f64, f64)>, bool),
    limits: &Limits,
) -> Vec<Event> {
    let times: Vec<UtcMs> = minutes.keys().copied().collect();
    let flags: Vec<bool> = minutes
        .values()
        .map(|m| {
            // What makes all fade at once is no sky: an amplifier that comes and goes, a jammer.
            let most = m.scintillating.len().max(m.fading) as f64;
            m.scintillating.len() as f64 >= limits.scintillating_satellites
                && most <= limits.scintillating_share_max * m.judged as f64
        })
        .collect();
    let maker = Maker::of_signals(frames);
    stretches(&times, &flags, MINUTE_MS, 5 * MINUTE_MS, 4 * MINUTE_MS)
        .into_iter()
        .filter_map(|s| {
            let inside: Vec<&SatMinute> =
                minutes.range(s.from..s.to).flat_map(|(_, m)| m.scintillating.iter().copied()).collect();
            // Fading alone is not enough: at some of the time the content must be seen to swing.
            let swings = inside.iter().filter(|m| m.roti() >= limits.roti_onset).count();
            if swings * 10 < inside.len() {
                return None;
            }
            let s4 = median(inside.iter().map(|m| m.s4()))?;
            let roti = median(inside.iter().map(|m| m.roti()));
            let sats: BTreeSet<u16> = inside.iter().map(|m| m.sat).collect();
            let names: Vec<String> = sats.iter().take(6).map(|s| sat_name(*s)).collect();
            let place = place.and_then(|p| Pierced::of(&inside, p));
            let mut strength = 0.5 * s4 / limits.s4_moderate;
            if high_latitude {
                // The phase alone can be hit there.
                strength = strength.max(0.25 * roti.unwrap_or(0.0) / limits.roti_onset);
            }
            let mut detail = format!(
                "{} satellites {}their electron content swings, the others do not ({}{}): S4-like {s4:.2}{}",
                sats.len(),
                if s4 >= limits.s4_moderate { "fade and " } else { "fade little but " },
                names.join(", "),
                if sats.len() > names.len() { ", ..." } else { "" },
                roti.map_or_else(String::new, |r| format!(", ROTI {r:.1} TECU/min")),
            );
            if let Some(p) = place {
                // Where and when nothing of the kind is expected it needs more to be believed (check values 7.4).
                if !p.expected() {
                    strength *= 0.6;
                }
                detail.push_str(&p.words());
            }
            Some(maker.event("scintillation", s.from, s.to, Some(s4), "S4", strength, detail))
        })
        .collect()
}

/// Middle of the pierce points.
#[derive(Debug, Clone, Copy)]
struct Pierced {
    lat: f64,
    lon: f64,
    dip_lat: f64,
    hour: f64,
    spread_km: f64,
}

impl Pierced {
    fn of(inside: &[&SatMinute], place: (f64, f64, f64)) -> Option<Pierced> {
        let points: Vec<(f64, f64)> = inside
            .iter()
            .filter_map(|m| pierce_point(place.0, place.1, m.azimuth, m.elevation, SHELL_M))
            .map(|p| (p.lat_deg, place.1 + wrap_180(p.lon_deg - place.1)))
            .collect();
        let lat = median(points.iter().map(|p| p.0))?;
        let lon = median(points.iter().map(|p| p.1))?;
        let time = inside.get(inside.len() / 2)?.time;
        let dip_lat = FieldModel::at_year(decimal_year(time))?.dip_latitude_deg(lat, lon, SHELL_M)?;
        let km = |p: &(f64, f64)| 111.2 * (p.0 - lat).hypot((p.1 - lon) * lat.to_radians().cos());
        let spread_km = median(points.iter().map(km))?;
        Some(Pierced { lat, lon, dip_lat, hour: solar_local_time_h(time, lon), spread_km })
    }

    /// The belt after sunset, and the auroral zone at any hour (check values 7.4).
    fn expected(&self) -> bool {
        let evening = self.hour >= 18.0 || self.hour < 3.0;
        (self.dip_lat.abs() <= 25.0 && evening) || self.dip_lat.abs() >= AURORAL_DEG
    }

    fn words(&self) -> String {
        format!(
            "; the rays cross 350 km at {:.1}, {:.1} (within {:.0} km), dip latitude {:.0} degrees, solar time {:02}:{:02}{}",
            self.lat,
            wrap_180(self.lon),
            self.spread_km,
            self.dip_lat,
            self.hour as u32,
            (self.hour.fract() * 60.0) as u32,
            if self.expected() { "" } else { ", not a usual place and hour for it" }
        )
    }
}
