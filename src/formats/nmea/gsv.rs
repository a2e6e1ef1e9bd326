//! GSV: satellites in view with elevation, azimuth and C/N0, four a page.
//!
//! ```text
//! --GSV,pages,page,in view,{number,elevation,azimuth,C/N0} x 0..4[,signal id[,system id]]
//! ```
//! Source: NMEA 0183 v4.11; `check-values.md` 2.4. With `n` fields, `(n - 3) mod 4` tells what follows the satellites: 0
//! nothing, 1 a signal id (from v4.10, a hex digit), 2 a signal id and a system id (some receivers), 3 a last satellite
//! without C/N0. A missing C/N0 or 0 means not tracked: no cell.

use super::field::{decimal, whole};
use super::satellite::{SignalId, satellite, signal, system_of_id, system_of_talker};
use crate::formats::framing::found::Body;
use crate::formats::framing::hex;
use crate::model::ids::{Sat, Signal};

/// One tracked signal of one satellite.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cell {
    pub(super) sat: Sat,
    pub(super) signal: Signal,
    /// dB-Hz, above 0; NaN when not tracked.
    pub(super) cn0_dbhz: f32,
    /// Degrees, NaN when missing.
    pub(super) azimuth: f32,
    /// Degrees, NaN when missing.
    pub(super) elevation: f32,
}

/// The head of a page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Page {
    pages: u32,
    page: u32,
    /// Satellite numbers that no table knows.
    pub(super) odd_numbers: u32,
}

/// Satellites of one sentence that are read; the standard has at most four.
const CELLS_MAX: usize = 15;

/// No satellite number.
const NO_NUMBER: u32 = u32::MAX;

/// One satellite as written. The signal id stands behind the satellites, so they wait for it.
#[derive(Clone, Copy)]
struct Written {
    number: u32,
    cn0_dbhz: f32,
    azimuth: f32,
    elevation: f32,
}

const BLANK: Written = Written { number: NO_NUMBER, cn0_dbhz: 0.0, azimuth: 0.0, elevation: 0.0 };

/// Cuts fields off the front of a list.
struct Cursor<'a> {
    /// The list and what lies behind it.
    window: &'a [u8],
    /// Where the next field begins; beyond `end`: no field is left (an empty one behind a last comma is one).
    at: usize,
    end: usize,
}

/// Eight bytes of a satellite with digits and commas where `nn,ee,aa` and `e,aaa,cc` have them: 0 in every digit's byte
/// but its value, 0 in the commas'; `None` for another form. `forms` has `'0'` and `','`, `room` what may be added to each
/// before it is over its most (6 to a digit, 15 to a comma).
#[inline]
fn fitting(eight: [u8; 8], forms: [u8; 8], room: [u8; 8]) -> Option<u64> {
    const TENS: u64 = 0xF0F0_F0F0_F0F0_F0F0;
    let x = u64::from_le_bytes(eight) ^ u64::from_le_bytes(forms);
    ((x | x.wrapping_add(u64::from_le_bytes(room))) & TENS == 0).then_some(x)
}

impl<'a> Cursor<'a> {
    #[inline]
    fn field(&mut self) -> Option<&'a [u8]> {
        let rest = self.window.get(self.at..self.end)?;
        let n = rest.iter().position(|b| *b == b',').unwrap_or(rest.len());
        self.at += n + 1;
        rest.get(..n)
    }

    /// A satellite in the forms that nearly all have, `nn,ee,aaa,cc` and `nn,ee,aaa,`, at one go.
    #[inline]
    fn usual(&mut self) -> Option<Written> {
        let rest = self.window.get(self.at..)?;
        let front = fitting(*rest.first_chunk()?, *b"00,00,00", [6, 6, 15, 6, 6, 15, 6, 6])?;
        let back = *rest.get(4..)?.first_chunk::<8>()?;
        // Every byte becomes ten times itself and the next one: two digits are a number where the first of them stood.
        let pairs = |x: u64| (x.wrapping_mul(10)).wrapping_add(x >> 8);
        let two = |x: u64, place: u32| (x >> (8 * place)) as u32 & 0xFF;
        let (back, length, tracked) = match fitting(back, *b"0,000,00", [6, 15, 6, 6, 6, 15, 6, 6]) {
            Some(back) => (back, 12, true),
            None => {
                let [a, b, c, d, e, f, ..] = back;
                let back = fitting([a, b, c, d, e, f, b'0', b'0'], *b"0,000,00", [6, 15, 6, 6, 6, 15, 6, 6])?;
                (back, 10, false)
            }
        };
        let behind = self.at + length;
        if behind != self.end && (behind > self.end || self.window.get(behind) != Some(&b',')) {
            return None;
        }
        self.at = behind + 1;
        let (front, back_pairs) = (pairs(front), pairs(back));
        let azimuth = two(back_pairs, 2) * 10 + two(back, 4);
        let elevation = two(front, 3);
        let cn0 = two(back_pairs, 6);
        let up_to = |value: u32, most: u32| if value <= most { value as f32 } else { f32::NAN };
        Some(Written {
            number: two(front, 0),
            cn0_dbhz: if tracked && cn0 > 0 { cn0 as f32 } else { f32::NAN },
            azimuth: up_to(azimuth, 360),
            elevation: up_to(elevation, 90),
        })
    }
}

/// Reads a page (what stands from `from` on: behind the address and its comma) and hands over its satellites, tracked or
/// not. `None`: no page numbers.
#[inline]
pub(super) fn read(talker: [u8; 2], body: &Body<'_>, from: usize, mut each: impl FnMut(Cell)) -> Option<Page> {
    let mut cursor = Cursor { window: body.window(), at: from, end: body.length() };
    let mut head = match cursor.window.get(from..cursor.end)? {
        // Nine pages at most, nearly always.
        [pages @ b'0'..=b'9', b',', page @ b'0'..=b'9', b',', ..] => {
            cursor.at += 4;
            Page { pages: u32::from(pages - b'0'), page: u32::from(page - b'0'), odd_numbers: 0 }
        }
        _ => Page { pages: whole(cursor.field()?)?, page: whole(cursor.field()?)?, odd_numbers: 0 },
    };
    cursor.field();
    let mut cells = [BLANK; CELLS_MAX];
    let mut count = 0;
    let (mut told_signal, mut told_system): (Option<&[u8]>, Option<&[u8]>) = (None, None);
    for cell in &mut cells {
        if let Some(usual) = cursor.usual() {
            *cell = usual;
        } else {
            let Some(number) = cursor.field() else { break };
            // One or two fields behind the last satellite are the signal id and the system id.
            let Some(elevation) = cursor.field() else {
                told_signal = Some(number);
                break;
            };
            let Some(azimuth) = cursor.field() else {
                (told_signal, told_system) = (Some(number), Some(elevation));
                break;
            };
            let cn0 = cursor.field().unwrap_or_default();
            *cell = Written {
                number: whole(number).unwrap_or(NO_NUMBER),
                cn0_dbhz: Some(number_in(cn0, 99)).filter(|v| *v > 0.0).unwrap_or(f32::NAN),
                azimuth: number_in(azimuth, 360),
                elevation: number_in(elevation, 90),
            };
        }
        count += 1;
    }
    let id = match told_signal {
        None => SignalId::First,
        Some([digit]) => match hex(*digit) {
            Some(0) => SignalId::First,
            Some(n) => SignalId::Id(n),
            None => SignalId::Empty,
        },
        Some(_) => SignalId::Empty,
    };
    let mut system = system_of_talker(talker);
    if let Some([digit]) = told_system
        && let Some(told) = hex(*digit).and_then(system_of_id)
    {
        system = Some(told);
    }
    let mut last: Option<Signal> = None;
    for cell in cells.iter().take(count) {
        // Lists are padded with empty satellites.
        if cell.number == NO_NUMBER {
            continue;
        }
        let Some(sat) = satellite(system, cell.number) else {
            head.odd_numbers += 1;
            continue;
        };
        // A list of GPS may hold SBAS and QZSS satellites: their signals are their own.
        let own = sat.system();
        let signal = *match &mut last {
            Some(last) if last.system == own => last,
            last => last.insert(signal(own, id)),
        };
        each(Cell { sat, signal, cn0_dbhz: cell.cn0_dbhz, azimuth: cell.azimuth, elevation: cell.elevation });
    }
    Some(head)
}

/// A number of a satellite list up to `most` on either side of 0; NaN for none.
#[inline]
fn number_in(text: &[u8], most: u16) -> f32 {
    let digit = |byte: &u8| u16::from(byte.wrapping_sub(b'0'));
    let plain = match text {
        [] => return f32::NAN,
        [a, b] if digit(a) < 10 && digit(b) < 10 => digit(a) * 10 + digit(b),
        [a, b, c] if digit(a) < 10 && digit(b) < 10 && digit(c) < 10 => digit(a) * 100 + digit(b) * 10 + digit(c),
        [a] if digit(a) < 10 => digit(a),
        _ => return odd_number_in(text, most),
    };
    if plain <= most { f32::from(plain) } else { f32::NAN }
}

#[cold]
fn odd_number_in(text: &[u8], most: u16) -> f32 {
    decimal(text).map(|v| v as f32).filter(|v| v.abs() <= f32::from(most)).unwrap_or(f32::NAN)
}

/// Watches the page numbers. A list that starts again before its end, or goes on without its start, has a gap.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Paging {
    pages: u32,
    page: u32,
}

impl Paging {
    /// Whether pages are missing before this one. The talker may change within one list: some receivers number the pages
    /// of all systems through.
    pub(super) fn gap_before(&mut self, page: Page) -> bool {
        let unfinished = self.page < self.pages;
        let gap = if page.page <= 1 { unfinished } else { page.pages != self.pages || page.page != self.page + 1 };
        *self = Paging { pages: page.pages, page: page.page };
        gap
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(body: &str) -> (Page, Vec<String>) {
        let mut list = Vec::new();
        let talker = [body.as_bytes()[0], body.as_bytes()[1]];
        let from = body.find(',').unwrap() + 1;
        let page = read(talker, &Body::alone(body.as_bytes()), from, |c| {
            list.push(format!("{} {} {} {} {}", c.sat, c.signal, c.cn0_dbhz, c.azimuth, c.elevation));
        });
        // What lies behind the sentence changes nothing.
        for behind in ["*00\r\n$GPGSV,1,1,01,02,35,285,39", "\n12,12,123,12,12"] {
            let mut again = Vec::new();
            let longer = format!("{body}{behind}");
            let same = read(talker, &Body::first(longer.as_bytes(), body.len()), from, |c| {
                again.push(format!("{} {} {} {} {}", c.sat, c.signal, c.cn0_dbhz, c.azimuth, c.elevation));
            });
            assert_eq!((same, &again), (page, &list));
        }
        (page.unwrap(), list)
    }

    #[test]
    fn worked_pages() {
        // check-values 2.1: with signal id, last page with a satellite that is not tracked.
        let (_, list) = cells("GPGSV,3,3,10,24,05,190,,30,03,010,,1");
        assert_eq!(list, ["G24 G1C NaN 190 5", "G30 G1C NaN 10 3"]);
        let (_, list) = cells("GPGSV,1,1,03,02,35,285,39,05,62,105,43,13,44,210,,6");
        assert_eq!(list, ["G02 G2L 39 285 35", "G05 G2L 43 105 62", "G13 G2L NaN 210 44"]);
        assert_eq!(cells("GLGSV,1,1,03,65,40,060,44,72,15,130,37,88,55,330,47,1").1[2], "R24 R1C 47 330 55");
        assert_eq!(cells("GAGSV,1,1,02,03,50,120,47,11,22,270,40,7").1[0], "E03 E1X 47 120 50");
        assert_eq!(cells("GBGSV,1,1,02,19,60,200,46,25,33,080,41,1").1[1], "C25 C2I 41 80 33");
    }

    #[test]
    fn forms_of_real_receivers() {
        // Forms in /work/shared/data/nmea (QUIRKS.md); the readings follow the field counting rule of check-values 2.4.
        assert_eq!(cells("GPGSV,3,1,12,04,16,162,46,07,84,207,48").1[0], "G04 G1C 46 162 16"); // no signal id
        assert_eq!(cells("GAGSV,2,2,04,102,,,40,103,,,29,1").1, ["E02 E5X 40 NaN NaN", "E03 E5X 29 NaN NaN"]);
        assert_eq!(cells("PQGSV,4,4,15,28,08,040,31,29,,,,30,21,144,,0,4").1[0], "C28 C2I 31 40 8"); // system id
        assert_eq!(cells("GBGSV,3,3,10,21,41,301,35,22,82,135,17,").1[0], "C21 C?0 35 301 41"); // empty signal id
        assert_eq!(cells("GBGSV,2,2,06,14,55,175,46,40,29,043,18,B").1[0], "C14 C7I 46 175 55");
        assert_eq!(cells("GAGSV,1,1,00,7").1.len(), 0);
        assert_eq!(cells("GPGSV,4,4,13,01,02,213,,,,,,,,,,").1.len(), 1); // padded
        assert_eq!(cells("GPGSV,1,1,02,47,13,252,00,200,1,1,9").0.odd_numbers, 0);
        assert_eq!(cells("GPGSV,1,1,01,99,13,252,30").0.odd_numbers, 1);
    }

    #[test]
    fn restarts_are_gaps() {
        let mut paging = Paging::default();
        let mut gap = |pages, page| paging.gap_before(Page { pages, page, odd_numbers: 0 });
        assert!(!gap(3, 1));
        assert!(!gap(3, 2));
        assert!(gap(3, 1)); // page 3 is missing
        assert!(!gap(3, 2));
        assert!(!gap(3, 3));
        assert!(!gap(1, 1));
        assert!(gap(2, 2)); // page 1 is missing
    }
}
