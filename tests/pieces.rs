//! Rows given out early (`formats::piece`) are the rows that a file gives when it is read to its end, whenever they are taken.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use lostfix::crawl::{self, Limits, MemberDone};
use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext, Parsed};
use lostfix::model::clock::DateHints;
use lostfix::model::look::Format;
use lostfix::model::packed::TABLES;
use lostfix::model::rows::Rows;
use std::path::Path;

/// The files of the sample bundles, unpacked.
fn files() -> Vec<(String, Vec<u8>)> {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-bundles");
    let mut out = Vec::new();
    for bundle in crawl::find(&[samples], &Limits::default()).bundles {
        crawl::open(&bundle, &Limits::default(), &mut |member| {
            let mut bytes = Vec::new();
            let _ = member.reader.read_to_end(&mut bytes);
            out.push((format!("{}!/{}", bundle.path, member.path), bytes));
            MemberDone::Read
        });
    }
    out
}

/// Reads bytes in chunks and takes a piece behind each of them; `None`: at no time.
fn read(bytes: &[u8], pieces_of: Option<usize>) -> Parsed {
    // A wrong date to begin with, so that rows move when the right one comes.
    let hints = DateHints { file_name: Some(15_000), ..DateHints::default() };
    let context = FileContext { path: "a".to_owned(), hints };
    let head = bytes.get(..formats::HEAD_BYTES).unwrap_or(bytes);
    let Some(mut stream) = formats::recognise(head, &context, &FormatSettings::default()) else {
        return Parsed::default();
    };
    let mut pieces = Vec::new();
    for chunk in bytes.chunks(pieces_of.unwrap_or(usize::MAX)) {
        stream.feed(chunk);
        if pieces_of.is_some() {
            pieces.push(stream.piece());
        }
    }
    let mut parsed = stream.finish();
    let mut rows = Rows::default();
    pieces.into_iter().for_each(|piece| rows.append(parsed.settle.rows(piece)));
    rows.append(std::mem::take(&mut parsed.rows));
    parsed.rows = rows;
    parsed
}

/// The rows of a table as words, in the order of the words: pieces of lists and of observables alternate.
fn words(rows: &mut Rows, table: &str) -> Vec<String> {
    macro_rules! words {
        ($table:expr) => {
            (0..$table.len()).map(|i| format!("{:?}", $table.get(i))).collect::<Vec<String>>()
        };
    }
    let mut out = match table {
        "fixes" => words!(rows.fixes),
        "corrections" => words!(rows.corrections),
        "positions" => words!(rows.positions),
        "descriptions" => words!(rows.descriptions),
        "signals" => words!(rows.signals),
        "bands" => words!(rows.bands),
        "systems" => words!(rows.systems),
        "metrics" => words!(rows.metrics),
        "spectra" => words!(rows.spectra),
        "logged" => words!(rows.logged),
        "spans" => words!(rows.spans),
        other => panic!("{other}"),
    };
    out.sort_unstable();
    out
}

fn same(name: &str, bytes: &[u8]) -> usize {
    let mut whole = read(bytes, None);
    for size in [40_000, 333_333] {
        let mut cut = read(bytes, Some(size));
        for table in TABLES {
            let (a, b) = (words(&mut whole.rows, table), words(&mut cut.rows, table));
            let differs = a.iter().zip(&b).find(|(a, b)| a != b);
            assert!(a == b, "{name} {table}: {} and {} rows, {differs:?}", a.len(), b.len());
        }
        assert_eq!((whole.span, whole.undated), (cut.span, cut.undated), "{name}");
        assert_eq!(serde_json::to_value(&whole.look).unwrap(), serde_json::to_value(&cut.look).unwrap(), "{name}");
        assert_eq!(whole.identity, cut.identity, "{name}");
    }
    whole.rows.len()
}

#[test]
fn pieces_of_every_sample_are_the_whole() {
    let mut rows = 0;
    for (name, bytes) in files() {
        rows += same(&name, &bytes);
    }
    assert!(rows > 100_000, "{rows}");
}

/// Time of day of a sentence that has one, s.
fn second_of(line: &[u8]) -> Option<f64> {
    let text = std::str::from_utf8(line).ok()?;
    let kind = text.get(3..6)?;
    let time = text.split(',').nth(1)?;
    let n = |range: std::ops::Range<usize>| time.get(range)?.parse::<f64>().ok();
    if !["GGA", "RMC", "GST", "ZDA"].contains(&kind) {
        return None;
    }
    Some(n(0..2)? * 3600.0 + n(2..4)? * 60.0 + time.get(4..)?.parse::<f64>().ok()?)
}

/// Frames with the time of day of the last GPS observables, s.
fn frames(bytes: &[u8]) -> Vec<(f64, &[u8])> {
    let (mut out, mut at, mut now) = (Vec::new(), 0, f64::NAN);
    while let [0xD3, a, b, ..] = bytes.get(at..).unwrap_or_default() {
        let length = (usize::from(a & 3) << 8 | usize::from(*b)) + 6;
        let Some(frame) = bytes.get(at..at + length) else { break };
        let number = u16::from(frame[3]) << 4 | u16::from(frame[4]) >> 4;
        if (1071..=1077).contains(&number) {
            let of_week_ms = u32::from_be_bytes([frame[6], frame[7], frame[8], frame[9]]) >> 2;
            now = (f64::from(of_week_ms) / 1000.0 - 18.0).rem_euclid(86_400.0);
        }
        out.push((now, frame));
        at += length;
    }
    out
}

/// A capture of both by time; `fixed`: the sentences say that the unit uses corrections, and only in their second half.
fn capture(sentences: &[u8], stream: &[u8], fixed: bool) -> Vec<u8> {
    let lines: Vec<&[u8]> = sentences.split_inclusive(|b| *b == b'\n').collect();
    let (mut out, mut frames) = (Vec::new(), frames(stream).into_iter().peekable());
    for (i, line) in lines.iter().enumerate() {
        if let Some(now) = second_of(line) {
            while let Some((_, frame)) = frames.next_if(|f| f.0.is_nan() || f.0 <= now) {
                out.extend_from_slice(frame);
            }
        }
        let text = std::str::from_utf8(line).unwrap().trim_end();
        let body = text.trim_start_matches('$').split('*').next().unwrap_or_default();
        let mut fields: Vec<&str> = body.split(',').collect();
        if fields[0].ends_with("GGA") && (!fixed || 2 * i < lines.len()) {
            fields[6] = "1";
        }
        let body = fields.join(",");
        out.extend_from_slice(format!("${body}*{:02X}\r\n", body.bytes().fold(0, |x, b| x ^ b)).as_bytes());
    }
    out
}

#[test]
fn pieces_of_a_capture_of_sentences_and_frames_are_the_whole() {
    let files = files();
    let of = |ends: &str, unit: &str| {
        let found = files.iter().find(|(name, _)| name.contains(unit) && name.ends_with(ends));
        &found.unwrap_or_else(|| panic!("{ends} {unit}: {:?}", files.iter().map(|f| &f.0).collect::<Vec<_>>())).1
    };
    let (sentences, stream) = (of("nmea.gz", "ST02-DZ1"), of("rtcm3", "ST02-BASE"));
    for fixed in [false, true] {
        let bytes = capture(sentences, stream, fixed);
        let mut parsed = read(&bytes, None);
        assert_eq!(parsed.look.format, Format::NmeaRtcm3);
        assert!(parsed.look.counts.contains_key("GSV"), "{:?}", parsed.look.counts);
        assert_eq!(parsed.received.is_empty(), !fixed);
        assert!(words(&mut parsed.rows, "signals").len() > 1_000);
        assert!(same(&format!("capture, fixed: {fixed}"), &bytes) > 10_000);
    }
}
