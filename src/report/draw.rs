//! A small writer of SVG: numbers are short, every text is escaped, every picture has a title and a description.

use super::text::{LONG, plain};

/// A number for a coordinate: one decimal, none where it is a whole number.
pub(super) fn coordinate(x: f64) -> String {
    let mut out = String::with_capacity(8);
    push_coordinate(&mut out, x);
    out
}

/// The same behind what is there. A page has ten thousands of them: whole tenths are written, not a float rounded to text.
pub(super) fn push_coordinate(out: &mut String, x: f64) {
    // Nothing on a page is larger: a value beyond comes from a wrong input and must not break the picture.
    let tenths = if x.is_finite() { (x.clamp(-99_999.0, 99_999.0) * 10.0).round() as i64 } else { 0 };
    if tenths < 0 {
        out.push('-');
    }
    let digit = |n: u64| char::from(b'0' + (n % 10) as u8);
    let (whole, part) = (tenths.unsigned_abs() / 10, tenths.unsigned_abs() % 10);
    let mut power = 1;
    while whole / power >= 10 {
        power *= 10;
    }
    while power > 0 {
        out.push(digit(whole / power));
        power /= 10;
    }
    if part > 0 {
        out.push('.');
        out.push(digit(part));
    }
}

/// Text as HTML and SVG take it: one visible line.
pub(super) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    for c in plain(text, 4 * LONG).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// Where a text hangs.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A picture being drawn. Classes are ours; everything else is escaped.
pub(super) struct Svg {
    out: String,
}

impl Svg {
    /// A picture of a size in units; `id` is unique on the page.
    pub(super) fn new(id: &str, width: f64, height: f64, title: &str, description: &str) -> Self {
        let out = format!(
            "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>",
            coordinate(width),
            coordinate(height),
            escape(title),
            escape(description)
        );
        Self { out }
    }

    /// The same, stretched to the room it gets: no text inside.
    pub(super) fn stretched(id: &str, width: f64, height: f64, title: &str, description: &str) -> Self {
        let mut svg = Self::new(id, width, height, title, description);
        svg.out = svg.out.replacen("<svg ", "<svg preserveAspectRatio=\"none\" ", 1);
        svg
    }

    pub(super) fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, class: &str) {
        self.out.push_str(&format!(
            "<rect class=\"{class}\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
            coordinate(x),
            coordinate(y),
            coordinate(width),
            coordinate(height)
        ));
    }

    /// A rectangle that tells its words when pointed at.
    pub(super) fn tip(&mut self, x: f64, y: f64, width: f64, height: f64, words: &str) {
        self.out.push_str(&format!(
            "<rect class=\"tip\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"><title>{}</title></rect>",
            coordinate(x),
            coordinate(y),
            coordinate(width),
            coordinate(height),
            escape(words)
        ));
    }

    pub(super) fn path(&mut self, d: &str, class: &str) {
        if !d.is_empty() {
            self.out.push_str(&format!("<path class=\"{class}\" d=\"{d}\"/>"));
        }
    }

    pub(super) fn circle(&mut self, x: f64, y: f64, r: f64, class: &str) {
        self.out.push_str(&format!(
            "<circle class=\"{class}\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            coordinate(x),
            coordinate(y),
            coordinate(r)
        ));
    }

    pub(super) fn text(&mut self, x: f64, y: f64, anchor: Anchor, class: &str, words: &str) {
        let hang = match anchor {
            Anchor::Start => "",
            Anchor::Middle => " text-anchor=\"middle\"",
            Anchor::End => " text-anchor=\"end\"",
        };
        self.out.push_str(&format!(
            "<text class=\"{class}\" x=\"{}\" y=\"{}\"{hang}>{}</text>",
            coordinate(x),
            coordinate(y),
            escape(words)
        ));
    }

    /// What is drawn until [`Svg::end_link`] leads to a page; `words` say where.
    pub(super) fn begin_link(&mut self, href: &str, words: &str) {
        self.out.push_str(&format!(
            "<a href=\"{}\" aria-label=\"{}\"><title>{}</title>",
            escape(href),
            escape(words),
            escape(words)
        ));
    }

    pub(super) fn end_link(&mut self) {
        self.out.push_str("</a>");
    }

    /// A picture with links inside is a group, not one image.
    pub(super) fn into_group(mut self) -> Self {
        self.out = self.out.replacen("role=\"img\"", "role=\"group\"", 1);
        self
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</svg>");
        self.out
    }
}

/// A box as a piece of a path.
pub(super) fn box_path(x: f64, y: f64, width: f64, height: f64) -> String {
    format!("M{} {}h{}v{}h-{}z", coordinate(x), coordinate(y), coordinate(width), coordinate(height), coordinate(width))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_cannot_leave_their_place() {
        let mut svg = Svg::new("a", 10.0, 10.0, "<script>", "\"'&");
        svg.text(1.0, f64::NAN, Anchor::End, "c", "</text><script>alert(1)</script>");
        svg.begin_link("x\"onload=\"y", "</a>");
        svg.end_link();
        let text = svg.finish();
        assert!(!text.contains("<script"));
        assert!(!text.contains("\"onload=\""));
        assert_eq!(text.matches("</a>").count(), 1);
        assert_eq!(coordinate(-0.04), "0");
        assert_eq!(coordinate(12.34), "12.3");
        assert_eq!(coordinate(1e300), "99999");
    }
}
