//! What is said of a judged site waits for the report: in memory while there is room, then on disk.

use crate::model::findings::Working;
use crate::model::held::Held;
use crate::model::picture::{SitePicture, SitePictures};
use crate::store::Scratch;
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::sync::Arc;

/// About what it takes in memory, bytes.
pub(super) trait Size {
    fn bytes(&self) -> u64;
}

/// A text with its place in a list and its allocation.
const TEXT_BYTES: u64 = 64;

impl Size for Working {
    fn bytes(&self) -> u64 {
        let evidence: u64 = self.stretches.iter().map(|s| 8 * s.evidence.len() as u64).sum();
        evidence + (size_of::<crate::model::findings::Stretch>() * self.stretches.len()) as u64
    }
}

impl Size for SitePicture {
    fn bytes(&self) -> u64 {
        let n = |n: usize, bytes: u64| n as u64 * bytes;
        let marks = self.strips.iter().map(|s| n(s.marks.len(), 16 + 2 * TEXT_BYTES)).sum::<u64>();
        let bins = self.tracks.iter().map(|t| n(t.bins.len(), 16)).sum::<u64>();
        let cells = self.skies.iter().map(|s| n(s.cells.len(), 48)).sum::<u64>();
        let table = |t: &crate::model::picture::SmallTable| t.rows.iter().map(|r| n(r.len(), TEXT_BYTES)).sum::<u64>();
        let rows = self.tables.iter().map(table).sum::<u64>();
        let days = self.rhythm.as_ref().map_or(0, |r| r.days.iter().map(|d| n(d.1.len(), 16)).sum());
        let plan = self.plan.as_ref().map_or(0, |p| n(p.cells.len(), 24));
        marks + bins + cells + rows + days + plan + n(self.shades.len(), 24)
    }
}

/// Holds a value for the report. Where it cannot be put aside (no room on the disk, no right to write) it stays in memory: a report that
/// takes more memory is better than none.
pub(super) fn hold<T>(scratch: &Arc<Scratch>, value: T) -> Held<T>
where
    T: Size + Serialize + DeserializeOwned,
{
    if scratch.fits(value.bytes()) {
        return Held::Here(value);
    }
    let Some(kept) = rmp_serde::to_vec(&value).ok().and_then(|bytes| scratch.put(&bytes).ok()) else {
        return Held::Here(value);
    };
    Held::Aside(Arc::new(move || {
        let bytes = kept.read().map_err(|e| e.to_string())?;
        rmp_serde::from_slice(&bytes).map_err(|e| format!("what was put aside of a site is damaged: {e}; run again"))
    }))
}

/// The same of a picture, with what pages of other sites need of it.
pub(super) fn hold_picture(scratch: &Arc<Scratch>, picture: SitePicture) -> SitePictures {
    SitePictures {
        site: picture.site.clone(),
        time_zone: picture.time_zone.clone(),
        days: picture.days.clone(),
        trend: picture.trend,
        picture: hold(scratch, picture),
        ..SitePictures::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::findings::Stretch;
    use crate::model::picture::{Mark, SkyCell, SkyView, Strip, StripKind};

    #[test]
    fn what_was_put_aside_comes_back_as_it_was() {
        let folder = temp_dir::TempDir::new().unwrap();
        let cell = SkyCell { cn0_off_db: 0.1, reflected: f32::NAN, expected: Some(3), ..SkyCell::default() };
        let mark = Mark { from: -1, to: i64::MAX, class: "fixed".into(), title: "a \u{0} b".into() };
        let picture = SitePicture {
            site: "here".into(),
            skies: vec![SkyView { cells: vec![cell; 3], lowest_deg: vec![None, Some(12.5)], ..SkyView::default() }],
            strips: vec![Strip { label: "r".into(), kind: StripKind::Rover, marks: vec![mark] }],
            ..SitePicture::default()
        };
        let stretch = Stretch {
            unit: 0,
            from: 1,
            to: 2,
            lost_ms: 1,
            cause: 0,
            confidence: 0.1 + 0.2,
            others: 2,
            neighbours: 0,
            evidence: Box::new([(0, 0.3), (1, f32::INFINITY)]),
            ruled_out: 0,
        };
        let working = Working { units: vec!["r".into()], stretches: vec![stretch], ..Working::default() };
        for (limit, aside) in [(u64::MAX, false), (0, true)] {
            let scratch = Arc::new(Scratch::new(folder.path(), limit));
            let held = (hold(&scratch, picture.clone()), hold(&scratch, working.clone()));
            assert_eq!(matches!(held, (Held::Aside(_), Held::Aside(_))), aside);
            // The folder lives as long as somebody may ask for what lies in it.
            drop(scratch);
            for _ in 0..2 {
                assert_eq!(format!("{picture:?}"), format!("{:?}", held.0.get().unwrap()));
                assert_eq!(working, *held.1.get().unwrap());
            }
            drop(held);
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        }
        let scratch = Arc::new(Scratch::new(folder.path(), 0));
        let held = hold(&scratch, picture.clone());
        let kept = std::fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
        std::fs::remove_dir_all(kept).unwrap();
        assert!(held.get().unwrap_err().contains("put aside"), "a file that is gone is told");
        let file = folder.path().join("a file");
        std::fs::write(&file, "").unwrap();
        let nowhere = Arc::new(Scratch::new(&file.join("below it"), 0));
        assert!(matches!(hold(&nowhere, picture), Held::Here(_)), "no room is no reason for no report");
    }
}
