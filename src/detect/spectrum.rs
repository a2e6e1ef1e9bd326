//! `spectrum-spike`: power well above the sweep's own floor near a GNSS centre frequency.

use super::Maker;
use super::limits::Limits;
use super::window::{median, stretches};
use crate::frames::{UnitFrames, view};
use crate::model::event::Event;

/// Bands in MHz (ITU Radio Regulations band edges) and the band's name.
const GNSS_BANDS_MHZ: [(f64, f64, &str); 4] =
    [(1559.0, 1610.0, "L1"), (1215.0, 1254.0, "L2"), (1164.0, 1215.0, "L5"), (1254.0, 1300.0, "L6")];

pub(super) fn run(frames: &UnitFrames, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.spectra, "time");
    let frequency = view::f64s(&frames.spectra, "frequency_hz");
    let power = view::f32s(&frames.spectra, "power_dbm");
    let maker = Maker::new(frames, &frames.spectra);
    let mut events = Vec::new();
    let mut sweep_times: Vec<i64> = Vec::new();
    let mut spikes: [Vec<(f64, f64)>; 4] = Default::default();
    let mut at = 0;
    while at < times.len() {
        let end = at + times[at..].iter().take_while(|t| **t == times[at]).count();
        let floor = median(power[at..end].iter().map(|p| f64::from(*p))).unwrap_or(0.0);
        sweep_times.push(times[at]);
        for (b, (low, high, _)) in GNSS_BANDS_MHZ.iter().enumerate() {
            let best = (at..end)
                .filter(|i| (*low..*high).contains(&(frequency[*i] / 1e6)))
                .map(|i| (f64::from(power[i]) - floor, frequency[i] / 1e6))
                .fold((f64::NEG_INFINITY, 0.0), |m, x| if x.0 > m.0 { x } else { m });
            spikes[b].push(best);
        }
        at = end;
    }
    let step = sweep_times.windows(2).map(|w| w[1] - w[0]).min().unwrap_or(60_000).clamp(1_000, 3_600_000);
    for (b, (_, _, name)) in GNSS_BANDS_MHZ.iter().enumerate() {
        let flags: Vec<bool> = spikes[b].iter().map(|(db, _)| *db >= limits.spike_db).collect();
        for s in stretches(&sweep_times, &flags, step, step, 0) {
            let best = spikes[b][s.first..s.end]
                .iter()
                .copied()
                .fold((f64::NEG_INFINITY, 0.0), |m, x| if x.0 > m.0 { x } else { m });
            events.push(maker.event(
                "spectrum-spike",
                s.from,
                s.to,
                Some(best.0),
                "dB",
                (0.5 * best.0 / limits.spike_db).min(1.0),
                format!("{:.0} dB above the floor at {:.2} MHz ({name} band)", best.0, best.1),
            ));
        }
    }
    events
}
