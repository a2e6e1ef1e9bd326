//! Rows that decoders write: structs of columns, one `Vec` a column, so that the hot path only pushes numbers.
//!
//! Missing values inside these batches are `NaN` for floats and the named `NO_*` constants for integers; the frames room
//! turns them into nulls. Times are UTC milliseconds since 1970 (see [`crate::model::time`]), corrected by
//! [`Rows::shift`] when a stream learned its date late. Every batch belongs to one file; the origin is added when batches
//! are merged.

use super::packed::Packed;
use super::time::UtcMs;

/// No station id.
pub const NO_STATION: u16 = u16::MAX;
/// No count.
pub const NO_COUNT: u8 = u8::MAX;
/// No count of slips: the minute has no two carrier phases.
pub const NO_SLIPS: u16 = u16::MAX;

macro_rules! columns {
    ($(#[$doc:meta])* $table:ident of $row:ident { $($(#[$fdoc:meta])* $field:ident : $ty:ty,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $row { $($(#[$fdoc])* pub $field: $ty,)* }

        $(#[$doc])*
        #[derive(Debug, Clone, Default, PartialEq)]
        pub struct $table { $($(#[$fdoc])* pub $field: Vec<$ty>,)* }

        impl $table {
            /// What a row takes in memory, bytes, without what its texts hold.
            pub const ROW_BYTES: usize = 0 $(+ std::mem::size_of::<$ty>())*;
            /// Appends one row.
            #[inline]
            pub fn push(&mut self, row: $row) { $(self.$field.push(row.$field);)* }
            /// Number of rows.
            pub fn len(&self) -> usize { self.time.len() }
            /// Whether there is no row.
            pub fn is_empty(&self) -> bool { self.time.is_empty() }
            /// Moves all rows of `other` behind the rows of this table.
            pub fn append(&mut self, mut other: $table) { $(self.$field.append(&mut other.$field);)* }
            /// Adds a delay to every time.
            pub fn shift(&mut self, delta_ms: i64) {
                if delta_ms != 0 { for t in &mut self.time { *t = t.saturating_add(delta_ms); } }
            }
            /// The row at `i`, cloned; `None` past the end.
            pub fn get(&self, i: usize) -> Option<$row> {
                Some($row { $($field: self.$field.get(i)?.clone(),)* })
            }
            /// Takes the first `n` rows out.
            pub fn split_front(&mut self, n: usize) -> $table {
                $table { $($field: {
                    let rest = self.$field.split_off(n.min(self.$field.len()));
                    std::mem::replace(&mut self.$field, rest)
                },)* }
            }
            /// Writes all rows, column by column.
            #[allow(dead_code, reason = "what is made of rows again is never put aside as rows")]
            pub(super) fn pack(&self, out: &mut Vec<u8>) { $(Packed::pack(&self.$field, out);)* }
            /// The same back; `None`: these bytes are no `rows` rows.
            #[allow(dead_code, reason = "as above")]
            pub(super) fn unpack(rows: usize, from: &mut &[u8]) -> Option<$table> {
                Some($table { $($field: Packed::unpack(rows, from)?,)* })
            }
            /// Keeps the rows whose index is in `order`, in that order. Indices past the end are left out.
            pub fn take(&self, order: &[u32]) -> $table {
                $table { $($field: order.iter().filter_map(|i| self.$field.get(*i as usize).cloned()).collect(),)* }
            }
        }
    };
}

columns! {
    /// One rover epoch, kept at 1 s.
    Fixes of Fix {
        /// UTC ms.
        time: UtcMs,
        /// [`crate::model::ids::FixState`] code.
        state: u8,
        /// Satellites used, [`NO_COUNT`] when missing.
        satellites: u8,
        /// Horizontal dilution of precision.
        hdop: f32,
        /// Age of the last correction, s.
        correction_age_s: f32,
        /// Reference station id of the corrections in use (RTCM DF003), [`NO_STATION`] when missing, 0, 1023 or an SBAS PRN.
        station_id: u16,
        /// Degrees, WGS 84.
        lat: f64,
        /// Degrees, WGS 84.
        lon: f64,
        /// Ellipsoidal height, m.
        height_m: f64,
        /// Horizontal 1 sigma, m (GST).
        sigma_h_m: f32,
        /// Vertical 1 sigma, m (GST).
        sigma_v_m: f32,
    }
}

columns! {
    /// One minute of one message type in a correction stream.
    Corrections of Correction {
        /// Start of the minute, UTC ms.
        time: UtcMs,
        /// DF003, [`NO_STATION`] when the message has none.
        station_id: u16,
        /// Message number DF002.
        message: u16,
        /// Frames in the minute.
        count: u32,
        /// Bytes of these frames with framing.
        bytes: u32,
        /// Longest time between two frames of this type that ends in the minute, s; the first frame of a file has none.
        longest_gap_s: f32,
    }
}

columns! {
    /// A reported base position (1005, 1006; the GGA of a base). At most one a minute and station, and every change.
    Positions of Position {
        /// UTC ms.
        time: UtcMs,
        /// DF003, [`NO_STATION`] from NMEA.
        station_id: u16,
        /// ECEF of the antenna reference point, m.
        x_m: f64,
        /// ECEF, m.
        y_m: f64,
        /// ECEF, m.
        z_m: f64,
        /// DF028, m; NaN from 1005.
        antenna_height_m: f32,
        /// DF141: the station is virtual (network RTK).
        is_virtual: bool,
        /// Whether it came from an RTCM station message (1005, 1006) and not from NMEA.
        from_rtcm: bool,
    }
}

columns! {
    /// Antenna and receiver words of a base (1007, 1008, 1033; RINEX header). Only changes are kept.
    Descriptions of Description {
        /// UTC ms.
        time: UtcMs,
        /// DF003.
        station_id: u16,
        /// Antenna descriptor, blanks at the end cut.
        antenna: String,
        /// Antenna serial number.
        antenna_serial: String,
        /// Receiver type.
        receiver: String,
        /// Receiver firmware.
        firmware: String,
        /// Receiver serial number.
        receiver_serial: String,
    }
}

columns! {
    /// One minute of one satellite and signal.
    Signals of SignalMinute {
        /// Start of the minute, UTC ms.
        time: UtcMs,
        /// [`crate::model::ids::Sat::code`].
        sat: u16,
        /// [`crate::model::ids::Signal::pack`].
        signal: u32,
        /// [`crate::model::ids::Band::code`], 0 for an unknown signal.
        band: u8,
        /// Mean C/N0, dB-Hz; NaN when the stream has none.
        cn0_mean: f32,
        /// Lowest C/N0, dB-Hz.
        cn0_min: f32,
        /// Standard deviation of C/N0 within the minute, dB.
        cn0_sd: f32,
        /// Epochs with the signal.
        epochs: u16,
        /// Certain losses of lock (the lock time fell, LLI).
        slips: u16,
        /// Degrees, from GSV or an orbit; NaN when not known.
        azimuth: f32,
        /// Degrees, from GSV or an orbit; NaN when not known.
        elevation: f32,
        /// Jumps of the geometry-free or Melbourne-Wuebbena combination with the partner signal; [`NO_SLIPS`] without two
        /// carrier phases in the minute.
        phase_slips: u16,
        /// RMS of the code multipath combination in the minute, the mean of its slip-free arc taken out, m; NaN when the arc
        /// is too short or there are no ranges.
        mp_rms_m: f32,
        /// Mean rate of change of the slant electron content over the five minutes that end with this one, from 30 s
        /// samples, TECU/min; only with the satellite's first frequency.
        rot: f32,
        /// Standard deviation of the same rates (ROTI of Pi et al. 1997, doi 10.1029/97GL02273), TECU/min.
        roti: f32,
        /// The same from samples of 1 s: not comparable with limits for 30 s, TECU/min.
        roti_1s: f32,
        /// Scintillation index S4 of the minute from C/N0 in linear units, its straight line taken out. Samples of 1 s
        /// under-read fast fading, and reflections raise it too: a comparative index only.
        s4_like: f32,
    }
}

impl Default for SignalMinute {
    /// Nothing known.
    fn default() -> SignalMinute {
        SignalMinute {
            time: 0,
            sat: 0,
            signal: 0,
            band: 0,
            cn0_mean: f32::NAN,
            cn0_min: f32::NAN,
            cn0_sd: f32::NAN,
            epochs: 0,
            slips: 0,
            azimuth: f32::NAN,
            elevation: f32::NAN,
            phase_slips: NO_SLIPS,
            mp_rms_m: f32::NAN,
            rot: f32::NAN,
            roti: f32::NAN,
            roti_1s: f32::NAN,
            s4_like: f32::NAN,
        }
    }
}

columns! {
    /// One minute of one healthy satellite above the horizon of a base, by its orbit: what should have been tracked.
    Expecteds of Expected {
        /// Start of the minute, UTC ms.
        time: UtcMs,
        /// [`crate::model::ids::Sat::code`].
        sat: u16,
        /// Degrees, in the middle of the minute.
        azimuth: f32,
        /// Degrees, in the middle of the minute.
        elevation: f32,
        /// Whether the base had any signal of it in the minute.
        tracked: bool,
    }
}

columns! {
    /// Ten seconds of one band, all systems together.
    Bands of BandTen {
        /// Start of the ten seconds, UTC ms.
        time: UtcMs,
        /// [`crate::model::ids::Band::code`].
        band: u8,
        /// Satellites with the band.
        satellites: u8,
        /// Median C/N0 over satellites (each by its mean in the ten seconds), dB-Hz.
        cn0_median: f32,
        /// Largest epoch-to-epoch change that the satellites share (the median of their changes) within the ten seconds,
        /// dB, absolute.
        cn0_step_max: f32,
        /// Mean deviation of the satellites' epoch-to-epoch changes from the shared change, dB: each fades for itself.
        cn0_scatter: f32,
        /// Satellites that lost lock in the ten seconds.
        lost_lock: u8,
    }
}

columns! {
    /// Ten seconds of one system: who has a second frequency.
    Systems of SystemTen {
        /// Start of the ten seconds, UTC ms.
        time: UtcMs,
        /// [`crate::model::ids::System`] as its RINEX letter.
        system: u8,
        /// Satellites tracked on any frequency.
        satellites: u8,
        /// Satellites with a first frequency (band L1).
        first: u8,
        /// Satellites with any second frequency (L2, L2W, L5, L6) that is not too weak to be used (under 8 dB-Hz).
        second: u8,
    }
}

columns! {
    /// Named measured value (antenna voltage, radio level ...).
    Metrics of Metric {
        /// UTC ms.
        time: UtcMs,
        /// Name as in the contract, or the foreign column's name.
        metric: String,
        /// Value in the unit that the name ends in.
        value: f64,
    }
}

columns! {
    /// One frequency of one spectrum sweep.
    Spectra of SpectrumBin {
        /// UTC ms.
        time: UtcMs,
        /// Hz.
        frequency_hz: f64,
        /// dBm.
        power_dbm: f32,
    }
}

columns! {
    /// An event that the unit itself logged (event CSV, syslog).
    Logged of LoggedEvent {
        /// UTC ms.
        time: UtcMs,
        /// Event kind of the contract (`restart`, `power-fail`, ... , `other`).
        kind: String,
        /// The text of the log.
        detail: String,
    }
}

columns! {
    /// Stretches with data: no gap longer than 10 s inside.
    Spans of Span {
        /// First epoch, UTC ms.
        time: UtcMs,
        /// Last epoch, UTC ms.
        until: UtcMs,
        /// What was logged: [`SPAN_POSITIONS`], [`SPAN_OBSERVATIONS`], [`SPAN_STATION`].
        kind: u8,
        /// Epochs inside.
        epochs: u32,
    }
}

/// Position epochs (GGA and the like).
pub const SPAN_POSITIONS: u8 = 0;
/// Observation epochs (RTCM observables, RINEX).
pub const SPAN_OBSERVATIONS: u8 = 1;
/// Any frame of a correction stream.
pub const SPAN_STATION: u8 = 2;

/// Everything one file gave.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Rows {
    /// Rover epochs.
    pub fixes: Fixes,
    /// Message statistics.
    pub corrections: Corrections,
    /// Reported base positions.
    pub positions: Positions,
    /// Antenna and receiver words.
    pub descriptions: Descriptions,
    /// Satellite and signal minutes.
    pub signals: Signals,
    /// Bands by ten seconds.
    pub bands: Bands,
    /// Systems by ten seconds.
    pub systems: Systems,
    /// Measured values.
    pub metrics: Metrics,
    /// Spectrum sweeps.
    pub spectra: Spectra,
    /// Logged events.
    pub logged: Logged,
    /// Data coverage.
    pub spans: Spans,
}

impl Rows {
    /// Adds a delay to every time of every table (a stream learned its date after rows had been written).
    pub fn shift(&mut self, delta_ms: i64) {
        self.fixes.shift(delta_ms);
        self.corrections.shift(delta_ms);
        self.positions.shift(delta_ms);
        self.descriptions.shift(delta_ms);
        self.signals.shift(delta_ms);
        self.bands.shift(delta_ms);
        self.systems.shift(delta_ms);
        self.metrics.shift(delta_ms);
        self.spectra.shift(delta_ms);
        self.logged.shift(delta_ms);
        self.spans.shift(delta_ms);
        if delta_ms != 0 {
            for t in &mut self.spans.until {
                *t = t.saturating_add(delta_ms);
            }
        }
    }

    /// Moves all rows of `other` behind these.
    pub fn append(&mut self, other: Rows) {
        self.fixes.append(other.fixes);
        self.corrections.append(other.corrections);
        self.positions.append(other.positions);
        self.descriptions.append(other.descriptions);
        self.signals.append(other.signals);
        self.bands.append(other.bands);
        self.systems.append(other.systems);
        self.metrics.append(other.metrics);
        self.spectra.append(other.spectra);
        self.logged.append(other.logged);
        self.spans.append(other.spans);
    }

    /// Number of rows of all tables.
    pub fn len(&self) -> usize {
        self.fixes.len()
            + self.corrections.len()
            + self.positions.len()
            + self.descriptions.len()
            + self.signals.len()
            + self.bands.len()
            + self.systems.len()
            + self.metrics.len()
            + self.spectra.len()
            + self.logged.len()
            + self.spans.len()
    }

    /// Whether nothing was read.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}
