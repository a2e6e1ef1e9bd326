//! The stream clock: gives every record of one stream its UTC time, although most records carry only a part of it.
//!
//! A stream without a date starts from a hint (unit card, zip member time, file name: in this order) and is corrected by
//! the first record that carries a date. What had been given out before must then move by a [`Shift`]; the decoder
//! applies it to its rows. Rules and worked cases: `check-values.md` 1.4 and 1.5.

use super::time::{
    BDT_BEHIND_GPST_MS, DAY_MS, GLONASS_AHEAD_UTC_MS, HOUR_MS, UtcMs, WEEK_MS, date_text, gps_to_utc, utc_to_gps,
};

/// Where the date of a stream came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DateSource {
    /// A record of the stream: its name (`RMC`, `ZDA`, `1013`, ...).
    Record(&'static str),
    /// `logged_on` of the unit card.
    UnitCard,
    /// The time of the zip member, which has no zone.
    MemberTime,
    /// The file's name.
    FileName,
}

impl DateSource {
    /// In words for people.
    pub fn words(self) -> &'static str {
        match self {
            DateSource::Record(name) => name,
            DateSource::UnitCard => "unit card",
            DateSource::MemberTime => "zip member time",
            DateSource::FileName => "file name",
        }
    }
}

/// What is known about the date of a stream from outside it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DateHints {
    /// `logged_on` of the unit card: UTC day of the first epoch, days since 1970.
    pub unit_card: Option<i64>,
    /// Zip member time taken as if it were UTC, ms: the end of the writing, give or take a day.
    pub member_time: Option<UtcMs>,
    /// Date in the file's name, days since 1970.
    pub file_name: Option<i64>,
    /// The time of the run, UTC ms: no record is younger. A short week number without any other hint is then taken in the
    /// last cycle that is not in the future.
    pub now: Option<UtcMs>,
}

/// How far times that were given out before must move, by what they were made from.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Shift {
    /// Times from [`StreamClock::time_of_day`].
    pub of_day_ms: i64,
    /// Times from [`StreamClock::gps_time_of_week`] and its like.
    pub of_week_ms: i64,
}

/// What is said of a stream's date at its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClockOutcome {
    /// Where the date came from; `None`: the stream has times but no date, its rows cannot be placed.
    pub source: Option<DateSource>,
    /// A last move of everything that was given out.
    pub shift: Shift,
    /// Contradictions and repairs, in words.
    pub notes: Vec<String>,
}

/// A date without any hint starts here, so that the leap seconds are those of the years in use.
const NO_HINT_DAY: i64 = 18_262; // 2020-01-01
/// A time of day that falls by more than this belongs to the next day.
const FALL_LIMIT_MS: i64 = HOUR_MS;
/// A ten-bit GPS week starts again after 1024 weeks; a receiver that missed it is wrong by so many days.
const ROLLOVER_DAYS: i64 = 7_168;

/// Gives UTC times to the records of one stream.
#[derive(Debug, Clone)]
pub struct StreamClock {
    hints: DateHints,
    start: Option<DateSource>,
    dated: Option<DateSource>,
    weak_day: Option<(i64, i64, &'static str)>,
    last: Option<UtcMs>,
    first: Option<UtcMs>,
    last_of_day: Option<UtcMs>,
    last_of_week: Option<UtcMs>,
    /// Times of day moved because a time of week told the day of the week.
    weekday_shift: Shift,
    notes: Vec<String>,
}

impl StreamClock {
    /// A clock for one stream.
    pub fn new(hints: DateHints) -> StreamClock {
        let start = if hints.unit_card.is_some() {
            Some(DateSource::UnitCard)
        } else if hints.member_time.is_some() {
            Some(DateSource::MemberTime)
        } else if hints.file_name.is_some() {
            Some(DateSource::FileName)
        } else {
            None
        };
        StreamClock {
            hints,
            start,
            dated: None,
            weak_day: None,
            last: None,
            first: None,
            last_of_day: None,
            last_of_week: None,
            weekday_shift: Shift::default(),
            notes: Vec::new(),
        }
    }

    fn hint_day(&self) -> Option<i64> {
        self.hints.unit_card.or_else(|| self.hints.member_time.map(|t| t.div_euclid(DAY_MS))).or(self.hints.file_name)
    }

    fn give(&mut self, t: UtcMs) -> UtcMs {
        self.last = Some(t);
        if self.first.is_none() {
            self.first = Some(t);
        }
        t
    }

    /// The last time given out; `None` before the first.
    pub fn last(&self) -> Option<UtcMs> {
        self.last
    }

    /// Whether a record of the stream has given a date.
    pub fn is_dated(&self) -> bool {
        self.dated.is_some()
    }

    /// UTC of a time of day in ms since midnight UTC (a leap second may reach 86 400 999).
    pub fn time_of_day(&mut self, of_day_ms: i64) -> UtcMs {
        let t = match self.last {
            Some(last) => {
                let mut t = last.div_euclid(DAY_MS) * DAY_MS + of_day_ms;
                if t < last - FALL_LIMIT_MS {
                    t += DAY_MS;
                }
                // Just after midnight a late sentence still belongs to the day before.
                if t > last + DAY_MS - FALL_LIMIT_MS {
                    t -= DAY_MS;
                }
                t
            }
            None => self.hint_day().unwrap_or(NO_HINT_DAY) * DAY_MS + of_day_ms,
        };
        self.last_of_day = Some(t);
        self.give(t)
    }

    /// UTC of a time of week in the GPS scale (GPS, Galileo, QZSS, SBAS, NavIC epochs of RTCM 3), in ms.
    pub fn gps_time_of_week(&mut self, of_week_ms: i64) -> UtcMs {
        let near = self.last.unwrap_or_else(|| {
            self.hints.member_time.unwrap_or(self.hint_day().unwrap_or(NO_HINT_DAY) * DAY_MS + DAY_MS / 2)
        });
        let t = gps_to_utc(nearest(utc_to_gps(near), of_week_ms, WEEK_MS));
        self.weekday(t);
        self.last_of_week = Some(t);
        self.give(t)
    }

    /// The first time of week of a stream without a date tells the day of the week, so times of day given out before may
    /// have been on another day.
    fn weekday(&mut self, t: UtcMs) {
        if self.dated.is_none()
            && self.last_of_week.is_none()
            && let Some(of_day) = self.last_of_day
        {
            let moved = nearest(t, of_day.rem_euclid(DAY_MS), DAY_MS);
            self.weekday_shift.of_day_ms += moved - of_day;
            self.last_of_day = Some(moved);
            self.first = self.first.map(|first| first + moved - of_day);
        }
    }

    /// The move of times of day that the first time of week brought about; to be asked for right after it.
    pub fn take_weekday_shift(&mut self) -> Option<Shift> {
        let shift = std::mem::take(&mut self.weekday_shift);
        (shift != Shift::default()).then_some(shift)
    }

    /// UTC of a BeiDou time of week (DF427), in ms of BDT.
    pub fn beidou_time_of_week(&mut self, of_week_ms: i64) -> UtcMs {
        self.gps_time_of_week((of_week_ms + BDT_BEHIND_GPST_MS).rem_euclid(WEEK_MS))
    }

    /// UTC of a GLONASS epoch: ms of the GLONASS day (DF034) and day of week where known (DF416, 0 = Sunday, 7 = unknown).
    pub fn glonass(&mut self, day_of_week: Option<u8>, of_day_ms: i64) -> UtcMs {
        match day_of_week.filter(|d| *d < 7) {
            Some(d) => {
                // 1970-01-04 was a Sunday: UTC weeks that start on Sunday.
                let of_week = i64::from(d) * DAY_MS + of_day_ms - GLONASS_AHEAD_UTC_MS;
                let near = self.last.unwrap_or_else(|| {
                    self.hints.member_time.unwrap_or(self.hint_day().unwrap_or(NO_HINT_DAY) * DAY_MS + DAY_MS / 2)
                });
                let sunday = 3 * DAY_MS;
                let t = nearest(near - sunday, of_week, WEEK_MS) + sunday;
                self.weekday(t);
                self.last_of_week = Some(t);
                self.give(t)
            }
            None => {
                let of_day = (of_day_ms - GLONASS_AHEAD_UTC_MS).rem_euclid(DAY_MS);
                let t = match self.last {
                    Some(last) => nearest(last, of_day, DAY_MS),
                    None => self.hint_day().unwrap_or(NO_HINT_DAY) * DAY_MS + of_day,
                };
                self.last_of_week = Some(t);
                self.give(t)
            }
        }
    }

    /// A record with a full date (RMC with status A, ZDA): days since 1970 and ms of the day. `Some` when rows that were
    /// written before must move.
    pub fn date(&mut self, day: i64, of_day_ms: i64, record: &'static str) -> Option<Shift> {
        self.instant(day * DAY_MS + of_day_ms, record)
    }

    /// A date that its own record calls invalid (RMC with status V): used only when nothing better is ever met.
    pub fn weak_date(&mut self, day: i64, of_day_ms: i64, record: &'static str) {
        if self.weak_day.is_none() {
            self.weak_day = Some((day, of_day_ms, record));
        }
    }

    /// A record with a full UTC instant (1013 and 1029 with their modified Julian date, RINEX epochs).
    pub fn instant(&mut self, exact: UtcMs, record: &'static str) -> Option<Shift> {
        let exact = self.repair_rollover(exact, record);
        let first_date = self.dated.is_none();
        if first_date {
            self.dated = Some(DateSource::Record(record));
        } else if let Some(last) = self.last {
            let days = (exact - last).div_euclid(DAY_MS);
            // Forward by whole rollovers: what came before was wrong, not this.
            if days >= ROLLOVER_DAYS - 2 {
                self.note(format!(
                    "dates before {} were wrong by about {days} days (GPS week rollover); times before it were moved",
                    date_text(exact.div_euclid(DAY_MS))
                ));
                return self.move_to(exact);
            }
            if !(-1..=1).contains(&days) && (exact - last).abs() > 2 * DAY_MS {
                self.note(format!(
                    "the date jumps from {} to {} ({record})",
                    date_text(last.div_euclid(DAY_MS)),
                    date_text(exact.div_euclid(DAY_MS))
                ));
            }
        }
        if first_date {
            return self.move_to(exact);
        }
        self.last = Some(exact);
        None
    }

    /// A week number known modulo `modulus` (1024 in 1019, 4096 in 1045/1046) in the GPS numbering, with a reference time
    /// of week in ms GPST (the ephemeris' toe: within hours of now). Resolved against what is known so far.
    pub fn gps_week_hint(&mut self, week: i64, modulus: i64, of_week_ms: i64, record: &'static str) -> Option<Shift> {
        if self.dated.is_some() || modulus <= 0 {
            return None;
        }
        // Without any hint the last cycle that ends by now; a day later for ephemerides, which are made ahead. Without a
        // clock the ten-bit week is taken in the cycle from 2019-04-07, never before it.
        let reference = match (self.hint_day(), self.hints.now) {
            (Some(day), _) => utc_to_gps(day * DAY_MS).div_euclid(WEEK_MS),
            (None, Some(now)) => (utc_to_gps(now + DAY_MS) - of_week_ms).div_euclid(WEEK_MS) - modulus / 2,
            (None, None) => 2_048 + modulus / 2,
        };
        let full = week + modulus * (reference - week + modulus / 2).div_euclid(modulus);
        let near = gps_to_utc(full * WEEK_MS + of_week_ms);
        let exact = match self.last_of_week {
            Some(t) => gps_to_utc(nearest(utc_to_gps(near), utc_to_gps(t).rem_euclid(WEEK_MS), WEEK_MS)),
            None => near,
        };
        self.dated = Some(DateSource::Record(record));
        self.move_to(exact)
    }

    /// Takes `exact` as the time now; what was given out before moves with it.
    fn move_to(&mut self, exact: UtcMs) -> Option<Shift> {
        let mut shift = Shift::default();
        if let Some(t) = self.last_of_day {
            shift.of_day_ms = nearest(exact, t.rem_euclid(DAY_MS), DAY_MS) - t;
            self.last_of_day = Some(t + shift.of_day_ms);
        }
        if let Some(t) = self.last_of_week {
            let moved = gps_to_utc(nearest(utc_to_gps(exact), utc_to_gps(t).rem_euclid(WEEK_MS), WEEK_MS));
            shift.of_week_ms = moved - t;
            self.last_of_week = Some(moved);
        }
        if let Some(first) = self.first {
            let by = if self.last_of_day.is_some() { shift.of_day_ms } else { shift.of_week_ms };
            self.first = Some(first + by);
        }
        self.last = Some(exact);
        (shift != Shift::default()).then_some(shift)
    }

    /// A receiver that missed a week rollover is wrong by 1024 weeks: repaired only with a visible note, and only against
    /// something that knows better (a hint, or the stream's own earlier dates).
    fn repair_rollover(&mut self, exact: UtcMs, record: &'static str) -> UtcMs {
        let day = exact.div_euclid(DAY_MS);
        let known = if self.dated.is_some() { self.last.map(|t| t.div_euclid(DAY_MS)) } else { self.hint_day() };
        let Some(known) = known else { return exact };
        let late = known - day;
        let cycles = (late + ROLLOVER_DAYS / 2).div_euclid(ROLLOVER_DAYS);
        if (1..=2).contains(&cycles) && (late - cycles * ROLLOVER_DAYS).abs() <= 2 {
            self.note(format!(
                "{record} says {}, {} weeks before {}: a missed GPS week rollover; moved forward by {} weeks",
                date_text(day),
                1024 * cycles,
                date_text(known),
                1024 * cycles
            ));
            return exact + cycles * ROLLOVER_DAYS * DAY_MS;
        }
        exact
    }

    fn note(&mut self, text: String) {
        if self.notes.len() < 20 && !self.notes.contains(&text) {
            self.notes.push(text);
        }
    }

    /// The end of the stream.
    pub fn finish(mut self) -> ClockOutcome {
        let mut shift = Shift::default();
        let mut source = self.dated.or(self.start);
        if source.is_none()
            && self.last.is_some()
            && let Some((day, of_day_ms, record)) = self.weak_day
        {
            shift = self.move_to(day * DAY_MS + of_day_ms).unwrap_or_default();
            source = Some(DateSource::Record(record));
            self.note(format!("the only date is in {record} records marked invalid"));
        }
        if source == Some(DateSource::MemberTime)
            && self.last_of_week.is_none()
            && let (Some(member), Some(last)) = (self.hints.member_time, self.last)
        {
            // The member time is the end of the writing: the last epoch lies nearest to it.
            shift.of_day_ms = nearest(member, last.rem_euclid(DAY_MS), DAY_MS) - last;
        }
        let by = if self.last_of_day.is_some() { shift.of_day_ms } else { shift.of_week_ms };
        if let (Some(first), Some(last)) = (self.first.map(|t| t + by), self.last.map(|t| t + by)) {
            self.contradictions(source, first, last);
        }
        ClockOutcome { source, shift, notes: self.notes }
    }

    fn contradictions(&mut self, source: Option<DateSource>, first: UtcMs, last: UtcMs) {
        let Some(source) = source else { return };
        let (first_day, last_day) = (first.div_euclid(DAY_MS), last.div_euclid(DAY_MS));
        let said = format!("{} ({})", date_text(first_day), source.words());
        if let Some(card) = self.hints.unit_card
            && source != DateSource::UnitCard
            && (card - first_day).abs() > 1
        {
            self.note(format!("dates disagree: {said}, but the unit card says {}", date_text(card)));
        }
        if let Some(named) = self.hints.file_name
            && source != DateSource::FileName
            && (named < first_day - 1 || named > last_day + 1)
        {
            self.note(format!("dates disagree: {said}, but the file name says {}", date_text(named)));
        }
        if let Some(member) = self.hints.member_time.map(|t| t.div_euclid(DAY_MS))
            && source != DateSource::MemberTime
            && (member < first_day - 1 || member > last_day + 1)
        {
            self.note(format!("dates disagree: {said}, but the zip member time says {}", date_text(member)));
        }
    }
}

/// The value nearest to `near` that equals `of_cycle` modulo `cycle`.
fn nearest(near: i64, of_cycle: i64, cycle: i64) -> i64 {
    let candidate = near.div_euclid(cycle) * cycle + of_cycle.rem_euclid(cycle);
    if candidate - near > cycle / 2 {
        candidate - cycle
    } else if near - candidate > cycle / 2 {
        candidate + cycle
    } else {
        candidate
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::time::{SECOND_MS, days_from_date, parse_utc, rfc3339};

    fn utc(text: &str) -> UtcMs {
        parse_utc(text).unwrap()
    }

    #[test]
    fn the_same_instant_in_every_scale() {
        // RTCM 10403.x fields DF004, DF427, DF416/DF034; worked instant Tuesday 2026-03-03 12:00:00 GPST, reference 2026-03-01.
        let hints = DateHints { unit_card: days_from_date(2026, 3, 1), ..DateHints::default() };
        assert_eq!(rfc3339(StreamClock::new(hints).gps_time_of_week(216_000_000)), "2026-03-03T11:59:42Z");
        assert_eq!(rfc3339(StreamClock::new(hints).beidou_time_of_week(215_986_000)), "2026-03-03T11:59:42Z");
        assert_eq!(rfc3339(StreamClock::new(hints).glonass(Some(2), 53_982_000)), "2026-03-03T11:59:42Z");
    }

    #[test]
    fn midnight_steps_the_day() {
        let mut clock = StreamClock::new(DateHints { unit_card: days_from_date(2026, 5, 4), ..DateHints::default() });
        clock.time_of_day(86_399_000);
        assert_eq!(rfc3339(clock.time_of_day(0)), "2026-05-05T00:00:00Z");
        assert_eq!(rfc3339(clock.time_of_day(86_399_500)), "2026-05-04T23:59:59.500Z"); // a late sentence
        assert_eq!(rfc3339(clock.time_of_day(1_000)), "2026-05-05T00:00:01Z");
    }

    #[test]
    fn a_late_date_moves_what_was_given_out() {
        let mut clock = StreamClock::new(DateHints::default());
        let early = clock.time_of_day(36_000_000);
        let shift = clock.date(days_from_date(2026, 3, 1).unwrap(), 36_001_000, "RMC").unwrap();
        assert_eq!(rfc3339(early + shift.of_day_ms), "2026-03-01T10:00:00Z");
        assert_eq!(clock.finish().source, Some(DateSource::Record("RMC")));
    }

    #[test]
    fn a_missed_rollover_is_repaired_with_a_note() {
        // 10-bit week (IS-GPS-200 §20.3.3.3.1.1): 1024 weeks are 7168 days; 2026-03-01 shown as 2006-07-16.
        let mut clock = StreamClock::new(DateHints { file_name: days_from_date(2026, 3, 1), ..DateHints::default() });
        clock.time_of_day(0);
        clock.date(days_from_date(2006, 7, 16).unwrap(), 0, "RMC");
        assert_eq!(clock.last(), Some(utc("2026-03-01")));
        assert!(clock.finish().notes[0].contains("rollover"));
    }

    #[test]
    fn a_stream_without_any_date_says_so() {
        let mut clock = StreamClock::new(DateHints::default());
        clock.time_of_day(0);
        assert_eq!(clock.finish().source, None);
    }

    #[test]
    fn the_member_time_dates_the_end_of_the_log() {
        let member = utc("2026-05-05T00:10:00Z");
        let mut clock = StreamClock::new(DateHints { member_time: Some(member), ..DateHints::default() });
        let first = clock.time_of_day(22 * HOUR_MS);
        clock.time_of_day(23 * HOUR_MS + 59 * 60 * SECOND_MS);
        let outcome = clock.finish();
        assert_eq!(rfc3339(first + outcome.shift.of_day_ms), "2026-05-04T22:00:00Z");
    }

    #[test]
    fn disagreeing_dates_are_told() {
        let hints = DateHints { unit_card: days_from_date(2026, 5, 4), ..DateHints::default() };
        let mut clock = StreamClock::new(hints);
        clock.date(days_from_date(2026, 5, 9).unwrap(), 0, "ZDA");
        clock.time_of_day(1_000);
        assert!(clock.finish().notes.iter().any(|n| n.contains("disagree")));
    }

    #[test]
    fn a_time_of_week_tells_the_day_of_earlier_times_of_day() {
        // Worked instant of check-values 1.4: Tuesday 12:00:00 GPST is DF004 216 000 000; no date is known, so only the day of
        // the week is checked (1970-01-04 was a Sunday).
        let mut clock = StreamClock::new(DateHints::default());
        let early = clock.time_of_day(11 * HOUR_MS);
        let t = clock.gps_time_of_week(216_000_000);
        let shift = clock.take_weekday_shift().unwrap();
        assert_eq!((t.div_euclid(DAY_MS) - 3).rem_euclid(7), 2);
        assert_eq!((early + shift.of_day_ms).div_euclid(DAY_MS), t.div_euclid(DAY_MS));
        assert_eq!(clock.take_weekday_shift(), None);
    }

    #[test]
    fn a_short_week_is_never_in_the_future() {
        // GPS week 1562 (2009-12-13 to 19), sent modulo 1024 as 538: IS-GPS-200 20.3.3.3.1.1. 515 220 s of the week is Friday
        // 23:07:00 GPST, then 15 s ahead of UTC (IERS Bulletin C 36).
        let of = |now: Option<&str>| {
            let mut clock = StreamClock::new(DateHints { now: now.map(utc), ..DateHints::default() });
            clock.gps_time_of_week(515_220_000);
            clock.gps_week_hint(538, 1024, 518_400_000, "1019");
            clock.last()
        };
        assert_eq!(of(Some("2026-11-25T12:00:00Z")), Some(utc("2009-12-18T23:06:45Z")));
        // Once the next cycle has come, the latest that is possible; the leap seconds after 2017 are not known to the clock.
        assert_eq!(of(Some("2030-01-01T00:00:00Z")), Some(utc("2029-08-03T23:06:42Z")));
        // An ephemeris made for the next hours is not in the future.
        assert_eq!(of(Some("2009-12-18T23:06:45Z")), Some(utc("2009-12-18T23:06:45Z")));
        // Without a clock as before: the cycle from 2019-04-07.
        assert_eq!(of(None), Some(utc("2029-08-03T23:06:42Z")));
    }

    #[test]
    fn week_wrap_of_a_stream() {
        let mut clock = StreamClock::new(DateHints { unit_card: days_from_date(2026, 3, 7), ..DateHints::default() });
        let before = clock.gps_time_of_week(WEEK_MS - 1_000);
        assert_eq!(clock.gps_time_of_week(0) - before, 1_000);
    }
}
