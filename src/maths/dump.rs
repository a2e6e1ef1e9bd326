//! Writes results as JSON lines for `scripts/outside/maths_check.py`, which works them out again with general libraries.
//!
//! `LOSTFIX_DUMP=/tmp/maths.jsonl cargo test --lib maths::dump -- --ignored`, then the script with that path.

use std::fmt::Write as _;

use super::stats::shift::split_mix;
use super::stats::survival::Duration;
use super::stats::{self, Table2x2, special};
use super::{geodesy, magnetic};

/// Draws and collects the lines.
struct Dump {
    text: String,
    state: u64,
}

impl Dump {
    fn unit(&mut self) -> f64 {
        (split_mix(&mut self.state) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    fn whole(&mut self, low: u64, high: u64) -> u64 {
        low + split_mix(&mut self.state) % (high - low + 1)
    }

    /// One line: what was asked, with which numbers, what came out. Lists inside `args` are given flat, one list per group.
    fn line(&mut self, check: &str, args: &[&[f64]], got: &[f64]) {
        let list = |v: &[f64]| {
            let cells: Vec<String> =
                v.iter().map(|x| if x.is_finite() { format!("{x:?}") } else { "null".to_owned() }).collect();
            format!("[{}]", cells.join(","))
        };
        let args: Vec<String> = args.iter().map(|a| list(a)).collect();
        writeln!(self.text, "{{\"check\":\"{check}\",\"args\":[{}],\"got\":{}}}", args.join(","), list(got)).unwrap();
    }
}

#[test]
#[ignore = "writes a file for scripts/outside/maths_check.py; needs LOSTFIX_DUMP"]
fn write() {
    let path = std::env::var_os("LOSTFIX_DUMP").expect("set LOSTFIX_DUMP to the file to write");
    let mut d = Dump { text: String::new(), state: 20_261_125 };
    places(&mut d);
    field(&mut d);
    functions(&mut d);
    tables(&mut d);
    series(&mut d);
    std::fs::write(path, d.text).unwrap();
}

fn places(d: &mut Dump) {
    for _ in 0..200 {
        let (lat, lon, h) = (d.between(-90.0, 90.0), d.between(-180.0, 180.0), d.between(-500.0, 9000.0));
        let place = geodesy::Geodetic { lat_deg: lat, lon_deg: lon, h_m: h };
        let xyz = geodesy::geodetic_to_ecef(&place);
        d.line("ecef", &[&[lat, lon, h]], &xyz);
        let back = geodesy::ecef_to_geodetic(xyz).unwrap();
        d.line("geodetic", &[&xyz], &[back.lat_deg, back.lon_deg, back.h_m]);
        let (lat2, lon2) = (d.between(-89.0, 89.0), d.between(-180.0, 180.0));
        let line = geodesy::geodesic(lat, lon, lat2, lon2);
        d.line("geodesic", &[&[lat, lon, lat2, lon2]], &[line.distance_m, line.azimuth_deg]);
        let (near_lat, near_lon) = (lat * 0.95 + d.between(-0.2, 0.2), lon * 0.99 + d.between(-0.2, 0.2));
        let line = geodesy::geodesic(lat * 0.95, lon * 0.99, near_lat, near_lon);
        let pair = [lat * 0.95, lon * 0.99, near_lat, near_lon];
        d.line("geodesic", &[&pair], &[line.distance_m, line.azimuth_deg]);
        let target = geodesy::Geodetic { lat_deg: lat2, lon_deg: lon2, h_m: 20_200_000.0 };
        let look = geodesy::look_angles_from(&place, xyz, geodesy::geodetic_to_ecef(&target)).unwrap();
        let got = [look.azimuth_deg, look.elevation_deg, look.range_m];
        d.line("look", &[&[lat, lon, h, lat2, lon2, 20_200_000.0]], &got);
        d.line("enu", &[&[lat, lon, h, lat2, lon2, 20_200_000.0]], &geodesy::enu_between(&place, &target));
    }
}

fn field(d: &mut Dump) {
    for year in [2001.0, 2013.5, 2024.9, 2025.0, 2026.9, 2029.5] {
        let model = magnetic::FieldModel::at_year(year).unwrap();
        for _ in 0..25 {
            let (lat, lon, h) = (d.between(-89.5, 89.5), d.between(-180.0, 180.0), d.between(0.0, 600_000.0));
            let f = model.field(lat, lon, h).unwrap();
            let got = [f.east_nt, f.north_nt, -f.down_nt, f.inclination_deg(), f.declination_deg()];
            d.line("igrf", &[&[year, lat, lon, h]], &got);
        }
    }
}

fn functions(d: &mut Dump) {
    for _ in 0..300 {
        let (a, b) = (10f64.powf(d.between(-1.0, 4.0)), 10f64.powf(d.between(-1.0, 4.0)));
        let near_mean = a / (a + b) * d.between(0.7, 1.3);
        let x = if d.unit() < 0.5 { d.unit() } else { near_mean.min(1.0) };
        d.line("betainc", &[&[a, b, x]], &[special::beta_inc(a, b, x)]);
        let y = a * d.between(0.3, 2.0);
        d.line("gammainc", &[&[a, y]], &[special::gamma_p(a, y), special::gamma_q(a, y), special::ln_gamma(a)]);
        let p = d.unit();
        d.line("normal", &[&[p]], &[special::normal_quantile(p)]);
        d.line("student", &[&[y.min(9.0), a]], &[special::student_two_sided(y.min(9.0), a)]);
    }
}

fn tables(d: &mut Dump) {
    let mut p_values = Vec::new();
    for round in 0..150 {
        let top = if round % 3 == 0 { 12 } else { 400 };
        let cells = [d.whole(1, top), d.whole(1, top), d.whole(1, top), d.whole(1, top)];
        let t = Table2x2::from_counts(cells[0], cells[1], cells[2], cells[3]);
        let list = cells.map(|c| c as f64);
        let (rr, or) = (t.relative_risk().unwrap(), t.odds_ratio().unwrap());
        let (greater, two_sided) = t.fisher().unwrap();
        let (chi2, chi2_p) = t.chi2().unwrap();
        let ratios = [rr.value, rr.interval.low, rr.interval.high, or.value, or.interval.low, or.interval.high];
        d.line("table_ratios", &[&list], &ratios);
        d.line("fisher", &[&list], &[greater, two_sided]);
        d.line("chi2", &[&list], &[chi2, chi2_p]);
        p_values.push(chi2_p);

        let n = d.whole(1, 2000);
        let x = d.whole(0, n);
        let (w, c) = (stats::wilson(x, n, stats::Z_95).unwrap(), stats::clopper_pearson(x, n, 0.95).unwrap());
        d.line("proportion", &[&[x as f64, n as f64]], &[w.low, w.high, c.low, c.high]);

        let (x1, x2) = (d.whole(1, 80), d.whole(1, 80));
        let (t1, t2) = (d.between(1.0, 100.0), d.between(1.0, 100.0));
        let r = stats::poisson_ratio(x1, t1, x2, t2, 0.95).unwrap();
        let g = stats::garwood(x1, t1, 0.95).unwrap();
        let got = [r.ratio, r.p, r.interval.low, r.interval.high, g.low, g.high];
        d.line("poisson", &[&[x1 as f64, t1, x2 as f64, t2]], &got);
    }
    let adjusted = stats::benjamini_hochberg(&p_values);
    d.line("bh", &[&p_values], &adjusted);
    for _ in 0..30 {
        let mut flat = Vec::new();
        let mut strata = Vec::new();
        for _ in 0..d.whole(1, 6) {
            let c = [d.whole(1, 60), d.whole(1, 60), d.whole(1, 60), d.whole(1, 60)];
            strata.push(Table2x2::from_counts(c[0], c[1], c[2], c[3]));
            flat.extend(c.map(|v| v as f64));
        }
        let rr = stats::mantel_haenszel_relative_risk(&strata).unwrap();
        let or = stats::mantel_haenszel_odds_ratio(&strata).unwrap();
        d.line("mantel_haenszel", &[&flat], &[rr.value, or.value, or.interval.low, or.interval.high]);
    }
}

fn series(d: &mut Dump) {
    for round in 0..60 {
        let (m, n) = (d.whole(3, 14) as usize, d.whole(3, 14) as usize);
        // Every other round with ties.
        let step = if round % 2 == 0 { 1e9 } else { 4.0 };
        let mut draw = |k: usize| -> Vec<f64> { (0..k).map(|_| (d.unit() * step).round()).collect() };
        let (x, y, z) = (draw(m), draw(n), draw(m));
        let mw = stats::mann_whitney(&x, &y).unwrap();
        d.line("mann_whitney", &[&x, &y], &[mw.u, mw.p, f64::from(u8::from(mw.exact))]);
        if let (Some(s), Some(k)) = (stats::spearman(&x, &z), stats::kendall(&x, &z)) {
            d.line("trend", &[&x, &z], &[s.coefficient, s.p, k.coefficient, k.p]);
        }
        let mut copy = x.clone();
        let q = d.unit();
        let quantile = stats::quantile(&mut copy, q).unwrap();
        let (median, mad) = stats::mad(&mut copy).unwrap();
        d.line("robust", &[&x, &[q]], &[quantile, median, mad]);

        let mut group = |scale: f64| -> (Vec<f64>, Vec<f64>) {
            (0..20).map(|_| ((-scale * d.unit().max(1e-9).ln()).ceil(), f64::from(u8::from(d.unit() < 0.7)))).unzip()
        };
        let ((t1, e1), (t2, e2)) = (group(10.0), group(20.0));
        let make = |t: &[f64], e: &[f64]| -> Vec<Duration> {
            t.iter().zip(e).map(|(time, event)| Duration { time: *time, event: *event > 0.5 }).collect()
        };
        let (a, b) = (make(&t1, &e1), make(&t2, &e2));
        if let Some((chi2, p)) = stats::log_rank(&a, &b) {
            d.line("log_rank", &[&t1, &e1, &t2, &e2], &[chi2, p]);
        }
        let steps = stats::kaplan_meier(&a);
        let flat: Vec<f64> = steps.iter().flat_map(|s| [s.time, s.survival]).collect();
        d.line("kaplan_meier", &[&t1, &e1], &flat);

        let len = d.whole(40, 400) as usize;
        let mut flags = |share: f64| -> Vec<bool> {
            let mut on = false;
            (0..len)
                .map(|_| {
                    if d.unit() < 0.2 {
                        on = d.unit() < share;
                    }
                    on
                })
                .collect()
        };
        let (fx, fy, seen) = (flags(0.3), flags(0.4), flags(0.8));
        if let Some(s) = stats::circular_shift_bool(&fx, &fy, &seen, stats::Shifts::All) {
            let number = |v: &[bool]| v.iter().map(|b| f64::from(u8::from(*b))).collect::<Vec<_>>();
            let got = [s.statistic, s.expected, s.sd, s.p];
            d.line("circular_shift", &[&number(&fx), &number(&fy), &number(&seen)], &got);
        }
    }
}
