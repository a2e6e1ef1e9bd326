//! Frames per minute, message number and station, with the longest gap.

use crate::model::rows::{Correction, Corrections};
use crate::model::time::{MINUTE_MS, SECOND_MS, UtcMs};

/// Frames that come late by no more than this are counted in the open minute.
const LATE_MS: i64 = 10 * SECOND_MS;
const NONE: u32 = u32::MAX;
const MESSAGES: usize = 4096;

/// One message number of one station.
#[derive(Debug, Clone)]
struct Open {
    station: u16,
    message: u16,
    minute: i64,
    count: u32,
    bytes: u32,
    gap_ms: Option<i64>,
    last: UtcMs,
    /// The same message of another station.
    next: u32,
}

impl Open {
    fn row(&self) -> Correction {
        Correction {
            time: self.minute * MINUTE_MS,
            station_id: self.station,
            message: self.message,
            count: self.count,
            bytes: self.bytes,
            longest_gap_s: self.gap_ms.map_or(f32::NAN, |ms| ms as f32 / 1000.0),
        }
    }
}

/// The open minutes of all messages. Memory grows with distinct pairs of message and station only.
#[derive(Debug, Clone)]
pub(super) struct Minutes {
    /// First entry of a message number.
    heads: Vec<u32>,
    open: Vec<Open>,
}

impl Minutes {
    pub(super) fn new() -> Minutes {
        Minutes { heads: vec![NONE; MESSAGES], open: Vec::new() }
    }

    /// Counts `count` frames of `bytes` bytes in all at one time.
    pub(super) fn count(
        &mut self,
        t: UtcMs,
        station: u16,
        message: u16,
        count: u32,
        bytes: u32,
        out: &mut Corrections,
    ) {
        let minute = t.div_euclid(MINUTE_MS);
        let Some(open) = self.entry(t, station, message) else { return };
        let late = t < open.last;
        if late && open.last - t <= LATE_MS {
            open.count = open.count.saturating_add(count);
            open.bytes = open.bytes.saturating_add(bytes);
            return;
        }
        if minute != open.minute {
            if open.count > 0 {
                out.push(open.row());
            }
            open.minute = minute;
            open.count = 0;
            open.bytes = 0;
            open.gap_ms = None;
        }
        // A new entry has its first frame now and no gap; a jump back in time has none either.
        if open.last != UtcMs::MIN && !late {
            let gap = t - open.last;
            open.gap_ms = Some(open.gap_ms.map_or(gap, |g| g.max(gap)));
        }
        open.last = t;
        open.count = open.count.saturating_add(count);
        open.bytes = open.bytes.saturating_add(bytes);
    }

    fn entry(&mut self, t: UtcMs, station: u16, message: u16) -> Option<&mut Open> {
        let head = self.heads.get_mut(usize::from(message))?;
        let mut at = *head;
        while let Some(open) = self.open.get(at as usize) {
            if open.station == station {
                return self.open.get_mut(at as usize);
            }
            at = open.next;
        }
        let new = Open {
            station,
            message,
            minute: t.div_euclid(MINUTE_MS),
            count: 0,
            bytes: 0,
            gap_ms: None,
            last: UtcMs::MIN,
            next: *head,
        };
        *head = self.open.len() as u32;
        self.open.push(new);
        self.open.last_mut()
    }

    pub(super) fn shift(&mut self, delta_ms: i64) {
        for open in &mut self.open {
            if open.last != UtcMs::MIN {
                open.last = open.last.saturating_add(delta_ms);
                open.minute = open.last.div_euclid(MINUTE_MS);
            }
        }
    }

    pub(super) fn finish(&mut self, out: &mut Corrections) {
        for open in self.open.drain(..).filter(|o| o.count > 0) {
            out.push(open.row());
        }
        self.heads.fill(NONE);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gaps_end_in_their_minute() {
        // Worked by hand: frames at 0, 20, 70, 75 s; a late one of 74 s; another station beside it.
        let (mut minutes, mut out) = (Minutes::new(), Corrections::default());
        for t in [0, 20_000, 70_000, 75_000, 74_000] {
            minutes.count(t, 7, 1005, 1, 25, &mut out);
        }
        minutes.count(75_000, 8, 1005, 1, 25, &mut out);
        minutes.finish(&mut out);
        let rows: Vec<_> = (0..out.len()).map(|i| out.get(i).unwrap()).collect();
        let told: Vec<_> = rows.iter().map(|r| (r.time, r.station_id, r.count, r.bytes)).collect();
        assert_eq!(told, [(0, 7, 2, 50), (60_000, 7, 3, 75), (60_000, 8, 1, 25)]);
        assert_eq!((rows[0].longest_gap_s, rows[1].longest_gap_s), (20.0, 50.0));
        assert!(rows[2].longest_gap_s.is_nan());
    }
}
