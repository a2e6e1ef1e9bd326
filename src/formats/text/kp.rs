//! Kp text of GFZ in both layouts: one line a three-hour interval (`Kp_ap`), or one line a day (`Kp_ap_Ap_SN_F107`).
//! Layouts: `check-values.md` 15.2 and the header lines of the files themselves.

use super::super::{FileContext, Parsed, Stream};
use super::FormatSettings;
use super::body::{Body, Place};
use super::lines::{Line, Lines};
use crate::model::look::Format;
use crate::model::problem::{Problem, Problems};
use crate::model::time::{DAY_MS, HOUR_MS, UtcMs, days_from_date};

/// One three-hour interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KpInterval {
    /// Begin, UTC ms; the interval lasts three hours.
    pub from: UtcMs,
    /// Kp in thirds (0, 0.333, 0.667 ...), 0 to 9.
    pub kp: f32,
    /// Whether the value is definitive and not preliminary.
    pub definitive: bool,
}

/// Days from 1932-01-01 to 1970-01-01: the files count their days from the former.
const DAYS_1932: i64 = 13_880;

/// What a line of a Kp file is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum KpLine {
    /// Blank or `#`.
    Comment,
    /// Intervals of the line (missing ones left out), and how many are missing.
    Values([Option<KpInterval>; 8], u8),
    /// None of both layouts.
    Unknown,
}

/// Reads one line.
pub fn line(bytes: &[u8]) -> KpLine {
    let text = bytes.trim_ascii();
    if text.is_empty() || text.starts_with(b"#") {
        return KpLine::Comment;
    }
    values(text).unwrap_or(KpLine::Unknown)
}

fn values(text: &[u8]) -> Option<KpLine> {
    let text = std::str::from_utf8(text).ok()?;
    let mut fields = [0.0_f64; 32];
    let mut n = 0;
    for word in text.split_ascii_whitespace() {
        *fields.get_mut(n)? = word.parse().ok().filter(|v: &f64| v.is_finite())?;
        n += 1;
    }
    let [year, month, day, ..] = fields;
    let date = days_from_date(year as i32, month as u32, day as u32)?;
    let mut out = [None; 8];
    let mut missing = 0;
    match n {
        // YYYY MM DD hh.h hh._m days days_m Kp ap D
        10 => {
            let [_, _, _, hour, _, days, _, kp, _, definitive, ..] = fields;
            let step = (hour / 3.0).round();
            if !(0.0..8.0).contains(&step)
                || (hour - step * 3.0).abs() > 1e-6
                || days.floor() as i64 != date + DAYS_1932
            {
                return None;
            }
            let from = date * DAY_MS + step as i64 * 3 * HOUR_MS;
            match thirds(kp)? {
                Some(kp) => out[0] = Some(KpInterval { from, kp, definitive: definitive >= 1.0 }),
                None => missing = 1,
            }
        }
        // YYYY MM DD days days_m Bsr dB Kp1..Kp8 ap1..ap8 Ap SN F10.7obs F10.7adj D
        28 => {
            if fields[3] as i64 != date + DAYS_1932 {
                return None;
            }
            for (i, slot) in out.iter_mut().enumerate() {
                match thirds(*fields.get(7 + i)?)? {
                    Some(kp) => {
                        let from = date * DAY_MS + i as i64 * 3 * HOUR_MS;
                        *slot = Some(KpInterval { from, kp, definitive: fields[27] >= 1.0 });
                    }
                    None => missing += 1,
                }
            }
        }
        _ => return None,
    }
    Some(KpLine::Values(out, missing))
}

/// Kp to the nearest third; `Some(None)` when missing (-1), `None` when it is no Kp.
fn thirds(kp: f64) -> Option<Option<f32>> {
    if kp < 0.0 {
        return Some(None);
    }
    let third = (kp * 3.0).round();
    ((kp - third / 3.0).abs() < 0.01 && third <= 27.0).then_some(Some((third / 3.0) as f32))
}

/// All intervals of a file in order of time, and what was wrong with it. An interval given twice counts once: a
/// definitive value before a preliminary one, else the later line. Missing values (-1) are left out.
pub fn read(file: &[u8]) -> (Vec<KpInterval>, Vec<Problem>) {
    let mut intervals: Vec<KpInterval> = Vec::new();
    let mut problems = Problems::default();
    let mut lines = Lines::default();
    let mut take = |l: Line<'_>| match line(l.content()) {
        KpLine::Values(values, _) if !l.too_long => intervals.extend(values.iter().flatten()),
        KpLine::Comment if !l.too_long => {}
        _ => problems.note("a line that is not Kp", || {
            Problem::on_line(l.number, l.offset, "a line that is not Kp", "the line was left out")
        }),
    };
    lines.feed(file, &mut take);
    lines.finish(&mut take);
    intervals.sort_by_key(|i| (i.from, i.definitive)); // stable: the later line stays behind
    intervals.reverse();
    intervals.dedup_by_key(|i| i.from);
    intervals.reverse();
    if intervals.is_empty() {
        problems.note("no Kp", || {
            Problem::whole(
                "no Kp value in the file",
                "give a GFZ text file: one line a three-hour interval or one line a day",
            )
        });
    }
    (intervals, problems.into_list())
}

/// A first value line in one of both layouts.
pub fn sniff(head: &[u8], context: &FileContext, _settings: &FormatSettings) -> Option<Box<dyn Stream>> {
    let mut first = None;
    let mut lines = Lines::default();
    let mut look = |l: Line<'_>| {
        if first.is_none() && !l.too_long {
            let read = line(l.content());
            first = (read != KpLine::Comment).then_some(read);
        }
    };
    lines.feed(head, &mut look);
    lines.finish(&mut look);
    if !matches!(first, Some(KpLine::Values(..))) {
        return None;
    }
    Some(Box::new(Kp { lines: Lines::default(), body: Body::new(context) }))
}

struct Kp {
    lines: Lines,
    body: Body,
}

fn take(body: &mut Body, l: Line<'_>) {
    let place = Place { line: l.number, offset: l.offset };
    match line(l.content()) {
        _ if l.too_long => body.ledger.skipped(l.size, "line too long"),
        KpLine::Comment => body.ledger.skipped(l.size, "comment"),
        KpLine::Unknown => {
            body.bad("a line that is not Kp", place, "the line was left out");
            body.ledger.unknown(l.size);
        }
        KpLine::Values(values, missing) => {
            for interval in values.iter().flatten() {
                body.count("intervals", 1);
                body.saw(interval.from);
            }
            body.count("missing", u64::from(missing));
            body.ledger.decoded(l.size);
        }
    }
}

impl Stream for Kp {
    fn feed(&mut self, bytes: &[u8]) {
        let Kp { lines, body } = self;
        lines.feed(bytes, &mut |l| take(body, l));
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        let Kp { lines, body } = &mut *self;
        lines.finish(&mut |l| take(body, l));
        self.body.finish(Format::Kp, None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::rfc3339;

    #[test]
    fn one_line_an_interval() {
        // Columns of check-values.md 15.2. Days: 2026-05-04 is 34457 days after 1932-01-01 (Python datetime).
        let KpLine::Values(values, 0) = line(b"2026 05 04 03.0 04.50 34457.12500 34457.18750  2.667   12 0") else {
            panic!("not read")
        };
        let first = values[0].unwrap();
        assert_eq!(rfc3339(first.from), "2026-05-04T03:00:00Z");
        assert!((first.kp - 8.0 / 3.0).abs() < 1e-6 && !first.definitive);
        assert_eq!(line(b"2026 05 04 03.0 04.50 34457.12500 34457.18750 -1.000   -1 0"), KpLine::Values([None; 8], 1));
    }

    #[test]
    fn a_real_file_one_line_a_day() {
        // Open data (GFZ, CC BY 4.0), MANIFEST.md; figures of its reference JSON: 30 rows, 6 missing, highest Kp 4.333.
        let root = std::env::var("LOSTFIX_SHARED_DATA").unwrap_or_else(|_| "/work/shared/data".to_owned());
        let Ok(file) = std::fs::read(format!("{root}/spaceweather/Kp_ap_Ap_SN_F107_nowcast_202502.txt")) else {
            println!("skipped: no Kp file below {root}/spaceweather");
            return;
        };
        let (intervals, problems) = read(&file);
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(intervals.len(), 30 * 8 - 6);
        assert_eq!(rfc3339(intervals[0].from), "2025-01-07T00:00:00Z");
        assert!((intervals[0].kp - 7.0 / 3.0).abs() < 1e-6);
        let highest = intervals.iter().map(|i| i.kp).fold(0.0, f32::max);
        assert!((highest - 13.0 / 3.0).abs() < 1e-6);
        assert_eq!(intervals.last().map(|i| rfc3339(i.from)).as_deref(), Some("2025-02-05T03:00:00Z"));
        let parsed = crate::formats::text::tests::read(&file).unwrap();
        assert_eq!((parsed.look.counts["intervals"], parsed.look.counts["missing"]), (234, 6));
    }

    #[test]
    fn an_interval_given_twice_counts_once() {
        let file = b"2026 05 04 03.0 04.50 34457.12500 34457.18750 2.667 12 1\n\
            2026 05 04 03.0 04.50 34457.12500 34457.18750 5.000 48 0\nwhat\n\
            2026 05 04 00.0 01.50 34457.00000 34457.06250 1.000 4 0\n";
        let (intervals, problems) = read(file);
        assert_eq!(intervals.iter().map(|i| i.kp.round()).collect::<Vec<_>>(), [1.0, 3.0]);
        assert_eq!(problems[0].line, Some(3));
        assert_eq!(read(b"").1.len(), 1);
    }

    #[test]
    fn what_is_not_kp() {
        for text in
            ["2026 05 04 03.0 04.50 1.0 1.1 2.667 12 0", "2026 13 04 03.0 04.50 34457.1 34457.2 2.667 12 0", "a b c"]
        {
            assert_eq!(line(text.as_bytes()), KpLine::Unknown, "{text}");
        }
        assert_eq!(line(b"2026 05 04 03.0 04.50 34457.12500 34457.18750 2.5 12 0"), KpLine::Unknown); // no third
        assert_eq!(line(b"# text"), KpLine::Comment);
    }
}
