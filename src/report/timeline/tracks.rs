//! Rows of values: the range as a filled band, the middle as a line, a limit as a broken line.

use super::super::draw::{coordinate, push_coordinate};
use super::super::text::{name, number, plain};
use super::{Frame, LETTERS, Row};
use crate::model::picture::{Track, TrackBin};
use crate::model::time::UtcMs;

/// Columns of a drawn track.
const POINTS: usize = 480;
/// Height in SVG units.
const HEIGHT: f64 = 100.0;
/// The middle as a letter, lowest to highest.
const LETTER: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];

/// The scale of a track, wide enough for its values.
struct Scale {
    floor: f64,
    ceiling: f64,
    log: bool,
}

impl Scale {
    fn of(track: &Track, cells: &[Option<TrackBin>]) -> Self {
        let (mut floor, mut ceiling) = (track.floor, track.ceiling);
        for c in cells.iter().flatten() {
            if !track.log {
                floor = floor.min(f64::from(c.low).floor());
            }
            ceiling = ceiling.max(f64::from(c.high).ceil());
        }
        Self { floor, ceiling: ceiling.max(floor + 1e-9), log: track.log }
    }

    /// Share of the height, 0 at the floor.
    fn share(&self, value: f64) -> f64 {
        let share = if self.log {
            (value.max(1e-9) / self.floor.max(1e-9)).ln() / (self.ceiling / self.floor.max(1e-9)).ln()
        } else {
            (value - self.floor) / (self.ceiling - self.floor)
        };
        share.clamp(0.0, 1.0)
    }

    /// Lines at the ends of the scale stay inside of the picture.
    fn y(&self, value: f32) -> f64 {
        4.0 + (HEIGHT - 8.0) * (1.0 - self.share(f64::from(value)))
    }
}

/// The bins of a track within the axis, merged to a number of columns.
fn merged(frame: &Frame<'_>, track: &Track, begin: UtcMs, columns: usize) -> Vec<Option<TrackBin>> {
    let mut out: Vec<Option<(TrackBin, f64, u32)>> = vec![None; columns];
    let axis = super::Axis { columns, ..frame.axis };
    for bin in &track.bins {
        let from = begin.saturating_add(i64::from(bin.at).saturating_mul(track.bin_ms));
        let Some((first, last)) = axis.columns_of(from, from.saturating_add(track.bin_ms)) else { continue };
        for cell in out.get_mut(first..=last).unwrap_or_default() {
            match cell {
                Some((c, sum, n)) => {
                    c.low = c.low.min(bin.low);
                    c.high = c.high.max(bin.high);
                    *sum += f64::from(bin.mid);
                    *n += 1;
                }
                None => *cell = Some((*bin, f64::from(bin.mid), 1)),
            }
        }
    }
    out.into_iter().map(|c| c.map(|(b, sum, n)| TrackBin { mid: (sum / f64::from(n)) as f32, ..b })).collect()
}

/// The row of a track; `None` when it has nothing in this part of the axis. `begin` is where its bins are counted from.
pub(super) fn row(frame: &Frame<'_>, n: usize, track: &Track, begin: UtcMs) -> Option<Row> {
    let cells = merged(frame, track, begin, POINTS);
    if cells.iter().all(Option::is_none) {
        return None;
    }
    let scale = Scale::of(track, &cells);
    let x = |i: usize| i as f64 * frame.axis.columns as f64 / POINTS as f64;
    let (mut band, mut line) = (String::new(), String::new());
    for run in runs(&cells) {
        let points = || run.clone().filter_map(|i| cells.get(i).copied().flatten().map(|c| (i, c)));
        // Along the upper edge and back along the lower one; steps, because a bin is a mean over its time.
        let mut back = Vec::new();
        for (k, (i, c)) in points().enumerate() {
            for (path, value) in [(&mut band, c.high), (&mut line, c.mid)] {
                if k == 0 {
                    step(path, 'M', x(i), ' ', scale.y(value));
                } else {
                    path.push('V');
                    push_coordinate(path, scale.y(value));
                }
                path.push('H');
                push_coordinate(path, x(i + 1));
            }
            back.push((scale.y(c.low), x(i)));
        }
        back.into_iter().rev().for_each(|(y, x)| step(&mut band, 'V', y, 'H', x));
        band.push('z');
    }
    let all = || cells.iter().flatten();
    let lowest = all().map(|c| f64::from(c.low)).fold(f64::INFINITY, f64::min);
    let highest = all().map(|c| f64::from(c.high)).fold(f64::NEG_INFINITY, f64::max);
    let unit = name(&track.unit);
    let label = name(&track.label);
    let what = plain(&track.what, 80);
    let summary = format!("{what}; from {} to {} {unit}", number(lowest), number(highest));
    let mut svg = frame.begin(n, HEIGHT, &label, &summary);
    svg.path(&band, "t-band");
    svg.path(&line, "t-line");
    let limit = track.limit.as_ref().filter(|l| scale.share(l.0) > 0.0 && scale.share(l.0) < 1.0);
    if let Some((value, _)) = limit {
        let y = coordinate(scale.y(*value as f32));
        svg.path(&format!("M0 {y}H{}", frame.axis.columns), "t-limit");
    }
    let limit_words = limit.map(|(v, w)| format!("; broken line: {} {unit}, {}", number(*v), plain(w, 60)));
    let letters = merged(frame, track, begin, LETTERS)
        .iter()
        .map(|c| match c {
            Some(c) => {
                let at = (scale.share(f64::from(c.mid)) * LETTER.len() as f64) as usize;
                LETTER.get(at.min(LETTER.len() - 1)).copied().unwrap_or(' ')
            }
            None => ' ',
        })
        .collect();
    Some(Row {
        label,
        what: match (number(lowest), number(highest)) {
            (a, b) if a == b => format!("{a} {unit}{}", limit_words.unwrap_or_default()),
            (a, b) => format!("{a} to {b} {unit}{}", limit_words.unwrap_or_default()),
        },
        svg: svg.finish(),
        size: "high",
        top: format!("{} {unit}", number(scale.ceiling)),
        bottom: number(scale.floor),
        letters,
    })
}

/// Two letters of a path, each with its number.
fn step(path: &mut String, first: char, a: f64, second: char, b: f64) {
    path.push(first);
    push_coordinate(path, a);
    path.push(second);
    push_coordinate(path, b);
}

/// Runs of cells with data.
fn runs(cells: &[Option<TrackBin>]) -> Vec<std::ops::Range<usize>> {
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    for i in (0..cells.len()).filter(|i| cells[*i].is_some()) {
        match out.last_mut() {
            Some(r) if r.end == i => r.end = i + 1,
            _ => out.push(i..i + 1),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::Axis;
    use super::*;
    use crate::report::times::Zone;

    fn frame() -> Frame<'static> {
        Frame {
            axis: Axis { from: 0, span: 4_800_000, columns: 960 },
            zone: Zone::UTC,
            id: "x",
            ticks: &[],
            shades: &[],
        }
    }

    fn track(bins: Vec<TrackBin>) -> Track {
        Track {
            label: "B: C/N0 L1".to_owned(),
            what: "median".to_owned(),
            unit: "dB-Hz".to_owned(),
            bin_ms: 10_000,
            floor: 20.0,
            ceiling: 60.0,
            bins,
            ..Track::default()
        }
    }

    #[test]
    fn values_stand_at_their_height_and_gaps_stay_gaps() {
        let bin = |at, v| TrackBin { at, low: v - 10.0, mid: v, high: v + 10.0 };
        let row = row(&frame(), 0, &track(vec![bin(0, 40.0), bin(1, 40.0), bin(100, 30.0)]), 0).unwrap();
        // 480 columns of 10 s, 2 units wide each; 20 to 60 dB-Hz over 92 units, from 96 up to 4.
        assert!(row.svg.contains("d=\"M0 50H2V50H4M200 73H202\""), "{}", row.svg);
        assert!(row.svg.contains("d=\"M0 27H2V27H4V73H2V73H0zM200 50H202V96H200z\""), "{}", row.svg);
        assert_eq!(row.what, "20 to 50 dB-Hz");
        assert_eq!(row.letters.chars().filter(|c| *c != ' ').count(), 2);
    }

    #[test]
    fn nothing_within_the_axis_is_no_row() {
        let far = TrackBin { at: 4_000_000, low: 1.0, mid: 1.0, high: 1.0 };
        assert!(row(&frame(), 0, &track(vec![far]), 0).is_none());
    }
}
