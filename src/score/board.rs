//! The scoreboard and its text.

use crate::maths::stats::wilson;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Right answers of all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Rate {
    /// Right ones.
    pub right: u64,
    /// All.
    pub of: u64,
}

impl Rate {
    /// Counts one answer.
    pub fn add(&mut self, right: bool) {
        self.of += 1;
        self.right += u64::from(right);
    }

    /// Share of right answers; `None` of none.
    pub fn share(&self) -> Option<f64> {
        (self.of > 0).then(|| self.right as f64 / self.of as f64)
    }

    /// `0.950 (0.91-0.97, 190 of 200)`, Wilson 95 % interval.
    pub fn words(&self) -> String {
        match (self.share(), wilson(self.right, self.of, 1.959_964)) {
            (Some(share), Some(i)) => {
                format!("{share:.3} ({:.2}-{:.2}, {} of {})", i.low, i.high, self.right, self.of)
            }
            _ => "none".to_owned(),
        }
    }
}

/// One bin of confidence.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reliability {
    /// Lower edge.
    pub from: f64,
    /// Upper edge.
    pub to: f64,
    /// Causes in the bin.
    pub count: u64,
    /// Their mean confidence.
    pub mean_confidence: f64,
    /// Their hit rate.
    pub hit_rate: f64,
}

/// The scoreboard.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Board {
    /// First named cause right.
    pub at_1: Rate,
    /// Within the first three.
    pub at_3: Rate,
    /// Two causes at a site, both within the first three.
    pub both_in_3: Rate,
    /// Healthy sites left alone.
    pub healthy: Rate,
    /// Complaints with the right cause.
    pub complaints: Rate,
    /// Truth's lost time with a named cause, ms.
    pub named_ms: i64,
    /// Of it on the right cause, ms.
    pub named_right_ms: i64,
    /// Of it seen as lost at all, ms.
    pub named_seen_ms: i64,
    /// Truth's unexplained lost time, ms.
    pub unexplained_ms: i64,
    /// Of it put on a named cause, ms.
    pub unexplained_blamed_ms: i64,
    /// Mean distance between confidence and hit rate.
    pub calibration_error: f64,
    /// By bin of confidence.
    pub reliability: Vec<Reliability>,
    /// AC@1 by true cause.
    pub by_cause: BTreeMap<String, Rate>,
    /// True cause and first named cause of the findings.
    #[serde(serialize_with = "confusion_rows")]
    pub confusion: BTreeMap<(String, String), u64>,
    /// Healthy sites that were blamed.
    pub blamed_healthy: Vec<String>,
}

fn confusion_rows<S: serde::Serializer>(map: &BTreeMap<(String, String), u64>, s: S) -> Result<S::Ok, S::Error> {
    s.collect_seq(map.iter().map(|((truth, said), n)| (truth, said, n)))
}

impl Board {
    /// Share of the truth's named lost time on the right cause.
    pub fn right_time(&self) -> Option<f64> {
        (self.named_ms > 0).then(|| self.named_right_ms as f64 / self.named_ms as f64)
    }
}

/// The board for people.
pub fn text(board: &Board) -> String {
    let mut t = String::new();
    let share = |a: i64, b: i64| if b > 0 { format!("{:.3}", a as f64 / b as f64) } else { "none".to_owned() };
    let _ = writeln!(t, "first cause right (AC@1)       {}", board.at_1.words());
    let _ = writeln!(t, "within the first three (AC@3)  {}", board.at_3.words());
    let _ = writeln!(t, "two causes, both in three      {}", board.both_in_3.words());
    let _ = writeln!(t, "healthy sites left alone       {}", board.healthy.words());
    let _ = writeln!(t, "complaints right               {}", board.complaints.words());
    let _ = writeln!(t, "lost time on the right cause   {}", share(board.named_right_ms, board.named_ms));
    let _ = writeln!(t, "  of it seen as lost           {}", share(board.named_seen_ms, board.named_ms));
    let _ = writeln!(t, "unexplained time blamed        {}", share(board.unexplained_blamed_ms, board.unexplained_ms));
    let _ = writeln!(t, "calibration error              {:.3}", board.calibration_error);
    let _ = writeln!(t, "\nconfidence   causes  mean   right");
    for b in &board.reliability {
        let _ =
            writeln!(t, "{:.1}-{:.1}      {:6}  {:.2}   {:.2}", b.from, b.to, b.count, b.mean_confidence, b.hit_rate);
    }
    let _ = writeln!(t, "\nby true cause");
    for (cause, rate) in &board.by_cause {
        let wrong: Vec<String> = board
            .confusion
            .iter()
            .filter(|((truth, said), _)| truth == cause && said != cause)
            .map(|((_, said), n)| format!("{said} {n}"))
            .collect();
        let wrong = if wrong.is_empty() { String::new() } else { format!("  taken for: {}", wrong.join(", ")) };
        let _ = writeln!(t, "  {cause:24} {}{wrong}", rate.words());
    }
    if !board.blamed_healthy.is_empty() {
        let _ = writeln!(t, "\nhealthy sites blamed: {}", board.blamed_healthy.join(", "));
    }
    t
}
