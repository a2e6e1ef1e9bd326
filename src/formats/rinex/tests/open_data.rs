//! Every open file against its reference values, Compact RINEX against its plain twin, orbits against each other.

use super::*;
use crate::model::time::{GPS_ZERO_UTC_MS, gps_to_utc};

#[test]
fn orbits_of_following_records_meet() {
    // Two broadcast records of one satellite describe one orbit: half way between their reference times they agree to metres
    // (a few metres for records of one control segment; GLONASS ICD 5.1: state vectors serve 15 min to each side).
    use crate::maths::orbits::Ephemeris;
    let Some(root) = shared_root() else { return };
    let time_s = |e: &Ephemeris| match e {
        Ephemeris::Kepler(k) => f64::from(k.gps_week) * 604_800.0 + k.toe_s + if k.system == 'C' { 14.0 } else { 0.0 },
        Ephemeris::Glonass(g) => f64::from(g.gps_week) * 604_800.0 + g.toe_s,
    };
    let mut systems = std::collections::BTreeMap::<char, Vec<f64>>::new();
    for name in [
        "georinex/brdc2800.15n",
        "georinex/ELKO00USA_R_20182100000_01D_MN.rnx.gz",
        "georinex/VILL00ESP_R_20181700000_01D_MN.rnx.gz",
        "georinex/p1462100.18g",
        "nav-solutions/KMS300DNK_R_20221591000_01H_MN.rnx.gz",
    ] {
        let Some(bytes) = read_shared(&root.join("rinex").join(name)) else { continue };
        let (parsed, ..) = read_all(&bytes);
        let mut last = std::collections::BTreeMap::new();
        let mut all: Vec<&Ephemeris> = parsed.ephemerides.iter().collect();
        all.sort_by(|a, b| time_s(a).total_cmp(&time_s(b)));
        for e in all {
            if let Some(before) = last.insert((e.system(), e.number()), e) {
                let (a, b) = (time_s(before), time_s(e));
                let limit = if e.system() == 'R' { 1_801.0 } else { 7_201.0 };
                if (1.0..limit).contains(&(b - a)) {
                    let t = ((a + b) / 2.0).rem_euclid(604_800.0);
                    if let (Some(p), Some(q)) = (before.position_m(t), e.position_m(t)) {
                        let d = p.iter().zip(q).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt();
                        systems.entry(e.system()).or_default().push(d);
                    }
                }
            }
        }
    }
    for (system, mut apart) in systems {
        apart.sort_by(f64::total_cmp);
        let at = |share: f64| apart[((apart.len() - 1) as f64 * share) as usize];
        println!("{system}: {} pairs, median {:.2} m, 95 % within {:.2} m", apart.len(), at(0.5), at(0.95));
        assert!(at(0.5) < 5.0 && at(0.95) < 50.0, "{system}");
    }
}

/// Files in which the reference is not right, and why.
const EXPLAINED: [(&str, &str); 1] = [(
    "inconsitent_gps.16o",
    "the header has two blank places among the GPS types; the data keep these places, the reference moves the types up",
)];

/// Compares one file with its reference; the differences in words.
fn compare(path: &Path, bytes: &[u8], table: &mut Vec<String>) -> Result<(), String> {
    let Some(reference) = reference(path) else { return Ok(()) };
    let name = path.file_name().map(|n| n.to_string_lossy().to_string()).unwrap_or_default();
    let Some(mut stream) = sniff(bytes, &FileContext::default()) else {
        table.push(format!("{name}: not recognised"));
        return if reference["version"].is_null() { Ok(()) } else { Err("not recognised".to_owned()) };
    };
    for part in bytes.chunks(10_007) {
        stream.feed(part);
    }
    let parsed = stream.finish();
    let (_, totals, _) = read_all(bytes);
    let look = &parsed.look;
    if !look.bytes.adds_up() || look.bytes.total != bytes.len() as u64 {
        return Err(format!("ledger {:?} of {}", look.bytes, bytes.len()));
    }
    table.push(format!(
        "{name}: {} {}, epochs {}, satellites {}, orbits {}, problems {}, unknown bytes {} {}",
        look.format.name(),
        look.version.as_deref().unwrap_or("-"),
        look.epochs.map_or("-".to_owned(), |e| e.to_string()),
        look.satellites.unwrap_or(0),
        parsed.ephemerides.len(),
        look.problems.len(),
        look.bytes.unknown,
        look.problems.iter().map(|p| format!("\n    line {}: {}", p.line.unwrap_or(0), p.what)).collect::<String>(),
    ));
    let mut wrong = Vec::new();
    let mut check = |what: &str, ours: String, theirs: String| {
        if ours != theirs {
            wrong.push(format!("{what}: ours {ours}, reference {theirs}"));
        }
    };
    if let Some(epochs) = reference["epochs"].as_u64() {
        check("epochs", look.epochs.unwrap_or(0).to_string(), epochs.to_string());
        check("satellites", look.satellites.unwrap_or(0).to_string(), reference["n_satellites"].to_string());
        for (key, n) in reference["observation_counts"].as_object().into_iter().flatten() {
            let total = totals.iter().find(|t| is_named(t, key));
            let zeros = reference["zero_valued_observations"][key].as_u64().unwrap_or(0);
            // The reference counts values of 0.000 as observations, and each of them twice in its own list of zeros
            // (counted by hand in rinex_obs_mixed_types.20o: 41 values of G L1C, 8 of them 0.000, listed as 16).
            check(key, total.map_or(0, |t| t.count + t.zeros).to_string(), n.to_string());
            check(&format!("{key} zeros"), total.map_or(0, |t| 2 * t.zeros).to_string(), zeros.to_string());
        }
        for (key, snr) in reference["snr"].as_object().into_iter().flatten() {
            let Some(total) = totals.iter().find(|t| is_named(t, key)) else { continue };
            let mean = total.strength_sum_milli as f64 / 1000.0 / total.count as f64;
            let theirs = snr["mean_nonzero"].as_f64().unwrap_or(f64::NAN);
            if (mean - theirs).abs() > 6e-5 {
                check(&format!("{key} mean"), mean.to_string(), theirs.to_string());
            }
            // What the user is shown: the mean of the signal.
            let signal = total.signal.to_string();
            let shown = look.signals.iter().find(|s| s.signal == signal).and_then(|s| s.cn0_mean_dbhz);
            if total.over_limit == 0 && total.or.is_none() && shown.is_none_or(|s| (s - theirs).abs() > 6e-5) {
                check(&format!("{signal} shown"), format!("{shown:?}"), theirs.to_string());
            }
        }
        if let Some(first) = reference["first_epoch"].as_str() {
            let header_scale = reference["header"]["TIME OF FIRST OBS"].as_str().unwrap_or_default();
            let civil = parse_utc(first).unwrap();
            // RINEX 2.11 and 3.05: without a name of the scale, GLONASS files are in UTC.
            let is_glonass = reference["type"].as_str().unwrap_or_default().contains("R (GLO");
            let unnamed = !header_scale.trim_end().ends_with(|c: char| c.is_ascii_alphabetic());
            let utc = if header_scale.contains("GLO") || unnamed && is_glonass {
                civil
            } else if header_scale.contains("BDT") {
                gps_to_utc(civil - GPS_ZERO_UTC_MS + 14_000)
            } else {
                gps_to_utc(civil - GPS_ZERO_UTC_MS)
            };
            // The reference has microseconds cut to ms here, ours are rounded.
            let ours = look.from.as_deref().and_then(parse_utc).unwrap_or(0);
            if (ours - utc).abs() > 1 {
                check("first epoch", rfc3339(ours), rfc3339(utc));
            }
        }
    }
    for (key, n) in reference["records"].as_object().into_iter().flatten() {
        if look.format != Format::RinexNav {
            continue;
        }
        let ours = match (key.as_str(), look.version.as_deref().is_some_and(|v| v.starts_with('2'))) {
            ("N", true) => "G",
            ("G", true) => "R",
            ("H", true) => "S",
            (key, _) => key,
        };
        check(key, look.counts.get(ours).copied().unwrap_or(0).to_string(), n.to_string());
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong.join("; ")) }
}

fn is_named(total: &TypeTotal, key: &str) -> bool {
    let code = String::from_utf8_lossy(&total.code);
    key == format!("{} {}", total.system.letter(), code.trim_end())
}

#[test]
fn every_open_file_agrees_with_its_reference() {
    let Some(files) = shared("rinex") else { return };
    let (mut table, mut wrong, mut agree) = (Vec::new(), Vec::new(), 0);
    for path in &files {
        let Some(bytes) = read_shared(path) else { continue };
        match compare(path, &bytes, &mut table) {
            Ok(()) => agree += 1,
            Err(what) => match EXPLAINED.iter().find(|(name, _)| path.ends_with(name)) {
                Some((name, why)) => table.push(format!("{name} differs: {why}")),
                None => wrong.push(format!("{}: {what}", path.display())),
            },
        }
    }
    println!("{}\n{agree} files agree", table.join("\n"));
    assert!(wrong.is_empty(), "{} files differ:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn compact_and_plain_files_hold_the_same() {
    let Some(root) = shared_root() else { return };
    let root = root.join("rinex");
    for (compact, plain) in [
        (
            "nav-solutions/ACOR00ESP_R_20213550000_01D_30S_MO.crx",
            "nav-solutions/ACOR00ESP_R_20213550000_01D_30S_MO.rnx",
        ),
        ("nav-solutions/AJAC3550.21D", "nav-solutions/AJAC3550.21O"),
        ("nav-solutions/VLNS0010.22D", "nav-solutions/VLNS0010.22O"),
        ("nav-solutions/npaz3550.21d", "nav-solutions/npaz3550.21o"),
        ("nav-solutions/pdel0010.21d", "nav-solutions/pdel0010.21o"),
        ("nav-solutions/aopr0010.17d", "nav-solutions/aopr0010.17o"),
        ("hatanaka/sample.crx", "hatanaka/sample.rnx"),
    ] {
        let (Ok(a), Ok(b)) = (std::fs::read(root.join(compact)), std::fs::read(root.join(plain))) else {
            println!("skipped: {compact} is not there");
            continue;
        };
        let ((pa, ta, ca), (pb, tb, cb)) = (read_all(&a), read_all(&b));
        assert!(!ca.cells.is_empty());
        assert_eq!(ca.epochs, cb.epochs, "{compact}");
        assert_eq!(format!("{:?}", ca.cells), format!("{:?}", cb.cells), "{compact}");
        assert_eq!(format!("{:?}", pa.rows), format!("{:?}", pb.rows), "{compact}");
        assert_eq!(ta, tb);
        println!("{compact}: {} epochs, {} cells are the same", ca.epochs.len(), ca.cells.len());
    }
}
