//! The Earth's magnetic field (IGRF-14) and the magnetic latitudes that tell where the ionosphere is rough.
//!
//! Coefficients: doi 10.5281/zenodo.14012302, in `igrf14.txt` beside this file. Synthesis: Alken et al. 2021, Earth,
//! Planets and Space 73:49, doi 10.1186/s40623-020-01288-x (the description of the model), degree 13.

use std::sync::OnceLock;

use super::geodesy::WGS84;

/// Degree of the model.
const DEGREE: usize = 13;
/// Reference radius of the model, km (IGRF definition).
const RADIUS_KM: f64 = 6371.2;
const COEFFICIENTS: &str = include_str!("igrf14.txt");
/// Number of coefficients of degree 13: 13·15.
const COUNT: usize = DEGREE * (DEGREE + 2);
/// Secular variation is trusted five years past the model's end at most; the result says that it was extrapolated.
const EXTRAPOLATE_YEARS: f64 = 5.0;

/// The field at one place and time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MagneticField {
    /// Northward part, nT.
    pub north_nt: f64,
    /// Eastward part, nT.
    pub east_nt: f64,
    /// Downward part, nT.
    pub down_nt: f64,
    /// True when the year lies after the last epoch of the model (2030.0).
    pub extrapolated: bool,
}

impl MagneticField {
    /// Total field F, nT.
    pub fn total_nt(&self) -> f64 {
        self.horizontal_nt().hypot(self.down_nt)
    }

    /// Horizontal field H, nT.
    pub fn horizontal_nt(&self) -> f64 {
        self.north_nt.hypot(self.east_nt)
    }

    /// Inclination (dip) I, degrees, positive downward.
    pub fn inclination_deg(&self) -> f64 {
        self.down_nt.atan2(self.horizontal_nt()).to_degrees()
    }

    /// Declination D, degrees, positive east of true north.
    pub fn declination_deg(&self) -> f64 {
        self.east_nt.atan2(self.north_nt).to_degrees()
    }

    /// Dip latitude atan(tan I / 2), degrees (dipole relation tan I = 2 tan λ).
    pub fn dip_latitude_deg(&self) -> f64 {
        dip_latitude_of_inclination_deg(self.inclination_deg())
    }
}

/// Dip latitude of an inclination, degrees: λ = atan(tan I / 2).
pub fn dip_latitude_of_inclination_deg(inclination_deg: f64) -> f64 {
    let (sin_i, cos_i) = inclination_deg.to_radians().sin_cos();
    (sin_i / 2.0).atan2(cos_i).to_degrees()
}

/// One coefficient over the epochs: degree, order (negative for the sine term) and values, nT.
struct Row {
    n: usize,
    m: i32,
    values: Vec<f64>,
}

struct Model {
    epochs: Vec<f64>,
    rows: Vec<Row>,
}

fn model() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(|| read_model(COEFFICIENTS))
}

/// Reads the coefficient text; a line that does not fit is left out, which the count check of `coefficients_at` notices.
fn read_model(text: &str) -> Model {
    let mut epochs = Vec::new();
    let mut rows = Vec::new();
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        if let Some(rest) = line.strip_prefix("epochs ") {
            epochs = rest.split_whitespace().filter_map(|t| t.parse().ok()).collect();
            continue;
        }
        let mut words = line.split_whitespace();
        let n = words.next().and_then(|t| t.parse().ok());
        let m = words.next().and_then(|t| t.parse().ok());
        let values: Vec<f64> = words.filter_map(|t| t.parse().ok()).collect();
        if let (Some(n), Some(m)) = (n, m)
            && values.len() == epochs.len()
            && (1..=DEGREE).contains(&n)
        {
            rows.push(Row { n, m, values });
        }
    }
    Model { epochs, rows }
}

/// The model at one epoch, ready for evaluation at many places.
#[derive(Debug, Clone)]
pub struct FieldModel {
    /// g[n][m] and h[n][m], nT.
    g: [[f64; DEGREE + 1]; DEGREE + 1],
    h: [[f64; DEGREE + 1]; DEGREE + 1],
    extrapolated: bool,
}

impl FieldModel {
    /// IGRF-14 at a decimal year, linear between the epochs (secular variation after 2025.0).
    ///
    /// `None` before 2000.0 or after 2035.0; between 2030.0 and 2035.0 the last secular variation is carried on and
    /// `extrapolated` is set.
    pub fn at_year(year: f64) -> Option<FieldModel> {
        let model = model();
        let (first, last) = (*model.epochs.first()?, *model.epochs.last()?);
        if model.rows.len() != COUNT || !(first..=last + EXTRAPOLATE_YEARS).contains(&year) {
            return None;
        }
        let high = model.epochs.partition_point(|e| *e <= year).clamp(1, model.epochs.len() - 1);
        let (e0, e1) = (*model.epochs.get(high - 1)?, *model.epochs.get(high)?);
        let part = (year - e0) / (e1 - e0);
        let zero = [[0.0; DEGREE + 1]; DEGREE + 1];
        let mut out = FieldModel { g: zero, h: zero, extrapolated: year > last };
        for row in &model.rows {
            let value = match (row.values.get(high - 1), row.values.get(high)) {
                (Some(a), Some(b)) => a + part * (b - a),
                _ => return None,
            };
            let table = if row.m < 0 { &mut out.h } else { &mut out.g };
            if let Some(cell) = table.get_mut(row.n).and_then(|r| r.get_mut(row.m.unsigned_abs() as usize)) {
                *cell = value;
            }
        }
        Some(out)
    }

    /// The field at a geodetic place and height above the ellipsoid; `None` for values that are not finite.
    pub fn field(&self, lat_deg: f64, lon_deg: f64, height_m: f64) -> Option<MagneticField> {
        if ![lat_deg, lon_deg, height_m].iter().all(|v| v.is_finite()) || lat_deg.abs() > 90.0 {
            return None;
        }
        // Geodetic to geocentric.
        let (sin_lat, cos_lat) = lat_deg.to_radians().sin_cos();
        let e2 = WGS84.e2();
        let (a_km, h_km) = (WGS84.a_m / 1000.0, height_m / 1000.0);
        let n_km = a_km / (1.0 - e2 * sin_lat * sin_lat).sqrt();
        let (p, z) = ((n_km + h_km) * cos_lat, (n_km * (1.0 - e2) + h_km) * sin_lat);
        let r_km = p.hypot(z);
        let cos_t = z / r_km;
        // At the poles the eastward part divides by sin θ; a hair beside the pole gives the limit value.
        let sin_t = (p / r_km).max(1e-9);

        let mut lp = [[0.0_f64; DEGREE + 1]; DEGREE + 1];
        let mut dp = [[0.0_f64; DEGREE + 1]; DEGREE + 1];
        lp[0][0] = 1.0;
        let ratio = RADIUS_KM / r_km;
        let mut power = ratio * ratio;
        let (mut b_r, mut b_t, mut b_p) = (0.0, 0.0, 0.0);
        for n in 1..=DEGREE {
            power *= ratio;
            let nf = n as f64;
            let (mut sum_r, mut sum_t, mut sum_p) = (0.0, 0.0, 0.0);
            for m in 0..=n {
                let mf = m as f64;
                // Schmidt semi-normalised Legendre functions and their derivatives by the usual recursions.
                if m == n {
                    let f = if n == 1 { 1.0 } else { ((2.0 * nf - 1.0) / (2.0 * nf)).sqrt() };
                    lp[n][m] = f * sin_t * lp[n - 1][m - 1];
                    dp[n][m] = f * (sin_t * dp[n - 1][m - 1] + cos_t * lp[n - 1][m - 1]);
                } else {
                    let back = if n >= 2 && m <= n - 2 { (lp[n - 2][m], dp[n - 2][m]) } else { (0.0, 0.0) };
                    let root = (nf * nf - mf * mf).sqrt();
                    let k = ((nf - 1.0) * (nf - 1.0) - mf * mf).max(0.0).sqrt();
                    lp[n][m] = ((2.0 * nf - 1.0) * cos_t * lp[n - 1][m] - k * back.0) / root;
                    dp[n][m] = ((2.0 * nf - 1.0) * (cos_t * dp[n - 1][m] - sin_t * lp[n - 1][m]) - k * back.1) / root;
                }
                let (sin_m, cos_m) = (mf * lon_deg.to_radians()).sin_cos();
                let (g, h) = (self.g[n][m], self.h[n][m]);
                let along = g * cos_m + h * sin_m;
                sum_r += along * lp[n][m];
                sum_t += along * dp[n][m];
                sum_p += mf * (g * sin_m - h * cos_m) * lp[n][m];
            }
            b_r += power * (nf + 1.0) * sum_r;
            b_t -= power * sum_t;
            b_p += power * sum_p / sin_t;
        }
        // Turn geocentric up and north by the angle between the two verticals.
        let (sin_c, cos_c) = (cos_t, p / r_km);
        let (sin_d, cos_d) = (sin_lat * cos_c - cos_lat * sin_c, cos_lat * cos_c + sin_lat * sin_c);
        Some(MagneticField {
            north_nt: -b_t * cos_d - b_r * sin_d,
            east_nt: b_p,
            down_nt: -(b_r * cos_d - b_t * sin_d),
            extrapolated: self.extrapolated,
        })
    }

    /// Geographic latitude and longitude of the north pole of the centred dipole, degrees.
    pub fn dipole_pole_deg(&self) -> (f64, f64) {
        let (g10, g11, h11) = (self.g[1][0], self.g[1][1], self.h[1][1]);
        let b0 = self.dipole_nt();
        ((-g10 / b0).asin().to_degrees(), (-h11).atan2(-g11).to_degrees())
    }

    /// Dipole field B0 = √(g10² + g11² + h11²), nT.
    pub fn dipole_nt(&self) -> f64 {
        self.g[1][0].hypot(self.g[1][1]).hypot(self.h[1][1])
    }

    /// Centred-dipole latitude: sin λm = sin φ sin φp + cos φ cos φp cos(λ - λp), degrees.
    pub fn dipole_latitude_deg(&self, lat_deg: f64, lon_deg: f64) -> f64 {
        let (pole_lat, pole_lon) = self.dipole_pole_deg();
        let (sin_p, cos_p) = pole_lat.to_radians().sin_cos();
        let (sin_l, cos_l) = lat_deg.to_radians().sin_cos();
        (sin_l * sin_p + cos_l * cos_p * (lon_deg - pole_lon).to_radians().cos()).clamp(-1.0, 1.0).asin().to_degrees()
    }

    /// Dip latitude at a geodetic place and height (350 km is the usual shell), degrees.
    pub fn dip_latitude_deg(&self, lat_deg: f64, lon_deg: f64, height_m: f64) -> Option<f64> {
        self.field(lat_deg, lon_deg, height_m).map(|f| f.dip_latitude_deg())
    }
}

/// Where a place lies for the ionosphere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum MagneticBand {
    /// Near the magnetic equator: scintillation after sunset.
    Equatorial,
    /// Between: quiet except in storms.
    Middle,
    /// Under the auroral oval.
    Auroral,
    /// Polar cap.
    Polar,
}

impl MagneticBand {
    /// The word used in outputs.
    pub fn name(self) -> &'static str {
        match self {
            MagneticBand::Equatorial => "equatorial",
            MagneticBand::Middle => "middle",
            MagneticBand::Auroral => "auroral",
            MagneticBand::Polar => "polar",
        }
    }
}

/// Limits of the magnetic bands, degrees of absolute magnetic latitude.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandLimits {
    /// Equatorial up to this (20: ITU-R P.531 5.2, about ±20° of the geomagnetic equator; from memory).
    pub equatorial_to_deg: f64,
    /// Auroral from this (60: common practice, no source; ITU-R P.531 gives about 65 to 70, storms move it to 45 to 50).
    pub auroral_from_deg: f64,
    /// Polar from this (75: common practice, no source).
    pub polar_from_deg: f64,
}

impl Default for BandLimits {
    fn default() -> Self {
        BandLimits { equatorial_to_deg: 20.0, auroral_from_deg: 60.0, polar_from_deg: 75.0 }
    }
}

impl BandLimits {
    /// Where the default limits come from, to be shown beside a finding that used them.
    pub const ORIGIN: &'static str = "equatorial 20 deg: ITU-R P.531 section 5.2, quoted from memory; \
         auroral 60 deg and polar 75 deg: common practice, no source";

    /// Band of a magnetic latitude (dip latitude at 350 km, or quasi-dipole where the caller has it).
    pub fn band(&self, magnetic_latitude_deg: f64) -> MagneticBand {
        let latitude = magnetic_latitude_deg.abs();
        if latitude <= self.equatorial_to_deg {
            MagneticBand::Equatorial
        } else if latitude < self.auroral_from_deg {
            MagneticBand::Middle
        } else if latitude < self.polar_from_deg {
            MagneticBand::Auroral
        } else {
            MagneticBand::Polar
        }
    }
}

/// Decimal year of a UTC time in Unix ms, counted in days of a mean Julian year from 2000-01-01; good to a day.
pub fn decimal_year(unix_ms: i64) -> f64 {
    2000.0 + (unix_ms as f64 / 1000.0 - 946_684_800.0) / (365.25 * 86_400.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::maths::near;

    /// Check values 7.5: lat, lon, I, D, F at 0 km, dip latitude at 0 and 350 km, dipole latitude.
    pub(crate) const PLACES: [(&str, [f64; 8]); 9] = [
        ("Lima", [-12.0464, -77.0428, -1.361, -3.290, 24_512.0, -0.681, -0.848, -2.861]),
        ("São José dos Campos", [-23.2237, -45.9009, -40.664, -22.112, 22_892.0, -23.245, -22.108, -14.952]),
        ("Singapore", [1.3521, 103.8198, -12.932, 0.183, 42_096.0, -6.550, -6.618, -7.842]),
        ("Nairobi", [-1.2921, 36.8219, -22.579, 0.344, 33_489.0, -11.745, -11.071, -4.353]),
        ("Houston", [29.7604, -95.3698, 58.407, 1.863, 46_175.0, 39.110, 39.017, 38.189]),
        ("London", [51.5074, -0.1278, 66.524, 0.899, 49_065.0, 49.021, 48.502, 53.353]),
        ("Sydney", [-33.8688, 151.2093, -64.379, 12.776, 56_993.0, -46.195, -46.063, -40.222]),
        ("Fairbanks", [64.8378, -147.7164, 76.954, 15.372, 56_220.0, 65.136, 65.088, 65.659]),
        ("Tromsø", [69.6492, 18.9553, 78.415, 10.814, 53_818.0, 67.707, 67.590, 67.492]),
    ];

    #[test]
    fn coefficients_are_complete() {
        // Check values 7.5, from the coefficient file of doi 10.5281/zenodo.14012302.
        assert_eq!(model().rows.len(), COUNT);
        let m = FieldModel::at_year(2025.0).unwrap();
        assert_eq!((m.g[1][0], m.g[1][1], m.h[1][1]), (-29350.0, -1410.3, 4545.5));
        let m = FieldModel::at_year(2020.0).unwrap();
        assert_eq!((m.g[1][0], m.g[1][1], m.h[1][1]), (-29403.41, -1451.37, 4653.35));
        let m = FieldModel::at_year(2026.0).unwrap();
        near(m.g[1][0], -29350.0 + 12.6, 1e-9);
        near(m.g[1][1], -1410.3 + 10.0, 1e-9);
        near(m.h[1][1], 4545.5 - 21.5, 1e-9);
    }

    #[test]
    fn dipole_of_check_values_7_5() {
        let m = FieldModel::at_year(2025.0).unwrap();
        near(m.dipole_nt(), 29_733.365, 1e-3);
        let (lat, lon) = m.dipole_pole_deg();
        near(lat, 80.7894, 1e-4);
        near(lon, -72.7628, 1e-4);
    }

    #[test]
    fn nine_places_of_check_values_7_5() {
        let m = FieldModel::at_year(2025.0).unwrap();
        for (name, [lat, lon, i, d, f, dip0, dip350, dipole]) in PLACES {
            println!("{name}");
            let here = m.field(lat, lon, 0.0).unwrap();
            near(here.inclination_deg(), i, 0.05);
            near(here.declination_deg(), d, 0.05);
            near(here.total_nt(), f, 25.0);
            near(here.dip_latitude_deg(), dip0, 0.1);
            near(m.dip_latitude_deg(lat, lon, 350_000.0).unwrap(), dip350, 0.1);
            near(m.dipole_latitude_deg(lat, lon), dipole, 0.01);
        }
    }

    #[test]
    fn dip_latitudes_of_check_values_7_5() {
        for (i, want) in
            [(10.0, 5.0384), (20.0, 10.3141), (30.0, 16.1021), (45.0, 26.5651), (60.0, 40.8934), (75.0, 61.8132)]
        {
            near(dip_latitude_of_inclination_deg(i), want, 1e-4);
            near(dip_latitude_of_inclination_deg(-i), -want, 1e-4);
        }
        near(dip_latitude_of_inclination_deg(90.0), 90.0, 1e-9);
    }

    #[test]
    fn range_of_years_and_poles() {
        assert!(FieldModel::at_year(1999.0).is_none());
        assert!(FieldModel::at_year(2036.0).is_none());
        assert!(FieldModel::at_year(f64::NAN).is_none());
        assert!(FieldModel::at_year(2032.0).unwrap().field(10.0, 10.0, 0.0).unwrap().extrapolated);
        let m = FieldModel::at_year(2025.0).unwrap();
        // Continuous into the pole: 100 m beside it the vertical part is the same.
        let pole = m.field(90.0, 0.0, 0.0).unwrap();
        let beside = m.field(89.999, 0.0, 0.0).unwrap();
        near(pole.down_nt, beside.down_nt, 1.0);
        near(pole.horizontal_nt(), beside.horizontal_nt(), 1.0);
        assert!(m.field(91.0, 0.0, 0.0).is_none());
        near(decimal_year(1_735_689_600_000), 2025.0, 0.003);
    }

    #[test]
    fn bands() {
        // ITU-R P.531 5.2: crests at ±15° dip latitude are equatorial; Fairbanks and Tromsø lie under the oval.
        let limits = BandLimits::default();
        let words: Vec<_> = [-15.0, 48.5, 65.1, -80.0].iter().map(|l| limits.band(*l).name()).collect();
        assert_eq!(words, ["equatorial", "middle", "auroral", "polar"]);
        let wide = BandLimits { equatorial_to_deg: 25.0, ..limits };
        assert_eq!(wide.band(22.0), MagneticBand::Equatorial);
    }
}
