//! Statistics: risk ratios, exact tests, intervals, false discovery rate, shift tests for time series, survival, ranks.
//!
//! The unit of counting is the caller's: epochs of one outage are not independent, so feed events or site-days to the
//! tables and use [`shift`] for series.

pub mod clusters;
pub mod proportions;
pub mod ranks;
pub mod rates;
pub mod robust;
pub mod shift;
pub mod special;
pub mod survival;
pub mod tables;

pub use clusters::{ShareChange, share_change};
pub use proportions::{benjamini_hochberg, clopper_pearson, wilson};
pub use ranks::{Trend, kendall, mann_whitney, rayleigh_hours, spearman};
pub use rates::{garwood, poisson_ratio};
pub use robust::{mad, median, quantile, robust_score};
pub use shift::{
    ShiftTest, Shifts, circular_shift_bool, circular_shift_f32, circular_shift_windows, same_phase_shift_bool,
};
pub use survival::{kaplan_meier, log_rank, median_survival};
pub use tables::{
    Ratio, Table2x2, attributable_fraction_exposed, levin_fraction, mantel_haenszel_odds_ratio,
    mantel_haenszel_relative_risk, miettinen_fraction,
};

/// Two-sided 95 % point of the normal distribution.
pub const Z_95: f64 = 1.959_963_984_540_054;

/// An interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}
