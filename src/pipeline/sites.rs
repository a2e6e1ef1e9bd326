//! From read bundles to one case a site: units placed, frames built, rovers divided by the base they belong to.

use super::beside::Beside;
use super::read::ReadAll;
use super::sky::Navigation;
use super::{Request, Rules, RunError, Watch, setup};
use crate::config::card::UnitCard;
use crate::config::fleet::Site;
use crate::config::shifts::in_shifts;
use crate::correlate::case::{RoverCase, SiteCase};
use crate::correlate::evidence::observed_spans;
use crate::correlate::periods::{PeriodLimits, rover_time};
use crate::detect::{self, Setup, weak_signal};
use crate::frames::{FrameError, UnitBuilder, UnitFrames, view};
use crate::identify::membership::{BaseAt, Stay, stays};
use crate::identify::{self, KnownFrom, Placement};
use crate::maths::geodesy::{ecef_to_geodetic, great_circle_m};
use crate::maths::magnetic::{FieldModel, decimal_year};
use crate::model::event::{Event, Origin};
use crate::model::findings::NotRead;
use crate::model::ids::{FixState, Role};
use crate::model::rows::SPAN_OBSERVATIONS;
use crate::model::time::UtcMs;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

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

struct UnitData {
    frames: UnitFrames,
    card: UnitCard,
    known_site: bool,
    events: Vec<Event>,
    setup: Setup,
    position: Option<(f64, f64, f64)>,
    span: Option<(UtcMs, UtcMs)>,
}

/// Builds frames, runs the detectors, and puts one case a site together.
pub(crate) fn build(
    read: ReadAll,
    placed: &Placed,
    beside: &Beside,
    rules: &Rules,
    request: &Request,
    watch: &dyn Watch,
) -> Result<Vec<Site1>, RunError> {
    // One builder a unit and site: a rover whose bundles name two sites is looked at for each.
    let mut builders: BTreeMap<(String, Option<String>), (UnitBuilder, UnitCard, Origin)> = BTreeMap::new();
    let mut navigation = Navigation::default();
    for (bundle, placement) in read.bundles.into_iter().zip(&placed.placements) {
        let Some(p) = placement else { continue };
        let card_file = bundle
            .files
            .iter()
            .map(|f| &f.look.path)
            .find(|path| path.rsplit('/').next().is_some_and(|n| n.eq_ignore_ascii_case("unit.toml")))
            .cloned();
        let card_origin = match card_file {
            Some(file) if p.known_from == KnownFrom::Card => Origin { bundle: bundle.path.clone(), file },
            _ => Origin { bundle: beside.fleet_path.clone(), file: beside.fleet_path.clone() },
        };
        let (builder, _, _) = builders.entry((p.unit.clone(), p.site.clone())).or_insert_with(|| {
            (UnitBuilder::new(&p.unit, p.role, p.site.as_deref().unwrap_or("")), p.card.clone(), card_origin)
        });
        if let Some(stored) = bundle.stored {
            builder.add_later(stored.load);
        }
        for file in bundle.files {
            navigation.add(p, &file.ephemerides);
            builder.add(Origin { bundle: bundle.path.clone(), file: file.look.path }, file.rows);
        }
    }
    watch.stage("tables and events", builders.len() as u64);
    let built: Vec<Result<UnitData, RunError>> = builders
        .into_par_iter()
        .map(|((unit, site), (builder, card, card_origin))| {
            let frames = builder
                .build()
                .and_then(|f| f.clip(request.from, request.to))
                .map_err(|e| RunError::Failed(format!("tables of unit {unit}: {e}")))?;
            let data = unit_data(frames, card, card_origin, site, &navigation, beside, rules)
                .map_err(|e| RunError::Failed(format!("directions of unit {unit}: {e}")))?;
            watch.step(&unit);
            Ok(data)
        })
        .collect();
    let mut units = Vec::new();
    for unit in built {
        units.push(unit?);
    }
    name_inferred_sites(&mut units, beside);
    weak_bases(&mut units, rules);
    Ok(cases(units, beside, rules, request))
}

fn unit_data(
    frames: UnitFrames,
    card: UnitCard,
    card_origin: Origin,
    site: Option<String>,
    navigation: &Navigation,
    beside: &Beside,
    rules: &Rules,
) -> Result<UnitData, FrameError> {
    let known_site = site.is_some();
    let position = base_position(&frames, &card);
    let frames = match position {
        Some(place) if frames.role == Role::Base => navigation.directions(frames, site.as_deref(), place)?,
        _ => frames,
    };
    let mut setup = setup::of(&card, beside, position.map(|(lat, lon, _)| (lat, lon)), card_origin);
    setup.place = position;
    let events = match frames.role {
        Role::Base => detect::base_events(&frames, &setup, &rules.limits),
        Role::Rover => detect::rover_events(&frames, &rules.limits),
    };
    let span = span_of(&frames);
    Ok(UnitData { frames, card, known_site, events, setup, position, span })
}

fn span_of(frames: &UnitFrames) -> Option<(UtcMs, UtcMs)> {
    let from = view::i64s(&frames.spans, "time").into_iter().min()?;
    let to = view::i64s(&frames.spans, "until").into_iter().max()?;
    Some((from, to))
}

/// Where a base is: the median of its station messages, else its card's reference. Degrees and ellipsoidal m.
fn base_position(frames: &UnitFrames, card: &UnitCard) -> Option<(f64, f64, f64)> {
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

/// A base that nobody placed belongs to the register's site within 2 km, else it is a site of its own.
fn name_inferred_sites(units: &mut [UnitData], beside: &Beside) {
    for unit in units.iter_mut().filter(|u| !u.known_site && u.frames.role == Role::Base) {
        let near = unit.position.and_then(|(lat, lon, _)| {
            beside
                .fleet
                .sites
                .iter()
                .filter_map(|s| s.latitude.zip(s.longitude).map(|(y, x)| (great_circle_m(lat, lon, y, x), s)))
                .filter(|(d, _)| *d <= 2_000.0)
                .min_by(|a, b| a.0.total_cmp(&b.0))
        });
        unit.frames.site = near.map_or_else(|| unit.frames.unit.clone(), |(_, s)| s.id.clone());
    }
}

/// Weak signal needs the other bases of the run beside.
fn weak_bases(units: &mut [UnitData], rules: &Rules) {
    let levels: Vec<Option<weak_signal::Level>> =
        units.iter().map(|u| (u.frames.role == Role::Base).then(|| weak_signal::Level::of(&u.frames))).collect();
    for (i, unit) in units.iter_mut().enumerate() {
        let Some(level) = &levels[i] else { continue };
        let fleet: Vec<&weak_signal::Level> =
            levels.iter().enumerate().filter(|(j, _)| *j != i).filter_map(|(_, l)| l.as_ref()).collect();
        unit.events.extend(weak_signal::run(&unit.frames, level, &fleet, &rules.limits));
        unit.events.sort_by(|a, b| (a.from, a.to, a.kind, &a.detail).cmp(&(b.from, b.to, b.kind, &b.detail)));
    }
}

fn station_ids(frames: &UnitFrames, card: &UnitCard) -> Vec<u16> {
    let mut ids: BTreeSet<u16> = view::u32s(&frames.positions, "station_id")
        .into_iter()
        .chain(view::u32s(&frames.corrections, "station_id"))
        .flatten()
        .filter_map(|id| u16::try_from(id).ok())
        .collect();
    ids.extend(card.reference.station_id);
    ids.into_iter().collect()
}

fn cases(units: Vec<UnitData>, beside: &Beside, rules: &Rules, request: &Request) -> Vec<Site1> {
    let (bases, rovers): (Vec<UnitData>, Vec<UnitData>) = units.into_iter().partition(|u| u.frames.role == Role::Base);
    let base_at: Vec<BaseAt> = bases
        .iter()
        .map(|b| BaseAt {
            unit: b.frames.unit.clone(),
            site: b.frames.site.clone(),
            station_ids: station_ids(&b.frames, &b.card),
            position: b.position.map(|(lat, lon, _)| (lat, lon)),
            span: b.span,
        })
        .collect();
    let mut sites: BTreeMap<String, Site1> = BTreeMap::new();
    for rover in &rovers {
        let own = (!rover.frames.site.is_empty()).then_some(rover.frames.site.as_str());
        for (site, case) in rover_cases(rover, own, &base_at, beside, request) {
            let entry = sites.entry(site.clone()).or_default();
            if let Some(setup) = standing(rover, rules) {
                entry.case.standing.extend(setup);
            }
            if let (Some(a), Some(b)) = (case.times.first(), case.times.last()) {
                entry.span = Some(entry.span.map_or((*a, *b), |(x, y)| (x.min(*a), y.max(*b))));
            }
            entry.case.rovers.push(case);
        }
    }
    for base in bases {
        if base.span.is_none() && base.frames.logged.height() == 0 {
            continue;
        }
        let entry = sites.entry(base.frames.site.clone()).or_default();
        if let Some((a, b)) = base.span {
            entry.span = Some(entry.span.map_or((a, b), |(x, y)| (x.min(a), y.max(b))));
        }
        add_base(entry, base, rules, &rovers);
    }
    sites
        .into_iter()
        .filter(|(id, _)| request.sites.is_empty() || request.sites.contains(id))
        .map(|(id, mut site)| {
            finish(&id, &mut site, beside);
            site
        })
        .collect()
}

/// Conditions of a rover without an epoch.
fn standing(rover: &UnitData, rules: &Rules) -> Option<Vec<Event>> {
    let (from, to) = rover.span?;
    let events = detect::advisories(&rover.frames, &rover.setup, &BTreeSet::new(), from, to, &rules.limits);
    // Of a rover only its firmware is a finding by itself; the rest concerns bases.
    Some(events.into_iter().filter(|e| e.kind == "firmware-trouble").collect())
}

fn add_base(site: &mut Site1, base: UnitData, rules: &Rules, rovers: &[UnitData]) {
    let makes: BTreeSet<String> = rovers
        .iter()
        .filter(|r| r.frames.site == base.frames.site)
        .map(|r| r.setup.make.clone())
        .chain([base.setup.make.clone()])
        .filter(|m| !m.is_empty())
        .collect();
    if let Some((from, to)) = base.span {
        site.case.standing.extend(detect::advisories(&base.frames, &base.setup, &makes, from, to, &rules.limits));
    }
    site.case.bases.push(base.frames.unit.clone());
    if site.case.position.is_none() {
        site.case.position = base.position;
    }
    site.case.base_events.extend(base.events);
    let from = view::i64s(&base.frames.spans, "time");
    let until = view::i64s(&base.frames.spans, "until");
    let kind = view::u32s_full(&base.frames.spans, "kind");
    let spans: Vec<(UtcMs, UtcMs)> =
        (0..from.len()).filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS)).map(|i| (from[i], until[i])).collect();
    let origins = view::u32s_full(&base.frames.spans, "origin");
    site.case.base_logs.extend(
        (0..from.len())
            .filter(|i| kind[*i] == u32::from(SPAN_OBSERVATIONS))
            .map(|i| (from[i], until[i], base.frames.unit.clone(), base.frames.origin(origins[i]))),
    );
    let mut all = std::mem::take(&mut site.case.base_observed);
    all.extend(spans);
    site.case.base_observed = observed_spans(&all);
    site.case.ionosphere_seen.extend(detect::ionosphere_seen(&base.frames));
    site.case.ionosphere_seen.sort_unstable();
    site.setups.push(base.setup);
    site.bases.push(base.frames);
}

fn finish(id: &str, site: &mut Site1, beside: &Beside) {
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
    case.base_events
        .sort_by(|a, b| (a.from, a.to, a.kind, &a.unit, &a.detail).cmp(&(b.from, b.to, b.kind, &b.unit, &b.detail)));
    case.standing.sort_by(|a, b| (a.kind, &a.unit, &a.detail).cmp(&(b.kind, &b.unit, &b.detail)));
    case.standing.dedup();
    case.rovers.sort_by(|a, b| (&a.unit, a.times.first()).cmp(&(&b.unit, b.times.first())));
}

/// One case a site at which the rover was.
fn rover_cases(
    rover: &UnitData,
    own: Option<&str>,
    bases: &[BaseAt],
    beside: &Beside,
    request: &Request,
) -> BTreeMap<String, RoverCase> {
    let fixes = &rover.frames.fixes;
    let times = view::i64s(fixes, "time");
    let states = view::u32s_full(fixes, "state");
    let ages = view::f32s(fixes, "correction_age_s");
    let ids = view::u32s(fixes, "station_id");
    let (lat, lon) = (view::f64s(fixes, "lat"), view::f64s(fixes, "lon"));
    let origins = view::u32s_full(fixes, "origin");
    let stays: Vec<Stay> = stays(own, &times, &ids, &lat, &lon, bases);
    let mut by_site: BTreeMap<String, RoverCase> = BTreeMap::new();
    for stay in &stays {
        let Some(site) = &stay.site else { continue };
        let case = by_site.entry(site.clone()).or_default();
        let range = stay.first..stay.end;
        case.times.extend_from_slice(&times[range.clone()]);
        case.states.extend_from_slice(&states[range.clone()]);
        case.ages_s.extend_from_slice(&ages[range.clone()]);
        case.lat.extend_from_slice(&lat[range.clone()]);
        case.lon.extend_from_slice(&lon[range.clone()]);
        case.origin_of.extend_from_slice(&origins[range.clone()]);
        // A correction is an RTK state, or a reported station with an age that is no satellite's.
        case.never_corrected |= range.clone().any(|i| {
            states[i] == FixState::Fixed as u32
                || states[i] == FixState::Float as u32
                || (ids[i].is_some() && ages[i].is_finite())
        });
    }
    for (site, case) in &mut by_site {
        case.unit = rover.frames.unit.clone();
        case.origins = rover.frames.origins.clone();
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
        case.events =
            rover.events.iter().filter(|e| e.to >= first - 600_000 && e.from <= last + 600_000).cloned().collect();
    }
    by_site
}
