//! The page of one site.

use super::across::{Work, work_at};
use super::events::{EventKind, EventView, events, kinds, origin};
use super::fleet::verdict_words;
use super::loss::{self, ProfileView, RhythmView, Who};
use super::sheet::{Sheet, sheet};
use super::{
    Bar, Context, EvidenceView, SideView, alike, bar, confidence_words, fixed_words, share_words, side, site_name,
};
use crate::model::findings::{Advisory, Cause, FloatPeriod, LatLonHeight, SiteFindings};
use crate::model::picture::{SitePicture, SmallTable};
use crate::model::time::{HOUR_MS, parse_utc};
use crate::report::figures::{Figure, curve, plan, sky, spark, trend};
use crate::report::text::{LONG, confidence, hours, lower_first, name, percent, plain, share, side_class, state_words};
use crate::report::timeline::{Day, Timeline, days, timeline};
use crate::report::times::{Zone, duration_between};
use serde::Serialize;

/// Lines of evidence shown for and against one cause.
const FOR: usize = 8;
const AGAINST: usize = 5;
/// Float periods shown.
const PERIODS: usize = 50;
/// Less lost time than this bears no strong words (common practice, no source), h.
const LITTLE_HOURS: f64 = 0.25;
/// A cause with less of the lost time than this, or as unlikely as that, has its evidence folded away.
const SMALL_SHARE: f64 = 0.05;
pub(super) const UNLIKELY: f64 = 0.3;
/// Rows of a small table shown.
const ROWS: usize = 200;

/// One ranked cause.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct CauseView {
    rank: usize,
    id: String,
    title: String,
    side: SideView,
    lost: String,
    share: String,
    confidence: String,
    /// So little time that the cause is a pointer only.
    little: bool,
    /// So small a part of the lost time, or so unlikely, that its evidence is folded away.
    fold: bool,
    /// Not the rest that no cause explains.
    explained: bool,
    what: &'static str,
    fors: Vec<EvidenceView>,
    more_for: usize,
    against: Vec<EvidenceView>,
    more_against: usize,
    checks: Vec<String>,
    would_disprove: Vec<String>,
    not_observable: Vec<String>,
    cautions: Vec<&'static str>,
}

/// A name and a value.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Fact {
    pub(super) name: &'static str,
    pub(super) value: String,
}

/// One float period.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct PeriodView {
    unit: String,
    when: String,
    length: String,
    state: String,
    age: String,
    others: String,
    cause: String,
    confidence: String,
    origin: String,
}

/// One advisory.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct AdvisoryView {
    title: String,
    side: Option<SideView>,
    text: String,
    evidence: Vec<EvidenceView>,
    checks: Vec<String>,
}

/// A small table.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct TableView {
    title: String,
    note: String,
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
    more: usize,
}

/// The page.
#[derive(Serialize)]
pub(in crate::report) struct Site {
    pub(in crate::report) path: String,
    root: &'static str,
    title: String,
    made_by: String,
    window: String,
    id: String,
    verdict: &'static str,
    verdict_class: &'static str,
    answer: String,
    facts: Vec<Fact>,
    bar: Bar,
    sides: Vec<SideView>,
    causes: Vec<CauseView>,
    /// How far the causes can be acted on; empty when they can.
    causes_note: &'static str,
    timeline: Option<Timeline>,
    days: Vec<Day>,
    day_table: Vec<DayRow>,
    spark: String,
    trend: String,
    who: Option<Who>,
    profiles: Vec<ProfileView>,
    rhythm: Option<RhythmView>,
    /// Plan, skies, curves.
    pictures: Vec<Figure>,
    periods: Vec<PeriodView>,
    periods_total: usize,
    event_kinds: Vec<EventKind>,
    events: Vec<EventView>,
    events_total: usize,
    advisories: Vec<AdvisoryView>,
    tables: Vec<TableView>,
    sheet: Option<Sheet>,
    cautions: Vec<&'static str>,
    complaints: usize,
    /// Field work here, before and after.
    work: Vec<Work>,
}

pub(super) fn site(
    c: &Context<'_>,
    s: &SiteFindings,
    picture: Option<&SitePicture>,
    chances: Option<&SmallTable>,
) -> Site {
    let zone = c.zone(&s.site);
    let (verdict, verdict_class) = verdict_words(&s.verdict);
    Site {
        path: c.path_of(&s.site).unwrap_or_default(),
        root: "../",
        title: site_name(s),
        made_by: c.made_by(),
        window: zone.span_min(&c.findings.window.from, &c.findings.window.to),
        id: name(&s.site),
        verdict,
        verdict_class,
        answer: answer(c, s),
        facts: facts(s),
        bar: bar(&s.causes, s.lost_fix_hours),
        sides: super::SIDES.map(side).to_vec(),
        causes: s.causes.iter().enumerate().map(|(i, k)| cause(c, k, i + 1, zone)).collect(),
        causes_note: match s.verdict.as_str() {
            _ if s.causes.is_empty() => "",
            "healthy" => "The site is healthy: this is where the little lost time went. Nothing here needs a person.",
            "too-little-data" => {
                "Too little was observed: take this as a list of what was seen, not as causes to act on."
            }
            _ => "",
        },
        timeline: picture.and_then(|p| timeline(p, zone)),
        days: picture.map(|p| days(p, zone)).unwrap_or_default(),
        day_table: picture.map(day_table).unwrap_or_default(),
        spark: picture.map(|p| spark("spark", &p.days)).unwrap_or_default(),
        trend: picture.and_then(|p| p.trend.as_ref()).map(trend).unwrap_or_default(),
        who: picture.and_then(|p| p.who_else.as_ref()).and_then(loss::who),
        profiles: picture.map(loss::profiles).unwrap_or_default(),
        rhythm: picture.and_then(|p| p.rhythm.as_ref()).and_then(loss::rhythm),
        pictures: pictures(picture),
        periods: longest(c, &s.float_periods, zone),
        periods_total: s.float_periods.len(),
        event_kinds: kinds(&s.base_events, zone),
        events: events(&s.base_events, zone),
        events_total: s.base_events.len(),
        advisories: s.advisories.iter().map(|a| advisory(c, a, zone)).collect(),
        tables: picture.map(|p| tables(&p.tables, chances)).unwrap_or_default(),
        sheet: sheet(c, s),
        cautions: c.options.cautions.to_vec(),
        complaints: c.findings.complaints.iter().filter(|x| x.site == s.site).count(),
        work: work_at(c, &s.site),
    }
}

/// Pictures a page can bear of one kind, for a site with several bases or bands.
const PICTURES: usize = 10;

/// The small tables; how loss goes with events stands second.
fn tables(of_picture: &[SmallTable], chances: Option<&SmallTable>) -> Vec<TableView> {
    let (first, rest) = of_picture.split_at(1.min(of_picture.len()));
    first.iter().chain(chances).chain(rest).map(table).collect()
}

/// Plan, skies and curves.
fn pictures(picture: Option<&SitePicture>) -> Vec<Figure> {
    let Some(p) = picture else { return Vec::new() };
    let mut out: Vec<Figure> = p.plan.as_ref().and_then(|x| plan("plan", x)).into_iter().collect();
    out.extend(p.skies.iter().take(PICTURES).enumerate().map(|(n, x)| sky(&format!("sky{n}"), x)));
    out.extend(p.elevation.iter().take(PICTURES).enumerate().map(|(n, x)| curve(&format!("curve{n}"), x)));
    out
}

/// A day of the table.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct DayRow {
    day: String,
    observed: String,
    lost: String,
    fixed: String,
}

/// Day by day, when there are days to compare.
fn day_table(p: &SitePicture) -> Vec<DayRow> {
    if p.days.len() < 2 {
        return Vec::new();
    }
    let h = |ms: i64| hours(ms as f64 / HOUR_MS as f64);
    p.days
        .iter()
        .rev()
        .take(62)
        .rev()
        .map(|d| DayRow {
            day: name(&d.day),
            observed: h(d.observed_ms),
            lost: h(d.lost_ms),
            fixed: share(1.0 - d.lost_ms as f64 / d.observed_ms.max(1) as f64),
        })
        .collect()
}

/// The verdict in one or two sentences.
fn answer(c: &Context<'_>, s: &SiteFindings) -> String {
    let lost = hours(s.lost_fix_hours);
    let observed = hours(s.observed_hours);
    match s.verdict.as_str() {
        "healthy" => format!(
            "Healthy: the rovers held the RTK fix for {} of {observed} observed; {lost} lost. Nothing to do here on that account.",
            fixed_words(s)
        ),
        "too-little-data" => format!(
            "Too little data: only {observed} of rover time were observed. What is listed below is not a ranking to act on; \
             collect more logs first."
        ),
        _ => {
            let part = if s.observed_hours > 0.0 {
                format!(" ({})", crate::report::text::share(s.lost_fix_hours / s.observed_hours))
            } else {
                String::new()
            };
            let first = format!("Rovers were without an RTK fix for {lost} of {observed} observed{part}.");
            let little = if s.lost_fix_hours < LITTLE_HOURS {
                " That is little time: take it as a pointer, not as proof."
            } else {
                ""
            };
            match s.causes.first() {
                None => format!("{first} No cause is named."),
                Some(k) if side_class(&k.side) == "none" => {
                    format!("{first} Most of it, {}, is not explained by the logs.", hours(k.lost_fix_hours))
                }
                Some(k) => format!(
                    "{first} First cause: {}; {}, {} of the lost time.{little}",
                    lower_first(&c.title(&k.cause)),
                    confidence(k.confidence),
                    percent(k.share)
                ),
            }
        }
    }
}

/// A position to about a metre.
pub(super) fn place_words(p: &LatLonHeight) -> String {
    format!(
        "{:.5}° {}, {:.5}° {}",
        p.latitude.abs(),
        if p.latitude < 0.0 { "S" } else { "N" },
        p.longitude.abs(),
        if p.longitude < 0.0 { "W" } else { "E" }
    )
}

fn facts(s: &SiteFindings) -> Vec<Fact> {
    let list = |units: &[String]| -> String {
        if units.is_empty() {
            return "none known".to_owned();
        }
        let shown: Vec<String> = units.iter().take(30).map(|u| name(u)).collect();
        let more = units.len().saturating_sub(30);
        if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
    };
    let mut facts = vec![
        Fact { name: "Lost fix time", value: hours(s.lost_fix_hours) },
        Fact { name: "Observed rover time", value: hours(s.observed_hours) },
        Fact { name: "Share fixed", value: fixed_words(s) },
        Fact { name: "First fixes of a log (counted apart)", value: hours(s.start_up_hours) },
        Fact { name: "Silent inside shifts (counted apart)", value: hours(s.silent_hours) },
        Fact { name: "Base", value: list(&s.bases) },
        Fact { name: "Rovers", value: list(&s.rovers) },
    ];
    if !s.not_using_rtk.is_empty() {
        facts.push(Fact { name: "Never had corrections, not counted", value: list(&s.not_using_rtk) });
    }
    if let Some(p) = s.position {
        let height_m = (p.height_m * 10.0).round() / 10.0 + 0.0;
        let value = format!("{}, {height_m:.1} m above the ellipsoid", place_words(&p));
        facts.push(Fact { name: "Base position (antenna reference point)", value });
    }
    match (s.magnetic_latitude, &s.latitude_band) {
        (Some(m), Some(band)) => {
            facts.push(Fact {
                name: "Magnetic latitude",
                value: format!("{:.0}°, {} band", m.round() + 0.0, name(band)),
            });
        }
        (None, Some(band)) => facts.push(Fact { name: "Magnetic latitude band", value: name(band) }),
        _ => {}
    }
    facts
}

/// Words of the finding, else those of the manual.
pub(super) fn or_manual(own: &[String], manual: Option<&'static [&'static str]>) -> Vec<String> {
    if own.is_empty() {
        manual.unwrap_or_default().iter().map(|t| (*t).to_owned()).collect()
    } else {
        own.iter().map(|t| plain(t, LONG)).collect()
    }
}

fn cause(c: &Context<'_>, k: &Cause, rank: usize, zone: Zone) -> CauseView {
    let about = (c.options.about)(&k.cause);
    let (fors, against): (Vec<_>, Vec<_>) = k.evidence.iter().partition(|e| e.supports);
    CauseView {
        rank,
        id: name(&k.cause),
        title: c.title(&k.cause),
        side: side(&k.side),
        lost: hours(k.lost_fix_hours),
        share: share_words(k),
        confidence: confidence_words(k),
        little: k.lost_fix_hours < LITTLE_HOURS && side_class(&k.side) != "none",
        fold: rank > 1
            && (k.share < SMALL_SHARE && k.lost_fix_hours < LITTLE_HOURS
                || side_class(&k.side) != "none" && k.confidence < UNLIKELY),
        explained: side_class(&k.side) != "none",
        what: about.map_or("", |a| a.what),
        more_for: fors.len().saturating_sub(FOR),
        fors: alike(fors.into_iter().take(FOR), zone),
        more_against: against.len().saturating_sub(AGAINST),
        against: alike(against.into_iter().take(AGAINST), zone),
        checks: or_manual(&k.checks, about.map(|a| a.checks)),
        would_disprove: or_manual(&k.would_disprove, about.map(|a| a.would_disprove)),
        not_observable: k.not_observable.iter().map(|t| plain(t, LONG)).collect(),
        cautions: about.map(|a| a.cautions.to_vec()).unwrap_or_default(),
    }
}

/// The longest periods, longest first.
fn longest(c: &Context<'_>, periods: &[FloatPeriod], zone: Zone) -> Vec<PeriodView> {
    let length = |p: &FloatPeriod| match (parse_utc(&p.from), parse_utc(&p.to)) {
        (Some(a), Some(b)) => b.saturating_sub(a),
        _ => 0,
    };
    let mut sorted: Vec<&FloatPeriod> = periods.iter().collect();
    sorted.sort_by_key(|p| std::cmp::Reverse(length(p)));
    sorted
        .into_iter()
        .take(PERIODS)
        .map(|p| {
            let explained = (c.options.about)(&p.cause).is_some_and(|a| a.side != "unexplained");
            PeriodView {
                unit: name(&p.unit),
                when: zone.span(&p.from, &p.to),
                length: duration_between(&p.from, &p.to),
                state: state_words(&p.state),
                age: p.mean_correction_age_s.map_or_else(|| "not logged".to_owned(), |a| format!("{a:.1} s")),
                others: p.others_lost.map_or_else(|| "no other observed".to_owned(), percent),
                cause: c.title(&p.cause),
                confidence: if explained { percent(p.confidence) } else { String::new() },
                origin: origin(&p.bundle, &p.file),
            }
        })
        .collect()
}

fn advisory(c: &Context<'_>, a: &Advisory, zone: Zone) -> AdvisoryView {
    let about = (c.options.about)(&a.cause);
    AdvisoryView {
        title: c.title(&a.cause),
        side: about.map(|x| side(x.side)),
        text: plain(&a.text, LONG),
        evidence: alike(a.evidence.iter().take(FOR), zone),
        checks: a.checks.iter().map(|t| plain(t, LONG)).collect(),
    }
}

/// Rows are filled to the number of columns, so that a table never gets crooked.
fn table(t: &SmallTable) -> TableView {
    let columns: Vec<String> = t.columns.iter().map(|x| name(x)).collect();
    let rows = t
        .rows
        .iter()
        .take(ROWS)
        .map(|r| (0..columns.len()).map(|i| r.get(i).map(|x| name(x)).unwrap_or_default()).collect())
        .collect();
    TableView {
        title: name(&t.title),
        note: plain(&t.note, LONG),
        columns,
        rows,
        more: t.rows.len().saturating_sub(ROWS),
    }
}
