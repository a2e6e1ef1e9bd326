//! Writes NMEA 0183 sentences (4.11, or the older GSV form without signal id) straight into bytes.

use super::clock;

/// Fixed-point number with `digits` decimals, zero padded on the left to `width` whole digits.
pub(super) fn fixed(out: &mut Vec<u8>, v: f64, digits: u32, width: usize) {
    let scale = 10i64.pow(digits);
    let n = (v * scale as f64).round() as i64;
    if n < 0 {
        out.push(b'-');
    }
    let n = n.unsigned_abs();
    let (whole, part) = (n / scale as u64, n % scale as u64);
    number(out, whole, width);
    if digits > 0 {
        out.push(b'.');
        number(out, part, digits as usize);
    }
}

/// Whole number, zero padded to `width`.
pub(super) fn number(out: &mut Vec<u8>, mut v: u64, width: usize) {
    let mut buf = [b'0'; 20];
    let mut k = 20;
    while v > 0 || 20 - k < width.max(1) {
        k -= 1;
        buf[k] = b'0' + (v % 10) as u8;
        v /= 10;
        if k == 0 {
            break;
        }
    }
    out.extend_from_slice(&buf[k..]);
}

fn end(out: &mut Vec<u8>, start: usize) {
    const HEX: &[u8; 16] = b"0123456789ABCDEF";
    let x = out.get(start + 1..).unwrap_or(&[]).iter().fold(0, |a, b| a ^ b);
    out.extend([b'*', HEX[usize::from(x >> 4)], HEX[usize::from(x & 15)], b'\r', b'\n']);
}

fn time(out: &mut Vec<u8>, t: i64) {
    let s = t.rem_euclid(86_400) as u64;
    number(out, s / 3600, 2);
    number(out, s / 60 % 60, 2);
    number(out, s % 60, 2);
    out.extend_from_slice(b".00,");
}

fn angle(out: &mut Vec<u8>, deg: f64, width: usize, digits: u32, plus: u8, minus: u8) {
    let scale = 10f64.powi(digits as i32);
    // Rounded in whole units first, so that 59.99999 never prints as 60 minutes.
    let n = (deg.abs() * 60.0 * scale).round() as u64;
    let per = (60.0 * scale) as u64;
    number(out, n / per, width);
    let m = n % per;
    number(out, m / scale as u64, 2);
    out.push(b'.');
    number(out, m % scale as u64, digits as usize);
    out.extend([b',', if deg < 0.0 { minus } else { plus }, b',']);
}

/// A position to print.
pub(super) struct Gga {
    pub t: i64,
    pub lat_deg: f64,
    pub lon_deg: f64,
    pub quality: u8,
    pub sats: u8,
    pub hdop: f64,
    pub alt_m: f64,
    pub geoid_m: f64,
    /// Below 0: none.
    pub age_s: f32,
    pub station: u16,
    /// Decimals of a minute.
    pub digits: u32,
}

pub(super) fn gga(out: &mut Vec<u8>, g: &Gga) {
    let start = out.len();
    out.extend_from_slice(b"$GNGGA,");
    time(out, g.t);
    if g.quality == 0 {
        out.extend_from_slice(b",,,,0,00,99.9,,,,,,");
    } else {
        angle(out, g.lat_deg, 2, g.digits, b'N', b'S');
        angle(out, g.lon_deg, 3, g.digits, b'E', b'W');
        out.extend([b'0' + g.quality, b',']);
        number(out, u64::from(g.sats), 2);
        out.push(b',');
        fixed(out, g.hdop, 1, 1);
        out.push(b',');
        fixed(out, g.alt_m, 3, 1);
        out.extend_from_slice(b",M,");
        fixed(out, g.geoid_m, 3, 1);
        out.extend_from_slice(b",M,");
        if g.age_s >= 0.0 {
            fixed(out, f64::from(g.age_s), 1, 1);
            out.push(b',');
            number(out, u64::from(g.station), 4);
        } else {
            out.push(b',');
        }
    }
    end(out, start);
}

/// GST: major, minor axis, orientation, and deviations of latitude, longitude, height.
pub(super) fn gst(out: &mut Vec<u8>, t: i64, rms: f64, lat_m: f64, lon_m: f64, h_m: f64) {
    let start = out.len();
    out.extend_from_slice(b"$GNGST,");
    time(out, t);
    let (major, minor, turn) = if lat_m >= lon_m { (lat_m, lon_m, 0.0) } else { (lon_m, lat_m, 90.0) };
    for (v, d) in [(rms, 3), (major, 3), (minor, 3), (turn, 1), (lat_m, 3), (lon_m, 3)] {
        fixed(out, v, d, 1);
        out.push(b',');
    }
    fixed(out, h_m, 3, 1);
    end(out, start);
}

pub(super) fn rmc(out: &mut Vec<u8>, g: &Gga, knots: f64, course: f64, v411: bool) {
    let start = out.len();
    out.extend_from_slice(b"$GNRMC,");
    time(out, g.t);
    if g.quality == 0 {
        out.extend_from_slice(b"V,,,,,,,");
    } else {
        out.extend_from_slice(b"A,");
        angle(out, g.lat_deg, 2, g.digits, b'N', b'S');
        angle(out, g.lon_deg, 3, g.digits, b'E', b'W');
        fixed(out, knots, 2, 1);
        out.push(b',');
        fixed(out, course, 1, 1);
        out.push(b',');
    }
    let (y, m, d) = clock::civil(g.t.div_euclid(86_400));
    number(out, d as u64, 2);
    number(out, m as u64, 2);
    number(out, (y % 100) as u64, 2);
    out.extend_from_slice(b",,,");
    out.push(match g.quality {
        4 => b'R',
        5 => b'F',
        2 => b'D',
        0 => b'N',
        _ => b'A',
    });
    if v411 {
        out.extend_from_slice(b",V");
    }
    end(out, start);
}

pub(super) fn zda(out: &mut Vec<u8>, t: i64) {
    let start = out.len();
    out.extend_from_slice(b"$GNZDA,");
    time(out, t);
    let (y, m, d) = clock::civil(t.div_euclid(86_400));
    number(out, d as u64, 2);
    out.push(b',');
    number(out, m as u64, 2);
    out.push(b',');
    number(out, y as u64, 4);
    out.extend_from_slice(b",00,00");
    end(out, start);
}

/// One satellite of a GSV group.
#[derive(Debug, Clone, Copy)]
pub(super) struct InView {
    pub id: u16,
    pub el: u8,
    pub az: u16,
    pub cn0: Option<u8>,
}

/// A GSV group of one talker; `signal` = hex digit of the signal id, or the older form.
pub(super) fn gsv(out: &mut Vec<u8>, talker: &[u8; 2], list: &[InView], signal: Option<u8>) {
    if list.is_empty() {
        return;
    }
    let list = &list[..list.len().min(36)];
    let pages = list.len().div_ceil(4);
    for (n, page) in list.chunks(4).enumerate() {
        let start = out.len();
        out.push(b'$');
        out.extend_from_slice(talker);
        out.extend_from_slice(b"GSV,");
        number(out, pages as u64, 1);
        out.push(b',');
        number(out, n as u64 + 1, 1);
        out.push(b',');
        number(out, list.len() as u64, 2);
        for s in page {
            out.push(b',');
            number(out, u64::from(s.id), 2);
            out.push(b',');
            number(out, u64::from(s.el), 2);
            out.push(b',');
            number(out, u64::from(s.az), 3);
            out.push(b',');
            if let Some(c) = s.cn0 {
                number(out, u64::from(c), 2);
            }
        }
        if let Some(c) = signal {
            out.extend([b',', c]);
        }
        end(out, start);
    }
}

/// GSA sentences of one system (at most 12 satellites each).
pub(super) fn gsa(out: &mut Vec<u8>, ids: &[u16], system: Option<u8>, dop: (f64, f64, f64)) {
    for page in ids.chunks(12) {
        let start = out.len();
        out.extend_from_slice(b"$GNGSA,A,3");
        for k in 0..12 {
            out.push(b',');
            if let Some(id) = page.get(k) {
                number(out, u64::from(*id), 2);
            }
        }
        for v in [dop.0, dop.1, dop.2] {
            out.push(b',');
            fixed(out, v, 1, 1);
        }
        if let Some(s) = system {
            out.extend([b',', s]);
        }
        end(out, start);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // check-values 2.1: published and computed sentences.
    #[test]
    fn worked_sentences() {
        let t = clock::days_of(2026, 3, 1) * 86_400 + 43_200;
        let mut out = Vec::new();
        zda(&mut out, t);
        assert_eq!(String::from_utf8_lossy(&out), "$GNZDA,120000.00,01,03,2026,00,00*7F\r\n");
        out.clear();
        let g = Gga {
            t,
            lat_deg: 51.0 + 30.123_456_78 / 60.0,
            lon_deg: -(7.654_321 / 60.0),
            quality: 4,
            sats: 21,
            hdop: 0.6,
            alt_m: 63.412,
            geoid_m: 45.731,
            age_s: 1.0,
            station: 123,
            digits: 8,
        };
        gga(&mut out, &g);
        assert_eq!(
            String::from_utf8_lossy(&out),
            "$GNGGA,120000.00,5130.12345678,N,00007.65432100,W,4,21,0.6,63.412,M,45.731,M,1.0,0123*75\r\n"
        );
        out.clear();
        let view = |id, el, az, cn0| InView { id, el, az, cn0 };
        let list = [view(65, 40, 60, Some(44)), view(72, 15, 130, Some(37)), view(88, 55, 330, Some(47))];
        gsv(&mut out, b"GL", &list, Some(b'1'));
        assert_eq!(String::from_utf8_lossy(&out), "$GLGSV,1,1,03,65,40,060,44,72,15,130,37,88,55,330,47,1*4E\r\n");
        out.clear();
        gsa(&mut out, &[65, 72, 88], Some(b'2'), (1.1, 0.6, 0.9));
        assert_eq!(String::from_utf8_lossy(&out), "$GNGSA,A,3,65,72,88,,,,,,,,,,1.1,0.6,0.9,2*3B\r\n");
    }
}
