//! `findings.json`: the contract's value, rounded to what can be meant.

use crate::model::findings::Findings;
use std::io::{self, Write};

/// Rounded to `places` decimals; a number that is none becomes 0, so that the file can be read back.
fn round(x: &mut f64, places: i32) {
    let factor = 10_f64.powi(places);
    let r = (*x * factor).round() / factor;
    // `+ 0.0` turns minus zero into zero.
    *x = if r.is_finite() { r + 0.0 } else { 0.0 };
}

fn round_opt(x: &mut Option<f64>, places: i32) {
    match x {
        Some(v) if v.is_finite() => round(v, places),
        _ => *x = None,
    }
}

/// Rounds findings: hours, shares and confidences to 4 decimals, degrees to 8, metres to 4, other values to 6, ages
/// to 3. Pages and tables are made from this value, so that all outputs show the same numbers.
pub(super) fn round_all(f: &mut Findings) {
    for site in &mut f.sites {
        for hours in
            [&mut site.observed_hours, &mut site.lost_fix_hours, &mut site.start_up_hours, &mut site.silent_hours]
        {
            round(hours, 4);
        }
        round_opt(&mut site.fixed_share, 4);
        round_opt(&mut site.magnetic_latitude, 2);
        if let Some(p) = &mut site.position {
            round(&mut p.latitude, 8);
            round(&mut p.longitude, 8);
            round(&mut p.height_m, 4);
        }
        for cause in &mut site.causes {
            round(&mut cause.lost_fix_hours, 4);
            round(&mut cause.share, 4);
            round(&mut cause.confidence, 4);
        }
        for period in &mut site.float_periods {
            round_opt(&mut period.mean_correction_age_s, 3);
            round(&mut period.confidence, 4);
            round_opt(&mut period.others_lost, 4);
        }
        for event in &mut site.base_events {
            round_opt(&mut event.value, 6);
        }
    }
    for site in &mut f.sites {
        round_opt(&mut site.lost_cost, 2);
    }
    for w in &mut f.fieldwork {
        for hours in [&mut w.before_hours, &mut w.after_hours, &mut w.before_lost_hours, &mut w.after_lost_hours] {
            round(hours, 4);
        }
        for ratio in [&mut w.rate_ratio, &mut w.ratio_low, &mut w.ratio_high, &mut w.p] {
            round_opt(ratio, 6);
        }
    }
    round_opt(&mut f.fleet.lost_cost, 2);
    for rover in &mut f.fleet.bad_rovers {
        for hours in [&mut rover.observed_hours, &mut rover.lost_fix_hours, &mut rover.expected_hours] {
            round(hours, 4);
        }
    }
    for trend in &mut f.fleet.trend {
        for x in [&mut trend.share_before, &mut trend.share_now, &mut trend.change_low, &mut trend.change_high] {
            round_opt(x, 4);
        }
    }
    for complaint in &mut f.complaints {
        round(&mut complaint.confidence, 4);
        round(&mut complaint.lost_fix_hours, 4);
    }
}

/// Pretty JSON with the keys in the order of the contract, ending with a newline.
pub(super) fn write(out: &mut dyn Write, findings: &Findings) -> io::Result<()> {
    let mut out = Escaped { out, second: false };
    serde_json::to_writer_pretty(&mut out, findings)?;
    out.write_all(b"\n")
}

/// JSON lets U+007F to U+009F stand as they are; some terminals obey them. They only occur inside strings.
struct Escaped<'a> {
    out: &'a mut dyn Write,
    /// The first of the two bytes of such a character was met, its second was not yet.
    second: bool,
}

impl Write for Escaped<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut from = 0;
        for (i, b) in bytes.iter().enumerate() {
            let escape = match (self.second, b) {
                (false, 0x7f) => "\\u007f".to_owned(),
                (false, 0xc2) => String::new(),
                (true, 0x80..=0x9f) => format!("\\u{b:04x}"),
                (true, _) => {
                    // What was held back belonged to another character.
                    self.out.write_all(&[0xc2])?;
                    from = i;
                    self.second = false;
                    continue;
                }
                _ => continue,
            };
            self.out.write_all(bytes.get(from..i).unwrap_or_default())?;
            self.out.write_all(escape.as_bytes())?;
            from = i + 1;
            self.second = *b == 0xc2;
        }
        self.out.write_all(bytes.get(from..).unwrap_or_default())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_are_escaped_however_the_bytes_come() {
        let text = "a\u{7f}\u{80}\u{9b}31m\u{9f}\u{a0}ä\u{c2}é\u{c2}\u{85}";
        for size in 1..=text.len() {
            let mut bytes = Vec::new();
            let mut out = Escaped { out: &mut bytes, second: false };
            text.as_bytes().chunks(size).for_each(|part| out.write_all(part).unwrap());
            let got = String::from_utf8(bytes).unwrap();
            assert_eq!(got, "a\\u007f\\u0080\\u009b31m\\u009f\u{a0}ä\u{c2}é\u{c2}\\u0085", "parts of {size}");
        }
    }
}
