//! Broadcast ephemerides as RTCM 3 messages.

use super::super::clock;
use super::super::orbit::{Constellation, Elements, Sys};
use super::{Bits, round};

/// An ephemeris: 1019, 1020, 1042, 1045 or 1046 (Galileo alternates by `fnav`).
pub(in super::super) fn ephemeris(b: &mut Bits, out: &mut Vec<u8>, sky: &Constellation, k: usize, t: i64, fnav: bool) {
    let Some(sat) = sky.sats.get(k) else { return };
    match sat.sys {
        Sys::Glo => glonass(b, out, sky, k, t),
        Sys::Gps => {
            // Two-hour issues.
            let toe_abs = clock::gpst(t).div_euclid(7200) * 7200;
            let (week, toe) = (toe_abs.div_euclid(clock::WEEK_S), toe_abs.rem_euclid(clock::WEEK_S));
            let Some(e) = sky.elements(k, toe_abs, toe) else { return };
            let issue = (toe_abs / 7200 % 240) as u64;
            b.put(1019, 12);
            b.put(u64::from(sat.id), 6);
            b.put((week & 0x3FF) as u64, 10);
            b.put(0, 4);
            b.put(1, 2);
            b.int(0, 14);
            b.put(issue, 8);
            b.put(toe as u64 / 16, 16);
            b.int(0, 8);
            b.int(round(e.af1, p2(-43)), 16);
            b.int(round(e.af0, p2(-31)), 22);
            b.put(issue, 10);
            b.int(0, 16);
            b.int(0, 16);
            orbit(b, &e, 16, (toe as u64 / 16, 16));
            b.int(0, 8);
            b.put(0, 6);
            b.put(0, 1);
            b.put(0, 1);
            b.frame(out);
        }
        Sys::Gal => {
            let toe_abs = clock::gpst(t).div_euclid(1200) * 1200;
            let (week, toe) = (toe_abs.div_euclid(clock::WEEK_S) - 1024, toe_abs.rem_euclid(clock::WEEK_S));
            let Some(e) = sky.elements(k, toe_abs, toe) else { return };
            b.put(if fnav { 1045 } else { 1046 }, 12);
            b.put(u64::from(sat.id), 6);
            b.put((week & 0xFFF) as u64, 12);
            b.put((toe_abs / 1200 % 1024) as u64, 10);
            b.put(107, 8);
            b.int(0, 14);
            b.put(toe as u64 / 60, 14);
            b.int(0, 6);
            b.int(round(e.af1, p2(-46)), 21);
            b.int(round(e.af0, p2(-34)), 31);
            b.int(0, 16);
            b.int(0, 16);
            orbit(b, &e, 16, (toe as u64 / 60, 14));
            b.int(0, 10);
            if fnav {
                b.put(0, 2);
                b.put(0, 1);
                b.put(0, 7);
            } else {
                b.int(0, 10);
                b.put(0, 2);
                b.put(0, 1);
                b.put(0, 2);
                b.put(0, 1);
                b.put(0, 2);
            }
            b.frame(out);
        }
        Sys::Bds => {
            // One-hour issues, times in BDT.
            let bdt = clock::gpst(t) - 14 - 1356 * clock::WEEK_S;
            let toe_abs = bdt.div_euclid(3600) * 3600;
            let (week, toe) = (toe_abs.div_euclid(clock::WEEK_S), toe_abs.rem_euclid(clock::WEEK_S));
            let Some(e) = sky.elements(k, toe_abs + 14 + 1356 * clock::WEEK_S, toe) else { return };
            b.put(1042, 12);
            b.put(u64::from(sat.id), 6);
            b.put(week as u64, 13);
            b.put(0, 4);
            b.int(0, 14);
            b.put(1, 5);
            b.put(toe as u64 / 8, 17);
            b.int(0, 11);
            b.int(round(e.af1, p2(-50)), 22);
            b.int(round(e.af0, p2(-33)), 24);
            b.put(1, 5);
            b.int(0, 18);
            b.int(0, 16);
            orbit(b, &e, 18, (toe as u64 / 8, 17));
            b.int(0, 10);
            b.int(0, 10);
            b.put(0, 1);
            b.frame(out);
        }
    }
}

fn p2(e: i32) -> f64 {
    2f64.powi(e)
}

/// What all Kepler messages have in common, from the mean anomaly to the rate of the node: harmonic terms (zero here) of `harmonic_bits`
/// between the elements, angles in semicircles, the time of ephemeris in the message's own unit and width.
fn orbit(b: &mut Bits, e: &Elements, harmonic_bits: u32, toe: (u64, u32)) {
    let semi = |v: f64| round(v / std::f64::consts::PI, p2(-31));
    b.int(semi(e.m0), 32);
    b.int(0, harmonic_bits);
    b.put(round(e.e, p2(-33)) as u64, 32);
    b.int(0, harmonic_bits);
    b.put(round(e.sqrt_a, p2(-19)) as u64, 32);
    b.put(toe.0, toe.1);
    b.int(0, harmonic_bits);
    b.int(semi(e.node0), 32);
    b.int(0, harmonic_bits);
    b.int(semi(e.i0), 32);
    b.int(0, harmonic_bits);
    b.int(semi(e.argp), 32);
    b.int(round(e.node_rate / std::f64::consts::PI, p2(-43)), 24);
}

/// 1020: position and velocity at the middle of the half hour. Luni-solar terms are zero.
fn glonass(b: &mut Bits, out: &mut Vec<u8>, sky: &Constellation, k: usize, t: i64) {
    let Some(sat) = sky.sats.get(k) else { return };
    let moscow = t + 10_800;
    let tb_abs = moscow.div_euclid(1800) * 1800 + 900;
    let tb = tb_abs.rem_euclid(86_400);
    let gps = clock::gpst(tb_abs - 10_800) as f64;
    let (x, _) = sky.position(k, gps);
    let v = sky.velocity(k, gps);
    let (y, _, _) = clock::civil(moscow.div_euclid(86_400));
    let n4 = (y - 1996) / 4 + 1;
    let nt = moscow.div_euclid(86_400) - clock::days_of(1996 + 4 * (n4 - 1), 1, 1) + 1;
    let s = moscow.rem_euclid(86_400);
    b.put(1020, 12);
    b.put(u64::from(sat.id), 6);
    b.put((i64::from(sat.fcn) + 7) as u64, 5);
    b.put(1, 1);
    b.put(1, 1);
    b.put(1, 2);
    b.put(((s / 3600) << 7 | (s / 60 % 60) << 1 | (s / 30 % 2)) as u64, 12);
    b.put(0, 1);
    b.put(((tb / 900) & 1) as u64, 1);
    b.put((tb / 900) as u64, 7);
    for d in 0..3 {
        b.sm(round(v[d] / 1000.0, 2f64.powi(-20)), 24);
        b.sm(round(x[d] / 1000.0, 2f64.powi(-11)), 27);
        b.sm(0, 5);
    }
    b.put(1, 1);
    // The message carries minus tau: satellite clock less system time.
    b.sm(round(sat.af1, 2f64.powi(-40)), 11);
    b.put(3, 2);
    b.put(0, 1);
    b.sm(round(-sky.clock(k, gps), 2f64.powi(-30)), 22);
    b.sm(0, 5);
    b.put(0, 5);
    b.put(0, 1);
    b.put(2, 4);
    b.put(nt as u64, 11);
    b.put(1, 2);
    b.put(1, 1);
    b.put(nt as u64, 11);
    b.sm(0, 32);
    b.put(n4 as u64, 5);
    b.sm(0, 22);
    b.put(0, 1);
    b.put(0, 7);
    b.frame(out);
}
