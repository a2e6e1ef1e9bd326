//! Turns single observations (satellite, signal, C/N0, slip) into rows per minute and per ten seconds, spans of data and
//! the signal list of a file. Shared by every decoder that meets observations.
//!
//! Call [`Tally::epoch`] for every epoch, then [`Tally::cell`] or [`Tally::ranging_cell`] for each observation of it, and
//! [`Tally::finish`] at the end. Rows go into one [`Rows`] that nobody else reorders: code multipath is written into the rows
//! of earlier minutes when their arc ends. Memory grows with the number of distinct satellites and signals only; a cell that was seen before allocates
//! nothing and hashes nothing.
//!
//! Definitions beyond [`crate::model::rows`]:
//! - A satellite's C/N0 on a band is the mean over its signals of that band.
//! - The step compares two epochs that follow each other by at most the gap limit, over the satellites that
//!   have a C/N0 on the band in both; it counts for the ten seconds of the later epoch.
//! - The same satellite and signal twice in one epoch (two message families side by side) counts once in the minutes and
//!   ten seconds, but as two observations in the signal list.
//! - The standard deviation has divisor n - 1 and is missing below two values.
//! - Epochs that are late by at most the gap limit are counted with the rows that are open when they come.

use crate::model::ids::{Band, Sat, Signal, System};
use crate::model::look::LookSignal;
use crate::model::rows::Rows;
use crate::model::time::{MINUTE_MS, SECOND_MS, UtcMs, leap_ms_at_utc};
use carrier::Carrier;
use index::{LETTERS, NUMBERS, new_slot, total_of};
pub use index::{SatAt, SignalAt};
use slot::Slot;

mod carrier;
mod close;
mod index;
mod intensity;
mod rates;
mod slot;

/// A longer time without an epoch ends a span.
pub const SPAN_GAP_MS: i64 = 10 * SECOND_MS;
const TEN_MS: i64 = 10 * SECOND_MS;
const NONE: u32 = u32::MAX;

/// One signal of a system over the whole file, without what stands in the slots of the open minute.
#[derive(Debug, Clone)]
struct SignalTotal {
    code: [u8; 2],
    observations: u64,
    with_cn0: u64,
    cn0_sum: f64,
}

/// The same satellite and signal again in one epoch: only an observation more.
#[cold]
fn count_again(signals: &mut [Vec<SignalTotal>], at: SignalAt, cn0_dbhz: f32) {
    let Some(total) = total_of(signals, at) else { return };
    total.observations += 1;
    if !cn0_dbhz.is_nan() {
        total.with_cn0 += 1;
        total.cn0_sum += f64::from(cn0_dbhz);
    }
}

/// One satellite on one band: open ten seconds, this epoch and the one before.
#[derive(Debug, Clone, Copy, Default)]
struct OnBand {
    present: bool,
    lost: bool,
    ten_n: u32,
    ten_sum: f32,
    epoch: u64,
    epoch_n: u32,
    epoch_sum: f32,
    before: u64,
    before_cn0: f32,
}

/// A signal below this is sent but of no use to a rover, dB-Hz (semi-codeless tracking reports down to about 10:
/// common practice, no source).
const USABLE_DBHZ: f32 = 8.0;

impl OnBand {
    /// Present in the open ten seconds, and not so weak that no rover can use it.
    fn usable(&self) -> bool {
        self.present && (self.ten_n == 0 || self.ten_sum >= USABLE_DBHZ * self.ten_n as f32)
    }
}

#[derive(Debug, Clone)]
struct SatState {
    sat: Sat,
    /// Slot by the place of the signal in its system's list.
    slots: Vec<u32>,
    bands: [OnBand; Band::ALL.len()],
    /// In the list of the open ten seconds.
    active: bool,
    /// Bands with a C/N0 in the epoch of that number, one bit each.
    heard: u8,
    heard_in: u64,
    azimuth_deg: f32,
    elevation_deg: f32,
    placed: UtcMs,
}

#[derive(Debug, Clone, Copy)]
struct OpenSpan {
    from: UtcMs,
    until: UtcMs,
    epochs: u32,
}

/// Collects observations; see the module's text.
#[derive(Debug, Clone)]
pub struct Tally {
    span_kind: u8,
    gap_ms: i64,
    /// Dense index of a satellite, by system and number.
    index: Vec<u32>,
    sats: Vec<SatState>,
    signals: [Vec<SignalTotal>; System::ALL.len()],
    slots: Vec<Slot>,
    /// Slots with cells in the open minute or the one before, these in the order of the table's key.
    listed_slots: Vec<u32>,
    active_sats: Vec<u32>,
    /// Newest epoch of the open stretch, and the time of the cells that come now (older when late).
    now: Option<UtcMs>,
    cells_at: UtcMs,
    before: Option<UtcMs>,
    minute: i64,
    ten: i64,
    number: u64,
    epochs: u64,
    steps: [f32; Band::ALL.len()],
    /// Sum over the epochs of the open ten seconds of the mean deviation from the common change, dB, and their number.
    scatter: [(f32, u32); Band::ALL.len()],
    span: Option<OpenSpan>,
    cell_seen: bool,
    /// Changes of C/N0 by band, of the epoch that ends.
    work: [Vec<f32>; Band::ALL.len()],
    carrier: Carrier,
    /// GPS time minus UTC in the open minute, ms.
    leap_ms: i64,
    /// Time of the cells that come now, within the open minute, s.
    in_minute_s: f64,
}

impl Tally {
    /// An empty tally; `span_kind` is one of the `SPAN_*` constants of [`crate::model::rows`].
    pub fn new(span_kind: u8) -> Tally {
        Tally {
            span_kind,
            gap_ms: SPAN_GAP_MS,
            index: vec![NONE; LETTERS * NUMBERS],
            sats: Vec::new(),
            signals: Default::default(),
            slots: Vec::new(),
            listed_slots: Vec::new(),
            active_sats: Vec::new(),
            now: None,
            cells_at: 0,
            before: None,
            minute: 0,
            ten: 0,
            number: 0,
            epochs: 0,
            steps: [f32::NAN; Band::ALL.len()],
            scatter: [(0.0, 0); Band::ALL.len()],
            span: None,
            cell_seen: false,
            work: Default::default(),
            carrier: Carrier::default(),
            leap_ms: 0,
            in_minute_s: 0.0,
        }
    }

    /// Sets the gap that ends a span (and beyond which no step of the median is taken), ms. For files whose own interval is
    /// longer than [`SPAN_GAP_MS`].
    pub fn set_gap(&mut self, gap_ms: i64) {
        self.gap_ms = gap_ms.max(1);
    }

    /// A new observation epoch at `t` (UTC ms); the cells that follow belong to it. The same time again is the same epoch.
    /// Rows of bins that end are written to `out`.
    #[inline]
    pub fn epoch(&mut self, t: UtcMs, out: &mut Rows) {
        self.cells_at = t;
        if self.now == Some(t) {
            return;
        }
        self.next_epoch(t, out);
    }

    fn next_epoch(&mut self, t: UtcMs, out: &mut Rows) {
        if let Some(now) = self.now {
            if t < now && now - t <= self.gap_ms {
                self.in_minute_s = (t - self.minute * MINUTE_MS) as f64 / 1000.0;
                return; // late: its cells go into what is open
            }
            self.close_epoch();
            self.close_ranges(out);
            if t.div_euclid(TEN_MS) != self.ten {
                self.close_ten(out);
            }
            if t.div_euclid(MINUTE_MS) != self.minute {
                self.close_minute(out);
            }
            if t < now || t - now > self.gap_ms {
                self.close_span(out);
                self.before = None;
            } else {
                self.before = Some(now);
            }
        }
        self.ten = t.div_euclid(TEN_MS);
        let minute = t.div_euclid(MINUTE_MS);
        if self.minute != minute || self.epochs == 0 {
            self.minute = minute;
            self.leap_ms = leap_ms_at_utc(t);
        }
        self.in_minute_s = (t - minute * MINUTE_MS) as f64 / 1000.0;
        self.now = Some(t);
        self.number += 1;
        self.epochs += 1;
        match &mut self.span {
            Some(span) => {
                span.until = t;
                span.epochs = span.epochs.saturating_add(1);
            }
            None => self.span = Some(OpenSpan { from: t, until: t, epochs: 1 }),
        }
    }

    /// One observation of the current epoch. `cn0_dbhz` NaN: none given. `slip`: lock was certainly lost since the
    /// observation before. Before the first [`Tally::epoch`] nothing is counted.
    #[inline]
    pub fn cell(&mut self, sat: Sat, signal: Signal, cn0_dbhz: f32, slip: bool) {
        let (sat, signal) = (self.sat_at(sat), self.signal_at(signal));
        if let Some(now) = self.now {
            self.count::<false>(now, sat, signal, cn0_dbhz, slip, [f64::NAN; 2]);
        }
    }

    /// The same with pseudorange and carrier phase, both whole and in m; NaN: none.
    #[inline]
    pub fn ranging_cell(&mut self, sat: Sat, signal: Signal, cn0_dbhz: f32, slip: bool, ranges_m: [f64; 2]) {
        let (sat, signal) = (self.sat_at(sat), self.signal_at(signal));
        self.ranging_cell_at(sat, signal, cn0_dbhz, slip, ranges_m);
    }

    /// The same for a satellite and signal that were looked up before.
    #[inline]
    pub fn ranging_cell_at(&mut self, sat: SatAt, signal: SignalAt, cn0_dbhz: f32, slip: bool, ranges_m: [f64; 2]) {
        if let Some(now) = self.now {
            self.count::<true>(now, sat, signal, cn0_dbhz, slip, ranges_m);
        }
    }

    /// One line of a satellite list: [`Tally::place`] where both angles are given and [`Tally::cell`] where there is a C/N0
    /// (NaN: none), at one go.
    #[inline]
    pub fn listed(&mut self, sat: Sat, signal: SignalAt, cn0_dbhz: f32, azimuth_deg: f32, elevation_deg: f32) {
        let at = self.sat_at(sat);
        let minute = self.minute;
        if !azimuth_deg.is_nan()
            && !elevation_deg.is_nan()
            && let Some(state) = self.sats.get_mut(at.0 as usize)
        {
            (state.azimuth_deg, state.elevation_deg, state.placed) = (azimuth_deg, elevation_deg, minute);
        }
        if let Some(now) = self.now.filter(|_| !cn0_dbhz.is_nan()) {
            self.count::<false>(now, at, signal, cn0_dbhz, false, [f64::NAN; 2]);
        }
    }

    /// `RANGES`: there may be ranges; else what is about them is left out of the machine code.
    #[inline]
    fn count<const RANGES: bool>(
        &mut self,
        now: UtcMs,
        SatAt(at): SatAt,
        signal: SignalAt,
        cn0_dbhz: f32,
        slip: bool,
        ranges_m: [f64; 2],
    ) {
        let has_cn0 = !cn0_dbhz.is_nan();
        let band = usize::from(signal.band);
        let place = usize::from(signal.place);
        let (number, cells_at) = (self.number, self.cells_at);
        let Some(state) = self.sats.get_mut(at as usize) else { return };
        let slot_at = match state.slots.get(place) {
            Some(slot) if *slot != NONE => *slot,
            _ => new_slot(&mut self.slots, &mut state.slots, place, Slot::new(state.sat, signal, band)),
        };
        let Some(slot) = self.slots.get_mut(slot_at as usize) else { return };
        let again = slot.last == cells_at;
        slot.last = cells_at;
        slot.active = true;
        if !slot.listed {
            slot.listed = true;
            self.listed_slots.push(slot_at);
        }
        if !state.active {
            state.active = true;
            self.active_sats.push(at);
        }
        self.cell_seen = true;
        if again {
            count_again(&mut self.signals, signal, cn0_dbhz);
            if let Some(on) = state.bands.get_mut(band) {
                on.present = true;
                on.lost |= slip;
            }
            return;
        }
        slot.slips = slot.slips.saturating_add(u16::from(slip));
        // Late epochs do not fit between the phases that are there already.
        if RANGES && ranges_m[1].is_finite() && cells_at == now {
            self.carrier.take(at, slot_at, signal.signal, number, ranges_m, slip);
        }
        slot.epochs = slot.epochs.saturating_add(1);
        if has_cn0 {
            let value = f64::from(cn0_dbhz);
            slot.intensity.add(self.in_minute_s, cn0_dbhz);
            slot.with_cn0 += 1;
            slot.sum += value;
            slot.sum_of_squares += value * value;
            slot.cn0_min = slot.cn0_min.min(cn0_dbhz);
        }
        let Some(on) = state.bands.get_mut(band) else { return };
        on.present = true;
        on.lost |= slip;
        if has_cn0 {
            on.ten_n += 1;
            on.ten_sum += cn0_dbhz;
            if on.epoch != number {
                if on.epoch_n > 0 {
                    on.before = on.epoch;
                    on.before_cn0 = on.epoch_sum / on.epoch_n as f32;
                }
                on.epoch = number;
                on.epoch_n = 0;
                on.epoch_sum = 0.0;
                if state.heard_in != number {
                    state.heard_in = number;
                    state.heard = 0;
                }
                state.heard |= 1 << band;
            }
            on.epoch_n += 1;
            on.epoch_sum += cn0_dbhz;
        }
    }

    /// Where a satellite stands, degrees; kept for the rows of the minute it was said in.
    pub fn place(&mut self, sat: Sat, azimuth_deg: f32, elevation_deg: f32) {
        let SatAt(at) = self.sat_at(sat);
        let minute = self.minute;
        if let Some(state) = self.sats.get_mut(at as usize) {
            state.azimuth_deg = azimuth_deg;
            state.elevation_deg = elevation_deg;
            state.placed = minute;
        }
    }

    /// Start of the minute that is open.
    pub fn open_minute(&self) -> Option<UtcMs> {
        self.now.map(|_| self.minute * MINUTE_MS)
    }

    /// Rows at the front of the signals that will not change any more: no arc waits for its end there.
    pub fn unchanging(&self, rows: &Rows) -> usize {
        self.carrier.first_waiting().map_or(rows.signals.len(), |row| row as usize)
    }

    /// So many rows at the front of the signals are no longer there.
    pub fn gave_out(&mut self, rows: usize) {
        self.carrier.gave_out(rows);
    }

    /// Moves everything that is still open; the rows written before are moved by [`Rows::shift`].
    pub fn shift(&mut self, delta_ms: i64) {
        if delta_ms == 0 {
            return;
        }
        if let Some(now) = &mut self.now {
            let minute = now.div_euclid(MINUTE_MS);
            *now = now.saturating_add(delta_ms);
            self.ten = now.div_euclid(TEN_MS);
            self.minute = now.div_euclid(MINUTE_MS);
            for state in &mut self.sats {
                if state.placed == minute {
                    state.placed = self.minute;
                }
            }
        }
        self.carrier.shift(delta_ms);
        self.cells_at = self.cells_at.saturating_add(delta_ms);
        self.before = self.before.map(|t| t.saturating_add(delta_ms));
        for slot in &mut self.slots {
            if slot.last != i64::MIN {
                slot.last = slot.last.saturating_add(delta_ms);
            }
        }
        if let Some(span) = &mut self.span {
            span.from = span.from.saturating_add(delta_ms);
            span.until = span.until.saturating_add(delta_ms);
        }
    }

    /// The signals met up to the last minute that has ended (after [`Tally::finish`]: all), by name.
    pub fn look_signals(&self) -> Vec<LookSignal> {
        let mut list = Vec::new();
        for system in System::ALL {
            let totals = self.signals.get(system.place()).map(Vec::as_slice).unwrap_or_default();
            for (place, total) in totals.iter().enumerate().filter(|(_, total)| total.observations > 0) {
                let has = |s: &&SatState| s.sat.system() == system && s.slots.get(place).is_some_and(|i| *i != NONE);
                list.push(LookSignal {
                    signal: Signal { system, code: total.code }.to_string(),
                    satellites: self.sats.iter().filter(has).count() as u32,
                    observations: total.observations,
                    cn0_mean_dbhz: (total.with_cn0 > 0).then(|| total.cn0_sum / total.with_cn0 as f64),
                });
            }
        }
        list.sort_by(|a, b| a.signal.cmp(&b.signal));
        list
    }

    /// Distinct satellites with at least one observation.
    pub fn satellites(&self) -> u32 {
        self.sats.iter().filter(|s| !s.slots.is_empty()).count() as u32
    }

    /// Epochs met so far; an epoch that came late by less than the gap limit is not counted again.
    pub fn epochs(&self) -> u64 {
        self.epochs
    }

    /// Whether any observation was counted.
    pub fn has_cells(&self) -> bool {
        self.cell_seen
    }
}

#[cfg(test)]
mod tests;
