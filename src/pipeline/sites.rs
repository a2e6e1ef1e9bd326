//! From read bundles to one case a site: units placed, rovers divided by the base they belong to, frames of one site at a
//! time.

use super::beside::Beside;
use super::read::ReadAll;
use super::sky::Navigation;
use super::units::{BaseFacts, Known, SiteUnits, Unit};
use super::{Request, Rules, RunError, setup};
use crate::config::card::UnitCard;
use crate::config::fleet::Site;
use crate::config::shifts::in_shifts;
use crate::correlate::case::{RoverCase, SiteCase};
use crate::correlate::evidence::observed_spans;
use crate::correlate::periods::{PeriodLimits, RoverTime, rover_time};
use crate::detect::{self, Level, SeenRover, Setup, steep_ionosphere};
use crate::frames::schema::{Columns, Wanted};
use crate::frames::{UnitFrames, view};
use crate::identify::membership::{BaseAt, Stay, stays};
use crate::identify::{self, KnownFrom, Placement};
use crate::maths::geodesy::ecef_to_geodetic;
use crate::maths::magnetic::{FieldModel, decimal_year};
use crate::maths::starts::starting_spans;
use crate::model::event::Origin;
use crate::model::findings::NotRead;
use crate::model::ids::{FixState, Role};
use crate::model::rows::SPAN_OBSERVATIONS;
use crate::model::time::UtcMs;
use crate::store::Scratch;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Where each bundle belongs.
#[derive(Debug, Default)]
pub(crate) struct Placed {
    /// One entry a bundle of [`ReadAll`], in its order.
    pub(crate) placements: Vec<Option<Placement>>,
    /// Bundles that nobody knows, with what is known about them.
    pub(crate) not_placed: Vec<NotRead>,
    /// Contradictions.
    pub(crate) notes: Vec<NotRead>,
}

impl Placed {
    /// The card of each unit: that of its last bundle.
    pub(crate) fn cards(&self) -> BTreeMap<String, UnitCard> {
        self.placements.iter().flatten().map(|p| (p.unit.clone(), p.card.clone())).collect()
    }
}

/// Everything about one site that the verdicts and the pages need.
#[derive(Debug, Default)]
pub(crate) struct Site1 {
    pub(crate) case: SiteCase,
    /// Frames of its bases.
    pub(crate) bases: Vec<UnitFrames>,
    /// Set-up of each base, in their order.
    pub(crate) setups: Vec<Setup>,
    /// First and last epoch of anything at the site.
    pub(crate) span: Option<(UtcMs, UtcMs)>,
    /// Gradient of the vertical delay over it, out of ionosphere maps, in order of time: mm per km on L1.
    pub(crate) gradients: Vec<(UtcMs, f64)>,
}

impl Site1 {
    /// Lets go of everything that grows with time: what is left says who was there and how long fixes were lost.
    pub(super) fn slim(&mut self) {
        (self.bases, self.gradients) = Default::default();
        let case = &mut self.case;
        case.base_events = Vec::new();
        (case.base_observed, case.ionosphere, case.base_logs) = Default::default();
        for rover in &mut case.rovers {
            let time = RoverTime {
                kinds: Vec::new(),
                lasts_ms: Vec::new(),
                periods: Vec::new(),
                ..std::mem::take(&mut rover.time)
            };
            let (unit, never_corrected) = (std::mem::take(&mut rover.unit), rover.never_corrected);
            *rover = RoverCase { unit, never_corrected, time, ..RoverCase::default() };
        }
    }
}

/// Places all bundles.
pub(crate) fn place_all(read: &ReadAll, beside: &Beside, rules: &Rules) -> Placed {
    let mut out = Placed::default();
    for bundle in &read.bundles {
        let facts = bundle.facts();
        let placement = identify::place(&facts, &beside.fleet, &rules.paths);
        let empty = bundle.counts().rows == 0;
        match &placement {
            Some(p) => {
                for note in &p.notes {
                    out.notes.push(NotRead { path: bundle.path.clone(), reason: note.clone() });
                }
                if p.known_from == KnownFrom::Inferred {
                    out.not_placed.push(NotRead {
                        path: bundle.path.clone(),
                        reason: format!(
                            "no unit card, no register entry, no path rule fits; used as {} \"{}\" by its data",
                            p.role.name(),
                            p.unit
                        ),
                    });
                }
            }
            None if !empty => out.not_placed.push(NotRead {
                path: bundle.path.clone(),
                reason: format!(
                    "no unit card, no register entry, no path rule fits, and the data do not tell base or rover ({} rover epochs without RTK, {} reference positions)",
                    facts.fixes, facts.station_positions
                ),
            }),
            None => {}
        }
        for file in &bundle.files {
            for problem in file.look.problems.iter().filter(|p| p.what.starts_with("dates ")) {
                out.notes.push(NotRead {
                    path: format!("{}!/{}", bundle.path, file.look.path),
                    reason: problem.what.clone(),
                });
            }
        }
        out.placements.push(placement);
    }
    for (shown, problem) in &beside.problems {
        let place = problem.line.map(|l| format!(", line {l}")).unwrap_or_default();
        out.notes
            .push(NotRead { path: format!("{shown}{place}"), reason: format!("{}; {}", problem.what, problem.hint) });
    }
    out.notes.sort();
    out.notes.dedup();
    out.not_placed.sort();
    out
}

/// What every site is looked at with.
pub(super) struct Tools<'a> {
    pub(super) units: &'a [Unit],
    pub(super) known: &'a Known,
    pub(super) navigation: &'a Navigation,
    pub(super) beside: &'a Beside,
    pub(super) rules: &'a Rules,
    pub(super) request: &'a Request,
    /// Where what is said of judged sites is put aside.
    pub(super) scratch: &'a Arc<Scratch>,
}

/// Loads the units of one site, one after the other, runs the detectors and puts the case together.
pub(super) fn build(site: &SiteUnits, tools: &Tools<'_>) -> Result<Site1, RunError> {
    let Tools { units, known, beside, rules, request, scratch, .. } = tools;
    let mut out = Site1 { span: site.span, ..Site1::default() };
    let only = |id: &str| id == site.site;
    for unit in site.rovers.iter().filter_map(|i| units.get(*i)) {
        let signals = Wanted { table: "signals", columns: Columns::Only(&detect::ROVER_SIGNALS) };
        // No detector of a rover looks at its epochs and at other tables: of months either is enough for memory.
        let others = unit.all_but(&["signals", "fixes"], request)?;
        let frames = unit.signals(signals, |_| None, (request, scratch))?.with_others(others);
        let setup = setup_of(unit, None, beside);
        if let Some((from, to)) = span_of(&frames) {
            let events = detect::advisories(&frames, &setup, &BTreeSet::new(), from, to, &rules.limits);
            // Of a rover only its firmware is a finding by itself; the rest concerns bases.
            out.case.standing.extend(events.into_iter().filter(|e| e.kind == "firmware-trouble"));
        }
        let mut seen = detect::over_rover(&frames, &rules.limits);
        check_aside(&frames)?;
        drop(frames);
        let fixes = unit.frames(&[Wanted::looked_at("fixes")], request)?;
        seen.events.extend(detect::over_rover(&fixes, &rules.limits).events);
        seen.events = detect::sorted(seen.events);
        out.case
            .rovers
            .extend(rover_cases(fixes.only_fixes(), &seen, &known.base_at, beside, request, &only).into_values());
    }
    for base in site.bases.iter().filter_map(|k| known.bases.get(*k)) {
        add_base(&mut out, base, tools)?;
    }
    finish(&site.site, &mut out, beside, &rules.limits);
    Ok(out)
}

/// What detectors looked at came from disk: whether all of it came.
pub(super) fn check_aside(frames: &UnitFrames) -> Result<(), RunError> {
    frames.check_aside().map_err(|e| RunError::Failed(format!("tables of unit {}: {e}", frames.unit)))
}

fn setup_of(unit: &Unit, position: Option<(f64, f64, f64)>, beside: &Beside) -> Setup {
    let at = position.map(|(lat, lon, _)| (lat, lon));
    let mut setup = setup::of(&unit.card, beside, at, unit.card_origin.clone());
    setup.place = position;
    setup
}

pub(super) fn span_of(frames: &UnitFrames) -> Option<(UtcMs, UtcMs)> {
    let from = view::i64s(&frames.spans, "time").into_iter().min()?;
    let to = view::i64s(&frames.spans, "until").into_iter().max()?;
    Some((from, to))
}

/// Where a base is: the median of its station messages, else its card's reference. Degrees and ellipsoidal m.
pub(super) fn base_position(frames: &UnitFrames, card: &UnitCard) -> Option<(f64, f64, f64)> {
    if frames.role == Role::Base {
        let rtcm = view::bools(&frames.positions, "from_rtcm");
        let any_rtcm = rtcm.iter().any(|r| *r);
        let median = |name: &str| {
            let mut v: Vec<f64> = view::f64s(&frames.positions, name)
                .into_iter()
                .zip(&rtcm)
                .filter(|(v, r)| v.is_finite() && (**r || !any_rtcm))
                .map(|(v, _)| v)
                .collect();
            crate::maths::stats::median(&mut v)
        };
        if let (Some(x), Some(y), Some(z)) = (median("x_m"), median("y_m"), median("z_m"))
            && x.hypot(y).hypot(z) > 6.0e6
            && let Some(g) = ecef_to_geodetic([x, y, z])
        {
            return Some((g.lat_deg, g.lon_deg, g.h_m));
        }
    }
    let r = &card.reference;
    r.latitude.zip(r.longitude).map(|(lat, lon)| (lat, lon, r.height_m.unwrap_or(0.0)))
}

fn add_base(site: &mut Site1, base: &BaseFacts, tools: &Tools<'_>) -> Result<(), RunError> {
    let Tools { units, known, navigation, beside, rules, request, scratch, .. } = tools;
    let Some(unit) = units.get(base.index) else { return Ok(()) };
    let over = |frames: &UnitFrames| navigation.over(frames, unit.site.as_deref(), base.position?);
    let frames = unit.signals(Wanted::looked_at("signals"), over, (request, scratch))?;
    let setup = setup_of(unit, base.position, beside);
    let fleet: Vec<&Level> = known.bases.iter().filter(|b| b.index != base.index).map(|b| &b.level).collect();
    // The other tables come when what looks at single satellites is done.
    let sky = detect::over_base_sky(&frames, &setup, &base.level, &fleet, &rules.limits);
    let mut frames = frames.with_others(unit.all_but(&["signals"], request)?);
    frames.site.clone_from(&base.at.site);
    let (events, calm) = detect::over_base(&frames, &setup, &base.level, sky, &rules.limits);
    check_aside(&frames)?;
    let makes: BTreeSet<String> = units
        .iter()
        .filter(|u| u.role == Role::Rover && u.site.as_deref() == Some(base.at.site.as_str()))
        .map(|u| setup::make_of(&u.card))
        .chain([setup.make.clone()])
        .filter(|m| !m.is_empty())
        .collect();
    if let Some((from, to)) = base.at.span {
        site.case.standing.extend(detect::advisories(&frames, &setup, &makes, from, to, &rules.limits));
    }
    site.case.bases.push(unit.unit.clone());
    if site.case.position.is_none() {
        site.case.position = base.position;
    }
    let from = view::i64s(&frames.spans, "time");
    let until = view::i64s(&frames.spans, "until");
    let kind = view::u32s_full(&frames.spans, "kind");
    let spans: Vec<(UtcMs, UtcMs)> =
        (0..from.len()).filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS)).map(|i| (from[i], until[i])).collect();
    let origins = view::u32s_full(&frames.spans, "origin");
    site.case.base_logs.extend(
        (0..from.len())
            .filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS))
            .map(|i| (from[i], until[i], frames.unit.clone(), frames.origin(origins[i]))),
    );
    let mut all = std::mem::take(&mut site.case.base_observed);
    all.extend(spans);
    // A base that sends seldom is observed between what it sends.
    all.extend(events.iter().filter(|e| e.kind == "observables-slow").map(|e| (e.from, e.to)));
    site.case.base_observed = observed_spans(&all);
    site.case.base_events.extend(events);
    let known = &mut site.case.ionosphere;
    known.quiet.extend(calm.quiet);
    known.quiet.sort_unstable();
    known.mostly.extend(calm.mostly);
    known.mostly.sort_unstable();
    site.setups.push(setup);
    site.bases.push(frames);
    Ok(())
}

fn finish(id: &str, site: &mut Site1, beside: &Beside, limits: &detect::Limits) {
    let case = &mut site.case;
    case.site = id.to_owned();
    let register: Option<&Site> = beside.fleet.site(id);
    if case.position.is_none() {
        case.position = register.and_then(|s| s.latitude.zip(s.longitude)).map(|(lat, lon)| (lat, lon, 0.0));
    }
    if let (Some((lat, lon, height)), Some((from, _))) = (case.position, site.span)
        && let Some(model) = FieldModel::at_year(decimal_year(from))
    {
        case.magnetic_latitude = model.dip_latitude_deg(lat, lon, height);
    }
    case.sky_events = beside.sky.clone();
    if let (Some((lat, lon, _)), Some((from, to))) = (case.position, site.span) {
        let limit = steep_ionosphere::limit_mm_per_km(case.magnetic_latitude, limits);
        for (origin, gradients) in beside.maps.over((lat, lon)) {
            let steep = steep_ionosphere::run(&gradients, limit, origin).into_iter();
            case.sky_events.extend(steep.filter(|e| e.from < to && e.to > from));
            site.gradients.extend(gradients);
        }
        site.gradients.sort_by_key(|(t, _)| *t);
        case.sky_events.sort_by(|a, b| (a.from, a.kind).cmp(&(b.from, b.kind)));
    }
    case.base_events
        .sort_by(|a, b| (a.from, a.to, a.kind, &a.unit, &a.detail).cmp(&(b.from, b.to, b.kind, &b.unit, &b.detail)));
    case.standing.sort_by(|a, b| (a.kind, &a.unit, &a.detail).cmp(&(b.kind, &b.unit, &b.detail)));
    case.standing.dedup();
    case.rovers.sort_by(|a, b| (&a.unit, a.times.first()).cmp(&(&b.unit, b.times.first())));
}

/// What [`rover_cases`] takes from the rover's epochs, besides their times and origins.
pub(super) const FIX_COLUMNS: [&str; 5] = ["state", "correction_age_s", "station_id", "lat", "lon"];

/// One case a site at which the rover was, of the sites that are wanted. The frames go while the cases come.
pub(super) fn rover_cases(
    rover: UnitFrames,
    seen: &SeenRover,
    bases: &[BaseAt],
    beside: &Beside,
    request: &Request,
    wanted: &dyn Fn(&str) -> bool,
) -> BTreeMap<String, RoverCase> {
    let UnitFrames { unit, site: own, origins: read_from, fixes, .. } = rover;
    let own = (!own.is_empty()).then_some(own.as_str());
    let times = view::i64s(&fixes, "time");
    let states = view::u32s_full(&fixes, "state");
    let ages = view::f32s(&fixes, "correction_age_s");
    let ids = view::u32s(&fixes, "station_id");
    let (lat, lon) = (view::f64s(&fixes, "lat"), view::f64s(&fixes, "lon"));
    let origins = view::u32s_full(&fixes, "origin");
    drop(fixes);
    let stays: Vec<Stay> = stays(own, &times, &ids, &lat, &lon, bases);
    // A correction is an RTK state, or a reported station with an age that is no satellite's.
    let corrected = |i: usize| {
        states[i] == FixState::Fixed as u32
            || states[i] == FixState::Float as u32
            || (ids[i].is_some() && ages[i].is_finite())
    };
    let mut by_site: BTreeMap<String, RoverCase> = BTreeMap::new();
    if let [Stay { first: 0, end, site: Some(site) }] = stays.as_slice()
        && *end == times.len()
        && wanted(site)
    {
        // Most rovers are at one site all the time: months of epochs need not be copied.
        let never_corrected = (0..*end).any(corrected);
        let case = RoverCase {
            times,
            states,
            ages_s: ages,
            lat,
            lon,
            origin_of: origins,
            never_corrected,
            ..RoverCase::default()
        };
        by_site.insert(site.clone(), case);
        return finished(by_site, (&unit, &read_from), seen, beside, request);
    }
    for stay in &stays {
        let Some(site) = stay.site.as_ref().filter(|s| wanted(s)) else { continue };
        let case = by_site.entry(site.clone()).or_default();
        let range = stay.first..stay.end;
        case.times.extend_from_slice(&times[range.clone()]);
        case.states.extend_from_slice(&states[range.clone()]);
        case.ages_s.extend_from_slice(&ages[range.clone()]);
        case.lat.extend_from_slice(&lat[range.clone()]);
        case.lon.extend_from_slice(&lon[range.clone()]);
        case.origin_of.extend_from_slice(&origins[range.clone()]);
        case.never_corrected |= range.clone().any(corrected);
    }
    finished(by_site, (&unit, &read_from), seen, beside, request)
}

/// The cases of one rover with what follows from their epochs. So far `never_corrected` says that it was corrected.
fn finished(
    mut by_site: BTreeMap<String, RoverCase>,
    (unit, read_from): (&str, &[Origin]),
    seen: &SeenRover,
    beside: &Beside,
    request: &Request,
) -> BTreeMap<String, RoverCase> {
    for (site, case) in &mut by_site {
        unit.clone_into(&mut case.unit);
        case.origins = read_from.to_vec();
        case.starting = starting_spans(&case.times, &case.ages_s);
        case.never_corrected = !case.never_corrected;
        if beside.complaints.iter().any(|c| c.unit == case.unit) {
            case.never_corrected = false;
        }
        let register = beside.fleet.site(site);
        let (shifts, zone) = register.map_or((&[][..], chrono_tz::Tz::UTC), |s| (s.shifts.as_slice(), s.zone));
        let time = &request.settings.time;
        let limits = PeriodLimits {
            gap_s: time.gap_s,
            restart_silence_s: time.restart_silence_s,
            start_up_s: time.start_up_s,
            merge_s: time.merge_s,
            shortest_s: time.shortest_s,
        };
        // Shifts change by the minute: one look a minute is enough.
        let mut minute = (i64::MIN, false);
        let cached = std::cell::RefCell::new(&mut minute);
        case.time = rover_time(
            &case.times,
            &case.states,
            |t| {
                let mut last = cached.borrow_mut();
                let m = t.div_euclid(60_000);
                if last.0 != m {
                    **last = (m, in_shifts(shifts, zone, t));
                }
                last.1
            },
            &limits,
        );
        let (Some(first), Some(last)) = (case.times.first().copied(), case.times.last().copied()) else { continue };
        case.steady.clone_from(&seen.steady);
        case.events =
            seen.events.iter().filter(|e| e.to >= first - 600_000 && e.from <= last + 600_000).cloned().collect();
    }
    by_site
}
