//! Every file inside every sample bundle, 200 cuts and 1,000 flips each, through the decoders as `look` and `report` call them.
//!
//! A cut or flip is drawn over the whole file; of files longer than `WHOLE` only the records around the place are decoded
//! (6 kB before a cut, 3 kB to each side of a flip, from one record to another, with the head line of a table): decoding
//! megabytes 1,200 times for one byte shows no more. The ignored test of `report.rs` reads whole (shortened) files.

use crate::damage::{Damage, Dice, EXTENSIONS, damages, renamed};
use crate::pile::{Bundle, Inside, bundles, frames};
use crate::thinned;
use lostfix::formats::text::FormatSettings;
use lostfix::formats::{self, FileContext, Parsed};
use lostfix::model::clock::DateHints;
use lostfix::model::look::Format;
use lostfix::model::time::date_in_name;
use rayon::prelude::*;
use std::panic::{AssertUnwindSafe, catch_unwind};

const WHOLE: usize = 8_000;
const AROUND: usize = 3_000;

fn read(path: &str, inside: &Inside, data: &[u8]) -> Parsed {
    let hints = DateHints { unit_card: None, member_time: inside.time, file_name: date_in_name(path), now: None };
    let context = FileContext { path: path.to_owned(), hints };
    formats::read(&mut &*data, &context, &FormatSettings::default()).unwrap()
}

/// Where records begin.
fn starts(inside: &Inside) -> Vec<usize> {
    if inside.data.first() == Some(&0xD3) {
        return frames(&inside.data);
    }
    let ends = inside.data.iter().enumerate().filter(|(_, b)| **b == b'\n').map(|(i, _)| i + 1);
    std::iter::once(0).chain(ends.filter(|e| *e < inside.data.len())).collect()
}

/// The piece of the file around a place: its bytes, and where the place is in it.
fn piece(inside: &Inside, starts: &[usize], at: usize, before: usize, after: usize) -> (Vec<u8>, usize) {
    if inside.data.len() <= WHOLE {
        return (inside.data.clone(), at);
    }
    let floor = |x: usize| starts[starts.partition_point(|s| *s <= x).saturating_sub(1)];
    let from = floor(at.saturating_sub(before));
    let to = starts.get(starts.partition_point(|s| *s < at + after)).copied().unwrap_or(inside.data.len());
    // A table says in its first line what its columns are.
    let head = if inside.path.ends_with(".csv") && from > 0 { &inside.data[..starts[1]] } else { &[] };
    ([head, &inside.data[from..to]].concat(), head.len() + at - from)
}

fn left_over(p: &Parsed) -> (u64, u64, usize) {
    (p.look.failed_checks, p.look.bytes.skipped + p.look.bytes.unknown, p.look.problems.len())
}

/// What is wrong with the outcome of one damage, if anything.
fn fault(inside: &Inside, starts: &[usize], framed: bool, damage: Damage) -> Option<String> {
    let (clean, damaged) = match damage {
        Damage::Cut(at) => {
            let (data, place) = piece(inside, starts, at, 2 * AROUND, 0);
            // The piece ends where a record begins: between two records nothing is broken, the file only ends earlier.
            let last = if place == data.len() { place } else { floor_of(&data, inside, place) };
            (data[..last].to_vec(), data[..place].to_vec())
        }
        Damage::Flip(at, by) => {
            let (data, place) = piece(inside, starts, at, AROUND, AROUND);
            let damaged = Damage::Flip(place, by).of(&data);
            (data, damaged)
        }
        Damage::Flips(..) => {
            let whole = &inside.data[..inside.data.len().min(200_000)];
            (whole.to_vec(), damage.of(whole))
        }
    };
    let parsed = match catch_unwind(AssertUnwindSafe(|| read(&inside.path, inside, &damaged))) {
        Ok(parsed) => parsed,
        Err(_) => return Some("panic".to_owned()),
    };
    if !parsed.look.bytes.adds_up() || parsed.look.bytes.total != damaged.len() as u64 {
        return Some(format!("the ledger does not add up to {}: {:?}", damaged.len(), parsed.look.bytes));
    }
    // The samples have neither of these, so the damage made them.
    if parsed.look.failed_checks > 0 || parsed.look.bytes.unknown > 0 {
        return None;
    }
    // Only sentences and frames carry a check; a changed letter of a table or a card cannot be seen by anybody.
    if !framed {
        return None;
    }
    let before = read(&inside.path, inside, &clean);
    let (a, b) = (left_over(&before), left_over(&parsed));
    let listed = b.0 > a.0 || b.1 > a.1 || b.2 > a.2;
    // Hexadecimal digits of a checksum may be small letters, and a last sentence needs no line end.
    let harmless = || {
        format!("{:?}", parsed.rows) == format!("{:?}", before.rows)
            || (matches!(damage, Damage::Cut(_)) && ends_with_checksum(&damaged))
    };
    (!listed && !harmless()).then(|| format!("not listed: {a:?} before, {b:?} after"))
}

/// The last record boundary at or before a place of a piece.
fn floor_of(data: &[u8], inside: &Inside, place: usize) -> usize {
    let part = Inside { data: data.to_vec(), ..inside.clone() };
    let all = starts(&part);
    all.iter().copied().filter(|s| *s <= place).max().unwrap_or(0)
}

fn ends_with_checksum(data: &[u8]) -> bool {
    // Between two sentences nothing is broken: the file only ends earlier.
    let text = data.strip_suffix(b"\n").unwrap_or(data);
    let text = text.strip_suffix(b"\r").unwrap_or(text);
    text.len() > 3 && text[text.len() - 3] == b'*' && text[text.len() - 2..].iter().all(u8::is_ascii_hexdigit)
}

fn all() -> Vec<(String, Inside)> {
    let list: Vec<Bundle> = bundles();
    let files: Vec<(String, Inside)> = list
        .into_iter()
        .flat_map(|b| b.files.into_iter().map(move |f| (format!("{}!/{}", b.path, f.path), f)))
        .collect();
    assert!(files.len() > 60, "only {} files", files.len());
    files
}

#[test]
fn cut_or_flipped_files_are_listed_and_never_panic() {
    let files = all();
    let faults: Vec<String> = files
        .par_iter()
        .flat_map_iter(|(name, inside)| {
            let starts = starts(inside);
            let clean = read(&inside.path, inside, &inside.data);
            let framed = matches!(clean.look.format, Format::Nmea | Format::Rtcm3);
            let broken = name.contains("broken_download");
            assert!(
                !framed || broken || (clean.look.failed_checks, clean.look.bytes.unknown) == (0, 0),
                "{name} is not clean"
            );
            damages(name, inside.data.len(), 200 / thinned(), 1_000 / thinned())
                .into_iter()
                .filter_map(|d| fault(inside, &starts, framed, d).map(|why| format!("{name} {d:?}: {why}")))
                .collect::<Vec<_>>()
        })
        .collect();
    println!("{} files, {} damages each", files.len(), 1 + (200 + 1_000) / thinned());
    assert!(faults.is_empty(), "{} faults, first: {:#?}", faults.len(), &faults[..faults.len().min(8)]);
}

#[test]
fn any_name_gives_the_same_content() {
    // Content decides, never the name; only the date in a name and the name unit.toml mean something.
    for (name, inside) in all() {
        let small = Inside { data: inside.data[..inside.data.len().min(60_000)].to_vec(), ..inside.clone() };
        let before = read(&small.path, &small, &small.data);
        let mut dice = Dice::of(&name, 2);
        for _ in 0..EXTENSIONS.len() / thinned().min(6) {
            let other = renamed(&small.path, EXTENSIONS[dice.below(EXTENSIONS.len())]);
            let after = read(&other, &small, &small.data);
            assert!(after.look.bytes.adds_up(), "{name} as {other}");
            if small.path.ends_with("unit.toml") {
                continue;
            }
            assert_eq!(before.look.format, after.look.format, "{name} as {other}");
            assert_eq!(format!("{:?}", before.rows), format!("{:?}", after.rows), "{name} as {other}");
        }
    }
}
