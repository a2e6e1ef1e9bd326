//! Full values for those who need more than the rows: pseudorange, phase, Doppler, C/N0 and flags of every cell.

use crate::model::ids::{Sat, Signal};
use crate::model::time::UtcMs;

/// All observations of one satellite and signal at one epoch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// The satellite.
    pub sat: Sat,
    /// The signal.
    pub signal: Signal,
    /// Pseudorange, m; NaN when missing.
    pub range_m: f64,
    /// Carrier phase, cycles; NaN when missing.
    pub phase_cycles: f64,
    /// Doppler, Hz; NaN when missing.
    pub doppler_hz: f64,
    /// C/N0, dB-Hz; NaN when missing or not in dB-Hz.
    pub cn0_dbhz: f32,
    /// Loss-of-lock indicator of the phase (bit 0: lock lost since the epoch before), 0 when blank.
    pub lli: u8,
    /// Signal strength digit of the phase, or of the pseudorange where there is no phase; 0 when blank. Steps of 6 dB:
    /// never used as C/N0.
    pub ssi: u8,
}

impl Cell {
    pub(crate) fn blank(sat: Sat, signal: Signal) -> Cell {
        Cell {
            sat,
            signal,
            range_m: f64::NAN,
            phase_cycles: f64::NAN,
            doppler_hz: f64::NAN,
            cn0_dbhz: f32::NAN,
            lli: 0,
            ssi: 0,
        }
    }
}

/// Takes the cells of a file as they are read. The methods do nothing unless written.
pub trait CellSink {
    /// An epoch begins; the cells that follow belong to it. `flag`: 0, or 1 after a power failure.
    fn epoch(&mut self, _t: UtcMs, _flag: u8) {}
    /// One cell.
    fn cell(&mut self, _cell: &Cell) {}
    /// The header told the frequency number of a GLONASS slot.
    fn glonass_channel(&mut self, _slot: u8, _frequency_number: i8) {}
}

impl CellSink for () {}
