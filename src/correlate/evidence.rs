//! Evidence for each stretch of lost time: which events overlap it, who else was lost, how old the corrections were, where
//! the rover stood. Strengths from 0 to 1; what it means for a cause is not known here.

use super::anyway::{LostAnyway, WithFresh, spare_age};
use super::apart::Apart;
use super::association::{Association, associations};
use super::beside::{Strong, beside_others, strong_windows};
use super::case::{RoverCase, SiteCase};
use super::conditions;
use super::context::{Company, OnRover, alone_min};
use super::distance::{distances_km, far_evidence, mean_km, range_evidence, spoils_baseline};
use super::grid::{Grid, Others, Within, in_turn, merge_spans, others};
use super::leads::Leads;
use super::onsets::Onsets;
use super::periods::EpochKind;
use super::place::{PlaceBound, place_bound};
use super::rivals::{Rates, outdone};
use super::sky_signs::{both_down, both_down_matters, fading};
use super::stopped_with::StoppedWith;
use super::symptoms::{Without, symptom};
use super::timeline::{Timeline, event_feature};
use crate::maths::sun::sun_elevation_deg;
use crate::model::event::Event;
use crate::model::ids::FixState;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// Association by event kind.
pub(super) type ByKind = BTreeMap<&'static str, Association>;

/// How an event kind works in time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Timing {
    /// How long it goes on to work after its end, ms (a rover needs time to get its fix back).
    pub after_ms: i64,
    /// How exactly its times are known, ms.
    pub resolution_ms: i64,
    /// It takes the fix by itself: its association with loss need not be shown.
    pub direct: bool,
    /// It can stop the corrections: loss with old corrections may be its work.
    pub stops: bool,
    /// How far it convinces although too little loss met it to rule out chance, 0 to 1.
    pub alone: f64,
    /// Number of its group: evidence of one group comes from one observation. `None`: of none.
    pub group: Option<u16>,
}

/// One piece of evidence on a segment.
#[derive(Debug, Clone, PartialEq)]
pub struct Feature {
    /// `base:restart`, `rover:band-drop`, `context:others-lost`, ...
    pub id: String,
    /// 0 to 1.
    pub strength: f64,
    /// The event behind it, index into [`SiteEvidence::events`].
    pub event: Option<usize>,
}

/// A stretch of lost time of one rover that is judged as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Segment {
    /// Index of the rover in the case.
    pub rover: usize,
    /// Begin.
    pub from: UtcMs,
    /// End.
    pub to: UtcMs,
    /// Lost time inside, ms.
    pub lost_ms: i64,
    /// State that took most of it.
    pub state: FixState,
    /// Mean correction age over epochs that have one, s.
    pub mean_age_s: Option<f64>,
    /// Mean distance to the base, km.
    pub mean_distance_km: Option<f64>,
    /// The other rovers of the base.
    pub others: Others,
    /// The rovers of other sites near by.
    pub neighbours: Others,
    /// The same with half an hour before and after: what hits in turn leaves them alone for minutes.
    pub neighbours_around: Others,
    /// How far the signals of all bands are down at the base and at the rover in the same minutes, by day, whatever it changes; 0 to 1.
    pub both_down: f64,
    /// What is lost around it while corrections are fresh.
    pub with_fresh: Option<WithFresh>,
    /// How far single satellites fade at the base, whatever it changes; 0 to 1.
    pub fading: f64,
    /// Index of the first epoch.
    pub first: usize,
    /// Evidence.
    pub features: Vec<Feature>,
}

impl Segment {
    /// How strong a piece of evidence is, 0 where there is none.
    pub fn strength(&self, id: &str) -> f64 {
        self.features.iter().find(|f| f.id == id).map_or(0.0, |f| f.strength)
    }
}

/// The strongest of some kinds of one scope (`base:`, `rover:`, `sky:`), 0 where there is none.
pub(super) fn strongest(features: &[Feature], scope: &str, kinds: &[&str]) -> f64 {
    let of = |f: &&Feature| f.id.strip_prefix(scope).is_some_and(|kind| kinds.contains(&kind));
    features.iter().filter(of).map(|f| f.strength).fold(0.0, f64::max)
}

/// All evidence of a site.
#[derive(Debug, Clone, Default)]
pub struct SiteEvidence {
    /// Lost time in segments, by rover and time.
    pub segments: Vec<Segment>,
    /// Every event that a feature may point to.
    pub events: Vec<Event>,
    /// How base events go with the loss of all rovers.
    pub base_associations: BTreeMap<&'static str, Association>,
    /// How the begins of losses go with base events.
    pub base_onsets: Onsets,
    /// How a rover's own events go with its loss, a rover each.
    pub rover_associations: Vec<BTreeMap<&'static str, Association>>,
    /// Bad places, a rover each.
    pub places: Vec<PlaceBound>,
}

/// Limits that the evidence needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvidenceLimits {
    /// Corrections up to this age are fresh, s.
    pub age_fresh_s: f64,
    /// Older than this is old, s.
    pub age_old_s: f64,
    /// A baseline from which distance speaks, km.
    pub long_baseline_km: f64,
}

/// Gathers the evidence of one site. `neighbour_grids` are those of rovers of other sites within the neighbour distance.
pub fn gather<G: Within>(
    case: &SiteCase,
    grids: &[Grid],
    neighbour_grids: &[&G],
    timing: &dyn Fn(&str) -> Timing,
    limits: &EvidenceLimits,
) -> SiteEvidence {
    let mut out = SiteEvidence::default();
    out.events.extend(case.base_events.iter().cloned());
    let sky_at = out.events.len();
    out.events.extend(case.sky_events.iter().cloned());
    let standing_at = out.events.len();
    out.events.extend(case.standing.iter().cloned());

    let pairs: Vec<(&RoverCase, &Grid)> = case.rovers.iter().zip(grids).filter(|(r, _)| !r.never_corrected).collect();
    let of_base = |kind: &str| timing(&format!("base:{kind}"));
    let of_rover = |kind: &str| timing(&format!("rover:{kind}"));
    let first = associations(&case.base_events, &pairs, of_base);
    let base_strong = strong_windows(&case.base_events, &first, of_base);
    // A rover's own well-shown trouble is taken out of what it says about the base, and the other way round.
    let own: Vec<(ByKind, Strong)> = case
        .rovers
        .iter()
        .zip(grids)
        .map(|(rover, grid)| {
            let own = associations(&rover.events, &[(rover, grid)], of_rover);
            let own = beside_others(&rover.events, &[(rover, grid)], of_rover, own, &[&base_strong]);
            let mut strong = strong_windows(&rover.events, &own, of_rover);
            // Old corrections are told apart by how a kind works (`stops`), not taken out.
            strong.retain(|kind, _| *kind != "corrections-old");
            (own, strong)
        })
        .collect();
    let elsewhere: Vec<&Strong> =
        case.rovers.iter().zip(&own).filter(|(r, _)| !r.never_corrected).map(|(_, (_, strong))| strong).collect();
    out.base_associations = beside_others(&case.base_events, &pairs, of_base, first, &elsewhere);
    out.base_onsets = Onsets::of(&case.base_events, &pairs, of_base);
    let base = Timeline::new("base", &case.base_events, timing);
    let sky = Timeline::new("sky", &case.sky_events, timing);
    let counted: Vec<&Grid> = pairs.iter().map(|(_, g)| *g).collect();
    let seen = || pairs.iter().flat_map(|(r, _)| r.times.first().into_iter().chain(r.times.last()));
    let window = seen().min().copied().zip(seen().max().copied()).unwrap_or_default();
    let down_matters = both_down_matters(&case.base_events, &pairs);
    let base_leads = Leads::of(&base, window);
    let base_without = Without::of("base:", &case.base_events);
    let mut base_holds = base.holds();
    base_holds.extend(conditions::of_base(case, &base, &sky, window));
    let apart = Apart::of(&base_holds, &counted);
    let lost_anyway: Vec<LostAnyway> = grids.iter().map(LostAnyway::of).collect();
    let rover_units: BTreeSet<&str> = case.rovers.iter().map(|r| r.unit.as_str()).collect();

    for (r, rover) in case.rovers.iter().enumerate() {
        let own_at = out.events.len();
        out.events.extend(rover.events.iter().cloned());
        if grids.get(r).is_none() {
            continue;
        }
        let own = own.get(r).map(|o| o.0.clone()).unwrap_or_default();
        let mine = Timeline::new("rover", &rover.events, timing);
        let leads = Leads::of(&mine, window);
        let without = Without::of("rover:", &rover.events);
        let place = place_bound(rover);
        let distance = distances_km(case, rover);
        let reach = range_evidence(rover, &distance, limits.age_old_s);
        let far = far_evidence(rover, &distance, limits.long_baseline_km);
        if rover.never_corrected {
            out.rover_associations.push(own);
            out.places.push(place);
            continue;
        }
        let is_fellow = |(i, o): &(usize, &RoverCase)| *i < grids.len() && !o.never_corrected && o.unit != rover.unit;
        let fellows: Vec<usize> = case.rovers.iter().enumerate().filter(is_fellow).map(|(i, _)| i).collect();
        let other_grids: Vec<&Grid> = fellows.iter().map(|i| &grids[*i]).collect();
        let mut kinds = base_holds.clone();
        kinds.extend(mine.holds());
        kinds.extend(conditions::of_rover(rover, &far));
        let apart_here = Apart::of(&kinds, &[&grids[r]]);
        let rates = Rates::of(&[("base", &out.base_associations), ("rover", &own)], [&apart, &apart_here], timing);
        let on_rover = OnRover { case, rover, base: &base, place: &place, reach: &reach, far: &far, limits };
        let stopped_with = StoppedWith::of(&grids[r], &other_grids);
        for period in &rover.time.periods {
            let mut cuts = vec![period.from, period.to];
            for timeline in [&base, &mine] {
                for k in timeline.near(period.from, period.to) {
                    let (e, (_, t)) = (&timeline.events[k], timeline.how(k));
                    cuts.push(e.from - t.resolution_ms.min(15_000));
                    cuts.push(e.to + t.after_ms);
                }
            }
            for (from, to) in pieces(cuts, period.from, period.to) {
                let epochs = period.first..period.end;
                let Some(mut segment) = bare(rover, r, from, to, epochs, &distance) else { continue };
                segment.others = others(other_grids.iter().copied(), from, to);
                segment.neighbours = others(neighbour_grids.iter().copied(), from, to);
                let (before, after) = (from - AROUND_MS, to + AROUND_MS);
                segment.neighbours_around = others(neighbour_grids.iter().copied(), before, after);
                segment.fading = fading(&base, from, to);
                let mut f = Vec::new();
                let mut begun: BTreeMap<&str, f64> = BTreeMap::new();
                segment.with_fresh = lost_anyway[r].told(fellows.iter().map(|i| &lost_anyway[*i]), from, to);
                let anyway = segment.with_fresh.map_or(0.0, WithFresh::part);
                // The part of it in which old corrections can be the reason.
                let old = old_share(rover, &segment, limits.age_old_s) * (1.0 - anyway);
                let parts: [(&Timeline<'_>, usize, Option<&ByKind>); 3] =
                    [(&base, 0, Some(&out.base_associations)), (&mine, own_at, Some(&own)), (&sky, sky_at, None)];
                for (timeline, at, associated) in parts {
                    for k in timeline.near(from, to) {
                        let e = &timeline.events[k];
                        let how = timeline.how(k);
                        // A position that is far off spoils the baseline by geometry alone.
                        let alone = match e.kind {
                            "position-unlike-reference" => {
                                how.1.alone.max(0.9 * spoils_baseline(e.value.unwrap_or(0.0), segment.mean_distance_km))
                            }
                            _ => how.1.alone,
                        };
                        let a = match associated {
                            Some(m) if !how.1.direct => m.get(e.kind).map_or(0.0, |a| a.weight(alone)),
                            _ => 1.0,
                        };
                        let began = match at {
                            0 => out.base_onsets.began(e, how.1, period.from),
                            _ => 0.0,
                        };
                        if began > 0.0 {
                            let most = begun.entry(how.0).or_default();
                            *most = most.max(began);
                        }
                        let a = a.max(began);
                        // Without corrections there is no fix, whatever else there is.
                        let stops_not = associated.and_then(|m| m.get(e.kind)).is_some_and(|a| a.stops_not);
                        let a = if how.1.direct || (how.1.stops && !stops_not) { a } else { a * (1.0 - old) };
                        event_feature(&mut f, how, (e, timeline.since[k]), at + k, &segment, period.from, a);
                    }
                }
                base_leads.pass_on(&mut f);
                leads.pass_on(&mut f);
                segment.both_down = if by_day(case, from, to) { both_down(&f) } else { 0.0 };
                let end = segment.first + rover.times[segment.first..].partition_point(|t| *t < segment.to);
                let far = far.get(segment.first..end).unwrap_or_default();
                f.extend(conditions::features(case, &base, (from, to), far, old));
                outdone(&mut f, &rates, &begun);
                for (k, e) in case.standing.iter().enumerate() {
                    let side = if e.unit == rover.unit { "own" } else { "standing" };
                    let other_rover = e.unit != rover.unit && rover_units.contains(e.unit.as_str());
                    if !other_rover {
                        let shown = if e.kind == "firmware-trouble" {
                            symptom(&f, if side == "own" { &without } else { &base_without }, (from, to))
                        } else {
                            1.0
                        };
                        f.push(Feature {
                            id: format!("{side}:{}", e.kind),
                            strength: f64::from(e.strength) * shown,
                            event: Some(standing_at + k),
                        });
                    }
                }
                let turns = in_turn(&grids[r], &other_grids, from, to);
                let company = Company {
                    alone_min: alone_min((from, to), (period.from, period.to), &other_grids),
                    turns,
                    down: segment.both_down * down_matters,
                    old_anyway: stopped_with.anyway(from, to, &segment.others).unwrap_or(0.0),
                };
                on_rover.context(&mut f, &segment, &company);
                spare_age(&mut f, anyway);
                segment.features = f;
                out.segments.push(segment);
            }
        }
        out.rover_associations.push(own);
        out.places.push(place);
    }
    out
}

/// Before and after a stretch in which what hits neighbours in turn may hit them, ms.
const AROUND_MS: i64 = 30 * MINUTE_MS;

/// Whether the Sun was up at the site in the middle of a stretch; where the site is not known, it may have been.
fn by_day(case: &SiteCase, from: UtcMs, to: UtcMs) -> bool {
    case.position.is_none_or(|(lat, lon, _)| sun_elevation_deg((from + to) / 2, lat, lon) > 0.0)
}

/// Cuts a period at the edges of events; pieces shorter than 10 s go to the piece before.
fn pieces(mut cuts: Vec<UtcMs>, from: UtcMs, to: UtcMs) -> Vec<(UtcMs, UtcMs)> {
    cuts.retain(|c| *c >= from && *c <= to);
    cuts.sort_unstable();
    let mut kept: Vec<UtcMs> = Vec::new();
    for c in cuts {
        if kept.last().is_none_or(|last| c - last >= 10_000) && kept.len() < 200 {
            kept.push(c);
        }
    }
    let short_tail = kept.len() > 1 && kept.last().is_some_and(|last| *last < to && to - last < 10_000);
    if short_tail {
        kept.pop();
    }
    kept.push(to);
    kept.dedup();
    kept.windows(2).map(|w| (w[0], w[1])).filter(|(a, b)| b > a).collect()
}

fn bare(
    rover: &RoverCase,
    r: usize,
    from: UtcMs,
    to: UtcMs,
    epochs: Range<usize>,
    distance_km: &[f32],
) -> Option<Segment> {
    let a = epochs.start + rover.times[epochs.clone()].partition_point(|t| *t < from);
    let b = epochs.start + rover.times[epochs].partition_point(|t| *t < to);
    let mut lost_ms = 0;
    let mut by_state = [0_i64; 6];
    let (mut age_sum, mut age_n) = (0.0, 0_u32);
    for i in a..b {
        if rover.time.kinds[i] != EpochKind::Lost {
            continue;
        }
        lost_ms += rover.time.lasts_ms[i];
        if let Some(s) = by_state.get_mut(rover.states[i] as usize) {
            *s += rover.time.lasts_ms[i];
        }
        if rover.ages_s.get(i).is_some_and(|x| x.is_finite()) {
            age_sum += f64::from(rover.ages_s[i]);
            age_n += 1;
        }
    }
    if lost_ms == 0 {
        return None;
    }
    let state = (0..6_u8).max_by_key(|s| (by_state[usize::from(*s)], 6 - s)).and_then(FixState::from_code)?;
    Some(Segment {
        rover: r,
        from,
        to,
        lost_ms,
        state,
        mean_age_s: (age_n > 0).then(|| age_sum / f64::from(age_n)),
        mean_distance_km: mean_km(distance_km.get(a..b).unwrap_or_default()),
        others: Others::default(),
        neighbours: Others::default(),
        neighbours_around: Others::default(),
        both_down: 0.0,
        with_fresh: None,
        fading: 0.0,
        first: a,
        features: Vec::new(),
    })
}

/// Part of the epochs of a segment whose corrections are old or missing.
fn old_share(rover: &RoverCase, segment: &Segment, age_old_s: f64) -> f64 {
    let end = segment.first + rover.times[segment.first..].partition_point(|t| *t < segment.to);
    let old = (segment.first..end).filter(|i| rover.is_old(*i, age_old_s)).count();
    old as f64 / (end - segment.first).max(1) as f64
}

/// Times in which a base was observed, from its spans.
pub fn observed_spans(spans: &[(UtcMs, UtcMs)]) -> Vec<(UtcMs, UtcMs)> {
    merge_spans(spans.to_vec(), 3_000)
}
