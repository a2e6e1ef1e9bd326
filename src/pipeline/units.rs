//! The units of a run, and the little that must be known of all of them before one site can be looked at by itself: where
//! the bases are and how strong they hear, which sites a rover visits, and how it fared there (for the neighbours).

use super::beside::Beside;
use super::read::{AsideError, ReadAll, scratch_error};
use super::sites::{self, Placed};
use super::sky::{self, Directions, Navigation};
use super::workers::{Room, share_out_or_stop};
use super::{Request, Rules, RunError, Watch};
use crate::config::card::UnitCard;
use crate::correlate::grid::{Grid, PackedGrid};
use crate::detect::{LEVEL_COLUMNS, Level, SeenRover};
use crate::frames::schema::{Columns, TABLES, Wanted};
use crate::frames::{Batch, Frame, FrameError, Loader, UnitBuilder, UnitFrames, loader_error, view};
use crate::identify::KnownFrom;
use crate::identify::membership::BaseAt;
use crate::maths::geodesy::great_circle_m;
use crate::model::event::Origin;
use crate::model::ids::Role;
use crate::model::time::UtcMs;
use crate::store::Scratch;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Tables of units that are looked at side by side take together not more than this, bytes, or it is one alone. What the
/// work makes of them comes on top.
const SIDE_BY_SIDE_BYTES: u64 = 256 * 1024 * 1024;

/// One unit at one site: a rover whose bundles name two sites is looked at for each.
pub(super) struct Unit {
    pub(super) unit: String,
    pub(super) role: Role,
    /// Site that its bundles name.
    pub(super) site: Option<String>,
    pub(super) card: UnitCard,
    pub(super) card_origin: Origin,
    later: Vec<Loader>,
    /// What its tables take in memory, about.
    bytes: u64,
}

/// From so many bytes of tables on the signals of a unit wait on disk while its detectors work: a base with weeks of data.
const ASIDE_BYTES: u64 = 160 * 1024 * 1024;

impl Unit {
    /// Its frames but these tables.
    pub(super) fn all_but(&self, tables: &[&str], request: &Request) -> Result<UnitFrames, RunError> {
        let others: Vec<Wanted<'_>> =
            TABLES.into_iter().filter(|t| !tables.contains(t)).map(Wanted::looked_at).collect();
        self.frames(&others, request)
    }

    /// Its signals and no other table. `over` gives the directions of the satellites, where there are any.
    pub(super) fn signals(
        &self,
        signals: Wanted<'_>,
        over: impl Fn(&UnitFrames) -> Option<Directions>,
        (request, scratch): (&Request, &Scratch),
    ) -> Result<UnitFrames, RunError> {
        let table = |e: FrameError| self.no_table(&e);
        let all = || self.frames(&[signals], request);
        if self.bytes < ASIDE_BYTES {
            let frames = all()?;
            return match over(&frames) {
                Some(d) => {
                    frames.with_directions(d.from, d.expected, |t, sat| sky::of(&d.found, t, sat)).map_err(table)
                }
                None => Ok(frames),
            };
        }
        let put = |slice: Frame| {
            let kept = scratch.write("signals", &slice).map_err(AsideError::Disk)?;
            let load: Loader = Arc::new(move |wanted: Option<Wanted<'_>>| {
                let tables =
                    wanted.map_or(Ok(Vec::new()), |w| kept.load(w)).map_err(|e| loader_error(e.to_string()))?;
                Ok(Batch { origins: Vec::new(), tables })
            });
            Ok::<_, AsideError>(load)
        };
        // Directions are computed of times and satellites alone, before the other columns are there.
        let light = Wanted { table: "signals", columns: Columns::Only(&[]) };
        let found = over(&self.frames(&[light], request)?);
        let mut frames = all()?;
        let done = match found {
            Some(d) => frames.with_directions_aside(d.from, d.expected, |t, sat| sky::of(&d.found, t, sat), put),
            None => frames.put_signals_aside(put).map(|()| frames),
        };
        done.map_err(|e| match e {
            AsideError::Table(e) => self.no_table(&e),
            AsideError::Disk(e) => scratch_error(&e),
        })
    }

    fn no_table(&self, e: &FrameError) -> RunError {
        RunError::Failed(format!("tables of unit {}: {e}", self.unit))
    }

    /// Its frames, of what is wanted.
    pub(super) fn frames(&self, wanted: &[Wanted<'_>], request: &Request) -> Result<UnitFrames, RunError> {
        let mut builder = UnitBuilder::new(&self.unit, self.role, self.site.as_deref().unwrap_or(""));
        self.later.iter().for_each(|l| builder.add_later(l.clone()));
        builder.build_only(wanted).and_then(|f| f.clip(request.from, request.to)).map_err(|e| self.no_table(&e))
    }
}

/// Who is in the bundles, by unit and site; and the orbits.
pub(super) fn collect(read: ReadAll, placed: &Placed, beside: &Beside) -> (Vec<Unit>, Navigation) {
    let mut units: BTreeMap<(String, Option<String>), Unit> = BTreeMap::new();
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
        let unit = units.entry((p.unit.clone(), p.site.clone())).or_insert_with(|| Unit {
            unit: p.unit.clone(),
            role: p.role,
            site: p.site.clone(),
            card: p.card.clone(),
            card_origin,
            later: Vec::new(),
            bytes: 0,
        });
        navigation.add(p, bundle.orbits);
        if let Some(stored) = bundle.stored {
            unit.later.push(stored.load);
            unit.bytes += stored.bytes;
        }
    }
    (units.into_values().collect(), navigation)
}

/// A base as all others must know it.
pub(super) struct BaseFacts {
    /// Index of the unit.
    pub(super) index: usize,
    pub(super) at: BaseAt,
    pub(super) position: Option<(f64, f64, f64)>,
    /// There is anything dated of it.
    present: bool,
    pub(super) level: Level,
}

/// A site and who is to be looked at for it.
#[derive(Default)]
pub(super) struct SiteUnits {
    pub(super) site: String,
    /// Indices of its bases in [`Known::bases`].
    pub(super) bases: Vec<usize>,
    /// Indices of the units of rovers that were here.
    pub(super) rovers: Vec<usize>,
    /// First and last epoch of anything here.
    pub(super) span: Option<(UtcMs, UtcMs)>,
    pub(super) position: Option<(f64, f64, f64)>,
    /// How the rovers fared here, for the neighbours.
    grids: Vec<(String, Option<UtcMs>, PackedGrid)>,
    bytes: u64,
}

/// What is known of all units.
pub(super) struct Known {
    pub(super) bases: Vec<BaseFacts>,
    pub(super) base_at: Vec<BaseAt>,
    /// By id.
    pub(super) sites: Vec<SiteUnits>,
}

/// Does the work on units or sites of so many bytes, as many side by side as fit into memory; results come in the order of the
/// work.
pub(super) fn side_by_side<T: Send>(
    bytes: &[u64],
    work: impl Fn(usize) -> Result<T, RunError> + Sync,
) -> Result<Vec<T>, RunError> {
    let room = Room::new(SIDE_BY_SIDE_BYTES);
    share_out_or_stop(bytes.len(), |i| {
        let _taken = room.take(bytes.get(i).copied().unwrap_or(0));
        work(i)
    })
}

/// Looks at every unit once, at a few of its tables.
pub(super) fn survey(
    units: &[Unit],
    beside: &Beside,
    rules: &Rules,
    request: &Request,
    watch: &dyn Watch,
) -> Result<Known, RunError> {
    watch.stage("units", units.len() as u64);
    let (base_units, rover_units): (Vec<usize>, Vec<usize>) =
        (0..units.len()).partition(|i| units.get(*i).is_some_and(|u| u.role == Role::Base));
    let bytes_of = |list: &[usize]| list.iter().filter_map(|i| units.get(*i)).map(|u| u.bytes).collect::<Vec<u64>>();
    let no_unit = || RunError::Failed("a unit is not there; please report this".to_owned());
    let bases = side_by_side(&bytes_of(&base_units), |k| {
        let index = base_units.get(k).copied().unwrap_or_default();
        let unit = units.get(index).ok_or_else(no_unit)?;
        let facts = base_facts(index, unit, beside, request)?;
        watch.step(&unit.unit);
        Ok(facts)
    })?;
    let base_at: Vec<BaseAt> = bases.iter().map(|b| b.at.clone()).collect();

    // By site; the first base with a position gives that of the site, else the register does.
    let mut sites: BTreeMap<String, SiteUnits> = BTreeMap::new();
    let wanted = |site: &str| request.sites.is_empty() || request.sites.iter().any(|s| s == site);
    for (k, base) in bases.iter().enumerate().filter(|(_, b)| b.present && wanted(&b.at.site)) {
        let entry = sites.entry(base.at.site.clone()).or_default();
        entry.bases.push(k);
        entry.position = entry.position.or(base.position);
        entry.bytes += units.get(base.index).map_or(0, |u| u.bytes);
        widen(&mut entry.span, base.at.span);
    }
    let of_register =
        |site: &str| beside.fleet.site(site).and_then(|s| s.latitude.zip(s.longitude)).map(|(y, x)| (y, x, 0.0));
    let position = |site: &str| sites.get(site).and_then(|s| s.position).or_else(|| of_register(site));
    // Sites that a rover can be at, with their places: only of those with neighbours the grids are wanted.
    let mut places: BTreeMap<String, Option<(f64, f64, f64)>> = BTreeMap::new();
    for site in base_at.iter().map(|b| &b.site).chain(units.iter().filter_map(|u| u.site.as_ref())) {
        if wanted(site) {
            places.insert(site.clone(), position(site));
        }
    }
    let near_km = request.settings.neighbours.distance_km;
    let with_neighbours: BTreeSet<&str> = places
        .iter()
        .filter(|(site, here)| places.iter().any(|(other, there)| other != *site && are_near(**here, *there, near_km)))
        .map(|(site, _)| site.as_str())
        .collect();

    let rovers = side_by_side(&bytes_of(&rover_units), |k| {
        let index = rover_units.get(k).copied().unwrap_or_default();
        let unit = units.get(index).ok_or_else(no_unit)?;
        let frames = unit.frames(&[Wanted { table: "fixes", columns: Columns::Only(&sites::FIX_COLUMNS) }], request)?;
        let cases = sites::rover_cases(frames, &SeenRover::default(), &base_at, beside, request, &wanted);
        let visits: Vec<Visit> = cases
            .into_iter()
            .map(|(site, case)| {
                let old_s = rules.limits.age_old_s as f32;
                let grid = with_neighbours.contains(site.as_str()).then(|| PackedGrid::of(&Grid::of(&case, old_s)));
                Visit { site, span: case.times.first().copied().zip(case.times.last().copied()), grid }
            })
            .collect();
        watch.step(&unit.unit);
        Ok((index, visits))
    })?;
    for (index, visits) in rovers {
        let Some(unit) = units.get(index) else { continue };
        for visit in visits {
            let entry = sites.entry(visit.site).or_default();
            entry.rovers.push(index);
            entry.bytes += unit.bytes;
            widen(&mut entry.span, visit.span);
            if let Some(grid) = visit.grid {
                entry.grids.push((unit.unit.clone(), visit.span.map(|s| s.0), grid));
            }
        }
    }
    let sites = sites
        .into_iter()
        .map(|(site, mut s)| {
            s.position = s.position.or_else(|| of_register(&site));
            s.site = site;
            // As the rovers of a case are.
            s.grids.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
            s
        })
        .collect();
    Ok(Known { bases, base_at, sites })
}

struct Visit {
    site: String,
    span: Option<(UtcMs, UtcMs)>,
    grid: Option<PackedGrid>,
}

impl Known {
    /// Bytes of the tables that each site needs.
    pub(super) fn bytes(&self) -> Vec<u64> {
        self.sites.iter().map(|s| s.bytes).collect()
    }

    /// Begin and end of everything.
    pub(super) fn window(&self, request: &Request) -> Option<(UtcMs, UtcMs)> {
        let from = self.sites.iter().filter_map(|s| s.span).map(|s| s.0).min();
        let to = self.sites.iter().filter_map(|s| s.span).map(|s| s.1).max();
        request.from.or(from).zip(request.to.or(to))
    }

    /// How the rovers of the sites near one fared.
    pub(super) fn near(&self, site: &SiteUnits, distance_km: f64) -> Vec<&PackedGrid> {
        self.sites
            .iter()
            .filter(|s| s.site != site.site && are_near(s.position, site.position, distance_km))
            .flat_map(|s| s.grids.iter().map(|(_, _, grid)| grid))
            .collect()
    }
}

fn widen(span: &mut Option<(UtcMs, UtcMs)>, by: Option<(UtcMs, UtcMs)>) {
    if let Some((a, b)) = by {
        *span = Some(span.map_or((a, b), |(x, y)| (x.min(a), y.max(b))));
    }
}

fn are_near(a: Option<(f64, f64, f64)>, b: Option<(f64, f64, f64)>, distance_km: f64) -> bool {
    match (a, b) {
        (Some((y1, x1, _)), Some((y2, x2, _))) => great_circle_m(y1, x1, y2, x2) <= distance_km * 1000.0,
        _ => false,
    }
}

fn base_facts(index: usize, unit: &Unit, beside: &Beside, request: &Request) -> Result<BaseFacts, RunError> {
    let levels = Wanted { table: "signals", columns: Columns::Only(&LEVEL_COLUMNS) };
    let mut wanted = ["positions", "corrections", "spans", "logged"].map(Wanted::whole).to_vec();
    wanted.push(levels);
    let frames = unit.frames(&wanted, request)?;
    let position = sites::base_position(&frames, &unit.card);
    let span = sites::span_of(&frames);
    let at = BaseAt {
        unit: unit.unit.clone(),
        site: unit.site.clone().unwrap_or_else(|| inferred_site(unit, position, beside)),
        station_ids: station_ids(&frames, &unit.card),
        position: position.map(|(lat, lon, _)| (lat, lon)),
        span,
    };
    let present = span.is_some() || frames.logged.height() > 0;
    Ok(BaseFacts { index, at, position, present, level: Level::of(&frames) })
}

/// A base that nobody placed belongs to the register's site within 2 km, else it is a site of its own.
fn inferred_site(unit: &Unit, position: Option<(f64, f64, f64)>, beside: &Beside) -> String {
    let near = position.and_then(|(lat, lon, _)| {
        beside
            .fleet
            .sites
            .iter()
            .filter_map(|s| s.latitude.zip(s.longitude).map(|(y, x)| (great_circle_m(lat, lon, y, x), s)))
            .filter(|(d, _)| *d <= 2_000.0)
            .min_by(|a, b| a.0.total_cmp(&b.0))
    });
    near.map_or_else(|| unit.unit.clone(), |(_, s)| s.id.clone())
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_order_whatever_fits() {
        for bytes in [1, SIDE_BY_SIDE_BYTES / 2, SIDE_BY_SIDE_BYTES * 3] {
            assert_eq!(side_by_side(&[bytes; 5], Ok).unwrap(), [0, 1, 2, 3, 4]);
        }
    }
}
