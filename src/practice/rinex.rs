//! A RINEX 3.04 navigation file of the invented sky (GPS, Galileo and BeiDou; GLONASS as state vectors).

use super::clock;
use super::orbit::{Constellation, Sys};
use std::fmt::Write;

fn d(v: f64) -> String {
    // D19.12: one digit before the point, exponent of two digits.
    if v == 0.0 {
        return " 0.000000000000D+00".into();
    }
    let mut e = v.abs().log10().floor() as i32;
    let mut m = v / 10f64.powi(e);
    if format!("{:.12}", m.abs()).starts_with("10") {
        m /= 10.0;
        e += 1;
    }
    format!("{:>15.12}D{}{:02}", m, if e < 0 { '-' } else { '+' }, e.abs())
}

fn line(out: &mut String, values: [f64; 4]) {
    out.push_str("    ");
    values.iter().for_each(|v| out.push_str(&d(*v)));
    out.push('\n');
}

/// Records for every satellite and issue between two Unix times.
pub(super) fn navigation(sky: &Constellation, from: i64, to: i64) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{:>9}{:11}{:<20}{:<20}RINEX VERSION / TYPE", "3.04", "", "N: GNSS NAV DATA", "M: MIXED");
    let _ = writeln!(out, "{:<20}{:<20}{:<20}PGM / RUN BY / DATE", "practice", "", "20260101 000000 UTC");
    let _ = writeln!(out, "{:>6}{:54}LEAP SECONDS", clock::LEAP_S, "");
    let _ = writeln!(out, "{:60}END OF HEADER", "");
    for (k, s) in sky.sats.iter().enumerate() {
        // Seconds between issues, offset of the system's clock from GPS time, offset of its weeks.
        let (step, behind, letter) = match s.sys {
            Sys::Gps => (7200, 0, 'G'),
            Sys::Gal => (1200, 0, 'E'),
            Sys::Bds => (3600, 14, 'C'),
            Sys::Glo => (1800, 0, 'R'),
        };
        let shift = if s.sys == Sys::Glo { clock::LEAP_S } else { behind };
        // GLONASS states are those of the middle of their half hour.
        let middle = if s.sys == Sys::Glo { step / 2 } else { 0 };
        let mut t = (clock::gpst(from) - shift).div_euclid(step) * step + middle;
        while t <= clock::gpst(to) - shift + middle {
            let gps = t + shift;
            let unix = 315_964_800 + t;
            let (y, m, dd) = clock::civil(unix.div_euclid(86_400));
            let c = unix.rem_euclid(86_400);
            let _ = write!(
                out,
                "{letter}{:02} {y:04} {m:02} {dd:02} {:02} {:02} {:02}",
                s.id,
                c / 3600,
                c / 60 % 60,
                c % 60
            );
            if s.sys == Sys::Glo {
                let (x, _) = sky.position(k, gps as f64);
                let v = sky.velocity(k, gps as f64);
                out.push_str(&d(sky.clock(k, gps as f64)));
                out.push_str(&d(s.af1));
                out.push_str(&d((t.rem_euclid(clock::WEEK_S)) as f64));
                out.push('\n');
                line(&mut out, [x[0] / 1e3, v[0] / 1e3, 0.0, 0.0]);
                line(&mut out, [x[1] / 1e3, v[1] / 1e3, 0.0, f64::from(s.fcn)]);
                line(&mut out, [x[2] / 1e3, v[2] / 1e3, 0.0, 0.0]);
            } else {
                let week0 = if s.sys == Sys::Bds { 1356 } else { 0 };
                let (week, sow) = (t.div_euclid(clock::WEEK_S) - week0, t.rem_euclid(clock::WEEK_S));
                let Some(e) = sky.elements(k, gps, sow) else { break };
                out.push_str(&d(e.af0));
                out.push_str(&d(e.af1));
                out.push_str(&d(0.0));
                out.push('\n');
                line(&mut out, [1.0, 0.0, 0.0, e.m0]);
                line(&mut out, [0.0, e.e, 0.0, e.sqrt_a]);
                line(&mut out, [sow as f64, 0.0, e.node0, 0.0]);
                line(&mut out, [e.i0, 0.0, e.argp, e.node_rate]);
                line(&mut out, [0.0, if s.sys == Sys::Gal { 517.0 } else { 0.0 }, week as f64, 0.0]);
                line(&mut out, [2.0, 0.0, 0.0, 0.0]);
                line(&mut out, [sow as f64, if s.sys == Sys::Gps { 4.0 } else { 0.0 }, 0.0, 0.0]);
            }
            t += step;
        }
    }
    out
}
