//! Sentences of one time of day become one epoch, whatever sentence leads; epochs become rows.
//!
//! - A fix row a second: the first epoch in each second of UTC. What changes within a second (10 Hz logs) is not kept.
//! - The best source of an epoch makes its row: GGA, then GNS, RMC, GLL. GST joins by its time of day, before or after.
//! - A position row a minute: the first GGA of the minute that has a position and a height and quality 0 to 8.
//! - Position spans end where epochs are more than 10 s apart.

use super::gst::Gst;
use crate::model::clock::StreamClock;
use crate::model::ids::FixState;
use crate::model::rows::{Fix, NO_COUNT, NO_STATION, Position, Rows, SPAN_POSITIONS, Span};
use crate::model::time::{MINUTE_MS, SECOND_MS, UtcMs};

/// A longer time between two epochs ends a span.
const SPAN_GAP_MS: i64 = 10 * SECOND_MS;
/// WGS 84 equatorial radius, m, and first eccentricity squared (NGA.STND.0036).
const RADIUS_M: f64 = 6_378_137.0;
const ECCENTRICITY_2: f64 = 6.694_379_990_141_317e-3;

/// How good a sentence is as the source of an epoch's fix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    Nothing,
    Gll,
    Rmc,
    Gns,
    Gga,
}

/// The epoch that is being put together.
#[derive(Debug, Clone)]
struct Open {
    of_day_ms: i64,
    source: Source,
    fix: Fix,
    /// The position may be that of a base.
    position: bool,
}

/// Epochs of one stream and the rows made from them.
#[derive(Debug, Clone, Default)]
pub(super) struct Epochs {
    pub(super) rows: Rows,
    open: Option<Open>,
    waiting: Option<Gst>,
    second: Option<i64>,
    minute: Option<i64>,
    span: Option<Span>,
    ends: Option<(UtcMs, UtcMs)>,
    now: Option<UtcMs>,
    count: u64,
}

fn empty_fix(time: UtcMs) -> Fix {
    Fix {
        time,
        state: FixState::None as u8,
        satellites: NO_COUNT,
        hdop: f32::NAN,
        correction_age_s: f32::NAN,
        station_id: NO_STATION,
        lat: f64::NAN,
        lon: f64::NAN,
        height_m: f64::NAN,
        sigma_h_m: f32::NAN,
        sigma_v_m: f32::NAN,
    }
}

impl Epochs {
    /// Makes the epoch of a time of day the open one.
    pub(super) fn at(&mut self, of_day_ms: i64, clock: &mut StreamClock) {
        if self.open.as_ref().is_some_and(|open| open.of_day_ms == of_day_ms) {
            return;
        }
        self.close();
        let time = clock.time_of_day(of_day_ms);
        let mut fix = empty_fix(time);
        if let Some(gst) = self.waiting.take_if(|gst| gst.of_day_ms == of_day_ms) {
            (fix.sigma_h_m, fix.sigma_v_m) = (gst.sigma_h_m, gst.sigma_v_m);
        }
        self.now = Some(time);
        self.open = Some(Open { of_day_ms, source: Source::Nothing, fix, position: false });
    }

    /// A date sentence of the same time of day as the open epoch told its exact time.
    pub(super) fn dated(&mut self, of_day_ms: i64, exact: UtcMs) {
        if let Some(open) = self.open.as_mut().filter(|open| open.of_day_ms == of_day_ms) {
            open.fix.time = exact;
            self.now = Some(exact);
        }
    }

    /// Fills the open epoch, unless a better source has done so already. `position`: may be that of a base.
    pub(super) fn fill(&mut self, source: Source, position: bool, write: impl FnOnce(&mut Fix)) {
        if let Some(open) = &mut self.open
            && source > open.source
        {
            let old = std::mem::replace(&mut open.fix, empty_fix(0));
            (open.fix.time, open.fix.sigma_h_m, open.fix.sigma_v_m) = (old.time, old.sigma_h_m, old.sigma_v_m);
            write(&mut open.fix);
            if open.fix.hdop.is_nan() {
                open.fix.hdop = old.hdop;
            }
            open.source = source;
            open.position = position;
        }
    }

    /// Sigmas for the epoch of their time, open or still to come.
    pub(super) fn sigmas(&mut self, gst: Gst) {
        match self.open.as_mut().filter(|open| open.of_day_ms == gst.of_day_ms) {
            Some(open) => (open.fix.sigma_h_m, open.fix.sigma_v_m) = (gst.sigma_h_m, gst.sigma_v_m),
            None => self.waiting = Some(gst),
        }
    }

    /// HDOP from a sentence without time, for the open epoch if it has none.
    pub(super) fn hdop(&mut self, hdop: f32) {
        if let Some(open) = self.open.as_mut().filter(|open| open.fix.hdop.is_nan()) {
            open.fix.hdop = hdop;
        }
    }

    /// Time of the last epoch, for sentences that carry none.
    pub(super) fn now(&self) -> Option<UtcMs> {
        self.now
    }

    /// First and last epoch.
    pub(super) fn ends(&self) -> Option<(UtcMs, UtcMs)> {
        self.ends
    }

    /// Epochs so far, without the open one.
    pub(super) fn count(&self) -> u64 {
        self.count
    }

    /// Moves everything that was given out.
    pub(super) fn shift(&mut self, delta_ms: i64) {
        self.rows.shift(delta_ms);
        if let Some(open) = &mut self.open {
            open.fix.time += delta_ms;
        }
        if let Some(span) = &mut self.span {
            span.time += delta_ms;
            span.until += delta_ms;
        }
        self.second = self.second.map(|s| s + delta_ms.div_euclid(SECOND_MS));
        self.minute = self.minute.map(|m| m + delta_ms.div_euclid(MINUTE_MS));
        self.ends = self.ends.map(|(from, to)| (from + delta_ms, to + delta_ms));
        self.now = self.now.map(|now| now + delta_ms);
    }

    /// Ends the open epoch.
    pub(super) fn close(&mut self) {
        let Some(open) = self.open.take() else { return };
        if open.source == Source::Nothing {
            return;
        }
        let fix = open.fix;
        let time = fix.time;
        self.count += 1;
        self.ends = Some(self.ends.map_or((time, time), |(from, to)| (from.min(time), to.max(time))));
        match self.span.as_mut().filter(|span| (0..=SPAN_GAP_MS).contains(&(time - span.until))) {
            Some(span) => {
                span.until = time;
                span.epochs = span.epochs.saturating_add(1);
            }
            None => {
                let new = Span { time, until: time, kind: SPAN_POSITIONS, epochs: 1 };
                if let Some(old) = self.span.replace(new) {
                    self.rows.spans.push(old);
                }
            }
        }
        let minute = time.div_euclid(MINUTE_MS);
        if open.position && self.minute != Some(minute) {
            self.minute = Some(minute);
            let [x_m, y_m, z_m] = ecef(fix.lat, fix.lon, fix.height_m);
            self.rows.positions.push(Position {
                time,
                station_id: NO_STATION,
                x_m,
                y_m,
                z_m,
                antenna_height_m: f32::NAN,
                is_virtual: false,
                from_rtcm: false,
            });
        }
        let second = time.div_euclid(SECOND_MS);
        if self.second != Some(second) {
            self.second = Some(second);
            self.rows.fixes.push(fix);
        }
    }

    /// Ends the last epoch and the last span.
    pub(super) fn finish(&mut self) {
        self.close();
        if let Some(span) = self.span.take() {
            self.rows.spans.push(span);
        }
    }
}

/// Earth-centred coordinates in m of geodetic degrees and ellipsoidal height in m (WGS 84, closed form).
fn ecef(lat: f64, lon: f64, height_m: f64) -> [f64; 3] {
    let ((sin_lat, cos_lat), (sin_lon, cos_lon)) = (lat.to_radians().sin_cos(), lon.to_radians().sin_cos());
    let normal = RADIUS_M / (1.0 - ECCENTRICITY_2 * sin_lat * sin_lat).sqrt();
    [
        (normal + height_m) * cos_lat * cos_lon,
        (normal + height_m) * cos_lat * sin_lon,
        (normal * (1.0 - ECCENTRICITY_2) + height_m) * sin_lat,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::clock::DateHints;
    use crate::model::time::DAY_MS;

    #[test]
    fn corners_of_the_ellipsoid() {
        // NGA.STND.0036 (WGS 84): semi-major axis 6 378 137 m, semi-minor axis 6 356 752.3142 m.
        let close = |a: [f64; 3], b: [f64; 3]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-3);
        assert!(close(ecef(0.0, 0.0, 0.0), [6_378_137.0, 0.0, 0.0]));
        assert!(close(ecef(90.0, 0.0, 10.0), [0.0, 0.0, 6_356_762.314_2]));
        assert!(close(ecef(0.0, 90.0, 100.0), [0.0, 6_378_237.0, 0.0]));
    }

    fn fill(epochs: &mut Epochs, clock: &mut StreamClock, of_day_ms: i64, source: Source, satellites: u8) {
        epochs.at(of_day_ms, clock);
        epochs.fill(source, false, |fix| fix.satellites = satellites);
    }

    #[test]
    fn any_order_is_one_epoch_and_one_row_a_second() {
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        epochs.sigmas(Gst { of_day_ms: 1_000, sigma_h_m: 0.5, sigma_v_m: 1.0 }); // GST leads
        fill(&mut epochs, &mut clock, 1_000, Source::Rmc, 1);
        fill(&mut epochs, &mut clock, 1_000, Source::Gga, 2);
        fill(&mut epochs, &mut clock, 1_000, Source::Gns, 3);
        fill(&mut epochs, &mut clock, 1_100, Source::Gga, 4); // the same second
        fill(&mut epochs, &mut clock, 2_000, Source::Gns, 5);
        epochs.sigmas(Gst { of_day_ms: 2_000, sigma_h_m: 0.7, sigma_v_m: 1.0 }); // GST follows
        fill(&mut epochs, &mut clock, 20_000, Source::Gga, 6); // a gap
        epochs.finish();
        assert_eq!(epochs.rows.fixes.satellites, [2, 5, 6]);
        assert_eq!(epochs.rows.fixes.sigma_h_m[..2], [0.5, 0.7]);
        assert!(epochs.rows.fixes.sigma_h_m[2].is_nan());
        assert_eq!(
            (epochs.rows.spans.time.as_slice(), epochs.rows.spans.epochs.as_slice()),
            (&[1_000, 20_000][..], &[3, 1][..])
        );
        assert_eq!(epochs.ends(), Some((1_000, 20_000)));
    }

    #[test]
    fn a_shift_moves_the_open_epoch_too() {
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        fill(&mut epochs, &mut clock, 1_000, Source::Gga, 1);
        fill(&mut epochs, &mut clock, 2_000, Source::Gga, 1);
        epochs.shift(DAY_MS);
        epochs.finish();
        assert_eq!(epochs.rows.fixes.time, [DAY_MS + 1_000, DAY_MS + 2_000]);
        assert_eq!(epochs.rows.spans.until, [DAY_MS + 2_000]);
    }
}
