//! Signals: frequencies, dual-frequency combinations, reflections, repeat periods, RTCM lock times.

pub mod bands;
pub mod combinations;
pub mod lock_time;
pub mod reflections;
pub mod repeat;

pub use bands::{frequency_hz, wavelength_m};
pub use combinations::DualFrequency;
pub use lock_time::{
    LockSlip, lock_slip, min_lock_ms_df402, min_lock_ms_df407, min_lock_ms_legacy, next_lock_ms_df402,
    next_lock_ms_df407, next_lock_ms_legacy,
};
pub use repeat::repeat_advance;
