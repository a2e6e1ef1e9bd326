//! Conditions that no event tells: the rover is far from the base, it is evening near the magnetic equator, single satellites
//! scintillated within the hour. Each as a piece of evidence on a stretch, and as the time in which it holds.

use super::apart::Holds;
use super::case::{RoverCase, SiteCase};
use super::evidence::Feature;
use super::grid::Spans;
use super::sky_signs::scintillation_around;
use super::timeline::Timeline;
use crate::model::time::{HOUR_MS, UtcMs};

/// Hours with a high Kp, or with a steep ionosphere in the maps, are listed whatever they do here.
const LISTED: [&str; 2] = ["sky:kp-storm", "sky:steep-ionosphere"];
const FAR: &str = "context:far-from-base";
const EVENING: &str = "context:equatorial-evening";
const AROUND: &str = "context:scintillation-around";

/// Epochs of a rover further apart are not one stay, ms.
const STAY_MS: i64 = 10_000;

/// Near the magnetic equator: 19 to 01 solar local time within about 20 degrees (ITU-R P.531 §5.2), with some margin.
const EVENING_LATITUDE_DEG: f64 = 25.0;
const EVENING_H: (f64, f64) = (18.5, 25.5);

/// Local solar time, h since 1970, without the equation of time.
fn solar_h(t: UtcMs, longitude_deg: f64) -> f64 {
    t as f64 / HOUR_MS as f64 + longitude_deg / 15.0
}

/// Longitude of a site near the magnetic equator, degrees.
fn equatorial(case: &SiteCase) -> Option<f64> {
    let near = case.magnetic_latitude.is_some_and(|l| l.abs() <= EVENING_LATITUDE_DEG);
    case.position.filter(|_| near).map(|(_, longitude, _)| longitude)
}

/// What holds at the base and for all its rovers alike, within `from..to`.
pub(super) fn of_base(
    case: &SiteCase,
    base: &Timeline<'_>,
    sky: &Timeline<'_>,
    (from, to): (UtcMs, UtcMs),
) -> Vec<Holds> {
    // A flare takes minutes, and what else is seen then is mostly its work.
    let mut out: Vec<Holds> = sky.holds().into_iter().filter(|h| LISTED.contains(&h.id.as_str())).collect();
    if let Some(longitude) = equatorial(case) {
        let first = (solar_h(from, longitude) / 24.0).floor() as i64 - 1;
        let last = (solar_h(to, longitude) / 24.0).floor() as i64;
        let at = |day: i64, h: f64| ((day as f64 * 24.0 + h - longitude / 15.0) * HOUR_MS as f64) as UtcMs;
        let evenings = (first..=last).map(|d| (at(d, EVENING_H.0), at(d, EVENING_H.1))).collect();
        out.push(Holds::new(EVENING.to_owned(), evenings, false));
    }
    let seen = base.events.iter().filter(|e| e.kind == "scintillation");
    let around: Spans = seen.map(|e| (e.from - HOUR_MS, e.to + HOUR_MS)).collect();
    if !around.is_empty() {
        out.push(Holds::new(AROUND.to_owned(), around, false));
    }
    out
}

/// When a rover was far from the base; `far` is how much each of its epochs speaks for that.
pub(super) fn of_rover(rover: &RoverCase, far: &[f32]) -> Option<Holds> {
    let mut stays: Spans = Vec::new();
    for (t, _) in rover.times.iter().zip(far).filter(|(_, far)| **far > 0.5) {
        match stays.last_mut() {
            Some(stay) if *t <= stay.1 + STAY_MS => stay.1 = *t,
            _ => stays.push((*t, *t)),
        }
    }
    (!stays.is_empty()).then(|| Holds::new(FAR.to_owned(), stays, false))
}

/// What a stretch of the rover's epochs says of all this; `old`: the part of it with old corrections, which no distance makes.
pub(super) fn features(
    case: &SiteCase,
    base: &Timeline<'_>,
    (from, to): (UtcMs, UtcMs),
    far: &[f32],
    old: f64,
) -> impl Iterator<Item = Feature> {
    let distant = far.iter().map(|f| f64::from(*f)).sum::<f64>() / far.len().max(1) as f64 * (1.0 - old);
    let evening = equatorial(case).is_some_and(|longitude| {
        let h = solar_h((from + to) / 2, longitude).rem_euclid(24.0);
        h > EVENING_H.0 || h < EVENING_H.1 - 24.0
    });
    let evening = if evening { 1.0 } else { 0.0 };
    [(FAR, distant), (EVENING, evening), (AROUND, scintillation_around(base, from, to))]
        .into_iter()
        .filter(|(_, strength)| *strength > 0.02)
        .map(|(id, strength)| Feature { id: id.to_owned(), strength: strength.min(1.0), event: None })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::evidence::Timing;

    const HOUR: i64 = HOUR_MS;

    fn how(_: &str) -> Timing {
        Timing::default()
    }

    /// Two days from midnight UTC at 45 degrees east: the evening there is 15:30 to 22:30 UTC.
    #[test]
    fn evenings_near_the_magnetic_equator() {
        let case = |latitude| SiteCase {
            position: Some((1.0, 45.0, 0.0)),
            magnetic_latitude: Some(latitude),
            ..SiteCase::default()
        };
        let nothing = Timeline::new("base", &[], &how);
        let day = 20_000 * 24 * HOUR;
        let held = of_base(&case(-12.0), &nothing, &nothing, (day, day + 48 * HOUR));
        let [evenings] = held.as_slice() else { panic!("one condition") };
        assert!(evenings.id == EVENING);
        let inside = |h: f64| {
            let t = day + (h * HOUR as f64) as i64;
            evenings.spans.iter().any(|(a, b)| (*a..*b).contains(&t))
        };
        for (h, evening) in [(15.4, false), (15.6, true), (22.4, true), (22.6, false), (39.6, true), (38.0, false)] {
            assert_eq!(inside(h), evening, "{h}");
            let t = day + (h * HOUR as f64) as i64;
            let said = features(&case(-12.0), &nothing, (t, t), &[], 0.0).any(|f| f.id == EVENING);
            assert_eq!(said, evening, "{h}");
        }
        assert!(of_base(&case(40.0), &nothing, &nothing, (day, day + 48 * HOUR)).is_empty());
    }

    #[test]
    fn a_rover_is_far_for_stays_and_no_distance_makes_corrections_old() {
        let times: Vec<i64> = (0..100).map(|s| s * 1000).chain((200..300).map(|s| s * 1000)).collect();
        let far: Vec<f32> = (0..200).map(|i| if i < 150 { 0.9 } else { 0.2 }).collect();
        let rover = RoverCase { times, ..RoverCase::default() };
        let held = of_rover(&rover, &far).unwrap();
        assert_eq!(held.spans, [(0, 99_000), (200_000, 249_000)]);
        assert!(of_rover(&rover, &[0.2; 200]).is_none());
        let nothing = Timeline::new("base", &[], &how);
        let said = |old| {
            features(&SiteCase::default(), &nothing, (0, 1000), &far[..100], old).map(|f| f.strength).sum::<f64>()
        };
        assert!((said(0.0) - 0.9).abs() < 1e-6 && (said(0.5) - 0.45).abs() < 1e-6 && said(1.0) == 0.0);
    }
}
