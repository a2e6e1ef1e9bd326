//! Plan of a site: where fixes were held and where they were lost, seen from above, north up.

use super::super::draw::{Anchor, Svg, box_path, coordinate};
use super::super::text::{hours, percent, weighed};
use super::{Figure, Key};
use crate::model::picture::SitePlan;

/// Side of the picture, units.
const SIDE: f64 = 360.0;
/// Room for the scale bar below.
const FOOT: f64 = 26.0;
/// Places listed as a table.
const PLACES: usize = 8;

/// Size of a mark by the lost share of its cell.
fn class(share: f64) -> usize {
    match share {
        s if s < 0.02 => 0,
        s if s < 0.2 => 1,
        s if s < 0.6 => 2,
        _ => 3,
    }
}

const WORDS: [&str; 4] = ["under 2 % lost", "2 to 20 % lost", "20 to 60 % lost", "over 60 % lost"];

/// A mark in the middle of its cell.
fn mark(class: usize, x: f64, y: f64, cell: f64) -> String {
    let side = cell * [0.26, 0.5, 0.76, 1.0][class.min(3)];
    box_path(x + (cell - side) / 2.0, y + (cell - side) / 2.0, side, side)
}

fn metres(m: f64) -> String {
    if m >= 1000.0 { format!("{} km", coordinate(m / 1000.0)) } else { format!("{m:.0} m") }
}

pub(in crate::report) fn plan(id: &str, p: &SitePlan) -> Option<Figure> {
    if p.cells.is_empty() || p.cell_m <= 0.0 {
        return None;
    }
    let (columns, rows) = (|| p.cells.iter().map(|c| c.0), || p.cells.iter().map(|c| c.1));
    let (x1, x2) = (columns().min()?, columns().max()?.saturating_add(1));
    let (y1, y2) = (rows().min()?, rows().max()?.saturating_add(1));
    let mut cells = (f64::from(x1), f64::from(x2), f64::from(y1), f64::from(y2));
    // The base is drawn in its place when that does not shrink the work area to a spot.
    let wide = (cells.1 - cells.0).max(cells.3 - cells.2).max(1.0);
    let base = p.base.filter(|(x, y)| x.is_finite() && y.is_finite()).map(|(x, y)| (x / p.cell_m, y / p.cell_m));
    let inside = base.filter(|(x, y)| {
        let far = (cells.0 - x).max(x - cells.1).max(cells.2 - y).max(y - cells.3);
        far <= wide
    });
    if let Some((x, y)) = inside {
        cells = (cells.0.min(x - 1.0), cells.1.max(x + 1.0), cells.2.min(y - 1.0), cells.3.max(y + 1.0));
    }
    let wide = (cells.1 - cells.0).max(cells.3 - cells.2).max(4.0);
    let margin = 14.0;
    let unit = (SIDE - 2.0 * margin) / wide;
    let left = margin + (wide - (cells.1 - cells.0)) * unit / 2.0;
    let top = margin + (wide - (cells.3 - cells.2)) * unit / 2.0;
    let at = |x: f64, y: f64| (left + (x - cells.0) * unit, top + (cells.3 - y) * unit);
    let mut paths = [const { String::new() }; 4];
    for (cx, cy, s) in &p.cells {
        let (x, y) = at(f64::from(*cx), f64::from(*cy) + 1.0);
        let k = class(s.lost_ms as f64 / s.observed_ms.max(1) as f64);
        if let Some(path) = paths.get_mut(k) {
            path.push_str(&mark(k, x, y, unit));
        }
    }
    let lost = p.cells.iter().map(|c| c.2.lost_ms).sum::<i64>();
    let mut worst: Vec<_> = p.cells.iter().filter(|c| c.2.lost_ms > 0).collect();
    worst.sort_by_key(|c| (std::cmp::Reverse(c.2.lost_ms), c.0, c.1));
    let tenth = p.cells.len().div_ceil(10);
    let in_tenth = worst.iter().take(tenth).map(|c| c.2.lost_ms).sum::<i64>() as f64 / lost.max(1) as f64;
    let note = if lost == 0 {
        "No fix was lost at a known place.".to_owned()
    } else {
        weighed(
            lost,
            &format!("The worst tenth of the places holds {} of the lost time.", percent(in_tenth)),
            "Near 10 % the loss is not bound to places, near 100 % it is.",
        )
    };
    let mut svg = Svg::new(id, SIDE, SIDE + FOOT, "Plan of the site", &note);
    svg.rect(0.5, 0.5, SIDE - 1.0, SIDE - 1.0, "frame");
    for (k, d) in paths.iter().enumerate() {
        svg.path(d, &format!("p{k}"));
    }
    match (inside, base) {
        (Some((x, y)), _) => {
            let (x, y) = at(x, y);
            svg.path(&triangle(x, y, 7.0), "basemark");
            svg.text(x, y - 10.0, Anchor::Middle, "lbl strong", "base");
        }
        (None, Some((x, y))) => {
            // An arrow on the edge: where the base lies and how far.
            let (mx, my) = ((cells.0 + cells.1) / 2.0, (cells.2 + cells.3) / 2.0);
            let (dx, dy) = (x - mx, y - my);
            let length = dx.hypot(dy).max(1e-9);
            let (ex, ey) =
                (SIDE / 2.0 + dx / length * (SIDE / 2.0 - 30.0), SIDE / 2.0 - dy / length * (SIDE / 2.0 - 30.0));
            svg.path(&arrow(ex, ey, dx / length, -dy / length), "basemark");
            let words = format!("base {}", metres(length * p.cell_m));
            let ty = if ey < SIDE / 2.0 { ey + 26.0 } else { ey - 18.0 };
            svg.text(ex.clamp(60.0, SIDE - 60.0), ty, Anchor::Middle, "lbl strong", &words);
        }
        _ => {}
    }
    svg.text(SIDE - 2.0, SIDE + 15.0, Anchor::End, "lbl", "north is up");
    let nice = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 1e4, 2e4, 5e4, 1e5];
    let bar_m = nice.into_iter().rfind(|m| m / p.cell_m * unit <= SIDE / 3.0).unwrap_or(p.cell_m);
    let bar = bar_m / p.cell_m * unit;
    svg.path(&format!("M2 {}v6h{}v-6", coordinate(SIDE + 6.0), coordinate(bar)), "scalebar");
    svg.text(
        bar + 10.0,
        SIDE + 15.0,
        Anchor::Start,
        "lbl",
        &format!("{}; a place is {}", metres(bar_m), metres(p.cell_m)),
    );
    let keys = (0..4)
        .map(|k| Key {
            svg: format!(
                "<svg viewBox=\"0 0 16 16\" aria-hidden=\"true\"><path class=\"p{k}\" d=\"{}\"/></svg>",
                mark(k, 0.0, 0.0, 16.0)
            ),
            words: WORDS[k].to_owned(),
        })
        .collect();
    let rows = worst
        .iter()
        .take(PLACES)
        .map(|(cx, cy, s)| {
            let (bx, by) = base.unwrap_or((0.0, 0.0));
            let (dx, dy) = ((f64::from(*cx) + 0.5 - bx) * p.cell_m, (f64::from(*cy) + 0.5 - by) * p.cell_m);
            let h = |ms: i64| hours(ms as f64 / 3_600_000.0);
            vec![
                format!("{dx:.0} m"),
                format!("{dy:.0} m"),
                h(s.lost_ms),
                h(s.observed_ms),
                percent(s.lost_ms as f64 / s.observed_ms.max(1) as f64),
            ]
        })
        .collect();
    Some(Figure {
        title: "Places of loss".to_owned(),
        note,
        svg: svg.finish(),
        keys,
        columns: vec![
            if base.is_some() { "East of the base" } else { "East" },
            if base.is_some() { "North of the base" } else { "North" },
            "Lost",
            "Observed",
            "Share",
        ],
        rows,
    })
}

fn triangle(x: f64, y: f64, r: f64) -> String {
    format!(
        "M{} {}L{} {}L{} {}z",
        coordinate(x),
        coordinate(y - r),
        coordinate(x + r),
        coordinate(y + r),
        coordinate(x - r),
        coordinate(y + r)
    )
}

/// An arrow head at a place into a direction of length 1.
fn arrow(x: f64, y: f64, dx: f64, dy: f64) -> String {
    let p = |along: f64, across: f64| {
        format!("{} {}", coordinate(x + along * dx - across * dy), coordinate(y + along * dy + across * dx))
    };
    format!("M{}L{}L{}L{}z", p(12.0, 0.0), p(-8.0, 7.0), p(-3.0, 0.0), p(-8.0, -7.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::picture::Share;

    #[test]
    fn a_loss_bound_to_a_place_is_told_from_one_that_is_not() {
        let cells = |lost: &dyn Fn(i32) -> i64| -> Vec<(i32, i32, Share)> {
            (0..20).map(|x| (x, x % 4, Share { observed_ms: 600_000, lost_ms: lost(x) })).collect()
        };
        let figure = |lost: &dyn Fn(i32) -> i64| {
            plan("p", &SitePlan { cell_m: 10.0, cells: cells(lost), base: Some((0.0, 2000.0)), ..SitePlan::default() })
                .unwrap()
        };
        assert!(figure(&|x| if x == 3 { 500_000 } else { 0 }).note.contains("100 %"));
        assert!(figure(&|_| 60_000).note.contains("holds 10 %"));
        assert!(figure(&|_| 0).note.contains("No fix was lost"));
        assert!(figure(&|_| 60_000).svg.contains("base 2 km"));
        assert!(plan("p", &SitePlan::default()).is_none());
    }
}
