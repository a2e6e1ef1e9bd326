//! What only shows over the whole fleet: rovers that are bad at every site, parts that are over-represented among the bad,
//! and sites against the window before.

use super::sites::Site1;
use crate::config::card::UnitCard;
use crate::correlate::case::RoverCase;
use crate::maths::stats::{Table2x2, benjamini_hochberg, share_change};
use crate::model::findings::{BadRover, Findings, OverRepresented, SiteFindings, SiteTrend, Window};
use crate::model::ids::Role;
use crate::model::picture::Pictures;
use crate::model::time::HOUR_MS;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// Less observed time of a rover at a site says nothing about it there, h.
const LEAST_HOURS: f64 = 1.0;
/// A bad rover loses so many times what the others lose ...
const TIMES_WORSE: f64 = 2.0;
/// ... and at least so much, h.
const LEAST_LOST_HOURS: f64 = 0.25;
/// False discoveries allowed among the parts named.
const FALSE_DISCOVERY: f64 = 0.05;
/// A change of the lost share by less is no change, however sure it is.
const LEAST_CHANGE: f64 = 1.2;

fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR_MS as f64
}

/// Rovers that lose much more than the other rovers at every site where they were.
pub(super) fn bad_rovers(sites: &[Site1]) -> Vec<BadRover> {
    struct Stay<'a> {
        site: &'a str,
        observed: f64,
        lost: f64,
        expected: Option<f64>,
    }
    let mut stays: BTreeMap<&str, Vec<Stay<'_>>> = BTreeMap::new();
    for site in sites {
        let counted: Vec<&RoverCase> = site.case.rovers.iter().filter(|r| !r.never_corrected).collect();
        for rover in &counted {
            let own = (hours(rover.time.observed_ms), hours(rover.time.lost_ms));
            let others = counted.iter().filter(|r| r.unit != rover.unit);
            let (observed, lost) =
                others.fold((0.0, 0.0), |(o, l), r| (o + hours(r.time.observed_ms), l + hours(r.time.lost_ms)));
            // Without another rover beside it, it cannot be told from its site.
            let expected = (observed >= LEAST_HOURS).then(|| own.0 * lost / observed);
            stays.entry(&rover.unit).or_default().push(Stay {
                site: &site.case.site,
                observed: own.0,
                lost: own.1,
                expected,
            });
        }
    }
    let mut out = Vec::new();
    for (unit, stays) in stays {
        let told: Vec<&Stay<'_>> = stays.iter().filter(|s| s.observed >= LEAST_HOURS && s.expected.is_some()).collect();
        let places: BTreeSet<&str> = told.iter().map(|s| s.site).collect();
        let worse = |s: &&Stay<'_>| s.lost > TIMES_WORSE * s.expected.unwrap_or(f64::MAX) && s.lost >= LEAST_LOST_HOURS;
        if places.is_empty() || !told.iter().all(worse) {
            continue;
        }
        let observed: f64 = told.iter().map(|s| s.observed).sum();
        let lost: f64 = told.iter().map(|s| s.lost).sum();
        let expected: f64 = told.iter().filter_map(|s| s.expected).sum();
        let sites: Vec<String> = places.into_iter().map(str::to_owned).collect();
        let everywhere = if sites.len() > 1 {
            format!("at all {} sites where it was ({})", sites.len(), sites.join(", "))
        } else {
            format!("at {}; it was at one site only", sites.join(", "))
        };
        out.push(BadRover {
            unit: unit.to_owned(),
            observed_hours: observed,
            lost_fix_hours: lost,
            expected_hours: expected,
            summary: format!(
                "{unit} lost {lost:.1} of {observed:.1} h; with the loss of the other rovers beside it, it would have been \
                 {expected:.1} h, {everywhere}"
            ),
            sites,
        });
    }
    out.sort_by(|a, b| {
        (b.sites.len().cmp(&a.sites.len()))
            .then((b.lost_fix_hours - b.expected_hours).total_cmp(&(a.lost_fix_hours - a.expected_hours)))
            .then(a.unit.cmp(&b.unit))
    });
    out
}

/// Parts of bases and rovers that are more often among the bad units than chance gives: Fisher's exact test for each part,
/// corrected for how many were looked at.
pub(super) fn over_represented(
    sites: &[Site1],
    findings: &[SiteFindings],
    cards: &BTreeMap<String, UnitCard>,
    healthy_share: f64,
) -> Vec<OverRepresented> {
    let mut bad: BTreeMap<&str, (Role, bool)> = BTreeMap::new();
    for site in sites {
        for rover in site.case.rovers.iter().filter(|r| !r.never_corrected) {
            if hours(rover.time.observed_ms) >= LEAST_HOURS {
                let is_bad = rover.time.lost_ms as f64 > healthy_share * rover.time.observed_ms as f64;
                bad.entry(&rover.unit).or_insert((Role::Rover, false)).1 |= is_bad;
            }
        }
        let Some(found) = findings.iter().find(|f| f.site == site.case.site) else { continue };
        if found.verdict == "too-little-data" {
            continue;
        }
        let base_side: f64 = found.causes.iter().filter(|c| c.side == "base").map(|c| c.lost_fix_hours).sum();
        let is_bad = base_side > healthy_share * found.observed_hours;
        for base in &site.case.bases {
            bad.entry(base).or_insert((Role::Base, false)).1 |= is_bad;
        }
    }
    let mut out = Vec::new();
    for role in [Role::Base, Role::Rover] {
        let units: Vec<(&UnitCard, bool)> = bad
            .iter()
            .filter(|(_, (r, _))| *r == role)
            .filter_map(|(unit, (_, is_bad))| cards.get(*unit).map(|c| (c, *is_bad)))
            .collect();
        type Part = (&'static str, fn(&UnitCard) -> String);
        let parts: [Part; 4] = [
            ("receiver", |c| c.receiver.model.clone()),
            ("firmware", |c| match (c.receiver.model.as_str(), c.receiver.firmware.as_str()) {
                (_, "") => String::new(),
                ("", f) => f.to_owned(),
                (m, f) => format!("{m} {f}"),
            }),
            ("antenna", |c| c.antenna.model.clone()),
            ("cable", |c| c.cable.kind.clone()),
        ];
        for (part, value_of) in parts {
            let values: BTreeSet<String> = units.iter().map(|(c, _)| value_of(c)).filter(|v| !v.is_empty()).collect();
            // One value only: nothing to compare with.
            for value in values.iter().filter(|_| values.len() > 1) {
                let known = units.iter().filter(|(c, _)| !value_of(c).is_empty());
                let (mut a, mut b, mut c, mut d) = (0, 0, 0, 0);
                for (card, is_bad) in known {
                    match (value_of(card) == *value, is_bad) {
                        (true, true) => a += 1,
                        (true, false) => b += 1,
                        (false, true) => c += 1,
                        (false, false) => d += 1,
                    }
                }
                let p = Table2x2::from_counts(a, b, c, d).fisher().map_or(f64::NAN, |(one_sided, _)| one_sided);
                out.push(OverRepresented {
                    role: role.name().to_owned(),
                    part: part.to_owned(),
                    value: value.clone(),
                    bad_with: a,
                    with: a + b,
                    bad_without: c,
                    without: c + d,
                    p,
                    p_adjusted: f64::NAN,
                });
            }
        }
    }
    let adjusted = benjamini_hochberg(&out.iter().map(|o| o.p).collect::<Vec<f64>>());
    for (o, p) in out.iter_mut().zip(adjusted) {
        o.p_adjusted = p;
    }
    out.retain(|o| o.p_adjusted <= FALSE_DISCOVERY);
    out.sort_by(|a, b| a.p.total_cmp(&b.p).then((&a.part, &a.value).cmp(&(&b.part, &b.value))));
    out
}

/// What a later run needs of a site to say how it went.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SiteNumbers {
    /// Site.
    pub site: String,
    /// Verdict.
    pub verdict: String,
    /// Observed rover-hours.
    pub observed_hours: f64,
    /// Lost rover-hours.
    pub lost_fix_hours: f64,
    /// Lost and observed rover-hours of each day.
    #[serde(default)]
    pub days: Vec<(f64, f64)>,
    /// First cause.
    #[serde(default)]
    pub cause: String,
}

/// Numbers of one window.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct WindowNumbers {
    /// Which.
    pub window: Window,
    /// One a site.
    pub sites: Vec<SiteNumbers>,
}

impl WindowNumbers {
    /// Of findings and the pictures made with them.
    pub fn of(findings: &Findings, pictures: &Pictures) -> WindowNumbers {
        let days = |site: usize| {
            let days = pictures.sites.get(site).map(|p| p.days.as_slice()).unwrap_or_default();
            days.iter().map(|d| (hours(d.lost_ms), hours(d.observed_ms))).collect()
        };
        let sites = findings.sites.iter().enumerate().map(|(i, s)| SiteNumbers {
            site: s.site.clone(),
            verdict: s.verdict.clone(),
            observed_hours: s.observed_hours,
            lost_fix_hours: s.lost_fix_hours,
            days: days(i),
            cause: s.causes.first().map(|c| c.cause.clone()).unwrap_or_default(),
        });
        WindowNumbers { window: findings.window.clone(), sites: sites.collect() }
    }
}

/// Puts the comparison with the window before into the findings.
pub fn compare(findings: &mut Findings, pictures: &Pictures, before: &WindowNumbers) {
    let now = WindowNumbers::of(findings, pictures);
    let mut names: BTreeSet<&str> = now.sites.iter().map(|s| s.site.as_str()).collect();
    names.extend(before.sites.iter().map(|s| s.site.as_str()));
    let find = |list: &'_ [SiteNumbers], name: &str| list.iter().find(|s| s.site == name).cloned();
    let trend = names
        .into_iter()
        .map(|name| change(name, find(&before.sites, name).as_ref(), find(&now.sites, name).as_ref()))
        .collect();
    findings.fleet.before = Some(before.window.clone());
    findings.fleet.trend = trend;
}

fn change(site: &str, before: Option<&SiteNumbers>, now: Option<&SiteNumbers>) -> SiteTrend {
    let share =
        |s: Option<&SiteNumbers>| s.filter(|s| s.observed_hours > 0.0).map(|s| s.lost_fix_hours / s.observed_hours);
    let verdict = |s: Option<&SiteNumbers>| s.map_or("too-little-data", |s| s.verdict.as_str()).to_owned();
    let mut out =
        SiteTrend { site: site.to_owned(), share_before: share(before), share_now: share(now), ..SiteTrend::default() };
    let mut certain = 0;
    if let (Some(b), Some(n)) = (before, now)
        && let Some(change) = share_change(&b.days, &n.days, 0.95)
    {
        let range = change.interval;
        (out.change_low, out.change_high) = (Some(range.low), Some(range.high));
        certain = if range.low > 0.0 { 1 } else { -i32::from(range.high < 0.0) };
    }
    let (was, is) = (out.share_before.unwrap_or(0.0), out.share_now.unwrap_or(0.0));
    // What varies by itself is the day: a site is worse when its days are, by more than they differ among themselves.
    let worse = certain > 0 && is > was * LEAST_CHANGE;
    let better = certain < 0 && is * LEAST_CHANGE < was;
    out.change = match (verdict(before).as_str(), verdict(now).as_str()) {
        (_, "too-little-data") | ("too-little-data", "healthy") => "too-little-data",
        ("healthy" | "too-little-data", "lost-fix") => "new",
        ("lost-fix", "healthy") => "solved",
        _ if worse => "worse",
        _ if better => "better",
        _ => "same",
    }
    .to_owned();
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::correlate::case::SiteCase;
    use crate::correlate::periods::RoverTime;

    fn rover(unit: &str, observed_h: i64, lost_h: i64) -> RoverCase {
        let time = RoverTime { observed_ms: observed_h * HOUR_MS, lost_ms: lost_h * HOUR_MS, ..RoverTime::default() };
        RoverCase { unit: unit.into(), time, ..RoverCase::default() }
    }

    fn site(name: &str, rovers: Vec<RoverCase>) -> Site1 {
        Site1 { case: SiteCase { site: name.into(), rovers, ..SiteCase::default() }, ..Site1::default() }
    }

    #[test]
    fn the_machine_is_followed_over_sites() {
        let sites = [
            site("a", vec![rover("bad", 40, 10), rover("good", 40, 1), rover("once", 40, 12)]),
            site("b", vec![rover("bad", 20, 6), rover("other", 40, 1), rover("once", 40, 1)]),
        ];
        let bad = bad_rovers(&sites);
        assert_eq!(bad.iter().map(|b| b.unit.as_str()).collect::<Vec<_>>(), Vec::<&str>::new());
        // At "a" the others (good, once) lost 13 of 80: 40 h would have lost 6.5, 10 is not twice that.
        let sites = [
            site("a", vec![rover("bad", 40, 10), rover("good", 40, 1), rover("fine", 40, 2)]),
            site("b", vec![rover("bad", 20, 6), rover("other", 40, 1)]),
        ];
        let bad = bad_rovers(&sites);
        assert_eq!(bad.len(), 1);
        assert_eq!((bad[0].unit.as_str(), bad[0].sites.len()), ("bad", 2));
        assert!((bad[0].expected_hours - (40.0 * 3.0 / 80.0 + 20.0 / 40.0)).abs() < 1e-9);
    }

    #[test]
    fn a_firmware_among_the_bad_is_named_and_chance_is_not() {
        let (mut rovers, mut cards) = (Vec::new(), BTreeMap::new());
        for i in 0..40 {
            let unit = format!("R{i:02}");
            // Firmware 1.0: 10 of 10 bad; 2.0: 3 of 30. Antennas have nothing to do with it.
            let (old, is_bad) = (i < 10, i < 13);
            let mut card = UnitCard { id: unit.clone(), ..UnitCard::default() };
            card.receiver.model = "M".into();
            card.receiver.firmware = if old { "1.0" } else { "2.0" }.into();
            card.antenna.model = if i % 2 == 0 { "X" } else { "Y" }.into();
            cards.insert(unit.clone(), card);
            rovers.push(rover(&unit, 100, if is_bad { 20 } else { 1 }));
        }
        let found = over_represented(&[site("a", rovers)], &[], &cards, 0.02);
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!((found[0].value.as_str(), found[0].bad_with, found[0].bad_without), ("M 1.0", 10, 3));
        // Hypergeometric by hand: C(13,10)/C(40,10) = 286/847660528.
        assert!((found[0].p / (286.0 / 847_660_528.0) - 1.0).abs() < 1e-6, "{}", found[0].p);
    }

    #[test]
    fn sites_against_the_window_before() {
        let n = |verdict: &str, daily: [f64; 7]| SiteNumbers {
            site: "a".into(),
            verdict: verdict.into(),
            observed_hours: 70.0,
            lost_fix_hours: daily.iter().sum(),
            days: daily.map(|lost| (lost, 10.0)).to_vec(),
            cause: String::new(),
        };
        let (little, much) = ([0.1, 0.0, 0.1, 0.1, 0.0, 0.1, 0.1], [3.0, 2.5, 2.0, 3.5, 3.0, 2.5, 3.0]);
        let (some, more) = ([1.0, 0.8, 1.2, 1.0, 0.9, 1.1, 1.0], [1.1, 0.9, 1.2, 1.1, 1.0, 1.2, 1.1]);
        let of = |b: Option<SiteNumbers>, a: Option<SiteNumbers>| change("a", b.as_ref(), a.as_ref()).change;
        assert_eq!(of(Some(n("healthy", little)), Some(n("lost-fix", much))), "new");
        assert_eq!(of(Some(n("lost-fix", much)), Some(n("healthy", little))), "solved");
        assert_eq!(of(Some(n("lost-fix", some)), Some(n("lost-fix", much))), "worse");
        assert_eq!(of(Some(n("lost-fix", much)), Some(n("lost-fix", some))), "better");
        assert_eq!(of(Some(n("lost-fix", some)), Some(n("lost-fix", more))), "same");
        // One bad day is not a site that became worse, though it trebles the lost time and brought a hundred periods.
        let one_day = [1.0, 0.8, 1.2, 9.0, 0.9, 1.1, 1.0];
        assert_eq!(of(Some(n("lost-fix", some)), Some(n("lost-fix", one_day))), "same");
        // Two days are too few to know how days differ.
        let short = SiteNumbers { days: vec![(0.1, 10.0); 2], ..n("lost-fix", some) };
        assert_eq!(change("a", Some(&short), Some(&n("lost-fix", much))).change_low, None);
        assert_eq!(of(None, Some(n("lost-fix", some))), "new");
        assert_eq!(of(Some(n("lost-fix", some)), None), "too-little-data");
    }
}
