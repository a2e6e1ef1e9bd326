//! The fleet page: the answer first, then the ranking, then what was read.

use super::across::{Across, across, change_words};
use super::{Bar, Context, SIDES, SideView, bar, confidence_words, first_check, fixed_words, side, site_name};
use crate::model::findings::{NotRead, SiteFindings};
use crate::report::figures::{Map, Spot, map, spark, trend};
use crate::report::text::{LONG, count, hours, lower_first, money, plain};
use serde::Serialize;

/// Longest list of paths on a page; the rest is in `findings.json`.
const LIST: usize = 200;

/// One line of the ranking.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Row {
    rank: u32,
    name: String,
    href: String,
    verdict: &'static str,
    verdict_class: &'static str,
    lost: String,
    observed: String,
    fixed: String,
    /// Empty without an hourly cost.
    cost: String,
    bar: Bar,
    cause: String,
    side: Option<SideView>,
    confidence: String,
    first_check: String,
    advisories: usize,
    /// Day by day, finished; empty for a single day.
    spark: String,
    trend: String,
    /// Against the window before; empty without one.
    change: &'static str,
    /// For sorting and filtering in the browser.
    sort_lost: String,
    sort_fixed: String,
    sort_cost: String,
    side_key: &'static str,
}

/// A path and a reason.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Listed {
    path: String,
    reason: String,
}

/// A list of them, cut.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Listing {
    title: &'static str,
    what: &'static str,
    total: usize,
    more: usize,
    entries: Vec<Listed>,
}

/// The fleet page.
#[derive(Debug, Clone, Serialize)]
pub(in crate::report) struct Fleet {
    root: &'static str,
    title: &'static str,
    made_by: String,
    window: String,
    answer: String,
    answer_more: String,
    across: Across,
    has_cost: bool,
    sides: Vec<SideView>,
    sites: Vec<Row>,
    input: String,
    lists: Vec<Listing>,
    used: Vec<String>,
    cautions: Vec<&'static str>,
    complaints: usize,
    html: bool,
    map: Option<Map>,
    has_days: bool,
    has_trend: bool,
    script: &'static str,
    script_hash: &'static str,
}

pub(super) fn fleet(c: &Context<'_>) -> Fleet {
    let sites = &c.findings.sites;
    let most = sites.iter().map(|s| s.lost_fix_hours).fold(0.0, f64::max);
    let (answer, answer_more) = answer(c);
    let input = &c.findings.input;
    let mut said = format!("{} of {} bundles were read", input.bundles_read, input.bundles_found);
    if input.duplicates > 0 {
        let verb = if input.duplicates == 1 { "was a copy" } else { "were copies" };
        said.push_str(&format!("; {} {verb} of one already read", input.duplicates));
    }
    said.push_str(&format!(
        "; {} not read, {} not placed.",
        count(input.not_read.len(), "file or bundle was", "files or bundles were"),
        count(input.not_placed.len(), "bundle was", "bundles were"),
    ));
    Fleet {
        root: "",
        title: "Lost RTK fix by base site",
        made_by: c.made_by(),
        window: c.window(),
        answer,
        answer_more,
        across: across(c),
        has_cost: sites.iter().any(|s| s.lost_cost.is_some()),
        sides: SIDES.map(side).to_vec(),
        sites: sites.iter().map(|s| row(c, s, most)).collect(),
        input: said,
        lists: vec![
            listing("Not read", "Each with the reason and what to do.", &input.not_read),
            listing(
                "Not placed",
                "Read, but the unit or its site is not known; a unit card or a fleet register helps.",
                &input.not_placed,
            ),
            listing("Contradictions and notes", "What did not fit together, and how it was taken.", &input.notes),
        ],
        used: c.pictures.used.iter().map(|u| plain(u, LONG)).collect(),
        cautions: c.options.cautions.to_vec(),
        complaints: c.findings.complaints.len(),
        html: c.options.html,
        map: map("map", &spots(c), &c.pictures.magnetic_edges),
        has_trend: c.pictures.sites.iter().any(|p| p.trend.is_some()),
        has_days: c.pictures.sites.iter().any(|p| p.days.len() > 2),
        script: SCRIPT,
        script_hash: SCRIPT_HASH,
    }
}

/// Sorting and filtering in the browser; the page says the same without it.
const SCRIPT: &str = include_str!("../../../report-templates/fleet.js");
/// The only script that the page's policy lets run: SHA-256 of [`SCRIPT`], base64 (a test compares).
const SCRIPT_HASH: &str = "'sha256-aP1LIaN1822i4ClfxV0AqK6tApTFVOKzPZH9H9JTQfI='";

/// The sites that have a place, for the map.
fn spots(c: &Context<'_>) -> Vec<Spot> {
    c.findings
        .sites
        .iter()
        .filter_map(|s| {
            let p = s.position?;
            let known = s.verdict != "too-little-data";
            Some(Spot {
                name: site_name(s),
                href: if c.options.html { c.path_of(&s.site).unwrap_or_default() } else { String::new() },
                latitude: p.latitude,
                longitude: p.longitude,
                lost_share: s.fixed_share.filter(|_| known).map(|f| 1.0 - f),
                words: format!("{} lost of {}", hours(s.lost_fix_hours), hours(s.observed_hours)),
            })
        })
        .collect()
}

/// The cause to name for a site: only where the verdict asks for a person.
fn named_cause(s: &SiteFindings) -> Option<&crate::model::findings::Cause> {
    if s.verdict == "lost-fix" { s.causes.first() } else { None }
}

fn row(c: &Context<'_>, s: &SiteFindings, most: f64) -> Row {
    let cause = named_cause(s);
    let (verdict, verdict_class) = verdict_words(&s.verdict);
    let picture = c.pictures(&s.site);
    Row {
        rank: s.rank,
        name: site_name(s),
        href: c.path_of(&s.site).unwrap_or_default(),
        verdict,
        verdict_class,
        lost: hours(s.lost_fix_hours),
        observed: hours(s.observed_hours),
        fixed: fixed_words(s),
        cost: s.lost_cost.map(money).unwrap_or_default(),
        bar: bar(&s.causes, most),
        cause: cause.map(|k| c.title(&k.cause)).unwrap_or_default(),
        side: cause.map(|k| side(&k.side)),
        confidence: cause.map(confidence_words).unwrap_or_default(),
        first_check: match s.verdict.as_str() {
            "healthy" => String::new(),
            "too-little-data" => "Collect more logs of the rovers here.".to_owned(),
            _ => first_check(cause, c),
        },
        advisories: s.advisories.len(),
        spark: picture.map(|p| spark(&format!("spark{}", s.rank), &p.days)).unwrap_or_default(),
        trend: picture.and_then(|p| p.trend.as_ref()).map(trend).unwrap_or_default(),
        change: c.findings.fleet.trend.iter().find(|t| t.site == s.site).map_or("", |t| change_words(&t.change)),
        sort_lost: format!("{:.4}", s.lost_fix_hours),
        sort_fixed: format!("{:.4}", s.fixed_share.unwrap_or(2.0)),
        sort_cost: format!("{:.2}", s.lost_cost.unwrap_or(-1.0)),
        side_key: cause.map_or("", |k| crate::report::text::side_class(&k.side)),
    }
}

/// Verdict for people and its class.
pub(in crate::report) fn verdict_words(verdict: &str) -> (&'static str, &'static str) {
    match verdict {
        "lost-fix" => ("needs a person", "act"),
        "healthy" => ("healthy", "fine"),
        "too-little-data" => ("too little data", "thin"),
        _ => ("no verdict", "thin"),
    }
}

/// The answer in one sentence, and a second with the rest.
fn answer(c: &Context<'_>) -> (String, String) {
    let sites = &c.findings.sites;
    let with = |v: &str| sites.iter().filter(|s| s.verdict == v).count();
    let acting: Vec<&SiteFindings> = sites.iter().filter(|s| s.verdict == "lost-fix").collect();
    if sites.is_empty() {
        return (
            "No site could be analysed.".to_owned(),
            "Nothing that was read could be placed at a site; see what was not read and not placed below.".to_owned(),
        );
    }
    let first = if acting.is_empty() {
        format!("None of {} needs a person.", count(sites.len(), "site", "sites"))
    } else {
        let named: Vec<String> = acting
            .iter()
            .take(3)
            .map(|s| {
                let why =
                    s.causes.first().map_or_else(String::new, |k| format!(", {}", lower_first(&c.title(&k.cause))));
                format!("{} ({}{why})", site_name(s), hours(s.lost_fix_hours))
            })
            .collect();
        let rest = acting.len().saturating_sub(3);
        let more = if rest > 0 { format!("; and {rest} more") } else { String::new() };
        let verb = if acting.len() == 1 { "needs" } else { "need" };
        format!(
            "{} of {} {verb} a person: {}{more}.",
            acting.len(),
            count(sites.len(), "site", "sites"),
            named.join("; ")
        )
    };
    let mut parts = Vec::new();
    let (healthy, thin) = (with("healthy"), with("too-little-data"));
    if healthy > 0 {
        parts.push(format!("{healthy} {} healthy", if healthy == 1 { "is" } else { "are" }));
    }
    if thin > 0 {
        parts.push(format!("{thin} {} too little data to judge", if thin == 1 { "has" } else { "have" }));
    }
    let advised = sites.iter().filter(|s| !s.advisories.is_empty()).count();
    if advised > 0 {
        let verb = if advised == 1 { "has" } else { "have" };
        parts.push(format!("{advised} {verb} something wrong that has not cost fix time yet"));
    }
    let lost: f64 = sites.iter().map(|s| s.lost_fix_hours).sum();
    let observed: f64 = sites.iter().map(|s| s.observed_hours).sum();
    let cost = c.findings.fleet.lost_cost.map(|x| format!(", at a cost of {}", money(x))).unwrap_or_default();
    let total =
        format!("In all, {} of {} observed rover-hours were without an RTK fix{cost}.", hours(lost), hours(observed));
    let second = if parts.is_empty() { total } else { format!("Of all sites, {}. {total}", parts.join(", ")) };
    (first, second)
}

fn listing(title: &'static str, what: &'static str, entries: &[NotRead]) -> Listing {
    Listing {
        title,
        what,
        total: entries.len(),
        more: entries.len().saturating_sub(LIST),
        entries: entries
            .iter()
            .take(LIST)
            .map(|e| Listed { path: plain(&e.path, LONG), reason: plain(&e.reason, LONG) })
            .collect(),
    }
}
