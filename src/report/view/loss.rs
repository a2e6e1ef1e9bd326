//! Lost time by who else, by age and distance, by time of day: as tables whose cells are also pictures.

use crate::model::picture::{Profile, Rhythm, Share, SitePicture, WhoElse};
use crate::model::time::HOUR_MS;
use crate::report::draw::{Svg, box_path};
use crate::report::text::{Weight, hours, name, percent, weighed, weight};
use serde::Serialize;

/// A cell of the matrix.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Cell {
    /// `80 %`, a dash on the diagonal, `no data` without common time.
    text: String,
    /// Shade, 0 to 4.
    level: u8,
}

/// A row of the matrix.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct WhoRow {
    unit: String,
    lost: String,
    usual: String,
    cells: Vec<Cell>,
}

/// Who else was lost.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Who {
    answer: String,
    units: Vec<String>,
    rows: Vec<WhoRow>,
    left_out: usize,
}

fn ratio(s: Share) -> f64 {
    s.lost_ms as f64 / s.observed_ms.max(1) as f64
}

fn h(ms: i64) -> String {
    hours(ms as f64 / HOUR_MS as f64)
}

fn level(share: f64) -> u8 {
    match share {
        s if s < 0.05 => 0,
        s if s < 0.25 => 1,
        s if s < 0.5 => 2,
        s if s < 0.75 => 3,
        _ => 4,
    }
}

pub(super) fn who(p: &WhoElse) -> Option<Who> {
    let n = p.units.len();
    if n < 2 || p.together.len() != n || p.together.iter().any(|r| r.len() != n) || p.usual.len() != n {
        return None;
    }
    // Over all pairs: common loss, and what the usual loss of the others would give by chance.
    let (mut lost, mut common, mut chance) = (0.0, 0.0, 0.0);
    for (a, row) in p.together.iter().enumerate() {
        for (b, s) in row.iter().enumerate().filter(|(b, _)| *b != a) {
            lost += s.observed_ms as f64;
            common += s.lost_ms as f64;
            chance += s.observed_ms as f64 * p.usual[b];
        }
    }
    let answer = if lost <= 0.0 {
        "No rover was lost while another one was observed.".to_owned()
    } else {
        let (common, chance): (f64, f64) = (common / lost, chance / lost);
        let told = if common >= 0.6 {
            "They are lost together: this speaks for the base, the link of all, or the sky."
        } else if common >= 0.3 {
            "They are partly lost together."
        } else {
            "Each is mostly lost alone: this speaks for the rovers, their place or their own radio."
        };
        let numbers = format!(
            "While one rover was lost, the others were lost for {} of the time ({} by chance alone).",
            percent(common),
            percent(chance)
        );
        weighed(p.together.iter().enumerate().map(|(a, row)| row[a].lost_ms).sum(), &numbers, told)
    };
    let rows = (0..n)
        .map(|a| WhoRow {
            unit: name(&p.units[a]),
            lost: h(p.together[a][a].lost_ms),
            usual: percent(p.usual[a]),
            cells: (0..n)
                .map(|b| {
                    let s = p.together[a][b];
                    if a == b {
                        Cell { text: "–".to_owned(), level: 0 }
                    } else if s.observed_ms <= 0 {
                        Cell { text: "no data".to_owned(), level: 0 }
                    } else {
                        Cell { text: percent(ratio(s)), level: level(ratio(s)) }
                    }
                })
                .collect(),
        })
        .collect();
    Some(Who { answer, units: p.units.iter().map(|u| name(u)).collect(), rows, left_out: p.left_out })
}

/// A line of a profile.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Bin {
    label: String,
    observed: String,
    lost: String,
    share: String,
    /// Percent of the width: the lost share.
    width: String,
    /// Percent of the width: its part of the observed time.
    time: String,
}

/// Loss by ranges of a value.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct ProfileView {
    title: &'static str,
    what: &'static str,
    note: String,
    bins: Vec<Bin>,
}

fn edge(x: f64) -> String {
    let text = format!("{x:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn profile(p: &Profile, title: &'static str, what: &'static str, note: String) -> ProfileView {
    let unit = name(&p.unit);
    let total: i64 = p.bins.iter().map(|b| b.2.observed_ms).sum::<i64>() + p.missing.observed_ms;
    let line = |label: String, s: Share| Bin {
        label,
        observed: h(s.observed_ms),
        lost: h(s.lost_ms),
        share: if s.observed_ms > 0 { percent(ratio(s)) } else { String::new() },
        width: format!("{:.1}", ratio(s) * 100.0),
        time: format!("{:.1}", s.observed_ms as f64 / total.max(1) as f64 * 100.0),
    };
    let mut bins: Vec<Bin> = p
        .bins
        .iter()
        .map(|(low, high, s)| {
            let label = match high {
                Some(high) => format!("{} to {} {unit}", edge(*low), edge(*high)),
                None => format!("over {} {unit}", edge(*low)),
            };
            line(label, *s)
        })
        .collect();
    if p.missing.observed_ms > 0 {
        bins.push(line("not known".to_owned(), p.missing));
    }
    ProfileView { title, what, note, bins }
}

/// Lost share below and above a value.
fn split(p: &Profile, at: f64) -> (Share, Share) {
    let mut out = (Share::default(), Share::default());
    for (low, _, s) in &p.bins {
        let to = if *low < at { &mut out.0 } else { &mut out.1 };
        to.observed_ms += s.observed_ms;
        to.lost_ms += s.lost_ms;
    }
    out
}

pub(super) fn profiles(p: &SitePicture) -> Vec<ProfileView> {
    let mut out = Vec::new();
    if let Some(age) = &p.by_age {
        let (fresh, _) = split(age, 5.0);
        let lost: i64 = age.bins.iter().map(|b| b.2.lost_ms).sum::<i64>() + age.missing.lost_ms;
        let note = if lost > 0 {
            let numbers = format!(
                "{} of the lost time had corrections fresher than 5 s.",
                percent(fresh.lost_ms as f64 / lost as f64)
            );
            weighed(lost, &numbers, "Near 100 % speaks against the link, near 0 % for it.")
        } else {
            "No time was lost.".to_owned()
        };
        out.push(profile(age, "By age of corrections", "Age", note));
    }
    if let Some(distance) = &p.by_distance {
        let ends = distance
            .bins
            .iter()
            .filter(|b| b.2.observed_ms >= 600_000)
            .fold(None, |ends: Option<(Share, Share)>, b| Some(ends.map_or((b.2, b.2), |(first, _)| (first, b.2))));
        let note = match ends {
            Some((near, far)) if near != far => weighed(
                distance.bins.iter().map(|b| b.2.lost_ms).sum(),
                &format!(
                    "Lost {} nearest to the base and {} farthest away.",
                    percent(ratio(near)),
                    percent(ratio(far))
                ),
                "A loss that grows with distance speaks for radio range or a long baseline.",
            ),
            _ => "The rovers stayed at one distance: it cannot be told what distance does.".to_owned(),
        };
        out.push(profile(distance, "By distance to the base", "Distance", note));
    }
    out
}

/// A row of the rhythm.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct RhythmRow {
    label: String,
    /// Classes for its height.
    size: &'static str,
    svg: String,
    /// For Markdown: a digit a cell, tenths of lost share, `.` none lost, blank not observed.
    letters: String,
}

/// Loss by the time of day.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct RhythmView {
    note: String,
    rows: Vec<RhythmRow>,
}

/// How concentrated a fold is: the share of the lost time in its worst twelfth of cells.
fn concentration(cells: &[Share]) -> f64 {
    let mut lost: Vec<i64> = cells.iter().map(|c| c.lost_ms).collect();
    let total: i64 = lost.iter().sum();
    lost.sort_unstable_by(|a, b| b.cmp(a));
    lost.iter().take(cells.len() / 12).sum::<i64>() as f64 / total.max(1) as f64
}

fn rhythm_row(id: &str, label: &str, size: &'static str, cells: &[Share]) -> RhythmRow {
    let step = 10.0;
    let width = cells.len() as f64 * step;
    let (mut seen, mut lost) = (String::new(), String::new());
    let mut letters = String::new();
    for (i, c) in cells.iter().enumerate() {
        let x = i as f64 * step;
        if c.observed_ms > 0 {
            seen.push_str(&box_path(x, 93.0, step, 7.0));
            let height = 93.0 * ratio(*c);
            if c.lost_ms > 0 {
                lost.push_str(&box_path(x, 93.0 - height.max(5.0), step - 1.0, height.max(5.0)));
            }
        }
        letters.push(match c {
            c if c.observed_ms <= 0 => ' ',
            c if c.lost_ms <= 0 => '.',
            c => char::from_digit((ratio(*c) * 10.0).min(9.0) as u32, 10).unwrap_or('9'),
        });
    }
    let total: i64 = cells.iter().map(|c| c.lost_ms).sum();
    let observed: i64 = cells.iter().map(|c| c.observed_ms).sum();
    let mut svg = Svg::stretched(id, width, 100.0, label, &format!("{} of {} lost", h(total), h(observed)));
    let grid: String = [6.0, 12.0, 18.0].iter().map(|t| format!("M{} 0V100", t / 24.0 * width)).collect();
    svg.path(&grid, "grid");
    svg.path(&seen, "r-seen");
    svg.path(&lost, "r-lost");
    RhythmRow { label: label.to_owned(), size, svg: svg.finish(), letters }
}

pub(super) fn rhythm(r: &Rhythm) -> Option<RhythmView> {
    let lost: i64 = r.clock.iter().map(|c| c.lost_ms).sum();
    if r.clock.is_empty() || lost <= 0 {
        return None;
    }
    let days = r.days.len();
    let note = if days < 3 {
        format!(
            "Only {} with logs: what comes back each day cannot be told yet.",
            crate::report::text::count(days, "day", "days")
        )
    } else if weight(lost) == Weight::Nothing {
        format!("Only {} were lost in all: too little to tell what comes back each day.", h(lost))
    } else {
        let (clock, stars) = (concentration(&r.clock), concentration(&r.sidereal));
        format!(
            "The worst two hours of the day hold {} of the lost time by the clock, {} by the sidereal day. A loss that comes at the same clock time speaks for people and machines; one that comes about 4 minutes earlier each day for reflections or obstructions. Over {days} days the two differ by {} minutes.",
            percent(clock),
            percent(stars),
            4 * (days - 1)
        )
    };
    let mut rows: Vec<RhythmRow> = if days > 1 {
        r.days
            .iter()
            .enumerate()
            .map(|(i, (day, cells))| rhythm_row(&format!("rd{i}"), &name(day), "thin", cells))
            .collect()
    } else {
        Vec::new()
    };
    rows.push(rhythm_row("rclock", "All days, by the clock of the site", "low", &r.clock));
    if days > 1 {
        rows.push(rhythm_row("rstars", "All days, by the sidereal day", "low", &r.sidereal));
    }
    Some(RhythmView { note, rows })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn share(observed: i64, lost: i64) -> Share {
        Share { observed_ms: observed * 60_000, lost_ms: lost * 60_000 }
    }

    #[test]
    fn together_and_alone_are_told_apart() {
        let matrix = |common: i64| WhoElse {
            units: vec!["a".to_owned(), "b".to_owned()],
            usual: vec![0.1, 0.1],
            together: vec![vec![share(60, 60), share(60, common)], vec![share(60, common), share(60, 60)]],
            left_out: 0,
        };
        let together = who(&matrix(54)).unwrap();
        assert!(together.answer.contains("90 %") && together.answer.contains("lost together"), "{}", together.answer);
        assert_eq!((together.rows[0].cells[1].text.as_str(), together.rows[0].cells[1].level), ("90 %", 4));
        // The same shares out of three minutes say nothing, out of 40 minutes they are a hint.
        let scaled = |own: i64, common: i64| {
            let mut m = matrix(54);
            m.together = vec![vec![share(own, own), share(own, common)], vec![share(own, common), share(own, own)]];
            who(&m).unwrap().answer
        };
        let (short, middle) = (scaled(2, 2), scaled(20, 18));
        assert!(short.contains("too little") && !short.contains("speaks for"), "{short}");
        assert!(middle.contains("a hint, no more") && middle.contains("speaks for"), "{middle}");
        assert!(who(&matrix(3)).unwrap().answer.contains("lost alone"));
        assert!(who(&WhoElse::default()).is_none());
    }

    #[test]
    fn fresh_corrections_speak_against_the_link() {
        let p = SitePicture {
            by_age: Some(Profile {
                unit: "s".to_owned(),
                bins: vec![(1.0, Some(2.0), share(600, 57)), (60.0, None, share(3, 3))],
                missing: Share::default(),
            }),
            ..SitePicture::default()
        };
        let views = profiles(&p);
        assert!(views[0].note.starts_with("95 % of the lost time"), "{}", views[0].note);
        assert_eq!(views[0].bins[1].label, "over 60 s");
        assert_eq!(views[0].bins[0].share, "10 %");
    }

    #[test]
    fn a_rhythm_needs_days() {
        let mut cells = vec![share(30, 0); 48];
        cells[18] = share(30, 30);
        let r = |n: usize| Rhythm {
            cell_min: 30,
            days: (0..n).map(|i| (format!("2026-05-{:02}", i + 1), cells.clone())).collect(),
            clock: cells.clone(),
            sidereal: cells.clone(),
        };
        assert!(rhythm(&r(1)).unwrap().note.contains("cannot be told"));
        let week = rhythm(&r(7)).unwrap();
        assert!(week.note.contains("hold 100 %") && week.note.contains("24 minutes"), "{}", week.note);
        assert_eq!(week.rows.len(), 9);
        assert_eq!(week.rows[0].letters.matches('9').count(), 1);
    }
}
