//! Findings against a known truth. Reads nothing and decides nothing about causes: it only counts.
//!
//! Definitions (also printed with the board):
//! - a truth site counts as faulty when it is not `healthy` and names a cause other than `unexplained`;
//! - AC@k: the truth's first named cause is among the first k named causes of the findings (`unexplained` is no guess and
//!   takes no place);
//! - one of the site's causes, part of the site's causes: AC@1 and AC@3 as published rankers of root causes are measured (Kim, Sumbaly and
//!   Shah 2013, "Root cause detection in a service-oriented architecture", PR@K): the causes among the first k over the lesser of k and
//!   their number, where a cause counts from a tenth of the site's named lost time on;
//! - both in three: at a site where the second cause has a tenth of the named lost time or more, both of the two greatest
//!   are among the first three;
//! - right time: of the truth's lost time with a named cause, the part that the findings' float periods of the same rover
//!   put on the same cause; a second claimed for several causes counts in parts;
//! - healthy left alone: the truth is healthy and the findings hold the site with another verdict than `lost-fix`;
//! - either of two equal ones: where the truth says that another cause was needed for the same loss too, or would have been enough
//!   (`or`), naming that one counts as well; no logs can tell the two apart;
//! - a site or complaint that the findings do not hold is a wrong answer;
//! - calibration: named causes with 0.05 h and more, right when the truth names them at that site, in ten bins of
//!   confidence; the error is the mean distance between confidence and hit rate, weighted by the number in the bin.

mod board;
mod truth;

pub use board::{Board, CauseBoard, FLOORS, Rate, Reliability, text};
pub use truth::{Truth, TruthCause, TruthComplaint, TruthPeriod, TruthSite};

use crate::model::findings::{Findings, SiteFindings};
use crate::model::time::{UtcMs, parse_utc};
use std::collections::BTreeMap;

const UNEXPLAINED: &str = "unexplained";

/// Scores pairs of truth and findings together.
pub fn score(pairs: &[(Truth, Findings)]) -> Board {
    let mut board = Board::default();
    let mut drawn: Vec<Drawn> = Vec::new();
    for (truth, findings) in pairs {
        for site in &truth.sites {
            let found = findings.sites.iter().find(|s| s.site == site.site);
            drawn.push(score_site(site, found, &mut board));
        }
        for answer in &truth.complaints {
            let said = findings.complaints.iter().find(|c| c.id == answer.id).map(|c| c.cause.as_str());
            let said = said.map(|s| if s.is_empty() { UNEXPLAINED } else { s });
            let right = said == Some(answer.cause.as_str());
            board.complaints.add(right);
            board.complaints_either.add(right || said.is_some_and(|said| among(&answer.or, said)));
        }
    }
    let all: Vec<&Drawn> = drawn.iter().collect();
    board.reliability = bins(&all);
    board.calibration_error = error(&board.reliability);
    (board.right_time_interval, board.calibration_interval) = intervals(&drawn);
    board
}

/// Whether what was said is one of the causes that did the same as the one that the truth names.
fn among(or: &[String], said: &str) -> bool {
    or.iter().any(|c| c == said)
}

/// What one site gives to the figures that are no simple shares.
#[derive(Debug, Clone, Default)]
struct Drawn {
    named_ms: i64,
    right_ms: i64,
    calibration: Vec<(f64, bool)>,
}

/// Mean distance between confidence and hit rate, weighted by the number in the bin.
fn error(bins: &[Reliability]) -> f64 {
    let n: u64 = bins.iter().map(|b| b.count).sum();
    bins.iter().map(|b| (b.mean_confidence - b.hit_rate).abs() * b.count as f64).sum::<f64>() / (n as f64).max(1.0)
}

type Range = Option<(f64, f64)>;

/// Percentile bootstrap over sites (Efron 1979, Ann. Stat. 7:1-26), 1000 draws, always the same ones: intervals of the right
/// time and of the calibration error. `None` below two sites.
fn intervals(drawn: &[Drawn]) -> (Range, Range) {
    if drawn.len() < 2 {
        return (None, None);
    }
    let mut state = 0x5EED_u64;
    let mut next = || {
        // Linear congruential generator of Knuth (MMIX); the high bits are the good ones.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize
    };
    let (mut times, mut errors) = (Vec::with_capacity(1000), Vec::with_capacity(1000));
    for _ in 0..1000 {
        let again: Vec<&Drawn> = (0..drawn.len()).filter_map(|_| drawn.get(next() % drawn.len())).collect();
        let named: i64 = again.iter().map(|d| d.named_ms).sum();
        let right: i64 = again.iter().map(|d| d.right_ms).sum();
        if named > 0 {
            times.push(right as f64 / named as f64);
        }
        let bins = bins(&again);
        if !bins.is_empty() {
            errors.push(error(&bins));
        }
    }
    let range = |mut v: Vec<f64>| {
        v.sort_by(f64::total_cmp);
        let at = |share: f64| v.get((share * v.len() as f64) as usize).copied();
        at(0.025).zip(at(0.975))
    };
    (range(times), range(errors))
}

fn score_site(truth: &TruthSite, found: Option<&SiteFindings>, board: &mut Board) -> Drawn {
    let named: Vec<&TruthCause> = truth.causes.iter().filter(|c| c.cause != UNEXPLAINED).collect();
    let ranked: Vec<&str> = found
        .map(|f| f.causes.iter().map(|c| c.cause.as_str()).filter(|c| *c != UNEXPLAINED).collect())
        .unwrap_or_default();
    if truth.healthy {
        let alone = found.is_some_and(|f| f.verdict != "lost-fix");
        board.healthy.add(alone);
        if !alone {
            board.blamed_healthy.push(truth.site.clone());
        }
    } else if let Some(first) = named.first() {
        let at_1 = ranked.first() == Some(&first.cause.as_str());
        let at_3 = ranked.iter().take(3).any(|c| *c == first.cause);
        board.at_1.add(at_1);
        let either = at_1 || ranked.first().is_some_and(|said| among(&truth.or, said));
        board.at_1_either.add(either);
        board.at_3.add(at_3);
        let row = board.by_cause.entry(first.cause.clone()).or_default();
        row.at_1.add(at_1);
        row.at_1_either.add(either);
        row.at_3.add(at_3);
        let said = ranked.first().copied().unwrap_or(UNEXPLAINED).to_owned();
        *board.confusion.entry((first.cause.clone(), said)).or_default() += 1;
        let total: f64 = named.iter().map(|c| c.lost_fix_hours).sum();
        let big: Vec<&&TruthCause> = named.iter().filter(|c| c.lost_fix_hours >= 0.1 * total).collect();
        let is_big = |said: &&&str| big.iter().any(|c| c.cause == **said);
        board.one_of_them.add(ranked.iter().take(1).any(|said| is_big(&said)));
        let found = ranked.iter().take(3).filter(is_big).count();
        board.part_in_3 += found as f64 / big.len().clamp(1, 3) as f64;
        if big.len() < 2 {
            board.at_1_alone.add(at_1);
            row.at_1_alone.add(at_1);
        } else {
            board.both_in_3.add(big.iter().take(2).all(|c| ranked.iter().take(3).any(|r| *r == c.cause)));
        }
    }
    let mut drawn = Drawn::default();
    if let Some(found) = found {
        for cause in found.causes.iter().filter(|c| c.cause != UNEXPLAINED && c.lost_fix_hours >= 0.05) {
            drawn.calibration.push((cause.confidence, named.iter().any(|t| t.cause == cause.cause)));
        }
    }
    time_on_cause(truth, found, board, &mut drawn);
    drawn
}

type Spans<'a> = BTreeMap<&'a str, Vec<(UtcMs, UtcMs, &'a str)>>;

fn time_on_cause(truth: &TruthSite, found: Option<&SiteFindings>, board: &mut Board, drawn: &mut Drawn) {
    let mut said: Spans<'_> = BTreeMap::new();
    for p in found.iter().flat_map(|f| &f.float_periods) {
        if let (Some(from), Some(to)) = (parse_utc(&p.from), parse_utc(&p.to)) {
            said.entry(p.unit.as_str()).or_default().push((from, to, p.cause.as_str()));
        }
    }
    for p in &truth.float_periods {
        let (Some(from), Some(to)) = (parse_utc(&p.from), parse_utc(&p.to)) else { continue };
        let (mut right, mut either) = (0, 0);
        let mut covered = 0;
        let mut wrong_name = 0;
        for (a, b, cause) in said.get(p.unit.as_str()).into_iter().flatten() {
            let overlap = (to.min(*b) - from.max(*a)).max(0);
            covered += overlap;
            if among(&p.or, cause) {
                either += overlap;
            }
            if *cause == p.cause {
                right += overlap;
            } else if *cause != UNEXPLAINED {
                wrong_name += overlap;
            }
        }
        if p.cause == UNEXPLAINED {
            board.unexplained_ms += to - from;
            board.unexplained_blamed_ms += wrong_name;
        } else {
            // Periods that overlap claim a second for several causes: it counts in parts.
            let part = |ms: i64| if covered > to - from { ms * (to - from) / covered } else { ms };
            let (right, either) = (part(right), part(right + either));
            board.named_ms += to - from;
            board.named_right_ms += right;
            board.named_either_ms += either;
            drawn.named_ms += to - from;
            drawn.right_ms += right;
            let row = board.by_cause.entry(p.cause.clone()).or_default();
            row.named_ms += to - from;
            row.right_ms += right;
            board.named_seen_ms += covered.min(to - from);
        }
    }
}

fn bins(sites: &[&Drawn]) -> Vec<Reliability> {
    let calibration: Vec<(f64, bool)> = sites.iter().flat_map(|d| d.calibration.iter().copied()).collect();
    (0..10)
        .filter_map(|i| {
            let (low, high) = (f64::from(i) / 10.0, f64::from(i + 1) / 10.0);
            let inside: Vec<&(f64, bool)> =
                calibration.iter().filter(|(c, _)| *c >= low && (*c < high || (i == 9 && *c <= 1.0))).collect();
            let n = inside.len();
            (n > 0).then(|| Reliability {
                from: low,
                to: high,
                count: n as u64,
                mean_confidence: inside.iter().map(|(c, _)| c).sum::<f64>() / n as f64,
                hit_rate: inside.iter().filter(|(_, r)| *r).count() as f64 / n as f64,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::findings::{Cause, ComplaintAnswer, FloatPeriod};

    fn truth_site(site: &str, causes: &[(&str, f64)], healthy: bool) -> TruthSite {
        TruthSite {
            site: site.to_owned(),
            healthy,
            causes: causes.iter().map(|(c, h)| TruthCause { cause: (*c).to_owned(), lost_fix_hours: *h }).collect(),
            ..TruthSite::default()
        }
    }

    fn found(site: &str, causes: &[(&str, f64)], verdict: &str) -> SiteFindings {
        SiteFindings {
            site: site.to_owned(),
            verdict: verdict.to_owned(),
            causes: causes
                .iter()
                .map(|(c, p)| Cause { cause: (*c).to_owned(), confidence: *p, lost_fix_hours: 1.0, ..Cause::default() })
                .collect(),
            ..SiteFindings::default()
        }
    }

    #[test]
    fn a_wrong_first_guess_and_a_missing_site_both_count_against_us() {
        let truth = Truth {
            sites: vec![
                truth_site("a", &[("base-restart", 3.0)], false),
                truth_site("b", &[("link-range", 3.0)], false),
                truth_site("c", &[("base-moved", 1.0)], false),
                truth_site("d", &[], true),
            ],
            ..Truth::default()
        };
        let findings = Findings {
            sites: vec![
                found("a", &[("unexplained", 1.0), ("base-restart", 0.9)], "lost-fix"),
                found("b", &[("link-rover", 0.8), ("link-range", 0.3)], "lost-fix"),
                found("d", &[("base-restart", 0.7)], "lost-fix"),
            ],
            ..Findings::default()
        };
        let board = score(&[(truth, findings)]);
        assert_eq!((board.at_1.right, board.at_1.of), (1, 3));
        assert_eq!(board.at_1_alone, board.at_1);
        assert_eq!((board.at_3.right, board.at_3.of), (2, 3));
        assert_eq!((board.one_of_them, board.part_in_3), (board.at_1, 2.0));
        assert_eq!((board.healthy.right, board.healthy.of), (0, 1));
        let row = board.by_cause.get("link-range").copied().unwrap_or_default();
        assert_eq!((row.at_1.right, row.at_1.of, row.at_3.right), (0, 1, 1));
        assert_eq!(board.confusion.get(&("base-moved".to_owned(), "unexplained".to_owned())), Some(&1));
    }

    // Newcombe 1998, Stat. Med. 17:857-872, Table I, method 3 (Wilson), 81 of 263: 0.2553 to 0.3662.
    #[test]
    fn published_interval_reaches_the_board() {
        let rate = Rate { right: 81, of: 263 };
        assert_eq!(rate.words(), "0.308 (0.26-0.37, 81 of 263)");
        let json = serde_json::to_value(rate).unwrap();
        assert!((json["low"].as_f64().unwrap() - 0.2553).abs() < 5e-5);
        assert!((json["high"].as_f64().unwrap() - 0.3662).abs() < 5e-5);
        assert!(serde_json::to_value(Rate::default()).unwrap()["share"].is_null());
    }

    #[test]
    fn floors_are_held_and_what_is_missing_is_wrong() {
        let site = |name: &str, healthy: bool| {
            truth_site(name, if healthy { &[] } else { &[("base-restart", 1.0), ("link-range", 0.5)] }, healthy)
        };
        let mut truth = Truth { sites: vec![site("a", false), site("b", true), site("c", true)], ..Truth::default() };
        truth.complaints.push(truth::TruthComplaint { id: "C-1".into(), cause: "base-restart".into(), or: Vec::new() });
        let findings = Findings {
            sites: vec![
                found("a", &[("base-restart", 0.9), ("base-moved", 0.2), ("link-range", 0.3)], "lost-fix"),
                found("b", &[], "healthy"),
            ],
            ..Findings::default()
        };
        let board = score(&[(truth, findings)]);
        assert_eq!((board.both_in_3.right, board.both_in_3.of), (1, 1));
        assert_eq!((board.one_of_them.right, board.part_in_3), (1, 1.0));
        assert_eq!((board.at_1.of, board.at_1_alone.of), (1, 0));
        // Site c and the complaint are not in the findings.
        assert_eq!((board.healthy.right, board.healthy.of), (1, 2));
        assert_eq!((board.complaints.right, board.complaints.of), (0, 1));
        let floor = |name: &str, v: f64| board.below(&[(name.to_owned(), v)]).len();
        assert_eq!((floor("ac1", 1.0), floor("healthy", 0.5), floor("healthy", 0.6)), (0, 0, 1));
        // No lost periods in this truth: nothing to measure is not good enough.
        assert_eq!(floor("time", 0.0), 1);
        // Three causes: 0.9 and 0.3 right, 0.2 wrong: (0.1 + 0.7 + 0.2) / 3.
        assert!((board.calibration_error - 1.0 / 3.0).abs() < 1e-9);
        assert_eq!((floor("calibration", 0.34), floor("calibration", 0.33)), (0, 1));
    }

    // By the formula of Kim et al. 2013, by hand: three causes of 4, 2 and 0.3 h, the last under a tenth; the first of the findings is
    // the truth's second, its first is not named: AC@1 1 of 1, AC@3 1 of min(3, 2).
    #[test]
    fn any_of_a_sites_causes_counts_as_published() {
        let causes = [("base-moved", 4.0), ("link-range", 2.0), ("sky-storm", 0.3)];
        let truth = Truth { sites: vec![truth_site("a", &causes, false)], ..Truth::default() };
        let said = [("link-range", 0.9), ("sky-storm", 0.5), ("rover-restart", 0.4), ("base-moved", 0.1)];
        let board = score(&[(truth, Findings { sites: vec![found("a", &said, "lost-fix")], ..Findings::default() })]);
        assert_eq!((board.one_of_them.right, board.one_of_them.of), (1, 1));
        assert_eq!((board.at_1.right, board.at_3.right, board.part_in_3), (0, 0, 0.5));
    }

    #[test]
    fn a_second_claimed_for_two_causes_counts_by_halves() {
        let period = |cause: &str| FloatPeriod {
            unit: "R1".into(),
            from: "2026-05-04T06:00:00Z".to_owned(),
            to: "2026-05-04T06:10:00Z".to_owned(),
            cause: cause.into(),
            ..FloatPeriod::default()
        };
        let mut site = truth_site("a", &[("base-restart", 0.3)], false);
        let p = period("base-restart");
        site.float_periods = vec![TruthPeriod {
            unit: p.unit.to_string(),
            from: p.from,
            to: p.to,
            cause: p.cause.to_string(),
            or: Vec::new(),
        }];
        let mut f = found("a", &[("base-restart", 0.9)], "lost-fix");
        f.float_periods = vec![period("base-restart"), period("link-range")];
        let findings = Findings { sites: vec![f], ..Findings::default() };
        let mut truth = Truth { sites: vec![site], ..Truth::default() };
        let board = score(&[(truth.clone(), findings.clone())]);
        assert_eq!((board.named_ms, board.named_right_ms, board.named_either_ms), (600_000, 300_000, 300_000));
        // Both would have taken the fix: no half is wrong.
        truth.sites[0].float_periods[0].or.push("link-range".to_owned());
        let board = score(&[(truth, findings)]);
        assert_eq!((board.named_right_ms, board.named_either_ms), (300_000, 600_000));
    }

    #[test]
    fn where_two_causes_did_the_same_either_counts() {
        let mut truth = Truth {
            sites: vec![truth_site("a", &[("base-restart", 3.0), ("link-range", 2.9)], false)],
            ..Truth::default()
        };
        truth.sites[0].or.push("link-range".to_owned());
        let or = vec!["link-range".to_owned()];
        truth.complaints.push(TruthComplaint { id: "C-1".into(), cause: "base-restart".into(), or });
        let told = |cause: &str| {
            let complaints =
                vec![ComplaintAnswer { id: "C-1".into(), cause: cause.to_owned(), ..ComplaintAnswer::default() }];
            let findings =
                Findings { sites: vec![found("a", &[(cause, 0.9)], "lost-fix")], complaints, ..Findings::default() };
            let board = score(&[(truth.clone(), findings)]);
            [board.at_1, board.at_1_either, board.complaints, board.complaints_either].map(|r| r.right)
        };
        assert_eq!(told("base-restart"), [1, 1, 1, 1]);
        assert_eq!(told("link-range"), [0, 1, 0, 1]);
        assert_eq!(told("base-moved"), [0, 0, 0, 0]);
    }

    #[test]
    fn time_counts_only_on_the_same_rover_and_cause() {
        let period = |unit: &str, cause: &str| TruthPeriod {
            unit: unit.to_owned(),
            from: "2026-05-04T06:00:00Z".to_owned(),
            to: "2026-05-04T06:10:00Z".to_owned(),
            cause: cause.to_owned(),
            or: Vec::new(),
        };
        let mut site = truth_site("a", &[("base-restart", 0.3)], false);
        site.float_periods =
            vec![period("R1", "base-restart"), period("R2", "base-restart"), period("R3", "unexplained")];
        let said = |unit: &str, to: &str, cause: &str| FloatPeriod {
            unit: unit.into(),
            from: "2026-05-04T06:00:00Z".to_owned(),
            to: to.to_owned(),
            cause: cause.into(),
            ..FloatPeriod::default()
        };
        let mut f = found("a", &[("base-restart", 0.9)], "lost-fix");
        f.float_periods = vec![
            said("R1", "2026-05-04T06:05:00Z", "base-restart"),
            said("R2", "2026-05-04T06:10:00Z", "link-outage"),
            said("R3", "2026-05-04T06:10:00Z", "base-restart"),
        ];
        let board = score(&[(
            Truth { sites: vec![site], ..Truth::default() },
            Findings { sites: vec![f], ..Findings::default() },
        )]);
        assert_eq!((board.named_ms, board.named_right_ms, board.named_seen_ms), (1_200_000, 300_000, 900_000));
        assert_eq!((board.unexplained_ms, board.unexplained_blamed_ms), (600_000, 600_000));
    }
}
