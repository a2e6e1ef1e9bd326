//! Writes RTCM 3 frames (RTCM 10403.x): station, legacy observables, biases; MSM and ephemerides in files of their own.

mod ephemeris;
mod msm;

use super::clock;
use super::fault::MAX_SIGNALS;
use super::orbit::{C_MS, Sys};
use super::signal::{Band, SIGNALS};
pub(super) use ephemeris::ephemeris;
pub(super) use msm::{msm, msm_number};

/// Metres of one millisecond of light.
const LIGHT_MS: f64 = C_MS / 1000.0;

const CRC: [u32; 256] = {
    let mut table = [0u32; 256];
    let mut k = 0;
    while k < 256 {
        let mut c = (k as u32) << 16;
        let mut b = 0;
        while b < 8 {
            c = if c & 0x80_0000 != 0 { (c << 1) ^ 0x186_4CFB } else { c << 1 };
            b += 1;
        }
        table[k] = c & 0xFF_FFFF;
        k += 1;
    }
    table
};

/// CRC-24Q of some bytes.
pub(super) fn crc24q(bytes: &[u8]) -> u32 {
    bytes.iter().fold(0, |c, b| ((c << 8) & 0xFF_FFFF) ^ CRC[(((c >> 16) as u8) ^ b) as usize])
}

/// Bit writer, most significant bit first.
#[derive(Default)]
pub(super) struct Bits {
    buf: Vec<u8>,
    acc: u64,
    n: u32,
}

impl Bits {
    fn clear(&mut self) {
        self.buf.clear();
        self.acc = 0;
        self.n = 0;
    }

    /// Appends the low `width` bits (at most 56).
    #[inline]
    fn put(&mut self, v: u64, width: u32) {
        self.acc = (self.acc << width) | (v & ((1u64 << width) - 1));
        self.n += width;
        while self.n >= 8 {
            self.n -= 8;
            self.buf.push((self.acc >> self.n) as u8);
        }
    }

    /// Two's complement.
    #[inline]
    fn int(&mut self, v: i64, width: u32) {
        self.put(v as u64, width);
    }

    /// Sign and magnitude, as GLONASS has it.
    fn sm(&mut self, v: i64, width: u32) {
        self.put(u64::from(v < 0), 1);
        self.put(v.unsigned_abs(), width - 1);
    }

    fn text(&mut self, s: &str) {
        let b: Vec<u8> = s.bytes().take(31).collect();
        self.put(b.len() as u64, 8);
        for c in b {
            self.put(u64::from(c), 8);
        }
    }

    /// Ends the frame onto `out`.
    fn frame(&mut self, out: &mut Vec<u8>) {
        if self.n > 0 {
            let pad = 8 - self.n;
            self.put(0, pad);
        }
        let at = out.len();
        let len = self.buf.len().min(1023);
        out.extend([0xD3, (len >> 8) as u8, len as u8]);
        out.extend_from_slice(&self.buf[..len]);
        let c = crc24q(&out[at..]);
        out.extend([(c >> 16) as u8, (c >> 8) as u8, c as u8]);
        self.clear();
    }
}

fn round(v: f64, unit: f64) -> i64 {
    (v / unit).round() as i64
}

/// 1005 or 1006.
pub(super) fn position(
    b: &mut Bits,
    out: &mut Vec<u8>,
    station: u16,
    systems: [bool; 4],
    x: &[f64; 3],
    height_m: Option<f64>,
) {
    b.put(if height_m.is_some() { 1006 } else { 1005 }, 12);
    b.put(u64::from(station), 12);
    b.put(0, 6);
    b.put(u64::from(systems[0]), 1);
    b.put(u64::from(systems[1]), 1);
    b.put(u64::from(systems[2]), 1);
    b.put(0, 1);
    b.int(round(x[0], 1e-4), 38);
    b.put(0, 1);
    b.put(0, 1);
    b.int(round(x[1], 1e-4), 38);
    b.put(1, 2);
    b.int(round(x[2], 1e-4), 38);
    if let Some(h) = height_m {
        b.put(round(h, 1e-4) as u64, 16);
    }
    b.frame(out);
}

/// 1033: what the base is made of.
pub(super) fn descriptors(
    b: &mut Bits,
    out: &mut Vec<u8>,
    station: u16,
    antenna: &str,
    serial: &str,
    receiver: &str,
    firmware: &str,
) {
    b.put(1033, 12);
    b.put(u64::from(station), 12);
    b.text(antenna);
    b.put(0, 8);
    b.text("");
    b.text(receiver);
    b.text(firmware);
    b.text(serial);
    b.frame(out);
}

/// 1230 with L1 C/A and L2 C/A biases.
pub(super) fn biases(b: &mut Bits, out: &mut Vec<u8>, station: u16, l1_m: f64, l2_m: f64) {
    b.put(1230, 12);
    b.put(u64::from(station), 12);
    b.put(1, 1);
    b.put(0, 3);
    b.put(0b1010, 4);
    b.int(round(l1_m, 0.02), 16);
    b.int(round(l2_m, 0.02), 16);
    b.frame(out);
}

/// 1013 with a list of (message, sync flag, interval in s).
pub(super) fn parameters(b: &mut Bits, out: &mut Vec<u8>, station: u16, t: i64, list: &[(u16, bool, f64)]) {
    let (mjd, sod) = clock::mjd(t);
    b.put(1013, 12);
    b.put(u64::from(station), 12);
    b.put(mjd as u64, 16);
    b.put(sod as u64, 17);
    b.put(list.len().min(31) as u64, 5);
    b.put(clock::LEAP_S as u64, 8);
    for (m, sync, s) in list.iter().take(31) {
        b.put(u64::from(*m), 12);
        b.put(u64::from(*sync), 1);
        b.put(round(*s, 0.1) as u64, 16);
    }
    b.frame(out);
}

/// A company-assigned message with arbitrary content.
pub(super) fn closed(b: &mut Bits, out: &mut Vec<u8>, station: u16, seed: u64, len: usize) {
    b.put(4001 + seed % 40, 12);
    b.put(u64::from(station), 12);
    let mut x = seed;
    for _ in 0..len {
        x = super::rng::mix(x);
        b.put(x & 0xFF, 8);
    }
    b.frame(out);
}

/// One tracked signal of one satellite, ready to be coded.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Obs {
    pub have: bool,
    pub code_m: f64,
    pub phase_m: f64,
    /// Change of the phase range, m/s.
    pub rate_ms: f64,
    pub cn0_dbhz: f32,
    pub lock_s: i32,
    pub half: bool,
}

/// One satellite of an epoch.
#[derive(Debug, Clone, Copy)]
pub(super) struct SatObs {
    pub id: u8,
    pub fcn: i8,
    pub obs: [Obs; MAX_SIGNALS],
}

/// C/N0 in steps of `unit`; 0 = not given (DF015, DF403, DF408).
fn cn0(dbhz: f32, unit: f64, top: i64) -> u64 {
    if dbhz <= 0.0 { 0 } else { round(f64::from(dbhz), unit).clamp(1, top) as u64 }
}

/// DF013: 7-bit lock time of the legacy messages.
fn lock7(lock_s: i32) -> u64 {
    let s = i64::from(lock_s.max(0));
    (match s {
        0..24 => s,
        24..72 => (s + 24) / 2,
        72..168 => (s + 120) / 4,
        168..360 => (s + 408) / 8,
        360..744 => (s + 1176) / 16,
        744..937 => (s + 3096) / 32,
        _ => 127,
    }) as u64
}

/// 1004 or 1012 for GPS or GLONASS.
pub(super) fn legacy(b: &mut Bits, out: &mut Vec<u8>, station: u16, sys: Sys, t: i64, more: bool, sats: &[SatObs]) {
    let glo = sys == Sys::Glo;
    // The message counts to 31 satellites, and only those with the first frequency have a place in it.
    let n = sats.iter().filter(|s| s.obs[0].have).take(31).count();
    b.put(if glo { 1012 } else { 1004 }, 12);
    b.put(u64::from(station), 12);
    if glo {
        b.put(clock::glonass(t).1 as u64 * 1000, 27);
    } else {
        b.put(clock::gps_week(t).1 as u64 * 1000, 30);
    }
    b.put(u64::from(more), 1);
    b.put(n as u64, 5);
    b.put(0, 1);
    b.put(0, 3);
    for s in sats.iter().filter(|s| s.obs[0].have).take(31) {
        let o1 = s.obs[0];
        // The second frequency in the order of preference of the time: P(Y), then the civil code.
        let second =
            (1..MAX_SIGNALS).find(|k| s.obs[*k].have && SIGNALS[sys.ix()].get(*k).is_some_and(|g| g.band != Band::L5));
        b.put(u64::from(s.id), 6);
        b.put(0, 1);
        let unit_m = if glo { 2.0 * LIGHT_MS } else { LIGHT_MS };
        let amb = (o1.code_m / unit_m).floor();
        let p1 = round(o1.code_m - amb * unit_m, 0.02);
        let p1_m = amb * unit_m + p1 as f64 * 0.02;
        if glo {
            b.put((i64::from(s.fcn) + 7) as u64, 5);
            b.put(p1 as u64, 25);
        } else {
            b.put(p1 as u64, 24);
        }
        let fit20 = |v: i64| if v.abs() > 524_287 { -524_288 } else { v };
        b.int(fit20(round(o1.phase_m - p1_m, 0.0005)), 20);
        b.put(lock7(o1.lock_s), 7);
        b.put(amb as u64, if glo { 7 } else { 8 });
        b.put(cn0(o1.cn0_dbhz, 0.25, 255), 8);
        match second {
            Some(k) => {
                let o2 = s.obs[k];
                let semi = SIGNALS[sys.ix()].get(k).is_some_and(|g| g.band == Band::L2W);
                b.put(if semi { 2 } else { 0 }, 2);
                let d = round(o2.code_m - p1_m, 0.02);
                b.int(if d.abs() > 8191 { -8192 } else { d }, 14);
                b.int(fit20(round(o2.phase_m - p1_m, 0.0005)), 20);
                b.put(lock7(o2.lock_s), 7);
                b.put(cn0(o2.cn0_dbhz, 0.25, 255), 8);
            }
            None => {
                b.put(0, 2);
                b.int(-8192, 14);
                b.int(-524_288, 20);
                b.put(0, 7);
                b.put(0, 8);
            }
        }
    }
    b.frame(out);
}

#[cfg(test)]
mod tests {
    use super::msm::{lock4, lock10};
    use super::*;

    fn hex(bytes: &[u8]) -> String {
        bytes.iter().map(|b| format!("{b:02X}")).collect()
    }

    // check-values 3.1: published CRC check value, the empty frame.
    #[test]
    fn crc_and_empty_frame() {
        assert_eq!(crc24q(b"123456789"), 0xCDE703);
        let mut out = Vec::new();
        Bits::default().frame(&mut out);
        assert_eq!(hex(&out), "D3000047EA4B");
    }

    // check-values 3.8: frames built and decoded elsewhere (pyrtcm).
    #[test]
    fn constructed_frames() {
        let (mut b, mut out) = (Bits::default(), Vec::new());
        position(&mut b, &mut out, 123, [true; 4], &[3978527.4475, -8858.4120, 4968590.3820], Some(1.5));
        assert_eq!(hex(&out), "D300153EE07B038943631C6B3FFAB850484B9182B9CC3A983ADF90");
        out.clear();
        biases(&mut b, &mut out, 123, -24.68, 11.34);
        assert_eq!(hex(&out), "D300084CE07B8AFB2E02375A42A6");
        out.clear();
        let t = clock::days_of(2026, 3, 3) * 86_400 + 43_182;
        parameters(&mut b, &mut out, 123, t, &[(1005, false, 10.0), (1074, true, 1.0)]);
        assert_eq!(hex(&out), "D300103F507BEEAE54570848FB400C8865000A8B93CA");
    }

    // check-values 3.5: lock time tables.
    #[test]
    fn lock_times() {
        assert_eq!((lock7(23), lock7(24), lock7(70), lock7(72), lock7(164), lock7(168)), (23, 24, 47, 48, 71, 72));
        assert_eq!(
            (lock7(352), lock7(360), lock7(424), lock7(744), lock7(936), lock7(937)),
            (95, 96, 100, 120, 126, 127)
        );
        assert_eq!((lock4(0), lock4(1), lock4(33), lock4(525)), (0, 5, 11, 15));
        assert_eq!((lock10(0), lock10(12), lock10(525), lock10(66_060), lock10(70_000)), (0, 302, 480, 702, 704));
    }
}
