//! Multiple signal messages (MSM 4, 5 and 7).

use super::super::clock;
use super::super::orbit::Sys;
use super::super::plan::Format;
use super::super::signal::SIGNALS;
use super::{Bits, LIGHT_MS, Obs, SatObs, cn0, round};

/// Number of the MSM of a system: 1071 + level - 1 and so on.
pub(in super::super) fn msm_number(sys: Sys, format: Format) -> u16 {
    let level = match format {
        Format::Msm4 | Format::Legacy => 4,
        Format::Msm5 => 5,
        Format::Msm7 => 7,
    };
    level
        + match sys {
            Sys::Gps => 1070,
            Sys::Glo => 1080,
            Sys::Gal => 1090,
            Sys::Bds => 1120,
        }
}

/// One MSM. `sats` must be sorted by id. Cells of a satellite without any signal are left out.
#[allow(clippy::too_many_arguments)]
pub(in super::super) fn msm(
    b: &mut Bits,
    out: &mut Vec<u8>,
    station: u16,
    sys: Sys,
    format: Format,
    t: i64,
    more: bool,
    sats: &[SatObs],
) {
    let table = SIGNALS[sys.ix()];
    let mut signals = 0u32;
    let mut n_sig = 0usize;
    for (k, sig) in table.iter().enumerate() {
        if sats.iter().any(|s| s.obs[k].have) {
            signals |= 1 << (32 - sig.msm);
            n_sig += 1;
        }
    }
    if n_sig == 0 {
        return;
    }
    // The cell mask holds 64 cells at most.
    let sats = &sats[..sats.len().min(64 / n_sig)];
    b.put(u64::from(msm_number(sys, format)), 12);
    b.put(u64::from(station), 12);
    time(b, sys, t);
    b.put(u64::from(more), 1);
    b.put(0, 3);
    b.put(0, 7);
    b.put(1, 2);
    b.put(0, 2);
    b.put(0, 1);
    b.put(0, 3);
    let mask = sats.iter().fold(0u64, |m, s| m | 1u64 << (64 - u32::from(s.id.clamp(1, 64))));
    b.put(mask >> 32, 32);
    b.put(mask & 0xFFFF_FFFF, 32);
    b.put(u64::from(signals), 32);
    // Columns of the cell mask in the order of the MSM signal ids, which is that of our tables.
    let columns: Vec<usize> = (0..table.len()).filter(|k| signals >> (32 - table[*k].msm) & 1 == 1).collect();
    for s in sats {
        for k in &columns {
            b.put(u64::from(s.obs[*k].have), 1);
        }
    }
    satellites(b, sys, format, sats);
    let mut cells: [Cell; 64] = [(0.0, Obs::default(), 0); 64];
    let mut n = 0;
    for s in sats {
        let r = s.rough() as f64 * ROUGH_M;
        let rr = s.rough_rate();
        for k in &columns {
            if s.obs[*k].have && n < 64 {
                cells[n] = (r, s.obs[*k], rr);
                n += 1;
            }
        }
    }
    all_cells(b, format, &cells[..n]);
    b.frame(out);
}

/// Epoch time in the time scale of the system.
fn time(b: &mut Bits, sys: Sys, t: i64) {
    match sys {
        Sys::Gps => b.put(clock::gps_week(t).1 as u64 * 1000, 30),
        Sys::Gal => b.put(clock::gps_week(t).1 as u64 * 1000, 30),
        Sys::Bds => b.put(clock::bdt_sow(t) as u64 * 1000, 30),
        Sys::Glo => {
            let (d, s) = clock::glonass(t);
            b.put(d as u64, 3);
            b.put(s as u64 * 1000, 27);
        }
    }
}

/// Step of the rough ranges of an MSM, m.
const ROUGH_M: f64 = LIGHT_MS / 1024.0;

impl SatObs {
    fn first(&self) -> Obs {
        self.obs.iter().find(|o| o.have).copied().unwrap_or_default()
    }

    /// Range in steps of `ROUGH_M`.
    fn rough(&self) -> i64 {
        round(self.first().code_m, ROUGH_M)
    }

    /// Rate in m/s.
    fn rough_rate(&self) -> i64 {
        self.first().rate_ms.round().clamp(-8191.0, 8191.0) as i64
    }
}

/// Field by field over all satellites.
fn satellites(b: &mut Bits, sys: Sys, format: Format, sats: &[SatObs]) {
    let full = format != Format::Msm4;
    for s in sats {
        b.put((s.rough() >> 10).clamp(0, 254) as u64, 8);
    }
    if full {
        for s in sats {
            b.put(if sys == Sys::Glo { (i64::from(s.fcn) + 7) as u64 } else { 0 }, 4);
        }
    }
    for s in sats {
        b.put(s.rough() as u64 & 0x3FF, 10);
    }
    if full {
        for s in sats {
            b.int(s.rough_rate(), 14);
        }
    }
}

/// One cell of an MSM: rough range in m, observables, rough rate in m/s.
type Cell = (f64, Obs, i64);

/// Field by field over all cells.
fn all_cells(b: &mut Bits, format: Format, cells: &[Cell]) {
    let fit = |v: i64, width: u32| {
        let top = (1i64 << (width - 1)) - 1;
        if v.abs() > top { -(1i64 << (width - 1)) } else { v }
    };
    let wide = format == Format::Msm7;
    let (pw, pu) = if wide { (20, 2f64.powi(-29)) } else { (15, 2f64.powi(-24)) };
    let (fw, fu) = if wide { (24, 2f64.powi(-31)) } else { (22, 2f64.powi(-29)) };
    for (r, o, _) in cells {
        b.int(fit(round((o.code_m - r) / LIGHT_MS, pu), pw), pw);
    }
    for (r, o, _) in cells {
        b.int(fit(round((o.phase_m - r) / LIGHT_MS, fu), fw), fw);
    }
    for (_, o, _) in cells {
        if wide {
            b.put(lock10(o.lock_s), 10);
        } else {
            b.put(lock4(o.lock_s), 4);
        }
    }
    for (_, o, _) in cells {
        b.put(u64::from(o.half), 1);
    }
    for (_, o, _) in cells {
        if wide {
            b.put(cn0(o.cn0_dbhz, 0.0625, 1023), 10);
        } else {
            b.put(cn0(o.cn0_dbhz, 1.0, 63), 6);
        }
    }
    if format != Format::Msm4 {
        for (_, o, rr) in cells {
            b.int(fit(round(o.rate_ms - *rr as f64, 1e-4), 15), 15);
        }
    }
}

/// DF402: 4-bit lock time.
pub(super) fn lock4(lock_s: i32) -> u64 {
    let ms = i64::from(lock_s.max(0)) * 1000;
    (1..=15).rev().find(|i| ms >= 1i64 << (i + 4)).unwrap_or(0) as u64
}

/// DF407: 10-bit lock time.
pub(super) fn lock10(lock_s: i32) -> u64 {
    let ms = i64::from(lock_s.max(0)) * 1000;
    if ms < 64 {
        return ms as u64;
    }
    // Segment k (1..=20) starts at 2^(k+5) ms with 32 steps of 2^k ms.
    let k = i64::from(63 - (ms as u64).leading_zeros()) - 5;
    if k > 20 {
        return 704;
    }
    (32 * (k + 1) + (ms - (1 << (k + 5))) / (1 << k)) as u64
}
