//! Ionosphere maps (IONEX) beside the bundles: what they say over a place.

use super::read::read_bundle;
use crate::crawl::{BundleKind, BundleRef, Limits as CrawlLimits};
use crate::detect::steep_ionosphere::{self, MapSeries};
use crate::formats::ionex::Maps;
use crate::formats::text::FormatSettings;
use crate::model::event::Origin;
use crate::model::problem::Problem;
use crate::model::time::UtcMs;
use std::collections::BTreeSet;
use std::path::Path;

/// Values of all files together: 64 MB, four months of the usual maps.
const VALUES_LIMIT: usize = 16_000_000;

/// All maps, a file after the other.
#[derive(Debug, Clone, Default)]
pub(crate) struct IonosphereMaps {
    files: Vec<(Maps, Origin)>,
    values: usize,
}

impl IonosphereMaps {
    /// Reads a file (also `.gz`, `.Z`, a zip with several); `None` when there are no maps in it. What was wrong stands beside.
    pub(crate) fn read(&mut self, path: &Path, shown: &str, most_bytes: u64) -> Option<Vec<Problem>> {
        let bundle = BundleRef {
            path: shown.to_owned(),
            source: path.to_owned(),
            kind: BundleKind::File,
            bytes: std::fs::metadata(path).map_or(0, |m| m.len()),
            files: Vec::new(),
            not_taken: Vec::new(),
        };
        let limits =
            CrawlLimits { max_member_bytes: most_bytes, max_bundle_bytes: most_bytes, ..CrawlLimits::default() };
        let read = read_bundle(&bundle, &limits, &FormatSettings::default());
        let mut problems = Vec::new();
        let mut any = false;
        for mut parsed in read.files {
            let Some(mut maps) = parsed.maps.take() else { continue };
            any = true;
            problems.append(&mut parsed.look.problems);
            // How sure the maps are is not asked for.
            maps.rms = Vec::new();
            maps.tec.sort_by_key(|m| m.time);
            self.values += maps.tec.iter().map(|m| m.values_tecu.len()).sum::<usize>();
            if self.values > VALUES_LIMIT {
                problems.push(Problem::whole(
                    "more ionosphere maps than can be held: these are not used",
                    "give only the files of the days that are looked at",
                ));
                break;
            }
            self.files.push((*maps, Origin { bundle: shown.to_owned(), file: parsed.look.path }));
        }
        problems.extend(read.ends.problems);
        problems.extend(read.ends.files.into_iter().flat_map(|f| f.problems));
        any.then_some(problems)
    }

    /// The gradient of the vertical delay over a place, a list for each file: time, mm per km on L1. Of a time that several files cover
    /// the first one counts.
    pub(crate) fn over(&self, place: (f64, f64)) -> Vec<(&Origin, Vec<(UtcMs, f64)>)> {
        let mut covered: BTreeSet<UtcMs> = BTreeSet::new();
        let mut out = Vec::new();
        for (maps, origin) in &self.files {
            let series = MapSeries {
                maps: maps.tec.iter().enumerate().filter_map(|(i, m)| Some((m.time, maps.tec_map(i)?))).collect(),
                shell_radius_m: maps.base_radius_m + maps.height_m,
            };
            let mut samples = steep_ionosphere::gradients(&series, place);
            samples.retain(|(t, _)| covered.insert(*t));
            out.push((origin, samples));
        }
        out
    }
}
