//! The sky of the base that a look finds: its rows and orbits gathered while the bundles are read, then directions, a table
//! by elevation and, when it is wanted, what the page shows.

use super::Rules;
use super::look::LookSky;
use super::pictures::base;
use super::read::{ReadBundle, take_rows};
use super::sites;
use super::sky::{Common, Navigation, Once};
use crate::config::card::UnitCard;
use crate::detect::{self, Setup};
use crate::frames::{UnitBuilder, UnitFrames};
use crate::identify::{self, KnownFrom, PathPattern};
use crate::maths::orbits::Ephemeris;
use crate::model::event::Origin;
use crate::model::ids::Role;
use crate::model::picture::SkyPage;
use crate::model::rows::Rows;
use crate::model::sky::GeometryFrom;
use std::collections::BTreeSet;
use std::sync::Arc;

/// Satellite and signal minutes that are kept, all bundles together: about five days of a large receiver, 100 MB.
const MOST_MINUTES: usize = 1_000_000;
/// Events of detectors that concern the sky.
const KINDS: [&str; 23] = [
    "sky-blocked",
    "sky-covered",
    "multipath",
    "weak-whole-sky",
    "weak-sector",
    "part-of-sky-drop",
    "second-frequency-lost",
    "second-frequency-ageing",
    "satellites-fading",
    "satellites-few",
    "satellites-few-weak",
    "band-drop",
    "lower-bands-drop",
    "level-steady",
    "band-jumps",
    "band-sinks",
    "all-bands-drop",
    "all-bands-jump",
    "all-bands-sink",
    "slips-many",
    "scintillation",
    "ionosphere-disturbed",
    "system-stopped",
];

/// Whose sky it is.
struct Who {
    unit: String,
    site: String,
    card: UnitCard,
}

/// What the bundles of a look hold about the sky.
#[derive(Default)]
pub(super) struct Gather {
    base: Option<Who>,
    rows: Vec<(Origin, Rows)>,
    /// Of the base's own files; of others.
    own: Vec<Arc<Ephemeris>>,
    others: Vec<Arc<Ephemeris>>,
    once: Once,
    common: Common,
    minutes: usize,
    /// Other bases than the first.
    further: BTreeSet<String>,
    rovers: BTreeSet<String>,
    /// A bundle has observations, but neither its names nor its data tell base or rover.
    undecided: bool,
    /// Bundles of the base that were too much.
    left_out: usize,
}

impl Gather {
    /// Takes rows and orbits out of a bundle that was read.
    pub(super) fn add(&mut self, read: &mut ReadBundle, paths: &[PathPattern]) {
        let orbits = self.orbits(read);
        let facts = read.facts();
        let placed = identify::place(&facts, &Default::default(), paths);
        let role = placed.as_ref().map(|p| p.role);
        let minutes: usize = read.files.iter().map(|f| f.rows.signals.len()).sum();
        if role == Some(Role::Rover) {
            self.others.extend(orbits);
            self.rovers.extend(placed.map(|p| p.unit));
            return;
        }
        // Observations that nobody names are taken as those of a base: a rover's log has fixes.
        if minutes == 0 || (role.is_none() && facts.fixes > 0) {
            self.undecided |= minutes > 0;
            self.own.extend(orbits);
            return;
        }
        let named = placed.filter(|p| p.known_from != KnownFrom::Inferred);
        let markers = &facts.identity.markers;
        let who = match named {
            Some(p) => Who { site: p.site.unwrap_or_else(|| p.unit.clone()), unit: p.unit, card: p.card },
            None => {
                // Files of several stations side by side make no one sky.
                self.further.extend(markers.iter().skip(1).cloned());
                let file = || read.path.rsplit(['/', '!']).find(|s| !s.is_empty()).unwrap_or("base").to_owned();
                let unit = markers.first().cloned().unwrap_or_else(file);
                Who { site: unit.clone(), unit, card: UnitCard::default() }
            }
        };
        match &self.base {
            Some(first) if first.unit != who.unit => {
                self.further.insert(who.unit);
                self.others.extend(orbits);
                return;
            }
            Some(_) => {}
            None => self.base = Some(who),
        }
        self.own.extend(orbits);
        if self.minutes > 0 && self.minutes + minutes > MOST_MINUTES {
            self.left_out += 1;
            return;
        }
        self.minutes += minutes;
        let path = read.path.clone();
        self.rows.extend(take_rows(read, &path));
    }

    /// Takes only the orbits.
    pub(super) fn add_orbits(&mut self, mut read: ReadBundle) {
        let orbits = self.orbits(&mut read);
        self.others.extend(orbits);
    }

    fn orbits(&mut self, read: &mut ReadBundle) -> Vec<Arc<Ephemeris>> {
        let mut out = Vec::new();
        for file in &mut read.files {
            let new = self.once.of(&std::mem::take(&mut file.ephemerides));
            out.extend(new.into_iter().map(|e| self.common.of(e)));
        }
        out
    }

    /// The sky, or why there is none and what to do.
    pub(super) fn sky(
        mut self,
        bundle: &str,
        rules: &Rules,
        page: bool,
    ) -> Result<(LookSky, Option<Box<SkyPage>>), String> {
        let Some(who) = self.base.take() else {
            return Err(match self.rovers.first() {
                Some(rover) => format!(
                    "{bundle}: a rover's log ({rover}); the sky is drawn of a base. Name a base's bundle, or a file with its \
                     observations"
                ),
                None if self.undecided => format!(
                    "{bundle}: it has positions and observations, and nothing tells whether it is a base's or a rover's; put a \
                     unit.toml with id, role and site into it"
                ),
                None => format!(
                    "{bundle}: no observations of satellites in it, so there is no sky to draw. Name a bundle or file with RTCM 3 \
                     observation messages or a RINEX observation file"
                ),
            });
        };
        if !self.further.is_empty() {
            let names: Vec<&str> =
                std::iter::once(&who.unit).chain(&self.further).map(String::as_str).take(6).collect();
            return Err(format!(
                "{bundle}: observations of several bases ({}{}); name the bundle or file of one",
                names.join(", "),
                if self.further.len() > 5 { ", ..." } else { "" }
            ));
        }
        let table = |e: crate::frames::FrameError| format!("{bundle}: its tables could not be made: {e}");
        let mut builder = UnitBuilder::new(&who.unit, Role::Base, &who.site);
        for (origin, rows) in std::mem::take(&mut self.rows) {
            builder.add(origin, rows);
        }
        let mut frames = builder.build().map_err(table)?;
        let place = sites::base_position(&frames, &who.card);
        let mut navigation = Navigation::default();
        navigation.add_own(&who.site, std::mem::take(&mut self.own));
        navigation.add_others(&self.others);
        if let Some(place) = place {
            frames = navigation.directions(frames, Some(&who.site), place).map_err(table)?;
        }
        let rows = base::rows(&frames);
        let missing = self.missing(&frames, place.is_some(), !navigation.is_empty(), &rows);
        let sky = LookSky {
            directions_from: frames.geometry_from.words().to_owned(),
            elevation: rows.clone(),
            missing: missing.clone(),
        };
        if !page {
            return Ok((sky, None));
        }
        let (from, to) = sites::span_of(&frames).ok_or_else(|| {
            format!("{bundle}: its observations have no time, so nothing can be drawn. Name a bundle with dated files")
        })?;
        let setup = Setup { place, ..Setup::default() };
        let seen: Vec<_> = detect::base_events(&frames, &setup, &rules.limits)
            .into_iter()
            .filter(|e| KINDS.contains(&e.kind))
            .map(|e| (e.kind.to_owned(), e.from, e.to, e.detail))
            .collect();
        let at = place.map(|(lat, lon, _)| (lat, lon));
        let drawn = SkyPage {
            bundle: bundle.to_owned(),
            missing,
            seen,
            made_by: concat!("lostfix ", env!("CARGO_PKG_VERSION")).to_owned(),
            ..base::page(&frames, at, from, to.max(from + 1), rows)
        };
        Ok((sky, Some(Box::new(drawn))))
    }

    /// What is missing, what stands instead and what to do.
    fn missing(
        &self,
        frames: &UnitFrames,
        place: bool,
        orbits: bool,
        rows: &[crate::model::picture::SkyRow],
    ) -> Vec<String> {
        let mut out = Vec::new();
        let instead = if frames.geometry_from == GeometryFrom::Lists {
            "the base's own satellite lists (GSV) give the directions, and what should have been tracked is not known"
        } else {
            "nothing is shown by elevation or direction, only over time"
        };
        match frames.geometry_from {
            GeometryFrom::OwnOrbits | GeometryFrom::OtherOrbits => {}
            _ if !orbits => out.push(format!(
                "No broadcast orbits (RINEX navigation file, RTCM 1019, 1020, 1042, 1044, 1045, 1046): {instead}. Put the \
                 navigation file of the day into the bundle's folder, or name it with --orbits FILE."
            )),
            _ if !place => out.push(format!(
                "Where the base stands is not known (RTCM 1005 or 1006, APPROX POSITION XYZ of RINEX, [reference] of \
                 unit.toml): {instead}."
            )),
            _ => out.push(format!(
                "The broadcast orbits are not of the time or the satellites of the observations: {instead}. Name the navigation \
                 file of the same day with --orbits FILE."
            )),
        }
        let bands = || rows.iter().flat_map(|r| &r.bands);
        if !rows.is_empty() && bands().all(|b| b.cn0_mean_dbhz.is_none()) {
            out.push("The observations have no C/N0: no curves of it.".to_owned());
        }
        if !rows.is_empty() && bands().all(|b| b.mp_rms_m.is_none()) {
            out.push(
                "No code multipath: it needs code and phase on two frequencies for a minute and ten epochs without a slip."
                    .to_owned(),
            );
        }
        if self.left_out > 0 {
            out.push(format!(
                "{} further bundles of this base are too much for one page and are left out; name fewer days.",
                self.left_out
            ));
        }
        out
    }
}
