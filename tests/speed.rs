//! Speed of the decoders beside general libraries that read the same bytes, in one run on one machine. Measurements, not
//! checks: `cargo test --release --test speed -- --ignored --nocapture` (`scripts/bench` runs it).
//!
//! Ours goes the whole way from bytes to columns: framing, checksums, byte ledger, rows per second, ten seconds and minute.
//! The crates `nmea` and `rtcm-rs` are asked for their parsed values only, which are then thrown away.
//!
//! Seconds are wall time and, where the system tells it (Linux), processor time of the thread: the latter is fair on a
//! machine that has other things to do.

// Helpers outside #[test] functions fail a test by panicking, as tests do.
#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext};
use std::hint::black_box;
use std::path::Path;
use std::time::Instant;

/// Repeats of every measurement.
const REPEATS: usize = 3;

/// Seconds this thread has been on a processor; `None` where the system does not tell.
fn on_processor_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    Some(text.split(' ').next()?.parse::<u64>().ok()? as f64 / 1e9)
}

/// MB/s of all repeats, sorted: by wall time and by processor time.
struct Speeds {
    wall: Vec<f64>,
    processor: Vec<f64>,
}

fn measure(bytes: &[u8], mut work: impl FnMut(&[u8])) -> Speeds {
    let mut speeds = Speeds { wall: Vec::new(), processor: Vec::new() };
    let mb = bytes.len() as f64 / 1e6;
    for _ in 0..REPEATS {
        let (wall, processor) = (Instant::now(), on_processor_s());
        work(black_box(bytes));
        speeds.wall.push(mb / wall.elapsed().as_secs_f64());
        if let (Some(from), Some(to)) = (processor, on_processor_s()) {
            speeds.processor.push(mb / (to - from).max(1e-9));
        }
    }
    speeds.wall.sort_by(f64::total_cmp);
    speeds.processor.sort_by(f64::total_cmp);
    speeds
}

/// Best and median.
fn ends(sorted: &[f64]) -> (f64, f64) {
    (sorted.last().copied().unwrap_or(f64::NAN), sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN))
}

/// Text of the line of a table.
fn line(who: &str, s: &Speeds) -> String {
    let raw = |v: &[f64]| v.iter().map(|x| format!("{x:.1}")).collect::<Vec<_>>().join(" ");
    let ((best, median), (wall_best, wall_median)) = (ends(&s.processor), ends(&s.wall));
    format!(
        "  {who:10}{best:10.1}{median:10.1}{wall_best:12.1}{wall_median:10.1}    [{}] [{}]",
        raw(&s.processor),
        raw(&s.wall)
    )
}

fn table(what: &str, bytes: usize, ours: &Speeds, crate_name: &str, theirs: &Speeds, at_least: f64) {
    println!(
        "{what}: {:.1} MB; MB/s of processor time (best, median), of wall time (best, median), raw",
        bytes as f64 / 1e6
    );
    println!("{}", line("lostfix", ours));
    println!("{}", line(crate_name, theirs));
    let pick = |s: &Speeds| if s.processor.is_empty() { ends(&s.wall).0 } else { ends(&s.processor).0 };
    println!("  ratio of the best {:.1}; wanted {at_least:.0} MB/s a core", pick(ours) / pick(theirs));
}

/// Members of every zip and every loose file below a folder whose name ends in `tail`, one behind the other.
fn logs(root: &Path, tail: &str) -> Vec<u8> {
    let mut all = Vec::new();
    for entry in walkdir::WalkDir::new(root).sort_by_file_name().into_iter().map(Result::unwrap) {
        let name = entry.path().to_string_lossy().into_owned();
        if name.ends_with(tail) {
            all.extend(std::fs::read(entry.path()).unwrap());
        } else if name.ends_with(".zip") {
            let mut zip = zip::ZipArchive::new(std::fs::File::open(entry.path()).unwrap()).unwrap();
            for k in 0..zip.len() {
                let mut member = zip.by_index(k).unwrap();
                if member.name().unwrap().ends_with(tail) {
                    std::io::Read::read_to_end(&mut member, &mut all).unwrap();
                }
            }
        }
    }
    all
}

/// A practice site of some hours: log of a rover, corrections of its base.
fn practice(output: &str) -> (Vec<u8>, Vec<u8>) {
    let dir = temp_dir::TempDir::new().unwrap();
    let scenario = dir.path().join("scenario.toml");
    let text = format!(
        "hours = 3.0\nconfounders = false\nstart = \"2026-05-09\"\n[output]\n{output}\n[[site]]\nid = \"s\"\nrovers = 1\n\
         systems = 4\nmessages = \"msm7\"\n"
    );
    std::fs::write(&scenario, text).unwrap();
    let out = dir.path().join("out");
    lostfix::practice::run(scenario.to_str().unwrap(), &out, Some(1)).unwrap();
    (logs(&out, ".nmea"), logs(&out, ".rtcm3"))
}

/// Repeats a log until it has some length. The times of the copies are those of the first: the decoder takes each copy as
/// a jump back, which costs nothing to speak of.
fn long(log: &[u8], bytes: usize) -> Vec<u8> {
    log.repeat(bytes.div_ceil(log.len().max(1)).max(1))
}

/// Settings as the pipeline has them: made once a run, not once a file (the rules for syslogs are compiled in them).
fn settings() -> &'static FormatSettings {
    static SETTINGS: std::sync::OnceLock<FormatSettings> = std::sync::OnceLock::new();
    SETTINGS.get_or_init(FormatSettings::default)
}

fn ours(bytes: &[u8]) {
    let head = bytes.get(..formats::HEAD_BYTES).unwrap_or(bytes);
    let mut stream = formats::recognise(head, &FileContext::default(), settings()).unwrap();
    bytes.chunks(formats::CHUNK_BYTES).for_each(|c| stream.feed(c));
    let parsed = stream.finish();
    assert_eq!(parsed.look.failed_checks, 0);
    assert_eq!(parsed.look.bytes.unknown, 0);
    black_box(parsed);
}

fn nmea_crate(bytes: &[u8]) {
    for line in bytes.split(|b| *b == b'\n') {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if !line.is_empty() {
            let _ = black_box(nmea::parse_bytes(line));
        }
    }
}

fn rtcm_crate(bytes: &[u8]) {
    let mut at = 0;
    while at < bytes.len() {
        let (used, frame) = rtcm_rs::next_msg_frame(&bytes[at..]);
        if let Some(frame) = frame {
            black_box(frame.get_message());
        }
        if used == 0 {
            break;
        }
        at += used;
    }
}

/// The frames of the messages for which `wanted` says yes.
fn frames(stream: &[u8], wanted: impl Fn(u16) -> bool) -> Vec<u8> {
    let mut out = Vec::new();
    let mut at = 0;
    while let Some(head) = stream.get(at..at + 5) {
        let length = 6 + (usize::from(head[1] & 3) << 8 | usize::from(head[2]));
        if wanted(u16::from(head[3]) << 4 | u16::from(head[4] >> 4))
            && let Some(frame) = stream.get(at..at + length)
        {
            out.extend_from_slice(frame);
        }
        at += length;
    }
    out
}

/// The lines of some sentences.
fn lines(log: &[u8], kinds: &[&str]) -> Vec<u8> {
    log.split_inclusive(|b| *b == b'\n')
        .filter(|l| l.get(3..6).is_some_and(|k| kinds.iter().any(|w| w.as_bytes() == k)))
        .flatten()
        .copied()
        .collect()
}

#[test]
#[ignore = "a measurement, not a check"]
fn decoders_speed_beside_crates() {
    let (nmea, rtcm) = practice("gsv_interval_s = 1\nbase_interval_s = 1");
    let everything = ["GGA", "GSV", "GSA", "RMC"];
    for (what, kinds) in [("NMEA, GGA", &everything[..1]), ("NMEA, GGA + GSV + GSA + RMC", &everything[..])] {
        let text = long(&lines(&nmea, kinds), 16_000_000);
        let share = |kind: &str| 100.0 * lines(&text, &[kind]).len() as f64 / text.len() as f64;
        let shares: Vec<String> = kinds.iter().map(|k| format!("{k} {:.0} %", share(k))).collect();
        println!("(bytes: {})", shares.join(", "));
        table(what, text.len(), &measure(&text, ours), "nmea", &measure(&text, nmea_crate), 300.0);
    }
    let stream = long(&frames(&rtcm, |n| matches!(n, 1077 | 1087 | 1097 | 1127)), 12_000_000);
    table("RTCM 3, MSM7", stream.len(), &measure(&stream, ours), "rtcm-rs", &measure(&stream, rtcm_crate), 100.0);
}

/// Bytes that make the search for frames and sentences work hardest, behind a good start that gets the file recognised:
/// wanted are 30 MB/s even then, so that a broken file holds nobody up.
#[test]
#[ignore = "a measurement, not a check"]
fn worst_input_speed() {
    const BYTES: usize = 8_000_000;
    let (nmea, rtcm) = practice("base_interval_s = 10");
    let mut start = lines(&nmea, &["GGA"])[..400].to_vec();
    start.extend(frames(&rtcm, |n| n == 1077).get(..2_000).unwrap());
    let mut seed = 5_u32;
    let mut next = || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 24) as u8
    };
    let lengths: Vec<u8> = (0..BYTES / 3).flat_map(|_| [0xD3, next() & 3, next()]).collect();
    let short: Vec<u8> =
        (0..BYTES / 8).flat_map(|_| [0xD3, 0, next() & 31, next(), next(), b'$', b'G', b'P']).collect();
    let told = |text: &[u8]| text.repeat(BYTES / text.len());
    println!(
        "worst inputs, {} MB each; MB/s of processor time (best), of wall time (best); wanted 30",
        BYTES / 1_000_000
    );
    for (what, bytes) in [
        ("false preambles, all lengths", lengths),
        ("false preambles, longest length", told(b"\xD3\x03\xFF")),
        ("false preambles, empty frames", told(b"\xD3\x00")),
        ("preambles only", told(b"\xD3")),
        ("short false frames and cut sentences", short),
        ("dollars only", told(b"$")),
        ("cut sentences", told(b"$GP,")),
        ("cut sentences and preambles", told(b"$GP\xD3\x03\xFF")),
        ("wrong checksums", told(b"$GPGGA,1*00\r\n")),
        ("satellite lists of nothing", told(b"$GPGSV,9,9*54\r\n")),
        ("exclamation marks", told(b"!AIVDM,")),
        ("line ends", told(b"\n")),
        ("carriage returns", told(b"\r")),
    ] {
        let mut all = start.clone();
        all.extend(bytes);
        let speeds = measure(&all, |bytes| {
            let head = &bytes[..formats::HEAD_BYTES];
            let mut stream = formats::recognise(head, &FileContext::default(), settings()).unwrap();
            bytes.chunks(formats::CHUNK_BYTES).for_each(|c| stream.feed(c));
            let parsed = stream.finish();
            let ledger = &parsed.look.bytes;
            assert!(ledger.adds_up() && ledger.total == bytes.len() as u64, "{what}: every byte is booked once");
        });
        println!("  {what:40}{:10.0}{:10.0}", ends(&speeds.processor).0, ends(&speeds.wall).0);
    }
}

/// RINEX of the open data (skipped where they are absent): plain observation files of versions 2 and 3, and Compact RINEX 3.
/// No other library reads them here: a crate for that is no dependency of the tests.
#[test]
#[ignore = "a measurement, not a check"]
fn rinex_decoder_speed() {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let all = [std::env::var_os("LOSTFIX_SHARED_DATA").map(Into::into), Some(beside), Some("/work/shared/data".into())];
    let Some(root) = all.into_iter().flatten().map(|p| p.join("rinex/nav-solutions")).find(|p| p.is_dir()) else {
        return println!("skipped: no folder of open data (LOSTFIX_SHARED_DATA)");
    };
    println!("RINEX; MB/s of processor time (best, median), of wall time (best, median), raw; wanted 60 MB/s a core");
    for (what, name) in [
        ("plain 3", "ACOR00ESP_R_20213550000_01D_30S_MO.rnx"),
        ("plain 2", "pdel0010.21o"),
        ("compact 30 s", "AJAC00FRA_R_20242090000_01D_30S_MO.crx.gz"),
        ("compact 1 s", "GRAS00FRA_R_20223151700_15M_01S_MO.crx.gz"),
    ] {
        let Ok(raw) = std::fs::read(root.join(name)) else { continue };
        let mut bytes = Vec::new();
        if name.ends_with(".gz") {
            std::io::Read::read_to_end(&mut flate2::read::GzDecoder::new(raw.as_slice()), &mut bytes).unwrap();
        } else {
            // The headers of the copies count as splices.
            bytes = long(&raw, 16_000_000);
        }
        let speeds = measure(&bytes, |bytes| {
            let head = bytes.get(..formats::HEAD_BYTES).unwrap_or(bytes);
            let mut stream = formats::recognise(head, &FileContext::default(), settings()).unwrap();
            bytes.chunks(formats::CHUNK_BYTES).for_each(|c| stream.feed(c));
            let parsed = stream.finish();
            assert!(parsed.look.bytes.adds_up() && parsed.look.epochs > Some(0), "{name}");
            black_box(parsed);
        });
        println!("  {what} ({name}, {:.1} MB)\n{}", bytes.len() as f64 / 1e6, line("lostfix", &speeds));
    }
}

/// Reads whatever there is to nothing; zips in it likewise. Bytes that came out.
fn to_nothing(file: &mut dyn std::io::Read, name: &str) -> u64 {
    if name.ends_with(".gz") {
        return std::io::copy(
            &mut flate2::bufread::MultiGzDecoder::new(std::io::BufReader::new(file)),
            &mut std::io::sink(),
        )
        .unwrap_or(0);
    }
    if !name.ends_with(".zip") {
        return std::io::copy(file, &mut std::io::sink()).unwrap_or(0);
    }
    let mut whole = Vec::new();
    let _ = std::io::Read::read_to_end(file, &mut whole);
    let Ok(mut zip) = zip::ZipArchive::new(std::io::Cursor::new(whole)) else { return 0 };
    let mut bytes = 0;
    for k in 0..zip.len() {
        if let Ok(mut member) = zip.by_index(k) {
            let name = member.name().map(|n| n.into_owned()).unwrap_or_default();
            bytes += to_nothing(&mut member, &name);
        }
    }
    bytes
}

/// What reading cannot be faster than: all files of the pile in `LOSTFIX_PILE` decompressed to nothing with the library that the
/// program uses (zip, flate2), in as many threads as `LOSTFIX_THREADS` says. `scripts/bench-piles` puts `lostfix read`
/// beside it.
#[test]
#[ignore = "a measurement, not a check"]
fn decompression_of_a_pile() {
    let Some(pile) = std::env::var_os("LOSTFIX_PILE") else { return println!("skipped: LOSTFIX_PILE names no folder") };
    let threads: usize = std::env::var("LOSTFIX_THREADS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    let files: Vec<_> = walkdir::WalkDir::new(pile)
        .into_iter()
        .filter_map(Result::ok)
        .filter(|e| e.file_type().is_file())
        .map(walkdir::DirEntry::into_path)
        .collect();
    let from = Instant::now();
    let (next, bytes) = (std::sync::atomic::AtomicUsize::new(0), std::sync::atomic::AtomicU64::new(0));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(path) = files.get(next.fetch_add(1, std::sync::atomic::Ordering::Relaxed)) {
                    let Ok(mut file) = std::fs::File::open(path) else { continue };
                    let n = to_nothing(&mut file, &path.to_string_lossy());
                    bytes.fetch_add(n, std::sync::atomic::Ordering::Relaxed);
                }
            });
        }
    });
    println!("decompressed {} {} {:.3}", threads, bytes.into_inner(), from.elapsed().as_secs_f64());
}
