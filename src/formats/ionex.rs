//! IONEX 1.0 and 1.1: maps of the vertical electron content (Schaer, Gurtner, Feltens 1998), read as a stream of lines.
//!
//! Kept are the maps of the content and of its error on the first height; height maps, further heights and auxiliary data
//! are left aside with a reason. Epochs of IONEX are UT.

use super::rinex::fields::{columns, float, int, text, trim};
use super::rinex::lines::{Line, Lines};
use super::rinex::report::{Report, quote};
use super::{FileContext, Parsed, Stream};
use crate::maths::ionosphere::IonexMap;
use crate::model::look::{FileLook, Format};
use crate::model::time::{DAY_MS, UtcMs, days_from_date, rfc3339};

/// The number written for "no value".
const NO_VALUE: i64 = 9999;
/// Values of one map; half a degree over the whole globe has 260 000.
const CELLS_LIMIT: usize = 400_000;
/// Values of all maps together: 64 MB.
const VALUES_LIMIT: usize = 16_000_000;
/// Columns of a value and values on a line.
const WIDTH: usize = 5;
const PER_LINE: usize = 16;

/// First, last and step of an axis.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Axis {
    /// First value.
    pub first: f64,
    /// Last value.
    pub last: f64,
    /// Step with its sign; 0 for a single value.
    pub step: f64,
}

impl Axis {
    /// Number of values; 0 for an axis that cannot be.
    pub fn len(&self) -> usize {
        if self.step == 0.0 {
            return usize::from(self.first == self.last);
        }
        let n = (self.last - self.first) / self.step;
        if n.is_finite() && (0.0..10_000.0).contains(&n) { n.round() as usize + 1 } else { 0 }
    }

    /// Whether there is no value.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    fn place(&self, value: f64) -> Option<usize> {
        let at = if self.step == 0.0 { 0.0 } else { (value - self.first) / self.step };
        let near = at.is_finite() && (at - at.round()).abs() < 0.01 && (0.0..10_000.0).contains(&at.round());
        near.then(|| at.round() as usize).filter(|i| *i < self.len())
    }
}

/// One map: values by row (latitude), then column (longitude).
#[derive(Debug, Clone, PartialEq)]
pub struct Map {
    /// Epoch, UTC ms.
    pub time: UtcMs,
    /// TECU; NaN where the file has no value.
    pub values_tecu: Vec<f32>,
}

/// The maps of one file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Maps {
    /// Latitudes of the rows, degrees.
    pub lat_deg: Axis,
    /// Longitudes of the columns, degrees.
    pub lon_deg: Axis,
    /// Height of the single layer, m.
    pub height_m: f64,
    /// Radius that the height is counted from, m.
    pub base_radius_m: f64,
    /// Interval of the maps, s; `None` when it varies.
    pub interval_s: Option<f64>,
    /// Mapping function: `NONE`, `COSZ`, `QFAC`.
    pub mapping: String,
    /// Lowest elevation used, degrees.
    pub elevation_cutoff_deg: f64,
    /// Content, in order of the file.
    pub tec: Vec<Map>,
    /// Error (1 sigma) of the content, where the file has it.
    pub rms: Vec<Map>,
}

impl Maps {
    /// The map `i` of the content in the form of the formulas.
    pub fn tec_map(&self, i: usize) -> Option<IonexMap<'_>> {
        self.view(self.tec.get(i)?)
    }

    /// The map `i` of the error in the form of the formulas.
    pub fn rms_map(&self, i: usize) -> Option<IonexMap<'_>> {
        self.view(self.rms.get(i)?)
    }

    fn view<'a>(&self, map: &'a Map) -> Option<IonexMap<'a>> {
        Some(IonexMap {
            lat1_deg: self.lat_deg.first,
            dlat_deg: self.lat_deg.step,
            lon1_deg: self.lon_deg.first,
            dlon_deg: self.lon_deg.step,
            columns: self.lon_deg.len(),
            values_tecu: &map.values_tecu,
        })
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Tec,
    Rms,
    /// A height map or one beyond the limit.
    Other,
}

#[derive(Debug)]
struct Open {
    kind: Kind,
    time: Option<UtcMs>,
    exponent: i32,
    values: Vec<f32>,
    /// Values written of the row that is read: row, columns, first.
    row: Option<Row>,
    met: usize,
}

#[derive(Debug, Clone, Copy)]
struct Row {
    at: usize,
    next: usize,
    left: usize,
    used: bool,
}

/// Decoder of one IONEX file.
#[derive(Debug)]
pub struct IonexStream {
    lines: Lines,
    core: Core,
}

#[derive(Debug)]
struct Core {
    path: String,
    version: String,
    maps: Maps,
    exponent: i32,
    in_header: bool,
    in_aux: bool,
    announced: Option<i64>,
    open: Option<Open>,
    kept: usize,
    report: Report,
    end: (u64, u64),
}

/// A decoder when the file begins like IONEX.
pub fn sniff(head: &[u8], context: &FileContext) -> Option<Box<dyn Stream>> {
    let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
    let is_ionex = head.split(|b| *b == b'\n').take(10).any(|l| trim(columns(l, 60, 80)) == b"IONEX VERSION / TYPE");
    is_ionex.then(|| Box::new(IonexStream::new(context)) as Box<dyn Stream>)
}

impl IonexStream {
    /// An empty decoder.
    pub fn new(context: &FileContext) -> IonexStream {
        IonexStream {
            lines: Lines::default(),
            core: Core {
                path: context.path.clone(),
                version: String::new(),
                maps: Maps { base_radius_m: 6_371_000.0, ..Maps::default() },
                exponent: -1,
                in_header: true,
                in_aux: false,
                announced: None,
                open: None,
                kept: 0,
                report: Report::default(),
                end: (0, 0),
            },
        }
    }
}

impl Stream for IonexStream {
    fn feed(&mut self, bytes: &[u8]) {
        let core = &mut self.core;
        self.lines.feed(bytes, &mut |line| core.line(&line));
    }

    fn finish(mut self: Box<Self>) -> Parsed {
        let core = &mut self.core;
        self.lines.finish(&mut |line| core.line(&line));
        self.core.finish()
    }
}

impl Core {
    fn line(&mut self, line: &Line<'_>) {
        self.end = (line.number, line.offset);
        if line.overlong {
            self.report.unknown(line);
            let words = || format!("a line of {} bytes", line.bytes);
            return self.report.problem("line too long", line, words, "not a line of IONEX; skipped");
        }
        if let Some(row) = self.open.as_ref().and_then(|o| o.row)
            && row.left > 0
            && !line.text.get(60).is_some_and(u8::is_ascii_alphabetic)
        {
            return self.values(line, row);
        }
        let content = columns(line.text, 0, 60);
        let label = trim(columns(line.text, 60, 80));
        if self.in_aux {
            self.in_aux = label != b"END OF AUX DATA";
            return self.report.skipped(line, "auxiliary data");
        }
        match label {
            b"COMMENT" | b"DESCRIPTION" => return self.report.skipped(line, "comment"),
            b"START OF AUX DATA" => {
                self.in_aux = true;
                return self.report.skipped(line, "auxiliary data");
            }
            b"EXPONENT" => match (int(columns(content, 0, 6)).filter(|e| (-12..=6).contains(e)), &mut self.open) {
                (Some(e), Some(open)) => open.exponent = e as i32,
                (Some(e), None) => self.exponent = e as i32,
                (None, _) => return self.bad(line, "exponent"),
            },
            b"START OF TEC MAP" => self.start(Kind::Tec, line),
            b"START OF RMS MAP" => self.start(Kind::Rms, line),
            b"START OF HEIGHT MAP" => self.start(Kind::Other, line),
            b"EPOCH OF CURRENT MAP" => {
                let time = epoch(content);
                if time.is_none() {
                    return self.bad(line, "epoch of the map");
                }
                if let Some(open) = &mut self.open {
                    open.time = time;
                }
            }
            b"LAT/LON1/LON2/DLON/H" => return self.row(line),
            b"END OF TEC MAP" | b"END OF RMS MAP" | b"END OF HEIGHT MAP" => self.end_map(line),
            b"END OF FILE" => {}
            _ if self.in_header => return self.header(label, content, line),
            b"" if trim(content).is_empty() => return self.report.skipped(line, "blank line"),
            _ => {
                self.report.unknown(line);
                let words = || format!("no record of IONEX: {}", quote(line.text));
                return self.report.problem("unknown record", line, words, "the line is not used");
            }
        }
        self.report.decoded(line);
    }

    fn header(&mut self, label: &[u8], content: &[u8], line: &Line<'_>) {
        let axis = || {
            let part = |from: usize| float(columns(content, from, from + 6));
            Some(Axis { first: part(2)?, last: part(8)?, step: part(14)? })
        };
        let number = |to: usize| float(columns(content, 0, to));
        let fine = match label {
            b"IONEX VERSION / TYPE" => {
                self.version = text(trim(columns(content, 0, 8)));
                !self.version.is_empty()
            }
            b"LAT1 / LAT2 / DLAT" => axis().map(|a| self.maps.lat_deg = a).is_some(),
            b"LON1 / LON2 / DLON" => axis().map(|a| self.maps.lon_deg = a).is_some(),
            b"HGT1 / HGT2 / DHGT" => axis().map(|a| self.maps.height_m = a.first * 1000.0).is_some(),
            b"BASE RADIUS" => number(8).map(|r| self.maps.base_radius_m = r * 1000.0).is_some(),
            b"INTERVAL" => number(6).map(|s| self.maps.interval_s = (s > 0.0).then_some(s)).is_some(),
            b"ELEVATION CUTOFF" => number(8).map(|e| self.maps.elevation_cutoff_deg = e).is_some(),
            b"# OF MAPS IN FILE" => {
                self.announced = int(columns(content, 0, 6));
                self.announced.is_some()
            }
            b"MAPPING FUNCTION" => {
                self.maps.mapping = text(trim(columns(content, 0, 6)));
                true
            }
            b"END OF HEADER" => {
                self.in_header = false;
                self.check_grid(line);
                true
            }
            b"PGM / RUN BY / DATE"
            | b"EPOCH OF FIRST MAP"
            | b"EPOCH OF LAST MAP"
            | b"OBSERVABLES USED"
            | b"# OF STATIONS"
            | b"# OF SATELLITES"
            | b"MAP DIMENSION" => true,
            _ if trim(line.text).is_empty() => return self.report.skipped(line, "blank line"),
            _ => {
                self.report.unknown(line);
                let words = || format!("no header label of IONEX in columns 61 to 80: {}", quote(line.text));
                return self.report.problem("unknown header line", line, words, "the line is not used");
            }
        };
        if fine { self.report.decoded(line) } else { self.bad(line, "header value") }
    }

    fn check_grid(&mut self, line: &Line<'_>) {
        let cells = self.maps.lat_deg.len() * self.maps.lon_deg.len();
        if cells == 0 || cells > CELLS_LIMIT {
            let words = || format!("the grid of the header has {cells} values a map");
            self.report.problem("grid that cannot be", line, words, "no map can be read; get the file again");
        }
    }

    fn bad(&mut self, line: &Line<'_>, what: &'static str) {
        self.report.unknown(line);
        let words = || format!("the {what} cannot be read: {}", quote(line.text));
        self.report.problem("unreadable record", line, words, "it counts as missing");
    }

    fn start(&mut self, kind: Kind, line: &Line<'_>) {
        self.in_header = false;
        if self.open.is_some() {
            let words = || "a map begins before the one before it ended".to_owned();
            self.report.problem("map cut short", line, words, "what is there is used");
            self.end_map(line);
        }
        self.report.count(match kind {
            Kind::Tec => "TEC map",
            Kind::Rms => "RMS map",
            Kind::Other => "height map",
        });
        let cells = self.maps.lat_deg.len() * self.maps.lon_deg.len();
        let mut kind = kind;
        if cells > CELLS_LIMIT || self.kept + cells > VALUES_LIMIT {
            let words = || format!("more than {VALUES_LIMIT} values in one file");
            self.report.problem("too many maps", line, words, "the map is not used; split the file by days");
            kind = Kind::Other;
        }
        let values = if kind == Kind::Other { Vec::new() } else { vec![f32::NAN; cells] };
        self.open = Some(Open { kind, time: None, exponent: self.exponent, values, row: None, met: 0 });
    }

    fn row(&mut self, line: &Line<'_>) {
        let part = |from: usize| float(columns(line.text, from, from + 6));
        let all = (part(2), part(8), part(14), part(20), part(26));
        let (Some(lat), Some(lon1), Some(lon2), Some(dlon)) = (all.0, all.1, all.2, all.3) else {
            return self.bad(line, "begin of a row");
        };
        let height_m = all.4.map_or(self.maps.height_m, |h| h * 1000.0);
        let columns = Axis { first: lon1, last: lon2, step: dlon };
        let place = self.maps.lat_deg.place(lat);
        let same = columns == self.maps.lon_deg && (height_m - self.maps.height_m).abs() < 1.0;
        let width = self.maps.lon_deg.len();
        let Some(open) = &mut self.open else { return self.bad(line, "row outside a map") };
        let used = same && place.is_some() && open.kind != Kind::Other;
        let at = place.unwrap_or(0) * width;
        open.row = Some(Row { at, next: 0, left: columns.len(), used });
        self.report.decoded(line);
        if !used && self.open.as_ref().is_some_and(|o| o.kind != Kind::Other) {
            let words = || format!("a row beside the grid of the header: {}", quote(line.text));
            self.report.problem("row beside the grid", line, words, "not used; only the grid of the first height is");
        }
    }

    fn values(&mut self, line: &Line<'_>, mut row: Row) {
        let Some(open) = &mut self.open else { return self.report.unknown(line) };
        if !row.used {
            self.report.skipped(line, "map that is not used");
            row.left = row.left.saturating_sub(PER_LINE);
            open.row = Some(row);
            return;
        }
        let mut unknown = 0;
        let wanted = row.left.min(PER_LINE);
        for i in 0..wanted {
            let field = columns(line.text, WIDTH * i, WIDTH * i + WIDTH);
            match int(field) {
                Some(NO_VALUE) => open.met += 1,
                Some(raw) => {
                    open.met += 1;
                    if let Some(slot) = open.values.get_mut(row.at + row.next) {
                        *slot = (raw as f64 * 10f64.powi(open.exponent)) as f32;
                    }
                }
                None => {
                    unknown += field.len() as u64;
                    let words = || format!("value {} of the row cannot be read: {}", row.next + 1, quote(field));
                    self.report.problem("unreadable value", line, words, "it counts as missing");
                }
            }
            row.next += 1;
        }
        row.left -= wanted;
        open.row = Some(row);
        self.report.decoded_but(line, unknown);
    }

    fn end_map(&mut self, line: &Line<'_>) {
        let Some(open) = self.open.take() else { return };
        if open.kind == Kind::Other {
            return;
        }
        if open.met < open.values.len() {
            let words = || format!("a map has {} values of {}", open.met, open.values.len());
            self.report.problem("map with missing values", line, words, "the missing ones count as no value");
        }
        let Some(time) = open.time else {
            let words = || "a map has no epoch".to_owned();
            return self.report.problem("map without epoch", line, words, "the map is not used");
        };
        self.kept += open.values.len();
        let map = Map { time, values_tecu: open.values };
        if open.kind == Kind::Tec { self.maps.tec.push(map) } else { self.maps.rms.push(map) }
    }

    fn finish(mut self) -> Parsed {
        let end = Line { text: &[], bytes: 0, number: self.end.0, offset: self.end.1, overlong: false };
        if self.open.is_some() {
            let words = || "the file ends inside a map".to_owned();
            self.report.problem("map cut short", &end, words, "what is there is used");
            self.end_map(&end);
        }
        let met = self.report.counts.get("TEC map").copied().unwrap_or(0);
        if self.announced.is_some_and(|n| n != met as i64) {
            let words = format!("the header announces {} maps, the file has {met}", self.announced.unwrap_or(0));
            self.report.whole("number of maps", words, "what is there is used");
        }
        let times = || self.maps.tec.iter().map(|m| m.time);
        let span = times().min().zip(times().max());
        let look = FileLook {
            path: self.path,
            format: Format::Ionex,
            version: (!self.version.is_empty()).then_some(self.version),
            compressed: "none".to_owned(),
            from: span.map(|s| rfc3339(s.0)),
            to: span.map(|s| rfc3339(s.1)),
            bytes: self.report.ledger,
            counts: self.report.counts,
            epochs: Some(self.maps.tec.len() as u64),
            date_from: span.is_some().then(|| "epochs of the maps".to_owned()),
            problems: self.report.problems.into_list(),
            ..FileLook::default()
        };
        Parsed { look, span, maps: Some(Box::new(self.maps)), ..Parsed::default() }
    }
}

/// `6I6` date and time; hour 24 is the next midnight.
fn epoch(content: &[u8]) -> Option<UtcMs> {
    let part = |i: usize| int(columns(content, 6 * i, 6 * i + 6));
    let (hour, minute, second) = (part(3)?, part(4)?, part(5)?);
    let days = days_from_date(part(0)?.try_into().ok()?, part(1)?.try_into().ok()?, part(2)?.try_into().ok()?)?;
    let fine = (0..=24).contains(&hour) && (0..60).contains(&minute) && (0..=60).contains(&second);
    fine.then_some(days * DAY_MS + ((hour * 60 + minute) * 60 + second) * 1000)
}

#[cfg(test)]
mod tests;
