//! Manual texts, one file a cause: what it is, what speaks for and against it, what to check, with which cautions. The same
//! words stand on the pages, in the findings and in `lostfix explain`.

pub mod cautions;
mod explain;

mod base_antenna_power;
mod base_firmware;
mod base_interference;
mod base_messages;
mod base_moved;
mod base_multipath;
mod base_obstruction;
mod base_restart;
mod base_second_frequency;
mod base_weak_signal;
mod link_outage;
mod link_range;
mod link_rover;
mod link_station_clash;
mod long_baseline;
mod rover_firmware;
mod rover_interference;
mod rover_obstruction;
mod rover_restart;
mod rover_tracking;
mod sky_scintillation;
mod sky_storm;
mod unexplained;

pub use explain::explain_text;

use crate::model::about::About;

/// All causes of the contract, `unexplained` included, in alphabetical order of their ids.
pub const ALL: [&About; 23] = [
    &base_antenna_power::ABOUT,
    &base_firmware::ABOUT,
    &base_interference::ABOUT,
    &base_messages::ABOUT,
    &base_moved::ABOUT,
    &base_multipath::ABOUT,
    &base_obstruction::ABOUT,
    &base_restart::ABOUT,
    &base_second_frequency::ABOUT,
    &base_weak_signal::ABOUT,
    &link_outage::ABOUT,
    &link_range::ABOUT,
    &link_rover::ABOUT,
    &link_station_clash::ABOUT,
    &long_baseline::ABOUT,
    &rover_firmware::ABOUT,
    &rover_interference::ABOUT,
    &rover_obstruction::ABOUT,
    &rover_restart::ABOUT,
    &rover_tracking::ABOUT,
    &sky_scintillation::ABOUT,
    &sky_storm::ABOUT,
    &unexplained::ABOUT,
];

/// What every report says whatever it found: no grade work on a float, findings are probabilities, logs are personal data.
pub const GENERAL_CAUTIONS: [&str; 3] = [cautions::FLOAT, cautions::PROBABILITY, cautions::PRIVACY];

/// The manual text of a cause id; `None` when the contract has no such id.
pub fn about(id: &str) -> Option<&'static About> {
    ALL.into_iter().find(|a| a.id == id)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Copied from the table "Causes (ids are final)" of the contract `bundles.md`.
    const CONTRACT: &str = "base-second-frequency base
base-weak-signal base
base-antenna-power base
base-interference base
base-multipath base
base-obstruction base
base-moved base
base-restart base
base-messages base
base-firmware base
link-outage link
link-range link
link-rover link
link-station-clash link
sky-scintillation sky
sky-storm sky
long-baseline sky
rover-obstruction rover
rover-tracking rover
rover-interference rover
rover-restart rover
rover-firmware rover
unexplained unexplained";

    fn lists(a: &About) -> [(&'static str, &'static [&'static str]); 7] {
        [
            ("looks_like", a.looks_like),
            ("speaks_for", a.speaks_for),
            ("speaks_against", a.speaks_against),
            ("checks", a.checks),
            ("would_disprove", a.would_disprove),
            ("cautions", a.cautions),
            ("sources", a.sources),
        ]
    }

    #[test]
    fn every_id_of_the_contract_is_there_with_its_side() {
        let ours: BTreeSet<String> = ALL.iter().map(|a| format!("{} {}", a.id, a.side)).collect();
        let theirs: BTreeSet<String> = CONTRACT.lines().map(str::to_owned).collect();
        assert_eq!(ours, theirs);
        assert!(ALL.windows(2).all(|w| w[0].id < w[1].id), "alphabetical, no duplicates");
        assert!(about("base-moved").is_some_and(|a| a.side == "base"));
        assert!(about("base moved").is_none());
    }

    #[test]
    fn the_judge_and_the_manual_know_the_same_causes() {
        for (id, side) in crate::causes::verdict::CAUSES {
            assert_eq!(about(id).map(|a| a.side), Some(side), "{id}");
        }
    }

    #[test]
    fn no_field_is_empty_and_nothing_is_said_twice() {
        let mut titles = BTreeSet::new();
        for a in ALL {
            assert!(titles.insert(a.title), "title twice: {}", a.title);
            assert!(a.title.len() <= 60 && !a.title.ends_with('.'), "{}", a.id);
            let sentences = a.what.matches(". ").count() + 1;
            assert!((2..=4).contains(&sentences), "{}: {sentences} sentences", a.id);
            for (name, list) in lists(a) {
                assert!(!list.is_empty(), "{} {name}", a.id);
                let unique: BTreeSet<&str> = list.iter().copied().collect();
                assert_eq!(unique.len(), list.len(), "{} {name} says something twice", a.id);
                for text in list {
                    assert!(!text.trim().is_empty() && !text.contains("  "), "{} {name}: {text:?}", a.id);
                    assert!(text.ends_with(['.', '?']), "{} {name}: {text}", a.id);
                    assert!(!text.contains("http"), "{} {name}: pages have no links out", a.id);
                }
            }
        }
    }

    /// Check-values section 14, items 1, 4, 6 and 7: work of that kind carries its caution.
    #[test]
    fn dangerous_checks_carry_their_cautions() {
        for a in ALL {
            let words = a.checks.join(" ").to_lowercase();
            let has = |c: &str| a.cautions.contains(&c);
            if a.id.ends_with("interference") {
                assert!(has(cautions::JAMMER) && has(cautions::NO_TEST_SIGNAL), "{}", a.id);
            }
            if words.contains("voltage at the antenna") || words.contains("voltage at the port") {
                assert!(has(cautions::PORT), "{}", a.id);
            }
            if words.contains("raise the antenna") || words.contains("radio antenna higher") {
                assert!(has(cautions::HEIGHT), "{}", a.id);
            }
            if words.contains("transmit power") {
                assert!(has(cautions::LICENCE) && has(cautions::RADIO), "{}", a.id);
            }
            if words.contains("coordinates") {
                assert!(has(cautions::COORDINATES), "{}", a.id);
            }
        }
    }
}
