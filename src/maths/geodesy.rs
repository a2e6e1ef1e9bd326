//! Places: WGS 84, Earth-centred and geodetic coordinates, east-north-up, directions, distances, dilution of precision.

/// A reference ellipsoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ellipsoid {
    /// Semi-major axis, m.
    pub a_m: f64,
    /// Inverse flattening.
    pub inverse_flattening: f64,
}

impl Ellipsoid {
    /// Flattening f.
    pub fn flattening(&self) -> f64 {
        1.0 / self.inverse_flattening
    }

    /// First eccentricity squared, e² = f(2 - f).
    pub fn e2(&self) -> f64 {
        let f = self.flattening();
        f * (2.0 - f)
    }

    /// Semi-minor axis, m.
    pub fn b_m(&self) -> f64 {
        self.a_m * (1.0 - self.flattening())
    }
}

/// WGS 84 (NGA.STND.0036; IS-GPS-200).
pub const WGS84: Ellipsoid = Ellipsoid { a_m: 6_378_137.0, inverse_flattening: 298.257_223_563 };
/// GRS 80 (Moritz 2000, Journal of Geodesy 74:128-133).
pub const GRS80: Ellipsoid = Ellipsoid { a_m: 6_378_137.0, inverse_flattening: 298.257_222_101 };

/// Mean Earth radius R1 = (2a + b)/3 of GRS 80, m (Moritz 2000).
pub const MEAN_RADIUS_M: f64 = 6_371_008.771_4;

/// Inside this distance of the Earth's centre a position is no position: decoders meet all-zero station coordinates.
const MIN_RADIUS_M: f64 = 1.0e6;

/// Geodetic position on WGS 84.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Geodetic {
    /// Latitude, degrees, north positive.
    pub lat_deg: f64,
    /// Longitude, degrees, east positive.
    pub lon_deg: f64,
    /// Ellipsoidal height, m.
    pub h_m: f64,
}

/// Direction and distance to a target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LookAngles {
    /// Azimuth from true north, clockwise, 0 to 360 degrees.
    pub azimuth_deg: f64,
    /// Elevation above the ellipsoidal horizon, degrees.
    pub elevation_deg: f64,
    /// Straight distance, m.
    pub range_m: f64,
}

/// Shortest line on the ellipsoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Geodesic {
    /// Length, m.
    pub distance_m: f64,
    /// Azimuth at the first point, 0 to 360 degrees.
    pub azimuth_deg: f64,
}

/// Geodetic (WGS 84) to Earth-centred Earth-fixed X, Y, Z in m (IS-GPS-200; Hofmann-Wellenhof et al., closed formula).
pub fn geodetic_to_ecef(place: &Geodetic) -> [f64; 3] {
    let (sin_lat, cos_lat) = place.lat_deg.to_radians().sin_cos();
    let (sin_lon, cos_lon) = place.lon_deg.to_radians().sin_cos();
    let e2 = WGS84.e2();
    let n_m = WGS84.a_m / (1.0 - e2 * sin_lat * sin_lat).sqrt();
    let p_m = (n_m + place.h_m) * cos_lat;
    [p_m * cos_lon, p_m * sin_lon, (n_m * (1.0 - e2) + place.h_m) * sin_lat]
}

/// Earth-centred X, Y, Z (m) to geodetic (WGS 84), iterated to 1e-12 rad; good at the poles and at satellite height.
///
/// `None` when a value is not finite or the point lies within 1000 km of the Earth's centre (all-zero coordinates).
/// Iteration lat = atan2(Z + e² N sin lat, p) (Heiskanen and Moritz 1967, Physical Geodesy, 5-3).
pub fn ecef_to_geodetic(xyz_m: [f64; 3]) -> Option<Geodetic> {
    let [x, y, z] = xyz_m;
    let radius_m = norm(xyz_m);
    if !radius_m.is_finite() || radius_m < MIN_RADIUS_M {
        return None;
    }
    let e2 = WGS84.e2();
    let p = x.hypot(y);
    let mut lat = z.atan2(p * (1.0 - e2));
    // The step shrinks by about e² each time, so a handful of rounds reach the limit; the bound is only a guard.
    for _ in 0..50 {
        let sin_lat = lat.sin();
        let n_m = WGS84.a_m / (1.0 - e2 * sin_lat * sin_lat).sqrt();
        let next = (z + e2 * n_m * sin_lat).atan2(p);
        let step = (next - lat).abs();
        lat = next;
        if step < 1e-14 {
            break;
        }
    }
    let (sin_lat, cos_lat) = lat.sin_cos();
    // This form of the height has no division by cos or sin, so it holds at the poles and at the equator alike.
    let h_m = p * cos_lat + z * sin_lat - WGS84.a_m * (1.0 - e2 * sin_lat * sin_lat).sqrt();
    Some(Geodetic { lat_deg: lat.to_degrees(), lon_deg: y.atan2(x).to_degrees(), h_m })
}

/// Earth-centred difference (m) turned to east, north, up (m) at a place (rotation of check values 6.3).
pub fn ecef_delta_to_enu(station: &Geodetic, delta_m: [f64; 3]) -> [f64; 3] {
    let (sin_lat, cos_lat) = station.lat_deg.to_radians().sin_cos();
    let (sin_lon, cos_lon) = station.lon_deg.to_radians().sin_cos();
    let [dx, dy, dz] = delta_m;
    [
        -sin_lon * dx + cos_lon * dy,
        -sin_lat * cos_lon * dx - sin_lat * sin_lon * dy + cos_lat * dz,
        cos_lat * cos_lon * dx + cos_lat * sin_lon * dy + sin_lat * dz,
    ]
}

/// East, north, up (m) at a place turned to an Earth-centred difference (m): the inverse of [`ecef_delta_to_enu`].
pub fn enu_to_ecef_delta(station: &Geodetic, enu_m: [f64; 3]) -> [f64; 3] {
    let (sin_lat, cos_lat) = station.lat_deg.to_radians().sin_cos();
    let (sin_lon, cos_lon) = station.lon_deg.to_radians().sin_cos();
    let [e, n, u] = enu_m;
    [
        -sin_lon * e - sin_lat * cos_lon * n + cos_lat * cos_lon * u,
        cos_lon * e - sin_lat * sin_lon * n + cos_lat * sin_lon * u,
        cos_lat * n + sin_lat * u,
    ]
}

/// East, north, up (m) of a target seen from a station, both geodetic.
pub fn enu_between(station: &Geodetic, target: &Geodetic) -> [f64; 3] {
    ecef_delta_to_enu(station, sub(geodetic_to_ecef(target), geodetic_to_ecef(station)))
}

/// Azimuth, elevation and range of an Earth-centred target (m) from a station given both ways.
///
/// Taking the station in both forms saves the conversion in loops over satellites. `None` when the two coincide.
pub fn look_angles_from(station: &Geodetic, station_ecef_m: [f64; 3], target_ecef_m: [f64; 3]) -> Option<LookAngles> {
    let delta = sub(target_ecef_m, station_ecef_m);
    let range_m = norm(delta);
    if !range_m.is_finite() || range_m <= 0.0 {
        return None;
    }
    let [e, n, u] = ecef_delta_to_enu(station, delta);
    Some(LookAngles {
        azimuth_deg: e.atan2(n).to_degrees().rem_euclid(360.0),
        elevation_deg: (u / range_m).clamp(-1.0, 1.0).asin().to_degrees(),
        range_m,
    })
}

/// Azimuth, elevation and range of an Earth-centred target (m) from an Earth-centred station (m).
pub fn look_angles(station_ecef_m: [f64; 3], target_ecef_m: [f64; 3]) -> Option<LookAngles> {
    let station = ecef_to_geodetic(station_ecef_m)?;
    look_angles_from(&station, station_ecef_m, target_ecef_m)
}

/// Great-circle distance on the mean sphere, m (haversine, Sinnott 1984); within 0.56 % of the ellipsoidal distance.
pub fn great_circle_m(lat1_deg: f64, lon1_deg: f64, lat2_deg: f64, lon2_deg: f64) -> f64 {
    let (lat1, lat2) = (lat1_deg.to_radians(), lat2_deg.to_radians());
    let half_lat = ((lat2 - lat1) / 2.0).sin();
    let half_lon = ((lon2_deg - lon1_deg).to_radians() / 2.0).sin();
    let h = half_lat * half_lat + lat1.cos() * lat2.cos() * half_lon * half_lon;
    2.0 * MEAN_RADIUS_M * h.clamp(0.0, 1.0).sqrt().asin()
}

/// Length and first azimuth of the shortest line on WGS 84 (Vincenty 1975, Survey Review 23(176):88-93); better than 1 mm.
///
/// Near the antipode, where the iteration does not settle, the great circle is returned instead (at most 0.56 % off).
pub fn geodesic(lat1_deg: f64, lon1_deg: f64, lat2_deg: f64, lon2_deg: f64) -> Geodesic {
    let f = WGS84.flattening();
    let reduced = |lat_deg: f64| ((1.0 - f) * lat_deg.to_radians().tan()).atan().sin_cos();
    let (sin_u1, cos_u1) = reduced(lat1_deg);
    let (sin_u2, cos_u2) = reduced(lat2_deg);
    let l = wrap_180(lon2_deg - lon1_deg).to_radians();
    let mut lambda = l;
    for _ in 0..100 {
        let (sin_l, cos_l) = lambda.sin_cos();
        let y = (cos_u2 * sin_l).hypot(cos_u1 * sin_u2 - sin_u1 * cos_u2 * cos_l);
        if y == 0.0 {
            return Geodesic { distance_m: 0.0, azimuth_deg: 0.0 };
        }
        let cos_sigma = sin_u1 * sin_u2 + cos_u1 * cos_u2 * cos_l;
        let sigma = y.atan2(cos_sigma);
        let sin_alpha = cos_u1 * cos_u2 * sin_l / y;
        let cos2_alpha = 1.0 - sin_alpha * sin_alpha;
        // On the equator cos²α is 0 and the term has no meaning; it is multiplied by zero further on.
        let cos_2sm = if cos2_alpha > 1e-15 { cos_sigma - 2.0 * sin_u1 * sin_u2 / cos2_alpha } else { 0.0 };
        let c = f / 16.0 * cos2_alpha * (4.0 + f * (4.0 - 3.0 * cos2_alpha));
        let next = l
            + (1.0 - c)
                * f
                * sin_alpha
                * (sigma + c * y * (cos_2sm + c * cos_sigma * (-1.0 + 2.0 * cos_2sm * cos_2sm)));
        let step = (next - lambda).abs();
        lambda = next;
        if step < 1e-12 {
            let b = WGS84.b_m();
            let u2 = cos2_alpha * (WGS84.a_m * WGS84.a_m - b * b) / (b * b);
            let ca = 1.0 + u2 / 16384.0 * (4096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)));
            let cb = u2 / 1024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)));
            let inner = cos_sigma * (-1.0 + 2.0 * cos_2sm * cos_2sm)
                - cb / 6.0 * cos_2sm * (-3.0 + 4.0 * y * y) * (-3.0 + 4.0 * cos_2sm * cos_2sm);
            let delta_sigma = cb * y * (cos_2sm + cb / 4.0 * inner);
            let (sin_l, cos_l) = lambda.sin_cos();
            let azimuth = (cos_u2 * sin_l).atan2(cos_u1 * sin_u2 - sin_u1 * cos_u2 * cos_l);
            return Geodesic {
                distance_m: b * ca * (sigma - delta_sigma),
                azimuth_deg: azimuth.to_degrees().rem_euclid(360.0),
            };
        }
    }
    let (sin_l, cos_l) = l.sin_cos();
    let azimuth = (cos_u2 * sin_l).atan2(cos_u1 * sin_u2 - sin_u1 * cos_u2 * cos_l);
    Geodesic {
        distance_m: great_circle_m(lat1_deg, lon1_deg, lat2_deg, lon2_deg),
        azimuth_deg: azimuth.to_degrees().rem_euclid(360.0),
    }
}

/// Straight (slant) distance between two Earth-centred points, m.
pub fn slant_m(a_m: [f64; 3], b_m: [f64; 3]) -> f64 {
    norm(sub(a_m, b_m))
}

/// Angle folded into -180 (included) to 180 (not included) degrees.
pub fn wrap_180(angle_deg: f64) -> f64 {
    // Nearly every angle is: the remainder takes longer than all else about a place.
    if (-180.0..180.0).contains(&angle_deg) { angle_deg } else { (angle_deg + 180.0).rem_euclid(360.0) - 180.0 }
}

/// The ground around a place as a plane, on a sphere of 6371 km: good enough for cells of tens of metres and for distances of a
/// hundred kilometres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    lat_deg: f64,
    lon_deg: f64,
    /// Metres of a degree of longitude.
    east_m: f64,
}

/// Metres of a degree of latitude on a sphere of 6371 km.
const NORTH_M: f64 = 111_195.0;

impl Plane {
    /// Around a place.
    pub fn around(lat_deg: f64, lon_deg: f64) -> Plane {
        Plane { lat_deg, lon_deg, east_m: NORTH_M * lat_deg.to_radians().cos() }
    }

    /// Metres east and north of the place; NaN without a position.
    pub fn metres(&self, lat_deg: f64, lon_deg: f64) -> (f64, f64) {
        (wrap_180(lon_deg - self.lon_deg) * self.east_m, (lat_deg - self.lat_deg) * NORTH_M)
    }
}

/// Dilution of precision of a set of directions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dops {
    /// Horizontal.
    pub hdop: f64,
    /// Vertical.
    pub vdop: f64,
    /// Position.
    pub pdop: f64,
    /// Time.
    pub tdop: f64,
    /// Geometric.
    pub gdop: f64,
}

/// Dilution of precision from (azimuth, elevation) in degrees, one clock unknown: Q = (GᵀG)⁻¹ (IS-GPS-200 user range
/// geometry; any GNSS textbook). `None` with fewer than four directions or a geometry that cannot be solved.
pub fn dops(directions_deg: &[(f64, f64)]) -> Option<Dops> {
    if directions_deg.len() < 4 {
        return None;
    }
    let mut normal = [[0.0_f64; 4]; 4];
    for (az_deg, el_deg) in directions_deg {
        let (sin_az, cos_az) = az_deg.to_radians().sin_cos();
        let (sin_el, cos_el) = el_deg.to_radians().sin_cos();
        let row = [-cos_el * sin_az, -cos_el * cos_az, -sin_el, 1.0];
        for (line, a) in normal.iter_mut().zip(row) {
            for (cell, b) in line.iter_mut().zip(row) {
                *cell += a * b;
            }
        }
    }
    let [e, n, u, t] = inverse_diagonal(normal)?;
    if [e, n, u, t].iter().any(|q| !q.is_finite() || *q < 0.0) {
        return None;
    }
    Some(Dops {
        hdop: (e + n).sqrt(),
        vdop: u.sqrt(),
        pdop: (e + n + u).sqrt(),
        tdop: t.sqrt(),
        gdop: (e + n + u + t).sqrt(),
    })
}

/// Diagonal of the inverse of a symmetric positive 4x4 matrix by Cholesky; `None` when it is not positive definite.
fn inverse_diagonal(a: [[f64; 4]; 4]) -> Option<[f64; 4]> {
    let mut l = [[0.0_f64; 4]; 4];
    for i in 0..4 {
        for j in 0..=i {
            let s: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            if i == j {
                let d = a[i][i] - s;
                if d.is_nan() || d < 1e-12 {
                    return None;
                }
                l[i][i] = d.sqrt();
            } else {
                l[i][j] = (a[i][j] - s) / l[j][j];
            }
        }
    }
    // Column k of L⁻¹ by forward substitution; the diagonal of A⁻¹ is the column sums of squares.
    let mut diagonal = [0.0; 4];
    for (k, out) in diagonal.iter_mut().enumerate() {
        let mut column = [0.0_f64; 4];
        for i in k..4 {
            let s: f64 = (k..i).map(|j| l[i][j] * column[j]).sum();
            column[i] = (if i == k { 1.0 } else { 0.0 } - s) / l[i][i];
        }
        *out = column.iter().map(|v| v * v).sum();
    }
    Some(diagonal)
}

fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

/// Length of a vector.
pub fn norm(v: [f64; 3]) -> f64 {
    (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    /// Check values 6.2 (pymap3d and pyproj agree to 0.1 mm).
    const ROWS: [([f64; 3], [f64; 3]); 8] = [
        ([0.0, 0.0, 0.0], [6378137.0, 0.0, 0.0]),
        ([90.0, 12.0, 0.0], [0.0, 0.0, 6356752.3142]),
        ([0.0, 180.0, 1000.0], [-6379137.0, 0.0, 0.0]),
        ([51.50205761, -0.12757202, 109.143], [3978527.4475, -8858.4120, 4968590.3820]),
        ([-33.86872416667, 151.2090535, 62.5], [-4646089.8754, 2553253.5816, -3534400.2345]),
        ([1.352083, 103.819836, 25.0], [-1523127.9874, 6191811.7691, 149492.5914]),
        ([64.8378, -147.7164, 150.0], [-2299022.0047, -1452460.4994, 5750179.8314]),
        ([45.0, -105.0, 20_200_000.0], [-4866095.1357, -18160514.2807, 18770905.3888]),
    ];

    fn station() -> Geodetic {
        Geodetic { lat_deg: 51.50205761, lon_deg: -0.12757202, h_m: 109.143 }
    }

    #[test]
    fn wgs84_derived_constants() {
        // NGA.STND.0036: b = 6 356 752.3142 m, e² = 6.694 379 990 14e-3.
        near(WGS84.b_m(), 6_356_752.314_245_179, 1e-6);
        near(WGS84.e2(), 0.006_694_379_990_141_316_5, 1e-17);
        near(GRS80.b_m(), 6_356_752.314_140_356, 1e-6);
        near(GRS80.e2(), 0.006_694_380_022_900_787, 1e-17);
    }

    #[test]
    fn forward_rows_to_a_tenth_of_a_millimetre() {
        for ([lat, lon, h], want) in ROWS {
            let got = geodetic_to_ecef(&Geodetic { lat_deg: lat, lon_deg: lon, h_m: h });
            for (g, w) in got.iter().zip(want) {
                near(*g, w, 1e-4);
            }
        }
    }

    #[test]
    fn inverse_is_a_round_trip_at_every_height_and_at_the_poles() {
        // Check values 6.2: above a few hundred kilometres only a round trip is a fair test.
        for lat in [-90.0, -89.999_999, -60.0, -0.000_1, 0.0, 12.3, 45.0, 89.9, 90.0] {
            for h in [-400.0, 0.0, 9000.0, 400_000.0, 20_200_000.0, 36_000_000.0] {
                for lon in [-179.9, 0.0, 77.7] {
                    let place = Geodetic { lat_deg: lat, lon_deg: lon, h_m: h };
                    let back = ecef_to_geodetic(geodetic_to_ecef(&place)).unwrap();
                    near(back.lat_deg, lat, 1e-11);
                    near(back.h_m, h, 2e-8 * (1.0 + h.abs() / 1e6).max(1.0));
                    if lat.abs() < 90.0 {
                        near(back.lon_deg, lon, 1e-9);
                    }
                }
            }
        }
    }

    #[test]
    fn inverse_refuses_unset_and_broken_coordinates() {
        assert!(ecef_to_geodetic([0.0, 0.0, 0.0]).is_none());
        assert!(ecef_to_geodetic([f64::NAN, 0.0, 6e6]).is_none());
        assert!(ecef_to_geodetic([f64::INFINITY, 0.0, 6e6]).is_none());
    }

    #[test]
    fn satellite_direction_of_check_values_6_3() {
        let s = station();
        let sat = [15_600_000.0, 7_540_000.0, 20_140_000.0];
        let from = geodetic_to_ecef(&s);
        let enu = ecef_delta_to_enu(&s, sub(sat, from));
        near(enu[0], 7574715.4892, 1e-4);
        near(enu[1], 361856.0589, 1e-4);
        near(enu[2], 19097337.5856, 1e-4);
        let look = look_angles(from, sat).unwrap();
        near(look.azimuth_deg, 87.264970, 1e-6);
        near(look.elevation_deg, 68.342489, 1e-6);
        near(look.range_m, 20547884.4996, 1e-4);
        let back = enu_to_ecef_delta(&s, enu);
        near(back[2], sat[2] - from[2], 1e-6);
    }

    #[test]
    fn base_to_rover_of_check_values_6_3() {
        let s = station();
        let rover = Geodetic { lat_deg: 51.51205761, lon_deg: -0.11757202, h_m: 104.0 };
        let enu = enu_between(&s, &rover);
        near(enu[0], 694.2332, 1e-4);
        near(enu[1], 1112.6452, 1e-4);
        near(enu[2], -5.2778, 1e-4);
        near(slant_m(geodetic_to_ecef(&s), geodetic_to_ecef(&rover)), 1311.4751, 1e-4);
        let line = geodesic(s.lat_deg, s.lon_deg, rover.lat_deg, rover.lon_deg);
        near(line.distance_m, 1311.4431, 1e-4);
        near(line.azimuth_deg, 31.962036, 1e-6);
        let moved = ecef_delta_to_enu(&s, [0.031, -0.012, 0.044]);
        near(moved[0], -0.0119, 5e-5);
        near(moved[1], 0.0031, 5e-5);
        near(moved[2], 0.0537, 5e-5);
        near(norm(moved), 0.0551, 5e-5);
    }

    #[test]
    fn geodesic_of_the_australian_test_line() {
        // GDA94 Technical Manual (ICSM), Flinders Peak to Buninyong on GRS 80: 54 972.271 m, azimuth 306°52'05.37".
        // WGS 84 differs from GRS 80 by 0.1 mm in b, below the last digit given.
        let dms = |d: f64, m: f64, s: f64| d + m / 60.0 + s / 3600.0;
        let line = geodesic(
            -dms(37.0, 57.0, 3.72030),
            dms(144.0, 25.0, 29.52440),
            -dms(37.0, 39.0, 10.15610),
            dms(143.0, 55.0, 35.38390),
        );
        near(line.distance_m, 54_972.271, 1e-3);
        near(line.azimuth_deg, dms(306.0, 52.0, 5.37), 5e-6);
    }

    #[test]
    fn geodesic_special_places() {
        assert_eq!(geodesic(10.0, 20.0, 10.0, 20.0).distance_m, 0.0);
        // A quarter meridian of WGS 84 is 10 001 965.729 m (NGA.STND.0036 ellipsoid; Rapp, Geometric Geodesy I).
        near(geodesic(0.0, 30.0, 90.0, 30.0).distance_m, 10_001_965.729, 1e-3);
        // One degree on the equator: a·π/180.
        near(geodesic(0.0, 179.5, 0.0, -179.5).distance_m, 6_378_137.0 * 1f64.to_radians(), 1e-4);
        // Antipodes: half the circumference of the mean sphere stands in; the true value is 20 003 931 m.
        near(geodesic(0.0, 0.0, 0.0, 180.0).distance_m, 20_003_931.0, 20_003_931.0 * 0.0057);
        near(
            great_circle_m(51.5, -0.13, 51.6, -0.13),
            geodesic(51.5, -0.13, 51.6, -0.13).distance_m,
            11_130.0 * 0.0056,
        );
    }

    #[test]
    fn dop_of_check_values_6_6() {
        let d = dops(&[(0.0, 90.0), (0.0, 20.0), (120.0, 20.0), (240.0, 20.0)]).unwrap();
        near(d.hdop, 1.228807, 1e-6);
        near(d.vdop, 1.754918, 1e-6);
        near(d.pdop, 2.142359, 1e-6);
        near(d.tdop, 1.019867, 1e-6);
        near(d.gdop, 2.372727, 1e-6);
        assert!(dops(&[(0.0, 90.0); 5]).is_none());
        assert!(dops(&[(0.0, 90.0), (0.0, 20.0), (120.0, 20.0)]).is_none());
    }
}
