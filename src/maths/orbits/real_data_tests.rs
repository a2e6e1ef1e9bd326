//! Orbits against real broadcast files of the shared data set; skipped with a printed line where the folder is absent.

use super::*;
use std::path::PathBuf;

fn shared_data() -> Option<PathBuf> {
    let beside = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let named = std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from);
    named.into_iter().chain([beside, PathBuf::from("/work/shared/data")]).find(|p| p.is_dir())
}

/// A minimal reader for this test only: records of RINEX 3 as numbers in file order.
struct Record {
    system: char,
    number: u8,
    values: Vec<f64>,
    day_s: f64,
}

fn records(name: &str) -> Option<Vec<Record>> {
    let Some(folder) = shared_data() else {
        println!("skipped: shared data folder absent");
        return None;
    };
    let text = std::fs::read_to_string(folder.join(name)).ok()?;
    let mut lines = text.lines().skip_while(|l| !l.contains("END OF HEADER")).skip(1).peekable();
    let mut out = Vec::new();
    while let Some(first) = lines.next() {
        let system = first.chars().next()?;
        let Ok(number) = first[1..3].trim().parse() else { continue };
        let hms: Vec<f64> = first[3..23].split_whitespace().filter_map(|t| t.parse().ok()).collect();
        let mut values = Vec::new();
        let mut take = |line: &str, from: usize| {
            for k in 0.. {
                let at = from + 19 * k;
                let Some(cell) = line.get(at..(at + 19).min(line.len())).filter(|c| !c.is_empty()) else { break };
                values.push(cell.trim().replace(['D', 'd'], "e").parse().unwrap_or(0.0));
            }
        };
        take(first, 23);
        while let Some(more) = lines.next_if(|l| l.starts_with("    ")) {
            take(more, 4);
        }
        let day_s = hms[3] * 3600.0 + hms[4] * 60.0 + hms[5];
        out.push(Record { system, number, values, day_s });
    }
    Some(out)
}

fn kepler(system: char, number: u8, v: &[f64]) -> KeplerEphemeris {
    KeplerEphemeris {
        system,
        number,
        af0: v[0],
        af1: v[1],
        af2: v[2],
        issue: v[3] as u16,
        crs: v[4],
        delta_n: v[5],
        m0: v[6],
        cuc: v[7],
        e: v[8],
        cus: v[9],
        sqrt_a: v[10],
        toe_s: v[11],
        toc_s: v[11],
        cic: v[12],
        omega0: v[13],
        cis: v[14],
        i0: v[15],
        crc: v[16],
        omega: v[17],
        omega_dot: v[18],
        idot: v[19],
        health: v[24] as u16,
        ..KeplerEphemeris::default()
    }
}

const FILE: &str = "rinex/gnss_lib_py/BRDM00DLR_S_20230730000_01D_MN.rnx";

#[test]
fn beidou_geostationary_satellites_stand_still_and_at_the_published_longitude() {
    // BDS-SIS-ICD B1I 2.1 section 3.1 puts C05 at 58.75°E; it is there still. C01 and C02 have been moved since, so for them
    // only the meaning of geostationary is tested: no drift in longitude, a few degrees of latitude at most.
    let files = [
        "rinex/gnss_lib_py/BRDC00WRD_S_20230730000_01D_MN.rnx",
        "rinex/gnss_lib_py/BRDM00DLR_S_20230730000_01D_MN.rnx",
        "rinex/gnss_lib_py/WTZS00DEU_R_20230800000_01D_MN.rnx",
        "rinex/nav-solutions/AMEL00NLD_R_20210010000_01D_MN.rnx",
    ];
    let mut numbers = std::collections::BTreeSet::new();
    for file in files {
        let Some(all) = records(file) else { return };
        for record in all.iter().filter(|r| r.system == 'C' && is_beidou_geo(r.number)) {
            let ephemeris = kepler('C', record.number, &record.values);
            let place =
                |dt: f64| geodesy::ecef_to_geodetic(ephemeris.position_m(ephemeris.toe_s + dt).unwrap()).unwrap();
            let (before, after) = (place(-3600.0), place(3600.0));
            let drift = geodesy::wrap_180(after.lon_deg - before.lon_deg);
            assert!(drift.abs() < 0.2, "C{:02} drifts {drift}° in 2 h", record.number);
            assert!(before.lat_deg.abs() < 4.0, "C{:02} latitude {}", record.number, before.lat_deg);
            if record.number == 5 {
                crate::maths::near(before.lon_deg, 58.75, 0.3);
            }
            numbers.insert(record.number);
        }
    }
    assert!(numbers.contains(&5) && numbers.len() >= 3, "geostationary satellites found: {numbers:?}");
}

#[test]
fn neighbouring_ephemerides_of_one_satellite_agree_between_their_reference_times() {
    // Two independent fits of the same real orbit: broadcast accuracy is metres, a wrong constant costs tens of metres.
    let Some(all) = records(FILE) else { return };
    let mut worst = std::collections::BTreeMap::new();
    for pair in all.windows(2) {
        let (s1, n1, v1, d1) = (&pair[0].system, &pair[0].number, &pair[0].values, &pair[0].day_s);
        let (s2, n2, v2, d2) = (&pair[1].system, &pair[1].number, &pair[1].values, &pair[1].day_s);
        if s1 != s2 || n1 != n2 {
            continue;
        }
        let (a, b, middle, longest) = if *s1 == 'R' {
            // t_b is UTC; the same fold for both, so the day and the leap seconds do not matter here.
            let make = |v: &[f64], day_s: f64| {
                Ephemeris::Glonass(GlonassEphemeris {
                    toe_s: day_s,
                    position_m: [v[3] * 1e3, v[7] * 1e3, v[11] * 1e3],
                    velocity_m_s: [v[4] * 1e3, v[8] * 1e3, v[12] * 1e3],
                    acceleration_m_s2: [v[5] * 1e3, v[9] * 1e3, v[13] * 1e3],
                    ..GlonassEphemeris::default()
                })
            };
            (make(v1, *d1), make(v2, *d2), (d1 + d2) / 2.0, 1800.0)
        } else if matches!(s1, 'G' | 'E' | 'C' | 'J') && v1[24] == 0.0 && v2[24] == 0.0 {
            let gps = |t: f64| if *s1 == 'C' { t + 14.0 } else { t };
            let middle = gps((v1[11] + v2[11]) / 2.0);
            (Ephemeris::Kepler(kepler(*s1, *n1, v1)), Ephemeris::Kepler(kepler(*s2, *n2, v2)), middle, 7200.0)
        } else {
            continue;
        };
        let gap = if *s1 == 'R' { d2 - d1 } else { v2[11] - v1[11] };
        if gap <= 0.0 || gap > longest {
            continue;
        }
        let off = geodesy::slant_m(a.position_m(middle).unwrap(), b.position_m(middle).unwrap());
        let class = if *s1 == 'C' && is_beidou_geo(*n1) { 'g' } else { *s1 };
        worst.entry(class).or_insert_with(Vec::new).push(off);
    }
    for (class, mut offs) in worst {
        offs.sort_by(f64::total_cmp);
        let median = offs[offs.len() / 2];
        println!("{class}: {} pairs, median {median:.2} m, worst {:.2} m", offs.len(), offs[offs.len() - 1]);
        // BDS-SIS-ICD orbits are looser for geostationary satellites; GLONASS ICD gives metres at 15 min.
        let limit = match class {
            'g' => 10.0,
            'R' => 6.0,
            _ => 3.0,
        };
        assert!(median < limit, "{class}: median difference {median} m");
    }
}
