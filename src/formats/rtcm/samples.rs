//! Test vectors, field by field, and the small framing loop of the tests. Sources: the two samples printed in RTCM 10403.x
//! (1005, 1029); the others were encoded for this project and decoded with an independent open decoder
//! (`check-values.md` 3.8).

#![allow(clippy::inconsistent_digit_grouping)] // the values stand as printed

use super::ephemeris::Motion;
use super::*;
use crate::model::clock::{DateHints, StreamClock};
use crate::model::ids::{Band, Sat, System};
use crate::model::time::{days_from_date, parse_utc, rfc3339};

/// Every vector.
pub(super) const ALL: [&str; 14] =
    [M1005, M1029, M1006, M1007, M1008, M1033, M1230, M1013, M1004, M1012, M1077, M1074, M1087, M1127];
const M1005: &str = "D300133ED7D30202980EDEEF34B4BD62AC0941986F33360B98";
const M1029: &str = "D300274050170084736E151E5554462D3820D0BFD180D0BED0B2D0B5D180D0BAD0B02077C3B672746572EDA33B";
const M1006: &str = "D300153EE07B038943631C6B3FFAB850484B9182B9CC3A983ADF90";
const M1007: &str = "D300193EF07B144558414D504C452D414E5420202020204E4F4E4500E958F4";
const M1008: &str = "D300143F007B0E4144564E554C4C414E54454E4E410000B1DD2E";
const M1033: &str = "D3003640907B144558414D504C452D414E5420202020204E4F4E45000541303030310B4558414D504C452D52435604312E32330552303030314C1094";
const M1230: &str = "D300084CE07B8AFB2E02375A42A6";
const M1013: &str = "D300103F507BEEAE54570848FB400C8865000A8B93CA";
const M1004: &str = "D300283EC07B337F98022014F5B915FF65DFD2AD4FE14024A725150B5F53E0019078FD4040010000000000A958B9";
const M1012: &str = "D300183F407B66F666108103404EA0000190F21B40037FFEBF3D2C2951D8";
const M1077: &str = "D3003D43507B337F98000000040800000000000020200000725280044E067D900E38181CFFBA9400007F7B6700411AC000003E8F00006E4961A009A5BC7E00007E8D33";
const M1074: &str =
    "D3002D43207B337F980000000408000000000000202000007252844E060182FF770003FBDB300823600000980374CD00A51BD8";
const M1087: &str =
    "D3002E43F07B4CDECCC00000008000000000000020800000686C327F9C000C9FFF38000191FFFE709624457945000AFFEC52DE94";
const M1127: &str =
    "D3002E46707B337EBD40000000001000000000002080000069600000000000200006000004000009600805A190000000001A7E4B";

/// Bytes of hexadecimal digits.
pub(super) fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len() / 2).map(|i| u8::from_str_radix(&hex[2 * i..2 * i + 2], 16).unwrap()).collect()
}

/// A whole frame around a payload.
pub(super) fn with_crc(payload: &[u8]) -> Vec<u8> {
    let mut frame = vec![PREAMBLE, (payload.len() >> 8) as u8, payload.len() as u8];
    frame.extend_from_slice(payload);
    let crc = crc24q(&frame);
    frame.extend_from_slice(&crc.to_be_bytes()[1..]);
    frame
}

/// What the framing loop of the tests saw.
#[derive(Debug, Default)]
pub(super) struct Framed {
    pub(super) frames: u64,
    pub(super) bad_crc: u64,
    pub(super) outside: u64,
    pub(super) first: Option<usize>,
    pub(super) decoded: u64,
    pub(super) skipped: u64,
}

/// Finds the frames of a whole file and decodes them. After a bad CRC it searches again from the next byte; the end of
/// the file is never waited for.
pub(super) fn run(data: &[u8], clock: &mut StreamClock, mut each: impl FnMut(usize, &[u8])) -> (Framed, Decoder) {
    let (mut framed, mut decoder, mut at) = (Framed::default(), Decoder::new(), 0);
    while at < data.len() {
        match frame_at(&data[at..]) {
            FrameAt::Found(length) => {
                let frame = &data[at..at + length];
                framed.first.get_or_insert(at);
                framed.frames += 1;
                each(at, frame);
                match decoder.frame(at as u64, frame, clock).booked {
                    Booked::Decoded => framed.decoded += length as u64,
                    Booked::Skipped(_) => framed.skipped += length as u64,
                }
                at += length;
                continue;
            }
            FrameAt::BadCrc => framed.bad_crc += 1,
            FrameAt::No | FrameAt::Short => {}
        }
        framed.outside += 1;
        at += 1;
    }
    assert_eq!(framed.decoded + framed.skipped + framed.outside, data.len() as u64, "every byte is booked");
    (framed, decoder)
}

fn clock() -> StreamClock {
    StreamClock::new(DateHints { unit_card: days_from_date(2026, 3, 1), ..DateHints::default() })
}

fn body(hex: &str) -> Vec<u8> {
    let frame = bytes(hex);
    assert_eq!(frame_at(&frame), FrameAt::Found(frame.len()));
    payload(&frame).to_vec()
}

fn cells(hex: &str) -> Vec<Cell> {
    let mut list = Vec::new();
    decode_observables(&bytes(hex), 0, &mut |c| list.push(*c)).unwrap();
    list
}

fn near(a: f64, b: f64, tolerance: f64) {
    assert!((a - b).abs() <= tolerance, "{a} is not {b} within {tolerance}");
}

/// m per cycle, from IS-GPS-200 3.3.1.1.
const L1_M: f64 = LIGHT_MS_M * 1000.0 / 1_575.42e6;
const L2_M: f64 = LIGHT_MS_M * 1000.0 / 1_227.60e6;

#[test]
fn reference_points() {
    let p = reference_point(&body(M1005)).unwrap();
    assert_eq!((p.station, p.itrf_year, p.service, p.is_virtual), (2003, 0, [true, false, false], false));
    assert_eq!(p.xyz, [11_141_045_999, -48_507_297_108, 39_755_214_643]);
    assert_eq!(p.antenna_height, None);
    let p = reference_point(&body(M1006)).unwrap();
    assert_eq!((p.station, p.service, p.quarter_cycle), (123, [true; 3], 1));
    assert_eq!(p.xyz, [39_785_274_475, -88_584_120, 49_685_903_820]);
    assert_eq!(p.antenna_height, Some(15_000));
}

#[test]
fn antenna_and_receiver_words() {
    let w = words(&body(M1007)).unwrap();
    assert_eq!((w.station, w.antenna.as_str(), w.setup_id), (123, "EXAMPLE-ANT     NONE", 0));
    assert_eq!(w.antenna_serial, None);
    let w = words(&body(M1008)).unwrap();
    assert_eq!(w.antenna.len(), 14);
    assert_eq!((w.antenna_serial.as_deref(), w.setup_id), (Some(""), 0));
    let w = words(&body(M1033)).unwrap();
    assert_eq!(w.antenna, "EXAMPLE-ANT     NONE");
    assert_eq!(
        [w.antenna_serial, w.receiver, w.firmware, w.receiver_serial].map(Option::unwrap),
        ["A0001", "EXAMPLE-RCV", "1.23", "R0001"]
    );
}

#[test]
fn glonass_biases() {
    let b = glonass_bias(&body(M1230)).unwrap();
    assert_eq!((b.station, b.aligned), (123, true));
    near(b.bias_m[0].unwrap(), -24.68, 1e-9);
    near(b.bias_m[2].unwrap(), 11.34, 1e-9);
    assert_eq!((b.bias_m[1], b.bias_m[3]), (None, None));
}

#[test]
fn notes_of_the_stream() {
    let s = system_parameters(&body(M1013)).unwrap();
    assert_eq!((s.station, s.leap_s), (123, 18));
    assert_eq!(s.time.map(rfc3339).as_deref(), Some("2026-03-03T11:59:42Z")); // MJD 61102, 43182 s
    assert_eq!(
        s.announced,
        [
            Announced { message: 1005, synchronous: false, interval_tenths_s: 100 },
            Announced { message: 1074, synchronous: true, interval_tenths_s: 10 }
        ]
    );
    let t = text(&body(M1029)).unwrap();
    assert_eq!((t.station, t.characters, t.text.as_str()), (23, 21, "UTF-8 проверка wörter"));
    assert_eq!(t.text.len(), 30);
    // MJD 132 is the year 1859: not a date of a GNSS stream.
    assert_eq!(t.time, None);
}

#[test]
fn legacy_gps() {
    let body = body(M1004);
    let message = Legacy::parse(&body).unwrap();
    assert!(message.more);
    assert_eq!((message.satellites, message.station, message.epoch), (2, 123, Epoch::Week(216_000_000)));
    let c = cells(M1004);
    assert_eq!(c.iter().map(|c| format!("{}{}", c.sat, c.signal)).collect::<Vec<_>>()[0], "G05G1C");
    near(c[0].pseudorange_m, 22_345_678.892, 5e-4);
    near(c[0].phase_m, 22_345_678.2750, 5e-4);
    assert_eq!((c[0].lock_ms, c[0].cn0_dbhz), (Some(937_000), 45.25));
    near(c[1].pseudorange_m, 22_345_676.432, 5e-4);
    near(c[1].phase_m, 22_345_680.0645, 5e-4);
    assert_eq!((c[1].lock_ms, c[1].cn0_dbhz, c[1].sat), (Some(424_000), 40.5, Sat::new(System::Gps, 5)));
    // Id 40 is SBAS PRN 120; its L2 is invalid and not a cell.
    assert_eq!((c.len(), c[2].sat.to_string(), c[2].signal.to_string()), (3, "S20".to_owned(), "S1C".to_owned()));
    near(c[2].pseudorange_m, 38_012_345.668, 5e-4);
    near(c[2].phase_m, 38_012_345.868, 5e-4);
    assert_eq!(c[2].cn0_dbhz, 40.0);
    // The same with the 51 bits of that L2 at 0, as real streams have it: no cell either. With a C/N0 it would be one.
    let at = 64 + 125 + 74;
    let count = |payload: &[u8]| {
        let mut n = 0;
        Legacy::parse(payload).unwrap().signals(|_| n += 1);
        n
    };
    assert_eq!(count(&with_field(body.clone(), at, 51, 0)), 3);
    assert_eq!(count(&with_field(body, at, 51, 160)), 4);
}

#[test]
fn legacy_glonass() {
    let body = body(M1012);
    assert_eq!(Legacy::parse(&body).unwrap().epoch, Epoch::Glonass(None, 53_982_000));
    let c = cells(M1012);
    assert_eq!((c.len(), c[0].sat.to_string(), c[0].glonass_channel), (2, "R08".to_owned(), Some(-1)));
    near(c[0].pseudorange_m, 20_123_456.788, 5e-4);
    near(c[0].phase_m - c[0].pseudorange_m, 0.05, 1e-6);
    assert_eq!((c[0].cn0_dbhz, c[1].cn0_dbhz), (45.0, 37.5));
    assert_eq!(c[1].signal.band(), Some(Band::L2));
}

#[test]
fn msm7_gps() {
    let body = body(M1077);
    let m = Msm::parse(&body).unwrap();
    assert_eq!((m.message, m.kind, m.station, m.epoch, m.more), (1077, 7, 123, Epoch::Week(216_000_000), false));
    assert_eq!((m.satellite_ids(), m.signal_ids()), ([5, 12].as_slice(), [2, 10].as_slice()));
    let c = cells(M1077);
    let names: Vec<_> = c.iter().map(|c| format!("{} {}", c.sat, c.signal)).collect();
    assert_eq!(names, ["G05 G1C", "G05 G2W", "G12 G1C"]);
    near(c[0].pseudorange_m, 22_345_962.8914, 1e-3);
    near(c[0].phase_m, 22_345_946.5203, 1e-3);
    near(c[0].phase_m / L1_M, 117_428_741.5427, 1e-3);
    near(c[0].rate_m_s, -311.8766, 1e-4);
    near(-c[0].rate_m_s / L1_M, 1_638.9226, 1e-3);
    assert_eq!((c[0].lock_ms, c[0].cn0_dbhz, c[0].half_cycle), (Some(851_968), 46.25, false));
    near(c[1].pseudorange_m, 22_345_954.7570, 1e-3);
    near(c[1].phase_m, 22_345_960.6512, 1e-3);
    near(c[1].phase_m / L2_M, 91_502_973.3515, 1e-3);
    near(c[1].rate_m_s, -312.4321, 1e-4);
    near(-c[1].rate_m_s / L2_M, 1_279.3572, 1e-3);
    assert_eq!((c[1].lock_ms, c[1].cn0_dbhz), (Some(524_288), 37.5));
    assert!(c[2].pseudorange_m.is_nan() && c[2].phase_m.is_nan() && c[2].rate_m_s.is_nan());
    assert_eq!((c[2].lock_ms, c[2].half_cycle, c[2].cn0_dbhz), (Some(0), true, 26.0));
}

#[test]
fn msm4_gps() {
    let c = cells(M1074);
    assert_eq!(c.len(), 3);
    near(c[0].pseudorange_m, 22_345_962.8953, 1e-3);
    near(c[0].phase_m / L1_M, 117_428_741.5413, 1e-3);
    assert_eq!((c[0].cn0_dbhz, c[0].lock_ms), (46.0, Some(8_192)));
    near(c[1].pseudorange_m, 22_345_954.7649, 1e-3);
    near(c[1].phase_m / L2_M, 91_502_973.3510, 1e-3);
    assert_eq!((c[1].cn0_dbhz, c[1].lock_ms), (38.0, Some(4_096)));
    assert!(c[2].pseudorange_m.is_nan() && c[2].rate_m_s.is_nan());
    assert_eq!(c[2].cn0_dbhz, 26.0);
}

#[test]
fn msm7_glonass_and_beidou() {
    let body87 = body(M1087);
    assert_eq!(Msm::parse(&body87).unwrap().epoch, Epoch::Glonass(Some(2), 53_982_000));
    let c = cells(M1087);
    assert_eq!(c.iter().map(|c| format!("{} {}", c.sat, c.signal)).collect::<Vec<_>>(), ["R08 R1C", "R08 R2C"]);
    assert_eq!(c[0].glonass_channel, Some(-1));
    assert_eq!((c[0].cn0_dbhz, c[0].lock_ms), (43.75, Some(11_264)));
    assert_eq!((c[1].cn0_dbhz, c[1].lock_ms), (40.625, Some(8_704)));
    let body27 = body(M1127);
    assert_eq!(Msm::parse(&body27).unwrap().epoch, Epoch::BeidouWeek(215_986_000));
    let c = cells(M1127);
    assert_eq!(c.iter().map(|c| format!("{} {}", c.sat, c.signal)).collect::<Vec<_>>(), ["C19 C2I", "C19 C6I"]);
    assert_eq!((c[0].cn0_dbhz, c[1].cn0_dbhz, c[1].lock_ms), (45.0, 50.0, Some(64)));
    assert_eq!(c[0].lock_ms, msm_lock_extended(704).least_ms.into());
}

#[test]
fn all_vectors_to_rows() {
    let stream: Vec<u8> = ALL.iter().flat_map(|hex| bytes(hex)).collect();
    let mut clock = clock();
    let (framed, decoder) = run(&stream, &mut clock, |_, _| {});
    assert_eq!((framed.frames, framed.bad_crc, framed.outside, framed.skipped), (14, 0, 0, 0));
    let pieces = decoder.finish();
    assert!(pieces.problems.is_empty(), "{:?}", pieces.problems);
    assert_eq!(pieces.station_ids.iter().copied().collect::<Vec<_>>(), [23, 123, 2003]);
    assert_eq!(pieces.counts.values().sum::<u64>(), 14);
    // All four observable messages are of one instant, in three scales: one epoch.
    let at = parse_utc("2026-03-03T11:59:42Z").unwrap();
    assert_eq!((pieces.epochs, pieces.span), (Some(1), Some((at, at))));
    assert_eq!(pieces.rows.signals.time, vec![at - 42_000; pieces.rows.signals.len()]);
    // Frames before the first time of the stream take that time.
    assert_eq!(pieces.rows.corrections.len(), 14);
    assert!(pieces.rows.corrections.time.iter().all(|t| *t == at - 42_000));
    assert_eq!(pieces.rows.positions.time, [at, at]);
    assert_eq!(pieces.rows.positions.station_id, [2003, 123]);
    assert_eq!(pieces.positions.len(), 2);
    // 1007, then 1008 and 1033 that say something else.
    assert_eq!(pieces.rows.descriptions.len(), 3);
    assert_eq!(pieces.rows.logged.len(), 2);
    // G05, G12, S20, R08, C19.
    assert_eq!(pieces.satellites, Some(5));
    let g1c = pieces.signals.iter().find(|s| s.signal == "G1C").unwrap();
    // 1004, 1077 and 1074 give G05, the last two G12 as well.
    assert_eq!((g1c.satellites, g1c.observations), (2, 5));
    near(g1c.cn0_mean_dbhz.unwrap(), (45.25 + 46.25 + 26.0 + 46.0 + 26.0) / 5.0, 1e-9);
}

#[test]
fn a_filler_and_a_company_message() {
    let mut decoder = Decoder::new();
    let mut clock = clock();
    let filler = decoder.frame(0, &bytes("D3000047EA4B"), &mut clock);
    assert!(matches!(filler.booked, Booked::Skipped("empty frame")));
    let company = decoder.frame(6, &with_crc(&[0xfe, 0x90, 1, 2]), &mut clock);
    assert!(matches!(company.booked, Booked::Skipped("company message")));
    let retired = decoder.frame(16, &with_crc(&[0x00, 0x10, 1, 2]), &mut clock);
    assert!(matches!(retired.booked, Booked::Skipped("message not used")));
    let pieces = decoder.finish();
    let counts: Vec<_> = pieces.counts.iter().map(|(k, v)| (k.as_str(), *v)).collect();
    assert_eq!(counts, [("1", 1), ("4073", 1), ("empty", 1)]);
    assert!(pieces.station_ids.is_empty());
    assert_eq!(pieces.problems.len(), 1); // no time at all
}

/// The payload with `width` bits at `at` replaced.
fn with_field(mut payload: Vec<u8>, at: usize, width: usize, value: u64) -> Vec<u8> {
    for i in 0..width {
        let bit = at + i;
        let mask = 0x80 >> (bit % 8);
        if value >> (width - 1 - i) & 1 == 1 { payload[bit / 8] |= mask } else { payload[bit / 8] &= !mask }
    }
    payload
}

#[test]
fn a_split_epoch_is_one_epoch_and_a_fallen_lock_is_a_slip() {
    // MSM7 of the vector at three epochs one second apart; in the third the lock indicator of G05 1C falls from 500 to 499.
    // The first epoch comes in two messages (DF393 set in the first).
    let base = body(M1077);
    let more = with_field(base.clone(), 54, 1, 1);
    let second = with_field(base.clone(), 24, 30, 216_001_000);
    let third = with_field(base.clone(), 24, 30, 216_002_000);
    // 169 header + 4 cell mask + 2 satellites of 36 bits; then three pseudoranges of 20 and phases of 24 bits.
    let lock_at = 169 + 4 + 2 * 36 + 3 * (20 + 24);
    assert_eq!(crate::formats::bits::unsigned_at(&base, lock_at, 10), 500);
    let third = with_field(third, lock_at, 10, 499);
    let stream: Vec<u8> = [more, base, second, third].iter().flat_map(|p| with_crc(p)).collect();
    let mut clock = clock();
    let (_, decoder) = run(&stream, &mut clock, |_, _| {});
    let pieces = decoder.finish();
    assert_eq!(pieces.epochs, Some(3));
    let slips: Vec<_> = (0..pieces.rows.signals.len())
        .map(|i| pieces.rows.signals.get(i).unwrap())
        .map(|s| (crate::model::ids::Signal::unpack(s.signal).unwrap().to_string(), s.sat, s.epochs, s.slips))
        .collect();
    let (g05, g12) = (Sat::new(System::Gps, 5).code(), Sat::new(System::Gps, 12).code());
    assert_eq!(slips, [("G1C".to_owned(), g05, 3, 1), ("G2W".to_owned(), g05, 3, 0), ("G1C".to_owned(), g12, 3, 0)]);
    assert_eq!(pieces.rows.bands.lost_lock, [1, 0]);
    assert_eq!(pieces.rows.corrections.count, [4]);
    assert_eq!(pieces.rows.corrections.longest_gap_s, [1.0]);
    assert_eq!(pieces.rows.spans.kind.len(), 2);
}

#[test]
fn an_unknown_signal_id_keeps_its_number() {
    // Signal id 2 (bit 137 + 1) of the vector becomes id 7, which no table of GPS knows.
    let payload = with_field(with_field(body(M1077), 138, 1, 0), 143, 1, 1);
    let mut names = Vec::new();
    decode_observables(&with_crc(&payload), 0, &mut |c| names.push(format!("{} {}", c.sat, c.signal))).unwrap();
    assert_eq!(names, ["G05 G?7", "G05 G2W", "G12 G?7"]);
}

#[test]
fn a_late_1013_dates_the_stream() {
    // No hint at all: the epoch is first put into 2020, then 1013 says 2026-03-03.
    let stream: Vec<u8> = [M1006, M1077, M1013].iter().flat_map(|hex| bytes(hex)).collect();
    let mut clock = StreamClock::new(DateHints::default());
    let (_, mut decoder) = run(&stream, &mut clock, |_, _| {});
    let outcome = clock.finish();
    decoder.shift(&outcome.shift);
    let rows = decoder.finish().rows;
    let at = parse_utc("2026-03-03T11:59:42Z").unwrap();
    assert_eq!(rows.positions.time, [at]);
    assert!(rows.signals.time.iter().all(|t| *t == at - 42_000));
    assert!(rows.corrections.time.iter().all(|t| *t == at - 42_000));
    assert!(rows.spans.time.iter().all(|t| *t == at));
    assert_eq!(rows.logged.time, [at]);
}

#[test]
fn positions_are_kept_by_minute_and_on_change() {
    let base = body(M1006);
    let moved = with_field(base.clone(), 34, 38, 39_785_274_477);
    let epoch = |s: u64| with_field(body(M1077), 24, 30, 216_000_000 + s * 1000);
    // Seconds from 11:59:42 UTC: three equal in one minute, one moved by 0.2 mm, then the next minute.
    let stream: Vec<u8> = [
        epoch(0),
        base.clone(),
        epoch(1),
        base.clone(),
        epoch(2),
        base.clone(),
        epoch(3),
        moved.clone(),
        epoch(30),
        moved,
    ]
    .iter()
    .flat_map(|p| with_crc(p))
    .collect();
    let mut clock = clock();
    let (_, decoder) = run(&stream, &mut clock, |_, _| {});
    let pieces = decoder.finish();
    let at = parse_utc("2026-03-03T11:59:42Z").unwrap();
    assert_eq!(pieces.rows.positions.time, [at, at + 3_000, at + 30_000]);
    assert_eq!(pieces.rows.positions.x_m, [3_978_527.4475, 3_978_527.4477, 3_978_527.4477]);
    assert_eq!(pieces.positions.len(), 2);
    assert_eq!(pieces.positions[0].antenna_height_m, Some(1.5));
}

#[test]
fn orbits_have_sane_elements() {
    // Filled by `reference` from real files; here only that another message is refused.
    assert_eq!(ephemeris::parse(&body(M1005), None).unwrap_err(), Damage::OtherMessage);
    assert!(matches!(ephemeris::parse(&[0x3f, 0xb0], None), Err(Damage::Short { .. })));
    let zeros = ephemeris::parse(&[&[0x3f, 0xb0], [0u8; 60].as_slice()].concat(), None).unwrap();
    assert!(matches!(zeros.motion, Motion::Kepler(k) if k.sqrt_a == 0.0));
}

/// Not a check but a measurement: `cargo test --release --lib rtcm::samples::speed -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement; run it in release"]
fn speed() {
    // One hour of MSM7 at 1 Hz: 12 satellites with 3 signals of four systems, built from the header of a vector.
    let (mut stream, mut cells) = (Vec::new(), 0u64);
    for second in 0..3_600u64 {
        for (message, behind_ms) in [(1077, 0), (1097, 0), (1127, 14_000), (1117, 0)] {
            let mut payload = vec![0u8; (169 + 36 + 12 * 36 + 36 * 80usize).div_ceil(8)];
            for (i, byte) in payload.iter_mut().enumerate() {
                *byte = (i as u64 * 37 + 11) as u8;
            }
            for (at, width, value) in [
                (0, 12, message),
                (12, 12, 123),
                (24, 30, 216_000_000 + second * 1_000 - behind_ms),
                (73, 64, 0x0fff << 40),
                (137, 32, 0x4001_0100), // ids 2, 16, 24
                (169, 36, (1 << 36) - 1),
            ] {
                payload = with_field(payload, at, width, value);
            }
            cells += 36;
            stream.extend_from_slice(&with_crc(&payload));
        }
    }
    for round in 0..3 {
        let mut clock = clock();
        let started = std::time::Instant::now();
        let (framed, decoder) = run(&stream, &mut clock, |_, _| {});
        let pieces = decoder.finish();
        let s = started.elapsed().as_secs_f64();
        println!(
            "round {round}: {} frames ({} decoded bytes), {cells} cells, {} rows, {:.1} MB in {s:.3} s = {:.0} MB/s",
            framed.frames,
            framed.decoded,
            pieces.rows.len(),
            stream.len() as f64 / 1e6,
            stream.len() as f64 / 1e6 / s
        );
        println!("{:?}", pieces.signals.first());
        assert!(pieces.problems.is_empty(), "{:?}", pieces.problems);
    }
}
