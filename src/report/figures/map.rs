//! A plain map of the sites: latitude and longitude as a grid, magnetic latitude bands behind, a mark a site whose shape
//! and colour say its lost share. No coast lines, no tiles, no network.

use super::super::draw::{Anchor, Svg, coordinate};
use super::Key;
use crate::model::picture::MagneticEdge;
use serde::Serialize;

const WIDTH: f64 = 720.0;
const MARGIN: f64 = 34.0;
/// Sites that are written by name.
const NAMED: usize = 12;

/// A site to draw.
pub(in crate::report) struct Spot {
    pub(in crate::report) name: String,
    pub(in crate::report) href: String,
    pub(in crate::report) latitude: f64,
    pub(in crate::report) longitude: f64,
    /// `None`: too little data.
    pub(in crate::report) lost_share: Option<f64>,
    pub(in crate::report) words: String,
}

/// The map.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Map {
    svg: String,
    keys: Vec<Key>,
    left_out: usize,
    bands: bool,
}

fn class(share: Option<f64>) -> usize {
    match share {
        None => 0,
        Some(s) if s < 0.02 => 1,
        Some(s) if s < 0.05 => 2,
        Some(s) if s < 0.15 => 3,
        Some(_) => 4,
    }
}

const WORDS: [&str; 5] = ["too little data", "under 2 % lost", "2 to 5 % lost", "5 to 15 % lost", "over 15 % lost"];

/// A mark: cross, ring, dot, diamond, triangle.
fn mark(class: usize, x: f64, y: f64) -> String {
    let p = |dx: f64, dy: f64| format!("{} {}", coordinate(x + dx), coordinate(y + dy));
    match class {
        0 => format!("M{}L{}M{}L{}", p(-4.0, 0.0), p(4.0, 0.0), p(0.0, -4.0), p(0.0, 4.0)),
        1 | 2 => format!("M{}a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0z", p(-4.5, 0.0)),
        3 => format!("M{}L{}L{}L{}z", p(0.0, -6.5), p(6.5, 0.0), p(0.0, 6.5), p(-6.5, 0.0)),
        _ => format!("M{}L{}L{}z", p(0.0, -8.0), p(8.0, 6.5), p(-8.0, 6.5)),
    }
}

/// The part of the world that is shown, and how.
struct View {
    south: f64,
    north: f64,
    west: f64,
    east: f64,
    height: f64,
}

impl View {
    fn of(spots: &[&Spot]) -> Option<Self> {
        let lat = || spots.iter().map(|s| s.latitude);
        let (south, north) = (lat().fold(f64::INFINITY, f64::min), lat().fold(f64::NEG_INFINITY, f64::max));
        if !south.is_finite() {
            return None;
        }
        // The widest gap between neighbouring longitudes is where the map is cut, so that a fleet around the date line
        // stays together.
        let mut lon: Vec<f64> = spots.iter().map(|s| s.longitude.rem_euclid(360.0)).collect();
        lon.sort_unstable_by(f64::total_cmp);
        let n = lon.len();
        let gap = |k: usize| if k + 1 < n { lon[k + 1] - lon[k] } else { lon[0] + 360.0 - lon[n - 1] };
        let cut = (0..n).max_by(|a, b| gap(*a).total_cmp(&gap(*b)))?;
        let mut west = lon[(cut + 1) % n];
        let mut wide = 360.0 - gap(cut);
        // A world map is cut at the date line as everybody knows it.
        if wide > 240.0 {
            (west, wide) = (-180.0, 360.0);
        }
        let mut tall = north - south;
        // A single site still has a surrounding; a degree of longitude is narrower in the north.
        let cos = (f64::midpoint(south, north)).to_radians().cos().max(0.2);
        let least = 0.2;
        let pad = (tall.max(wide * cos) * 0.08).max(least / 2.0);
        let (mut south, mut north) = (south - pad, north + pad);
        if wide < 360.0 {
            west -= pad / cos;
            wide += 2.0 * pad / cos;
        }
        tall = north - south;
        let scale = (WIDTH - 2.0 * MARGIN) / (wide * cos);
        // Neither a ribbon nor a tower.
        let (low, high) = (240.0, 460.0);
        let mut height = tall * scale;
        let mut east = west + wide;
        if height < low {
            let more = (low / scale - tall) / 2.0;
            (south, north) = (south - more, north + more);
            height = low;
        } else if height > high {
            let more = (wide * height / high - wide) / 2.0;
            (west, east) = (west - more, east + more);
            height = high;
        }
        Some(Self { south: south.max(-90.0), north: north.min(90.0), west, east: east.min(west + 360.0), height })
    }

    fn y(&self, lat: f64) -> f64 {
        MARGIN / 2.0 + (self.north - lat) / (self.north - self.south).max(1e-9) * self.height
    }

    fn x(&self, lon: f64) -> f64 {
        let turned = (lon - self.west).rem_euclid(360.0);
        MARGIN + turned / (self.east - self.west).max(1e-9) * (WIDTH - 2.0 * MARGIN)
    }
}

/// The map of all sites with a known place; `None` without one.
pub(in crate::report) fn map(id: &str, spots: &[Spot], edges: &[MagneticEdge]) -> Option<Map> {
    let placed: Vec<&Spot> = spots
        .iter()
        .filter(|s| s.latitude.abs() <= 90.0 && s.longitude.is_finite() && s.longitude.abs() <= 720.0)
        .collect();
    let view = View::of(&placed)?;
    let total = view.height + MARGIN * 1.6;
    let worst = placed.iter().filter(|s| class(s.lost_share) == 4).count();
    let words = format!(
        "{} sites by place; {worst} lost more than 15 % of their time. The table has the same sites.",
        placed.len()
    );
    let mut svg = Svg::new(id, WIDTH, total, "Map of the sites", &words).into_group();
    let marks: Vec<(f64, f64)> = placed.iter().map(|s| (view.x(s.longitude), view.y(s.latitude))).collect();
    let (bands, words) = bands(&mut svg, &view, edges, &marks);
    graticule(&mut svg, &view);
    let (left, right) = (MARGIN, WIDTH - MARGIN);
    svg.rect(left, MARGIN / 2.0, right - left, view.height, "frame");
    // The worst are drawn last, on top.
    for s in placed.iter().rev() {
        let (x, y) = (view.x(s.longitude), view.y(s.latitude));
        let k = class(s.lost_share);
        if s.href.is_empty() {
            svg.path(&mark(k, x, y), &format!("g{k}"));
            continue;
        }
        svg.begin_link(&s.href, &format!("{}: {}", s.name, s.words));
        svg.path(&mark(k, x, y), &format!("g{k}"));
        svg.end_link();
    }
    // A name that would lie on another or on a mark is left out: the mark is still a link.
    let mut taken: Vec<(f64, f64, f64)> = marks.iter().map(|(x, y)| (x - 8.0, x + 8.0, *y)).chain(words).collect();
    for s in placed.iter().take(NAMED) {
        let (x, y) = (view.x(s.longitude), view.y(s.latitude));
        let short: String = s.name.chars().take(22).collect();
        let width = short.chars().count() as f64 * 6.2;
        let half = width / 2.0;
        let sides = [
            (x + 11.0, x + 11.0 + width, y, Anchor::Start),
            (x - 11.0 - width, x - 11.0, y, Anchor::End),
            (x - half, x + half, y - 15.0, Anchor::Middle),
            (x - half, x + half, y + 16.0, Anchor::Middle),
        ];
        let free = sides.into_iter().find(|(from, to, at, _)| {
            *from >= left
                && *to <= right
                && *at > MARGIN / 2.0 + 8.0
                && *at < MARGIN / 2.0 + view.height - 8.0
                && !taken.iter().any(|(a, b, line)| from < b && to > a && (line - at).abs() < 12.0)
        });
        if let Some((from, to, at, anchor)) = free {
            taken.push((from, to, at));
            let hang = match anchor {
                Anchor::Start => from,
                Anchor::Middle => x,
                Anchor::End => to,
            };
            svg.text(hang, at + 4.0, anchor, "lbl halo", &short);
        }
    }
    let keys = (0..5)
        .filter(|k| placed.iter().any(|s| class(s.lost_share) == *k))
        .map(|k| Key {
            svg: format!(
                "<svg viewBox=\"0 0 18 18\" aria-hidden=\"true\"><path class=\"g{k}\" d=\"{}\"/></svg>",
                mark(k, 9.0, 9.5)
            ),
            words: WORDS[k].to_owned(),
        })
        .collect();
    Some(Map { svg: svg.finish(), keys, left_out: spots.len() - placed.len(), bands })
}

/// A step of the grid that gives some lines.
fn step(span: f64) -> f64 {
    [0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0].into_iter().find(|s| span / s <= 8.0).unwrap_or(90.0)
}

fn graticule(svg: &mut Svg, view: &View) {
    let mut d = String::new();
    let digits = |step: f64| {
        if step >= 1.0 {
            0
        } else if step >= 0.1 {
            1
        } else {
            2
        }
    };
    let s = step(view.north - view.south);
    let mut lat = (view.south / s).ceil() * s;
    while lat <= view.north + 1e-9 {
        d.push_str(&format!("M{} {}H{}", coordinate(MARGIN), coordinate(view.y(lat)), coordinate(WIDTH - MARGIN)));
        let side = if lat.abs() < 1e-9 {
            ""
        } else if lat < 0.0 {
            " S"
        } else {
            " N"
        };
        svg.text(MARGIN - 4.0, view.y(lat) + 4.0, Anchor::End, "lbl", &format!("{:.*}°{side}", digits(s), lat.abs()));
        lat += s;
    }
    let s = step((view.east - view.west) * 0.8);
    let mut lon = (view.west / s).ceil() * s;
    while lon <= view.east - 1e-9 {
        let x = view.x(lon);
        d.push_str(&format!("M{} {}v{}", coordinate(x), coordinate(MARGIN / 2.0), coordinate(view.height)));
        let folded = (lon + 180.0).rem_euclid(360.0) - 180.0;
        let side = if folded.abs() < 1e-9 {
            ""
        } else if folded < 0.0 {
            " W"
        } else {
            " E"
        };
        let words = format!("{:.*}°{side}", digits(s), folded.abs());
        svg.text(x, view.height + MARGIN / 2.0 + 16.0, Anchor::Middle, "lbl", &words);
        lon += s;
    }
    svg.path(&d, "grid");
}

/// Pieces of a line of magnetic latitude over the width of the map.
const STEPS: u32 = 72;

/// Places of a line on the map, kept within the frame.
fn places(view: &View, edge: &MagneticEdge) -> Vec<(f64, f64)> {
    (0..=STEPS)
        .filter_map(|k| {
            let share = f64::from(k) / f64::from(STEPS);
            let lat = latitude_at(edge, view.west + (view.east - view.west) * share)?;
            let y = view.y(lat).clamp(MARGIN / 2.0, MARGIN / 2.0 + view.height);
            Some((MARGIN + share * (WIDTH - 2.0 * MARGIN), y))
        })
        .collect()
}

/// A line through places; `first` is `M` or `L`.
fn through(places: impl Iterator<Item = (f64, f64)>, first: char) -> String {
    places
        .enumerate()
        .map(|(i, (x, y))| format!("{}{} {}", if i == 0 { first } else { 'L' }, coordinate(x), coordinate(y)))
        .collect()
}

/// Magnetic latitude bands: the equatorial, auroral and polar ones tinted, their limits as broken lines with words.
/// `true` when a limit lies within the map; and where words were written: from, to, middle line.
fn bands(svg: &mut Svg, view: &View, edges: &[MagneticEdge], marks: &[(f64, f64)]) -> (bool, Vec<(f64, f64, f64)>) {
    let (top, bottom) = (MARGIN / 2.0, MARGIN / 2.0 + view.height);
    let inside = |y: f64| y > top + 0.5 && y < bottom - 0.5;
    let lines: Vec<(&MagneticEdge, Vec<(f64, f64)>)> =
        edges.iter().map(|e| (e, places(view, e))).filter(|(_, line)| line.len() > 1).collect();
    // All tints first: a line or word must not lie under the tint of another band.
    for (edge, line) in &lines {
        let d = through(line.iter().copied(), 'M');
        if edge.magnetic_deg.abs() >= 40.0 {
            let pole = if edge.magnetic_deg > 0.0 { top } else { bottom };
            let ends = line.last().into_iter().chain(line.first()).map(|p| (p.0, pole));
            svg.path(&format!("{d}{}z", through(ends, 'L')), "zone");
        } else if edge.magnetic_deg > 0.0
            && let Some((_, south)) = lines.iter().find(|(e, _)| (e.magnetic_deg + edge.magnetic_deg).abs() < 1e-6)
        {
            svg.path(&format!("{d}{}z", through(south.iter().rev().copied(), 'L')), "zone");
        }
    }
    let mut drawn = false;
    let mut words: Vec<(f64, f64, f64)> = Vec::new();
    // Both limits of the equatorial band often lie on one map: one word is enough for it.
    let mut equator_named = false;
    for (edge, line) in &lines {
        let part: String = line
            .windows(2)
            .filter(|pair| pair.iter().any(|p| inside(p.1)))
            .map(|pair| through(pair.iter().copied(), 'M'))
            .collect();
        drawn |= !part.is_empty();
        svg.path(&part, "zoneline");
        let (band, inner) = match edge.magnetic_deg.abs() {
            m if m < 40.0 => ("equatorial band", true),
            m if m < 70.0 => ("auroral band", false),
            _ => ("polar band", false),
        };
        if inner && equator_named {
            continue;
        }
        // The word stands on its band's side of the line, as near to the right end as nothing is in its way: the frame,
        // a limit, a mark.
        let wide = band.len() as f64 * 6.0;
        let below = inner == (edge.magnetic_deg > 0.0);
        let free = |(x, y): (f64, f64)| {
            let middle = if below { y + 11.0 } else { y - 11.0 };
            let (from, to) = (x - 2.0 - wide, x - 2.0);
            let limits = lines.iter().flat_map(|(_, l)| l);
            (from > MARGIN + 4.0
                && to < WIDTH - MARGIN - 4.0
                && inside(middle - 8.0)
                && inside(middle + 8.0)
                && !limits.into_iter().any(|p| p.0 > from && p.0 < to && (p.1 - middle).abs() < 9.0)
                && !marks.iter().any(|m| m.0 + 9.0 > from && m.0 - 9.0 < to && (m.1 - middle).abs() < 15.0))
            .then_some((from, to, middle))
        };
        if let Some((from, to, middle)) = line.iter().rev().copied().find_map(free) {
            equator_named |= inner;
            words.push((from, to, middle));
            svg.text(to, middle + 4.0, Anchor::End, "lbl zoneword", band);
        }
    }
    (drawn, words)
}

/// Latitude of a line at a longitude, between its points.
fn latitude_at(edge: &MagneticEdge, lon: f64) -> Option<f64> {
    let lon = (lon + 180.0).rem_euclid(360.0) - 180.0;
    let k = edge.points.partition_point(|p| p.0 <= lon);
    let (a, b) = (edge.points.get(k.checked_sub(1)?)?, edge.points.get(k).or(edge.points.last())?);
    let share = if b.0 > a.0 { (lon - a.0) / (b.0 - a.0) } else { 0.0 };
    Some(a.1 + share * (b.1 - a.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spot(name: &str, latitude: f64, longitude: f64) -> Spot {
        Spot {
            name: name.to_owned(),
            href: format!("sites/{name}.html"),
            latitude,
            longitude,
            lost_share: Some(0.2),
            words: "20 % lost".to_owned(),
        }
    }

    #[test]
    fn a_fleet_around_the_date_line_stays_together() {
        let spots = [spot("a", -17.0, 178.0), spot("b", -18.0, -178.5)];
        let view = View::of(&spots.iter().collect::<Vec<_>>()).unwrap();
        assert!(view.east - view.west < 10.0, "{} {}", view.west, view.east);
        assert!(view.x(178.0) < view.x(-178.5));
        assert!((MARGIN..WIDTH - MARGIN).contains(&view.x(178.0)));
    }

    #[test]
    fn one_site_and_a_world_are_both_drawn() {
        let one = map("m", &[spot("a", 47.0, 8.0)], &[]).unwrap();
        assert!(one.svg.contains("sites/a.html") && !one.bands);
        let edge = |m: f64| MagneticEdge { magnetic_deg: m, points: vec![(-180.0, m), (180.0, m)] };
        let world: Vec<Spot> =
            (0..30).map(|k| spot(&format!("s{k}"), f64::from(k) * 4.0 - 60.0, f64::from(k) * 12.0 - 175.0)).collect();
        let map = map("m", &world, &[edge(-60.0), edge(-20.0), edge(20.0), edge(60.0)]).unwrap();
        assert!(map.bands);
        assert_eq!(map.svg.matches("equatorial band").count(), 1, "both of its limits are on the map");
        assert_eq!(map.svg.matches("auroral band").count(), 2, "north and south are two bands");
        assert!(super::map("m", &[spot("x", f64::NAN, 0.0)], &[]).is_none());
        // A mark in the way moves the word along its line, it does not hide it.
        let view = View::of(&world.iter().collect::<Vec<_>>()).unwrap();
        let mut svg = Svg::new("m", WIDTH, view.height, "", "");
        let (_, free) = bands(&mut svg, &view, &[edge(60.0)], &[]);
        let (_, moved) = bands(&mut svg, &view, &[edge(60.0)], &[(free[0].1 - 10.0, free[0].2)]);
        assert!(moved[0].1 < free[0].1 - 10.0, "{moved:?} {free:?}");
    }
}
