//! Lock time indicators of RTCM 3 (RTCM 10403.x Tables 3.4-2, 3.5-74, 3.5-75) and the slips they show.

/// Indicator at which the legacy field says no more.
pub const LEGACY_TOP: u8 = 127;
/// Indicator at which DF402 says no more.
pub const DF402_TOP: u8 = 15;
/// Indicator at which DF407 says no more.
pub const DF407_TOP: u16 = 704;

/// Minimum lock time in ms of DF013, DF019, DF043, DF049 (7 bits); `None` above 127.
pub fn min_lock_ms_legacy(indicator: u8) -> Option<u32> {
    let n = u32::from(indicator);
    let seconds = match n {
        0..=23 => n,
        24..=47 => 2 * n - 24,
        48..=71 => 4 * n - 120,
        72..=95 => 8 * n - 408,
        96..=119 => 16 * n - 1176,
        120..=126 => 32 * n - 3096,
        127 => 937,
        _ => return None,
    };
    Some(seconds * 1000)
}

/// Minimum lock time in ms of MSM DF402 (4 bits): 0, then 2^(i+4); `None` above 15.
pub fn min_lock_ms_df402(indicator: u8) -> Option<u32> {
    match indicator {
        0 => Some(0),
        1..=15 => Some(1 << (u32::from(indicator) + 4)),
        _ => None,
    }
}

/// Minimum lock time in ms of MSM DF407 (10 bits): a·i - b by steps of 32; `None` for the reserved 705 to 1023.
pub fn min_lock_ms_df407(indicator: u16) -> Option<u32> {
    let i = u64::from(indicator);
    match indicator {
        0..=63 => Some(u32::from(indicator)),
        // Block k of 32 indicators, from k = 1: a = 2^k, b = a·32·k, which gives the table's 64, 256, 768, …
        64..=704 => {
            let k = (i - 32) / 32;
            let a = 1_u64 << k;
            u32::try_from(a * i - a * 32 * k).ok()
        }
        _ => None,
    }
}

/// Upper end (not included) of the lock time in ms that a legacy indicator covers; `None` at the top or outside.
pub fn next_lock_ms_legacy(indicator: u8) -> Option<u32> {
    if indicator >= LEGACY_TOP { None } else { min_lock_ms_legacy(indicator + 1) }
}

/// Upper end (not included) of the lock time in ms that a DF402 indicator covers; `None` at the top or outside.
pub fn next_lock_ms_df402(indicator: u8) -> Option<u32> {
    if indicator >= DF402_TOP { None } else { min_lock_ms_df402(indicator + 1) }
}

/// Upper end (not included) of the lock time in ms that a DF407 indicator covers; `None` at the top or outside.
pub fn next_lock_ms_df407(indicator: u16) -> Option<u32> {
    if indicator >= DF407_TOP { None } else { min_lock_ms_df407(indicator + 1) }
}

/// What two lock times in a row say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum LockSlip {
    /// Lock was kept for all that the indicators tell.
    Kept,
    /// The lock time now is shorter than the time since the first epoch: lock may have been lost between.
    Possible,
    /// The minimum lock time fell: lock was lost.
    Certain,
    /// Both indicators are at the top and the gap is shorter than the top: nothing can be said.
    Saturated,
}

/// Slip between two epochs `dt_ms` apart, from the minimum lock times and the upper end of the second (`None` at the top)
/// (check values 3.5, from the field definitions of RTCM 10403.x). Take the true time difference after a gap.
pub fn lock_slip(min_before_ms: u32, min_after_ms: u32, next_after_ms: Option<u32>, dt_ms: u32) -> LockSlip {
    if min_after_ms < min_before_ms {
        return LockSlip::Certain;
    }
    match next_after_ms {
        // The lock time is below the upper end; shorter than the gap, so it began after the first epoch. Called possible, not
        // certain, after check values 3.5: the counter itself never fell.
        Some(end) if end <= dt_ms => LockSlip::Possible,
        Some(_) => LockSlip::Kept,
        None if min_before_ms == min_after_ms && dt_ms >= min_after_ms => LockSlip::Possible,
        None if min_before_ms == min_after_ms => LockSlip::Saturated,
        None => LockSlip::Kept,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn legacy_of_check_values_3_5() {
        // RTCM 10403.x Table 3.4-2.
        for (n, s) in [
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
            assert_eq!(min_lock_ms_legacy(n), Some(s * 1000), "indicator {n}");
        }
        assert_eq!(min_lock_ms_legacy(128), None);
        assert_eq!((next_lock_ms_legacy(23), next_lock_ms_legacy(127)), (Some(24_000), None));
    }

    #[test]
    fn df402_of_check_values_3_5() {
        // RTCM 10403.x Table 3.5-74.
        let want = [0, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192, 16384, 32768, 65536, 131_072, 262_144, 524_288];
        for (i, ms) in (0..).zip(want) {
            assert_eq!(min_lock_ms_df402(i), Some(ms));
        }
        assert_eq!(min_lock_ms_df402(16), None);
    }

    #[test]
    fn df407_of_check_values_3_5() {
        // RTCM 10403.x Table 3.5-75, all rows as (first indicator, a, b).
        let rows: [(u16, u64, u64); 22] = [
            (0, 1, 0),
            (64, 2, 64),
            (96, 4, 256),
            (128, 8, 768),
            (160, 16, 2048),
            (192, 32, 5120),
            (224, 64, 12288),
            (256, 128, 28672),
            (288, 256, 65536),
            (320, 512, 147_456),
            (352, 1024, 327_680),
            (384, 2048, 720_896),
            (416, 4096, 1_572_864),
            (448, 8192, 3_407_872),
            (480, 16384, 7_340_032),
            (512, 32768, 15_728_640),
            (544, 65536, 33_554_432),
            (576, 131_072, 71_303_168),
            (608, 262_144, 150_994_944),
            (640, 524_288, 318_767_104),
            (672, 1_048_576, 671_088_640),
            (704, 2_097_152, 1_409_286_144),
        ];
        for i in 0..=704_u16 {
            let (_, a, b) = rows.iter().rev().find(|r| r.0 <= i).unwrap();
            assert_eq!(min_lock_ms_df407(i).map(u64::from), Some(a * u64::from(i) - b), "indicator {i}");
        }
        for (i, ms) in
            [(63, 63), (64, 64), (95, 126), (300, 11264), (500, 851_968), (703, 66_060_288), (704, 67_108_864)]
        {
            assert_eq!(min_lock_ms_df407(i), Some(ms));
        }
        assert_eq!(min_lock_ms_df407(705), None);
        assert_eq!(next_lock_ms_df407(703), Some(67_108_864));
    }

    #[test]
    fn slips_of_check_values_3_5() {
        assert_eq!(lock_slip(524_288, 0, Some(32), 1000), LockSlip::Certain);
        assert_eq!(lock_slip(32, 128, Some(256), 1000), LockSlip::Possible);
        assert_eq!(lock_slip(32_768, 65_536, Some(131_072), 1000), LockSlip::Kept);
        assert_eq!(lock_slip(524_288, 524_288, None, 1000), LockSlip::Saturated);
        assert_eq!(lock_slip(524_288, 524_288, None, 600_000), LockSlip::Possible);
    }
}
