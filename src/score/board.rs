//! The scoreboard and its text.

use crate::maths::stats::wilson;
use serde::ser::SerializeStruct;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt::Write;

/// Normal point of a 95 % interval.
const Z95: f64 = 1.959_964;

/// Right answers of all. Serialized with its share and Wilson 95 % interval (null of none).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
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

    /// Wilson 95 % interval; `None` of none.
    pub fn interval(&self) -> Option<(f64, f64)> {
        wilson(self.right, self.of, Z95).map(|i| (i.low, i.high))
    }

    /// `0.950 (0.91-0.97, 190 of 200)`, Wilson 95 % interval.
    pub fn words(&self) -> String {
        match (self.share(), self.interval()) {
            (Some(share), Some((low, high))) => {
                format!("{share:.3} ({low:.2}-{high:.2}, {} of {})", self.right, self.of)
            }
            _ => "none".to_owned(),
        }
    }
}

impl Serialize for Rate {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let mut row = s.serialize_struct("Rate", 5)?;
        row.serialize_field("right", &self.right)?;
        row.serialize_field("of", &self.of)?;
        row.serialize_field("share", &self.share())?;
        row.serialize_field("low", &self.interval().map(|i| i.0))?;
        row.serialize_field("high", &self.interval().map(|i| i.1))?;
        row.end()
    }
}

/// What the sites with one true first cause came to.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct CauseBoard {
    /// First named cause right, over sites where it is the truth's first.
    pub at_1: Rate,
    /// The same where either of two causes that did the same counts.
    pub at_1_either: Rate,
    /// The same where it is the only one.
    pub at_1_alone: Rate,
    /// Within the first three.
    pub at_3: Rate,
    /// Lost time that the truth puts on it, at all sites, ms.
    pub named_ms: i64,
    /// Of it on the right cause, ms.
    pub right_ms: i64,
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
    /// The same where either of two causes that did the same counts.
    pub at_1_either: Rate,
    /// The same over the sites with one cause (no second one of a tenth or more of the lost time).
    pub at_1_alone: Rate,
    /// The first named cause is one of the site's causes.
    pub one_of_them: Rate,
    /// Within the first three.
    pub at_3: Rate,
    /// Sum over the faulty sites of the part of their causes that is among the first three.
    pub part_in_3: f64,
    /// Two causes at a site, both within the first three.
    pub both_in_3: Rate,
    /// Healthy sites left alone.
    pub healthy: Rate,
    /// Complaints with the right cause.
    pub complaints: Rate,
    /// The same where either of two causes that did the same counts.
    pub complaints_either: Rate,
    /// Truth's lost time with a named cause, ms.
    pub named_ms: i64,
    /// Of it on the right cause, ms.
    pub named_right_ms: i64,
    /// The same where either of two causes that did the same counts, ms.
    pub named_either_ms: i64,
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
    /// By true cause.
    pub by_cause: BTreeMap<String, CauseBoard>,
    /// 95 % interval of the right time, from drawing the sites again.
    pub right_time_interval: Option<(f64, f64)>,
    /// 95 % interval of the calibration error, from drawing the sites again.
    pub calibration_interval: Option<(f64, f64)>,
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

/// Names of the figures that can be held to a floor.
pub const FLOORS: [&str; 7] = ["ac1", "ac3", "both", "healthy", "complaints", "time", "calibration"];

impl Board {
    /// A figure by its name in [`FLOORS`]: `None` when there was nothing to measure.
    pub fn figure(&self, name: &str) -> Option<f64> {
        match name {
            "ac1" => self.at_1.share(),
            "ac3" => self.at_3.share(),
            "both" => self.both_in_3.share(),
            "healthy" => self.healthy.share(),
            "complaints" => self.complaints.share(),
            "time" => self.right_time(),
            "calibration" => (!self.reliability.is_empty()).then_some(self.calibration_error),
            _ => None,
        }
    }

    /// Floors that are not met, in words. `calibration` is an error: it must not lie above. A figure that could not be
    /// measured misses its floor.
    pub fn below(&self, floors: &[(String, f64)]) -> Vec<String> {
        let missed = |(name, floor): &(String, f64)| match self.figure(name) {
            None => Some(format!("{name}: nothing to measure, floor {floor}")),
            Some(v) if name == "calibration" => (v > *floor).then(|| format!("{name} {v:.3} is above {floor}")),
            Some(v) => (v < *floor).then(|| format!("{name} {v:.3} is below {floor}")),
        };
        floors.iter().filter_map(missed).collect()
    }
}

/// The board for people.
pub fn text(board: &Board) -> String {
    let mut t = String::new();
    let share = |a: i64, b: i64| if b > 0 { format!("{:.3}", a as f64 / b as f64) } else { "none".to_owned() };
    let _ = writeln!(t, "first cause right (AC@1)       {}", board.at_1.words());
    let _ = writeln!(t, "  either of two equal ones     {}", board.at_1_either.words());
    let _ = writeln!(t, "  at sites with one cause      {}", board.at_1_alone.words());
    let _ = writeln!(t, "  one of the site's causes     {}", board.one_of_them.words());
    let _ = writeln!(t, "within the first three (AC@3)  {}", board.at_3.words());
    let part = board.part_in_3 / (board.at_3.of as f64).max(1.0);
    let _ = writeln!(t, "  part of the site's causes    {part:.3}");
    let _ = writeln!(t, "two causes, both in three      {}", board.both_in_3.words());
    let _ = writeln!(t, "healthy sites left alone       {}", board.healthy.words());
    let _ = writeln!(t, "complaints right               {}", board.complaints.words());
    let _ = writeln!(t, "  either of two equal ones     {}", board.complaints_either.words());
    let range = |i: Option<(f64, f64)>| i.map_or(String::new(), |(low, high)| format!(" ({low:.2}-{high:.2})"));
    let right = share(board.named_right_ms, board.named_ms);
    let _ = writeln!(t, "lost time on the right cause   {right}{}", range(board.right_time_interval));
    let _ = writeln!(t, "  either of two equal ones     {}", share(board.named_either_ms, board.named_ms));
    let _ = writeln!(t, "  of it seen as lost           {}", share(board.named_seen_ms, board.named_ms));
    let _ = writeln!(t, "unexplained time blamed        {}", share(board.unexplained_blamed_ms, board.unexplained_ms));
    let error = board.calibration_error;
    let _ = writeln!(t, "calibration error              {error:.3}{}", range(board.calibration_interval));
    let _ = writeln!(t, "\nconfidence   causes  mean   right");
    for b in &board.reliability {
        let _ =
            writeln!(t, "{:.1}-{:.1}      {:6}  {:.2}   {:.2}", b.from, b.to, b.count, b.mean_confidence, b.hit_rate);
    }
    let _ = writeln!(
        t,
        "\nby true first cause       AC@1                          either of two equal ones      with one cause                AC@3   right time"
    );
    for (cause, row) in &board.by_cause {
        let wrong: Vec<String> = board
            .confusion
            .iter()
            .filter(|((truth, said), _)| truth == cause && said != cause)
            .map(|((_, said), n)| format!("{said} {n}"))
            .collect();
        let wrong = if wrong.is_empty() { String::new() } else { format!("  taken for: {}", wrong.join(", ")) };
        let time = share(row.right_ms, row.named_ms);
        let [all, either, alone] = [row.at_1, row.at_1_either, row.at_1_alone].map(|r| r.words());
        let three = row.at_3.share().map_or("none".to_owned(), |s| format!("{s:.3}"));
        let _ = writeln!(t, "  {cause:23} {all:29} {either:29} {alone:29} {three:6} {time}{wrong}");
    }
    let _ = writeln!(
        t,
        "\nintervals: 95 %, of shares by Wilson 1927, of time and calibration by drawing the sites again 1000 times"
    );
    if !board.blamed_healthy.is_empty() {
        let _ = writeln!(t, "\nhealthy sites blamed: {}", board.blamed_healthy.join(", "));
    }
    t
}
