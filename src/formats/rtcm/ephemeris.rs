//! Broadcast orbits: 1019, 1020, 1041, 1042, 1044, 1045, 1046 (RTCM 10403.x; elements as in IS-GPS-200 table 20-III, Galileo
//! OS SIS ICD 5.1, BDS-SIS-ICD 5.2.4, GLONASS ICD 5.1). No positions are computed here.

use super::observables::{Damage, require};
use crate::formats::bits::Bits;
use crate::model::ids::{Sat, System};
use crate::model::time::{BDT_BEHIND_GPST_MS, UtcMs};

/// Pi of the interface documents (IS-GPS-200 20.3.3.4.3.3): the satellites' elements were made with just these digits.
#[allow(clippy::approx_constant)]
const PI: f64 = 3.141_592_653_589_8;

/// Keplerian elements as `check-values.md` 6.4 uses them: radians, metres, seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Kepler {
    /// Reference time of the elements, s of week in the system's own scale (BDT for BeiDou).
    pub toe_s: f64,
    /// Square root of the semi-major axis, m^0.5.
    pub sqrt_a: f64,
    /// Eccentricity.
    pub eccentricity: f64,
    /// Inclination at toe, rad.
    pub i0: f64,
    /// Longitude of the ascending node at the start of the week, rad.
    pub omega0: f64,
    /// Argument of perigee, rad.
    pub omega: f64,
    /// Mean anomaly at toe, rad.
    pub m0: f64,
    /// Mean motion difference, rad/s.
    pub delta_n: f64,
    /// Rate of the node, rad/s.
    pub omega_dot: f64,
    /// Rate of the inclination, rad/s.
    pub i_dot: f64,
    /// Corrections of the argument of latitude, rad.
    pub cuc: f64,
    /// rad.
    pub cus: f64,
    /// Corrections of the radius, m.
    pub crc: f64,
    /// m.
    pub crs: f64,
    /// Corrections of the inclination, rad.
    pub cic: f64,
    /// rad.
    pub cis: f64,
    /// Reference time of the clock, s of week.
    pub toc_s: f64,
    /// Clock offset, s.
    pub af0: f64,
    /// s/s.
    pub af1: f64,
    /// s/s².
    pub af2: f64,
    /// Group delay for single-frequency users, s (TGD, TGD1, BGD E1/E5a).
    pub group_delay_s: f64,
}

/// State vector of GLONASS (PZ-90), metres and seconds.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct GlonassState {
    /// Reference time t_b, s of the GLONASS day (UTC + 3 h).
    pub tb_s: f64,
    /// Day in the four-year interval N_T, from 1; 0 when not given.
    pub day: u16,
    /// Four-year interval N4 (1 = 1996); 0 when not given.
    pub four_years: u8,
    /// Position, m.
    pub position_m: [f64; 3],
    /// Velocity, m/s.
    pub velocity_m_s: [f64; 3],
    /// Luni-solar acceleration, m/s².
    pub acceleration_m_s2: [f64; 3],
    /// Frequency number, -7 to 6 (up to 13 in old ones).
    pub channel: i8,
    /// Clock: -tau_n, s.
    pub clock_s: f64,
    /// gamma_n.
    pub clock_rate: f64,
}

/// The motion part of an orbit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Motion {
    /// All systems but GLONASS.
    Kepler(Kepler),
    /// GLONASS.
    Glonass(GlonassState),
}

/// One broadcast orbit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Orbit {
    /// When the stream had it; `None` before its first time.
    pub heard: Option<UtcMs>,
    /// Message number: 1045 and 1046 are the two sets of Galileo.
    pub message: u16,
    /// Satellite.
    pub sat: Sat,
    /// Week as broadcast, in the system's own count and length; 0 for GLONASS.
    pub week: u16,
    /// Issue of data (IODE, IODnav, AODE, IODEC; t_b for GLONASS).
    pub issue: u16,
    /// Health word as broadcast; 0 is healthy.
    pub health: u16,
    /// Elements.
    pub motion: Motion,
}

/// An issue of broadcast orbit data: message, satellite, issue with week and health, bits of its reference time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Issue(u16, Sat, [u16; 3], u64);

impl Orbit {
    /// What is the same in every repetition of one issue for one satellite.
    pub fn same_issue(&self) -> Issue {
        let toe_s = match &self.motion {
            Motion::Kepler(k) => k.toe_s,
            Motion::Glonass(g) => g.tb_s + f64::from(g.day) * 86_400.0,
        };
        Issue(self.message, self.sat, [self.issue, self.week, self.health], toe_s.to_bits())
    }

    /// GPS week, its modulus, and the reference time in it as ms of the GPS week; for the date of a stream. `None` for
    /// GLONASS and an unhealthy satellite.
    pub fn gps_week(&self) -> Option<(i64, i64, i64)> {
        let Motion::Kepler(kepler) = &self.motion else { return None };
        if self.health != 0 {
            return None;
        }
        let toe_ms = (kepler.toe_s * 1000.0) as i64;
        let week = i64::from(self.week);
        Some(match self.sat.system() {
            // Week 0 of Galileo is GPS week 1024 (Galileo OS SIS ICD 5.1.2).
            System::Galileo => (week + 1024, 4096, toe_ms),
            // Week 0 of BeiDou is GPS week 1356 (BDS-SIS-ICD 3.3).
            System::Beidou => (week + 1356, 8192, toe_ms + BDT_BEHIND_GPST_MS),
            // GPS, QZSS and NavIC: ten bits; NavIC counts from GPS week 1024.
            _ => (week, 1024, toe_ms),
        })
    }
}

/// Reads one orbit message.
///
/// # Errors
/// [`Damage`] for another message and a payload that is too short.
pub fn parse(payload: &[u8], heard: Option<UtcMs>) -> Result<Orbit, Damage> {
    let message = super::message_number(payload).ok_or(Damage::OtherMessage)?;
    let needed = match message {
        1019 => 488,
        1020 => 360,
        1041 => 482,
        1042 => 511,
        1044 => 485,
        1045 => 496,
        1046 => 504,
        _ => return Err(Damage::OtherMessage),
    };
    require(payload, needed)?;
    let mut bits = Bits::new(payload);
    bits.skip(12);
    let mut orbit = match message {
        1019 => gps(&mut bits),
        1020 => glonass(&mut bits),
        1041 => navic(&mut bits),
        1042 => beidou(&mut bits),
        1044 => qzss(&mut bits),
        _ => galileo(&mut bits, message),
    };
    orbit.message = message;
    orbit.heard = heard;
    Ok(orbit)
}

/// A signed field times two to the power of `-scale`.
fn scaled(bits: &mut Bits, width: u32, scale: i32) -> f64 {
    bits.signed(width) as f64 * f64::powi(2.0, -scale)
}

/// The same in semicircles, given in radians.
fn angle(bits: &mut Bits, width: u32, scale: i32) -> f64 {
    scaled(bits, width, scale) * PI
}

/// An unsigned field times two to the power of `-scale`.
fn positive(bits: &mut Bits, width: u32, scale: i32) -> f64 {
    bits.unsigned(width) as f64 * f64::powi(2.0, -scale)
}

/// An unsigned field times a whole unit.
fn times(bits: &mut Bits, width: u32, unit: f64) -> f64 {
    bits.unsigned(width) as f64 * unit
}

fn orbit(system: System, number: u8) -> Orbit {
    Orbit {
        heard: None,
        message: 0,
        sat: Sat::new(system, number),
        week: 0,
        issue: 0,
        health: 0,
        motion: Motion::Kepler(Kepler::default()),
    }
}

/// The run of elements from Crs to OMEGADOT that 1019, 1044, 1045 and 1046 share; `toe` has its own width and unit.
fn middle(bits: &mut Bits, k: &mut Kepler, toe_width: u32, toe_unit: f64) {
    k.crs = scaled(bits, 16, 5);
    k.delta_n = angle(bits, 16, 43);
    k.m0 = angle(bits, 32, 31);
    k.cuc = scaled(bits, 16, 29);
    k.eccentricity = positive(bits, 32, 33);
    k.cus = scaled(bits, 16, 29);
    k.sqrt_a = positive(bits, 32, 19);
    k.toe_s = times(bits, toe_width, toe_unit);
    k.cic = scaled(bits, 16, 29);
    k.omega0 = angle(bits, 32, 31);
    k.cis = scaled(bits, 16, 29);
    k.i0 = angle(bits, 32, 31);
    k.crc = scaled(bits, 16, 5);
    k.omega = angle(bits, 32, 31);
    k.omega_dot = angle(bits, 24, 43);
}

fn gps(bits: &mut Bits) -> Orbit {
    let mut o = orbit(System::Gps, bits.small(6));
    let mut k = Kepler::default();
    o.week = bits.medium(10);
    bits.skip(4 + 2); // URA, code on L2
    k.i_dot = angle(bits, 14, 43);
    o.issue = bits.medium(8);
    k.toc_s = times(bits, 16, 16.0);
    k.af2 = scaled(bits, 8, 55);
    k.af1 = scaled(bits, 16, 43);
    k.af0 = scaled(bits, 22, 31);
    bits.skip(10); // IODC
    middle(bits, &mut k, 16, 16.0);
    k.group_delay_s = scaled(bits, 8, 31);
    o.health = bits.medium(6);
    o.motion = Motion::Kepler(k);
    o
}

fn qzss(bits: &mut Bits) -> Orbit {
    let mut o = orbit(System::Qzss, bits.small(4));
    let mut k = Kepler { toc_s: times(bits, 16, 16.0), ..Kepler::default() };
    k.af2 = scaled(bits, 8, 55);
    k.af1 = scaled(bits, 16, 43);
    k.af0 = scaled(bits, 22, 31);
    o.issue = bits.medium(8);
    middle(bits, &mut k, 16, 16.0);
    k.i_dot = angle(bits, 14, 43);
    bits.skip(2); // code on L2
    o.week = bits.medium(10);
    bits.skip(4); // URA
    o.health = bits.medium(6);
    k.group_delay_s = scaled(bits, 8, 31);
    o.motion = Motion::Kepler(k);
    o
}

fn galileo(bits: &mut Bits, message: u16) -> Orbit {
    let mut o = orbit(System::Galileo, bits.small(6));
    let mut k = Kepler::default();
    o.week = bits.medium(12);
    o.issue = bits.medium(10);
    bits.skip(8); // SISA
    k.i_dot = angle(bits, 14, 43);
    k.toc_s = times(bits, 14, 60.0);
    k.af2 = scaled(bits, 6, 59);
    k.af1 = scaled(bits, 21, 46);
    k.af0 = scaled(bits, 31, 34);
    middle(bits, &mut k, 14, 60.0);
    k.group_delay_s = scaled(bits, 10, 32);
    if message == 1045 {
        o.health = bits.medium(3); // E5a health and data validity
    } else {
        bits.skip(10); // BGD E1/E5b
        o.health = bits.medium(6); // E5b and E1-B health and data validity
    }
    o.motion = Motion::Kepler(k);
    o
}

fn beidou(bits: &mut Bits) -> Orbit {
    let mut o = orbit(System::Beidou, bits.small(6));
    let mut k = Kepler::default();
    o.week = bits.medium(13);
    bits.skip(4); // URA
    k.i_dot = angle(bits, 14, 43);
    o.issue = bits.medium(5);
    k.toc_s = times(bits, 17, 8.0);
    k.af2 = scaled(bits, 11, 66);
    k.af1 = scaled(bits, 22, 50);
    k.af0 = scaled(bits, 24, 33);
    bits.skip(5); // AODC
    k.crs = scaled(bits, 18, 6);
    k.delta_n = angle(bits, 16, 43);
    k.m0 = angle(bits, 32, 31);
    k.cuc = scaled(bits, 18, 31);
    k.eccentricity = positive(bits, 32, 33);
    k.cus = scaled(bits, 18, 31);
    k.sqrt_a = positive(bits, 32, 19);
    k.toe_s = times(bits, 17, 8.0);
    k.cic = scaled(bits, 18, 31);
    k.omega0 = angle(bits, 32, 31);
    k.cis = scaled(bits, 18, 31);
    k.i0 = angle(bits, 32, 31);
    k.crc = scaled(bits, 18, 6);
    k.omega = angle(bits, 32, 31);
    k.omega_dot = angle(bits, 24, 43);
    k.group_delay_s = bits.signed(10) as f64 * 1e-10;
    bits.skip(10); // TGD2
    o.health = bits.medium(1);
    o.motion = Motion::Kepler(k);
    o
}

fn navic(bits: &mut Bits) -> Orbit {
    let mut o = orbit(System::Navic, bits.small(6));
    o.week = bits.medium(10);
    let mut k = Kepler { af0: scaled(bits, 22, 31), ..Kepler::default() };
    k.af1 = scaled(bits, 16, 43);
    k.af2 = scaled(bits, 8, 55);
    bits.skip(4); // URA
    k.toc_s = times(bits, 16, 16.0);
    k.group_delay_s = scaled(bits, 8, 31);
    k.delta_n = angle(bits, 22, 41);
    o.issue = bits.medium(8);
    bits.skip(10); // reserved
    o.health = bits.medium(2); // L5 and S flags
    k.cuc = scaled(bits, 15, 28);
    k.cus = scaled(bits, 15, 28);
    k.cic = scaled(bits, 15, 28);
    k.cis = scaled(bits, 15, 28);
    k.crc = scaled(bits, 15, 4);
    k.crs = scaled(bits, 15, 4);
    k.i_dot = angle(bits, 14, 43);
    k.m0 = angle(bits, 32, 31);
    k.toe_s = times(bits, 16, 16.0);
    k.eccentricity = positive(bits, 32, 33);
    k.sqrt_a = positive(bits, 32, 19);
    k.omega0 = angle(bits, 32, 31);
    k.omega = angle(bits, 32, 31);
    k.omega_dot = angle(bits, 22, 41);
    k.i0 = angle(bits, 32, 31);
    o.motion = Motion::Kepler(k);
    o
}

fn glonass(bits: &mut Bits) -> Orbit {
    let mut o = orbit(System::Glonass, bits.small(6));
    let mut g = GlonassState { channel: bits.small(5) as i8 - 7, ..GlonassState::default() };
    bits.skip(1 + 1 + 2 + 12); // almanac health, its availability, P1, t_k
    o.health = bits.medium(1); // highest bit of B_n
    bits.skip(1); // P2
    let tb = bits.medium(7);
    o.issue = tb;
    g.tb_s = f64::from(tb) * 15.0 * 60.0;
    for axis in 0..3 {
        let velocity = bits.sign_magnitude(24) as f64 * f64::powi(2.0, -20) * 1000.0;
        let position = bits.sign_magnitude(27) as f64 * f64::powi(2.0, -11) * 1000.0;
        let acceleration = bits.sign_magnitude(5) as f64 * f64::powi(2.0, -30) * 1000.0;
        for (values, value) in
            [(&mut g.velocity_m_s, velocity), (&mut g.position_m, position), (&mut g.acceleration_m_s2, acceleration)]
        {
            if let Some(place) = values.get_mut(axis) {
                *place = value;
            }
        }
    }
    bits.skip(1); // P3
    g.clock_rate = bits.sign_magnitude(11) as f64 * f64::powi(2.0, -40);
    bits.skip(2 + 1); // P, l_n of the third string
    g.clock_s = -(bits.sign_magnitude(22) as f64 * f64::powi(2.0, -30));
    bits.skip(5 + 5 + 1 + 4); // delta tau, E_n, P4, F_T
    g.day = bits.medium(11);
    bits.skip(2); // M
    let additional = bits.flag();
    bits.skip(11 + 32); // N_A, tau_c
    let four_years = bits.small(5);
    if additional {
        g.four_years = four_years;
    }
    o.motion = Motion::Glonass(g);
    o
}
