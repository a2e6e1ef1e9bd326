//! What the pages draw: strips, tracks and shades on one time axis, loss by place, age, distance and time of day, the sky
//! over the bases, and small tables. Everything is merged to what a page can show.

pub(super) mod base;
mod loss;
mod sky;
mod strips;
mod tables;
mod tracks;

use super::beside::Beside;
use super::sites::Site1;
use crate::correlate::evidence::SiteEvidence;
use crate::correlate::grid::Grid;
use crate::detect::Limits;
use crate::maths::magnetic::{BandLimits, FieldModel, decimal_year};
use crate::maths::stats::benjamini_hochberg;
use crate::model::findings::SiteFindings;
use crate::model::picture::{EventTest, MagneticEdge, SitePicture, SitePictures};
use crate::model::time::UtcMs;

/// The picture of one site, and how its loss goes with each kind of event. `limits`: those of the detectors.
pub(super) fn of(
    site: &Site1,
    findings: &SiteFindings,
    evidence: &SiteEvidence,
    grids: &[Grid],
    beside: &Beside,
    window: Option<(UtcMs, UtcMs)>,
    limits: &Limits,
) -> (SitePicture, Vec<EventTest>) {
    let (from, to) = site.span.or(window).unwrap_or((0, 0));
    let zone = beside.fleet.zone(&site.case.site);
    let daily = loss::daily(site, from, zone);
    let picture = SitePicture {
        site: findings.site.clone(),
        time_zone: zone.name().to_owned(),
        from,
        to,
        strips: strips::strips(site, from, to),
        tables: tables::tables(site, from, to),
        shades: strips::shades(site, beside, from, to),
        tracks: tracks::tracks(site, beside, from, to, limits),
        trend: loss::trend(&daily.days),
        days: daily.days,
        who_else: loss::who_else(site, grids),
        by_age: loss::by_age(site),
        by_distance: loss::by_distance(site),
        rhythm: daily.rhythm,
        plan: loss::plan(site),
        skies: sky::skies(site),
        elevation: sky::elevation(site),
    };
    (picture, tables::event_tests(site, evidence))
}

/// Corrects the chances of all event tests of a run for their number, and shows those of the bases as a table.
pub(super) fn with_chances(pictures: &mut [SitePictures]) {
    let p: Vec<f64> = pictures.iter().flat_map(|s| s.event_tests.iter().filter_map(|t| t.p)).collect();
    let mut q = benjamini_hochberg(&p).into_iter();
    for picture in pictures {
        for test in picture.event_tests.iter_mut().filter(|t| t.p.is_some()) {
            test.q = q.next();
        }
        picture.chances = tables::association(&picture.event_tests);
    }
}

/// The limits of the magnetic latitude bands as lines on a map, in steps of 5 degrees of longitude.
pub(super) fn magnetic_edges(at: UtcMs) -> Vec<MagneticEdge> {
    let Some(model) = FieldModel::at_year(decimal_year(at)) else { return Vec::new() };
    let limits = BandLimits::default();
    let mut edges = Vec::new();
    for limit in [limits.equatorial_to_deg, limits.auroral_from_deg, limits.polar_from_deg] {
        for sign in [-1.0, 1.0] {
            let points = (-36..=36)
                .filter_map(|step| {
                    let lon = f64::from(step) * 5.0;
                    crossing(&model, lon, sign * limit).map(|lat| (lon, lat))
                })
                .collect();
            edges.push(MagneticEdge { magnetic_deg: sign * limit, points });
        }
    }
    edges.sort_by(|a, b| a.magnetic_deg.total_cmp(&b.magnetic_deg));
    edges
}

/// Latitude at which a meridian has a magnetic latitude, going away from the magnetic equator.
fn crossing(model: &FieldModel, lon: f64, wanted: f64) -> Option<f64> {
    let value = |lat: f64| model.dip_latitude_deg(lat, lon, 0.0).map(|m| (m - wanted) * wanted.signum());
    // Within 20 degrees of the equator the magnetic equator lies; from there outwards the dip only grows.
    let step = 2.0 * wanted.signum();
    let mut lat = -20.0 * wanted.signum();
    let mut before = value(lat)?;
    while lat.abs() <= 88.0 {
        let next = lat + step;
        let after = value(next.clamp(-89.9, 89.9))?;
        if before < 0.0 && after >= 0.0 {
            return Some(lat + step * (-before / (after - before)));
        }
        (lat, before) = (next, after);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::parse_utc;

    /// The dip equator lies north of the geographic one over Africa and Asia and south of it over South America
    /// (ITU-R P.531; IGRF): a limit of 20 degrees lies accordingly.
    #[test]
    fn the_equatorial_band_follows_the_dip_equator() {
        let edges = magnetic_edges(parse_utc("2025-06-01").unwrap());
        assert_eq!(edges.len(), 6);
        let at = |magnetic: f64, lon: f64| -> f64 {
            let edge = edges.iter().find(|e| e.magnetic_deg == magnetic).unwrap();
            edge.points.iter().find(|p| p.0 == lon).unwrap().1
        };
        let middle = |lon: f64| (at(20.0, lon) + at(-20.0, lon)) / 2.0;
        assert!(middle(-70.0) < -5.0, "{}", middle(-70.0));
        assert!(middle(80.0) > 4.0, "{}", middle(80.0));
        assert!(at(60.0, -90.0) < at(60.0, 90.0), "the auroral band comes further south over America");
    }
}
