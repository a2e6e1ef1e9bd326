use super::*;
use crate::formats::rinex::tests::{chunks_agree, mutations_are_survived, read_shared, reference, shared};

fn parse(bytes: &[u8]) -> Parsed {
    let mut stream = sniff(bytes, &FileContext::default()).unwrap();
    stream.feed(bytes);
    stream.finish()
}

/// In the form of the IGS site-log instructions (check-values.md 15.3); place and names invented.
const SAMPLE: &[u8] = b"     EX14 Site Information Form (site log)

0.   Form

     Prepared by (full name)  : (redacted)
     Date Prepared            : 2026-02-03

1.   Site Identification of the GNSS Monument

     Site Name                : Quarry \xd6st
     Four Character ID        : EX14

2.   Site Location Information

     Approximate Position (ITRF)
       X coordinate (m)       : 3611640.0140 m
       Y coordinate (m)       : 635936.1650
       Z coordinate (m)       : 5201014.6360

3.   GNSS Receiver Information

3.1  Receiver Type            : EXAMPLE ONE
     Serial Number            : 1001
     Firmware Version         : 1.0
     Date Installed           : 2025-01-01T10:00Z
     Date Removed             : 2025-06-01

3.2  Receiver Type            : EXAMPLE ONE
     Serial Number            : 1001
     Firmware Version         : 2.0
     Date Installed           : 2025-06-01
     Date Removed             : (CCYY-MM-DDThh:mmZ)

3.x  Receiver Type            : (A20, from rcvr_ant.tab; see instructions)
     Date Installed           : (CCYY-MM-DDThh:mmZ)

4.   GNSS Antenna Information

4.1  Antenna Type             : EXAMPLE ANT     NONE
     Serial Number            : 77
     Marker->ARP Up Ecc. (m)  : 0.1657 m
     Marker->ARP North Ecc(m) : 0.000 m
     Marker->ARP East Ecc(m)  : 0.000 m
     Antenna Cable Type       : RG213
     Antenna Cable Length     : 35 m
     Date Installed           : 2025-01-01T10:00Z
     Date Removed             : sometime

9.   Local Ongoing Conditions Possibly Affecting Computed Position

9.1  Radio Interferences      : TV ANTENNA
     Observed Degradations    : SN RATIO
                              : in the evening
";

#[test]
fn history_with_dates_cable_and_conditions() {
    let parsed = parse(SAMPLE);
    let log = parsed.site_log.as_deref().unwrap();
    assert_eq!((log.name.as_str(), log.id.as_str()), ("Quarry \u{d6}st", "EX14"));
    assert_eq!(log.receivers.len(), 2, "templates do not count");
    assert_eq!(log.receivers[0].installed, parse_utc("2025-01-01T10:00:00Z"));
    assert_eq!(log.receivers[0].removed, parse_utc("2025-06-01T00:00:00Z"));
    assert_eq!((log.receivers[1].firmware.as_str(), log.receivers[1].removed), ("2.0", None));
    let antenna = &log.antennas[0];
    assert_eq!((antenna.cable_kind.as_str(), antenna.cable_length_m), ("RG213", Some(35.0)));
    assert_eq!(antenna.up_north_east_m, [Some(0.1657), Some(0.0), Some(0.0)]);
    assert_eq!(log.conditions[1].text, "SN RATIO in the evening");
    assert_eq!(parsed.look.problems.len(), 1, "{:?}", parsed.look.problems);
    assert!(parsed.look.problems[0].what.contains("sometime") && parsed.look.problems[0].line.is_some());
    assert_eq!(parsed.rows.descriptions.firmware, ["1.0", "2.0"]);
    assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.total == SAMPLE.len() as u64);
    assert_eq!(parsed.rows.positions.len(), 1);
}

#[test]
fn the_real_log_agrees_with_the_reference() {
    let Some(files) = shared("sitelog") else { return };
    for path in files {
        let (Some(bytes), Some(reference)) = (read_shared(&path), reference(&path)) else { continue };
        let parsed = parse(&bytes);
        let log = parsed.site_log.as_deref().unwrap();
        let words = |key: &str| -> Vec<String> {
            reference[key].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect()
        };
        assert_eq!(log.receivers.iter().map(|r| r.kind.clone()).collect::<Vec<_>>(), words("receivers"));
        assert_eq!(log.antennas.iter().map(|a| a.kind.clone()).collect::<Vec<_>>(), words("antennas"));
        // The reference lists all "Date Installed" lines: the monument, receivers, a form, antennas, a form.
        let mut installed: Vec<UtcMs> = words("installed").iter().filter_map(|w| date(w)).collect();
        installed.remove(0);
        let ours: Vec<UtcMs> = log
            .receivers
            .iter()
            .filter_map(|r| r.installed)
            .chain(log.antennas.iter().filter_map(|a| a.installed))
            .collect();
        assert_eq!(ours, installed);
        for (got, want) in log.position_m.iter().zip(words("xyz")) {
            assert_eq!(*got, leading_number(&want));
        }
        assert!(parsed.look.bytes.adds_up() && parsed.look.bytes.total == bytes.len() as u64);
        println!(
            "{}: {} receivers, {} antennas, cable {:?}, problems {:?}, skipped {:?}",
            path.display(),
            log.receivers.len(),
            log.antennas.len(),
            log.antennas.last().map(|a| (a.cable_kind.clone(), a.cable_length_m)),
            parsed.look.problems,
            parsed.look.bytes.reasons
        );
    }
}

#[test]
fn mutated_logs() {
    chunks_agree(SAMPLE, sniff);
    mutations_are_survived(SAMPLE, 2_000, sniff);
}
