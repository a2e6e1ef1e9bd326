//! Gathers the evidence of a site: for each stretch of lost time which events overlap it, who else was lost, how old the corrections
//! were, where the rover stood.

use super::anyway::{LostAnyway, WithFresh, spare_age};
use super::apart::{Apart, Holds};
use super::association::associations;
use super::beside::{Strong, beside_others, strong_windows};
use super::case::{RoverCase, SiteCase};
use super::conditions;
use super::context::{Company, OnRover, alone_again, alone_min};
use super::distance::{OldByDistance, Reach, distances_km, far_evidence, range_among, range_evidence, spoils_baseline};
use super::evidence::{ByKind, EvidenceLimits, Feature, SiteEvidence, Timing};
use super::grid::{Grid, Within, in_turn, others};
use super::leads::Leads;
use super::lonely::{lonely_shares, more_than};
use super::onsets::Onsets;
use super::periods::LostRun;
use super::place::{PlaceBound, place_bound};
use super::rivals::{Rates, outdone};
use super::segment::{Segment, old_share, pieces};
use super::sky_signs::{both_down, both_down_matters, fading};
use super::spikes::spikes_with_fall;
use super::stopped_with::StoppedWith;
use super::symptoms::{FIRMWARE, Without, lost_by_a_fall, symptom};
use super::timeline::{Timeline, event_feature};
use crate::maths::sun::sun_elevation_deg;
use crate::model::time::{MINUTE_MS, UtcMs};
use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};

/// Before and after a stretch in which what hits neighbours in turn may hit them, ms.
const AROUND_MS: i64 = 30 * MINUTE_MS;

/// Gathers the evidence of one site. `neighbour_grids` are those of rovers of other sites within the neighbour distance.
pub fn gather<G: Within>(
    case: &SiteCase,
    grids: &[Grid],
    neighbour_grids: &[&G],
    timing: &dyn Fn(&str) -> Timing,
    limits: &EvidenceLimits,
) -> SiteEvidence {
    let whole = Whole::of(case, grids, timing, limits);
    let mut out = SiteEvidence::default();
    for shared in [&case.base_events, &case.sky_events, &case.standing] {
        out.events.extend(shared.iter().cloned());
    }
    for (r, (rover, grid)) in case.rovers.iter().zip(grids).enumerate() {
        let one = OneRover::of(&whole, r, rover, grid, out.events.len());
        out.events.extend(rover.events.iter().cloned());
        if !rover.never_corrected {
            let (rates, stopped_with) = (one.rates(), StoppedWith::of(grid, &one.other_grids));
            for period in &rover.time.periods {
                for (from, to) in pieces(one.cuts(period), period.from, period.to) {
                    let epochs = period.first..period.end;
                    let Some(mut segment) = Segment::bare(rover, r, (from, to), epochs, &one.distance_km) else {
                        continue;
                    };
                    segment.neighbours = others(neighbour_grids.iter().copied(), from, to);
                    let (before, after) = (from - AROUND_MS, to + AROUND_MS);
                    segment.neighbours_around = others(neighbour_grids.iter().copied(), before, after);
                    one.fill(&mut segment, period, &rates, &stopped_with);
                    out.segments.push(segment);
                }
            }
        }
        out.places.push(one.place);
    }
    out.base_associations = whole.associations;
    out.rover_associations = whole.own;
    out.base_onsets = whole.onsets;
    out
}

/// What is known of a site before its rovers are gone through one by one.
struct Whole<'a> {
    case: &'a SiteCase,
    grids: &'a [Grid],
    timing: &'a dyn Fn(&str) -> Timing,
    limits: &'a EvidenceLimits,
    /// Begin of the first and end of the last rover.
    window: (UtcMs, UtcMs),
    base: Timeline<'a>,
    sky: Timeline<'a>,
    /// How base events go with the loss of all rovers, and how losses begin with them.
    associations: ByKind,
    onsets: Onsets,
    /// A rover each: how its own events go with its loss.
    own: Vec<ByKind>,
    leads: Leads,
    without: Without,
    /// When the kinds of the base and of the sky work.
    holds: Vec<Holds>,
    apart: Apart,
    lost_anyway: Vec<LostAnyway>,
    /// What each rover loses by itself.
    lonely: Vec<Option<f64>>,
    /// Of each rover; worked out when one asks.
    old_by_distance: OnceCell<Vec<OldByDistance>>,
    spikes: Vec<(UtcMs, UtcMs)>,
    down_matters: f64,
    units: BTreeSet<&'a str>,
}

impl<'a> Whole<'a> {
    fn of(
        case: &'a SiteCase,
        grids: &'a [Grid],
        timing: &'a dyn Fn(&str) -> Timing,
        limits: &'a EvidenceLimits,
    ) -> Whole<'a> {
        let pairs: Vec<(&RoverCase, &Grid)> =
            case.rovers.iter().zip(grids).filter(|(r, _)| !r.never_corrected).collect();
        let counted: Vec<&Grid> = pairs.iter().map(|(_, g)| *g).collect();
        let seen = || pairs.iter().flat_map(|(r, _)| r.times.first().into_iter().chain(r.times.last()));
        let window = seen().min().copied().zip(seen().max().copied()).unwrap_or_default();
        let of_base = |kind: &str| timing(&format!("base:{kind}"));
        let base = Timeline::new("base", &case.base_events, timing);
        let sky = Timeline::new("sky", &case.sky_events, timing);
        let (associations, own) = told_apart(case, grids, &pairs, timing);
        let mut holds = base.holds();
        holds.extend(conditions::of_base(case, &base, &sky, window));
        Whole {
            case,
            grids,
            timing,
            limits,
            window,
            associations,
            onsets: Onsets::of(&case.base_events, &pairs, of_base),
            own,
            leads: Leads::of(&base, window),
            without: Without::of("base:", &case.base_events),
            apart: Apart::of(&holds, &counted),
            holds,
            lost_anyway: grids.iter().map(LostAnyway::of).collect(),
            lonely: lonely_of(&case.rovers, &counted),
            old_by_distance: OnceCell::new(),
            spikes: spikes_with_fall(&case.base_events),
            down_matters: both_down_matters(&case.base_events, &pairs),
            units: case.rovers.iter().map(|r| r.unit.as_str()).collect(),
            base,
            sky,
        }
    }
}

impl Whole<'_> {
    /// What distance says of the link of a rover, by its own way or else beside the others.
    fn reach(&self, rover: &RoverCase, distance_km: &[f32]) -> Reach {
        let own = range_evidence(rover, distance_km, self.limits.age_old_s);
        if !own.at.is_empty() || rover.never_corrected {
            return own;
        }
        let old_s = self.limits.age_old_s;
        let mine = OldByDistance::of(rover, distance_km, old_s);
        if !mine.asks() {
            return own;
        }
        let of_one = |r: &RoverCase| OldByDistance::of(r, &distances_km(self.case, r), old_s);
        let all = self.old_by_distance.get_or_init(|| self.case.rovers.iter().map(of_one).collect());
        let others = self.case.rovers.iter().zip(all);
        let fellows: Vec<&OldByDistance> =
            others.filter(|(o, _)| !o.never_corrected && o.unit != rover.unit).map(|(_, old)| old).collect();
        range_among(&mine, &fellows, distance_km)
    }
}

/// What each rover loses by itself; `None` for those without corrections, whose grids are not among the counted.
fn lonely_of(rovers: &[RoverCase], counted: &[&Grid]) -> Vec<Option<f64>> {
    let mut shares = lonely_shares(counted).into_iter();
    rovers.iter().map(|r| if r.never_corrected { None } else { shares.next().flatten() }).collect()
}

/// How the events of the base go with the loss of all rovers, and those of each rover with its own. A rover's own well-shown trouble is
/// taken out of what it says about the base, and the other way round.
fn told_apart(
    case: &SiteCase,
    grids: &[Grid],
    pairs: &[(&RoverCase, &Grid)],
    timing: &dyn Fn(&str) -> Timing,
) -> (ByKind, Vec<ByKind>) {
    let of_base = |kind: &str| timing(&format!("base:{kind}"));
    let of_rover = |kind: &str| timing(&format!("rover:{kind}"));
    let first = associations(&case.base_events, pairs, of_base);
    let base_strong = strong_windows(&case.base_events, &first, of_base);
    let (mut own, mut elsewhere): (Vec<ByKind>, Vec<Strong>) = (Vec::new(), Vec::new());
    for (rover, grid) in case.rovers.iter().zip(grids) {
        let alone = [(rover, grid)];
        let by_kind = associations(&rover.events, &alone, of_rover);
        let by_kind = beside_others(&rover.events, &alone, of_rover, by_kind, &[&base_strong]);
        if !rover.never_corrected {
            let mut strong = strong_windows(&rover.events, &by_kind, of_rover);
            // Old corrections are told apart by how a kind works (`stops`), not taken out.
            strong.retain(|kind, _| *kind != "corrections-old");
            elsewhere.push(strong);
        }
        own.push(by_kind);
    }
    let elsewhere: Vec<&Strong> = elsewhere.iter().collect();
    (beside_others(&case.base_events, pairs, of_base, first, &elsewhere), own)
}

/// What is known of one rover over all its time.
struct OneRover<'a> {
    whole: &'a Whole<'a>,
    rover: &'a RoverCase,
    grid: &'a Grid,
    /// Its events, and where they begin in the list of all.
    mine: Timeline<'a>,
    own_at: usize,
    own: &'a ByKind,
    leads: Leads,
    without: Without,
    place: PlaceBound,
    distance_km: Vec<f32>,
    reach: Reach,
    far: Vec<f32>,
    spikes: Vec<(UtcMs, UtcMs)>,
    /// The other rovers of the base that get corrections: what each loses anyway, and their grids.
    fellows: Vec<&'a LostAnyway>,
    other_grids: Vec<&'a Grid>,
    lost_anyway: &'a LostAnyway,
    /// How far it loses more by itself than the others, and than those whose firmware has no known trouble.
    more_alone: f64,
    more_than_sound: f64,
    /// [`alone_again`].
    alone_again: f64,
    apart: Apart,
}

impl<'a> OneRover<'a> {
    fn of(whole: &'a Whole<'a>, r: usize, rover: &'a RoverCase, grid: &'a Grid, own_at: usize) -> OneRover<'a> {
        let mine = Timeline::new("rover", &rover.events, whole.timing);
        let distance_km = distances_km(whole.case, rover);
        let far = far_evidence(rover, &distance_km, whole.limits.long_baseline_km);
        let others = || {
            let all = whole.case.rovers.iter().zip(whole.grids).zip(&whole.lost_anyway);
            all.filter(|((o, _), _)| !o.never_corrected && o.unit != rover.unit)
        };
        let troubled = |unit: &str| whole.case.standing.iter().any(|e| e.kind == FIRMWARE && e.unit == unit);
        let alone = |counts: &dyn Fn(&RoverCase) -> bool| {
            let all = whole.case.rovers.iter().zip(&whole.lonely);
            let fellows = all.filter(|(o, _)| o.unit != rover.unit && counts(o)).map(|(_, share)| *share);
            more_than(whole.lonely[r], fellows)
        };
        let (more_alone, more_than_sound) = (alone(&|_| true), alone(&|o| !troubled(&o.unit)));
        let other_grids: Vec<&Grid> = others().map(|((_, grid), _)| grid).collect();
        let mut kinds = whole.holds.clone();
        kinds.extend(mine.holds());
        kinds.extend(conditions::of_rover(rover, &far));
        OneRover {
            whole,
            rover,
            grid,
            own_at,
            own: &whole.own[r],
            leads: Leads::of(&mine, whole.window),
            without: Without::of("rover:", &rover.events),
            mine,
            place: place_bound(rover),
            reach: whole.reach(rover, &distance_km),
            distance_km,
            far,
            spikes: spikes_with_fall(&rover.events),
            fellows: others().map(|(_, lost_anyway)| lost_anyway).collect(),
            alone_again: alone_again(&rover.time.periods, &other_grids),
            other_grids,
            lost_anyway: &whole.lost_anyway[r],
            more_alone,
            more_than_sound,
            apart: Apart::of(&kinds, &[grid]),
        }
    }

    fn rates(&self) -> Rates<'_> {
        let scopes = [("base", &self.whole.associations), ("rover", self.own)];
        Rates::of(&scopes, [&self.whole.apart, &self.apart], self.whole.timing)
    }

    /// Where events of the base and its own begin and end to work around a period.
    fn cuts(&self, period: &LostRun) -> Vec<UtcMs> {
        let mut cuts = vec![period.from, period.to];
        for timeline in [&self.whole.base, &self.mine] {
            for k in timeline.near(period.from, period.to) {
                let (e, (_, how)) = (&timeline.events[k], timeline.how(k));
                cuts.push(e.from - how.resolution_ms.min(15_000));
                cuts.push(e.to + how.after_ms);
            }
        }
        cuts
    }

    /// Fills a bare segment of a period with what there is on it.
    fn fill(&self, segment: &mut Segment, period: &LostRun, rates: &Rates, stopped_with: &StoppedWith) {
        let Whole { case, base, limits, .. } = self.whole;
        let (from, to) = (segment.from, segment.to);
        segment.others = others(self.other_grids.iter().copied(), from, to);
        segment.fading = fading(base, from, to);
        segment.with_fresh = self.lost_anyway.told(self.fellows.iter().copied(), from, to);
        let anyway = segment.with_fresh.map_or(0.0, WithFresh::part);
        // The part of it in which old corrections can be the reason.
        let old = old_share(self.rover, segment, limits.age_old_s) * (1.0 - anyway);
        let mut f = Vec::new();
        let begun = self.overlapping(&mut f, segment, period.from, old);
        self.whole.leads.pass_on(&mut f);
        self.leads.pass_on(&mut f);
        segment.both_down = if by_day(case, from, to) { both_down(&f) } else { 0.0 };
        let end = segment.first + self.rover.times[segment.first..].partition_point(|t| *t < to);
        let far = self.far.get(segment.first..end).unwrap_or_default();
        f.extend(conditions::features(case, base, (from, to), far, old));
        outdone(&mut f, rates, &begun);
        lost_by_a_fall(&mut f);
        self.standing(&mut f, (from, to));
        let company = Company {
            alone_min: alone_min((from, to), (period.from, period.to), &self.other_grids),
            turns: in_turn(self.grid, &self.other_grids, from, to),
            more_alone: self.more_alone,
            again: self.alone_again,
            down: segment.both_down * self.whole.down_matters,
            old_anyway: stopped_with.anyway(from, to, &segment.others).unwrap_or(0.0),
        };
        let OneRover { rover, place, reach, far, spikes: own_spikes, .. } = self;
        let spikes = &self.whole.spikes;
        OnRover { case, rover, base, place, reach, far, spikes, own_spikes, limits }.context(&mut f, segment, &company);
        spare_age(&mut f, anyway);
        segment.features = f;
    }

    /// Adds the events that overlap a segment of a period that begins at `period_from`; gives, by evidence id, how likely the loss is
    /// the work of an event that it begins with.
    fn overlapping(
        &self,
        f: &mut Vec<Feature>,
        segment: &Segment,
        period_from: UtcMs,
        old: f64,
    ) -> BTreeMap<&str, f64> {
        let whole = self.whole;
        let mut begun: BTreeMap<&str, f64> = BTreeMap::new();
        let parts: [(&Timeline<'_>, usize, Option<&ByKind>); 3] = [
            (&whole.base, 0, Some(&whole.associations)),
            (&self.mine, self.own_at, Some(self.own)),
            (&whole.sky, whole.case.base_events.len(), None),
        ];
        for (timeline, at, associated) in parts {
            for k in timeline.near(segment.from, segment.to) {
                let e = &timeline.events[k];
                let (id, how) = timeline.how(k);
                // A position that is far off spoils the baseline by geometry alone.
                let alone = match e.kind {
                    "position-unlike-reference" => {
                        how.alone.max(0.9 * spoils_baseline(e.value.unwrap_or(0.0), segment.mean_distance_km))
                    }
                    _ => how.alone,
                };
                let association = associated.and_then(|kinds| kinds.get(e.kind));
                let shown = match associated {
                    Some(_) if !how.direct => association.map_or(0.0, |a| a.weight(alone)),
                    _ => 1.0,
                };
                let began = if at == 0 { whole.onsets.began(e, how, period_from) } else { 0.0 };
                if began > 0.0 {
                    let most = begun.entry(id).or_default();
                    *most = most.max(began);
                }
                let shown = shown.max(began);
                // Without corrections there is no fix, whatever else there is.
                let stops = how.stops && !association.is_some_and(|a| a.stops_not);
                let weight = if how.direct || stops { shown } else { shown * (1.0 - old) };
                event_feature(f, (id, how), (e, timeline.since[k]), at + k, segment, period_from, weight);
            }
        }
        begun
    }

    /// Adds what stands without an epoch: of the base and its own.
    fn standing(&self, f: &mut Vec<Feature>, span: (UtcMs, UtcMs)) {
        let case = self.whole.case;
        let standing_at = case.base_events.len() + case.sky_events.len();
        for (k, e) in case.standing.iter().enumerate() {
            let own = e.unit == self.rover.unit;
            if !own && self.whole.units.contains(e.unit.as_str()) {
                continue;
            }
            let (side, without) = if own { ("own", &self.without) } else { ("standing", &self.whole.without) };
            let more = if own { self.more_than_sound } else { 1.0 };
            let shown = if e.kind == FIRMWARE { symptom(f, without, span, more) } else { 1.0 };
            f.push(Feature {
                id: format!("{side}:{}", e.kind),
                strength: f64::from(e.strength) * shown,
                event: Some(standing_at + k),
            });
        }
    }
}

/// Whether the Sun was up at the site in the middle of a stretch; where the site is not known, it may have been.
fn by_day(case: &SiteCase, from: UtcMs, to: UtcMs) -> bool {
    case.position.is_none_or(|(lat, lon, _)| sun_elevation_deg((from + to) / 2, lat, lon) > 0.0)
}
