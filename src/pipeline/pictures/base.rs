//! The sky of one base by itself, for `look`: by elevation in numbers, and what its page draws.

use super::sky::{self, Rows};
use super::tracks;
use crate::detect::{CLEAN_MP_ORIGIN, clean_mp_m};
use crate::frames::{UnitFrames, view};
use crate::model::ids::Band;
use crate::model::picture::{MultipathCurve, SkyBand, SkyPage, SkyRow};
use crate::model::time::UtcMs;

/// Edges of the elevation bands, degrees: those of the expected C/N0 (check values 10.2).
const EDGES_DEG: [f64; 7] = [0.0, 5.0, 10.0, 20.0, 40.0, 60.0, 90.0];
/// Height of a bin of the multipath curve, degrees.
const CURVE_DEG: f64 = 5.0;
/// Satellite-minutes below which a bin is not drawn.
const LEAST_MINUTES: usize = 5;

/// Which elevation band.
fn row_of(elevation_deg: f64) -> usize {
    EDGES_DEG.partition_point(|e| *e <= elevation_deg).clamp(1, EDGES_DEG.len() - 1) - 1
}

/// The sky by elevation; empty when no direction is known.
pub(in crate::pipeline) fn rows(base: &UnitFrames) -> Vec<SkyRow> {
    let columns = Rows::of(base);
    let mut rows: Vec<SkyRow> = EDGES_DEG
        .windows(2)
        .filter_map(|e| Some(SkyRow { from_deg: *e.first()?, to_deg: *e.last()?, ..SkyRow::default() }))
        .collect();
    if columns.elevation.iter().all(|e| !e.is_finite()) {
        return Vec::new();
    }
    let elevation = view::f32s(&base.expected, "elevation");
    if elevation.is_empty() {
        // Rows come by time and satellite: the first signal of a satellite counts the minute.
        let mut last = None;
        for i in (0..columns.time.len()).filter(|i| columns.elevation[*i] >= 0.0) {
            let key = (columns.time[i], columns.sat[i]);
            if last != Some(key)
                && let Some(row) = rows.get_mut(row_of(f64::from(columns.elevation[i])))
            {
                row.tracked += 1;
            }
            last = Some(key);
        }
    } else {
        for row in &mut rows {
            row.expected = Some(0);
        }
        for (e, tracked) in elevation.iter().zip(view::bools(&base.expected, "tracked")) {
            if let Some(row) = rows.get_mut(row_of(f64::from(*e))) {
                row.expected = row.expected.map(|n| n + 1);
                row.tracked += u32::from(tracked);
            }
        }
    }
    for band in Band::ALL {
        // Sum and number of C/N0 and of squares of multipath.
        let mut sums = vec![[(0.0, 0_u32); 2]; rows.len()];
        for (elevation, cn0, mp_m) in columns.of_band(band) {
            let Some([c, m]) = sums.get_mut(row_of(elevation)) else { continue };
            for (to, value) in [(c, cn0), (m, mp_m * mp_m)] {
                if value.is_finite() {
                    *to = (to.0 + value, to.1 + 1);
                }
            }
        }
        let mean = |(sum, n): (f64, u32)| (n > 0).then(|| sum / f64::from(n));
        for (row, [c, m]) in rows.iter_mut().zip(sums) {
            let (cn0_mean_dbhz, mp_rms_m) = (mean(c), mean(m).map(f64::sqrt));
            if cn0_mean_dbhz.is_some() || mp_rms_m.is_some() {
                row.bands.push(SkyBand { band: band.name().to_owned(), cn0_mean_dbhz, mp_rms_m });
            }
        }
    }
    rows
}

fn multipath(base: &UnitFrames, columns: &Rows, band: Band) -> Option<MultipathCurve> {
    let n = (90.0 / CURVE_DEG) as usize;
    let mut bins: Vec<(Vec<f32>, f64, u32)> = vec![(Vec::new(), 0.0, 0); n];
    for (elevation, cn0, mp_m) in columns.of_band(band).filter(|r| r.2.is_finite()) {
        let Some(bin) = bins.get_mut(((elevation / CURVE_DEG) as usize).min(n - 1)) else { continue };
        bin.0.push(mp_m as f32);
        if cn0.is_finite() {
            *bin = (std::mem::take(&mut bin.0), bin.1 + cn0, bin.2 + 1);
        }
    }
    let mut out = MultipathCurve {
        unit: base.unit.clone(),
        band: band.name().to_owned(),
        clean_from: CLEAN_MP_ORIGIN.to_owned(),
        ..MultipathCurve::default()
    };
    for (k, (mut values, cn0, with_cn0)) in bins.into_iter().enumerate().filter(|(_, b)| b.0.len() >= LEAST_MINUTES) {
        values.sort_unstable_by(f32::total_cmp);
        let at = |q: f64| values.get(((values.len() - 1) as f64 * q).round() as usize).copied().unwrap_or(f32::NAN);
        let low = k as f64 * CURVE_DEG;
        out.bins.push((
            low,
            low + CURVE_DEG,
            at(0.1),
            at(0.5),
            at(0.9),
            u32::try_from(values.len()).unwrap_or(u32::MAX),
        ));
        if with_cn0 > 0 {
            let middle = low + CURVE_DEG / 2.0;
            out.clean.push((middle, clean_mp_m(band, middle, cn0 / f64::from(with_cn0))));
        }
    }
    (out.bins.len() >= 2).then_some(out)
}

/// What the page draws; who it is and what is missing is left to the caller.
pub(in crate::pipeline) fn page(
    base: &UnitFrames,
    place: Option<(f64, f64)>,
    from: UtcMs,
    to: UtcMs,
    rows: Vec<SkyRow>,
) -> SkyPage {
    let columns = Rows::of(base);
    SkyPage {
        unit: base.unit.clone(),
        from,
        to,
        directions_from: base.geometry_from.words().to_owned(),
        rows,
        skies: sky::sky(base, place).into_iter().collect(),
        elevation: sky::curves(base),
        multipath: Band::ALL.into_iter().filter_map(|band| multipath(base, &columns, band)).collect(),
        tracks: tracks::of_base(base, from, to),
        ..SkyPage::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::UnitBuilder;
    use crate::model::event::Origin;
    use crate::model::ids::{Role, Sat, Signal, System};
    use crate::model::rows::{Rows, SignalMinute};

    #[test]
    fn elevations_fall_into_their_band() {
        let rows: Vec<usize> = [0.0, 4.9, 5.0, 19.99, 60.0, 90.0].map(row_of).to_vec();
        assert_eq!(rows, [0, 0, 1, 2, 5, 5]);
    }

    /// Means and roots worked out by hand: 40 and 44 dB-Hz are 42, 0.3 and 0.4 m are sqrt(0.125) m.
    #[test]
    fn means_and_roots_stand_in_their_row() {
        let mut rows_of = Rows::default();
        let sat = |n| Sat::new(System::Gps, n).code();
        let signal = Signal { system: System::Gps, code: *b"1C" };
        for (n, cn0_mean, mp_rms_m) in [(1, 40.0, 0.3), (2, 44.0, 0.4)] {
            rows_of.signals.push(SignalMinute {
                sat: sat(n),
                signal: signal.pack(),
                band: Band::L1.code(),
                cn0_mean,
                azimuth: 10.0,
                elevation: 30.0,
                mp_rms_m,
                ..SignalMinute::default()
            });
        }
        let mut builder = UnitBuilder::new("B", Role::Base, "");
        builder.add(Origin { bundle: "b".to_owned(), file: "f".to_owned() }, rows_of);
        let rows = rows(&builder.build().unwrap());
        let row = rows.iter().find(|r| r.from_deg == 20.0).unwrap();
        assert_eq!((row.expected, row.tracked), (None, 2));
        let band = row.bands.first().unwrap();
        assert_eq!((band.band.as_str(), band.cn0_mean_dbhz), ("L1", Some(42.0)));
        assert!((band.mp_rms_m.unwrap() - 0.125_f64.sqrt()).abs() < 1e-6);
        assert!(rows.iter().filter(|r| r.from_deg != 20.0).all(|r| r.tracked == 0 && r.bands.is_empty()));
    }
}
