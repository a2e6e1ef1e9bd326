//! Each complaint answered from the float periods of the time it names.

use super::sites::Site1;
use crate::causes::about;
use crate::causes::verdict::UNEXPLAINED;
use crate::config::complaints::Complaint;
use crate::config::fleet::Fleet;
use crate::correlate::case::RoverCase;
use crate::correlate::periods::EpochKind;
use crate::model::findings::{ComplaintAnswer, FloatPeriod, SiteFindings};
use crate::model::ids::FixState;
use crate::model::time::{HOUR_MS, parse_utc, rfc3339};
use std::collections::BTreeMap;

/// Logs that cover less of the time are said to.
const COVERED: f64 = 0.5;

/// Answers in the order given; `parts` are those of the sites.
pub(super) fn answer(
    complaints: &[Complaint],
    findings: &[SiteFindings],
    sites: &[Site1],
    parts: &[Vec<Part>],
    fleet: &Fleet,
) -> Vec<ComplaintAnswer> {
    complaints.iter().enumerate().map(|(i, c)| one(c, i, findings, sites, parts, fleet)).collect()
}

/// What the logs of one site hold of the time of a complaint: if it is about the rover, if it is about the site.
#[derive(Default)]
pub(super) struct Part {
    of_rover: Logged,
    of_site: Logged,
}

/// One part a complaint, in the order given.
pub(super) fn parts(complaints: &[Complaint], site: &Site1) -> Vec<Part> {
    let about_site =
        |c: &Complaint| if c.unit.is_empty() { c.site == site.case.site } else { site.case.bases.contains(&c.unit) };
    complaints
        .iter()
        .map(|c| Part {
            of_rover: logged(c, site, &|r| r.unit == c.unit),
            of_site: if about_site(c) { logged(c, site, &|_| true) } else { Logged::default() },
        })
        .collect()
}

/// Whom a complaint is about.
#[derive(Clone, Copy)]
enum About<'a> {
    Rover(&'a str),
    Site(&'a str),
}

/// What the logs hold of the time of a complaint.
#[derive(Default)]
struct Logged {
    epochs: usize,
    covered_ms: i64,
    /// Lost outside the working hours or while starting, which does not count.
    uncounted_ms: i64,
    starting_ms: i64,
    /// Site of the rover with most epochs, and their number.
    site: Option<String>,
    most: usize,
    rovers: usize,
}

impl Logged {
    fn add(&mut self, other: &Logged) {
        self.epochs += other.epochs;
        self.covered_ms += other.covered_ms;
        self.uncounted_ms += other.uncounted_ms;
        self.starting_ms += other.starting_ms;
        self.rovers += other.rovers;
        if other.most > self.most {
            (self.most, self.site) = (other.most, other.site.clone());
        }
    }
}

/// What was lost in the time of a complaint, by whom it is about.
#[derive(Default)]
struct Lost<'a> {
    /// By cause.
    by_cause: BTreeMap<&'a str, Share>,
    /// Share of each cause at the site or sites where the rover lost its fix.
    said: BTreeMap<&'a str, f64>,
    /// Lost ms in which the other rovers of the base were seen, and those weighted by the share of them that was lost.
    seen_ms: f64,
    others_ms: f64,
}

/// The part of one cause.
#[derive(Default)]
struct Share {
    ms: f64,
    /// Weighted by how sure each period is.
    sure_ms: f64,
    periods: u32,
}

impl<'a> Lost<'a> {
    fn of(c: &Complaint, about: About<'_>, findings: &'a [SiteFindings]) -> Lost<'a> {
        let mut out = Lost::default();
        for site in findings {
            let concerns = |p: &&FloatPeriod| match about {
                About::Rover(unit) => p.unit.as_str() == unit,
                About::Site(id) => site.site == id,
            };
            let before = out.total_ms();
            for p in site.float_periods.iter().filter(concerns) {
                let ms = overlap_ms(p, c);
                if ms > 0.0 {
                    out.add(p, ms);
                }
            }
            if out.total_ms() > before {
                for c in &site.causes {
                    let share = out.said.entry(c.cause.as_str()).or_default();
                    *share = c.share.max(*share);
                }
            }
        }
        out
    }

    fn add(&mut self, p: &'a FloatPeriod, ms: f64) {
        let e = self.by_cause.entry(p.cause.as_str()).or_default();
        e.ms += ms;
        e.sure_ms += ms * p.confidence;
        e.periods += 1;
        if let Some(share) = p.others_lost {
            self.others_ms += ms * share;
            self.seen_ms += ms;
        }
    }

    fn total_ms(&self) -> f64 {
        self.by_cause.values().map(|v| v.ms).sum()
    }

    /// The likeliest cause; an unexplained rest does not hide a found cause with a good part of the time.
    fn likeliest(&self) -> Option<(&'a str, &Share)> {
        let total = self.total_ms();
        // What each period is not sure of goes by what the site as a whole says.
        let unsure: f64 = self.by_cause.values().map(|v| v.ms - v.sure_ms).sum();
        let belief = |cause: &str, v: &Share| v.sure_ms + unsure * self.said.get(cause).copied().unwrap_or(0.0);
        let named = self
            .by_cause
            .iter()
            .filter(|(cause, v)| **cause != UNEXPLAINED && v.ms >= 0.25 * total)
            .max_by(|a, b| belief(a.0, a.1).total_cmp(&belief(b.0, b.1)));
        let longest = || self.by_cause.iter().max_by(|a, b| a.1.ms.total_cmp(&b.1.ms));
        named.or_else(longest).map(|(cause, v)| (*cause, v))
    }

    /// In words, with the likeliest cause.
    fn summary(&self, cause: &str, part: &Share) -> String {
        let total = self.total_ms();
        let lost = duration(total);
        let periods: u32 = self.by_cause.values().map(|v| v.periods).sum();
        let plural = if periods == 1 { "period" } else { "periods" };
        if cause == UNEXPLAINED {
            return format!("lost {lost} in {periods} {plural}; the logs hold no evidence that is strong enough");
        }
        let title = in_a_sentence(about::about(cause).map_or(cause, |a| a.title));
        let of_it = if part.ms < 0.95 * total { format!(" ({} of it)", duration(part.ms)) } else { String::new() };
        format!("lost {lost} in {periods} {plural}; likely {title}{of_it}")
    }
}

fn one(
    c: &Complaint,
    number: usize,
    findings: &[SiteFindings],
    sites: &[Site1],
    parts: &[Vec<Part>],
    fleet: &Fleet,
) -> ComplaintAnswer {
    let mut out = ComplaintAnswer {
        id: c.id.clone(),
        site: c.site.clone(),
        unit: c.unit.clone(),
        from: rfc3339(c.from),
        to: rfc3339(c.to),
        text: c.text.clone(),
        ..ComplaintAnswer::default()
    };
    let about = match whom(c, sites, fleet) {
        Ok(about) => about,
        Err(why) => {
            out.summary = why;
            return out;
        }
    };
    let mut logged = Logged::default();
    for (site, part) in sites.iter().zip(parts) {
        match (about, part.get(number)) {
            (About::Rover(_), Some(part)) => logged.add(&part.of_rover),
            (About::Site(id), Some(part)) if site.case.site == id => logged.add(&part.of_site),
            _ => {}
        }
    }
    if let (true, Some(site)) = (out.site.is_empty(), &logged.site) {
        out.site.clone_from(site);
    }
    let lost = Lost::of(c, about, findings);
    out.lost_fix_hours = lost.total_ms() / HOUR_MS as f64;
    out.summary = match lost.likeliest() {
        _ if logged.epochs == 0 => "no logs for that time".to_owned(),
        None => format!("the logs do not show lost fix in that time{}", uncounted(&logged)),
        Some((cause, part)) => {
            out.cause = cause.to_owned();
            out.confidence = part.sure_ms / part.ms;
            lost.summary(cause, part)
        }
    };
    if let About::Rover(_) = about
        && lost.seen_ms > 0.0
    {
        out.summary.push_str(&beside(lost.others_ms / lost.seen_ms));
    }
    let asked = (c.to - c.from).max(1) as f64 * logged.rovers.max(1) as f64;
    let share = logged.covered_ms as f64 / asked;
    if logged.epochs > 0 && share < COVERED {
        out.summary.push_str(&format!("; the logs cover {:.0} % of that time", (share * 100.0).max(1.0)));
    }
    if let Some(about) = about::about(&out.cause) {
        out.check_first = about.checks.first().map(|s| (*s).to_owned()).unwrap_or_default();
    }
    out
}

/// Rover or site; else why the logs know nothing of it.
fn whom<'a>(c: &'a Complaint, sites: &'a [Site1], fleet: &Fleet) -> Result<About<'a>, String> {
    if c.unit.is_empty() {
        if sites.iter().any(|s| s.case.site == c.site) {
            return Ok(About::Site(&c.site));
        }
        return Err(if fleet.site(&c.site).is_some() {
            "no logs: no bundle of that site was read".to_owned()
        } else {
            "the site is not known: no bundle of it was read, and the fleet register does not have it".to_owned()
        });
    }
    if sites.iter().any(|s| s.case.rovers.iter().any(|r| r.unit == c.unit)) {
        return Ok(About::Rover(&c.unit));
    }
    // A complaint about a base is one of everybody who uses it.
    if let Some(site) = sites.iter().find(|s| s.case.bases.contains(&c.unit)) {
        return Ok(About::Site(&site.case.site));
    }
    Err(if fleet.unit(&c.unit, None).is_some() {
        "no logs: no bundle of that unit was read".to_owned()
    } else {
        "the unit is not known: no bundle of it was read, and the fleet register does not have it".to_owned()
    })
}

fn logged(c: &Complaint, site: &Site1, concerns: &dyn Fn(&RoverCase) -> bool) -> Logged {
    let mut out = Logged::default();
    for rover in site.case.rovers.iter().filter(|r| concerns(r)) {
        let range = rover.times.partition_point(|t| *t < c.from)..rover.times.partition_point(|t| *t < c.to);
        if range.is_empty() {
            continue;
        }
        out.rovers += 1;
        out.epochs += range.len();
        if range.len() > out.most {
            out.most = range.len();
            out.site = Some(site.case.site.clone());
        }
        for i in range {
            let lasts = rover.time.lasts_ms.get(i).copied().unwrap_or(0);
            out.covered_ms += lasts;
            let fixed = rover.states.get(i).is_some_and(|s| *s == FixState::Fixed as u32);
            match rover.time.kinds.get(i) {
                Some(EpochKind::OffShift) if !fixed => out.uncounted_ms += lasts,
                Some(EpochKind::StartUp) => out.starting_ms += lasts,
                _ => {}
            }
        }
    }
    out
}

fn uncounted(logged: &Logged) -> String {
    let mut out = String::new();
    if logged.uncounted_ms > 0 {
        let lost = duration(logged.uncounted_ms as f64);
        out.push_str(&format!("; {lost} without a fix lie outside the site's working hours and do not count"));
    }
    if logged.starting_ms > 0 {
        let lost = duration(logged.starting_ms as f64);
        out.push_str(&format!("; {lost} were the first fix after switching on"));
    }
    out
}

/// What happened to the others at the same time.
fn beside(share: f64) -> String {
    let words = if share >= 0.9 {
        "; all other rovers of the base lost fix with it"
    } else if share >= 0.5 {
        "; most other rovers of the base lost fix with it"
    } else if share >= 0.1 {
        "; some other rovers of the base lost fix with it"
    } else {
        "; the other rovers of the base kept their fix"
    };
    words.to_owned()
}

fn overlap_ms(p: &FloatPeriod, c: &Complaint) -> f64 {
    match (parse_utc(&p.from), parse_utc(&p.to)) {
        (Some(from), Some(to)) => (to.min(c.to) - from.max(c.from)).max(0) as f64,
        _ => 0.0,
    }
}

fn duration(ms: f64) -> String {
    let minutes = ms / 60_000.0;
    if minutes < 1.0 {
        format!("{:.0} s", ms / 1000.0)
    } else if minutes < 120.0 {
        format!("{minutes:.0} min")
    } else {
        format!("{:.1} h", minutes / 60.0)
    }
}

/// A title for the middle of a sentence: its first letter small, unless the first word is written in capitals.
fn in_a_sentence(title: &str) -> String {
    let mut letters = title.chars();
    match letters.next() {
        Some(first) if letters.clone().next().is_some_and(char::is_lowercase) => {
            first.to_lowercase().chain(letters).collect()
        }
        _ => title.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::fleet;
    use crate::correlate::case::SiteCase;
    use crate::correlate::periods::{PeriodLimits, rover_time};

    const T0: i64 = 1_778_000_400_000;

    fn at(minute: i64) -> i64 {
        T0 + minute * 60_000
    }

    /// Two rovers of one site over two hours; `R1` is float in minutes 30 to 50, working hours end at minute 90.
    fn world() -> (Vec<SiteFindings>, Vec<Site1>) {
        let rover = |unit: &str, lost: std::ops::Range<i64>| {
            let times: Vec<i64> = (0..7200).map(|s| T0 + s * 1000).collect();
            let states: Vec<u32> =
                (0..7200).map(|s| u32::from(lost.contains(&(s / 60)) || (unit == "R1" && s / 60 >= 100))).collect();
            let time = rover_time(&times, &states, |t| t < at(90), &PeriodLimits::default());
            RoverCase { unit: unit.into(), times, states, time, ..RoverCase::default() }
        };
        let case = SiteCase {
            site: "a".into(),
            bases: vec!["BASE".into()],
            rovers: vec![rover("R1", 30..50), rover("R2", 0..0)],
            ..SiteCase::default()
        };
        let period = FloatPeriod {
            unit: "R1".into(),
            from: rfc3339(at(30)),
            to: rfc3339(at(50)),
            cause: "link-rover".into(),
            confidence: 0.9,
            others_lost: Some(0.0),
            ..FloatPeriod::default()
        };
        let findings = SiteFindings { site: "a".into(), float_periods: vec![period], ..SiteFindings::default() };
        (vec![findings], vec![Site1 { case, ..Site1::default() }])
    }

    fn ask(unit: &str, site: &str, from: i64, to: i64) -> ComplaintAnswer {
        let (findings, sites) = world();
        let (fleet, _) = fleet::parse("[[site]]\nid='b'\n[[unit]]\nid='R9'\nrole='rover'\nsite='b'\n").unwrap();
        let c = Complaint {
            id: "C".into(),
            unit: unit.into(),
            site: site.into(),
            from: at(from),
            to: at(to),
            text: String::new(),
        };
        let parts: Vec<Vec<Part>> = sites.iter().map(|s| parts(std::slice::from_ref(&c), s)).collect();
        answer(&[c], &findings, &sites, &parts, &fleet).remove(0)
    }

    #[test]
    fn by_unit_by_site_and_by_base() {
        let unit = ask("R1", "", 20, 60);
        assert_eq!((unit.cause.as_str(), unit.site.as_str()), ("link-rover", "a"));
        assert!((unit.lost_fix_hours - 20.0 / 60.0).abs() < 1e-9);
        assert!(unit.summary.contains("other rovers of the base kept their fix"), "{}", unit.summary);
        assert_eq!(ask("", "a", 20, 60).cause, "link-rover");
        assert_eq!(ask("BASE", "", 20, 60).cause, "link-rover");
        // Half of the period only, and both of two that overlap are answered alike.
        assert!((ask("R1", "", 40, 60).lost_fix_hours - 10.0 / 60.0).abs() < 1e-9);
    }

    #[test]
    fn no_cause_is_invented() {
        let other = ask("R2", "", 20, 60);
        assert_eq!((other.cause.as_str(), other.confidence), ("", 0.0));
        assert_eq!(other.summary, "the logs do not show lost fix in that time");
        let later = ask("R1", "", 300, 400);
        assert_eq!((later.cause.as_str(), later.summary.as_str()), ("", "no logs for that time"));
        let off = ask("R1", "", 100, 120);
        assert!(off.cause.is_empty() && off.summary.contains("20 min without a fix lie outside"), "{}", off.summary);
    }

    #[test]
    fn units_and_sites_that_nobody_knows() {
        assert!(ask("R9", "", 20, 60).summary.starts_with("no logs: no bundle of that unit"));
        assert!(ask("X", "", 20, 60).summary.starts_with("the unit is not known"));
        assert!(ask("", "b", 20, 60).summary.starts_with("no logs: no bundle of that site"));
        assert!(ask("", "x", 20, 60).summary.starts_with("the site is not known"));
    }

    #[test]
    fn logs_that_cover_little_say_so() {
        let c = ask("R1", "", 20, 600);
        assert!(c.summary.contains("the logs cover 17 % of that time"), "{}", c.summary);
    }
}
