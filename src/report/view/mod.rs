//! Flat structs of text that the templates show: every number already in words, every text from a bundle already one
//! harmless line. HTML and Markdown are made from the same values.

mod across;
mod complaints;
mod events;
mod fleet;
mod loss;
mod sheet;
mod site;

use super::names::stems;
use super::text::{LONG, hours, name, percent, plain, share, side_class, side_letter, side_word};
use super::times::Zone;
use super::{ReportError, ReportOptions};
use crate::model::findings::{Cause, Evidence, Findings, SiteFindings};
use crate::model::picture::{Pictures, SitePictures};
use serde::Serialize;
use std::collections::BTreeMap;

pub(super) use complaints::Complaints;
pub(super) use fleet::Fleet;
pub(super) use site::Site;

/// What is said of the whole run.
#[derive(Serialize)]
pub(super) struct OfRun {
    pub(super) fleet: Fleet,
    pub(super) complaints: Option<Complaints>,
}

/// What is said of one site.
#[derive(Serialize)]
pub(super) struct OfSite {
    #[serde(rename = "s")]
    pub(super) site: Site,
}

/// What the views need to know of the run.
pub(super) struct Context<'a> {
    pub(super) findings: &'a Findings,
    pub(super) pictures: &'a Pictures,
    pub(super) options: &'a ReportOptions,
    /// File stem of each site, in order.
    stems: Vec<String>,
    by_site: BTreeMap<&'a str, usize>,
}

impl<'a> Context<'a> {
    /// `sites/STEM.html` of a site id.
    fn path_of(&self, site: &str) -> Option<String> {
        self.by_site.get(site).and_then(|i| self.stems.get(*i)).map(|stem| format!("sites/{stem}.html"))
    }

    fn site(&self, site: &str) -> Option<&'a SiteFindings> {
        self.by_site.get(site).and_then(|i| self.findings.sites.get(*i))
    }

    fn pictures(&self, site: &str) -> Option<&'a SitePictures> {
        self.pictures.sites.iter().find(|p| p.site == site)
    }

    fn zone(&self, site: &str) -> Zone {
        self.pictures(site).map_or(Zone::UTC, |p| Zone::named(&p.time_zone))
    }

    /// Title of a cause; an id that the manual does not know stands for itself.
    fn title(&self, cause: &str) -> String {
        (self.options.about)(cause).map_or_else(|| name(cause), |a| a.title.to_owned())
    }

    fn made_by(&self) -> String {
        plain(&self.pictures.made_by, 60)
    }

    fn window(&self) -> String {
        Zone::UTC.span_min(&self.findings.window.from, &self.findings.window.to)
    }
}

impl<'a> Context<'a> {
    pub(super) fn new(findings: &'a Findings, pictures: &'a Pictures, options: &'a ReportOptions) -> Self {
        let by_site = findings.sites.iter().enumerate().map(|(i, s)| (s.site.as_str(), i)).collect();
        let stems = stems(findings.sites.iter().map(|s| s.site.as_str()));
        Self { findings, pictures, options, stems, by_site }
    }

    /// Makes the view of the whole run.
    pub(super) fn of_run(&self) -> OfRun {
        OfRun { fleet: fleet::fleet(self), complaints: complaints::complaints(self) }
    }

    /// Makes the view of one site.
    ///
    /// # Errors
    /// When its picture was put aside and cannot be brought.
    pub(super) fn of_site(&self, site: &SiteFindings) -> Result<OfSite, ReportError> {
        let kept = self.pictures(&site.site);
        let picture = kept.map(|k| k.picture.get()).transpose().map_err(ReportError::Aside)?;
        Ok(OfSite { site: site::site(self, site, picture.as_deref(), kept.and_then(|k| k.chances.as_ref())) })
    }
}

/// Name of a site for people.
fn site_name(s: &SiteFindings) -> String {
    name(if s.name.trim().is_empty() { &s.site } else { &s.name })
}

/// A side beside its colour.
#[derive(Debug, Clone, Serialize)]
pub(super) struct SideView {
    class: &'static str,
    letter: &'static str,
    word: &'static str,
}

fn side(side: &str) -> SideView {
    SideView { class: side_class(side), letter: side_letter(side), word: side_word(side) }
}

/// All five, in the order of the pages.
const SIDES: [&str; 5] = ["base", "link", "sky", "rover", "unexplained"];

/// A part of a bar.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Segment {
    class: &'static str,
    letter: &'static str,
    width: String,
}

/// Lost time split by side: parts in percent of `full` hours, and the same in words.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Bar {
    segments: Vec<Segment>,
    words: String,
}

fn bar(causes: &[Cause], full_hours: f64) -> Bar {
    let mut segments = Vec::new();
    let mut words = Vec::new();
    for id in SIDES {
        let h: f64 =
            causes.iter().filter(|c| side_class(&c.side) == side_class(id)).map(|c| c.lost_fix_hours.max(0.0)).sum();
        if h > 0.0 && full_hours > 0.0 {
            let v = side(id);
            segments.push(Segment {
                class: v.class,
                letter: v.letter,
                width: format!("{:.2}", h / full_hours * 100.0),
            });
            words.push(format!("{} {}", v.word, hours(h)));
        }
    }
    Bar { segments, words: if words.is_empty() { "none".to_owned() } else { words.join(", ") } }
}

/// One line of evidence with its place.
#[derive(Debug, Clone, Serialize)]
pub(super) struct EvidenceView {
    text: String,
    when: String,
    unit: String,
    bundle: String,
    file: String,
    /// Lines that say the same but for the numbers: when and where.
    also: Vec<EvidencePlace>,
}

/// Another place of the same evidence.
#[derive(Debug, Clone, Serialize)]
pub(super) struct EvidencePlace {
    text: String,
    when: String,
    unit: String,
    bundle: String,
    file: String,
}

/// Evidence in the order given, what says the same but for its numbers together with the first of it.
fn alike<'a>(list: impl Iterator<Item = &'a Evidence>, zone: Zone) -> Vec<EvidenceView> {
    let mut out: Vec<(String, EvidenceView)> = Vec::new();
    for e in list {
        let view = evidence(e, zone);
        let words: String = view.text.chars().filter(|c| !c.is_ascii_digit() && *c != '.').collect();
        match out.iter_mut().find(|(w, _)| *w == words) {
            Some((_, first)) => {
                let text = if view.text == first.text { String::new() } else { view.text };
                let EvidenceView { when, unit, bundle, file, .. } = view;
                first.also.push(EvidencePlace { text, when, unit, bundle, file });
            }
            None => out.push((words, view)),
        }
    }
    out.into_iter().map(|(_, view)| view).collect()
}

fn evidence(e: &Evidence, zone: Zone) -> EvidenceView {
    EvidenceView {
        text: plain(&e.text, LONG),
        when: zone.span(&e.from, &e.to),
        unit: name(&e.unit),
        bundle: plain(&e.bundle, LONG),
        file: plain(&e.file, LONG),
        also: Vec::new(),
    }
}

/// A fixed share in words, `unknown` when there is none.
fn fixed_words(s: &SiteFindings) -> String {
    s.fixed_share.map_or_else(|| "unknown".to_owned(), share)
}

/// Confidence for a table; empty for `unexplained`.
fn confidence_words(cause: &Cause) -> String {
    if side_class(&cause.side) == "none" { String::new() } else { super::text::confidence(cause.confidence) }
}

fn share_words(cause: &Cause) -> String {
    percent(cause.share)
}

/// The first of these that says something.
fn first_check(cause: Option<&Cause>, context: &Context<'_>) -> String {
    let Some(cause) = cause else { return String::new() };
    match (cause.checks.first(), (context.options.about)(&cause.cause)) {
        (Some(check), _) => elsewhere(&plain(check, LONG)),
        (None, Some(about)) => about.checks.first().map(|c| elsewhere(c)).unwrap_or_default(),
        (None, None) => String::new(),
    }
}

/// The manual speaks of "this page" and means that of the site.
fn elsewhere(check: &str) -> String {
    check.replace("on this page", "on the page of the site")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn evidence_that_differs_in_numbers_only_stands_together() {
        let e = |text: &str, from: &str| Evidence {
            text: text.to_owned(),
            from: from.to_owned(),
            to: from.to_owned(),
            ..Evidence::default()
        };
        let (a, b) = ("2026-05-04T06:00:00Z", "2026-05-05T06:00:00Z");
        let list =
            [e("C/N0 falls by 4.8 dB on L1", a), e("restart", a), e("C/N0 falls by 13 dB on L1", b), e("restart", b)];
        let told = alike(list.iter(), Zone::UTC);
        assert_eq!(told.iter().map(|t| t.text.as_str()).collect::<Vec<_>>(), ["C/N0 falls by 4.8 dB on L1", "restart"]);
        assert_eq!((told[0].also.len(), told[0].also[0].text.as_str()), (1, "C/N0 falls by 13 dB on L1"));
        // The same words are not said twice, but when it was again is.
        assert_eq!((told[1].also[0].text.as_str(), told[1].also[0].when.as_str()), ("", "Tue 2026-05-05 06:00 UTC"));
    }
}
