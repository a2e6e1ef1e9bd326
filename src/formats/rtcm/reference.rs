//! Real files against reference values that another open decoder computed (`reference/rtcm/**.json` of the shared data; each
//! JSON names library and version). Skipped with a printed line where the data is absent.

use super::ephemeris::Motion;
use super::samples::{Framed, run};
use super::*;
use crate::model::clock::{DateHints, StreamClock};
use crate::model::ids::System;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// The shared data, where there is any.
pub(super) fn shared_data() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let places = std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from).into_iter();
    let found = places.chain([beside, PathBuf::from("/work/shared/data")]).find(|p| p.join("rtcm").is_dir());
    if found.is_none() {
        println!("skipped: no shared data (set LOSTFIX_SHARED_DATA)");
    }
    found
}

fn json_files(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
        if entry.is_dir() {
            json_files(&entry, into);
        } else if entry.extension().is_some_and(|e| e == "json") {
            into.push(entry);
        }
    }
    into.sort();
}

/// Every entry of every reference file: the name of the data file and its values.
fn entries(data: &Path) -> Vec<(String, Value)> {
    let mut files = Vec::new();
    json_files(&data.join("reference/rtcm"), &mut files);
    let mut list = Vec::new();
    for file in files {
        let value: Value = serde_json::from_slice(&std::fs::read(&file).unwrap()).unwrap();
        let each = if value.get("file").is_some() {
            vec![value]
        } else {
            value.as_object().unwrap().values().cloned().collect()
        };
        list.extend(each.into_iter().map(|v| (v["file"].as_str().unwrap().to_owned(), v)));
    }
    list
}

#[derive(Default)]
struct Cn0 {
    n: u64,
    none: u64,
    sum: f64,
    min: f64,
    max: f64,
}

/// What this decoder says of a file, in the words of the reference.
#[derive(Default)]
struct Seen {
    stations: BTreeMap<String, u64>,
    epochs: BTreeMap<u16, Vec<u32>>,
    cn0: BTreeMap<String, Cn0>,
    satellites: BTreeMap<u16, BTreeSet<u16>>,
    points: Vec<ReferencePoint>,
    words: Vec<(u16, Words)>,
    texts: Vec<String>,
    biases: Vec<GlonassBias>,
}

/// The reference knows satellites by name; ids that the standard reserves all have one name there. Only artificial files
/// have such ids.
fn named_satellite(system: System, id: u8) -> u16 {
    let last = match system {
        System::Gps | System::Beidou => 63,
        System::Glonass => 24,
        System::Galileo => 52,
        System::Sbas => 39,
        System::Qzss => 10,
        System::Navic => 14,
    };
    if id <= last { u16::from(id) } else { 0 }
}

impl Seen {
    fn frame(&mut self, frame: &[u8]) {
        let payload = payload(frame);
        let Some(message) = message_number(payload) else { return };
        // The reference library shows no DF003 for 1029 and MSM 2, which have one by the standard.
        let shown = message != 1029 && kind_of(message).is_none_or(|(_, kind)| kind != 2);
        if let Some(station) = station_id(payload).filter(|_| shown) {
            *self.stations.entry(station.to_string()).or_default() += 1;
        }
        if let Ok(p) = reference_point(payload) {
            self.points.push(p);
        }
        if let Ok(w) = words(payload) {
            self.words.push((message, w));
        }
        if let Ok(t) = text(payload) {
            self.texts.push(t.text);
        }
        if let Ok(b) = glonass_bias(payload) {
            self.biases.push(b);
        }
        if let Ok(msm) = Msm::parse(payload) {
            self.epochs.entry(message).or_default().push(msm.epoch.field_ms());
            let satellites = self.satellites.entry(message).or_default();
            satellites.extend(msm.satellite_ids().iter().map(|s| named_satellite(msm.system, *s)));
            msm.decode(0, &mut |c| {
                let code = c.signal.code;
                let name = if code[0] == b'?' { "/".to_owned() } else { String::from_utf8_lossy(&code).into_owned() };
                self.cn0(format!("{message} {name}"), c.cn0_dbhz);
            });
        }
        if let Ok(legacy) = Legacy::parse(payload) {
            self.epochs.entry(message).or_default().push(legacy.epoch.field_ms());
            let satellites = self.satellites.entry(message).or_default();
            let mut cells = Vec::new();
            legacy.signals(|s| {
                satellites.insert(u16::from(s.satellite_id));
                cells.push((s.frequency, s.cn0_dbhz));
            });
            for (frequency, cn0) in cells {
                self.cn0(format!("{message} L{}", frequency + 1), cn0);
            }
        }
    }

    fn cn0(&mut self, name: String, value: f32) {
        let cn0 = self.cn0.entry(name).or_insert(Cn0 { min: f64::MAX, ..Cn0::default() });
        if value.is_nan() {
            cn0.none += 1;
        } else {
            let value = f64::from(value);
            cn0.n += 1;
            cn0.sum += value;
            cn0.min = cn0.min.min(value);
            cn0.max = cn0.max.max(value);
        }
    }
}

/// Collects what differs, by file.
struct Differences {
    file: String,
    list: Vec<String>,
}

impl Differences {
    fn same<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, ours: T, theirs: T) {
        if ours != theirs {
            self.list.push(format!("{}: {what}: ours {ours:?}, reference {theirs:?}", self.file));
        }
    }
}

fn number_map(value: &Value) -> BTreeMap<String, u64> {
    value.as_object().map(|o| o.iter().map(|(k, v)| (k.clone(), v.as_u64().unwrap())).collect()).unwrap_or_default()
}

fn framing(d: &mut Differences, framed: &Framed, v: &Value) {
    d.same("frames", Some(framed.frames), v["frames_crc_ok"].as_u64());
    d.same("CRC failures", Some(framed.bad_crc), v["crc_failures_at_candidates"].as_u64());
    d.same("bytes outside", Some(framed.outside), v["bytes_outside_valid_frames"].as_u64());
    d.same("first frame", framed.first.map(|n| n as u64), v["first_frame_offset"].as_u64());
}

fn stations(d: &mut Differences, seen: &Seen, pieces: &Pieces, v: &Value) {
    d.same("station ids", seen.stations.clone(), number_map(&v["station_ids"]));
    for theirs in v["reference_points"].as_array().into_iter().flatten() {
        let at = |c: &str| theirs[c].as_f64().unwrap();
        let height = theirs["antenna_height"].as_f64();
        let found = seen.points.iter().filter(|p| {
            let [x, y, z] = p.xyz.map(metres);
            (x - at("x")).abs() < 1e-3
                && (y - at("y")).abs() < 1e-3
                && (z - at("z")).abs() < 1e-3
                && match (p.antenna_height, height) {
                    (Some(ours), Some(theirs)) => (metres(i64::from(ours)) - theirs).abs() < 1e-6,
                    (ours, theirs) => ours.is_none() && theirs.is_none(),
                }
                && u64::from(p.station) == theirs["station"].as_u64().unwrap()
                && u64::from(p.is_virtual) == theirs["ref_station_indicator"].as_u64().unwrap()
                && p.service.map(u64::from) == ["gps", "glo", "gal"].map(|s| theirs[s].as_u64().unwrap())
        });
        d.same("frames of a reference point", Some(found.count() as u64), theirs["n"].as_u64());
        let listed = pieces.positions.iter().any(|p| {
            (p.x_m - at("x")).abs() < 1e-3 && (p.y_m - at("y")).abs() < 1e-3 && (p.z_m - at("z")).abs() < 1e-3
        });
        d.same("reference point listed", listed, true);
    }
    for theirs in v["descriptors"].as_array().into_iter().flatten() {
        let word = |k: &str| theirs[k].as_str().map(|s| s.trim_end_matches([' ', '\0']).to_owned());
        let found = seen.words.iter().filter(|(message, w)| {
            theirs["msg"].as_str() == Some(message.to_string().as_str())
                && Some(&w.antenna) == word("antenna").as_ref()
                && Some(u64::from(w.setup_id)) == theirs["setup_id"].as_u64()
                && w.antenna_serial == word("antenna_serial")
                && w.receiver == word("receiver")
                && w.firmware == word("firmware")
                && w.receiver_serial == word("receiver_serial")
        });
        d.same("frames of a description", Some(found.count() as u64), theirs["n"].as_u64());
    }
    let texts: Vec<_> = v["text_1029"].as_array().into_iter().flatten().filter_map(|t| t.as_str()).collect();
    d.same("texts", seen.texts.iter().map(String::as_str).collect(), texts);
    for theirs in v["glonass_bias_1230"].as_array().into_iter().flatten() {
        let found = seen.biases.iter().filter(|b| {
            Some(u64::from(b.station)) == theirs["DF003"].as_u64()
                && Some(u64::from(b.aligned)) == theirs["DF421"].as_u64()
                && (0..4).all(|i| match (b.bias_m[i], theirs[format!("DF42{}", 3 + i)].as_f64()) {
                    (Some(a), Some(b)) => (a - b).abs() < 1e-6,
                    (None, theirs) => theirs.is_none_or(|t| (t + 655.36).abs() < 1e-6),
                    _ => false,
                })
        });
        d.same("frames of a 1230", Some(found.count() as u64), theirs["n"].as_u64());
    }
}

fn observables(d: &mut Differences, seen: &Seen, pieces: &Pieces, v: &Value) {
    for (message, theirs) in v["epochs"].as_object().into_iter().flatten() {
        let ours = seen.epochs.get(&message.parse().unwrap()).cloned().unwrap_or_default();
        let distinct: BTreeSet<_> = ours.iter().collect();
        d.same("epochs", Some(ours.len() as u64), theirs["n"].as_u64());
        d.same("distinct epochs", Some(distinct.len() as u64), theirs["distinct"].as_u64());
        d.same("first epoch", ours.first().map(|n| u64::from(*n)), theirs["first"].as_u64());
        d.same("last epoch", ours.last().map(|n| u64::from(*n)), theirs["last"].as_u64());
    }
    for (message, n) in number_map(&v["satellites"]) {
        // Artificial legacy messages with every bit set: a satellite with nothing valid is no satellite here.
        if d.file.contains("rtcm-rs-vectors") && message.starts_with("10") && message.as_str() < "1013" {
            continue;
        }
        let ours = seen.satellites.get(&message.parse().unwrap()).map_or(0, BTreeSet::len);
        d.same(&format!("satellites of {message}"), ours as u64, n);
    }
    for (name, theirs) in v["mean_cnr_dbhz"].as_object().into_iter().flatten() {
        let Some(ours) = seen.cn0.get(name) else {
            d.list.push(format!("{}: no C/N0 of {name}", d.file));
            continue;
        };
        d.same(&format!("C/N0 count of {name}"), Some(ours.n), theirs["n"].as_u64());
        // The reference is rounded to 0.001 dB.
        let mean = ours.sum / ours.n as f64;
        d.same(&format!("mean C/N0 of {name}, {mean}"), (mean - theirs["mean"].as_f64().unwrap()).abs() < 6e-4, true);
        d.same(&format!("lowest C/N0 of {name}"), Some(ours.min), theirs["min"].as_f64());
        d.same(&format!("highest C/N0 of {name}"), Some(ours.max), theirs["max"].as_f64());
    }
    for (name, n) in number_map(&v["zero_cnr_cells"]) {
        d.same(&format!("cells of {name} without C/N0"), seen.cn0.get(&name).map(|c| c.none), Some(n));
    }
    // Every fall of a lock indicator in these short files is between two epochs of one pass: a slip in the rows.
    let falls: u64 = number_map(&v["lock_indicator_decreases"]).values().sum();
    let slips: u64 = pieces.rows.signals.slips.iter().map(|s| u64::from(*s)).sum();
    d.same("slips", slips, falls);
    for (message, satellites) in v["ephemeris_satellites"].as_object().into_iter().flatten() {
        let ours: BTreeSet<u64> = pieces
            .orbits
            .iter()
            .filter(|o| o.message.to_string() == *message)
            .map(|o| u64::from(o.sat.number()))
            .collect();
        let theirs = satellites.as_array().unwrap().iter().filter_map(Value::as_u64).collect();
        d.same(&format!("satellites of {message}"), ours, theirs);
    }
}

#[test]
fn every_reference_file_agrees() {
    let Some(data) = shared_data() else { return };
    let mut differences = Vec::new();
    let mut files = 0;
    for (file, v) in entries(&data) {
        let bytes = std::fs::read(data.join(&file)).unwrap();
        let mut seen = Seen::default();
        let mut clock = StreamClock::new(DateHints::default());
        let (framed, mut decoder) = run(&bytes, &mut clock, |_, frame| seen.frame(frame));
        decoder.shift(&clock.finish().shift);
        let pieces = decoder.finish();
        let mut d = Differences { file, list: Vec::new() };
        framing(&mut d, &framed, &v);
        d.same("message counts", pieces.counts.clone(), number_map(&v["message_counts"]));
        stations(&mut d, &seen, &pieces, &v);
        observables(&mut d, &seen, &pieces, &v);
        differences.extend(d.list);
        files += 1;
    }
    println!("{files} reference entries");
    assert!(files > 100);
    assert!(differences.is_empty(), "{}", differences.join("\n"));
}

#[test]
fn orbits_of_real_files_are_near_their_systems_orbits() {
    // Nominal orbits: GPS semi-major axis 26 560 km (IS-GPS-200), Galileo 29 600 km (OS SIS ICD), BeiDou 27 906 km (MEO) and
    // 42 162 km (GEO, IGSO) (BDS-SIS-ICD), GLONASS radius 25 510 km (ICD 5.1).
    let Some(data) = shared_data() else { return };
    let mut checked = 0;
    for file in ["rtcm/asv-gnss/imu_rtcm.rtcm3", "rtcm/asv-gnss/testglo.rtcm3", "rtcm/asv-gnss/GMSD7_20121014.rtcm3"] {
        let bytes = std::fs::read(data.join(file)).unwrap();
        let mut clock = StreamClock::new(DateHints::default());
        let (_, decoder) = run(&bytes, &mut clock, |_, _| {});
        for orbit in decoder.finish().orbits {
            let radius_km = match orbit.motion {
                Motion::Kepler(k) => {
                    assert!(k.eccentricity < 0.05, "{orbit:?}");
                    k.sqrt_a * k.sqrt_a / 1000.0
                }
                Motion::Glonass(g) => {
                    let speed_m_s = g.velocity_m_s.iter().map(|v| v * v).sum::<f64>().sqrt();
                    assert!((2_500.0..4_500.0).contains(&speed_m_s), "{orbit:?}");
                    assert!((-7..=6).contains(&g.channel), "{orbit:?}");
                    g.position_m.iter().map(|p| p * p).sum::<f64>().sqrt() / 1000.0
                }
            };
            let nominal = [26_560.0, 29_600.0, 27_906.0, 42_162.0, 25_510.0];
            assert!(nominal.iter().any(|n: &f64| (n - radius_km).abs() < 120.0), "{radius_km} km: {orbit:?}");
            checked += 1;
        }
    }
    assert!(checked > 50, "{checked}");
}
