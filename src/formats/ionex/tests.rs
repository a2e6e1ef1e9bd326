use super::*;
use crate::formats::rinex::tests::{chunks_agree, mutations_are_survived, read_shared, reference, shared};
use crate::maths::ionosphere::{Between, ionex_between};
use crate::maths::stats::shift::split_mix;
use crate::model::time::parse_utc;

/// The four corners at two epochs of check-values.md 7.7 as a file of the standard's form.
fn worked() -> String {
    let mut s = format!("{:<60}{}\n", "     1.0            IONOSPHERE MAPS     GNSS", "IONEX VERSION / TYPE");
    let mut put = |content: &str, label: &str| s.push_str(&format!("{content:<60}{label}\n"));
    put("     2", "# OF MAPS IN FILE");
    put("  3600", "INTERVAL");
    put("   450.0 450.0   0.0", "HGT1 / HGT2 / DHGT");
    put("    52.5  50.0  -2.5", "LAT1 / LAT2 / DLAT");
    put("   -20.0   5.0   5.0", "LON1 / LON2 / DLON");
    put("    -1", "EXPONENT");
    put("", "END OF HEADER");
    for (hour, rows) in [(12, [[110, 116], [120, 124]]), (13, [[141, 145], [150, 152]])] {
        put("     1", "START OF TEC MAP");
        put(&format!("  2024     5    11    {hour:2}     0     0"), "EPOCH OF CURRENT MAP");
        for (lat, row) in ["52.5", "50.0"].into_iter().zip(rows) {
            put(&format!("    {lat} -20.0   5.0   5.0 450.0"), "LAT/LON1/LON2/DLON/H");
            put(&format!(" 9999 9999 9999{:5}{:5} 9999", row[0], row[1]), "");
        }
        put("     1", "END OF TEC MAP");
    }
    put("", "END OF FILE");
    s
}

fn parse(bytes: &[u8]) -> Parsed {
    let mut stream = sniff(bytes, &FileContext::default()).unwrap();
    stream.feed(bytes);
    stream.finish()
}

#[test]
fn the_worked_example_between_two_maps() {
    // check-values.md 7.7: 11.66 and 14.62 TECU in the maps, 12.40 TECU at 12:15 without rotation.
    let parsed = parse(worked().as_bytes());
    assert!(parsed.look.problems.is_empty(), "{:?}", parsed.look.problems);
    assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.unknown == 0);
    let maps = parsed.maps.unwrap();
    let at = |i: usize| maps.tec_map(i).and_then(|m| m.value_tecu(51.5, -2.5)).unwrap();
    assert!((at(0) - 11.66).abs() < 1e-4 && (at(1) - 14.62).abs() < 1e-4, "{} {}", at(0), at(1));
    assert!((0.75 * at(0) + 0.25 * at(1) - 12.40).abs() < 1e-4);
    assert_eq!(maps.tec[0].time, parse_utc("2024-05-11T12:00:00Z").unwrap());
    assert_eq!(maps.tec_map(0).unwrap().value_tecu(51.5, -18.0), None, "9999 is no value");
    let (a, b) = (maps.tec_map(0).unwrap(), maps.tec_map(1).unwrap());
    assert!(ionex_between(&a, 0.0, &b, 3600.0, 0.0, 51.5, -2.5).is_some());
}

#[test]
fn real_maps_agree_with_the_reference() {
    let Some(files) = shared("ionex") else { return };
    for path in files {
        let Some(bytes) = read_shared(&path) else { continue };
        let parsed = parse(&bytes);
        let Some(reference) = reference(&path) else { continue };
        let maps = parsed.maps.unwrap();
        assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.total == bytes.len() as u64);
        println!(
            "{}: {} TEC and {} RMS maps, {} problems, unknown {}, skipped {:?}",
            path.display(),
            maps.tec.len(),
            maps.rms.len(),
            parsed.look.problems.len(),
            parsed.look.bytes.unknown,
            parsed.look.bytes.reasons
        );
        assert_eq!(parsed.look.bytes.unknown, 0, "{:?}", parsed.look.problems);
        let epochs: Vec<String> =
            reference["tec_map_epochs"].as_array().unwrap().iter().map(|e| e.as_str().unwrap().to_owned()).collect();
        assert_eq!(maps.tec.len(), epochs.len());
        assert_eq!(maps.rms.len() as u64, reference["maps"]["START OF RMS MAP"].as_u64().unwrap_or(0));
        for (map, text) in maps.tec.iter().zip(&epochs) {
            let n: Vec<i64> = text.split(' ').map(|p| p.parse().unwrap()).collect();
            let day = days_from_date(n[0] as i32, n[1] as u32, n[2] as u32).unwrap();
            assert_eq!(map.time, day * DAY_MS + n[3] * 3_600_000 + n[4] * 60_000 + n[5] * 1000);
        }
        let scale = 10f64.powi(reference["header"]["EXPONENT"].as_str().unwrap().trim().parse().unwrap());
        let all: Vec<f64> = maps.tec.iter().flat_map(|m| m.values_tecu.iter().map(|v| f64::from(*v) / scale)).collect();
        let there: Vec<f64> = all.iter().copied().filter(|v| !v.is_nan()).collect();
        let missing = reference["missing_9999"].as_u64().unwrap();
        assert_eq!(all.len() as u64, reference["tec_values"].as_u64().unwrap());
        assert_eq!(all.len() as u64 - there.len() as u64, missing);
        let mean = there.iter().sum::<f64>() / there.len() as f64;
        if missing == 0 {
            assert!((mean - reference["raw_mean"].as_f64().unwrap()).abs() < 1e-3, "{mean}");
        }
        for (got, want) in all.iter().zip(reference["first_row"].as_array().unwrap()) {
            assert!((got - want.as_f64().unwrap()).abs() < 1e-3);
        }
    }
}

#[test]
fn mutated_maps() {
    let text = worked();
    chunks_agree(text.as_bytes(), sniff);
    mutations_are_survived(text.as_bytes(), 2_000, sniff);
}

/// Contents and gradients at drawn places and times of every shared file, for `scripts/outside/ionex_check.py`:
/// `LOSTFIX_DUMP=/tmp/ionex.jsonl cargo test --release --lib ionex::tests::dump -- --ignored`.
#[test]
#[ignore = "writes a file for scripts/outside/ionex_check.py; needs LOSTFIX_DUMP"]
fn dump() {
    let out = std::env::var_os("LOSTFIX_DUMP").expect("set LOSTFIX_DUMP to the file to write");
    let mut text = String::new();
    let mut state = 20_261_127;
    let mut unit = || (split_mix(&mut state) >> 11) as f64 / (1_u64 << 53) as f64;
    for path in shared("ionex").unwrap_or_default() {
        let Some(bytes) = read_shared(&path) else { continue };
        let maps = parse(&bytes).maps.unwrap();
        let radius_m = maps.base_radius_m + maps.height_m;
        for _ in 0..2_000 {
            let i = (unit() * (maps.tec.len() - 1) as f64) as usize;
            let (a, b) = (maps.tec[i].time, maps.tec[i + 1].time);
            let t = a + ((b - a) as f64 * unit()) as i64;
            let (lat, lon) = (-86.0 + 172.0 * unit(), -180.0 + 360.0 * unit());
            let s = |t: UtcMs| (t - a) as f64 / 1000.0;
            let (first, second) = (maps.tec_map(i).unwrap(), maps.tec_map(i + 1).unwrap());
            let tecu = ionex_between(&first, 0.0, &second, s(b), s(t), lat, lon);
            let between = Between { first, t1_s: 0.0, second, t2_s: s(b) };
            let gradient = between.gradient_mm_per_km(s(t), (lat, lon), radius_m);
            let line = serde_json::json!({
                "file": path.to_string_lossy(), "time_ms": t, "lat": lat, "lon": lon, "tecu": tecu, "mm_per_km": gradient,
            });
            text.push_str(&format!("{line}\n"));
        }
    }
    std::fs::write(out, text).unwrap();
}
