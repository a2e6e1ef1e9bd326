//! The whole way from bytes to rows, on real files and on hostile bytes.

use crate::formats::rtcm::crc24q;
use crate::formats::text::FormatSettings;
use crate::formats::{FileContext, HEAD_BYTES, Parsed, decoder, read};
use crate::model::clock::DateHints;
use crate::model::look::Format;
use crate::model::time::{days_from_date, parse_utc, rfc3339};
use std::io::Read;
use std::path::PathBuf;

/// Reads bytes as a file that comes in pieces of a size.
fn in_pieces(bytes: &[u8], size: usize, context: &FileContext) -> Parsed {
    let head = bytes.get(..HEAD_BYTES).unwrap_or(bytes);
    let mut stream = decoder(head, context, settings());
    for piece in bytes.chunks(size.max(1)) {
        stream.feed(piece);
    }
    stream.finish()
}

/// Making the settings costs more than reading a small file.
fn settings() -> &'static FormatSettings {
    static SETTINGS: std::sync::OnceLock<FormatSettings> = std::sync::OnceLock::new();
    SETTINGS.get_or_init(FormatSettings::default)
}

fn parsed(bytes: &[u8]) -> Parsed {
    let parsed = read(&mut &*bytes, &FileContext::default(), settings()).unwrap();
    assert!(parsed.look.bytes.adds_up(), "{:?}", parsed.look.bytes);
    assert_eq!(parsed.look.bytes.total, bytes.len() as u64);
    parsed
}

fn count(parsed: &Parsed, key: &str) -> u64 {
    parsed.look.counts.get(key).copied().unwrap_or(0)
}

fn reason(parsed: &Parsed, key: &str) -> u64 {
    parsed.look.bytes.reasons.get(key).copied().unwrap_or(0)
}

/// The folder of shared open data; `None` (with a printed line) where it is absent.
fn data() -> Option<PathBuf> {
    let own = std::env::var_os("LOSTFIX_SHARED_DATA").map(PathBuf::from);
    let beside = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let found = own.into_iter().chain([beside, PathBuf::from("/work/shared/data")]).find(|p| p.is_dir());
    if found.is_none() {
        println!("skipped: no folder of shared open data");
    }
    found
}

/// Decompressed bytes of a data file.
fn bytes_of(path: &std::path::Path) -> Vec<u8> {
    let raw = std::fs::read(path).unwrap();
    if path.extension().is_some_and(|e| e == "gz") {
        let mut bytes = Vec::new();
        flate2::read::MultiGzDecoder::new(raw.as_slice()).read_to_end(&mut bytes).unwrap();
        return bytes;
    }
    raw
}

fn sentence(body: &str) -> String {
    format!("${body}*{:02X}\r\n", body.bytes().fold(0, |a, b| a ^ b))
}

fn frame(payload: &[u8]) -> Vec<u8> {
    let mut frame = vec![0xD3, (payload.len() >> 8) as u8, payload.len() as u8];
    frame.extend(payload);
    let crc = crc24q(&frame);
    frame.extend(crc.to_be_bytes().get(1..).unwrap());
    frame
}

/// check-values 2.1 (the first and the last are widely published samples).
const WORKED: &str = "\
$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47
$GNGGA,120000.00,5130.12345678,N,00007.65432100,W,4,21,0.6,63.412,M,45.731,M,1.0,0123*75
$GNGGA,120001.00,5130.12345700,N,00007.65432000,W,5,14,0.9,63.498,M,45.731,M,12.0,0123*43
$GNGGA,120002.00,5130.12300000,N,00007.65400000,W,2,14,0.9,63.900,M,45.731,M,4.0,1023*7B
$GNGGA,120003.00,,,,,0,00,99.9,,,,,,*41
$GNGGA,235959.90,3352.12345,S,15112.54321,E,9,18,0.7,40.1,M,22.4,M,8,0402*6F
$GPGSV,3,1,10,02,35,285,45,05,62,105,49,07,18,044,38,10,08,320,33,1*68
$GPGSV,3,2,10,13,44,210,46,15,27,155,42,18,71,250,50,21,12,075,36,1*6B
$GPGSV,3,3,10,24,05,190,,30,03,010,,1*6F
$GPGSV,1,1,03,02,35,285,39,05,62,105,43,13,44,210,,6*52
$GLGSV,1,1,03,65,40,060,44,72,15,130,37,88,55,330,47,1*4E
$GAGSV,1,1,02,03,50,120,47,11,22,270,40,7*76
$GBGSV,1,1,02,19,60,200,46,25,33,080,41,1*70
$GNGSA,A,3,02,05,07,13,15,18,21,,,,,,1.1,0.6,0.9,1*32
$GNGSA,A,3,65,72,88,,,,,,,,,,1.1,0.6,0.9,2*3B
$GNRMC,120000.00,A,5130.12345678,N,00007.65432100,W,0.02,124.5,010326,,,R,V*01
$GNVTG,124.5,T,,M,0.02,N,0.04,K,R*04
$GNZDA,120000.00,01,03,2026,00,00*7F
$GNGST,120000.00,0.021,0.009,0.006,37.2,0.008,0.007,0.014*7A
$GPGLL,4916.45,N,12311.12,W,225444,A,*1D
";

#[test]
fn worked_sentences_verify_and_one_changed_character_is_caught() {
    let good = parsed(WORKED.as_bytes());
    assert_eq!((good.look.failed_checks, good.look.counts.values().sum::<u64>()), (0, 20));
    assert_eq!(good.look.bytes.unknown, 0);
    for line in WORKED.lines() {
        let star = line.find('*').unwrap();
        for i in 1..star {
            let mut bad = line.as_bytes().to_vec();
            // A changed character: another digit or letter, never '*', '$' or a control character.
            bad[i] ^= 1;
            if matches!(bad[i], b'*' | b'$') {
                continue;
            }
            let mut text = WORKED.as_bytes().to_vec();
            text.extend(&bad);
            let parsed = parsed(&text);
            assert_eq!(parsed.look.failed_checks, 1, "{}", String::from_utf8_lossy(&bad));
            assert_eq!(parsed.look.counts, good.look.counts);
            assert_eq!(reason(&parsed, "failed checksum"), line.len() as u64);
        }
    }
}

#[test]
fn a_day_of_worked_epochs() {
    let text = "\
$GNRMC,120000.00,A,5130.12345678,N,00007.65432100,W,0.02,124.5,010326,,,R,V*01
$GNGGA,120000.00,5130.12345678,N,00007.65432100,W,4,21,0.6,63.412,M,45.731,M,1.0,0123*75
$GNGST,120000.00,0.021,0.009,0.006,37.2,0.008,0.007,0.014*7A
$GPGSV,3,1,10,02,35,285,45,05,62,105,49,07,18,044,38,10,08,320,33,1*68
$GPGSV,1,1,03,02,35,285,39,05,62,105,43,13,44,210,,6*52
$GNGGA,120001.00,5130.12345700,N,00007.65432000,W,5,14,0.9,63.498,M,45.731,M,12.0,0123*43
$GNGGA,120002.00,5130.12300000,N,00007.65400000,W,2,14,0.9,63.900,M,45.731,M,4.0,1023*7B
$GNGGA,120003.00,,,,,0,00,99.9,,,,,,*41
";
    let parsed = parsed(text.as_bytes());
    let fixes = &parsed.rows.fixes;
    assert_eq!(fixes.time.iter().map(|t| rfc3339(*t)).collect::<Vec<_>>()[0], "2026-03-01T12:00:00Z");
    // Fixed, float, dgnss, none: FixState codes of the contract.
    assert_eq!(fixes.state, [0, 1, 2, 4]);
    assert_eq!(fixes.station_id, [123, 123, u16::MAX, u16::MAX]);
    assert_eq!(parsed.look.station_ids.iter().copied().collect::<Vec<_>>(), [123, 1023]);
    assert!((fixes.height_m[0] - 109.143).abs() < 1e-9); // check-values 2.2
    assert!(fixes.sigma_h_m[0] > 0.0106 && fixes.sigma_h_m[0] < 0.0107 && fixes.sigma_h_m[1].is_nan());
    assert_eq!(fixes.correction_age_s[1], 12.0);
    let age = parsed.look.correction_age_s.unwrap();
    assert_eq!((age.min, age.max), (1.0, 12.0));
    assert_eq!(parsed.rows.positions.len(), 1);
    assert_eq!((parsed.rows.spans.len(), parsed.rows.spans.epochs[0]), (1, 4));
    // G02 and G05 on both signals; their direction also on the second.
    assert_eq!(parsed.rows.signals.len(), 6);
    assert!(parsed.rows.signals.azimuth.iter().all(|a| !a.is_nan()));
    assert_eq!(parsed.look.satellites, Some(4));
    assert_eq!(parsed.look.date_from.as_deref(), Some("RMC"));
    assert!(!parsed.undated);
}

#[test]
fn dates_come_late_and_days_end() {
    let mut text = String::new();
    for time in ["235958.00", "235959.00"] {
        text += &sentence(&format!("GNGGA,{time},5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,"));
    }
    text += &sentence("GNGGA,000000.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,");
    text += &sentence("GNZDA,000000.05,02,03,2026,00,00");
    text += &sentence("GNGGA,000001.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,");
    let context = FileContext::default();
    let dated = in_pieces(text.as_bytes(), 7, &context);
    let times: Vec<_> = dated.rows.fixes.time.iter().map(|t| rfc3339(*t)).collect();
    assert_eq!(times, ["2026-03-01T23:59:58Z", "2026-03-01T23:59:59Z", "2026-03-02T00:00:00Z", "2026-03-02T00:00:01Z"]);
    assert_eq!((dated.look.date_from.as_deref(), dated.rows.spans.len()), (Some("ZDA"), 1));
    assert_eq!(dated.rows.positions.time.len(), 2); // one a minute

    let no_date: String = text.lines().filter(|l| !l.contains("ZDA")).map(|l| format!("{l}\n")).collect();
    assert!(in_pieces(no_date.as_bytes(), 100, &context).undated);
    let hints = DateHints { unit_card: days_from_date(2026, 3, 1), ..DateHints::default() };
    let card = in_pieces(no_date.as_bytes(), 100, &FileContext { hints, ..FileContext::default() });
    assert_eq!(card.rows.fixes.time, dated.rows.fixes.time);
    assert_eq!((card.look.date_from.as_deref(), card.undated), (Some("unit card"), false));
    assert_eq!(card.look.to.as_deref(), Some("2026-03-02T00:00:01Z"));
}

#[test]
fn gns_and_rmc_make_the_fix_where_gga_is_missing() {
    let text = sentence("GNGNS,235647.00,3403.47162394,N,11711.80927093,W,FFNNN,10,1.2,403.600,-32.133,1.0,0012")
        + &sentence("GPGNS,235647.00,,,,,,6,,,,1.0,0")
        + &sentence("GNRMC,235648.00,A,3403.47162869,N,11711.80928436,W,0.028,322.683,201217,12.0194,E,R")
        + &sentence("GNRMC,235649.00,V,,,,,,,201217,,,N");
    let parsed = parsed(text.as_bytes());
    assert_eq!(parsed.rows.fixes.state, [1, 0, 4]); // F float, R fixed, N none
    assert_eq!((parsed.rows.fixes.station_id[0], parsed.rows.fixes.satellites[0]), (12, 10));
    assert!((parsed.rows.fixes.height_m[0] - 371.467).abs() < 1e-9);
    assert_eq!(rfc3339(parsed.rows.fixes.time[0]), "2017-12-20T23:56:47Z");
}

#[test]
fn line_ends_prefixes_suffixes_and_blanks() {
    let body = "GNGGA,120000.00,5130.12345678,N,00007.65432100,W,4,21,0.6,63.412,M,45.731,M,1.0,0123*75";
    let bare = body.len() as u64 + 1;
    for (name, text, decoded) in [
        ("LF", format!("${body}\n"), bare + 1),
        ("CR", format!("${body}\r"), bare + 1),
        ("CR LF", format!("${body}\r\n"), bare + 2),
        ("no end", format!("${body}"), bare),
        ("blank lines", format!("\r\n\r\n${body}\r\n\n"), bare + 2),
        ("CR blank", format!("\r\r${body}\r\r"), bare + 1),
        ("prefix", format!("NMEA,${body}\n"), bare + 1),
        ("suffix", format!("${body},1699400577561\n"), bare),
        ("time stamp", format!("2026-03-01T12:00:00.1Z ${body}\n"), bare + 1),
        ("TAG block", format!("\\s:base,c:1772366400*5E\\${body}\r\n"), bare + 2),
        ("zeros", format!("\0\0\0\0${body}\r\n\0\0\0"), bare + 2),
    ] {
        let parsed = parsed(text.as_bytes());
        assert_eq!(parsed.look.bytes.unknown, 0, "{name} {:?}", parsed.look.bytes);
        assert_eq!((count(&parsed, "GGA"), parsed.look.bytes.decoded), (1, decoded), "{name} {:?}", parsed.look.bytes);
    }
    let parsed = parsed(format!("\\c:1*5E\\${body}\r\n").as_bytes());
    assert_eq!(reason(&parsed, "TAG block"), 8);
}

#[test]
fn checksums_may_be_missing_only_throughout() {
    let with = sentence("GNGGA,120000.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,");
    let without = "$GNGGA,120001.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,\r\n";
    let mixed = parsed(format!("{with}{without}{with}").as_bytes());
    assert_eq!((count(&mixed, "GGA"), reason(&mixed, "sentence without checksum")), (2, without.len() as u64));
    let never = parsed(without.repeat(3).as_bytes());
    assert_eq!((count(&never, "GGA"), never.look.bytes.decoded), (3, 3 * without.len() as u64));
    assert!(never.look.problems.iter().any(|p| p.what.contains("no checksums")));
    let later = in_pieces(format!("{}{with}{without}", without.repeat(3)).as_bytes(), 64, &FileContext::default());
    assert_eq!(count(&later, "GGA"), 1); // the head has checksums
}

#[test]
fn damaged_lines_hide_nothing() {
    let good = sentence("GNGGA,120000.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,");
    let cut = format!("$GPGSV,3,1,11,23,87,270,,13{good}");
    let parsed_cut = parsed(cut.as_bytes());
    assert_eq!((count(&parsed_cut, "GGA"), reason(&parsed_cut, "broken-off sentence")), (1, 27));
    let debug = parsed(format!("$DEBUG something happened\r\n$ 5 for it\r\n{good}").as_bytes());
    assert_eq!((count(&debug, "GGA"), reason(&debug, "text line")), (1, 39));
    let digits = parsed(format!("$GNVTG,,T,,M,0.145,N,0.269,K,A*3)\r\n{good}").as_bytes());
    assert_eq!((count(&digits, "GGA"), digits.look.failed_checks), (1, 0));
    let place = digits.look.problems.iter().find(|p| p.what.contains("hex digits")).unwrap();
    assert_eq!((place.line, place.offset), (Some(1), Some(0)));
}

/// A small payload with a message number that is assigned to companies (4095), so that no decoder looks into it.
fn filler(n: usize) -> Vec<u8> {
    let mut payload = vec![0xFF, 0xF0];
    payload.extend((0..n).map(|k| (k * 37 % 251) as u8));
    payload
}

#[test]
fn a_false_preamble_at_the_end_of_the_file_swallows_nothing() {
    // A preamble with length 1023 eleven bytes before the end, good frames and sentences behind it.
    let good = frame(&filler(40));
    let line = sentence("GNGGA,120000.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,");
    let mut bytes = good.clone();
    bytes.extend([0xD3, 0x03, 0xFF]);
    bytes.extend(&good);
    bytes.extend(line.as_bytes());
    bytes.extend([0xD3, 0x03, 0xFF]);
    bytes.extend(&good);
    bytes.extend([0xD3, 0x00]);
    for size in [1, 5, bytes.len()] {
        let parsed = in_pieces(&bytes, size, &FileContext::default());
        assert_eq!((count(&parsed, "4095"), count(&parsed, "GGA")), (3, 1), "{size}");
        assert_eq!(parsed.look.bytes.unknown, 8);
        assert_eq!(parsed.look.format, Format::NmeaRtcm3);
    }
}

#[test]
fn times_of_day_and_of_week_meet_on_one_date() {
    // Open capture with GLL, seven frames, RMC of 2022-02-08 (a Tuesday): all spans lie within seconds of each other.
    let Some(data) = data() else { return };
    let parsed = parsed(&bytes_of(&data.join("rtcm/pyrtcm/pygpsdata-MIXED-RTCM3.log")));
    assert_eq!(parsed.look.format, Format::NmeaRtcm3);
    assert_eq!(parsed.look.from.as_deref(), Some("2022-02-08T08:41:58Z"));
    assert_eq!(parsed.look.to.as_deref(), Some("2022-02-08T08:41:59.001Z"));
    assert_eq!(parsed.look.station_ids.iter().copied().collect::<Vec<_>>(), [0]);
}

#[test]
fn corrections_in_a_rovers_capture_are_kept_apart() {
    let Some(data) = data() else { return };
    let frames = bytes_of(&data.join("rtcm/pyrtcm/pygpsdata-MIXED-RTCM3.log"));
    let rover = [WORKED.as_bytes(), &frames, WORKED.as_bytes()].concat();
    let parsed = parsed(&rover);
    // GSV of the rover stay its own signals, the observables of the frames go to the base's rows.
    assert!(parsed.rows.corrections.is_empty() && parsed.received.corrections.len() >= 7);
    assert!(parsed.rows.signals.len() >= 15 && parsed.received.signals.len() == 51);
    assert!(parsed.identity.station_ids.is_empty());
}

#[test]
fn a_base_that_logs_both_counts_its_signals_once() {
    let Some(data) = data() else { return };
    let frames = bytes_of(&data.join("rtcm/pyrtcm/pygpsdata-MIXED-RTCM3.log"));
    let list: String =
        (1..=32).map(|n| sentence(&format!("GPGSV,1,1,01,{n:02},45,120,40,1"))).collect::<Vec<_>>().concat();
    let base = [&frames[..52], list.as_bytes(), &frames[52..]].concat();
    let parsed = parsed(&base);
    assert_eq!(parsed.rows.signals.len(), 51); // as without the list
    let gps: Vec<f32> = (0..51)
        .filter_map(|i| parsed.rows.signals.get(i))
        .filter(|s| s.sat >> 8 == u16::from(b'G'))
        .map(|s| s.azimuth)
        .collect();
    assert!(gps.len() == 17 && gps.iter().all(|a| *a == 120.0), "{gps:?}");
}

#[test]
fn a_frame_is_stronger_than_the_sentence_in_it() {
    // A sentence inside a frame's payload belongs to the frame.
    let mut payload = filler(0);
    payload.extend(sentence("GNGGA,120000.00,5130.1,N,00007.6,W,1,14,0.9,63.9,M,45.7,M,,").bytes());
    let parsed = parsed(&[frame(&payload), frame(&filler(5))].concat());
    assert_eq!((count(&parsed, "4095"), count(&parsed, "GGA")), (2, 0));
    assert_eq!(parsed.look.format, Format::Rtcm3);
}

#[test]
fn tiny_empty_and_wide_texts_are_foreign() {
    for bytes in [&b""[..], b"$", b"\xD3\0", b"abc", b"PK\x03\x04 not for here", b"hello\nworld\n"] {
        let parsed = parsed(bytes);
        assert_eq!((parsed.look.format, parsed.look.bytes.unknown), (Format::Foreign, bytes.len() as u64));
        assert_eq!(parsed.look.problems.len(), 1);
    }
    let wide: Vec<u8> = WORKED.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let foreign = parsed(&[&[0xFF, 0xFE], wide.as_slice()].concat());
    assert_eq!(foreign.look.format, Format::Foreign);
    assert!(foreign.look.problems[0].what.contains("UTF-16"));
    assert_eq!(parsed(&wide).look.format, Format::Foreign);
}

fn noise(n: usize, mut seed: u32) -> Vec<u8> {
    (0..n)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (seed >> 24) as u8
        })
        .collect()
}

#[test]
fn pieces_of_any_size_give_the_same() {
    let mut bytes = Vec::new();
    for (i, line) in WORKED.lines().enumerate() {
        bytes.extend(noise(i * 3, i as u32));
        bytes.extend(line.bytes());
        bytes.extend([b"\r\n".as_slice(), b"\n", b"\r", b"", b"\r\n\r\n"][i % 5]);
        bytes.extend(frame(&filler(i * 7)));
        bytes.extend([0xD3, 0x01].iter().take(i % 3));
        bytes.extend(b"$GPGGA,1234".iter().take(i));
        bytes.extend(b"!AIVDM,1".iter().take(i % 9));
    }
    let whole = format!("{:?}", in_pieces(&bytes, usize::MAX, &FileContext::default()));
    for size in [1, 2, 3, 7, 64, 1_000, 65_536] {
        assert_eq!(format!("{:?}", in_pieces(&bytes, size, &FileContext::default())), whole, "{size}");
    }
    assert!(whole.contains("NmeaRtcm3"));
}

#[test]
fn cut_at_every_byte_the_ledger_adds_up() {
    let bytes = match data() {
        Some(data) => bytes_of(&data.join("rtcm/pyrtcm/pygpsdata-MIXED-RTCM3.log")),
        None => [WORKED.as_bytes(), &frame(&filler(100)), WORKED.as_bytes()].concat(),
    };
    for n in 0..=bytes.len() {
        parsed(bytes.get(..n).unwrap());
        let tail = bytes.get(n..).unwrap();
        assert!(in_pieces(tail, 100, &FileContext::default()).look.bytes.adds_up());
    }
}

#[test]
fn noise_of_all_kinds_adds_up() {
    for seed in 0..40 {
        let mut bytes = noise(3_000, seed);
        // Few different bytes, those that begin and end records among them.
        let alphabet = b"\xD3\0\x03$!*\r\n,GPA0\\";
        for b in bytes.iter_mut().skip(500) {
            *b = alphabet[usize::from(*b) % alphabet.len()];
        }
        bytes.extend(WORKED.bytes());
        let a = parsed(&bytes);
        let b = in_pieces(&bytes, 13, &FileContext::default());
        assert_eq!(format!("{a:?}"), format!("{b:?}"));
        assert!(a.look.counts.values().sum::<u64>() >= 19); // the first line may be spoilt by what stands before it
    }
}

#[test]
fn many_beginnings_in_one_long_text_still_find_the_sentence() {
    // The checksum is the XOR of all between `!` and `*` (IEC 61162-1), here from the first beginning that is near enough.
    let text = format!("{}1", "!AIVDM,".repeat(400));
    let first = (0..400).map(|n| n * 7).find(|at| text.len() - at - 1 < super::scan::SENTENCE_MAX).unwrap();
    let sum = text.bytes().skip(first + 1).fold(0, |a, b| a ^ b);
    let start = sentence("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,");
    for (written, good) in [(sum, 1), (sum ^ 1, 0)] {
        let bytes = format!("{start}{text}*{written:02X}\r\n").into_bytes();
        for size in [1, 7, 999, 5_000] {
            let parsed = in_pieces(&bytes, size, &FileContext::default());
            assert_eq!((count(&parsed, "VDM"), parsed.look.failed_checks), (good, 1 - good), "pieces of {size}");
            assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.total == bytes.len() as u64);
        }
    }
}

#[test]
fn a_long_line_needs_no_memory() {
    let mut stream = decoder(WORKED.as_bytes(), &FileContext::default(), settings());
    stream.feed(WORKED.as_bytes());
    let piece = vec![b'x'; 1 << 20];
    for _ in 0..8 {
        stream.feed(&piece);
    }
    stream.feed(b"\n");
    let parsed = stream.finish();
    assert_eq!(reason(&parsed, "text line"), (8 << 20) + 1);
}

#[test]
fn reference_counts_of_real_logs() {
    // Reference values: pynmeagps 1.1.8 and raw fields, one JSON a file under /work/shared/data/reference/nmea.
    let Some(data) = data() else { return };
    let mut files = 0;
    let mut folders: Vec<_> =
        std::fs::read_dir(data.join("reference/nmea")).unwrap().map(|e| e.unwrap().path()).collect();
    folders.sort();
    for folder in folders {
        let mut list: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        list.sort();
        for path in list {
            let json: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
            let name = json["file"].as_str().unwrap();
            let bytes = bytes_of(&data.join(name));
            let parsed = parsed(&bytes);
            compare(name, &json, &parsed);
            let pieces = in_pieces(&bytes, 7, &FileContext::default());
            let whole = in_pieces(&bytes, 65_536, &FileContext::default());
            assert_eq!(format!("{pieces:?}"), format!("{whole:?}"), "{name}");
            files += 1;
        }
    }
    assert!(files >= 30, "{files} files");
}

fn compare(name: &str, json: &serde_json::Value, parsed: &Parsed) {
    let look = &parsed.look;
    let numbers = |v: &serde_json::Value| -> std::collections::BTreeMap<String, u64> {
        v.as_object().into_iter().flatten().map(|(k, n)| (k.clone(), n.as_u64().unwrap())).collect()
    };
    let bad = json["bad_checksums"].as_u64().unwrap();
    let mut expected = numbers(&json["sentence_counts"]);
    println!("{name}: {} sentences, {bad} bad; skipped {:?}", expected.values().sum::<u64>(), look.bytes.reasons);
    assert_eq!(look.failed_checks, bad, "{name}");
    if name.ends_with("nmea_no_checksum.nmea") {
        // The reference knows no sentence without checksum; the file has none with one, so here they are read.
        expected = [("GGA".to_owned(), 2), ("RMC".to_owned(), 2)].into();
    }
    if bad == 0 {
        assert_eq!(look.counts, expected, "{name}");
    } else {
        // The reference counts types of damaged sentences too; here only good ones count.
        assert_eq!(look.counts.values().sum::<u64>() + bad, expected.values().sum::<u64>(), "{name}");
        assert!(look.counts.iter().all(|(k, n)| n <= expected.get(k).unwrap()), "{name}");
    }
    let gga = &json["gga"];
    if gga.is_null() || name.ends_with("nmea_no_checksum.nmea") {
        return;
    }
    assert_eq!(look.qualities, numbers(&gga["quality_counts"]), "{name}");
    match look.correction_age_s {
        Some(age) => {
            for (key, value) in [("age_min", age.min), ("age_max", age.max), ("age_mean", age.mean)] {
                let expected = gga[key].as_f64().unwrap();
                assert!((value - expected).abs() < 6e-4, "{name} {key} {value} {expected}");
            }
        }
        None => assert!(gga["age_min"].is_null(), "{name}"),
    }
    let stations: Vec<u16> = numbers(&gga["station_ids"]).keys().filter_map(|k| k.parse().ok()).collect();
    assert_eq!(look.station_ids.iter().copied().collect::<Vec<_>>(), stations, "{name}");
    let dates = numbers(&json["rmc_dates"]);
    if let Some(from) = &look.from
        && dates.len() == 1
    {
        let date = dates.keys().next().unwrap();
        let expected = format!("20{}-{}-{}", &date[4..6], &date[2..4], &date[..2]);
        assert_eq!(&from[..10], expected, "{name}");
    }
}

#[test]
fn cn0_of_real_satellite_lists() {
    // Mean C/N0 and counts by talker and signal id, reference as above, put together by RINEX signal.
    let Some(data) = data() else { return };
    for (name, key, signal) in [
        ("gnss-ir-nz/25052005.LOG.gz", "GA:7", "E1X"),
        ("gnss-ir-nz/25052005.LOG.gz", "GB:1", "C2I"),
        ("gnss-ir-nz/25052005.LOG.gz", "GL:1", "R1C"),
        ("gpsd/all-standard-sentences.log", "GP:6", "G2L"),
        ("gpsd/all-standard-sentences.log", "GL:3", "R2C"),
        ("gpsd/all-standard-sentences.log", "GA:2", "E7X"),
        ("gpsd/gsv-with-and-without-signal-id.log", "GA:1", "E5X"),
        ("gpsd/gsv-with-and-without-signal-id.log", "GP:8", "G5Q"),
        ("gpsd/gsv-with-and-without-signal-id.log", "QZ:8", "J5Q"),
    ] {
        let json = data.join(format!("reference/nmea/{name}.json"));
        let json: serde_json::Value = serde_json::from_slice(&std::fs::read(json).unwrap()).unwrap();
        let parsed = parsed(&bytes_of(&data.join("nmea").join(name)));
        let found = parsed.look.signals.iter().find(|s| s.signal == signal).unwrap();
        let expected = &json["gsv_cn0"][key];
        println!("{name} {signal}: {} cells, mean {:?}", found.observations, found.cn0_mean_dbhz);
        assert_eq!(found.observations, expected["n_with_snr"].as_u64().unwrap(), "{name} {signal}");
        assert!(
            (found.cn0_mean_dbhz.unwrap() - expected["mean_snr"].as_f64().unwrap()).abs() < 6e-4,
            "{name} {signal}"
        );
    }
}

#[test]
fn frames_of_real_streams_are_all_found() {
    // Reference: own CRC-24Q byte scanner and pyrtcm 1.2.1, one JSON a file under /work/shared/data/reference/rtcm.
    let Some(data) = data() else { return };
    for folder in ["pyrtcm", "pyrtcm-pprint", "asv-gnss", "gpsd"] {
        let mut list: Vec<_> =
            std::fs::read_dir(data.join("reference/rtcm").join(folder)).unwrap().map(|e| e.unwrap().path()).collect();
        list.sort();
        for path in list {
            let json: serde_json::Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
            let name = json["file"].as_str().unwrap();
            let parsed = parsed(&bytes_of(&data.join(name)));
            let frames: u64 = parsed.look.counts.iter().filter(|(k, _)| k.parse::<u16>().is_ok()).map(|(_, n)| n).sum();
            println!("{name}: {frames} frames, {} failed, {:?}", parsed.look.failed_checks, parsed.look.bytes);
            assert_eq!(frames, json["frames_crc_ok"].as_u64().unwrap(), "{name}");
            assert_eq!(parsed.look.failed_checks, json["crc_failures_at_candidates"].as_u64().unwrap(), "{name}");
        }
    }
}

#[test]
fn positions_agree_with_a_general_library() {
    // Oracle: the `nmea` crate 0.8 (open, general purpose) on GGA and RMC of real logs.
    let Some(data) = data() else { return };
    let mut compared = 0;
    for name in
        ["nmea-parser-logger/gga_autonomous_half_open_area.txt", "aerorust-nmea/nmea1.log", "gpsd/beidou-gb.log"]
    {
        let bytes = bytes_of(&data.join("nmea").join(name));
        let parsed = parsed(&bytes);
        let mut rows = parsed.rows.fixes.time.iter().enumerate();
        for line in String::from_utf8_lossy(&bytes).lines().filter(|l| l.get(3..6) == Some("GGA")) {
            let Ok(nmea::ParseResult::GGA(gga)) = nmea::parse_str(line) else { continue };
            let (Some(time), Some(lat), Some(lon)) = (gga.fix_time, gga.latitude, gga.longitude) else { continue };
            let of_day = i64::from(chrono::Timelike::num_seconds_from_midnight(&time)) * 1_000
                + i64::from(chrono::Timelike::nanosecond(&time) / 1_000_000);
            let (i, _) = rows.find(|(_, t)| t.rem_euclid(86_400_000) == of_day).unwrap();
            let fix = parsed.rows.fixes.get(i).unwrap();
            assert!((fix.lat - lat).abs() < 1e-9 && (fix.lon - lon).abs() < 1e-9, "{line}");
            assert_eq!(Some(u32::from(fix.satellites)), gga.fix_satellites, "{line}");
            if let (Some(altitude), Some(separation)) = (gga.altitude, gga.geoid_separation) {
                // The library keeps them in single precision.
                assert!((fix.height_m - f64::from(altitude) - f64::from(separation)).abs() < 1e-3, "{line}");
            }
            compared += 1;
        }
        for line in String::from_utf8_lossy(&bytes).lines().filter(|l| l.get(3..6) == Some("RMC")) {
            let Ok(nmea::ParseResult::RMC(rmc)) = nmea::parse_str(line) else { continue };
            let (Some(date), Some(time), Some(_)) = (rmc.fix_date, rmc.fix_time, rmc.lat) else { continue };
            let at = parse_utc(&format!("{date} {time}")).unwrap();
            assert!(parsed.rows.fixes.time.contains(&at), "{line}");
            compared += 1;
        }
    }
    println!("{compared} sentences compared");
    assert!(compared > 2_500);
}

/// Found by fuzzing: an address with a comma in it passed for GGA where the whole sentence lay in the buffer, and for none of ours
/// where it came in pieces. NMEA 0183: the talker is two characters.
#[test]
fn a_comma_in_the_address_is_no_gga() {
    let fields = "062211.00,5112.549654,N,01024.965725,E,1,31,0.4,424.642,M,19.712,M,,";
    let text = sentence(&format!("GPGGA,{fields}")) + &sentence(&format!("N,GGA,{fields}").replace("062211", "062212"));
    let whole = parsed(text.as_bytes());
    assert_eq!(count(&whole, "GGA"), 1, "{:?}", whole.look.counts);
    let pieces = in_pieces(text.as_bytes(), 1, &FileContext::default());
    assert_eq!(whole.look.counts, pieces.look.counts);
    assert_eq!(format!("{:?}", whole.rows), format!("{:?}", pieces.rows));
}
