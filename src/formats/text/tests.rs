//! Whole files through recognition and decoders. Contract: `bundles.md`; RFC 4180, RFC 3339; bad input of every kind.

use super::super::{FileContext, HEAD_BYTES, Parsed};
use super::column_map::{Column, ColumnMap, ColumnMapSpec, Target};
use super::*;
use crate::model::look::Format;
use crate::model::rows::{NO_STATION, SPAN_POSITIONS};
use crate::model::time::{parse_utc, rfc3339};
use std::collections::BTreeMap;

pub(super) fn read_with(file: &[u8], context: &FileContext, settings: &FormatSettings) -> Option<Parsed> {
    let head = &file[..file.len().min(HEAD_BYTES)];
    let mut results = [1 << 20, 997, 7].into_iter().filter(|size| file.len() / size < 200_000).map(|size| {
        let mut stream = sniff(head, context, settings)?;
        for piece in file.chunks(size) {
            stream.feed(piece);
        }
        Some(stream.finish())
    });
    let first = results.next().unwrap();
    for other in results {
        match (&first, &other) {
            (Some(a), Some(b)) => {
                assert_eq!(a.look, b.look, "the size of the pieces must not matter");
                assert!(a.rows.len() == b.rows.len());
            }
            (None, None) => {}
            _ => panic!("recognised once only"),
        }
    }
    if let Some(parsed) = &first {
        assert!(parsed.look.bytes.adds_up());
        assert_eq!(parsed.look.bytes.total, file.len() as u64);
    }
    first
}

pub(super) fn read(file: &[u8]) -> Option<Parsed> {
    read_with(file, &FileContext::default(), &FormatSettings::default())
}

fn lines_of(parsed: &Parsed) -> Vec<u64> {
    parsed.look.problems.iter().filter_map(|p| p.line).collect()
}

#[test]
fn events() {
    let file = b"time,kind,detail\r\n2026-05-04T06:00:00Z,restart,\"watchdog, no \"\"ping\"\"\"\r\n\
        2026-05-04T08:00:00+02:00,Power_Fail,\r\n2026-05-04 06:10:00,Bee sting,left foot\r\n";
    let parsed = read(file).unwrap();
    let logged = &parsed.rows.logged;
    assert_eq!(parsed.look.format, Format::Events);
    assert_eq!(logged.kind, ["restart", "power-fail", "other"]);
    assert_eq!(logged.detail, ["watchdog, no \"ping\"", "", "Bee sting: left foot"]);
    assert_eq!(logged.time[0], logged.time[1]);
    assert_eq!(parsed.look.to.as_deref(), Some("2026-05-04T06:10:00Z"));
    assert_eq!(parsed.look.counts.values().sum::<u64>(), 3);
    assert!(parsed.look.problems.is_empty());
}

#[test]
fn bad_rows_are_listed_with_their_place() {
    let file = b"time;kind;detail\n04/05/2026 06:00;restart;\n;restart;\n2026-05-04T06:00:00Z;water;in connector\n\
        1970-01-01T00:00:05Z;restart;\n2026-05-04T06:0";
    let parsed = read(file).unwrap();
    assert_eq!(parsed.rows.logged.kind, ["water"]);
    assert_eq!(lines_of(&parsed), [2, 3, 5, 6]);
    assert_eq!(parsed.look.problems[0].offset, Some(17));
    assert!(parsed.look.problems[0].what.contains("date order"));
    assert!(parsed.look.problems[2].what.contains("clock was not set"));
    assert!(parsed.look.problems[3].what.contains("cut off"));
    assert!(parsed.look.bytes.unknown > 0);
}

#[test]
fn metrics_wide_with_gaps_and_foreign_names() {
    let file = b"time,antenna_voltage_v,Fan_rpm\n2026-05-04T06:00:00Z,4.98,\n2026-05-04T06:01:00Z,nan,1200\n\
        2026-05-04T06:02:00Z,oops,1210\n";
    let parsed = read(file).unwrap();
    let metrics = &parsed.rows.metrics;
    assert_eq!(parsed.look.format, Format::Metrics);
    assert_eq!(metrics.metric, ["antenna_voltage_v", "Fan_rpm", "Fan_rpm"]);
    assert_eq!(metrics.value, [4.98, 1200.0, 1210.0]);
    assert_eq!(lines_of(&parsed), [4]);
    assert_eq!(parsed.look.bytes.decoded, file.len() as u64);
}

#[test]
fn decimal_comma_where_semicolons_separate() {
    let parsed = read(b"time;supply_voltage_v\n2026-05-04T06:00:00Z;12,7\n").unwrap();
    assert_eq!(parsed.rows.metrics.value, [12.7]);
    let parsed = read(b"time\tsupply_voltage_v\n2026-05-04T06:00:00Z\t12,7\n").unwrap();
    assert!(parsed.rows.metrics.is_empty() && lines_of(&parsed) == [2]);
}

#[test]
fn spectrum() {
    let file =
        b"time,frequency_hz,power_dbm\n2026-05-04T06:00:00Z,1575420000,-98.5\n2026-05-04T06:00:00Z,1.57543e9,-97\n\
        2026-05-04T06:00:10Z,0,-97\n2026-05-04T06:00:10Z,1575420000,-60\n";
    let parsed = read(file).unwrap();
    assert_eq!(parsed.look.format, Format::Spectrum);
    assert_eq!(parsed.rows.spectra.frequency_hz, [1_575_420_000.0, 1_575_430_000.0, 1_575_420_000.0]);
    assert_eq!(parsed.look.counts["sweeps"], 2);
    assert_eq!(lines_of(&parsed), [4]);
}

#[test]
fn a_header_written_again_is_no_row() {
    let parsed = read(
        b"# logger 3\n\ntime,kind,detail\n2026-05-04T06:00:00Z,water,\ntime,kind,detail\n2026-05-04T07:00:00Z,moved,\n",
    )
    .unwrap();
    assert_eq!(parsed.rows.logged.kind, ["water", "moved"]);
    assert!(parsed.look.problems.is_empty());
}

#[test]
fn what_is_not_ours_is_left_alone() {
    for file in [
        &b"2026-05-04T06:00:00Z,restart,no header\n"[..],
        b"time,class\n2026-05-04T10:12:00Z,X1.2\n",
        b"id,unit,site,from,to,text\nC-1,EX-14,larkfield,2026-05-04,2026-05-05,no fix\n",
        b"time,site,unit,what,note\n2026-05-04T10:12:00Z,larkfield,,new cable,\n",
        b"$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76\r\n",
        b"\x00\x01\x02time,kind,detail\n",
        b"[[unit]]\nid = \"EX-14\"\n",
        b"<html><body>",
        b"",
        b"\n\n\n",
    ] {
        assert!(read(file).is_none(), "{}", String::from_utf8_lossy(file));
    }
}

#[test]
fn hostile_files_end_in_the_ledger() {
    let start = b"time,kind,detail\n2026-05-04T06:00:00Z,water,\n".to_vec();
    let with = |tail: &[u8]| {
        let mut file = start.clone();
        file.extend_from_slice(tail);
        read(&file).unwrap()
    };
    let long = with(&[b'x'; 300_000]);
    assert!(long.look.bytes.skipped == 300_000 && long.rows.logged.len() == 1);
    let noise: Vec<u8> = (0..100_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    assert!(with(&noise).look.bytes.unknown > 0);
    let quotes = with(&b"\"\n".repeat(20_001));
    assert_eq!(quotes.rows.logged.len(), 1);
    let many = with(&b"bad row\n".repeat(1_000));
    assert!(many.look.problems.len() < 20, "problems must stay few");
    assert!(many.look.problems.iter().any(|p| p.what.contains("more like this")));
}

#[test]
fn any_cut_of_a_file_is_read_to_its_end() {
    let file = b"time,antenna_voltage_v,temperature_c\n2026-05-04T06:00:00Z,4.98,21\n2026-05-04T06:01:00Z,4.97,22.5\n";
    for cut in 0..file.len() {
        let Some(parsed) = read(&file[..cut]) else { continue };
        assert!(parsed.rows.metrics.value.iter().all(|v| *v > 2.0), "cut at {cut}");
    }
}

#[test]
fn unit_cards_and_kp_are_recognised() {
    let card =
        read(b"# card\n[unit]\nid = \"EX-14\"\nrole = \"rover\"\nsite = \"larkfield\"\n[antenna]\ngain_db = 40.0\n")
            .unwrap();
    assert_eq!(card.look.format, Format::UnitCard);
    assert_eq!((card.look.counts["unit"], card.look.counts["antenna"]), (3, 1));
    let broken = read(b"[unit]\nid = \"EX-14\"\nrole = rover\n").unwrap();
    assert_eq!(lines_of(&broken), [3]);
    let kp = read(b"#\n2026 05 04 03.0 04.50 34457.12500 34457.18750  2.667   12 0\nwhat\n").unwrap();
    assert_eq!((kp.look.format, kp.look.counts["intervals"]), (Format::Kp, 1));
    assert_eq!(lines_of(&kp), [3]);
}

fn fixes_map() -> ColumnMapSpec {
    let column = |ours: &str, theirs: &str| (ours.to_owned(), vec![Column::Name(theirs.to_owned())]);
    let columns = BTreeMap::from([
        ("time".to_owned(), vec![Column::Name("Datum".to_owned()), Column::Name("Zeit".to_owned())]),
        column("state", "Status"),
        column("lat", "Breite"),
        column("station_id", "Ref"),
        column("correction_age_s", "Alter ms"),
    ]);
    let states = [("RTK Fix", "fixed"), ("RTK Float", "float")];
    ColumnMapSpec {
        files: "*_fix.csv".to_owned(),
        skip_lines: 1,
        table: Target::Fixes,
        time_format: "%d.%m.%Y %H:%M:%S".to_owned(),
        time_zone: "Europe/Berlin".to_owned(),
        columns,
        values: BTreeMap::from([(
            "state".to_owned(),
            states.iter().map(|(t, o)| ((*t).to_owned(), (*o).to_owned())).collect(),
        )]),
        scale: BTreeMap::from([("correction_age_s".to_owned(), 0.001)]),
        ..ColumnMapSpec::default()
    }
}

fn settings(spec: ColumnMapSpec) -> FormatSettings {
    FormatSettings { column_maps: vec![Arc::new(ColumnMap::new(spec).unwrap())], ..FormatSettings::default() }
}

fn named(path: &str) -> FileContext {
    FileContext { path: path.to_owned(), ..FileContext::default() }
}

#[test]
fn a_foreign_fix_log_by_its_map() {
    let file = b"Export \"2\nDatum;Zeit;Status;Breite;Ref;Alter ms\n04.05.2026;08:00:00;RTK Fix;47,1;12;1200\n\
        04.05.2026;08:00:01;rtk float;47,1;0;1300\n04.05.2026;08:00:30;RTK Fix;97,1;12;\n04.05.2026;08:00:31;Hmm;47,1;12;1\n";
    let parsed = read_with(file, &named("logs/EX-14_FIX.csv"), &settings(fixes_map())).unwrap();
    let fixes = &parsed.rows.fixes;
    assert_eq!(fixes.state, [0, 1, 0]);
    // Central European Summer Time is two hours ahead of UTC.
    assert_eq!(rfc3339(fixes.time[0]), "2026-05-04T06:00:00Z");
    assert_eq!(fixes.lat[0], 47.1);
    assert!(fixes.lat[2].is_nan());
    assert_eq!(fixes.station_id, [12, NO_STATION, 12]);
    assert!((fixes.correction_age_s[0] - 1.2).abs() < 1e-6 && fixes.correction_age_s[2].is_nan());
    assert_eq!(parsed.rows.spans.len(), 2); // the gap of 29 s is longer than 10 s
    assert_eq!((parsed.rows.spans.kind[0], parsed.rows.spans.epochs[0]), (SPAN_POSITIONS, 2));
    assert_eq!(lines_of(&parsed), [5, 6]);
    assert!(parsed.look.problems[1].what.contains("`Hmm`"));
}

#[test]
fn the_hour_that_exists_twice_does_not_step_back() {
    // Europe/Berlin, 2026-10-25: 03:00 CEST becomes 02:00 CET.
    let file = b"x\nDatum;Zeit;Status;Breite;Ref;Alter ms\n25.10.2026;02:59:59;RTK Fix;47;1;1\n\
        25.10.2026;02:00:00;RTK Fix;47;1;1\n29.03.2026;02:30:00;RTK Fix;47;1;1\n";
    let parsed = read_with(file, &named("a_fix.csv"), &settings(fixes_map())).unwrap();
    assert_eq!(parsed.rows.fixes.time[1] - parsed.rows.fixes.time[0], 1_000);
    assert_eq!(parsed.rows.fixes.len(), 2); // 02:30 does not exist on 29 March
}

#[test]
fn a_map_that_does_not_fit_says_which_column_is_missing() {
    let settings = settings(fixes_map());
    let file = b"title\nDate;Zeit;Status\n1;2;3\n";
    assert!(read_with(file, &named("a_fix.csv"), &settings).is_none());
    let mut stream = sniff_mismatch(file, &named("a_fix.csv"), &settings).unwrap();
    stream.feed(file);
    let parsed = stream.finish();
    assert!(parsed.look.problems[0].what.contains("Alter ms") || parsed.look.problems[0].what.contains("Breite"));
    assert!(sniff_mismatch(file, &named("other.csv"), &settings).is_none());
}

#[test]
fn maps_to_the_other_tables() {
    let columns = |list: &[(&str, usize)]| {
        list.iter().map(|(n, c)| ((*n).to_owned(), vec![Column::Number(*c)])).collect::<BTreeMap<_, _>>()
    };
    let spec = ColumnMapSpec {
        files: "*.txt".to_owned(),
        separator: Some(b'|'),
        header: false,
        table: Target::Metrics,
        time_format: "unix".to_owned(),
        columns: columns(&[("time", 1), ("antenna_voltage_v", 2)]),
        scale: BTreeMap::from([("antenna_voltage_v".to_owned(), 0.001)]),
        ..ColumnMapSpec::default()
    };
    let parsed = read_with(b"1777874400|4980\n1777874460|x\n", &named("m.txt"), &settings(spec.clone())).unwrap();
    // `date -u -d @1777874400`: 2026-05-04T06:00:00Z.
    assert_eq!(parsed.rows.metrics.time, [parse_utc("2026-05-04T06:00:00Z").unwrap()]);
    assert!((parsed.rows.metrics.value[0] - 4.98).abs() < 1e-12);

    let long = ColumnMapSpec {
        columns: columns(&[("time", 1), ("metric", 2), ("value", 3)]),
        scale: BTreeMap::new(),
        ..spec.clone()
    };
    let parsed = read_with(b"1777874400|temperature_c|21\n", &named("m.txt"), &settings(long)).unwrap();
    assert_eq!(parsed.rows.metrics.metric, ["temperature_c"]);

    let events = ColumnMapSpec {
        table: Target::Events,
        columns: columns(&[("time", 1), ("kind", 2)]),
        values: BTreeMap::from([("kind".to_owned(), BTreeMap::from([("BOOT".to_owned(), "restart".to_owned())]))]),
        scale: BTreeMap::new(),
        ..spec
    };
    let parsed = read_with(b"1777874400|boot\n1777874400|zzz\n", &named("m.txt"), &settings(events)).unwrap();
    assert_eq!(parsed.rows.logged.kind, ["restart", "other"]);
}
