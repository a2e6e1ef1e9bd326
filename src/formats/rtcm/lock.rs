//! Lock time indicators and what they say about slips (`check-values.md` 3.5).

use crate::maths::signals::lock_time::{
    DF402_TOP, DF407_TOP, LEGACY_TOP, min_lock_ms_df402, min_lock_ms_df407, min_lock_ms_legacy, next_lock_ms_df402,
    next_lock_ms_df407, next_lock_ms_legacy,
};
use crate::model::time::{MINUTE_MS, UtcMs};
use std::sync::LazyLock;

/// The lock time that an indicator stands for, ms: at least `least_ms`, less than `below_ms`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LockTime {
    /// Lower end of the interval.
    pub least_ms: u32,
    /// Upper end of the interval; `u32::MAX` for a saturated or reserved indicator.
    pub below_ms: u32,
}

impl LockTime {
    /// From the ends that the tables of the maths room give; no upper end: saturated.
    fn of(least_ms: Option<u32>, below_ms: Option<u32>) -> LockTime {
        LockTime { least_ms: least_ms.unwrap_or(0), below_ms: below_ms.unwrap_or(u32::MAX) }
    }
}

/// DF013, DF019, DF043, DF049 (7 bits), RTCM 10403.x table 3.4-2.
pub fn legacy_lock(indicator: u8) -> LockTime {
    let n = indicator.min(LEGACY_TOP);
    LockTime::of(min_lock_ms_legacy(n), next_lock_ms_legacy(n))
}

/// DF402 (4 bits), RTCM 10403.x table 3.5-74.
pub fn msm_lock(indicator: u8) -> LockTime {
    let n = indicator.min(DF402_TOP);
    LockTime::of(min_lock_ms_df402(n), next_lock_ms_df402(n))
}

/// DF407 (10 bits), RTCM 10403.x table 3.5-75. Reserved values (705 and more) are taken as saturated.
pub fn msm_lock_extended(indicator: u16) -> LockTime {
    let n = indicator.min(DF407_TOP);
    LockTime::of(min_lock_ms_df407(n), next_lock_ms_df407(n))
}

/// The same for every indicator, computed once: it is asked for with every observation.
static EXTENDED: LazyLock<Vec<LockTime>> = LazyLock::new(|| (0..=DF407_TOP).map(msm_lock_extended).collect());

/// [`msm_lock_extended`] of all indicators up to the saturated one.
pub(super) fn extended_locks() -> &'static [LockTime] {
    &EXTENDED
}

/// A satellite that was away for longer has set and risen, or the stream stood still: its new lock is a new arc and no slip.
/// Common practice, no source.
pub const NEW_ARC_MS: i64 = 30 * MINUTE_MS;

const SATELLITES: usize = 64;
const SIGNALS: usize = 32;
/// Streams of more stations and systems than this reuse the oldest table.
const MAX_TABLES: usize = 64;

#[derive(Debug, Clone, Copy)]
struct Entry {
    at: UtcMs,
    least_ms: u32,
}

const EMPTY: Entry = Entry { at: UtcMs::MIN, least_ms: 0 };

#[derive(Debug, Clone)]
struct Table {
    key: (u16, u8),
    entries: Vec<Entry>,
}

/// The lock times of one table.
pub(super) struct Entries<'a>(&'a mut [Entry]);

impl Entries<'_> {
    /// See [`LockMemory::slipped`].
    #[inline]
    pub(super) fn slipped(&mut self, satellite: usize, signal: usize, at: UtcMs, lock: LockTime) -> bool {
        let Some(entry) = self.0.get_mut(satellite * SIGNALS + signal.min(SIGNALS - 1)) else { return false };
        let before = *entry;
        if at <= before.at {
            return false;
        }
        *entry = Entry { at, least_ms: lock.least_ms };
        before.at != UtcMs::MIN && lock.below_ms <= before.least_ms && at - before.at <= NEW_ARC_MS
    }
}

/// The last lock time of every satellite and signal of every station.
#[derive(Debug, Clone, Default)]
pub struct LockMemory {
    tables: Vec<Table>,
    reuse: usize,
}

impl LockMemory {
    /// The table of a station and a group of messages (any number; one per system and family); made when new.
    pub fn table(&mut self, station: u16, group: u8) -> usize {
        let key = (station, group);
        if let Some(i) = self.tables.iter().position(|t| t.key == key) {
            return i;
        }
        if self.tables.len() < MAX_TABLES {
            self.tables.push(Table { key, entries: vec![EMPTY; SATELLITES * SIGNALS] });
            return self.tables.len() - 1;
        }
        let i = self.reuse % MAX_TABLES;
        self.reuse += 1;
        if let Some(table) = self.tables.get_mut(i) {
            table.key = key;
            table.entries.fill(EMPTY);
        }
        i
    }

    /// Takes the lock time of a satellite (0 to 63) and signal (0 to 31) at a time. Whether lock was certainly lost since the
    /// time before: even the longest time that the new indicator allows is shorter than the shortest one of the old.
    /// Late and repeated epochs say nothing.
    #[inline]
    pub fn slipped(&mut self, table: usize, satellite: usize, signal: usize, at: UtcMs, lock: LockTime) -> bool {
        self.entries(table).slipped(satellite, signal, at, lock)
    }

    /// One table, for many questions.
    #[inline]
    pub(super) fn entries(&mut self, table: usize) -> Entries<'_> {
        Entries(self.tables.get_mut(table).map(|t| t.entries.as_mut_slice()).unwrap_or_default())
    }

    /// Moves the times.
    pub fn shift(&mut self, delta_ms: i64) {
        for entry in self.tables.iter_mut().flat_map(|t| &mut t.entries) {
            if entry.at != UtcMs::MIN {
                entry.at = entry.at.saturating_add(delta_ms);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn legacy_table() {
        // RTCM 10403.x table 3.4-2, worked checks.
        for (n, least_s) in [
            (23, 23),
            (24, 24),
            (47, 70),
            (48, 72),
            (71, 164),
            (72, 168),
            (95, 352),
            (96, 360),
            (100, 424),
            (119, 728),
            (120, 744),
            (126, 936),
            (127, 937),
        ] {
            assert_eq!(legacy_lock(n).least_ms, least_s * 1000, "{n}");
        }
        assert_eq!(legacy_lock(126).below_ms, 937_000);
        assert_eq!(legacy_lock(127).below_ms, u32::MAX);
    }

    #[test]
    fn msm_tables() {
        // RTCM 10403.x table 3.5-74.
        let all: Vec<u32> = (0..16).map(|i| msm_lock(i).least_ms).collect();
        assert_eq!(
            all,
            [0, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 65536, 131_072, 262_144, 524_288]
        );
        // RTCM 10403.x table 3.5-75: a * i - b by rows of 32.
        #[rustfmt::skip]
        let rows: [(u32, u32, u32); 21] = [
            (64, 2, 64), (96, 4, 256), (128, 8, 768), (160, 16, 2048), (192, 32, 5120), (224, 64, 12288),
            (256, 128, 28672), (288, 256, 65536), (320, 512, 147_456), (352, 1024, 327_680), (384, 2048, 720_896),
            (416, 4096, 1_572_864), (448, 8192, 3_407_872), (480, 16384, 7_340_032), (512, 32768, 15_728_640),
            (544, 65536, 33_554_432), (576, 131_072, 71_303_168), (608, 262_144, 150_994_944),
            (640, 524_288, 318_767_104), (672, 1_048_576, 671_088_640), (704, 2_097_152, 1_409_286_144),
        ];
        for i in 0..=704u32 {
            let (_, a, b) = rows.iter().rev().find(|r| r.0 <= i).copied().unwrap_or((0, 1, 0));
            let expected = u64::from(a) * u64::from(i) - u64::from(b);
            assert_eq!(u64::from(msm_lock_extended(i as u16).least_ms), expected, "{i}");
        }
        assert_eq!(msm_lock_extended(704).below_ms, u32::MAX);
    }

    #[test]
    fn only_a_certain_fall_is_a_slip() {
        let mut memory = LockMemory::default();
        let table = memory.table(1, 0);
        let mut met = |t: i64, lock: LockTime| memory.slipped(table, 4, 1, t, lock);
        assert!(!met(0, msm_lock_extended(500)));
        assert!(!met(1_000, msm_lock_extended(500)));
        assert!(met(2_000, msm_lock_extended(499)));
        assert!(!met(2_000, msm_lock_extended(0)), "the same epoch again");
        assert!(!met(1_000, msm_lock_extended(0)), "a late epoch");
        // 499 is at least 835 584 ms; DF402 says at least 524 288 ms without an upper end: no contradiction.
        assert!(!met(3_000, msm_lock(15)));
        assert!(!met(4_000, msm_lock_extended(704)));
        assert!(met(5_000, msm_lock(15 - 1)));
        // Half an hour and more without the satellite: a new arc.
        assert!(!met(5_000 + NEW_ARC_MS + 1, msm_lock(0)));
    }
}
