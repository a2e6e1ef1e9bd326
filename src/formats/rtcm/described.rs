//! What a base says of itself, kept on change only: positions and antenna and receiver words.

use super::station::{ReferencePoint, Words, metres};
use crate::model::look::{LookDescription, LookPosition};
use crate::model::rows::{Description, Descriptions, Position, Positions};
use crate::model::time::{MINUTE_MS, UtcMs};

/// Distinct positions and descriptions that a file lists; the rest are counted. Rows are not limited.
pub(super) const MAX_LISTED: usize = 500;

#[derive(Debug, Clone)]
struct LastPoint {
    point: ReferencePoint,
    minute: i64,
}

/// Positions by station.
#[derive(Debug, Clone, Default)]
pub(super) struct Points {
    last: Vec<LastPoint>,
    listed: Vec<LookPosition>,
    /// Distinct positions that were not listed any more.
    pub(super) unlisted: u64,
}

impl Points {
    /// Takes a position; a row is written when it differs from the last one of its station (the message's own unit is
    /// 0.1 mm) or none was written in this minute. 1005 does not know the antenna height: its absence is no change.
    pub(super) fn take(&mut self, time: UtcMs, point: &ReferencePoint, out: &mut Positions) {
        let minute = time.div_euclid(MINUTE_MS);
        let last = match self.last.iter().position(|l| l.point.station == point.station) {
            Some(i) => self.last.get_mut(i),
            None => None,
        };
        let changed = match last {
            Some(last) => {
                let changed = last.point.xyz != point.xyz
                    || last.point.is_virtual != point.is_virtual
                    || (point.antenna_height.is_some() && last.point.antenna_height != point.antenna_height);
                if !changed && last.minute == minute {
                    return;
                }
                let height = point.antenna_height.or(last.point.antenna_height.filter(|_| !changed));
                last.point = ReferencePoint { antenna_height: height, ..*point };
                last.minute = minute;
                changed
            }
            None => {
                self.last.push(LastPoint { point: *point, minute });
                true
            }
        };
        if changed {
            self.list(point);
        }
        let [x, y, z] = point.xyz;
        out.push(Position {
            time,
            station_id: point.station,
            x_m: metres(x),
            y_m: metres(y),
            z_m: metres(z),
            antenna_height_m: point.antenna_height.map_or(f32::NAN, |h| metres(i64::from(h)) as f32),
            is_virtual: point.is_virtual,
            from_rtcm: true,
        });
    }

    fn list(&mut self, point: &ReferencePoint) {
        let [x_m, y_m, z_m] = point.xyz.map(metres);
        let height = point.antenna_height.map(|h| metres(i64::from(h)));
        for listed in &mut self.listed {
            if listed.station_id == point.station && [listed.x_m, listed.y_m, listed.z_m] == [x_m, y_m, z_m] {
                match (listed.antenna_height_m, height) {
                    (_, None) => return,
                    (None, Some(_)) => {
                        listed.antenna_height_m = height;
                        return;
                    }
                    (Some(a), Some(b)) if a.to_bits() == b.to_bits() => return,
                    _ => {}
                }
            }
        }
        if self.listed.len() < MAX_LISTED {
            self.listed.push(LookPosition { station_id: point.station, x_m, y_m, z_m, antenna_height_m: height });
        } else {
            self.unlisted += 1;
        }
    }

    pub(super) fn shift(&mut self, delta_ms: i64) {
        for last in &mut self.last {
            last.minute += delta_ms / MINUTE_MS;
        }
    }

    pub(super) fn into_list(self) -> Vec<LookPosition> {
        self.listed
    }
}

/// The raw body of the last 1007, 1008 and 1033 of a station, so that repeats cost nothing.
#[derive(Debug, Clone)]
struct LastBody {
    station: u16,
    message: u16,
    body: Vec<u8>,
}

/// Antenna and receiver words by station.
#[derive(Debug, Clone, Default)]
pub(super) struct Told {
    bodies: Vec<LastBody>,
    /// Everything known of a station by now.
    known: Vec<Description>,
    listed: Vec<LookDescription>,
    /// Distinct descriptions that were not listed any more.
    pub(super) unlisted: u64,
}

impl Told {
    /// Whether the message says the same as the last one of its number and station. 1008 and 1033 of one base may differ
    /// for good, therefore each number is compared with itself.
    pub(super) fn is_repeat(&self, station: u16, message: u16, body: &[u8]) -> bool {
        self.bodies.iter().any(|b| b.station == station && b.message == message && b.body == body)
    }

    /// Takes the words of a message that is no repeat.
    pub(super) fn take(&mut self, time: UtcMs, message: u16, body: &[u8], words: Words, out: &mut Descriptions) {
        match self.bodies.iter_mut().find(|b| b.station == words.station && b.message == message) {
            Some(last) => {
                last.body.clear();
                last.body.extend_from_slice(body);
            }
            None => self.bodies.push(LastBody { station: words.station, message, body: body.to_vec() }),
        }
        let at = self.known.iter().position(|k| k.station_id == words.station).unwrap_or_else(|| {
            self.known.push(Description {
                time,
                station_id: words.station,
                antenna: String::new(),
                antenna_serial: String::new(),
                receiver: String::new(),
                firmware: String::new(),
                receiver_serial: String::new(),
            });
            self.known.len() - 1
        });
        let Some(known) = self.known.get_mut(at) else { return };
        let before = known.clone();
        known.time = time;
        known.antenna = words.antenna;
        for (field, word) in [
            (&mut known.antenna_serial, words.antenna_serial),
            (&mut known.receiver, words.receiver),
            (&mut known.firmware, words.firmware),
            (&mut known.receiver_serial, words.receiver_serial),
        ] {
            if let Some(word) = word {
                *field = word;
            }
        }
        let known = known.clone();
        let is_first = !out.station_id.contains(&known.station_id);
        if is_first || known != (Description { time, ..before }) {
            self.list(&known);
            out.push(known);
        }
    }

    fn list(&mut self, known: &Description) {
        let entry = LookDescription {
            antenna: known.antenna.clone(),
            receiver: known.receiver.clone(),
            firmware: known.firmware.clone(),
        };
        // An entry that knew only the antenna is completed.
        if let Some(part) = self
            .listed
            .iter_mut()
            .find(|l| l.antenna == entry.antenna && l.receiver.is_empty() && l.firmware.is_empty())
        {
            *part = entry;
        } else if !self.listed.contains(&entry) {
            if self.listed.len() < MAX_LISTED {
                self.listed.push(entry);
            } else {
                self.unlisted += 1;
            }
        }
    }

    pub(super) fn into_list(self) -> Vec<LookDescription> {
        self.listed
    }
}
