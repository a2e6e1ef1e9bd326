//! Sentences of one time of day become one epoch, whatever sentence leads; epochs become rows.
//!
//! - A fix row a second: the first epoch in each second of UTC. A second begins 50 ms early here, for receivers whose epochs
//!   wander about the full second. What changes within a second (10 Hz logs) is not kept.
//! - GGA without a time of day (many receivers that lose all satellites): epochs without a fix, spread evenly between the
//!   timed epochs before and after them, if those are at most 10 s a sentence apart. At the ends of a file they are only
//!   counted.
//! - The best source of an epoch makes its row: GGA, then GNS, RMC, GLL. GST joins by its time of day, before or after.
//! - A position row a minute: the first GGA of the minute that has a position and a height and quality 0 to 8.
//! - Position spans end where epochs are more than 10 s apart.

use super::gst::Gst;
use crate::maths::geodesy::{Geodetic, geodetic_to_ecef};
use crate::model::clock::StreamClock;
use crate::model::ids::FixState;
use crate::model::rows::{Fix, NO_COUNT, NO_STATION, Position, Rows, SPAN_POSITIONS, Span};
use crate::model::time::{MINUTE_MS, SECOND_MS, UtcMs};

/// A longer time between two epochs ends a span.
const SPAN_GAP_MS: i64 = 10 * SECOND_MS;
/// A second begins so much early.
const EARLY_MS: i64 = 50;
/// How good a sentence is as the source of an epoch's fix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    Nothing,
    Gll,
    Rmc,
    Gns,
    Gga,
}

/// The epoch that is being put together; kept in its place from epoch to epoch, because moving it costs.
#[derive(Debug, Clone)]
struct Open {
    /// Whether there is one.
    is_open: bool,
    of_day_ms: i64,
    source: Source,
    fix: Fix,
    /// The position may be that of a base.
    position: bool,
}

impl Default for Open {
    fn default() -> Open {
        Open { is_open: false, of_day_ms: 0, source: Source::Nothing, fix: empty_fix(0), position: false }
    }
}

/// What was made of the epochs so far.
#[derive(Debug, Clone, Default)]
struct Made {
    rows: Rows,
    second: Option<i64>,
    minute: Option<i64>,
    span: Option<Span>,
    ends: Option<(UtcMs, UtcMs)>,
    count: u64,
}

/// Epochs of one stream and the rows made from them.
#[derive(Debug, Clone, Default)]
pub(super) struct Epochs {
    made: Made,
    open: Open,
    waiting: Option<Gst>,
    now: Option<UtcMs>,
    /// Epochs without a time since the last one with a time.
    untimed: u64,
    /// Epochs without a time that were given one.
    spread: u64,
    lost: u64,
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
        if self.open.is_open && self.open.of_day_ms == of_day_ms {
            return;
        }
        self.close();
        let time = clock.time_of_day(of_day_ms);
        if self.untimed > 0 {
            self.spread_untimed(time);
        }
        self.open.fix = empty_fix(time);
        if let Some(gst) = self.waiting.take_if(|gst| gst.of_day_ms == of_day_ms) {
            (self.open.fix.sigma_h_m, self.open.fix.sigma_v_m) = (gst.sigma_h_m, gst.sigma_v_m);
        }
        self.now = Some(time);
        self.open.is_open = true;
        self.open.of_day_ms = of_day_ms;
        self.open.source = Source::Nothing;
        self.open.position = false;
    }

    /// A GGA without a time. Where another sentence gave the open epoch its time (RMC from the receiver's own clock) it is
    /// that epoch's GGA, else an epoch of its own.
    pub(super) fn untimed(&mut self) {
        if !self.open.is_open || self.open.source == Source::Gga {
            self.untimed += 1;
        }
    }

    /// Epochs without a time: given one between their neighbours, and lost.
    pub(super) fn without_time(&self) -> (u64, u64) {
        (self.spread, self.lost + self.untimed)
    }

    fn spread_untimed(&mut self, until: UtcMs) {
        let n = std::mem::take(&mut self.untimed);
        let parts = i64::try_from(n).unwrap_or(i64::MAX).saturating_add(1);
        let from = self.now.filter(|from| *from < until && (until - from) / parts <= SPAN_GAP_MS);
        let Some(from) = from else {
            self.lost += n;
            return;
        };
        self.spread += n;
        let mut before = from;
        for i in 1..parts {
            let time = from + (i128::from(until - from) * i128::from(i) / i128::from(parts)) as i64;
            // More sentences than milliseconds make no more rows.
            if time > before {
                self.made.give(&empty_fix(time), false);
                before = time;
            }
        }
    }

    /// A date sentence of the same time of day as the open epoch told its exact time.
    pub(super) fn dated(&mut self, of_day_ms: i64, exact: UtcMs) {
        if self.open.is_open && self.open.of_day_ms == of_day_ms {
            self.open.fix.time = exact;
            self.now = Some(exact);
        }
    }

    /// Fills the open epoch, unless a better source has done so already. `position`: may be that of a base.
    pub(super) fn fill(&mut self, source: Source, position: bool, write: impl FnOnce(&mut Fix)) {
        let open = &mut self.open;
        if open.is_open && source > open.source {
            let Fix { time, sigma_h_m, sigma_v_m, hdop, .. } = open.fix;
            if open.source != Source::Nothing {
                open.fix = Fix { sigma_h_m, sigma_v_m, ..empty_fix(time) };
            }
            write(&mut open.fix);
            if open.fix.hdop.is_nan() {
                open.fix.hdop = hdop;
            }
            open.source = source;
            open.position = position;
        }
    }

    /// Sigmas for the epoch of their time, open or still to come.
    pub(super) fn sigmas(&mut self, gst: Gst) {
        match Some(&mut self.open).filter(|open| open.is_open && open.of_day_ms == gst.of_day_ms) {
            Some(open) => (open.fix.sigma_h_m, open.fix.sigma_v_m) = (gst.sigma_h_m, gst.sigma_v_m),
            None => self.waiting = Some(gst),
        }
    }

    /// HDOP from a sentence without time, for the open epoch if it has none.
    pub(super) fn hdop(&mut self, hdop: f32) {
        if self.open.is_open && self.open.fix.hdop.is_nan() {
            self.open.fix.hdop = hdop;
        }
    }

    /// Time of the last epoch, for sentences that carry none.
    pub(super) fn now(&self) -> Option<UtcMs> {
        self.now
    }

    /// First and last epoch.
    pub(super) fn ends(&self) -> Option<(UtcMs, UtcMs)> {
        self.made.ends
    }

    /// Epochs so far, without the open one.
    pub(super) fn count(&self) -> u64 {
        self.made.count
    }

    /// Moves everything that was given out.
    pub(super) fn shift(&mut self, delta_ms: i64) {
        self.made.shift(delta_ms);
        self.open.fix.time += delta_ms;
        self.now = self.now.map(|now| now + delta_ms);
    }

    /// Bytes of rows that are held.
    pub(super) fn held(&self) -> usize {
        self.made.rows.bytes()
    }

    /// Takes the rows out that are there.
    pub(super) fn give_out(&mut self) -> Rows {
        self.made.rows.split_front(|_, n| n)
    }

    /// Ends the open epoch.
    pub(super) fn close(&mut self) {
        if std::mem::take(&mut self.open.is_open) && self.open.source != Source::Nothing {
            self.made.give(&self.open.fix, self.open.position);
        }
    }

    /// Ends the last epoch and the last span.
    pub(super) fn finish(&mut self) {
        self.close();
        if let Some(span) = self.made.span.take() {
            self.made.rows.spans.push(span);
        }
    }

    /// The rows.
    pub(super) fn into_rows(self) -> Rows {
        self.made.rows
    }
}

impl Made {
    fn shift(&mut self, delta_ms: i64) {
        self.rows.shift(delta_ms);
        if let Some(span) = &mut self.span {
            span.time += delta_ms;
            span.until += delta_ms;
        }
        self.second = self.second.map(|s| s + delta_ms.div_euclid(SECOND_MS));
        self.minute = self.minute.map(|m| m + delta_ms.div_euclid(MINUTE_MS));
        self.ends = self.ends.map(|(from, to)| (from + delta_ms, to + delta_ms));
    }

    /// Makes rows of an epoch.
    fn give(&mut self, fix: &Fix, position: bool) {
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
        if position && self.minute != Some(minute) {
            self.minute = Some(minute);
            let [x_m, y_m, z_m] = geodetic_to_ecef(&Geodetic { lat_deg: fix.lat, lon_deg: fix.lon, h_m: fix.height_m });
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
        let second = (time + EARLY_MS).div_euclid(SECOND_MS);
        if self.second != Some(second) {
            self.second = Some(second);
            self.rows.fixes.push(fix.clone());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::clock::DateHints;
    use crate::model::time::DAY_MS;

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
        assert_eq!(epochs.made.rows.fixes.satellites, [2, 5, 6]);
        assert_eq!(epochs.made.rows.fixes.sigma_h_m[..2], [0.5, 0.7]);
        assert!(epochs.made.rows.fixes.sigma_h_m[2].is_nan());
        assert_eq!(
            (epochs.made.rows.spans.time.as_slice(), epochs.made.rows.spans.epochs.as_slice()),
            (&[1_000, 20_000][..], &[3, 1][..])
        );
        assert_eq!(epochs.ends(), Some((1_000, 20_000)));
    }

    #[test]
    fn epochs_without_time_lie_between_their_neighbours() {
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        epochs.untimed(); // before the first time: cannot be placed
        fill(&mut epochs, &mut clock, 1_000, Source::Gga, 9);
        epochs.untimed();
        epochs.untimed();
        epochs.untimed();
        fill(&mut epochs, &mut clock, 5_000, Source::Gga, 9);
        epochs.untimed();
        fill(&mut epochs, &mut clock, 100_000, Source::Gga, 9); // too far for one sentence
        epochs.untimed();
        epochs.finish();
        assert_eq!(epochs.made.rows.fixes.time, [1_000, 2_000, 3_000, 4_000, 5_000, 100_000]);
        assert_eq!(epochs.made.rows.fixes.state[1..4], [FixState::None as u8; 3]);
        assert_eq!(epochs.made.rows.spans.epochs, [5, 1]);
        assert_eq!(epochs.without_time(), (3, 3));
    }

    #[test]
    fn a_gga_without_time_may_belong_to_an_epoch_timed_by_another_sentence() {
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        for time in [1_000, 2_000, 3_000] {
            fill(&mut epochs, &mut clock, time, Source::Rmc, 0);
            epochs.untimed();
        }
        epochs.finish();
        assert_eq!((epochs.count(), epochs.without_time()), (3, (0, 0)));
    }

    #[test]
    fn epochs_that_wander_about_the_second_are_all_kept() {
        // Times of a real receiver (/work/shared/data/nmea/gpsd/no-fix-to-fix.log): .99, .98, then 0.00.
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        for time in [1_000, 1_990, 2_980, 4_000] {
            fill(&mut epochs, &mut clock, time, Source::Gga, 1);
        }
        epochs.finish();
        assert_eq!(epochs.made.rows.fixes.time, [1_000, 1_990, 2_980, 4_000]);
    }

    #[test]
    fn a_shift_moves_the_open_epoch_too() {
        let mut clock = StreamClock::new(DateHints { unit_card: Some(0), ..DateHints::default() });
        let mut epochs = Epochs::default();
        fill(&mut epochs, &mut clock, 1_000, Source::Gga, 1);
        fill(&mut epochs, &mut clock, 2_000, Source::Gga, 1);
        epochs.shift(DAY_MS);
        epochs.finish();
        assert_eq!(epochs.made.rows.fixes.time, [DAY_MS + 1_000, DAY_MS + 2_000]);
        assert_eq!(epochs.made.rows.spans.until, [DAY_MS + 2_000]);
    }
}
