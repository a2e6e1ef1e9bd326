//! Damaged RINEX through the decoders: observation files of versions 2, 3 and 4, navigation files of the same, Compact RINEX
//! 1.0 and 3.0. Seeds are the open files (`LOSTFIX_SHARED_DATA`, else `../shared/data`, else `/work/shared/data`), shortened at a
//! line, and short texts of the kinds of the standard that stand here, so that every kind is there without the open files too.
//!
//! Each mutation is one to eight changes of the kinds that real damage has: bytes, digits, lines, counts, cuts, splices.
//! The default run takes 2,000; all 10,000: `cargo test --release --test mutations rinex -- --ignored --nocapture`.

use crate::damage::Dice;
use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext};
use lostfix::model::look::Format;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::io::Read;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

/// A seed is not longer than this: damage to one record shows as much in a short file.
const SEED_BYTES: usize = 24_000;
/// A damaged file is not longer than this.
const MOST_BYTES: usize = 400_000;
/// Processor time for one of them, s: a hundred times what the slowest takes, so that only a loop without end fails.
const MOST_S: f64 = 10.0;

/// RINEX 2.11 table A7: an observation record, an event in the body, a comment.
const OBS_2: &str = "     2.11           OBSERVATION DATA    M (MIXED)           RINEX VERSION / TYPE
MARK                                                        MARKER NAME
  4433469.9438   362672.6919  4556211.6229                  APPROX POSITION XYZ
     5    L1    L2    C1    P2    S1                        # / TYPES OF OBSERV
  2010     3     5     0     0    0.0000000     GPS         TIME OF FIRST OBS
                                                            END OF HEADER
 10 03 05 00 00  0.0000000  0  3G12G09R06                        -0.123456789
  23629347.915 8  23629350.111 4  23629364.158    23629362.200          45.000
  20891534.648 9  20891541.292 9  20891545.123    20891546.112          47.000
  20607600.189 8  20607604.211 7  20607602.123    20607603.444          41.000
 10 03 05 00 00 30.0000000  4  1
AN EVENT IN THE BODY                                        COMMENT
 10 03 05 00 01  0.0000000  0  2G12G09
  23629447.915 8  23629450.111 4  23629464.158    23629462.200          45.000
  20891634.648 9  20891641.292 9  20891645.123    20891646.112          47.000
";
/// RINEX 3.05 table A2 and A3; a power failure and a splice of a second header.
const OBS_3: &str = "     3.05           OBSERVATION DATA    M                   RINEX VERSION / TYPE
MARK                                                        MARKER NAME
  4433469.9438   362672.6919  4556211.6229                  APPROX POSITION XYZ
G    6 C1C L1C S1C C2W L2W S2W                              SYS / # / OBS TYPES
R    3 C1C L1C S1C                                          SYS / # / OBS TYPES
  1 R06 -4                                                  GLONASS SLOT / FRQ #
  2018     7    19     0     0    0.0000000     GPS         TIME OF FIRST OBS
                                                            END OF HEADER
> 2018 07 19 00 00  0.0000000  0  2
G12  23629347.915   124173425.12308        45.250    23629364.158    96758516.12304        30.500
R06  20607600.189   110172394.41107        41.000
> 2018 07 19 00 00  1.0000000  1  1
G12  23629357.915   124173477.67318        45.250    23629374.158    96758557.07014        30.500
> 2018 07 19 00 00  2.0000000  4  2
G    2 C1C S1C                                              SYS / # / OBS TYPES
A COMMENT                                                   COMMENT
> 2018 07 19 00 00  3.0000000  0  1
G12  23629367.915          45.250
";
/// RINEX 4.00 table A3: the same columns as version 3.
const OBS_4: &str = "     4.00           OBSERVATION DATA    M                   RINEX VERSION / TYPE
MARK                                                        MARKER NAME
E    6 C1C L1C S1C C5Q L5Q S5Q                              SYS / # / OBS TYPES
C    2 C2I S2I                                              SYS / # / OBS TYPES
  2023     1     1     0     0    0.0000000     GPS         TIME OF FIRST OBS
                                                            END OF HEADER
> 2023 01 01 00 00  0.0000000  0  2
E12  23629347.915   124173425.12308        45.250    23629364.158    92727516.12304        48.500
C19  20607600.189          41.000
> 2023 01 01 00 00 30.0000000  0  1
E12  23629447.915   124173950.62308        45.250    23629464.158    92727908.52304        48.500
";
/// RINEX 2.11 table A4 (GPS) with its eight lines a record.
const NAV_2: &str = "     2.11           N: GPS NAV DATA                         RINEX VERSION / TYPE
    18                                                      LEAP SECONDS
                                                            END OF HEADER
 6 18  7 19  0  0  0.0-0.839701388031D-03-0.165982783074D-10 0.000000000000D+00
    0.910000000000D+02 0.934062500000D+02 0.116040547840D-08 0.162092304801D+00
    0.484101474285D-05 0.626740418375D-02 0.652112066746D-05 0.515365489006D+04
    0.345600000000D+06-0.242143869400D-07 0.329237003460D+00-0.596046447754D-07
    0.111541663136D+01 0.326593750000D+03 0.206958726335D+01-0.638312302555D-08
    0.307155651409D-09 0.000000000000D+00 0.201000000000D+04 0.000000000000D+00
    0.000000000000D+00 0.000000000000D+00 0.000000000000D+00 0.910000000000D+02
    0.342000000000D+06 0.000000000000D+00
";
/// RINEX 4.00 table A7: frames with a line of their own, an ephemeris, a time offset, an ionosphere message, a GLONASS state.
const NAV_4: &str = "     4.00           NAVIGATION DATA     M                   RINEX VERSION / TYPE
                                                            END OF HEADER
> EPH G06 LNAV
G06 2023 01 01 00 00 00-8.397013880310D-04-1.659827830740D-11 0.000000000000D+00
     9.100000000000D+01 9.340625000000D+01 1.160405478400D-09 1.620923048010D-01
     4.841014742850D-06 6.267404183750D-03 6.521120667460D-06 5.153654890060D+03
     0.000000000000D+00-2.421438694000D-08 3.292370034600D-01-5.960464477540D-08
     1.115416631360D+00 3.265937500000D+02 2.069587263350D+00-6.383123025550D-09
     3.071556514090D-10 0.000000000000D+00 2.243000000000D+03 0.000000000000D+00
     2.000000000000D+00 0.000000000000D+00 0.000000000000D+00 9.100000000000D+01
    -7.200000000000D+03 4.000000000000D+00
> STO G06 LNAV
    2023 01 01 00 00 00 GPUT
     0.000000000000D+00 9.313225746155D-10-3.552713678801D-15 0.000000000000D+00
> ION G06 LNAV
    2023 01 01 00 00 00 1.024454832077D-08 7.450580596924D-09-5.960464477539D-08
    -5.960464477539D-08 9.625600000000D+04 4.915200000000D+04-1.966080000000D+05
    -2.621440000000D+05
> EPH R06 FDMA
R06 2023 01 01 00 15 00 2.420786768198D-05 0.000000000000D+00 0.000000000000D+00
     1.174538818359D+04-5.961418151855D-01 0.000000000000D+00 0.000000000000D+00
     1.264837060547D+04 2.231744766235D+00-9.313225746155D-10-4.000000000000D+00
     1.878894531250D+04-1.129055023193D+00-2.793967723846D-09 0.000000000000D+00
";
/// Hatanaka 2008 (Compact RINEX 1.0): initial values with an arc order, then differences.
const COMPACT_1: &str = "\
1.0                 COMPACT RINEX FORMAT                    CRINEX VERS   / TYPE
A PROGRAM                               05-Mar-10 00:00     CRINEX PROG / DATE
     2.11           OBSERVATION DATA    G (GPS)             RINEX VERSION / TYPE
     3    L1    C1    S1                                    # / TYPES OF OBSERV
  2010     3     5     0     0    0.0000000     GPS         TIME OF FIRST OBS
                                                            END OF HEADER
&10  3  5  0  0  0.0000000  0  2G12G09

3&124173425123 3&23629347915 3&45000 08
3&109784725648 3&20891534648 3&47000 19
                3

525500 100000 0  &
-525500 -100000 250 &8
              1  0

12 3 0
-7 -5
";
/// Compact RINEX 3.0.
const COMPACT_3: &str = "\
3.0                 COMPACT RINEX FORMAT                    CRINEX VERS   / TYPE
A PROGRAM                               08-Apr-21 06:56     CRINEX PROG / DATE
     3.01           OBSERVATION DATA    M (MIXED)           RINEX VERSION / TYPE
G    3 L1C C1C S1C                                          SYS / # / OBS TYPES
R    3 L1C C1C S1C                                          SYS / # / OBS TYPES
  2010     3     5     0     0     0.0000000     GPS        TIME OF FIRST OBS
                                                            END OF HEADER
> 2010 03 05 00 00 30.0000000  0 2       G13R19

3&130321269801 3&24799318768 3&62000 08&7
3&129262004577 3&24597748629 3&47000 08
                 1  0

525500 100000 0
-525500 -100000 250 &8
                 2 0

12 3 0
-7 -5
";

fn shared() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let all =
        [std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from), Some(beside), Some("/work/shared/data".into())];
    all.into_iter().flatten().map(|p| p.join("rinex")).find(|p| p.is_dir())
}

/// Name and bytes of every seed.
fn seeds() -> Vec<(String, Vec<u8>)> {
    let mut out: Vec<(String, Vec<u8>)> = [
        ("obs 2", OBS_2),
        ("obs 3", OBS_3),
        ("obs 4", OBS_4),
        ("nav 2", NAV_2),
        ("nav 4", NAV_4),
        ("compact 1", COMPACT_1),
        ("compact 3", COMPACT_3),
    ]
    .map(|(name, text)| (name.to_owned(), text.as_bytes().to_vec()))
    .to_vec();
    let Some(root) = shared() else {
        println!("skipped: no folder of open data (LOSTFIX_SHARED_DATA); only the short texts are damaged");
        return out;
    };
    for entry in walkdir::WalkDir::new(&root).sort_by_file_name().into_iter().filter_map(Result::ok) {
        let name = entry.file_name().to_string_lossy().into_owned();
        if !entry.file_type().is_file() || [".zip", ".Z", ".bz2"].iter().any(|e| name.ends_with(e)) {
            continue;
        }
        let file = std::fs::File::open(entry.path()).unwrap();
        let mut bytes = Vec::new();
        let most = SEED_BYTES as u64 + 1;
        let read = if name.ends_with(".gz") {
            flate2::read::GzDecoder::new(file).take(most).read_to_end(&mut bytes)
        } else {
            file.take(most).read_to_end(&mut bytes)
        };
        read.unwrap();
        if bytes.len() > SEED_BYTES {
            bytes.truncate(bytes.iter().rposition(|b| *b == b'\n').map_or(SEED_BYTES, |at| at + 1));
        }
        out.push((name, bytes));
    }
    out
}

/// Begin and end of a line drawn by the dice; a longer file has its body drawn more often than its header anyway.
fn line(data: &[u8], dice: &mut Dice) -> (usize, usize) {
    let at = dice.below(data.len());
    let begin = data.get(..at).and_then(|d| d.iter().rposition(|b| *b == b'\n')).map_or(0, |i| i + 1);
    let end = data.get(at..).and_then(|d| d.iter().position(|b| *b == b'\n')).map_or(data.len(), |i| at + i + 1);
    (begin, end)
}

/// What a number may be that no receiver writes.
const NUMBERS: [&str; 14] = [
    "99999999999999",
    "-1",
    "0",
    "999",
    "nan",
    "1e308",
    "-9999999.999",
    "0.0D+99",
    "18446744073709551616",
    "9&9",
    "+",
    "**************",
    "9999 99 99 99 99 99.9999999",
    "6&",
];

/// One change.
fn change(data: &mut Vec<u8>, others: &[(String, Vec<u8>)], dice: &mut Dice) {
    if data.is_empty() {
        return data.push(dice.change());
    }
    let at = dice.below(data.len());
    match dice.below(18) {
        0 => data[at] ^= dice.change(),
        1 => data.truncate(at),
        2 => {
            let end = (at + 1 + dice.below(200)).min(data.len());
            data.drain(at..end);
        }
        3 => {
            let (a, b) = line(data, dice);
            data.drain(a..b);
        }
        4 => {
            let (a, b) = line(data, dice);
            let copy: Vec<u8> = data[a..b].repeat(1 + dice.below(300));
            data.splice(b..b, copy);
        }
        5 => {
            let ((a, b), (c, _)) = (line(data, dice), line(data, dice));
            let moved = data[a..b].to_vec();
            data.splice(c..c, moved);
        }
        6 => {
            let junk: Vec<u8> = (0..1 + dice.below(300)).map(|_| dice.change()).collect();
            data.splice(at..at, junk);
        }
        // A line longer than any of the standard.
        7 => {
            let long = vec![[b' ', b'9', b'&', b'A'][dice.below(4)]; 1 + dice.below(100_000)];
            data.splice(at..at, long);
        }
        8 | 9 => {
            let word = NUMBERS[dice.below(NUMBERS.len())].as_bytes();
            let end = (at + word.len()).min(data.len());
            data.splice(at..end, word.iter().copied());
        }
        10 => {
            let digits: Vec<usize> = (at..data.len().min(at + 400)).filter(|i| data[*i].is_ascii_digit()).collect();
            if let Some(i) = digits.get(dice.below(digits.len())) {
                data[*i] = b'0' + dice.below(10) as u8;
            }
        }
        // The number of satellites or lines that an epoch announces.
        11 => {
            let heads: Vec<usize> = (0..data.len()).filter(|i| data[*i] == b'>' && data.len() > i + 35).collect();
            if let Some(i) = heads.get(dice.below(heads.len())) {
                let n = format!("{}{:3}", dice.below(9), dice.below(1000));
                data.splice(i + 31..i + 35, n.bytes());
            }
        }
        12 => {
            let (a, b) = line(data, dice);
            data[a..b].iter_mut().filter(|c| **c != b'\n').for_each(|c| *c = b' ');
        }
        13 => {
            let (a, b) = line(data, dice);
            let cut = (a + dice.below(b - a)).min(b.saturating_sub(1));
            data.drain(cut..b - 1);
        }
        14 => *data = data.iter().flat_map(|b| if *b == b'\n' { vec![b'\r', b'\n'] } else { vec![*b] }).collect(),
        // Another file in the middle of this one, or only its header's end.
        15 => {
            let other = &others[dice.below(others.len())].1;
            let part = &other[..other.len().min(8_000)];
            data.splice(at..at, part.iter().copied());
        }
        16 => {
            let word = b"END OF HEADER";
            if let Some(i) = data.windows(word.len()).position(|w| w == word) {
                data.drain(i..i + word.len());
            }
        }
        _ => {
            let (a, b) = line(data, dice);
            data[a..b].reverse();
        }
    }
    data.truncate(MOST_BYTES);
}

/// Seconds this thread has been on a processor; wall time where the system does not tell.
fn on_processor_s(started: std::time::Instant) -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|t| t.split(' ').next()?.parse::<u64>().ok())
        .map_or_else(|| started.elapsed().as_secs_f64(), |ns| ns as f64 / 1e9)
}

/// Most memory that the process has had, MB; `None` where the system does not tell.
fn peak_mb() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    Some(line.trim().trim_end_matches("kB").trim().parse::<u64>().ok()? / 1024)
}

/// What one damaged file came to.
struct Outcome {
    format: Format,
    seconds: f64,
    fault: Option<String>,
}

fn one(seeds: &[(String, Vec<u8>)], n: usize, settings: &FormatSettings) -> Outcome {
    let (name, seed) = &seeds[n % seeds.len()];
    let mut dice = Dice::of(name, n as u64 + 1_000);
    let mut data = seed.clone();
    for _ in 0..1 + dice.below(8) {
        change(&mut data, seeds, &mut dice);
    }
    let started = std::time::Instant::now();
    let before = on_processor_s(started);
    // The decoder of RINEX is what is looked at: as long as the damage left the first lines it is the one that is chosen.
    let parsed =
        catch_unwind(AssertUnwindSafe(|| formats::read(&mut &*data, &FileContext::default(), settings).unwrap()));
    let seconds = on_processor_s(started) - before;
    let Ok(parsed) = parsed else {
        return Outcome { format: Format::Foreign, seconds, fault: Some(format!("{name}, mutation {n}: panic")) };
    };
    let ledger = &parsed.look.bytes;
    let all = parsed.rows.len() + parsed.ephemerides.len() + parsed.look.problems.len();
    let fault = if !ledger.adds_up() || ledger.total != data.len() as u64 {
        Some(format!("the ledger does not add up to {}: {ledger:?}", data.len()))
    } else if all > 200 + data.len() {
        // What is kept must not grow faster than what is read: a row is made of several characters.
        Some(format!("{all} rows, orbits and problems of {} bytes", data.len()))
    } else if seconds > MOST_S {
        Some(format!("{seconds:.1} s for {} bytes", data.len()))
    } else {
        None
    };
    Outcome { format: parsed.look.format, seconds, fault: fault.map(|f| format!("{name}, mutation {n}: {f}")) }
}

fn run(count: usize) {
    let (seeds, settings) = (seeds(), FormatSettings::default());
    let outcomes: Vec<Outcome> = (0..count).into_par_iter().map(|n| one(&seeds, n, &settings)).collect();
    let mut formats: BTreeMap<&str, usize> = BTreeMap::new();
    outcomes.iter().for_each(|o| *formats.entry(o.format.name()).or_default() += 1);
    let slowest = outcomes.iter().map(|o| o.seconds).fold(0.0, f64::max);
    let total: f64 = outcomes.iter().map(|o| o.seconds).sum();
    println!(
        "{count} damaged files of {} seeds: {formats:?}; {total:.1} s of processor time, slowest {slowest:.3} s, peak {} MB",
        seeds.len(),
        peak_mb().map_or_else(|| "?".to_owned(), |mb| mb.to_string())
    );
    let faults: Vec<&String> = outcomes.iter().filter_map(|o| o.fault.as_ref()).collect();
    assert!(faults.is_empty(), "{} faults, first: {:#?}", faults.len(), &faults[..faults.len().min(8)]);
    // The seeds must not be damaged beyond recognition, or nothing was tested.
    let rinex = ["rinex-obs", "rinex-nav"].iter().filter_map(|f| formats.get(f)).sum::<usize>();
    assert!(rinex * 2 > count, "only {rinex} of {count} were still read as RINEX");
}

#[test]
fn whole_seeds_are_read_without_a_loss() {
    // The texts above are right by the tables that they name: nothing is unknown, and rows or orbits come out.
    for (name, data) in seeds().into_iter().take(7) {
        let parsed = formats::read(&mut &*data, &FileContext::default(), &FormatSettings::default()).unwrap();
        assert!(matches!(parsed.look.format, Format::RinexObs | Format::RinexNav), "{name}");
        assert_eq!(parsed.look.bytes.unknown, 0, "{name}: {:?}", parsed.look.problems);
        assert!(parsed.rows.signals.len() + parsed.ephemerides.len() > 0, "{name}: {:?}", parsed.look.problems);
    }
}

#[test]
fn damaged_rinex_neither_panics_nor_loops() {
    run(10_000 / crate::thinned().min(5));
}

#[test]
#[ignore = "all 10,000"]
fn damaged_rinex_in_full() {
    run(10_000);
}
