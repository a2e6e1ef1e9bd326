//! The same bytes through an independent open library (`rtcm-rs`, dev-dependency), value by value, on real files and single
//! frames. Skipped with a printed line where the shared data is absent.

use super::ephemeris::{self, GlonassState, Kepler, Motion, Orbit};
use super::reference::shared_data;
use super::*;
use crate::model::ids::System;
use rtcm_rs::prelude::*;

/// As in IS-GPS-200 20.3.3.4.3.3; the library gives semicircles.
#[allow(clippy::approx_constant)]
const PI: f64 = 3.141_592_653_589_8;

/// Equal but for rounding; the library keeps some small values in single precision.
fn near(ours: f64, theirs: f64, what: &str) {
    assert!((ours - theirs).abs() <= 2e-7 * theirs.abs() + 1e-30, "{what}: ours {ours}, theirs {theirs}");
}

/// Both NaN, or equal within 0.1 mm (0.1 mm/s).
fn same(ours: f64, theirs: Option<f64>, what: &str) {
    match theirs {
        Some(theirs) => assert!((ours - theirs).abs() < 1e-4, "{what}: ours {ours}, theirs {theirs}"),
        None => assert!(ours.is_nan(), "{what}: ours {ours}, theirs invalid"),
    }
}

fn cells(frame: &[u8]) -> Vec<Cell> {
    let mut list = Vec::new();
    decode_observables(frame, 0, &mut |c| list.push(*c)).unwrap();
    list
}

/// The satellite id of the message: SBAS id 1 is PRN 120, `S20`.
fn message_id(cell: &Cell) -> u8 {
    if cell.sat.system() == System::Sbas { cell.sat.number() - 19 } else { cell.sat.number() }
}

macro_rules! elements {
    ($ours:expr, $theirs:expr, $af0:ident, $af1:ident, $af2:ident, $tgd:ident) => {{
        let (k, t): (&Kepler, _) = ($ours, $theirs);
        for (ours, theirs, what) in [
            (k.toe_s, f64::from(t.toe_s), "toe"),
            (k.toc_s, f64::from(t.toc_s), "toc"),
            (k.sqrt_a, t.sqrt_a_sqrt_m, "sqrt A"),
            (k.eccentricity, t.eccentricity, "e"),
            (k.i0, t.i0_sc * PI, "i0"),
            (k.omega0, t.omega0_sc * PI, "OMEGA0"),
            (k.omega, t.omega_sc * PI, "omega"),
            (k.m0, t.m0_sc * PI, "M0"),
            (k.delta_n, f64::from(t.delta_n_sc_s) * PI, "delta n"),
            (k.omega_dot, f64::from(t.omegadot_sc_s) * PI, "OMEGA dot"),
            (k.i_dot, f64::from(t.idot_sc_s) * PI, "i dot"),
            (k.cuc, f64::from(t.cuc_rad), "Cuc"),
            (k.cus, f64::from(t.cus_rad), "Cus"),
            (k.crc, f64::from(t.crc_m), "Crc"),
            (k.crs, f64::from(t.crs_m), "Crs"),
            (k.cic, f64::from(t.cic_rad), "Cic"),
            (k.cis, f64::from(t.cis_rad), "Cis"),
            (k.af0, f64::from(t.$af0), "af0"),
            (k.af1, f64::from(t.$af1), "af1"),
            (k.af2, f64::from(t.$af2), "af2"),
            (k.group_delay_s, f64::from(t.$tgd), "group delay"),
        ] {
            near(ours, theirs, what);
        }
    }};
}

fn kepler(orbit: &Orbit) -> &Kepler {
    match &orbit.motion {
        Motion::Kepler(k) => k,
        Motion::Glonass(_) => panic!("{orbit:?}"),
    }
}

fn glonass(g: &GlonassState, t: &rtcm_rs::msg::Msg1020T) {
    for (ours, theirs, what) in [
        (g.tb_s, f64::from(t.tb_min) * 60.0, "t_b"),
        (g.position_m[0], t.xn_km * 1000.0, "x"),
        (g.position_m[1], t.yn_km * 1000.0, "y"),
        (g.position_m[2], t.zn_km * 1000.0, "z"),
        (g.velocity_m_s[0], t.xn_first_deriv_km_s * 1000.0, "x'"),
        (g.velocity_m_s[1], t.yn_first_deriv_km_s * 1000.0, "y'"),
        (g.velocity_m_s[2], t.zn_first_deriv_km_s * 1000.0, "z'"),
        (g.acceleration_m_s2[0], f64::from(t.xn_second_deriv_km_s2) * 1000.0, "x''"),
        (g.acceleration_m_s2[1], f64::from(t.yn_second_deriv_km_s2) * 1000.0, "y''"),
        (g.acceleration_m_s2[2], f64::from(t.zn_second_deriv_km_s2) * 1000.0, "z''"),
        (g.clock_s, -t.tau_n_s, "clock"),
        (g.clock_rate, f64::from(t.gamma_n), "gamma"),
        (f64::from(g.channel), f64::from(t.glo_satellite_freq_chan_number), "channel"),
        (f64::from(g.day), f64::from(t.glo_m_nt_d), "N_T"),
    ] {
        near(ours, theirs, what);
    }
}

fn orbit(frame: &[u8], message: &Message) -> bool {
    let ours = || ephemeris::parse(payload(frame), None).unwrap();
    let o = match message {
        Message::Msg1019(_)
        | Message::Msg1020(_)
        | Message::Msg1041(_)
        | Message::Msg1042(_)
        | Message::Msg1044(_)
        | Message::Msg1045(_)
        | Message::Msg1046(_) => ours(),
        _ => return false,
    };
    let (number, week, issue, healthy) = match message {
        Message::Msg1019(t) => {
            elements!(kepler(&o), t, af0_s, af1_s_s, af2_s_s2, tgd_s);
            (t.gps_satellite_id, t.gps_week_number, u16::from(t.iode), t.sv_health_ind == 0)
        }
        Message::Msg1020(t) => {
            let Motion::Glonass(g) = &o.motion else { panic!("{o:?}") };
            glonass(g, t);
            (t.glo_satellite_id, 0, t.tb_min / 15, t.glo_eph_health_flag == 0)
        }
        Message::Msg1041(t) => {
            elements!(kepler(&o), t, af0_s, af1_s_s, af2_s_s2, tgd_s);
            (t.navic_satellite_id, t.navic_week_number, u16::from(t.iodec), t.l5_flag == 0 && t.s_flag == 0)
        }
        Message::Msg1042(t) => {
            elements!(kepler(&o), t, a0_s, a1_s_s, a2_s_s2, tgd1_s);
            (t.bds_satellite_id, t.bds_week_number, u16::from(t.aode), t.sv_health_flag == 0)
        }
        Message::Msg1044(t) => {
            elements!(kepler(&o), t, af0_s, af1_s_s, af2_s_s2, tgd_s);
            (t.qzss_satellite_id, t.qzss_week_number, u16::from(t.iode), t.sv_health_ind == 0)
        }
        Message::Msg1045(t) => {
            elements!(kepler(&o), t, af0_s, af1_s_s, af2_s_s2, bgd_e1_e5a_s);
            let healthy = t.e5a_sig_health_ind == 0 && t.e5a_data_validity_flag == 0;
            (t.gal_satellite_id, t.gal_week_number, t.iodnav, healthy)
        }
        Message::Msg1046(t) => {
            elements!(kepler(&o), t, af0_s, af1_s_s, af2_s_s2, bgd_e1_e5a_s);
            let healthy = t.e5b_sig_health_ind == 0
                && t.e5b_data_validity_flag == 0
                && t.e1_b_sig_health_ind == 0
                && t.e1_b_data_validity_flag == 0;
            (t.gal_satellite_id, t.gal_week_number, t.iodnav, healthy)
        }
        _ => return false,
    };
    assert_eq!((o.sat.number(), o.week, o.issue, o.health == 0), (number, week, issue, healthy), "{o:?}");
    true
}

/// An MSM of the library against ours. Kind 7 and 5 have rates; the lock time must be that of the indicator.
macro_rules! msm {
    ($frame:expr, $t:expr, $code:ident, $phase:ident, $lock:ident, $cn0:ident, $lock_ms:expr) => {{
        let ours = cells($frame);
        let theirs = $t.data_segment.signal_data.as_slice();
        assert_eq!(ours.len(), theirs.len());
        for (o, s) in ours.iter().zip(theirs) {
            assert_eq!(message_id(o), s.satellite_id);
            let code = format!("{}{}", s.signal_id.band(), s.signal_id.attribute());
            assert_eq!(o.signal.to_string()[1..], code);
            let rough =
                $t.data_segment.satellite_data.iter().find(|r| r.satellite_id == s.satellite_id).and_then(|r| {
                    r.gnss_satellite_rough_range_integer_ms
                        .map(|ms| f64::from(ms) + f64::from(r.gnss_satellite_rough_range_mod1ms_ms))
                });
            let range = |fine: Option<f64>| Some((rough? + fine?) * LIGHT_MS_M);
            same(o.pseudorange_m, range(s.$code.map(f64::from)), "pseudorange");
            same(o.phase_m, range(s.$phase.map(f64::from)), "phase");
            same(f64::from(o.cn0_dbhz), s.$cn0.map(f64::from), "C/N0");
            assert_eq!(o.lock_ms, Some($lock_ms(s.$lock).least_ms));
            assert_eq!(o.half_cycle, s.half_cycle_ambiguity_ind == 1);
        }
        ours.len()
    }};
}

macro_rules! msm4 {
    ($frame:expr, $t:expr) => {
        msm!(
            $frame,
            $t,
            gnss_signal_fine_pseudorange_ms,
            gnss_signal_fine_phaserange_ms,
            gnss_phaserange_lock_time_ind,
            gnss_signal_cnr_dbhz,
            msm_lock
        )
    };
}

macro_rules! msm7 {
    ($frame:expr, $t:expr) => {{
        for s in $t.data_segment.signal_data.iter() {
            let rough = $t.data_segment.satellite_data.iter().find(|r| r.satellite_id == s.satellite_id);
            let rough = rough.and_then(|r| r.gnss_satellite_rough_phaserange_rates_m_s);
            let theirs = rough.zip(s.gnss_signal_fine_phaserange_rate_m_s).map(|(r, f)| f64::from(r) + f64::from(f));
            let code = format!("{}{}", s.signal_id.band(), s.signal_id.attribute());
            let ours = cells($frame);
            let o = ours.iter().find(|o| message_id(o) == s.satellite_id && o.signal.to_string()[1..] == code).unwrap();
            same(o.rate_m_s, theirs, "rate");
        }
        msm!(
            $frame,
            $t,
            gnss_signal_fine_pseudorange_ext_ms,
            gnss_signal_fine_phaserange_ext_ms,
            gnss_phaserange_lock_time_ext_ind,
            gnss_signal_cnr_ext_dbhz,
            msm_lock_extended
        )
    }};
}

/// 1004 and 1012 have the same names for what is compared.
macro_rules! legacy {
    ($frame:expr, $t:expr) => {{
        let ours = cells($frame);
        let mut next = ours.iter();
        for s in $t.satellites.iter() {
            let range = s.l1_pseudorange_m.map(|m| m + f64::from(s.l1_pseudorange_amb_m));
            let first = (range, range.zip(s.l1_phase_pseudorange_diff_m), s.l1_cnr_dbhz, s.l1_lock_time_index);
            let second = (
                range.zip(s.l2_l1_pseudorange_diff_m).map(|(r, d)| r + f64::from(d)),
                range.zip(s.l2_phase_l1_pseudorange_diff_m),
                s.l2_cnr_dbhz,
                s.l2_lock_time_index,
            );
            // The library takes a second signal with all bits 0 as it is written; here it is none.
            let zeros = s.l2_l1_pseudorange_diff_m == Some(0.0)
                && s.l2_phase_l1_pseudorange_diff_m == Some(0.0)
                && s.l2_cnr_dbhz.is_none()
                && s.l2_lock_time_index == 0;
            let there = if zeros { 1 } else { 2 };
            for (code, phase, cn0, lock) in [first, second].into_iter().take(there) {
                let phase = phase.map(|(r, d)| r + f64::from(d));
                if code.is_none() && phase.is_none() && cn0.is_none() {
                    continue;
                }
                let o = next.next().unwrap();
                same(o.pseudorange_m, code, "pseudorange");
                same(o.phase_m, phase, "phase");
                same(f64::from(o.cn0_dbhz), cn0.map(f64::from), "C/N0");
                assert_eq!(o.lock_ms, Some(legacy_lock(lock).least_ms));
            }
        }
        assert!(next.next().is_none());
        ours.len()
    }};
}

fn observables(frame: &[u8], message: &Message) -> Option<usize> {
    Some(match message {
        Message::Msg1004(t) => legacy!(frame, t),
        Message::Msg1012(t) => legacy!(frame, t),
        Message::Msg1074(t) => msm4!(frame, t),
        Message::Msg1084(t) => msm4!(frame, t),
        Message::Msg1094(t) => msm4!(frame, t),
        Message::Msg1124(t) => msm4!(frame, t),
        Message::Msg1077(t) => msm7!(frame, t),
        Message::Msg1087(t) => msm7!(frame, t),
        Message::Msg1097(t) => msm7!(frame, t),
        Message::Msg1107(t) => msm7!(frame, t),
        Message::Msg1117(t) => msm7!(frame, t),
        Message::Msg1127(t) => msm7!(frame, t),
        _ => return None,
    })
}

#[test]
fn real_frames_agree_value_by_value() {
    let Some(data) = shared_data() else { return };
    let mut files: Vec<_> =
        ["asv-gnss/GMSD7_20121014.rtcm3", "asv-gnss/testglo.rtcm3", "asv-gnss/imu_rtcm.rtcm3"].map(String::from).into();
    files.push("pyrtcm/pygpsdata-NTRIP-USCL00CHL0.log".to_owned());
    for folder in ["go-gnss-frames", "rtcm-rs-vectors"] {
        for entry in std::fs::read_dir(data.join("rtcm").join(folder)).unwrap() {
            let name = entry.unwrap().file_name().into_string().unwrap();
            // The library's vectors for the legacy observables have every bit set: it takes 0xFFFFFF for the invalid
            // pseudorange, the standard 0x800000; both count as invalid here.
            if !name.ends_with(".txt") {
                files.push(format!("{folder}/{name}"));
            }
        }
    }
    let (mut orbits, mut messages, mut values) = (0, 0, 0);
    for file in files {
        let bytes = std::fs::read(data.join("rtcm").join(&file)).unwrap();
        for frame in &mut MsgFrameIter::new(&bytes) {
            let message = frame.get_message();
            orbits += u32::from(orbit(frame.frame_data(), &message));
            if let Some(n) = observables(frame.frame_data(), &message) {
                messages += 1;
                values += n;
            }
        }
    }
    println!("{orbits} orbits, {messages} observable messages with {values} cells");
    assert!(orbits > 80 && messages > 1_500 && values > 15_000);
}

#[test]
fn an_encoded_navic_orbit_comes_back() {
    // No real 1041 is at hand: the library encodes one.
    let sent = rtcm_rs::msg::Msg1041T {
        navic_satellite_id: 9,
        navic_week_number: 300,
        toc_s: 345_600.0,
        toe_s: 345_600.0,
        sqrt_a_sqrt_m: 6_493.25,
        eccentricity: 0.001_953_125,
        i0_sc: -0.25,
        omega0_sc: 0.5,
        omega_sc: -0.125,
        m0_sc: 0.75,
        omegadot_sc_s: -1.0 / 1_099_511_627_776.0,
        delta_n_sc_s: 3.0 / 1_099_511_627_776.0,
        idot_sc_s: 5.0 / 8_796_093_022_208.0,
        cuc_rad: 2.0 / 268_435_456.0,
        cus_rad: -3.0 / 268_435_456.0,
        cic_rad: 4.0 / 268_435_456.0,
        cis_rad: -5.0 / 268_435_456.0,
        crc_m: 12.5,
        crs_m: -37.5,
        af0_s: 0.000_244_140_625,
        tgd_s: -4.0 / 2_147_483_648.0,
        iodec: 77,
        ..Default::default()
    };
    let message = Message::Msg1041(sent);
    let mut builder = MessageBuilder::new();
    let frame = builder.build_message(&message).unwrap();
    assert!(orbit(frame, &message));
}
