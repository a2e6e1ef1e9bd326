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

/// One satellite as written. The signal id stands behind the satellites, so they wait for it.
#[derive(Clone, Copy)]
struct Written {
    number: Option<u32>,
    cn0_dbhz: f32,
    azimuth: f32,
    elevation: f32,
}

/// Cuts fields off the front of a list. `None`: no field is left (an empty one behind a last comma is one).
struct Cursor<'a>(Option<&'a [u8]>);

impl<'a> Cursor<'a> {
    #[inline]
    fn field(&mut self) -> Option<&'a [u8]> {
        let rest = self.0?;
        let end = rest.iter().position(|b| *b == b',');
        self.0 = end.and_then(|n| rest.get(n + 1..));
        Some(end.and_then(|n| rest.get(..n)).unwrap_or(rest))
    }

    /// A satellite in the form that nearly all have, `nn,ee,aaa,cc`, at one go.
    #[inline]
    fn usual(&mut self) -> Option<Written> {
        let [n1, n0, b',', e1, e0, b',', a2, a1, a0, b',', c1, c0, behind @ ..] = self.0? else { return None };
        let next = match behind {
            [] => None,
            [b',', next @ ..] => Some(next),
            _ => return None,
        };
        let digit = |byte: &u8| u32::from(byte.wrapping_sub(b'0'));
        let (n1, n0, e1, e0) = (digit(n1), digit(n0), digit(e1), digit(e0));
        let (a2, a1, a0, c1, c0) = (digit(a2), digit(a1), digit(a0), digit(c1), digit(c0));
        if [n1, n0, e1, e0, a2, a1, a0, c1, c0].iter().any(|d| *d > 9) {
            return None;
        }
        self.0 = next;
        let up_to = |value: u32, most: u32| if value <= most { value as f32 } else { f32::NAN };
        let cn0 = c1 * 10 + c0;
        Some(Written {
            number: Some(n1 * 10 + n0),
            cn0_dbhz: if cn0 > 0 { cn0 as f32 } else { f32::NAN },
            azimuth: up_to(a2 * 100 + a1 * 10 + a0, 360),
            elevation: up_to(e1 * 10 + e0, 90),
        })
    }
}

/// Reads a page (what stands behind the address and its comma) and hands over its satellites, tracked or not. `None`: no
/// page numbers.
pub(super) fn read(talker: [u8; 2], list: &[u8], mut each: impl FnMut(Cell)) -> Option<Page> {
    let mut cursor = Cursor(Some(list));
    let mut head = Page { pages: whole(cursor.field()?)?, page: whole(cursor.field()?)?, odd_numbers: 0 };
    cursor.field();
    let mut cells = [Written { number: None, cn0_dbhz: 0.0, azimuth: 0.0, elevation: 0.0 }; CELLS_MAX];
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
                number: whole(number),
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
        let Some(number) = cell.number else { continue };
        let Some(sat) = satellite(system, number) else {
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
        let page = read(talker, body.split_once(',').unwrap().1.as_bytes(), |c| {
            list.push(format!("{} {} {} {} {}", c.sat, c.signal, c.cn0_dbhz, c.azimuth, c.elevation));
        });
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
