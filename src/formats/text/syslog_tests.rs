//! RFC 5424 section 6.5 and RFC 3164 section 5.4 examples, a real host log where it is present, odd clocks.

use super::super::tests::{read, read_with};
use super::*;
use crate::model::time::{parse_utc, rfc3339};

fn utc(text: &str) -> UtcMs {
    parse_utc(text).unwrap()
}

#[test]
fn the_examples_of_rfc_5424() {
    // RFC 5424 section 6.5, examples 1, 2 and 4; example 1 has a byte order mark before the text.
    let one = "<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - \u{feff}'su root' failed for lonvick on /dev/pts/8";
    let got = message(one.as_bytes()).unwrap();
    assert_eq!(got.stamp, Stamp::Full(utc("2003-10-11T22:14:15.003Z")));
    assert_eq!((got.program, got.text), (&b"su"[..], &b"'su root' failed for lonvick on /dev/pts/8"[..]));
    let two = b"<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.";
    assert_eq!(message(two).unwrap().stamp, Stamp::Full(utc("2003-08-24T12:14:15Z")));
    let four = b"<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 [exampleSDID@32473 iut=\"3\" eventSource=\"Application\" eventID=\"1011\"][examplePriority@32473 class=\"high\"]";
    let got = message(four).unwrap();
    assert!(got.new_style && got.text.is_empty() && got.program == b"evntslog");
    // Section 6.3.3: escapes inside a parameter's value.
    assert_eq!(structured(br#"[a b="\"\\\]"] text"#), Some(&b" text"[..]));
    assert!(message(b"<192>1 2003-10-11T22:14:15Z h a - - - x").is_none()); // priority beyond 191
}

#[test]
fn the_examples_of_rfc_3164() {
    // RFC 3164 section 5.4, examples 1 and 2.
    let got = message(b"<34>Oct 11 22:14:15 mymachine su: 'su root' failed for lonvick on /dev/pts/8").unwrap();
    assert_eq!(got.stamp, Stamp::NoYear(10, 11, (22 * 3600 + 14 * 60 + 15) * 1000));
    assert_eq!((got.program, got.text), (&b"su"[..], &b"'su root' failed for lonvick on /dev/pts/8"[..]));
    assert!(message(b"Use the BFG!").is_none());
    let got = message(b"Feb  5 17:32:18 10.0.0.99 syslogd 1.4.1: restart.").unwrap();
    assert_eq!(got.program, b"syslogd 1.4.1");
}

#[test]
fn keyword_rules_make_events_and_the_year_comes_from_the_hints() {
    let file = b"<30>Dec 31 23:59:00 base1 pwr[12]: Power failure detected\n<30>Dec 31 23:59:30 base1 cron[3]: tick\n\
        <30>Jan  1 00:04:00 base1 kernel: Linux version 6.1.0\n";
    let hints = DateHints { member_time: Some(utc("2026-01-01T08:00:00Z")), ..DateHints::default() };
    let context = FileContext { hints, ..FileContext::default() };
    let parsed = read_with(file, &context, &FormatSettings::default()).unwrap();
    assert_eq!(parsed.rows.logged.kind, ["power-fail", "restart"]);
    assert_eq!(rfc3339(parsed.rows.logged.time[0]), "2025-12-31T23:59:00Z");
    assert_eq!(rfc3339(parsed.rows.logged.time[1]), "2026-01-01T00:04:00Z");
    assert_eq!(parsed.look.counts["rfc3164"], 3);
    assert!(parsed.look.date_from.unwrap().contains("zip member time"));
    assert!(!parsed.undated);
}

#[test]
fn without_any_year_the_rows_are_undated() {
    let parsed = read(b"May  4 06:00:00 base1 pwr: power failure\n").unwrap();
    assert!(parsed.undated && parsed.span.is_none() && parsed.look.from.is_none());
    assert_eq!(parsed.look.problems.len(), 1);
}

#[test]
fn daemon_files_with_a_full_time() {
    let file = b"2026-05-04T08:00:00.123+02:00 base1 gnssd[44]: antenna status: OPEN\nMay 04 2026 06:00:01 base1 app: radio disabled\n\
        \tat line 7\nnoise without a stamp\n";
    let parsed = read(file).unwrap();
    assert_eq!(parsed.rows.logged.kind, ["antenna-open", "radio-off"]);
    assert_eq!(rfc3339(parsed.rows.logged.time[0]), "2026-05-04T06:00:00.123Z");
    assert_eq!(parsed.look.problems[0].line, Some(4));
    assert!(parsed.look.bytes.skipped == 11 && parsed.look.bytes.unknown == 22);
}

#[test]
fn a_start_with_an_unset_clock_gets_the_next_time() {
    let file = b"<30>1 1970-01-01T00:00:04Z base1 kernel - - - Linux version 6.1.0\n<30>1 2026-05-04T06:00:00Z base1 ntp - - - clock set\n";
    let parsed = read(file).unwrap();
    assert_eq!(rfc3339(parsed.rows.logged.time[0]), "2026-05-04T06:00:00Z");
    let file =
        b"May  4 05:00:00 b cron: x\nJan  1 00:00:04 b kernel: Linux version 6.1.0\nMay  4 06:00:00 b ntp: clock set\n";
    let hints = DateHints { file_name: Some(utc("2026-05-04").div_euclid(DAY_MS)), ..DateHints::default() };
    let parsed = read_with(file, &FileContext { hints, ..FileContext::default() }, &FormatSettings::default()).unwrap();
    assert_eq!(rfc3339(parsed.rows.logged.time[0]), "2026-05-04T06:00:00Z");
}

#[test]
fn a_real_host_log() {
    // Open data, MANIFEST.md syslog/Linux_2k.log; the counts are those of the reference JSON (own line reader) and of grep.
    let root = std::env::var("LOSTFIX_SHARED_DATA").unwrap_or_else(|_| "/work/shared/data".to_owned());
    let Ok(file) = std::fs::read(format!("{root}/syslog/Linux_2k.log")) else {
        println!("skipped: no {root}/syslog/Linux_2k.log");
        return;
    };
    let hints = DateHints { file_name: Some(utc("2005-07-27").div_euclid(DAY_MS)), ..DateHints::default() };
    let parsed =
        read_with(&file, &FileContext { hints, ..FileContext::default() }, &FormatSettings::default()).unwrap();
    assert_eq!(parsed.look.counts["rfc3164"], 2000);
    assert_eq!(parsed.look.bytes.decoded, file.len() as u64);
    assert_eq!(parsed.look.from.as_deref(), Some("2005-06-14T15:16:01Z"));
    assert_eq!(parsed.look.to.as_deref(), Some("2005-07-27T14:42:00Z"));
    // One "Linux version" line; the weekly restarts of the log daemon are none of the unit.
    assert_eq!(
        parsed.rows.logged.kind.iter().filter(|k| *k == "restart").count(),
        1,
        "{:?}",
        parsed.rows.logged.detail
    );
}
