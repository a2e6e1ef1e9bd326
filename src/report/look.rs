//! The page of one base's sky (`look --html`): one file that needs nothing else.

use super::ReportError;
use super::figures::{self, Figure};
use super::templates::Engine;
use super::text::{LONG, kind_words, name, percent, plain, share, upper_first};
use super::timeline::{self, Timeline};
use super::times::{Zone, duration};
use crate::model::picture::{SkyPage, SkyRow, Track};
use crate::model::time::UtcMs;
use serde::Serialize;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// What a page of ours has in its head: only such a file is written over.
const OURS: &str = "<meta name=\"generator\" content=\"lostfix look\">";

/// Something that the detectors see.
#[derive(Serialize)]
struct Seen {
    kind: String,
    when: String,
    words: String,
}

/// The page as flat text.
#[derive(Serialize)]
struct View {
    title: String,
    bundle: String,
    window: String,
    answer: String,
    directions_from: String,
    missing: Vec<String>,
    seen: Vec<Seen>,
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
    skies: Vec<Figure>,
    strength: Vec<Figure>,
    multipath: Vec<Figure>,
    timeline: Option<Timeline>,
    made_by: String,
}

/// Kinds of events named in the answer.
const NAMED: usize = 3;

/// What the detectors see, what lasted longest first, then how much of the sky was tracked.
fn answer(page: &SkyPage) -> String {
    let mut kinds: Vec<(&str, i64)> = Vec::new();
    for (kind, from, to, _) in &page.seen {
        let lasts = to.saturating_sub(*from);
        match kinds.iter_mut().find(|k| k.0 == kind) {
            Some(k) => k.1 = k.1.saturating_add(lasts),
            None => kinds.push((kind, lasts)),
        }
    }
    kinds.sort_by_key(|k| std::cmp::Reverse(k.1));
    let named: Vec<String> =
        kinds.iter().take(NAMED).map(|(kind, lasts)| format!("{} ({})", kind_words(kind), duration(*lasts))).collect();
    let more = match kinds.len().saturating_sub(NAMED) {
        0 => String::new(),
        n => format!("; {n} more below"),
    };
    if named.is_empty() { tracked(page) } else { format!("Seen: {}{more}. {}", named.join(", "), tracked(page)) }
}

/// How much of the sky was tracked, in a sentence.
fn tracked(page: &SkyPage) -> String {
    let high = || page.rows.iter().filter(|r| r.from_deg >= 10.0);
    let tracked: u32 = high().map(|r| r.tracked).sum();
    let expected = high().filter_map(|r| r.expected).reduce(|a, b| a + b);
    match expected {
        Some(n) if n > 0 && tracked >= n => {
            "Every healthy satellite more than 10 degrees above the horizon was tracked.".to_owned()
        }
        Some(n) if n > 0 => format!(
            "Of the time in which a healthy satellite stood more than 10 degrees above the horizon, {} was tracked.",
            share(f64::from(tracked) / f64::from(n))
        ),
        _ if !page.rows.is_empty() => {
            format!("{tracked} satellite-minutes were tracked over 10 degrees; how many could have been is not known.")
        }
        _ => "Where the satellites stood is not known; only what was heard over time is shown.".to_owned(),
    }
}

/// One line a kind, in the order in which they came first: some kinds come a hundred times a day. Several are told by the
/// longest of them.
fn by_kind(seen: &[(String, UtcMs, UtcMs, String)]) -> Vec<Seen> {
    let mut kinds: Vec<&str> = Vec::new();
    for (kind, ..) in seen {
        if !kinds.contains(&kind.as_str()) {
            kinds.push(kind);
        }
    }
    let line = |kind: &str| {
        let of = || seen.iter().filter(|s| s.0 == kind);
        let longest = of().max_by_key(|s| (s.2.saturating_sub(s.1), std::cmp::Reverse(s.1)))?;
        let (from, to) = (of().map(|s| s.1).min()?, of().map(|s| s.2).max()?);
        let total: i64 = of().map(|s| s.2.saturating_sub(s.1)).sum();
        let words = match of().count() {
            1 => plain(&longest.3, 2 * LONG),
            n => format!(
                "{n} times, {} in all; the longest, {}: {}",
                duration(total),
                Zone::UTC.span_ms(longest.1, longest.2),
                plain(&longest.3, 2 * LONG)
            ),
        };
        Some(Seen { kind: upper_first(&kind_words(kind)), when: Zone::UTC.span_ms(from, to), words })
    };
    kinds.into_iter().filter_map(line).collect()
}

/// The table by elevation: heads and rows.
fn by_elevation(rows: &[SkyRow]) -> (Vec<String>, Vec<Vec<String>>) {
    let mut bands: Vec<&str> = Vec::new();
    for b in rows.iter().flat_map(|r| &r.bands) {
        if !bands.contains(&b.band.as_str()) {
            bands.push(&b.band);
        }
    }
    // The names of the bands sort as the bands do.
    bands.sort_unstable();
    let mut columns = vec!["Elevation".to_owned(), "Tracked".to_owned()];
    columns.extend(bands.iter().map(|b| name(b)));
    let cells = rows
        .iter()
        .map(|r| {
            let mut out = vec![format!("{:.0}° to {:.0}°", r.from_deg, r.to_deg)];
            out.push(match r.expected {
                Some(n) if n > 0 => {
                    format!("{}: {} of\u{A0}{n}", percent(f64::from(r.tracked) / f64::from(n)), r.tracked)
                }
                _ => r.tracked.to_string(),
            });
            for b in &bands {
                let of = r.bands.iter().find(|x| x.band == **b);
                let strength = of.and_then(|x| x.cn0_mean_dbhz).map(|v| format!("{v:.1}\u{A0}dB-Hz"));
                let multipath = of.and_then(|x| x.mp_rms_m).map(|v| format!("{v:.2}\u{A0}m"));
                out.push([strength, multipath].into_iter().flatten().collect::<Vec<_>>().join(", "));
            }
            out
        })
        .collect();
    (columns, cells)
}

/// The page as HTML.
///
/// # Errors
/// [`ReportError::Render`]: a fault of the program.
pub fn sky_page(page: &SkyPage) -> Result<String, ReportError> {
    let (columns, rows) = by_elevation(&page.rows);
    // All rows are of this one base.
    let own = format!(", {}", page.unit);
    let tracks: Vec<Track> = page
        .tracks
        .iter()
        .map(|t| Track { label: t.label.strip_suffix(&own).unwrap_or(&t.label).to_owned(), ..t.clone() })
        .collect();
    let view = View {
        title: format!("Sky over {}", name(&page.unit)),
        bundle: plain(&page.bundle, LONG),
        window: Zone::UTC.span_ms(page.from, page.to),
        answer: answer(page),
        directions_from: plain(&page.directions_from, 100),
        missing: page.missing.iter().map(|m| plain(m, LONG)).collect(),
        seen: by_kind(&page.seen),
        columns,
        rows,
        skies: page.skies.iter().enumerate().map(|(k, s)| figures::sky(&format!("sky{k}"), s)).collect(),
        strength: page.elevation.iter().enumerate().map(|(k, c)| figures::curve(&format!("cn{k}"), c)).collect(),
        multipath: page.multipath.iter().enumerate().map(|(k, c)| figures::multipath(&format!("mp{k}"), c)).collect(),
        timeline: timeline::values(&tracks, page.from, page.to),
        made_by: plain(&page.made_by, 60),
    };
    Engine::new()?.render("look.html", &view)
}

/// Whether a file is a former page of ours.
fn is_ours(path: &Path) -> io::Result<bool> {
    let mut head = Vec::new();
    fs::File::open(path)?.take(2048).read_to_end(&mut head)?;
    Ok(String::from_utf8_lossy(&head).contains(OURS))
}

/// Writes a page to a file: beside it under another name first, so that a reader never meets half a page. Only a former page
/// of ours is written over.
///
/// # Errors
/// [`ReportError`]; then the file is as it was and nothing of the temporary one remains.
pub fn write_page(html: &str, to: &Path) -> Result<(), ReportError> {
    let not_ours = |found| ReportError::NoPage { path: to.to_owned(), found };
    let fault = |path: &Path, doing| {
        let path = path.to_owned();
        move |source| ReportError::Io { path, doing, source }
    };
    match fs::metadata(to) {
        Ok(meta) if meta.is_dir() => return Err(not_ours("a folder is there")),
        Ok(_) if !is_ours(to).map_err(fault(to, "look at the file that is there"))? => {
            return Err(not_ours("a file that is no former page is there"));
        }
        Ok(_) => {}
        Err(e) if e.kind() == io::ErrorKind::NotFound => {}
        Err(e) => return Err(fault(to, "look at the target")(e)),
    }
    // Through a link, so that the link itself survives.
    let target = fs::canonicalize(to).unwrap_or_else(|_| to.to_owned());
    let Some(file) = target.file_name().map(|n| n.to_string_lossy().into_owned()) else {
        return Err(not_ours("this path has no name of its own"));
    };
    let folder =
        target.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| PathBuf::from("."), Path::to_owned);
    let temp = folder.join(format!(".{file}.part-{}", std::process::id()));
    let written = fs::File::create_new(&temp)
        .and_then(|mut f| f.write_all(html.as_bytes()).and_then(|()| f.sync_all()))
        .map_err(fault(&temp, "write the page"))
        .and_then(|()| fs::rename(&temp, &target).map_err(fault(&target, "put the page in place")));
    if written.is_err() {
        // Nothing to remove when it could not even be made.
        let _ = fs::remove_file(&temp);
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::picture::{SkyBand, TrackBin};

    fn row(from_deg: f64, expected: Option<u32>, tracked: u32) -> SkyRow {
        let band = SkyBand { band: "L1".to_owned(), cn0_mean_dbhz: Some(44.04), mp_rms_m: None };
        SkyRow { from_deg, to_deg: from_deg + 10.0, expected, tracked, bands: vec![band] }
    }

    #[test]
    fn the_answer_counts_from_10_degrees() {
        let page = SkyPage { rows: vec![row(0.0, Some(100), 0), row(10.0, Some(100), 75)], ..SkyPage::default() };
        assert!(answer(&page).ends_with("75.0 % was tracked."), "{}", answer(&page));
        let lists = SkyPage { rows: vec![row(10.0, None, 75)], ..SkyPage::default() };
        assert!(answer(&lists).starts_with("75 satellite-minutes"));
        assert!(answer(&SkyPage::default()).contains("not known"));
        // What is wrong comes before what is tracked.
        let event = |kind: &str, to: i64| (kind.to_owned(), 0, to * 60_000, String::new());
        let all = SkyPage {
            rows: vec![row(10.0, Some(100), 100)],
            seen: vec![event("restart", 0), event("band-drop", 5), event("band-jumps", 20), event("multipath", 9)],
            ..SkyPage::default()
        };
        let told = answer(&all);
        assert!(
            told.starts_with("Seen: signals of one band jump (20 min), multipath (9 min), signals of one band drop"),
            "{told}"
        );
        assert!(told.contains("1 more below. Every healthy satellite"), "{told}");
    }

    #[test]
    fn many_events_of_a_kind_are_one_line() {
        let event = |kind: &str, from: i64, to: i64, words: &str| {
            (kind.to_owned(), from * 60_000, to * 60_000, words.to_owned())
        };
        let seen =
            [event("band-drop", 0, 1, "short"), event("multipath", 1, 60, "m"), event("band-drop", 10, 14, "long")];
        let lines = by_kind(&seen);
        assert_eq!(lines.len(), 2);
        assert_eq!((lines[0].kind.as_str(), lines[1].words.as_str()), ("Signals of one band drop", "m"));
        assert!(
            lines[0].words.starts_with("2 times, 5 min in all") && lines[0].words.ends_with(": long"),
            "{}",
            lines[0].words
        );
    }

    #[test]
    fn a_page_holds_no_strangers_markup_and_asks_for_nothing() {
        let bins = vec![TrackBin { at: 0, low: 1.0, mid: 2.0, high: 3.0 }];
        let page = SkyPage {
            unit: "<script>alert(1)</script>".to_owned(),
            bundle: "\"><img src=x>".to_owned(),
            from: 0,
            to: 60_000,
            missing: vec!["<u>".to_owned()],
            seen: vec![("multipath".to_owned(), 0, 60_000, "<em>".to_owned())],
            rows: vec![row(10.0, Some(0), 0)],
            tracks: vec![Track { bin_ms: 10_000, ceiling: 9.0, bins, ..Track::default() }],
            ..SkyPage::default()
        };
        let html = sky_page(&page).unwrap();
        for bad in ["<script>alert", "<img", "<u>", "<em>", "http:", "https:", "NaN"] {
            assert!(!html.contains(bad), "{bad}");
        }
        assert!(html.contains(OURS) && html.contains("&lt;u&gt;"));
    }

    #[test]
    fn only_a_former_page_is_written_over() {
        let folder = temp_dir::TempDir::new().unwrap();
        let (page, other) = (folder.child("sky.html"), folder.child("log.nmea"));
        write_page(&format!("{OURS}1"), &page).unwrap();
        write_page(&format!("{OURS}2"), &page).unwrap();
        assert_eq!(fs::read_to_string(&page).unwrap(), format!("{OURS}2"));
        fs::write(&other, "$GPGGA").unwrap();
        assert!(matches!(write_page(OURS, &other), Err(ReportError::NoPage { .. })));
        assert_eq!(fs::read_to_string(&other).unwrap(), "$GPGGA");
        assert!(matches!(write_page(OURS, &folder.child("no/sky.html")), Err(ReportError::Io { .. })));
        let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
        assert_eq!(left.len(), 2, "{left:?}");
    }
}
