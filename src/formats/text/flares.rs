//! `time,class` of X-ray flares. Classes: A < 1e-7, B, C, M, X >= 1e-4 W/m² (GOES 0.1 to 0.8 nm, `check-values.md` 7.6).

/// Peak flux in W/m² of a class as written (`M5.2`, `X1`, `C`); `None` when it is none.
pub fn peak_w_m2(class: &str) -> Option<f64> {
    let class = class.trim();
    let mut letters = class.chars();
    let base = match letters.next()?.to_ascii_uppercase() {
        'A' => 1e-8,
        'B' => 1e-7,
        'C' => 1e-6,
        'M' => 1e-5,
        'X' => 1e-4,
        _ => return None,
    };
    let rest = letters.as_str();
    if rest.is_empty() {
        return Some(base);
    }
    if !rest.bytes().all(|b| b.is_ascii_digit() || b == b'.') {
        return None;
    }
    let factor: f64 = rest.parse().ok()?;
    (factor > 0.0 && factor < 1000.0).then_some(base * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes() {
        // NOAA R scale: R1 M1 1e-5, R2 M5 5e-5, R3 X1 1e-4, R4 X10 1e-3, R5 X20 2e-3 W/m² (check-values.md 7.6).
        for (class, flux) in [("M1", 1e-5), ("M5", 5e-5), ("X1", 1e-4), ("x10.0", 1e-3), ("X20", 2e-3)] {
            assert!((peak_w_m2(class).unwrap() / flux - 1.0).abs() < 1e-9, "{class}");
        }
        for class in ["", "Q1", "M-1", "Mx", "X1e5", "M0", "5.2"] {
            assert_eq!(peak_w_m2(class), None, "{class}");
        }
    }
}
