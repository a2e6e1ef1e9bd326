//! What ends: an epoch, ten seconds, a minute, a span of data, and the file. Writes the rows.

use super::carrier::Now;
use super::index::{sat_place, total_of};
use super::rates::Grid;
use super::{NONE, OnBand, TEN_MS, Tally};
use crate::model::ids::{Band, System};
use crate::model::rows::{BandTen, Rows, Span, SystemTen};
use crate::model::time::MINUTE_MS;

impl Tally {
    /// Compares the epoch that ends with the one before it.
    pub(super) fn close_epoch(&mut self) {
        if self.before.is_none() {
            return;
        }
        // The change of each satellite: what all share is the step, what is left is the scatter.
        for at in &self.active_sats {
            let Some(state) = self.sats.get(*at as usize).filter(|s| s.heard_in == self.number) else { continue };
            for ((band, on), changes) in state.bands.iter().enumerate().zip(&mut self.work) {
                if state.heard >> band & 1 == 1 && on.before + 1 == self.number {
                    changes.push(on.epoch_sum / on.epoch_n as f32 - on.before_cn0);
                }
            }
        }
        for ((changes, step), (sum, epochs)) in self.work.iter_mut().zip(&mut self.steps).zip(&mut self.scatter) {
            let n = changes.len() as f32;
            if let Some(common) = median(changes) {
                *step = step.max(common.abs()); // f32::max passes over the NaN of a step not yet known
                if n >= 3.0 {
                    *sum += changes.iter().map(|d| (d - common).abs()).sum::<f32>() / n;
                    *epochs += 1;
                }
            }
            changes.clear();
        }
    }

    /// Ends the epoch for ranges and phases.
    pub(super) fn close_ranges(&mut self, out: &mut Rows) {
        let Some(t) = self.now else { return };
        let (sats, gap_ms) = (&self.sats, self.gap_ms);
        let now = Now { t, grid: Grid::of(t + self.leap_ms), minute: self.minute, number: self.number, gap_ms };
        let slots = |sat: u32| sats.get(sat as usize).map(|s| s.slots.as_slice()).unwrap_or_default();
        self.carrier.close_epoch(now, slots, &mut out.signals);
    }

    pub(super) fn close_ten(&mut self, out: &mut Rows) {
        let time = self.ten * TEN_MS;
        let mut bands = [(0u8, 0u8); Band::ALL.len()];
        let mut systems = [(0u8, 0u8, 0u8); System::ALL.len()];
        for at in self.active_sats.drain(..) {
            let Some(state) = self.sats.get_mut(at as usize) else { continue };
            state.active = false;
            if let Some((any, first, second)) = systems.get_mut(state.sat.system().place()) {
                *any = any.saturating_add(1);
                *first = first.saturating_add(u8::from(state.bands[0].present));
                *second = second.saturating_add(u8::from(state.bands[1..].iter().any(OnBand::usable)));
            }
            for ((on, (satellites, lost)), cn0) in state.bands.iter_mut().zip(&mut bands).zip(&mut self.work) {
                if on.present {
                    *satellites = satellites.saturating_add(1);
                    *lost = lost.saturating_add(u8::from(on.lost));
                    if on.ten_n > 0 {
                        cn0.push(on.ten_sum / on.ten_n as f32);
                    }
                }
                on.present = false;
                on.lost = false;
                on.ten_n = 0;
                on.ten_sum = 0.0;
            }
        }
        for (((band, (satellites, lost_lock)), cn0), (step, (sum, epochs))) in
            Band::ALL.into_iter().zip(bands).zip(&mut self.work).zip(self.steps.iter().zip(self.scatter))
        {
            if satellites > 0 {
                out.bands.push(BandTen {
                    time,
                    band: band.code(),
                    satellites,
                    cn0_median: median(cn0).unwrap_or(f32::NAN),
                    cn0_step_max: *step,
                    cn0_scatter: if epochs > 0 { sum / epochs as f32 } else { f32::NAN },
                    lost_lock,
                });
            }
            cn0.clear();
        }
        // In the order of the table's key, so that nobody has to sort it later.
        let mut by_code = System::ALL;
        by_code.sort_unstable_by_key(|s| *s as u8);
        for system in by_code {
            let (satellites, first, second) = systems.get(system.place()).copied().unwrap_or_default();
            if satellites > 0 {
                out.systems.push(SystemTen { time, system: system as u8, satellites, first, second });
            }
        }
        self.steps = [f32::NAN; Band::ALL.len()];
        self.scatter = [(0.0, 0); Band::ALL.len()];
    }

    pub(super) fn close_minute(&mut self, out: &mut Rows) {
        let time = self.minute * MINUTE_MS;
        // In the order of the table's key, so that nobody has to sort it later. What was there a minute ago is in order already.
        let mut listed = std::mem::take(&mut self.listed_slots);
        let key = |at: &u32| self.slots.get(*at as usize).map(|slot| (slot.sat.code(), slot.signal.signal.pack()));
        listed.sort_unstable_by_key(key);
        listed.retain(|at| {
            let Some(slot) = self.slots.get_mut(*at as usize) else { return false };
            slot.listed = slot.active;
            if !slot.active {
                return false;
            }
            let sat = self.index.get(sat_place(slot.sat)).copied().unwrap_or(NONE);
            let placed = self.sats.get(sat as usize).filter(|s| s.placed == self.minute);
            let mut row = slot.row(
                time,
                placed.map_or(f32::NAN, |s| s.azimuth_deg),
                placed.map_or(f32::NAN, |s| s.elevation_deg),
            );
            let (slips, [rot, roti, roti_1s]) = self.carrier.minute(sat, *at, self.minute, out.signals.len());
            (row.phase_slips, row.rot, row.roti, row.roti_1s) = (slips, rot, roti, roti_1s);
            out.signals.push(row);
            if let Some(total) = total_of(&mut self.signals, slot.signal) {
                total.observations += u64::from(slot.epochs);
                total.with_cn0 += u64::from(slot.with_cn0);
                total.cn0_sum += slot.sum;
            }
            slot.clear();
            true
        });
        self.listed_slots = listed;
    }

    pub(super) fn close_span(&mut self, out: &mut Rows) {
        if let Some(span) = self.span.take() {
            out.spans.push(Span { time: span.from, until: span.until, kind: self.span_kind, epochs: span.epochs });
        }
    }

    /// Writes everything that is still open. The totals stay readable.
    pub fn finish(&mut self, out: &mut Rows) {
        if self.now.is_none() {
            return;
        }
        self.close_epoch();
        self.close_ranges(out);
        self.close_ten(out);
        self.close_minute(out);
        self.close_span(out);
        self.carrier.finish(&mut out.signals);
        self.now = None;
        self.before = None;
    }
}

/// Median; the mean of the two middle values for an even count, `None` for no value. Reorders the list.
fn median(values: &mut [f32]) -> Option<f32> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, upper, _) = values.select_nth_unstable_by(n / 2, f32::total_cmp);
    let upper = *upper;
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().max_by(f32::total_cmp)?;
    Some((lower + upper) / 2.0)
}
