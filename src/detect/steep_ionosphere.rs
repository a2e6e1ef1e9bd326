//! `steep-ionosphere`: by the ionosphere maps beside the bundles, the delay over the base changes fast with the distance. The maps
//! are made of stations hundreds of km apart: what they show is the flattened picture of what a base and its rovers see, and
//! what they do not show may be there all the same.

use super::limits::Limits;
use crate::maths::ionosphere::{Between, IonexMap};
use crate::model::event::{Event, Origin};
use crate::model::time::{HOUR_MS, MINUTE_MS, UtcMs};

/// The gradient is taken so often, ms.
pub const STEP_MS: i64 = 10 * MINUTE_MS;
/// Maps further apart have nothing between them (the usual ones come every hour or two), ms.
const FURTHEST_MS: i64 = 3 * HOUR_MS;
/// Within so many degrees of the magnetic equator the anomaly's crests are steep on quiet days too: the limit counts twice.
const LOW_LATITUDE_DEG: f64 = 35.0;
const AT_LOW_LATITUDE: f64 = 2.0;
/// At these parts of the limit nothing, and all, speaks for a storm: 4 and 10 mm per km, the upper end of a nominal ionosphere and the
/// lower end of a disturbed one (check values 12.2).
const NOTHING: f64 = 2.0 / 3.0;
const ALL: f64 = 5.0 / 3.0;

/// The maps of one file in order of time.
#[derive(Debug, Clone)]
pub struct MapSeries<'a> {
    /// Epoch and map.
    pub maps: Vec<(UtcMs, IonexMap<'a>)>,
    /// Radius of the layer, m.
    pub shell_radius_m: f64,
}

/// The gradient of the vertical delay over a place at every [`STEP_MS`] that the maps cover: time, mm per km on L1.
pub fn gradients(series: &MapSeries<'_>, (lat_deg, lon_deg): (f64, f64)) -> Vec<(UtcMs, f64)> {
    let mut out = Vec::new();
    for pair in series.maps.windows(2) {
        let [(t1, first), (t2, second)] = pair else { continue };
        if t2 - t1 > FURTHEST_MS {
            continue;
        }
        // Seconds since the first of the two: times of day of a float keep their last digits.
        let seconds = |t: UtcMs| (t - t1) as f64 / 1000.0;
        let between = Between { first: *first, t1_s: 0.0, second: *second, t2_s: seconds(*t2) };
        let begin = (t1 + STEP_MS - 1).div_euclid(STEP_MS) * STEP_MS;
        for t in (begin..*t2).step_by(STEP_MS as usize) {
            let g = between.gradient_mm_per_km(seconds(t), (lat_deg, lon_deg), series.shell_radius_m);
            out.extend(g.map(|g| (t, g)));
        }
    }
    out
}

/// The gradient from which on an ionosphere is steep at a magnetic (dip) latitude, mm per km. A latitude that is not known is taken for a
/// low one, where more is needed.
pub fn limit_mm_per_km(magnetic_latitude_deg: Option<f64>, limits: &Limits) -> f64 {
    let low = magnetic_latitude_deg.is_none_or(|l| l.abs() < LOW_LATITUDE_DEG);
    limits.steep_mm_per_km * if low { AT_LOW_LATITUDE } else { 1.0 }
}

/// Stretches in which the gradient is as steep as a limit (of [`limit_mm_per_km`]).
pub fn run(gradients: &[(UtcMs, f64)], limit_mm_per_km: f64, origin: &Origin) -> Vec<Event> {
    let limit = limit_mm_per_km;
    let mut events: Vec<Event> = Vec::new();
    for (t, g) in gradients.iter().copied().filter(|(_, g)| *g >= limit) {
        let strength = ((g / limit - NOTHING) / (ALL - NOTHING)).clamp(0.0, 1.0) as f32;
        match events.last_mut().filter(|e| e.to == t) {
            Some(e) => {
                e.to = t + STEP_MS;
                if e.value.is_none_or(|v| v < g) {
                    (e.value, e.detail) = (Some(g), words(g));
                    e.strength = e.strength.max(strength);
                }
            }
            None => events.push(Event {
                unit: String::new(),
                kind: "steep-ionosphere",
                from: t,
                to: t + STEP_MS,
                value: Some(g),
                value_unit: "mm/km",
                strength,
                detail: words(g),
                origin: origin.clone(),
            }),
        }
    }
    events
}

fn words(mm_per_km: f64) -> String {
    format!("ionosphere maps: the delay over the base changes by up to {mm_per_km:.0} mm per km (L1, vertical)")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_of_a_steep_gradient() {
        let g = [2.0, 7.0, 13.0, 6.5, 3.0, 3.0, 6.0];
        let samples: Vec<(i64, f64)> = g.iter().enumerate().map(|(i, g)| (i as i64 * STEP_MS, *g)).collect();
        let limits = Limits { steep_mm_per_km: 6.0, ..Limits::default() };
        let at = |latitude, samples: &[(i64, f64)]| {
            run(samples, limit_mm_per_km(Some(latitude), &limits), &Origin::default())
        };
        let events = at(49.0, &samples);
        let told = |events: &[Event]| -> Vec<_> {
            events.iter().map(|e| (e.from / STEP_MS, e.to / STEP_MS, e.value, (e.strength * 1000.0).round())).collect()
        };
        // By hand: (13 - 4) / (10 - 4) is cut to 1, (6 - 4) / 6 = 1/3; near the magnetic equator (13 - 8) / (20 - 8) = 0.417.
        assert_eq!(told(&events), [(1, 4, Some(13.0), 1000.0), (6, 7, Some(6.0), 333.0)]);
        assert_eq!(told(&at(-12.0, &samples)), [(2, 3, Some(13.0), 417.0)]);
        assert_eq!(limit_mm_per_km(None, &limits), 12.0);
        assert!(events[0].detail.contains("13 mm per km"), "{}", events[0].detail);
        // A hole between two steep times is a hole.
        let holed = [samples[1], samples[3]];
        assert_eq!(at(49.0, &holed).len(), 2);
    }

    #[test]
    fn maps_too_far_apart_have_nothing_between_them() {
        let flat = vec![10.0_f32; 73 * 71];
        let map = IonexMap {
            lat1_deg: 87.5,
            dlat_deg: -2.5,
            lon1_deg: -180.0,
            dlon_deg: 5.0,
            columns: 73,
            values_tecu: &flat,
        };
        let at = [0, 2, 6].map(|h| (h * HOUR_MS + 1, map)).to_vec();
        let series = MapSeries { maps: at, shell_radius_m: 6_821_000.0 };
        let g = gradients(&series, (47.0, 8.0));
        assert_eq!(g.len(), 12, "two hours by ten minutes");
        assert!(g.iter().all(|(t, g)| t % STEP_MS == 0 && g.abs() < 1e-9));
        assert!(gradients(&series, (89.0, 8.0)).is_empty(), "beyond the maps");
    }
}
