//! The sky over a base: the zenith in the middle, the horizon outside, north up. A cell is a dot where satellites were
//! tracked well, a triangle where reflections reach the antenna, a ring where the signal was weak or unsteady, a cross where
//! nothing was tracked though satellites come there.

use super::super::draw::{Anchor, Svg, coordinate};
use super::super::text::{name, plain};
use super::{Figure, Key};
use crate::model::picture::{SkyCell, SkyView};

const SIDE: f64 = 360.0;
const RADIUS: f64 = 150.0;
/// Code multipath against a clean antenna's from which on a direction is said to be reflected: poor begins at 1.7 times good
/// (common practice, no source; the same as the detector's limit).
const REFLECTED: f32 = 2.0;

/// Up to here the lowest satellite of a direction is always drawn: every receiver has an elevation limit about there.
const NEAR_HORIZON_DEG: f32 = 15.0;

/// What a cell shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    Well,
    Reflected,
    Weak,
    Nothing,
    /// No satellite comes there, or not enough was observed to say.
    Open,
}

/// Where the orbits are known: nothing tracked means that under a tenth of the time of satellites there was. Else judged ring
/// by ring: a cell is empty where most others of the same height had satellites for long enough.
fn judge(view: &SkyView) -> Vec<Seen> {
    view.cells
        .iter()
        .map(|c| {
            let ring = || view.cells.iter().filter(|o| o.elevation_deg == c.elevation_deg && o.in_reach);
            let (all, tracked) = (ring().count(), ring().filter(|o| o.minutes > 0).count());
            let mean = ring().map(|o| u64::from(o.minutes)).sum::<u64>() as f64 / all.max(1) as f64;
            if let Some(expected) = c.expected
                && (c.minutes == 0 || c.minutes.saturating_mul(10) < expected)
            {
                return if expected >= 10 { Seen::Nothing } else { Seen::Open };
            }
            if c.minutes == 0 {
                let told = c.in_reach && c.elevation_deg < 80.0 && tracked * 4 >= all * 3 && mean >= 30.0;
                return if told { Seen::Nothing } else { Seen::Open };
            }
            if c.minutes < 5 {
                return Seen::Open;
            }
            // Under 10 degrees receivers leave satellites out by an elevation limit of their own.
            if c.elevation_deg >= 10.0 && c.expected.is_some_and(|e| e >= 10 && c.minutes.saturating_mul(2) < e) {
                return Seen::Weak;
            }
            if c.reflected >= REFLECTED {
                return Seen::Reflected;
            }
            let mut scatters: Vec<f32> = ring().map(|o| o.scatter_db).filter(|s| s.is_finite()).collect();
            scatters.sort_unstable_by(f32::total_cmp);
            let usual = scatters.get(scatters.len() / 2).copied().unwrap_or(f32::NAN);
            let unsteady = c.scatter_db > 1.0 && c.scatter_db > 2.0 * usual;
            if unsteady || c.cn0_off_db < -4.0 { Seen::Weak } else { Seen::Well }
        })
        .collect()
}

/// Place of a direction.
fn at(azimuth_deg: f64, elevation_deg: f64) -> (f64, f64) {
    let r = RADIUS * (90.0 - elevation_deg) / 90.0;
    let (sin, cos) = azimuth_deg.to_radians().sin_cos();
    (SIDE / 2.0 + r * sin, SIDE / 2.0 - r * cos)
}

fn cross(x: f64, y: f64, r: f64) -> String {
    let p = |dx: f64, dy: f64| format!("{} {}", coordinate(x + dx), coordinate(y + dy));
    format!("M{}L{}M{}L{}", p(-r, -r), p(r, r), p(-r, r), p(r, -r))
}

fn triangle(x: f64, y: f64, r: f64) -> String {
    let (half, up, down) = (r * 0.87, y - r, y + r * 0.5);
    format!(
        "M{} {}L{} {}H{}z",
        coordinate(x),
        coordinate(up),
        coordinate(x + half),
        coordinate(down),
        coordinate(x - half)
    )
}

pub(in crate::report) fn sky(id: &str, view: &SkyView) -> Figure {
    let seen = judge(view);
    let count = |what: Seen| seen.iter().filter(|s| **s == what).count();
    // Only what there is: a clean sky is told in one line.
    let found: Vec<String> = [
        (Seen::Reflected, format!("reflections in {{}} (code multipath over {REFLECTED:.0} times a clean antenna’s)")),
        (Seen::Weak, "weak, unsteady or tracked less than half of the time in {} (together: leaves or an obstacle; all over the sky: \
             the signals themselves)".to_owned()),
        (
            Seen::Nothing,
            "next to nothing tracked in {} where satellites come (blocked, or switched off by an elevation limit)"
                .to_owned(),
        ),
    ]
    .into_iter()
    .filter(|(what, _)| count(*what) > 0)
    .map(|(what, words)| words.replace("{}", &count(what).to_string()))
    .collect();
    let well = count(Seen::Well);
    let told = match found.as_slice() {
        [] if well == 0 => "Too little was tracked to judge any direction".to_owned(),
        [] => format!("Tracked well in all {well} directions in which satellites came"),
        some => format!("Tracked well in {well} directions; {}", some.join("; ")),
    };
    let note = format!(
        "{told}. First frequency, all systems. Directions from {}.",
        if view.directions_from.is_empty() { "the logs".to_owned() } else { plain(&view.directions_from, 100) }
    );
    let title = format!("Sky over {}", name(&view.unit));
    let mut svg = Svg::new(id, SIDE, SIDE, &title, &note);
    for elevation in [0.0, 30.0, 60.0] {
        svg.circle(SIDE / 2.0, SIDE / 2.0, RADIUS * (90.0 - elevation) / 90.0, "ring");
    }
    for (azimuth, words) in [(0.0, "north"), (90.0, "east"), (180.0, "south"), (270.0, "west")] {
        let (x, y) = at(azimuth, -9.0);
        svg.text(x, y + 4.0, Anchor::Middle, "lbl strong", words);
    }
    let size = |c: &SkyCell| {
        let arc = RADIUS * (90.0 - c.elevation_deg) / 90.0 * view.step_azimuth_deg.to_radians();
        (arc / 2.4).clamp(1.4, 6.5)
    };
    let (mut crosses, mut triangles) = (String::new(), String::new());
    for (c, what) in view.cells.iter().zip(&seen) {
        let (x, y) = at(c.azimuth_deg + view.step_azimuth_deg / 2.0, c.elevation_deg + view.step_elevation_deg / 2.0);
        match what {
            Seen::Well => svg.circle(x, y, size(c) * 0.8, "sk-well"),
            Seen::Reflected => triangles.push_str(&triangle(x, y, size(c))),
            Seen::Weak => svg.circle(x, y, size(c) * 0.8, "sk-weak"),
            Seen::Nothing => crosses.push_str(&cross(x, y, size(c) * 0.7)),
            Seen::Open => {}
        }
    }
    svg.path(&triangles, "sk-mp");
    svg.path(&crosses, "sk-none");
    let mut horizon = String::new();
    for (k, low) in view.lowest_deg.iter().enumerate() {
        let Some(low) = low.filter(|l| l.is_finite()) else { continue };
        // High up it is a skyline only where satellites were expected lower and not tracked; else none came lower.
        let sector = k as f64 * view.step_azimuth_deg;
        let hidden = |(c, what): (&SkyCell, &Seen)| {
            *what == Seen::Nothing && c.azimuth_deg == sector && c.elevation_deg < f64::from(low)
        };
        if low > NEAR_HORIZON_DEG && !view.cells.iter().zip(&seen).any(hidden) {
            continue;
        }
        let (a, b) = (k as f64 * view.step_azimuth_deg, (k as f64 + 1.0) * view.step_azimuth_deg);
        let ((x1, y1), (x2, y2)) = (at(a, f64::from(low)), at(b, f64::from(low)));
        let r = RADIUS * (90.0 - f64::from(low)) / 90.0;
        horizon.push_str(&format!(
            "M{} {}A{r:.1} {r:.1} 0 0 1 {} {}",
            coordinate(x1),
            coordinate(y1),
            coordinate(x2),
            coordinate(y2)
        ));
    }
    svg.path(&horizon, "horizon");
    for elevation in [30.0, 60.0] {
        let (x, y) = at(180.0, elevation);
        svg.text(x, y + 4.0, Anchor::Middle, "lbl halo", &format!("{elevation:.0}°"));
    }
    let key = |inner: &str, words: &str| Key {
        svg: format!("<svg viewBox=\"0 0 16 16\" aria-hidden=\"true\">{inner}</svg>"),
        words: words.to_owned(),
    };
    let keys = [
        (Some(Seen::Well), "<circle class=\"sk-well\" cx=\"8\" cy=\"8\" r=\"5\"/>", "tracked well"),
        (Some(Seen::Reflected), "<path class=\"sk-mp\" d=\"M8 2L13.2 11H2.8z\"/>", "reflections"),
        (Some(Seen::Weak), "<circle class=\"sk-weak\" cx=\"8\" cy=\"8\" r=\"5\"/>", "weak, unsteady or seldom"),
        (Some(Seen::Nothing), "<path class=\"sk-none\" d=\"M4 4L12 12M4 12L12 4\"/>", "next to nothing tracked"),
        (None, "<path class=\"horizon\" d=\"M1 8H15\"/>", "lowest satellite tracked"),
    ]
    .into_iter()
    // Only marks that are there.
    .filter(|(what, ..)| what.is_none_or(|w| count(w) > 0))
    .map(|(_, inner, words)| key(inner, words))
    .collect();
    let rows = (0..8)
        .map(|sector| {
            let (a, b) = (f64::from(sector) * 45.0, f64::from(sector + 1) * 45.0);
            let inside = |azimuth: f64| azimuth >= a && azimuth < b;
            let cells = || view.cells.iter().zip(&seen).filter(|(c, _)| inside(c.azimuth_deg));
            let lowest = view
                .lowest_deg
                .iter()
                .enumerate()
                .filter(|(k, _)| inside(*k as f64 * view.step_azimuth_deg))
                .filter_map(|(_, l)| *l)
                .fold(f32::NAN, f32::min);
            let n = |what: Seen| cells().filter(|(_, s)| **s == what).count().to_string();
            vec![
                format!("{a:.0}° to {b:.0}°"),
                cells().map(|(c, _)| u64::from(c.minutes)).sum::<u64>().to_string(),
                if lowest.is_finite() { format!("{lowest:.0}°") } else { "none tracked".to_owned() },
                n(Seen::Well),
                n(Seen::Reflected),
                n(Seen::Weak),
                n(Seen::Nothing),
            ]
        })
        .collect();
    Figure {
        title,
        note,
        svg: svg.finish(),
        keys,
        columns: vec![
            "Azimuth",
            "Satellite-minutes",
            "Lowest elevation tracked",
            "Directions tracked well",
            "Reflections",
            "Weak, unsteady or seldom",
            "Nothing tracked",
        ],
        rows,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(azimuth: f64, minutes: u32, scatter: f32, in_reach: bool) -> SkyCell {
        SkyCell {
            azimuth_deg: azimuth,
            elevation_deg: 20.0,
            minutes,
            expected: None,
            cn0_off_db: 0.0,
            scatter_db: scatter,
            reflected: f32::NAN,
            in_reach,
        }
    }

    #[test]
    fn blocked_is_only_said_where_others_of_the_same_height_were_tracked() {
        let mut cells: Vec<SkyCell> = (0..24).map(|k| cell(f64::from(k) * 15.0, 60, 0.8, true)).collect();
        cells[0] = cell(0.0, 0, f32::NAN, false);
        cells[6] = cell(90.0, 0, f32::NAN, true);
        cells[9] = cell(135.0, 60, 3.0, true);
        let view = SkyView {
            unit: "B".to_owned(),
            step_azimuth_deg: 15.0,
            step_elevation_deg: 10.0,
            cells,
            directions_from: "orbits".to_owned(),
            lowest_deg: vec![Some(20.0); 24],
        };
        let seen = judge(&view);
        assert_eq!((seen[0], seen[6], seen[9], seen[1]), (Seen::Open, Seen::Nothing, Seen::Weak, Seen::Well));
        let mut mirror = view.clone();
        mirror.cells[2].reflected = 2.5;
        mirror.cells[3].reflected = 1.5;
        assert_eq!((judge(&mirror)[2], judge(&mirror)[3]), (Seen::Reflected, Seen::Well));
        assert!(sky("s", &mirror).note.contains("reflections in 1 "));
        // Few minutes everywhere: an empty cell says nothing.
        let thin =
            SkyView { cells: view.cells.iter().map(|c| SkyCell { minutes: c.minutes / 12, ..*c }).collect(), ..view };
        assert_eq!(judge(&thin)[6], Seen::Open);
        assert!(sky("s", &thin).svg.contains("Sky over B"));
        // With orbits a few minutes are enough, and what never rose is not missed.
        let mut orbits = thin.clone();
        for c in &mut orbits.cells {
            c.expected = Some(c.minutes.max(5));
        }
        orbits.cells[6].expected = Some(40);
        assert_eq!((judge(&orbits)[6], judge(&orbits)[0], judge(&orbits)[1]), (Seen::Nothing, Seen::Open, Seen::Well));
        // Tracked for less than half of the time that a satellite stood there.
        (orbits.cells[4].minutes, orbits.cells[4].expected) = (19, Some(40));
        (orbits.cells[5].minutes, orbits.cells[5].expected) = (21, Some(40));
        assert_eq!((judge(&orbits)[4], judge(&orbits)[5]), (Seen::Weak, Seen::Well));
    }

    /// The lowest satellite of a direction is a skyline where lower ones were expected and not tracked, or near the horizon;
    /// where none came lower it says nothing.
    #[test]
    fn a_skyline_is_drawn_where_something_hides_what_came_lower() {
        let at = |azimuth: f64, elevation_deg: f64, minutes: u32, expected: u32| SkyCell {
            elevation_deg,
            expected: Some(expected),
            ..cell(azimuth, minutes, 0.8, true)
        };
        let view = SkyView {
            unit: "B".to_owned(),
            step_azimuth_deg: 90.0,
            step_elevation_deg: 10.0,
            // North: blocked below 50 degrees. East: nothing came lower. South: down to 12 degrees.
            cells: vec![at(0.0, 20.0, 0, 40), at(0.0, 50.0, 40, 40), at(90.0, 50.0, 40, 40), at(180.0, 10.0, 40, 40)],
            directions_from: "orbits".to_owned(),
            lowest_deg: vec![Some(50.0), Some(50.0), Some(12.0), None],
        };
        let figure = sky("s", &view);
        let line = figure.svg.split("<path ").find(|p| p.contains("horizon")).unwrap();
        assert_eq!(line.matches('A').count(), 2, "{line}");
        // Nothing is reflected here: its mark needs no key.
        assert_eq!(figure.keys.len(), 3);
    }
}
