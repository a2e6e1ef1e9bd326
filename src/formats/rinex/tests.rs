//! Checks against the standards' examples and against open files with reference values (made by an independent line reader
//! and by general RINEX libraries in Python), and survival of damaged input.

use super::*;
use crate::model::time::{UtcMs, parse_utc};
use std::path::{Path, PathBuf};

/// The folder of open data, or `None` with a printed line.
pub(crate) fn shared_root() -> Option<PathBuf> {
    let choices = [
        std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from),
        Some(Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data")),
        Some(PathBuf::from("/work/shared/data")),
    ];
    let found = choices.into_iter().flatten().find(|p| p.is_dir());
    if found.is_none() {
        println!("skipped: no folder of open data (LOSTFIX_SHARED_DATA)");
    }
    found
}

/// All files of a kind, sorted.
pub(crate) fn shared(kind: &str) -> Option<Vec<PathBuf>> {
    let mut found = Vec::new();
    let mut folders = vec![shared_root()?.join(kind)];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() { folders.push(path) } else { found.push(path) }
        }
    }
    found.sort();
    Some(found)
}

/// The unpacked bytes of a file; `.Z`, `.zip` and `.bz2` by the system's tools, `None` with a printed line where they are missing.
pub(crate) fn read_shared(path: &Path) -> Option<Vec<u8>> {
    let name = path.to_string_lossy().to_string();
    let tool = |tool: &str| {
        let out = std::process::Command::new(tool).arg("-dc").arg(path).output().ok().filter(|o| o.status.success());
        if out.is_none() {
            println!("skipped: {name} ({tool} is not there or cannot read it)");
        }
        out.map(|o| o.stdout)
    };
    let bytes = std::fs::read(path).unwrap();
    let mut all = Vec::new();
    if name.ends_with(".gz") {
        use std::io::Read;
        flate2::read::MultiGzDecoder::new(bytes.as_slice()).read_to_end(&mut all).unwrap();
        Some(all)
    } else if name.ends_with(".Z") || name.ends_with(".zip") {
        // The open zips hold one deflated file each, which gzip reads; it ends with an error on any other.
        tool("gzip")
    } else if name.ends_with(".bz2") {
        tool("bzip2")
    } else {
        Some(bytes)
    }
}

/// The reference values of a file.
pub(crate) fn reference(path: &Path) -> Option<serde_json::Value> {
    let root = shared_root()?;
    let inside = path.strip_prefix(&root).ok()?;
    let file = root.join("reference").join(format!("{}.json", inside.display()));
    serde_json::from_slice(&std::fs::read(file).ok()?).ok()
}

type Sniff = fn(&[u8], &FileContext) -> Option<Box<dyn Stream>>;

/// A file in chunks of several sizes gives the same.
pub(crate) fn chunks_agree(bytes: &[u8], sniff: Sniff) {
    let read = |chunk: usize| {
        let mut stream = sniff(bytes, &FileContext::default()).unwrap();
        for part in bytes.chunks(chunk) {
            stream.feed(part);
        }
        format!("{:?}", stream.finish())
    };
    let whole = read(bytes.len());
    for chunk in [1, 7, 80, 4096] {
        assert_eq!(read(chunk), whole, "chunks of {chunk}");
    }
}

/// Damages the bytes in many seeded ways; the decoder must come to its end with a ledger that adds up.
pub(crate) fn mutations_are_survived(bytes: &[u8], rounds: u32, sniff: Sniff) {
    let mut seed = 20_260_504u64;
    let mut next = |below: usize| {
        seed ^= seed << 13;
        seed ^= seed >> 7;
        seed ^= seed << 17;
        (seed % below.max(1) as u64) as usize
    };
    for round in 0..rounds {
        let mut bad = bytes.to_vec();
        for _ in 0..1 + next(8) {
            if bad.is_empty() {
                break;
            }
            let at = next(bad.len());
            match next(7) {
                0 => bad[at] = next(256) as u8,
                1 => bad[at] ^= 1 << next(8),
                2 => drop(bad.drain(at..(at + 1 + next(200)).min(bad.len()))),
                3 => bad.truncate(at),
                4 => {
                    let part: Vec<u8> = bad[at..(at + next(400)).min(bad.len())].to_vec();
                    let to = next(bad.len());
                    bad.splice(to..to, part);
                }
                5 => bad[at] = b"0123456789-+.&> \n\rDE#"[next(21)],
                _ => {
                    bad.splice(at..at, b"99999999999999999999".iter().copied());
                }
            }
        }
        let Some(mut stream) = sniff(&bad, &FileContext::default()) else { continue };
        for part in bad.chunks(1 + next(5000)) {
            stream.feed(part);
        }
        let parsed = stream.finish();
        let ledger = &parsed.look.bytes;
        assert!(ledger.adds_up() && ledger.total == bad.len() as u64, "round {round}: {ledger:?} of {}", bad.len());
        assert!(parsed.rows.len() < 100_000, "round {round}: {} rows", parsed.rows.len());
    }
}

#[derive(Debug, Default)]
struct Cells {
    epochs: Vec<(UtcMs, u8)>,
    cells: Vec<(usize, Cell)>,
    channels: Vec<(u8, i8)>,
}

impl CellSink for Cells {
    fn epoch(&mut self, t: UtcMs, flag: u8) {
        self.epochs.push((t, flag));
    }
    fn cell(&mut self, cell: &Cell) {
        self.cells.push((self.epochs.len(), *cell));
    }
    fn glonass_channel(&mut self, slot: u8, k: i8) {
        self.channels.push((slot, k));
    }
}

fn read_all(bytes: &[u8]) -> (Parsed, Vec<TypeTotal>, Cells) {
    let mut stream = RinexStream::with_sink(&FileContext::default(), Cells::default());
    stream.push(bytes);
    stream.finish_all()
}

fn problems(parsed: &Parsed) -> Vec<String> {
    parsed.look.problems.iter().map(|p| format!("{:?} {}", p.line, p.what)).collect()
}

/// A header line of the standard's form.
fn h(content: &str, label: &str) -> String {
    format!("{content:<60}{label:<20}\n")
}

fn version_3(types: &[&str], rest: &str) -> String {
    let mut s = h("     3.04           OBSERVATION DATA    M", "RINEX VERSION / TYPE");
    s += &h("EX14", "MARKER NAME");
    s += &h("1001                EXAMPLE ONE         1.0", "REC # / TYPE / VERS");
    s += &h("77                  EXAMPLE ANT     NONE", "ANT # / TYPE");
    s += &h("  4027894.0060   307045.6000  4919474.9100", "APPROX POSITION XYZ");
    s += &h("        1.5000        0.0000        0.0000", "ANTENNA: DELTA H/E/N");
    for t in types {
        s += &h(t, "SYS / # / OBS TYPES");
    }
    s += &h("  2026     3     1     6     7    8.5000000     GPS", "TIME OF FIRST OBS");
    s += &h("  1 R07 -7", "GLONASS SLOT / FRQ #");
    s += &h("", "END OF HEADER");
    s + rest
}

const V3_BODY: &str = "\
> 2026 03 01 06 07 26.5000000  0  2
G05  22345678.901   117424990.12317        46.250          42.000
R07  19876543.210                          44.000
> 2026 03 01 06 07 27.4960000  1  1
G05  22345366.120   117423346.487 6        46.250           0.000
";
const V3_TYPES: [&str; 2] = ["G    4 C1C L1C S1C S2W", "R    3 C1C L1C S1C"];

#[test]
fn cells_times_and_flags_of_version_3() {
    // Values of the worked arc in check-values.md 4.7; 2026-03-01 06:07:08.5 UTC is 06:07:26.5 GPST (check-values.md 1.3).
    let text = version_3(&V3_TYPES, V3_BODY);
    let (parsed, totals, cells) = read_all(text.as_bytes());
    assert!(parsed.look.problems.is_empty(), "{:?}", problems(&parsed));
    let t0 = parse_utc("2026-03-01T06:07:08.5Z").unwrap();
    assert_eq!(cells.epochs, [(t0, 0), (t0 + 996, 1)]);
    let g1 = &cells.cells[0].1;
    assert_eq!((g1.range_m, g1.phase_cycles, g1.cn0_dbhz), (22_345_678.901, 117_424_990.123, 46.25));
    assert_eq!((g1.lli, g1.ssi, g1.signal.to_string().as_str()), (1, 7, "G1C"));
    let names: Vec<String> = cells.cells.iter().map(|(n, c)| format!("{n} {} {}", c.sat, c.signal)).collect();
    // 0.000 is missing: no G2W in the second epoch.
    assert_eq!(names, ["1 G05 G1C", "1 G05 G2W", "1 R07 R1C", "2 G05 G1C"]);
    assert!(cells.cells[2].1.phase_cycles.is_nan());
    assert_eq!(cells.channels, [(7, -7)]);
    let s2w = totals.iter().find(|t| t.code == *b"S2W").unwrap();
    assert_eq!((s2w.count, s2w.zeros), (1, 1));
    // The slip of G05 at the first epoch (LLI bit 0) and the power failure before the second.
    assert_eq!(parsed.rows.signals.slips, [2, 0, 0]);
    assert_eq!(parsed.rows.logged.kind, ["power-fail"]);
    assert_eq!(parsed.look.epochs, Some(2));
    assert_eq!(parsed.look.signals[0].observations, 2);
    assert_eq!(parsed.rows.spans.len(), 1);
    assert!(parsed.identity.markers.contains("EX14") && parsed.identity.receiver_serials.contains("1001"));
    let position = parsed.rows.positions.get(0).unwrap();
    let up = ((position.x_m - 4_027_894.006).powi(2)
        + (position.y_m - 307_045.6).powi(2)
        + (position.z_m - 4_919_474.91).powi(2))
    .sqrt();
    assert!((up - 1.5).abs() < 1e-6 && position.x_m > 4_027_894.006, "the reference point is 1.5 m up");
    assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.unknown == 0);
}

#[test]
fn only_bit_0_of_lli_is_a_slip() {
    // check-values.md 4.3: bit 2 of 2.11 is anti-spoofing, not a slip.
    let mut s = h("     2.11           OBSERVATION DATA    G", "RINEX VERSION / TYPE");
    s += &h("     3    L2    P2    S2", "# / TYPES OF OBSERV");
    s += &h("", "END OF HEADER");
    s += " 05  3 24 13 10 36.0000000  0  2G12G09\n";
    s += "  23619095.45048  20887748.784          46.000  \n";
    s += "  23619095.45058  20887748.784          46.000  \n";
    let (parsed, _, cells) = read_all(s.as_bytes());
    assert_eq!(cells.cells.iter().map(|c| c.1.lli).collect::<Vec<_>>(), [4, 5]);
    // In the order of the satellites: G09, G12.
    assert_eq!(parsed.rows.signals.slips, [1, 0]);
    assert_eq!(cells.cells[0].1.signal.to_string(), "G2W");
    assert!(problems(&parsed).is_empty(), "{:?}", problems(&parsed));
}

#[test]
fn events_comments_splices_and_late_epochs() {
    let mut body = V3_BODY.to_owned();
    body += &h("in the body", "COMMENT");
    body += "> 2026 03 01 06 07 25.0000000  0  1\nG05  22345678.901\n"; // out of order
    body += ">                              4  2\n";
    body += &h("G    1 C1C", "SYS / # / OBS TYPES");
    body += &h("all other types are gone", "COMMENT");
    body += "> 2026 03 01 06 07 30.0000000  0  1\nG05  22345678.901\n";
    body += "> 2026 03 01 06 07 31.0000000  5  0\n";
    body += "> 2026 03 01 06 07 32.0000000  6  1\nG05             1\n";
    let text = version_3(&V3_TYPES, &body);
    let twice = format!("{text}{}", version_3(&V3_TYPES, V3_BODY).replace("EX14", "EX15"));
    let (parsed, _, cells) = read_all(twice.as_bytes());
    assert_eq!(cells.epochs.len(), 6);
    assert_eq!(parsed.look.counts["external event"], 1);
    assert_eq!(parsed.look.counts["cycle slip record"], 1);
    assert_eq!(parsed.look.counts["further header"], 1);
    assert_eq!(parsed.identity.markers.len(), 2);
    assert_eq!(parsed.look.bytes.reasons["comment"], 81 * 2);
    let told = problems(&parsed);
    // Back in time twice: the late epoch, and the second file.
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told.iter().all(|p| p.contains("comes after")), "{told:?}");
    assert!(parsed.look.bytes.adds_up());
}

#[test]
fn damage_is_told_with_its_line_and_costs_only_its_epoch() {
    let body = "\
> 2026 03 01 06 07 26.5000000  0  2
G05  22345678.901   117424990.12317        46.250          42.000
> 2026 03 01 06 07 2x.5000000  0  1
G05  22345366.120   117423346.487 6        46.250           0.000
> 2026 03 01 06 07 28.5000000  0  2
G05  22345y66.120   117423346.487 6        46.250           0.000
J01  22345366.120
> 2026 03 01 06 07 29.5000000  0  3
G05  22345366.120
";
    let (parsed, _, cells) = read_all(version_3(&V3_TYPES, body).as_bytes());
    let told = problems(&parsed);
    let base = 11; // lines of the header
    assert_eq!(told.len(), 5, "{told:?}");
    assert!(
        told[0].contains(&format!("Some({})", base + 3)) && told[0].contains("2 records")
            || told[0].contains("1 records")
    );
    assert!(told[1].contains(&format!("Some({})", base + 3)) && told[1].contains("time of the epoch"), "{told:?}");
    assert!(told[2].contains(&format!("Some({})", base + 6)) && told[2].contains("observation 1"), "{told:?}");
    assert!(told[3].contains(&format!("Some({})", base + 7)) && told[3].contains("J01"), "{told:?}");
    assert!(told[4].contains("ends inside an epoch"), "{told:?}");
    assert_eq!(cells.epochs.len(), 3);
    assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.unknown > 0);
}

#[test]
fn strengths_over_65_are_refused() {
    // check-values.md 4.4: values over 65 are receiver-specific units, not dB-Hz.
    let body = V3_BODY.replace("46.250", "78.000");
    let (parsed, _, cells) = read_all(version_3(&V3_TYPES, &body).as_bytes());
    assert!(cells.cells[0].1.cn0_dbhz.is_nan());
    assert!(parsed.rows.signals.cn0_mean[0].is_nan());
    assert_eq!(parsed.look.signals.iter().find(|s| s.signal == "G1C").unwrap().cn0_mean_dbhz, None);
    assert!(problems(&parsed)[0].contains("over 65"));
}

#[test]
fn compact_damage_resumes_at_the_next_complete_epoch() {
    let head = h("3.0                 COMPACT RINEX FORMAT", "CRINEX VERS   / TYPE") + &h("a 1", "CRINEX PROG / DATE");
    let arc = "\
> 2026 03 01 06 07 26.5000000  0  1      G05

3&22345678901  3&46250
                    7

-312781  0 1
                    8

668  -250
";
    let types = ["G    3 C1C L1C S1C"];
    let text = head + &version_3(&types, arc);
    let (parsed, _, cells) = read_all(text.as_bytes());
    assert!(problems(&parsed).is_empty(), "{:?}", problems(&parsed));
    // check-values.md 4.7: the worked arc.
    let ranges: Vec<f64> = cells.cells.iter().map(|c| c.1.range_m).collect();
    assert_eq!(ranges, [22_345_678.901, 22_345_366.12, 22_345_054.007]);
    assert_eq!(parsed.look.compressed, "crx");
    let again = arc.replace("07 26", "08 26");
    let damaged = text.replace("                    7\n", "                 x  7\n") + &again;
    let (parsed, _, cells) = read_all(damaged.as_bytes());
    assert_eq!(cells.epochs.len(), 1 + 3);
    assert_eq!(problems(&parsed).len(), 1, "{:?}", problems(&parsed));
    assert_eq!(parsed.look.problems[0].line, Some(2 + 10 + 4));
    assert!(parsed.look.bytes.reasons["compact data after damage"] > 0);
    assert!(parsed.look.bytes.adds_up());
    // A single difference that cannot be read costs its own value only, until it is given anew.
    let (parsed, _, cells) = read_all(text.replace("-312781", "-3127z1").as_bytes());
    assert_eq!(cells.epochs.len(), 3);
    assert_eq!(cells.cells.iter().filter(|c| c.1.range_m.is_nan()).count(), 2);
    assert_eq!(cells.cells.iter().filter(|c| c.1.cn0_dbhz.is_nan()).count(), 0);
    assert_eq!(problems(&parsed).len(), 2);
}

#[test]
fn chunks_and_mutations() {
    let v3 = version_3(&V3_TYPES, V3_BODY);
    let head = h("3.0                 COMPACT RINEX FORMAT", "CRINEX VERS   / TYPE") + &h("a 1", "CRINEX PROG / DATE");
    let compact = head
        + &version_3(
            &["G    2 C1C S1C", "E    2 C1C S1C"],
            "> 2026 03 01 06 07 26.5000000  0  2      G05E11\n\n3&22345678901 3&46250 17\n3&22345678902 3&46250\n                    7\n\n-312781 0\n3&12 3&42000\n",
        );
    let mut v2 = h("     2.11           OBSERVATION DATA    M", "RINEX VERSION / TYPE");
    v2 += &h("     7    L1    L2    P1    P2    C1    S1    S2", "# / TYPES OF OBSERV");
    v2 += &h("", "END OF HEADER");
    v2 += " 05  3 24 13 10 36.0000000  0 13G12G09G06E11G01G02G03G04G05G07G08R01\n                                R02\n";
    for _ in 0..13 {
        v2 += "  23619095.450         -53.875      -41981.375    20887748.784    20887748.78418\n        46.000          45.000\n";
    }
    v2 += "                            4  1\n";
    v2 += &h("here", "COMMENT");
    let nav = "     2.11           N: GPS NAV DATA                         RINEX VERSION / TYPE\n                                                            END OF HEADER\n 6 99  9  2 17 51 44.0 -.839701388031D-03 -.165982783074D-10  .000000000000D+00\n     .910000000000D+02  .934062500000D+02  .116040547840D-08  .162092304801D+00\n     .484101474285D-05  .626740418375D-02  .652112066746D-05  .515365489006D+04\n     .409904000000D+06 -.242143869400D-07  .329237003460D+00 -.596046447754D-07\n     .111541663136D+01  .326593750000D+03  .206958726335D+01 -.638312302555D-08\n     .307155651409D-09  .000000000000D+00  .102500000000D+04  .000000000000D+00\n     .000000000000D+00  .000000000000D+00  .000000000000D+00  .910000000000D+02\n     .406800000000D+06  .000000000000D+00\n";
    for text in [v3.as_str(), compact.as_str(), v2.as_str(), nav] {
        let (parsed, ..) = read_all(text.as_bytes());
        let told = problems(&parsed);
        assert!(told.iter().all(|p| p.contains("no signal strength")), "{told:?}");
        chunks_agree(text.as_bytes(), sniff);
        mutations_are_survived(text.as_bytes(), 2_000, sniff);
    }
}

#[test]
fn navigation_example_of_the_standard() {
    // The record of PRN 6 in the example of RINEX 2.11 table A8, and GLONASS slot 3 of table A10's layout.
    let nav = h("     2.11           N: GPS NAV DATA", "RINEX VERSION / TYPE")
        + &h("", "END OF HEADER")
        + " 6 99  9  2 17 51 44.0 -.839701388031D-03 -.165982783074D-10  .000000000000D+00
     .910000000000D+02  .934062500000D+02  .116040547840D-08  .162092304801D+00
     .484101474285D-05  .626740418375D-02  .652112066746D-05  .515365489006D+04
     .409904000000D+06 -.242143869400D-07  .329237003460D+00 -.596046447754D-07
     .111541663136D+01  .326593750000D+03  .206958726335D+01 -.638312302555D-08
     .307155651409D-09  .000000000000D+00  .102500000000D+04  .000000000000D+00
     .000000000000D+00  .000000000000D+00  .000000000000D+00  .910000000000D+02
     .406800000000D+06  .000000000000D+00
";
    let (parsed, ..) = read_all(nav.as_bytes());
    assert!(problems(&parsed).is_empty(), "{:?}", problems(&parsed));
    let [crate::maths::orbits::Ephemeris::Kepler(e)] = parsed.ephemerides.as_slice() else { panic!("one orbit") };
    assert_eq!((e.number, e.gps_week, e.toe_s, e.toc_s), (6, 1025, 409_904.0, 409_904.0));
    assert_eq!((e.sqrt_a, e.e, e.m0), (5_153.654_890_06, 0.006_267_404_183_75, 0.162_092_304_801));
    assert_eq!(
        (e.i0, e.crc, e.omega, e.omega_dot),
        (1.115_416_631_36, 326.593_75, 2.069_587_263_35, -6.383_123_025_55e-9)
    );
    assert_eq!((e.af0, e.idot, e.issue, e.health), (-8.397_013_880_31e-4, 3.071_556_514_09e-10, 91, 0));
    // 17:51:44 GPST in 1999 is 13 s ahead of UTC (check-values.md 1.2).
    assert_eq!(parsed.look.from.as_deref(), Some("1999-09-02T17:51:31Z"));
}

/// Found by fuzzing (`rinex_nav`): a week of 1e32 overflowed when the BeiDou weeks were added.
#[test]
fn a_week_beyond_all_numbers_is_told_and_the_week_of_the_epoch_used() {
    let nav = |week: &str| {
        h("     3.04           NAVIGATION DATA     MIXED", "RINEX VERSION / TYPE")
            + &h("", "END OF HEADER")
            + "C05 2021 01 01 00 00 00-4.263372393325e-04-7.525180478751e-11 0.000000000000e+00
     1.000000000000e+00 1.189062500000e+01 1.053258158144e-09-2.551395311193e+00
     1.695007085800e-07 4.017724422738e-04 2.923654392362e-05 6.493469865799e+03
     4.320000000000e+05 1.057051122189e-07-2.775124444992e+00-2.114102244377e-07
     6.071697097984e-02-8.976718750000e+02 1.548872664878e-01-8.714648714384e-11
    -9.407534718725e-10 0.000000000000e+00"
            + week
            + " 0.000000000000e+00
     2.000000000000e+00 0.000000000000e+00 0.000000000000e+00-8.000000000000e-09
     4.320000000000e+05 0.000000000000e+00
"
    };
    // 1 January 2021 lies in BeiDou week 782, GPS week 2138.
    for (week, told) in [(" 7.820000000000e+02", 0), (" 9.900000000000e+31", 1), ("-9.900000000000e+31", 1)] {
        let (parsed, ..) = read_all(nav(week).as_bytes());
        assert_eq!(problems(&parsed).len(), told, "{:?}", problems(&parsed));
        let [crate::maths::orbits::Ephemeris::Kepler(e)] = parsed.ephemerides.as_slice() else { panic!("one orbit") };
        assert_eq!((e.system, e.number, e.gps_week), ('C', 5, 2138));
    }
}

mod dump;
mod open_data;
