//! Where the tally keeps satellites, signals and what both share: looked up once, then found by place.

use super::slot::Slot;
use super::{NONE, SatState, SignalTotal, Tally};
use crate::model::ids::{Band, Sat, Signal};

/// Highest number of satellites a system can have in [`Sat`].
pub(super) const NUMBERS: usize = 256;
/// Bit of a satellite's band mask for a signal whose band is not known.
pub(super) const NO_BAND: usize = Band::ALL.len();

/// System letters from `C` on that the index has room for.
pub(super) const LETTERS: usize = (b'S' - b'C') as usize + 1;

/// Place of a satellite in the index.
#[inline]
pub(super) fn sat_place(sat: Sat) -> usize {
    usize::from(sat.code()).wrapping_sub(usize::from(b'C') << 8)
}

/// Where the tally keeps a satellite; see [`Tally::sat_at`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SatAt(pub(super) u32);

/// Where the tally keeps a signal; see [`Tally::signal_at`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SignalAt {
    pub(super) signal: Signal,
    /// Place in the list of its system.
    pub(super) place: u16,
    pub(super) band: u8,
}

/// Adds a satellite's slot for the signal at `place` of its system.
#[cold]
pub(super) fn new_slot(slots: &mut Vec<Slot>, of_sat: &mut Vec<u32>, place: usize, slot: Slot) -> u32 {
    let new = slots.len() as u32;
    slots.push(slot);
    if of_sat.len() <= place {
        of_sat.resize(place + 1, NONE);
    }
    if let Some(at) = of_sat.get_mut(place) {
        *at = new;
    }
    new
}

/// Adds a signal to its system's list.
#[cold]
fn new_signal(totals: &mut Vec<SignalTotal>, signal: Signal) -> usize {
    totals.push(SignalTotal { code: signal.code, observations: 0, with_cn0: 0, cn0_sum: 0.0 });
    totals.len() - 1
}

pub(super) fn total_of(signals: &mut [Vec<SignalTotal>], at: SignalAt) -> Option<&mut SignalTotal> {
    signals.get_mut(at.signal.system.place())?.get_mut(usize::from(at.place))
}

impl Tally {
    /// Looks a signal up, for [`Tally::listed`] and [`Tally::ranging_cell_at`]; it stays there.
    #[inline]
    pub fn signal_at(&mut self, signal: Signal) -> SignalAt {
        let Some(totals) = self.signals.get_mut(signal.system.place()) else {
            return SignalAt { signal, place: u16::MAX, band: NO_BAND as u8 };
        };
        let place = match totals.iter().position(|s| s.code == signal.code) {
            Some(place) => place,
            None => new_signal(totals, signal),
        };
        SignalAt { signal, place: place as u16, band: signal.band().map_or(NO_BAND, Band::place) as u8 }
    }

    /// Looks a satellite up, for [`Tally::ranging_cell_at`]; it stays there.
    #[inline]
    pub fn sat_at(&mut self, sat: Sat) -> SatAt {
        let Some(index) = self.index.get_mut(sat_place(sat)) else { return SatAt(NONE) };
        if *index == NONE {
            *index = self.sats.len() as u32;
            self.sats.push(SatState {
                sat,
                slots: Vec::new(),
                bands: Default::default(),
                active: false,
                heard: 0,
                heard_in: 0,
                azimuth_deg: f32::NAN,
                elevation_deg: f32::NAN,
                placed: i64::MIN,
            });
        }
        SatAt(*index)
    }
}
