//! Rows as bytes and back, table by table and to the last bit: what lies aside while a long file is read.

use super::rows::Rows;
use super::time::UtcMs;

/// Numbers and texts as bytes.
pub(super) trait Packed: Sized {
    /// Writes the values one behind the other.
    fn pack(values: &[Self], out: &mut Vec<u8>);
    /// Takes so many values from the front; `None`: they are not there.
    fn unpack(n: usize, from: &mut &[u8]) -> Option<Vec<Self>>;
}

macro_rules! packed_numbers {
    ($($ty:ty)*) => { $(
        impl Packed for $ty {
            fn pack(values: &[$ty], out: &mut Vec<u8>) {
                out.reserve(size_of_val(values));
                for value in values {
                    out.extend_from_slice(&value.to_le_bytes());
                }
            }
            fn unpack(n: usize, from: &mut &[u8]) -> Option<Vec<$ty>> {
                let bytes = from.split_off(..n.checked_mul(size_of::<$ty>())?)?;
                let (values, _) = bytes.as_chunks();
                Some(values.iter().map(|b| <$ty>::from_le_bytes(*b)).collect())
            }
        }
    )* };
}

packed_numbers!(u8 u16 u32 i64 f32 f64);

impl Packed for bool {
    fn pack(values: &[bool], out: &mut Vec<u8>) {
        out.extend(values.iter().map(|v| u8::from(*v)));
    }

    fn unpack(n: usize, from: &mut &[u8]) -> Option<Vec<bool>> {
        Some(u8::unpack(n, from)?.into_iter().map(|v| v != 0).collect())
    }
}

impl Packed for String {
    fn pack(values: &[String], out: &mut Vec<u8>) {
        for value in values {
            u32::pack(&[u32::try_from(value.len()).unwrap_or(u32::MAX)], out);
            out.extend_from_slice(value.as_bytes());
        }
    }

    fn unpack(n: usize, from: &mut &[u8]) -> Option<Vec<String>> {
        let mut out = Vec::new();
        for _ in 0..n {
            let [length] = *u32::unpack(1, from)? else { return None };
            let bytes = from.split_off(..length as usize)?;
            out.push(std::str::from_utf8(bytes).ok()?.to_owned());
        }
        Some(out)
    }
}

/// The tables of [`Rows`] by name, in the order in which they stand there.
pub const TABLES: [&str; 11] = [
    "fixes",
    "corrections",
    "positions",
    "descriptions",
    "signals",
    "bands",
    "systems",
    "metrics",
    "spectra",
    "logged",
    "spans",
];

/// Does something with one table of rows, whatever its type.
macro_rules! with_table {
    ($rows:expr, $name:expr, $table:ident => $what:expr, $none:expr) => {
        match $name {
            "fixes" => with_table!(@ $rows.fixes, $table => $what),
            "corrections" => with_table!(@ $rows.corrections, $table => $what),
            "positions" => with_table!(@ $rows.positions, $table => $what),
            "descriptions" => with_table!(@ $rows.descriptions, $table => $what),
            "signals" => with_table!(@ $rows.signals, $table => $what),
            "bands" => with_table!(@ $rows.bands, $table => $what),
            "systems" => with_table!(@ $rows.systems, $table => $what),
            "metrics" => with_table!(@ $rows.metrics, $table => $what),
            "spectra" => with_table!(@ $rows.spectra, $table => $what),
            "logged" => with_table!(@ $rows.logged, $table => $what),
            "spans" => with_table!(@ $rows.spans, $table => $what),
            _ => $none,
        }
    };
    (@ $of:expr, $table:ident => $what:expr) => {{ let $table = &mut $of; $what }};
}

impl Rows {
    /// Times of a table; none when there is no such table.
    pub fn times(&mut self, table: &str) -> &[UtcMs] {
        with_table!(self, table, t => t.time.as_slice(), &[])
    }

    /// Writes a table.
    pub fn pack(&mut self, table: &str, out: &mut Vec<u8>) {
        with_table!(self, table, t => t.pack(out), ());
    }

    /// Reads a table of so many rows back in the place of what is there; `false`: these bytes are none.
    pub fn unpack(&mut self, table: &str, rows: usize, mut bytes: &[u8]) -> bool {
        fn put<T>(to: &mut T, read: Option<T>) -> bool {
            read.map(|read| *to = read).is_some()
        }
        use super::rows as r;
        let from = &mut bytes;
        let read = match table {
            "fixes" => put(&mut self.fixes, r::Fixes::unpack(rows, from)),
            "corrections" => put(&mut self.corrections, r::Corrections::unpack(rows, from)),
            "positions" => put(&mut self.positions, r::Positions::unpack(rows, from)),
            "descriptions" => put(&mut self.descriptions, r::Descriptions::unpack(rows, from)),
            "signals" => put(&mut self.signals, r::Signals::unpack(rows, from)),
            "bands" => put(&mut self.bands, r::Bands::unpack(rows, from)),
            "systems" => put(&mut self.systems, r::Systems::unpack(rows, from)),
            "metrics" => put(&mut self.metrics, r::Metrics::unpack(rows, from)),
            "spectra" => put(&mut self.spectra, r::Spectra::unpack(rows, from)),
            "logged" => put(&mut self.logged, r::Logged::unpack(rows, from)),
            "spans" => put(&mut self.spans, r::Spans::unpack(rows, from)),
            _ => false,
        };
        read && from.is_empty()
    }

    /// Takes from the front of every table what `rows_of` says of its name and length.
    pub fn split_front(&mut self, rows_of: impl Fn(&str, usize) -> usize) -> Rows {
        Rows {
            fixes: self.fixes.split_front(rows_of("fixes", self.fixes.len())),
            corrections: self.corrections.split_front(rows_of("corrections", self.corrections.len())),
            positions: self.positions.split_front(rows_of("positions", self.positions.len())),
            descriptions: self.descriptions.split_front(rows_of("descriptions", self.descriptions.len())),
            signals: self.signals.split_front(rows_of("signals", self.signals.len())),
            bands: self.bands.split_front(rows_of("bands", self.bands.len())),
            systems: self.systems.split_front(rows_of("systems", self.systems.len())),
            metrics: self.metrics.split_front(rows_of("metrics", self.metrics.len())),
            spectra: self.spectra.split_front(rows_of("spectra", self.spectra.len())),
            logged: self.logged.split_front(rows_of("logged", self.logged.len())),
            spans: self.spans.split_front(rows_of("spans", self.spans.len())),
        }
    }

    /// What all rows take in memory, bytes, about.
    pub fn bytes(&self) -> usize {
        /// A text beside its place in the column.
        const TEXT: usize = 32;
        use super::rows as r;
        self.fixes.len() * r::Fixes::ROW_BYTES
            + self.corrections.len() * r::Corrections::ROW_BYTES
            + self.positions.len() * r::Positions::ROW_BYTES
            + self.descriptions.len() * (r::Descriptions::ROW_BYTES + 5 * TEXT)
            + self.signals.len() * r::Signals::ROW_BYTES
            + self.bands.len() * r::Bands::ROW_BYTES
            + self.systems.len() * r::Systems::ROW_BYTES
            + self.metrics.len() * (r::Metrics::ROW_BYTES + TEXT)
            + self.spectra.len() * r::Spectra::ROW_BYTES
            + self.logged.len() * (r::Logged::ROW_BYTES + 2 * TEXT)
            + self.spans.len() * r::Spans::ROW_BYTES
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::rows::{Fix, LoggedEvent, Position, SignalMinute, Span};

    fn rows() -> Rows {
        let mut rows = Rows::default();
        for i in 0..5_i64 {
            rows.fixes.push(Fix {
                time: i - 2,
                state: i as u8,
                satellites: 3,
                hdop: f32::MIN_POSITIVE,
                correction_age_s: -0.0,
                station_id: 40_000,
                lat: 1.0 / 3.0,
                lon: f64::MAX,
                height_m: -5.5,
                sigma_h_m: 0.1,
                sigma_v_m: 0.2,
            });
            rows.logged.push(LoggedEvent { time: i, kind: "ö".repeat(i as usize), detail: String::new() });
            rows.signals.push(SignalMinute { time: i, cn0_mean: 1.0, ..SignalMinute::default() });
        }
        rows.positions.push(Position {
            time: i64::MAX,
            station_id: 1,
            x_m: 1.0,
            y_m: 2.0,
            z_m: 3.0,
            antenna_height_m: 0.0,
            is_virtual: true,
            from_rtcm: false,
        });
        rows.spans.push(Span { time: 1, until: 2, kind: 2, epochs: 7 });
        rows
    }

    #[test]
    fn rows_come_back_and_damage_is_told() {
        let mut rows = rows();
        let mut back = Rows::default();
        for table in TABLES {
            let mut bytes = Vec::new();
            rows.pack(table, &mut bytes);
            let n = rows.times(table).len();
            assert!(back.unpack(table, n, &bytes), "{table}");
            if n > 0 {
                assert!(!Rows::default().unpack(table, n, &bytes[1..]), "{table}");
                assert!(!Rows::default().unpack(table, n + 1, &bytes), "{table}");
                assert!(!Rows::default().unpack(table, usize::MAX, &bytes), "{table}");
            }
        }
        // NaN is not equal to itself.
        assert_eq!(format!("{rows:?}"), format!("{back:?}"));
        assert!(!back.unpack("other", 0, &[]));
    }

    #[test]
    fn what_is_split_and_joined_again_is_the_same() {
        let whole = rows();
        let mut rest = rows();
        let mut front = rest.split_front(|table, n| if table == "logged" { 0 } else { n / 2 });
        assert_eq!((front.fixes.len(), front.logged.len(), rest.fixes.len(), rest.logged.len()), (2, 0, 3, 5));
        assert!(front.bytes() > 0 && front.bytes() + rest.bytes() == whole.bytes());
        front.append(rest);
        assert_eq!(format!("{whole:?}"), format!("{front:?}"));
    }
}
