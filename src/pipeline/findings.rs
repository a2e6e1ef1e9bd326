//! From judged sites to the findings: verdicts, advisories, complaints, alerts, pictures.

use super::beside::Beside;
use super::sites::{self, Site1, Tools};
use super::units::{SiteUnits, side_by_side};
use super::{Outcome, Request, RunError, Watch, aside, complaints, fieldwork, fleet_view, pictures};
use crate::causes::about;
use crate::causes::rank::{Ranking, hours, rank};
use crate::causes::verdict::UNEXPLAINED;
use crate::config::card::UnitCard;
use crate::correlate::evidence::EvidenceLimits;
use crate::correlate::gather::gather;
use crate::correlate::grid::Grid;
use crate::maths::magnetic::BandLimits;
use crate::model::event::Event;
use crate::model::findings::{
    Advisory, BaseEvent, Evidence, FieldWorkAnswer, Findings, LatLonHeight, SCHEMA, SiteFindings, Window,
};
use crate::model::picture::{Pictures, SitePictures};
use crate::model::time::{UtcMs, rfc3339};
use std::collections::BTreeMap;

/// A cause id belongs to each event kind that is a finding of its own.
const ADVISORY_OF: [(&str, &str); 13] = [
    ("airport-near", "base-interference"),
    ("biases-missing", "base-messages"),
    ("description-missing", "base-messages"),
    ("emitter-near", "base-interference"),
    ("firmware-trouble", "base-firmware"),
    ("link-budget-high", "base-weak-signal"),
    ("link-budget-low", "base-weak-signal"),
    ("older-generation", "base-messages"),
    ("position-alternates", "base-moved"),
    ("position-drift", "base-moved"),
    ("position-moved", "base-moved"),
    ("position-unlike-reference", "base-moved"),
    ("weak-signal", "base-weak-signal"),
];

/// One site after its verdict, without what grows with time.
pub(super) struct Judged {
    site: Site1,
    findings: SiteFindings,
    pictures: SitePictures,
    complaints: Vec<complaints::Part>,
    fieldwork: Vec<Option<FieldWorkAnswer>>,
}

/// Looks at every site, a few at a time.
pub(super) fn judge(tools: &Tools<'_>, watch: &dyn Watch) -> Result<Vec<Judged>, RunError> {
    let known = tools.known;
    watch.stage("sites", known.sites.len() as u64);
    let window = known.window(tools.request);
    side_by_side(&known.bytes(), |k| {
        let units =
            known.sites.get(k).ok_or_else(|| RunError::Failed("a site is not there; please report this".into()))?;
        let site = sites::build(units, tools)?;
        let judged = judge_one(site, units, window, tools)?;
        watch.step(&units.site);
        Ok(judged)
    })
}

fn judge_one(
    mut site: Site1,
    units: &SiteUnits,
    window: Option<(UtcMs, UtcMs)>,
    tools: &Tools<'_>,
) -> Result<Judged, RunError> {
    let Tools { known, beside, rules, request, scratch, .. } = tools;
    let old_s = rules.limits.age_old_s;
    let limits = EvidenceLimits { age_fresh_s: 3.0, age_old_s: old_s, long_baseline_km: rules.limits.long_baseline_km };
    let grids: Vec<Grid> = site.case.rovers.iter().map(|r| Grid::of(r, old_s as f32)).collect();
    let near = known.near(units, request.settings.neighbours.distance_km);
    let evidence = gather(&site.case, &grids, &near, &|id| rules.weights.timing(id), &limits);
    let mut ranking = rank(&site.case, &evidence, &rules.weights);
    let working = std::mem::take(&mut ranking.working);
    let findings = site_findings(&site, ranking, beside, request);
    let (picture, event_tests) = pictures::of(&site, &findings, &evidence, &grids, beside, window, &rules.limits);
    let pictures =
        SitePictures { event_tests, working: aside::hold(scratch, working), ..aside::hold_picture(scratch, picture) };
    let complaints = complaints::parts(&beside.complaints, &site);
    let fieldwork = fieldwork::parts(&beside.fieldwork, &site, &beside.fleet);
    site.bases.iter().try_for_each(sites::check_aside)?;
    site.slim();
    Ok(Judged { site, findings, pictures, complaints, fieldwork })
}

/// Brings the judged sites together: ranks, complaints, field work, what shows over the fleet.
pub(super) fn conclude(judged: Vec<Judged>, tools: &Tools<'_>, cards: &BTreeMap<String, UnitCard>) -> Outcome {
    let Tools { known, beside, request, .. } = tools;
    let window = known.window(request);
    let (mut sites, mut rows, mut of_complaints, mut of_fieldwork) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for one in judged {
        sites.push(one.site);
        rows.push((one.findings, one.pictures));
        of_complaints.push(one.complaints);
        of_fieldwork.push(one.fieldwork);
    }
    rows.sort_by(|a, b| b.0.lost_fix_hours.total_cmp(&a.0.lost_fix_hours).then(a.0.site.cmp(&b.0.site)));
    for (rank, (findings, _)) in rows.iter_mut().enumerate() {
        findings.rank = rank as u32 + 1;
    }
    let (site_rows, mut site_pictures): (Vec<_>, Vec<_>) = rows.into_iter().unzip();
    pictures::with_chances(&mut site_pictures);
    let alerts = alerts(&site_rows, request);
    let complaints = complaints::answer(&beside.complaints, &site_rows, &sites, &of_complaints, &beside.fleet);
    let fieldwork = fieldwork::answer(&beside.fieldwork, of_fieldwork);
    let mut out = Outcome {
        findings: Findings {
            schema: SCHEMA.to_owned(),
            window: window.map_or(Window::default(), |(a, b)| Window { from: rfc3339(a), to: rfc3339(b) }),
            sites: site_rows,
            complaints,
            fieldwork,
            ..Findings::default()
        },
        pictures: Pictures {
            sites: site_pictures,
            magnetic_edges: window.map(|w| pictures::magnetic_edges(w.0)).unwrap_or_default(),
            used: beside.used.clone(),
            made_by: concat!("lostfix ", env!("CARGO_PKG_VERSION")).to_owned(),
        },
        alerts,
        ..Outcome::default()
    };
    let over = fleet_view::over_represented(&sites, &out.findings.sites, cards, request.settings.noise.healthy_share);
    let fleet = &mut out.findings.fleet;
    fleet.bad_rovers = fleet_view::bad_rovers(&sites);
    fleet.over_represented = over;
    fleet.lost_cost = out.findings.sites.iter().filter_map(|s| s.lost_cost).reduce(|a, b| a + b);
    out
}

fn site_findings(site: &Site1, ranking: Ranking, beside: &Beside, request: &Request) -> SiteFindings {
    let case = &site.case;
    let counted = || case.rovers.iter().filter(|r| !r.never_corrected);
    let sum = |f: &dyn Fn(&crate::correlate::case::RoverCase) -> i64| counted().map(f).sum::<i64>();
    let (observed, lost) = (sum(&|r| r.time.observed_ms), sum(&|r| r.time.lost_ms));
    let noise = &request.settings.noise;
    let mut causes = ranking.causes;
    for cause in &mut causes {
        if let Some(about) = about::about(&cause.cause) {
            cause.checks = about.checks.iter().map(|s| (*s).to_owned()).collect();
            cause.would_disprove = about.would_disprove.iter().map(|s| (*s).to_owned()).collect();
        }
        if case.base_observed.is_empty() && cause.side != "rover" {
            cause.not_observable.push("no log of the base: what it sent and tracked is not known".to_owned());
        }
    }
    let strong = causes.iter().any(|c| {
        c.cause != UNEXPLAINED && c.lost_fix_hours >= noise.cause_hours && c.confidence >= noise.cause_confidence
    });
    let lost_share = lost as f64 / observed.max(1) as f64;
    let verdict = if hours(observed) < noise.too_little_hours {
        "too-little-data"
    } else if lost_share <= noise.healthy_share && !strong {
        "healthy"
    } else {
        "lost-fix"
    };
    let mut rovers: Vec<String> = counted().map(|r| r.unit.clone()).collect();
    rovers.dedup();
    let name = beside.fleet.site(&case.site).map_or_else(|| case.site.clone(), |s| s.name.clone());
    SiteFindings {
        site: case.site.clone(),
        name,
        rank: 0,
        bases: case.bases.clone(),
        rovers,
        position: case.position.map(|(latitude, longitude, height_m)| LatLonHeight { latitude, longitude, height_m }),
        latitude_band: case.magnetic_latitude.map(|m| BandLimits::default().band(m).name().to_owned()),
        magnetic_latitude: case.magnetic_latitude,
        observed_hours: hours(observed),
        lost_fix_hours: hours(lost),
        fixed_share: (observed > 0).then_some(1.0 - lost_share),
        lost_cost: beside
            .fleet
            .site(&case.site)
            .and_then(|s| s.hourly_cost)
            .or(request.settings.money.hourly_cost)
            .map(|cost| cost * hours(lost)),
        start_up_hours: hours(sum(&|r| r.time.start_up_ms)),
        silent_hours: hours(sum(&|r| r.time.silent_ms)),
        verdict: verdict.to_owned(),
        advisories: advisories(case, &causes),
        causes,
        float_periods: ranking.float_periods,
        base_events: case.base_events.iter().map(base_event).collect(),
        not_using_rtk: case.rovers.iter().filter(|r| r.never_corrected).map(|r| r.unit.clone()).collect(),
    }
}

fn base_event(e: &Event) -> BaseEvent {
    BaseEvent {
        unit: e.unit.clone(),
        kind: e.kind.to_owned(),
        from: rfc3339(e.from),
        to: rfc3339(e.to),
        value: e.value,
        value_unit: e.value_unit.to_owned(),
        bundle: e.origin.bundle.clone(),
        file: e.origin.file.clone(),
        detail: e.detail.clone(),
    }
}

/// What is wrong but has not (yet) cost fix time. A cause that is ranked with its lost time is not told twice.
fn advisories(case: &crate::correlate::case::SiteCase, causes: &[crate::model::findings::Cause]) -> Vec<Advisory> {
    let mut by: BTreeMap<(&str, &'static str, &str), Vec<&Event>> = BTreeMap::new();
    for e in case.base_events.iter().chain(&case.standing) {
        if let Some((kind, cause)) = ADVISORY_OF.iter().find(|(k, _)| *k == e.kind) {
            let rover = !case.bases.contains(&e.unit);
            let cause = if rover && *cause == "base-firmware" { "rover-firmware" } else { cause };
            by.entry((cause, kind, e.unit.as_str())).or_default().push(e);
        }
    }
    by.into_iter()
        .filter(|((cause, _, _), _)| !causes.iter().any(|c| c.cause == *cause && c.lost_fix_hours >= 0.05))
        .filter_map(|((cause, _, unit), events)| {
            let strongest = events.iter().max_by(|a, b| a.strength.total_cmp(&b.strength).then(b.from.cmp(&a.from)))?;
            let times = if events.len() > 1 { format!(" ({} times)", events.len()) } else { String::new() };
            let about = about::about(cause);
            Some(Advisory {
                cause: cause.to_owned(),
                text: format!("{unit}: {}{times}", strongest.detail),
                evidence: events
                    .iter()
                    .take(3)
                    .map(|e| Evidence {
                        text: e.detail.clone(),
                        from: rfc3339(e.from),
                        to: rfc3339(e.to),
                        unit: e.unit.clone(),
                        bundle: e.origin.bundle.clone(),
                        file: e.origin.file.clone(),
                        supports: true,
                    })
                    .collect(),
                checks: about.map(|a| a.checks.iter().take(3).map(|s| (*s).to_owned()).collect()).unwrap_or_default(),
            })
        })
        .collect()
}

fn alerts(sites: &[SiteFindings], request: &Request) -> Vec<String> {
    let alert = &request.settings.alert;
    let mut out = Vec::new();
    for s in sites.iter().filter(|s| s.verdict != "too-little-data") {
        if let Some(limit) = alert.lost_hours
            && s.lost_fix_hours > limit
        {
            out.push(format!("{}: {:.1} lost rover-hours, the alert limit is {limit}", s.site, s.lost_fix_hours));
        }
        if let (Some(limit), Some(share)) = (alert.fixed_share, s.fixed_share)
            && share < limit
        {
            out.push(format!(
                "{}: fixed {:.1} % of the time, the alert limit is {:.1} %",
                s.site,
                share * 100.0,
                limit * 100.0
            ));
        }
    }
    out
}
