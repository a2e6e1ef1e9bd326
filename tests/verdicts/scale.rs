//! Time grows with the lost time and the events, not with their product (analysis.md: full size, memory and time bounded).

use lostfix::causes::rank::rank;
use lostfix::causes::verdict::CAUSES;
use lostfix::causes::weights::{SHIPPED, Weights};
use lostfix::correlate::case::{RoverCase, SiteCase};
use lostfix::correlate::evidence::EvidenceLimits;
use lostfix::correlate::gather::gather;
use lostfix::correlate::grid::Grid;
use lostfix::correlate::periods::{PeriodLimits, rover_time};
use lostfix::model::event::{Event, Origin};
use std::time::Instant;

#[test]
fn many_events_and_many_lost_periods_are_judged_in_seconds() {
    let event = |unit: &str, kind, k: i64| Event {
        unit: unit.to_owned(),
        kind,
        from: k * 20_000,
        to: k * 20_000 + 5_000,
        value: None,
        value_unit: "",
        strength: 0.8,
        detail: String::new(),
        origin: Origin::default(),
    };
    let rovers: Vec<RoverCase> = (0..10)
        .map(|r| {
            let times: Vec<i64> = (0..86_400).map(|s| s * 1000).collect();
            let states: Vec<u32> = (0..86_400_u32).map(|s| u32::from((s + r * 7) % 40 < 4)).collect();
            let time = rover_time(&times, &states, |_| true, &PeriodLimits::default());
            let unit = format!("R{r}");
            RoverCase {
                ages_s: vec![1.0; times.len()],
                lat: vec![47.0; times.len()],
                lon: vec![8.0; times.len()],
                events: (0..2_000).map(|k| event(&unit, "rover-few-satellites", k * 2)).collect(),
                unit,
                times,
                states,
                time,
                ..RoverCase::default()
            }
        })
        .collect();
    let grids: Vec<Grid> = rovers.iter().map(|r| Grid::of(r, 5.0)).collect();
    // Four days of a very bad base: most of them outside the rovers' day.
    let case = SiteCase {
        base_events: (0..20_000).map(|k| event("BASE", "observables-irregular", k)).collect(),
        rovers,
        ..SiteCase::default()
    };
    let weights = Weights::parse(SHIPPED, &CAUSES).unwrap();
    let limits = EvidenceLimits { age_fresh_s: 3.0, age_old_s: 5.0, long_baseline_km: 12.0 };
    let begin = Instant::now();
    let evidence = gather(&case, &grids, &[] as &[&Grid], &|id| weights.timing(id), &limits);
    let ranking = rank(&case, &evidence, &weights);
    let took = begin.elapsed();
    println!("{} segments, {} events in {took:?}", evidence.segments.len(), evidence.events.len());
    assert!(evidence.segments.len() > 20_000);
    assert!(!ranking.causes.is_empty());
    // Each segment against each event would be 20,000 times 20,000 looks: minutes even when built for speed.
    assert!(took.as_secs() < 120, "{took:?}");
}
