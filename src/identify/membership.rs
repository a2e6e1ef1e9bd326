//! Which base a rover belongs to, second by second.
//!
//! The base whose station id the rover reports; where several have it, the nearest. Else the base of the rover's own site.
//! A rover that hears a foreign base for less than ten minutes still belongs to its own site (that is a clash, not a move);
//! for longer it counts at the site whose base it uses. A rover without a site takes the nearest base within 50 km.

use crate::maths::geodesy::great_circle_m;
use crate::model::time::{MINUTE_MS, UtcMs};

/// A base as far as membership goes.
#[derive(Debug, Clone, PartialEq)]
pub struct BaseAt {
    /// Unit.
    pub unit: String,
    /// Site.
    pub site: String,
    /// Station ids it sent.
    pub station_ids: Vec<u16>,
    /// Latitude and longitude, degrees.
    pub position: Option<(f64, f64)>,
    /// First and last epoch of its data.
    pub span: Option<(UtcMs, UtcMs)>,
}

/// A foreign station id for less than this is a clash, not a move.
const SHORT_MS: i64 = 10 * MINUTE_MS;
/// A rover without a site is not put farther away than this.
const NEAREST_M: f64 = 50_000.0;

/// A stretch of epochs at one site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stay {
    /// First epoch.
    pub first: usize,
    /// Behind the last epoch.
    pub end: usize,
    /// Site id; `None` when no base is known.
    pub site: Option<String>,
}

/// Stays of one rover. All slices have one entry an epoch; `station_ids` `None` where none was reported, `lat`/`lon` NaN
/// where unknown.
pub fn stays(
    own_site: Option<&str>,
    times: &[UtcMs],
    station_ids: &[Option<u32>],
    lat: &[f64],
    lon: &[f64],
    bases: &[BaseAt],
) -> Vec<Stay> {
    let n = times.len();
    let default_site = own_site.map(str::to_owned).or_else(|| nearest_site(lat, lon, bases));
    // Runs of one reported id.
    let mut runs: Vec<(usize, usize, Option<String>)> = Vec::new();
    let mut at = 0;
    while at < n {
        let id = station_ids.get(at).copied().flatten();
        let mut end = at + 1;
        while end < n && station_ids.get(end).copied().flatten() == id {
            end += 1;
        }
        let site =
            id.and_then(|id| site_of_id(id, times[at], lat.get(at), lon.get(at), default_site.as_deref(), bases));
        runs.push((at, end, site));
        at = end;
    }
    let mut out: Vec<Stay> = Vec::new();
    let mut held: Option<String> = default_site.clone();
    for (first, end, site) in runs {
        let lasts = times[end - 1] - times[first];
        let site = match site {
            Some(s) if Some(&s) == default_site.as_ref() || lasts >= SHORT_MS || Some(&s) == held.as_ref() => {
                held = Some(s.clone());
                Some(s)
            }
            // Without a reported id a rover stays where it was, except after a long silence.
            _ => {
                let silence = out.last().is_some_and(|o| times[first] - times[o.end - 1] > 6 * 60 * MINUTE_MS);
                if silence {
                    held = default_site.clone();
                }
                held.clone()
            }
        };
        match out.last_mut() {
            Some(stay) if stay.site == site => stay.end = end,
            _ => out.push(Stay { first, end, site }),
        }
    }
    out
}

fn site_of_id(
    id: u32,
    time: UtcMs,
    lat: Option<&f64>,
    lon: Option<&f64>,
    own: Option<&str>,
    bases: &[BaseAt],
) -> Option<String> {
    let mut with: Vec<&BaseAt> = bases.iter().filter(|b| b.station_ids.iter().any(|s| u32::from(*s) == id)).collect();
    // Two sites may use one id at different times: a base that has data within a day of the epoch comes first.
    let near_in_time =
        |b: &BaseAt| b.span.is_none_or(|(a, z)| time >= a - 24 * 60 * MINUTE_MS && time <= z + 24 * 60 * MINUTE_MS);
    if with.iter().any(|b| near_in_time(b)) {
        with.retain(|b| near_in_time(b));
    }
    if let Some(b) = with.iter().find(|b| Some(b.site.as_str()) == own) {
        return Some(b.site.clone());
    }
    let distance = |b: &BaseAt| match (lat, lon, b.position) {
        (Some(lat), Some(lon), Some((y, x))) if lat.is_finite() && lon.is_finite() => great_circle_m(*lat, *lon, y, x),
        _ => f64::MAX,
    };
    with.into_iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)).then(a.unit.cmp(&b.unit)))
        .map(|b| b.site.clone())
}

fn nearest_site(lat: &[f64], lon: &[f64], bases: &[BaseAt]) -> Option<String> {
    let at = (0..lat.len().min(lon.len())).find(|i| lat[*i].is_finite() && lon[*i].is_finite())?;
    bases
        .iter()
        .filter_map(|b| b.position.map(|(y, x)| (great_circle_m(lat[at], lon[at], y, x), b)))
        .filter(|(d, _)| *d <= NEAREST_M)
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.unit.cmp(&b.1.unit)))
        .map(|(_, b)| b.site.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn base(site: &str, id: u16, lat: f64) -> BaseAt {
        BaseAt {
            unit: format!("{site}-base"),
            site: site.to_owned(),
            station_ids: vec![id],
            position: Some((lat, 8.0)),
            span: None,
        }
    }

    fn check(own: Option<&str>, ids: &[(usize, Option<u32>)]) -> Vec<(usize, String)> {
        let ids: Vec<Option<u32>> = ids.iter().flat_map(|(n, id)| std::iter::repeat_n(*id, *n)).collect();
        let times: Vec<i64> = (0..ids.len() as i64).map(|i| i * 1000).collect();
        let (lat, lon) = (vec![47.0; ids.len()], vec![8.0; ids.len()]);
        let bases = [base("a", 1, 47.0), base("b", 2, 47.2), base("far", 1, 50.0)];
        stays(own, &times, &ids, &lat, &lon, &bases)
            .into_iter()
            .map(|s| (s.end - s.first, s.site.unwrap_or_default()))
            .collect()
    }

    #[test]
    fn a_short_foreign_id_is_a_clash_a_long_one_a_move() {
        assert_eq!(check(Some("a"), &[(100, Some(1)), (60, Some(2)), (100, Some(1))]), [(260, "a".to_owned())]);
        assert_eq!(check(Some("a"), &[(100, Some(1)), (700, Some(2))]), [(100, "a".to_owned()), (700, "b".to_owned())]);
    }

    #[test]
    fn without_an_id_the_rover_stays_and_one_id_of_two_bases_is_the_nearest() {
        assert_eq!(check(Some("a"), &[(100, Some(1)), (50, None)]), [(150, "a".to_owned())]);
        assert_eq!(check(None, &[(700, Some(1))]), [(700, "a".to_owned())]);
        assert_eq!(check(Some("nobody"), &[(10, None)]), [(10, "nobody".to_owned())]);
    }
}
