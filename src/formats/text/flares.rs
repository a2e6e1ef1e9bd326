//! `time,class` of X-ray flares. Classes: A < 1e-7, B, C, M, X >= 1e-4 W/m² (GOES 0.1 to 0.8 nm, `check-values.md` 7.6).

use super::record::{Record, Records, Shape, Splitter};
use super::stamp;
use super::table::{SEPARATORS, first_line, header};
use crate::model::problem::{Problem, Problems};
use crate::model::time::UtcMs;

/// One flare.
#[derive(Debug, Clone, PartialEq)]
pub struct Flare {
    /// Time as given (of the peak, or the begin), UTC ms.
    pub time: UtcMs,
    /// Class as written, `M5.2`.
    pub class: String,
    /// Peak flux 0.1 to 0.8 nm, W/m².
    pub peak_w_m2: f64,
}

/// All flares of a file in order of time, and what was wrong with it.
///
/// # Errors
/// The one problem that makes the file unusable: no header with `time` and `class`.
pub fn read(file: &[u8]) -> Result<(Vec<Flare>, Vec<Problem>), Problem> {
    let found = header(file, 0, &SEPARATORS, |h| h.find("time").is_some() && h.find("class").is_some());
    let Some((header, time, class)) =
        found.and_then(|h| Some((h.find("time")?, h.find("class")?)).map(|(t, c)| (h, t, c)))
    else {
        return Err(Problem::whole("no header `time,class`", "write the column names in the first line"));
    };
    let title = first_line(file, 0).map(|(line, _)| line);
    let mut flares = Vec::new();
    let mut problems = Problems::default();
    let mut splitter = Splitter::default();
    let mut records = Records::new(header.separator);
    let mut take = |r: Record<'_>| {
        if r.bytes.trim_ascii().is_empty() && r.shape == Shape::Record
            || Some(r.bytes) == title
            || r.bytes.starts_with(b"#")
        {
            return;
        }
        let mut bad = |what: &'static str, hint: &str| {
            problems.note(what, || Problem::on_line(r.number, r.offset, what, hint));
        };
        if r.shape != Shape::Record {
            return bad("a line that cannot be split into fields", "the line was left out");
        }
        let row = splitter.split(r.bytes, header.separator);
        let text = super::lines::text_of(row.get(class));
        match (stamp::utc(row.get(time)), peak_w_m2(&text)) {
            (Err(e), _) => bad(e.words().0, e.words().1),
            (_, None) => bad("a flare class that is not a letter A, B, C, M, X and a number", "the row was left out"),
            (Ok(time), Some(peak_w_m2)) => flares.push(Flare { time, class: text.into_owned(), peak_w_m2 }),
        }
    };
    records.feed(file, &mut take);
    records.finish(&mut take);
    flares.sort_by_key(|f| f.time);
    Ok((flares, problems.into_list()))
}

/// Peak flux in W/m² of a class as written (`M5.2`, `X1`, `C`); `None` when it is none.
pub fn peak_w_m2(class: &str) -> Option<f64> {
    let class = class.trim();
    let mut letters = class.chars();
    let base = match letters.next()?.to_ascii_uppercase() {
        'A' => 1e-8,
        'B' => 1e-7,
        'C' => 1e-6,
        'M' => 1e-5,
        'X' => 1e-4,
        _ => return None,
    };
    let rest = letters.as_str();
    if rest.is_empty() {
        return Some(base);
    }
    if !rest.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return None;
    }
    let factor: f64 = rest.parse().ok()?;
    (factor > 0.0 && factor < 1000.0).then_some(base * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_with_good_and_bad_rows() {
        let file = b"# by hand\nTime;Class\n2026-05-04T10:12:00Z;X1.2\n2026-05-04T09:00:00Z;M5\n5/4/2026;M1\n2026-05-04T11:00:00Z;big\n";
        let (flares, problems) = read(file).unwrap();
        assert_eq!(flares.iter().map(|f| f.class.as_str()).collect::<Vec<_>>(), ["M5", "X1.2"]);
        assert_eq!(problems.iter().filter_map(|p| p.line).collect::<Vec<_>>(), [5, 6]);
        assert!(read(b"2026-05-04T10:12:00Z,X1\n").is_err());
    }

    #[test]
    fn classes() {
        // NOAA R scale: R1 M1 1e-5, R2 M5 5e-5, R3 X1 1e-4, R4 X10 1e-3, R5 X20 2e-3 W/m² (check-values.md 7.6).
        for (class, flux) in [("M1", 1e-5), ("M5", 5e-5), ("X1", 1e-4), ("x10.0", 1e-3), ("X20", 2e-3)] {
            assert!((peak_w_m2(class).unwrap() / flux - 1.0).abs() < 1e-9, "{class}");
        }
        for class in ["", "Q1", "M-1", "Mx", "X1e5", "M0", "5.2"] {
            assert_eq!(peak_w_m2(class), None, "{class}");
        }
    }
}
