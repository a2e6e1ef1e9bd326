//! Findings against a known truth. Reads nothing and decides nothing about causes: it only counts.
//!
//! Definitions (also printed with the board):
//! - a truth site counts as faulty when it is not `healthy` and names a cause other than `unexplained`;
//! - AC@k: the truth's first named cause is among the first k named causes of the findings (`unexplained` is no guess and
//!   takes no place);
//! - right time: of the truth's lost time with a named cause, the part that the findings' float periods of the same rover
//!   put on the same cause;
//! - healthy left alone: the truth is healthy and the findings' verdict is not `lost-fix`;
//! - calibration: named causes with 0.05 h and more, right when the truth names them at that site, in ten bins of
//!   confidence; the error is the mean distance between confidence and hit rate, weighted by the number in the bin.

mod board;
mod truth;

pub use board::{Board, Rate, Reliability, text};
pub use truth::{Truth, TruthCause, TruthPeriod, TruthSite};

use crate::model::findings::{Findings, SiteFindings};
use crate::model::time::{UtcMs, parse_utc};
use std::collections::BTreeMap;

const UNEXPLAINED: &str = "unexplained";

/// Scores pairs of truth and findings together.
pub fn score(pairs: &[(Truth, Findings)]) -> Board {
    let mut board = Board::default();
    let mut calibration: Vec<(f64, bool)> = Vec::new();
    for (truth, findings) in pairs {
        for site in &truth.sites {
            let found = findings.sites.iter().find(|s| s.site == site.site);
            score_site(site, found, &mut board, &mut calibration);
        }
        for answer in &truth.complaints {
            let Some(found) = findings.complaints.iter().find(|c| c.id == answer.id) else { continue };
            let said = if found.cause.is_empty() { UNEXPLAINED } else { found.cause.as_str() };
            board.complaints.add(said == answer.cause);
        }
    }
    board.reliability = bins(&calibration);
    let n: u64 = board.reliability.iter().map(|b| b.count).sum();
    board.calibration_error =
        board.reliability.iter().map(|b| (b.mean_confidence - b.hit_rate).abs() * b.count as f64).sum::<f64>()
            / (n as f64).max(1.0);
    board
}

fn score_site(truth: &TruthSite, found: Option<&SiteFindings>, board: &mut Board, calibration: &mut Vec<(f64, bool)>) {
    let named: Vec<&TruthCause> = truth.causes.iter().filter(|c| c.cause != UNEXPLAINED).collect();
    let ranked: Vec<&str> = found
        .map(|f| f.causes.iter().map(|c| c.cause.as_str()).filter(|c| *c != UNEXPLAINED).collect())
        .unwrap_or_default();
    if truth.healthy {
        let alone = found.is_none_or(|f| f.verdict != "lost-fix");
        board.healthy.add(alone);
        if !alone {
            board.blamed_healthy.push(truth.site.clone());
        }
    } else if let Some(first) = named.first() {
        let at_1 = ranked.first() == Some(&first.cause.as_str());
        let at_3 = ranked.iter().take(3).any(|c| *c == first.cause);
        board.at_1.add(at_1);
        board.at_3.add(at_3);
        board.by_cause.entry(first.cause.clone()).or_default().add(at_1);
        let said = ranked.first().copied().unwrap_or(UNEXPLAINED).to_owned();
        *board.confusion.entry((first.cause.clone(), said)).or_default() += 1;
        let total: f64 = named.iter().map(|c| c.lost_fix_hours).sum();
        let big: Vec<&&TruthCause> = named.iter().filter(|c| c.lost_fix_hours >= 0.1 * total).collect();
        if big.len() >= 2 {
            board.both_in_3.add(big.iter().take(2).all(|c| ranked.iter().take(3).any(|r| *r == c.cause)));
        }
    }
    if let Some(found) = found {
        for cause in found.causes.iter().filter(|c| c.cause != UNEXPLAINED && c.lost_fix_hours >= 0.05) {
            calibration.push((cause.confidence, named.iter().any(|t| t.cause == cause.cause)));
        }
    }
    time_on_cause(truth, found, board);
}

type Spans<'a> = BTreeMap<&'a str, Vec<(UtcMs, UtcMs, &'a str)>>;

fn time_on_cause(truth: &TruthSite, found: Option<&SiteFindings>, board: &mut Board) {
    let mut said: Spans<'_> = BTreeMap::new();
    for p in found.iter().flat_map(|f| &f.float_periods) {
        if let (Some(from), Some(to)) = (parse_utc(&p.from), parse_utc(&p.to)) {
            said.entry(p.unit.as_str()).or_default().push((from, to, p.cause.as_str()));
        }
    }
    for p in &truth.float_periods {
        let (Some(from), Some(to)) = (parse_utc(&p.from), parse_utc(&p.to)) else { continue };
        let mut right = 0;
        let mut covered = 0;
        let mut wrong_name = 0;
        for (a, b, cause) in said.get(p.unit.as_str()).into_iter().flatten() {
            let overlap = (to.min(*b) - from.max(*a)).max(0);
            covered += overlap;
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
            board.named_ms += to - from;
            board.named_right_ms += right;
            board.named_seen_ms += covered.min(to - from);
        }
    }
}

fn bins(calibration: &[(f64, bool)]) -> Vec<Reliability> {
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
    use crate::model::findings::{Cause, FloatPeriod};

    fn truth_site(site: &str, causes: &[(&str, f64)], healthy: bool) -> TruthSite {
        TruthSite {
            site: site.to_owned(),
            healthy,
            causes: causes.iter().map(|(c, h)| TruthCause { cause: (*c).to_owned(), lost_fix_hours: *h }).collect(),
            float_periods: Vec::new(),
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
        assert_eq!((board.at_3.right, board.at_3.of), (2, 3));
        assert_eq!((board.healthy.right, board.healthy.of), (0, 1));
        assert_eq!(board.confusion.get(&("base-moved".to_owned(), "unexplained".to_owned())), Some(&1));
    }

    #[test]
    fn time_counts_only_on_the_same_rover_and_cause() {
        let period = |unit: &str, cause: &str| TruthPeriod {
            unit: unit.to_owned(),
            from: "2026-05-04T06:00:00Z".to_owned(),
            to: "2026-05-04T06:10:00Z".to_owned(),
            cause: cause.to_owned(),
        };
        let mut site = truth_site("a", &[("base-restart", 0.3)], false);
        site.float_periods =
            vec![period("R1", "base-restart"), period("R2", "base-restart"), period("R3", "unexplained")];
        let said = |unit: &str, to: &str, cause: &str| FloatPeriod {
            unit: unit.to_owned(),
            from: "2026-05-04T06:00:00Z".to_owned(),
            to: to.to_owned(),
            cause: cause.to_owned(),
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
