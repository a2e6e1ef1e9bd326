//! Geodesy of the practice world: WGS 84 ellipsoid (IS-GPS-200), local axes, pierce points, dipole latitude.

const A: f64 = 6_378_137.0;
const F: f64 = 1.0 / 298.257_223_563;
/// Mean Earth radius for the thin ionospheric shell, m.
const RE_M: f64 = 6_371_000.0;

/// A place on the ellipsoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub lat_deg: f64,
    pub lon_deg: f64,
    pub h_m: f64,
}

impl Place {
    /// Earth-centred coordinates in metres.
    pub(super) fn ecef(&self) -> [f64; 3] {
        let (sp, cp) = self.lat_deg.to_radians().sin_cos();
        let (sl, cl) = self.lon_deg.to_radians().sin_cos();
        let e2 = F * (2.0 - F);
        let n = A / (1.0 - e2 * sp * sp).sqrt();
        [(n + self.h_m) * cp * cl, (n + self.h_m) * cp * sl, (n * (1.0 - e2) + self.h_m) * sp]
    }

    /// The place `east`, `north` metres away (local plane with the curvature radii; good to centimetres over some km).
    pub(super) fn offset(&self, east_m: f64, north_m: f64, up_m: f64) -> Place {
        let sp = self.lat_deg.to_radians().sin();
        let e2 = F * (2.0 - F);
        let w2 = 1.0 - e2 * sp * sp;
        let n = A / w2.sqrt() + self.h_m;
        let m = A * (1.0 - e2) / (w2 * w2.sqrt()) + self.h_m;
        let cos = self.lat_deg.to_radians().cos().max(1e-6);
        Place {
            lat_deg: self.lat_deg + (north_m / m).to_degrees(),
            lon_deg: self.lon_deg + (east_m / (n * cos)).to_degrees(),
            h_m: self.h_m + up_m,
        }
    }

    /// Azimuth and elevation (degrees) and distance (m) of a point from here.
    pub(super) fn look(&self, here: &[f64; 3], p: &[f64; 3]) -> (f64, f64, f64) {
        let (sp, cp) = self.lat_deg.to_radians().sin_cos();
        let (sl, cl) = self.lon_deg.to_radians().sin_cos();
        let d = [p[0] - here[0], p[1] - here[1], p[2] - here[2]];
        let e = -sl * d[0] + cl * d[1];
        let n = -sp * cl * d[0] - sp * sl * d[1] + cp * d[2];
        let u = cp * cl * d[0] + cp * sl * d[1] + sp * d[2];
        let r = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt();
        (e.atan2(n).to_degrees().rem_euclid(360.0), (u / r).asin().to_degrees(), r)
    }

    /// Centred-dipole latitude, pole of IGRF-14 2025 (80.789 N, 72.763 W).
    pub(super) fn dipole_lat_deg(&self) -> f64 {
        let (p, l) = (80.7894f64.to_radians(), (-72.7628f64).to_radians());
        let (a, o) = (self.lat_deg.to_radians(), self.lon_deg.to_radians());
        (a.sin() * p.sin() + a.cos() * p.cos() * (o - l).cos()).asin().to_degrees()
    }

    /// Ionospheric pierce point at 350 km: latitude, longitude (degrees), for a direction.
    pub(super) fn pierce(&self, az_deg: f64, el_deg: f64) -> (f64, f64) {
        let el = el_deg.to_radians();
        let psi = std::f64::consts::FRAC_PI_2 - el - (RE_M * el.cos() / (RE_M + 350_000.0)).asin();
        let (lat, az) = (self.lat_deg.to_radians(), az_deg.to_radians());
        let p = (lat.sin() * psi.cos() + lat.cos() * psi.sin() * az.cos()).clamp(-1.0, 1.0).asin();
        let dl = (psi.sin() * az.sin() / p.cos()).clamp(-1.0, 1.0).asin();
        (p.to_degrees(), self.lon_deg + dl.to_degrees())
    }

    /// Great-circle distance in kilometres.
    pub(super) fn distance_km(&self, other: &Place) -> f64 {
        let (a, b) = (self.lat_deg.to_radians(), other.lat_deg.to_radians());
        let dl = (other.lon_deg - self.lon_deg).to_radians();
        let h = ((b - a) / 2.0).sin().powi(2) + a.cos() * b.cos() * (dl / 2.0).sin().powi(2);
        2.0 * RE_M / 1000.0 * h.sqrt().min(1.0).asin()
    }
}

/// Slant factor of the thin shell at 350 km.
pub(super) fn slant(el_deg: f64) -> f64 {
    let c = RE_M * el_deg.to_radians().cos() / (RE_M + 350_000.0);
    1.0 / (1.0 - c * c).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    // check-values 6.2, 6.3, 7.1 and 7.5 (pymap3d, pyproj, dipole by hand).
    #[test]
    fn worked_places() {
        let p = Place { lat_deg: 51.502_057_61, lon_deg: -0.127_572_02, h_m: 109.143 };
        let x = p.ecef();
        for (got, want) in x.iter().zip([3_978_527.4475, -8_858.4120, 4_968_590.3820]) {
            assert!((got - want).abs() < 1e-3, "{got} {want}");
        }
        let (az, el, r) = p.look(&x, &[15_600_000.0, 7_540_000.0, 20_140_000.0]);
        assert!((az - 87.264_970).abs() < 1e-5 && (el - 68.342_489).abs() < 1e-5 && (r - 20_547_884.4996).abs() < 1e-2);
        let (lat, lon) = p.pierce(135.0, 30.0);
        assert!((lat - 47.975_368).abs() < 1e-4 && (lon - 4.966_723).abs() < 1e-4);
        assert!((slant(30.0) - 1.75121).abs() < 1e-4);
        let lima = Place { lat_deg: -12.0464, lon_deg: -77.0428, h_m: 0.0 };
        assert!((lima.dipole_lat_deg() + 2.861).abs() < 0.01);
        let q = p.offset(694.2332, 1112.6452, 0.0);
        assert!((q.lat_deg - 51.512_057_61).abs() < 2e-6 && (q.lon_deg + 0.117_572_02).abs() < 4e-6);
    }
}
