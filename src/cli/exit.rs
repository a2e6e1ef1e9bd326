//! Exit codes, as the contract names them. 4 wins over 3.

use std::process::ExitCode;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// Done, nothing above the alert limits.
    Done = 0,
    /// Could not do the job.
    Failed = 1,
    /// Wrong usage or configuration.
    Usage = 2,
    /// Done, but some input could not be read; all of it is listed.
    SomeNotRead = 3,
    /// Done, and at least one site is above an alert limit.
    Alert = 4,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit as u8)
    }
}
