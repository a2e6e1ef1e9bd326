//! `antenna-voltage-low`, `antenna-voltage-high`, `antenna-current-none`, `antenna-current-high`, `supply-voltage-low`: the
//! antenna port against what the antenna needs (unit card, catalogue).

use super::Maker;
use super::limits::Limits;
use super::setup::Setup;
use super::window::{median, stretches};
use crate::frames::{UnitFrames, view};
use crate::maths::for_text;
use crate::model::event::Event;

pub(super) fn run(frames: &UnitFrames, setup: &Setup, limits: &Limits) -> Vec<Event> {
    let times = view::i64s(&frames.metrics, "time");
    let names = view::texts(&frames.metrics, "metric");
    let values = view::f64s(&frames.metrics, "value");
    let maker = Maker::new(frames, &frames.metrics);
    let series = |name: &str| -> (Vec<i64>, Vec<f64>) {
        (0..times.len()).filter(|i| names[*i] == name && values[*i].is_finite()).map(|i| (times[i], values[i])).unzip()
    };
    let mut events = Vec::new();
    let mut find = |name: &str,
                    kind: &'static str,
                    unit: &'static str,
                    bad: &dyn Fn(f64) -> bool,
                    words: &dyn Fn(f64) -> String| {
        let (t, v) = series(name);
        let step =
            median(t.windows(2).map(|w| (w[1] - w[0]) as f64)).unwrap_or(60_000.0).clamp(1_000.0, 3_600_000.0) as i64;
        let flags: Vec<bool> = v.iter().map(|x| bad(*x)).collect();
        for s in stretches(&t, &flags, step, 2 * step, 0) {
            let typical = median(v[s.first..s.end].iter().copied().filter(|x| bad(*x))).unwrap_or(v[s.first]);
            let cells = flags[s.first..s.end].iter().filter(|f| **f).count();
            let strength = if cells >= 2 { 1.0 } else { 0.6 };
            events.push(maker.event(kind, s.from, s.to, Some(typical), unit, strength, words(typical)));
        }
    };
    let low = setup.supply_min_v.unwrap_or(limits.voltage_default_min_v)
        - limits.voltage_margin_v
        // What the cable takes, the port must give on top.
        + setup.voltage_drop_v.filter(|d| d.is_finite()).unwrap_or(0.0).max(0.0);
    let need = match setup.supply_min_v {
        Some(v) => format!("the antenna needs {v:.1} V"),
        None => format!("assumed need {:.1} V (no card, no catalogue)", limits.voltage_default_min_v),
    };
    find("antenna_voltage_v", "antenna-voltage-low", "V", &|v| v < low, &|v| {
        format!("antenna port at {:.2} V; {need}", for_text(v, 2))
    });
    if let Some(max) = setup.supply_max_v {
        find("antenna_voltage_v", "antenna-voltage-high", "V", &|v| v > max + limits.voltage_margin_v, &|v| {
            format!("antenna port at {v:.2} V; the antenna takes at most {max:.1} V")
        });
    }
    // Open and short speak only where a current is usually there.
    let (_, currents) = series("antenna_current_ma");
    let usual = median(currents.iter().copied()).unwrap_or(0.0);
    let ever = currents.iter().copied().fold(0.0, f64::max);
    if ever > limits.current_open_ma {
        find("antenna_current_ma", "antenna-current-none", "mA", &|v| v < limits.current_open_ma, &|v| {
            format!("antenna current {:.0} mA: open line (usual {usual:.0} mA)", for_text(v, 0))
        });
    }
    find("antenna_current_ma", "antenna-current-high", "mA", &|v| v > limits.current_short_ma, &|v| {
        format!("antenna current {v:.0} mA: short or water (typical 20 to 100 mA)")
    });
    let (_, supplies) = series("supply_voltage_v");
    let usual_supply = median(supplies.iter().copied()).unwrap_or(0.0);
    if usual_supply > 0.0 {
        find("supply_voltage_v", "supply-voltage-low", "V", &|v| v < 0.85 * usual_supply, &|v| {
            format!("supply at {:.1} V, usually {usual_supply:.1} V", for_text(v, 1))
        });
    }
    events
}
