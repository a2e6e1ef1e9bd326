//! What the headers of a file say about the site: marker, position of the antenna reference point, antenna and receiver.

use super::header::Header;
use super::lines::Line;
use super::report::Report;
use crate::formats::Identity;
use crate::maths::geodesy::{ecef_to_geodetic, enu_to_ecef_delta};
use crate::model::look::{LookDescription, LookPosition};
use crate::model::rows::{Description, NO_STATION, Position, Rows};
use crate::model::time::UtcMs;

/// Headers with another position or other words that are listed.
const SITES_LIMIT: usize = 1000;

/// Distinct positions and words of the headers so far.
#[derive(Debug, Default)]
pub(crate) struct Sites {
    pub look_positions: Vec<LookPosition>,
    pub look_descriptions: Vec<LookDescription>,
    pub identity: Identity,
}

impl Sites {
    /// Position, antenna and receiver of the header, at the first epoch they are valid for.
    pub fn take(&mut self, t: UtcMs, header: &Header, rows: &mut Rows, line: &Line<'_>, report: &mut Report) {
        if !header.marker.is_empty() && self.identity.markers.len() < SITES_LIMIT {
            self.identity.markers.insert(header.marker.clone());
        }
        let [receiver_serial, receiver, firmware] = header.receiver.clone();
        let [antenna_serial, antenna] = header.antenna.clone();
        if !receiver_serial.is_empty() && self.identity.receiver_serials.len() < SITES_LIMIT {
            self.identity.receiver_serials.insert(receiver_serial.clone());
        }
        let look = LookDescription { antenna: antenna.clone(), receiver: receiver.clone(), firmware: firmware.clone() };
        let row = Description {
            time: t,
            station_id: NO_STATION,
            antenna,
            antenna_serial,
            receiver,
            firmware,
            receiver_serial,
        };
        let last = rows.descriptions.len().checked_sub(1).and_then(|i| rows.descriptions.get(i));
        let blank = [&row.antenna, &row.receiver, &row.firmware, &row.antenna_serial, &row.receiver_serial]
            .iter()
            .all(|s| s.is_empty());
        let changed = last.is_none_or(|l| Description { time: t, ..l } != row);
        if !blank && changed && rows.descriptions.len() < SITES_LIMIT {
            rows.descriptions.push(row);
        }
        if look != LookDescription::default() && !self.look_descriptions.contains(&look) {
            self.look_descriptions.push(look);
        }
        let Some(marker_m) = header.position_m else { return };
        let [h, e, n] = header.delta_hen_m.unwrap_or_default();
        let Some(place) = ecef_to_geodetic(marker_m).filter(|p| p.h_m.abs() < 100_000.0) else {
            report.problem(
                "approximate position off the Earth",
                line,
                || format!("the approximate position {marker_m:?} m is not on the Earth"),
                "not used; correct the header",
            );
            return;
        };
        let delta = enu_to_ecef_delta(&place, [e, n, h]);
        let [x_m, y_m, z_m] = [0, 1, 2].map(|i| marker_m[i] + delta[i]);
        let row = Position {
            time: t,
            station_id: NO_STATION,
            x_m,
            y_m,
            z_m,
            antenna_height_m: header.delta_hen_m.map_or(f32::NAN, |d| d[0] as f32),
            is_virtual: false,
            from_rtcm: false,
        };
        let last = rows.positions.len().checked_sub(1).and_then(|i| rows.positions.get(i));
        if last.is_none_or(|l| [l.x_m, l.y_m, l.z_m] != [x_m, y_m, z_m]) && rows.positions.len() < SITES_LIMIT {
            rows.positions.push(row);
        }
        let look = LookPosition { station_id: 0, x_m, y_m, z_m, antenna_height_m: header.delta_hen_m.map(|d| d[0]) };
        if !self.look_positions.contains(&look) && self.look_positions.len() < SITES_LIMIT {
            self.look_positions.push(look);
        }
    }
}
