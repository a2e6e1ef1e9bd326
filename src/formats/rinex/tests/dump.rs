//! Writes minutes of real observation files and directions of real broadcast orbits as JSON lines for
//! `scripts/outside/sky_check.py`, which works them out again by the published formulas.
//!
//! `LOSTFIX_DUMP=/tmp/sky.jsonl cargo test --release --lib rinex::tests::dump -- --ignored`, then the script with that path.

use super::*;
use crate::maths::geodesy::{Geodetic, geodetic_to_ecef};
use crate::maths::orbits::{Shelf, direction};
use crate::model::ids::{Sat, Signal};
use std::fmt::Write as _;

/// Files of 30 s, 15 s and 1 s.
const OBSERVATIONS: [&str; 4] = [
    "georinex/CEBR00ESP_R_20182000000_01D_30S_MO.crx.gz",
    "nav-solutions/AJAC00FRA_R_20242090000_01D_30S_MO.crx.gz",
    "nav-solutions/GRAS00FRA_R_20223151700_15M_01S_MO.crx.gz",
    "georinex/CEDA00USA_R_20182100000_23H_15S_MO.rnx.gz",
];
const NAVIGATION: [&str; 2] =
    ["georinex/VILL00ESP_R_20181700000_01D_MN.rnx.gz", "gnss_lib_py/BRDC00WRD_S_20230730000_01D_MN.rnx"];
/// A station for the directions: latitude, longitude, height.
const STATION: Geodetic = Geodetic { lat_deg: 40.44, lon_deg: -3.95, h_m: 647.0 };

#[test]
#[ignore = "writes numbers for scripts/outside/sky_check.py"]
fn dump() {
    let Some(to) = std::env::var_os("LOSTFIX_DUMP") else { return println!("LOSTFIX_DUMP names no file") };
    let Some(root) = shared_root() else { return };
    let mut text = String::new();
    let number = |v: f32| if v.is_finite() { v.to_string() } else { "null".to_owned() };
    for name in OBSERVATIONS {
        let Some(bytes) = read_shared(&root.join("rinex").join(name)) else { continue };
        let (parsed, ..) = read_all(&bytes);
        let rows = &parsed.rows.signals;
        for i in 0..rows.len() {
            let Some(r) = rows.get(i) else { continue };
            let (Some(sat), Some(signal)) = (Sat::from_code(r.sat), Signal::unpack(r.signal)) else { continue };
            let slips = if r.phase_slips == crate::model::rows::NO_SLIPS { -1 } else { i32::from(r.phase_slips) };
            let values = [r.mp_rms_m, r.rot, r.roti, r.roti_1s, r.s4_like, r.cn0_mean].map(number).join(",");
            writeln!(
                text,
                "{{\"file\":\"{name}\",\"t\":{},\"sat\":\"{sat}\",\"code\":\"{}\",\"slips\":{slips},\"epochs\":{},\"v\":[{values}]}}",
                r.time,
                signal.to_string().get(1..).unwrap_or_default(),
                r.epochs
            )
            .unwrap();
        }
    }
    for name in NAVIGATION {
        let Some(bytes) = read_shared(&root.join("rinex").join(name)) else { continue };
        let (parsed, ..) = read_all(&bytes);
        let mut shelf = Shelf::default();
        parsed.ephemerides.iter().for_each(|e| shelf.add(e));
        let ecef = geodetic_to_ecef(&STATION);
        for e in parsed.ephemerides.iter().filter(|e| e.health() == 0) {
            for after_s in [-600.0, 300.0, 840.0] {
                let gps_s = (-e.age_s(0, 0.0) + after_s).round();
                let Some(nearest) = shelf.nearest(e.system(), e.number(), gps_s) else { continue };
                let toe_s = -nearest.age_s(0, 0.0);
                let Some(look) = direction(nearest, &STATION, ecef, gps_s) else { continue };
                writeln!(
                    text,
                    "{{\"nav\":\"{name}\",\"sat\":\"{}{:02}\",\"gps_s\":{gps_s},\"toe_s\":{toe_s},\"az\":{},\"el\":{}}}",
                    e.system(),
                    e.number(),
                    look.azimuth_deg,
                    look.elevation_deg
                )
                .unwrap();
            }
        }
    }
    std::fs::write(&to, text).unwrap();
    println!("written to {}", to.to_string_lossy());
}
