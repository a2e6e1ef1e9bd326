//! Text from strangers made harmless, and numbers in words for people.

use crate::model::time::{HOUR_MS, MINUTE_MS};

/// Longest text from a bundle on a page, in characters.
pub(super) const LONG: usize = 400;
/// Longest name (unit, site, file) on a page, in characters.
pub(super) const NAME: usize = 120;

/// Characters that do not show but change how others show: direction marks, zero-width blanks, control characters.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061C}' | '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFB}' | '\u{E0000}'..='\u{E007F}')
}

/// One line of visible text, at most `max` characters: line breaks and tabs become blanks, hidden characters the
/// replacement character, what is too long ends with an ellipsis.
pub(super) fn plain(text: &str, max: usize) -> String {
    let mut out = String::with_capacity(text.len().min(max * 4));
    for (n, c) in text.chars().enumerate() {
        if n + 1 > max {
            out.push('…');
            break;
        }
        out.push(match c {
            '\n' | '\r' | '\t' | '\u{2028}' | '\u{2029}' => ' ',
            c if is_hidden(c) => '\u{FFFD}',
            c => c,
        });
    }
    out
}

/// A name.
pub(super) fn name(text: &str) -> String {
    plain(text, NAME)
}

/// Markdown that shows exactly this text, in running text and in a table cell: no markup, HTML or link can arise.
pub(super) fn markdown(text: &str) -> String {
    let text = plain(text, usize::MAX / 8);
    let text = text.trim();
    let mut out = String::with_capacity(text.len() + 16);
    let leading_digits = text.chars().take_while(char::is_ascii_digit).count();
    for (i, c) in text.chars().enumerate() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            // Bare addresses become links in some dialects; written as entities they do not.
            '@' => out.push_str("&#64;"),
            ':' if text.chars().skip(i + 1).take(2).eq(['/', '/']) => out.push_str("&#58;"),
            '.' if ends_with_www(&out) => out.push_str("&#46;"),
            '\\' | '|' | '`' | '*' | '_' | '[' | ']' | '#' | '!' | '~' | '$' => {
                out.push('\\');
                out.push(c);
            }
            '-' | '+' | '=' if i == 0 => {
                out.push('\\');
                out.push(c);
            }
            '.' | ')' if i > 0 && i == leading_digits && text.chars().nth(i + 1).is_none_or(|c| c == ' ') => {
                out.push('\\');
                out.push(c);
            }
            c => out.push(c),
        }
    }
    out
}

fn ends_with_www(out: &str) -> bool {
    out.len() >= 3 && out.as_bytes()[out.len() - 3..].eq_ignore_ascii_case(b"www")
}

/// Hours with one decimal: `21.4 h`; under 0.05 h in minutes: `2 min`, `under 1 min`.
pub(super) fn hours(h: f64) -> String {
    if h <= 0.0 {
        "0 h".to_owned()
    } else if h < 1.0 / 60.0 {
        "under 1 min".to_owned()
    } else if h < 0.95 {
        format!("{:.0} min", h * 60.0)
    } else {
        format!("{h:.1} h")
    }
}

/// A share as a percentage with one decimal, rounded towards zero so that 100 % means all.
pub(super) fn share(s: f64) -> String {
    // `+ 0.0` turns minus zero into zero.
    if s >= 1.0 { "100 %".to_owned() } else { format!("{:.1} %", (s * 1000.0 + 1e-6).floor() / 10.0 + 0.0) }
}

/// A share without decimals; what is not nothing and not all does not read as if it were.
pub(super) fn percent(s: f64) -> String {
    match s {
        s if s > 0.0 && s < 0.005 => "under 1 %".to_owned(),
        s if (0.995..1.0).contains(&s) => "over 99 %".to_owned(),
        s => format!("{:.0} %", (s * 100.0).round() + 0.0),
    }
}

/// A confidence in words with its number: `very likely (94 %)`.
pub(super) fn confidence(p: f64) -> String {
    let words = match p {
        p if p >= 0.85 => "very likely",
        p if p >= 0.65 => "likely",
        p if p >= 0.5 => "more likely than not",
        p if p >= 0.3 => "possible",
        _ => "weak",
    };
    format!("{words} ({})", percent(p))
}

/// A side of the contract in one word for people.
pub(super) fn side_word(side: &str) -> &'static str {
    match side {
        "base" => "base",
        "link" => "data link",
        "sky" => "sky",
        "rover" => "rover",
        _ => "unexplained",
    }
}

/// The letter that stands beside the colour of a side.
pub(super) fn side_letter(side: &str) -> &'static str {
    match side {
        "base" => "B",
        "link" => "L",
        "sky" => "S",
        "rover" => "R",
        _ => "?",
    }
}

/// The side as a CSS class name of ours.
pub(super) fn side_class(side: &str) -> &'static str {
    match side {
        "base" => "base",
        "link" => "link",
        "sky" => "sky",
        "rover" => "rover",
        _ => "none",
    }
}

/// An id of ours in words: `second-frequency-lost` becomes `second frequency lost`.
pub(super) fn kind_words(kind: &str) -> String {
    match kind {
        "band-drop" => "signals of one band drop".to_owned(),
        "lower-bands-drop" => "signals of all bands but L1 drop".to_owned(),
        "level-steady" => "signals are low and steady".to_owned(),
        "band-sinks" => "signals of one band sink".to_owned(),
        "band-jumps" => "signals of one band jump".to_owned(),
        "all-bands-drop" => "signals of all bands drop".to_owned(),
        "all-bands-sink" => "signals of all bands sink".to_owned(),
        "all-bands-jump" => "signals of all bands jump".to_owned(),
        "common-slip" => "most satellites lose lock at once".to_owned(),
        "slips-many" => "many losses of lock".to_owned(),
        "lock-reset" => "all satellites begin anew".to_owned(),
        "stream-gap" => "gap in the observations".to_owned(),
        "satellites-few" => "few satellites".to_owned(),
        "satellites-few-weak" => "few satellites under a weak sky".to_owned(),
        "sky-covered" => "the antenna is covered".to_owned(),
        "satellites-fading" => "satellites fade".to_owned(),
        "weak-whole-sky" => "weak in the whole sky".to_owned(),
        "weak-sector" => "weak in a part of the sky".to_owned(),
        "sky-blocked" => "part of the sky is blocked".to_owned(),
        "part-of-sky-drop" => "signals of a part of the sky drop".to_owned(),
        "system-stopped" => "a satellite system stops".to_owned(),
        "company-messages-only" => "only a maker’s own messages".to_owned(),
        other => name(other).replace(['-', '_'], " "),
    }
}

/// A fix state in words.
pub(super) fn state_words(state: &str) -> String {
    match state {
        "fixed" => "fixed".to_owned(),
        "float" => "float".to_owned(),
        "dgnss" => "DGNSS".to_owned(),
        "autonomous" => "autonomous (no corrections used)".to_owned(),
        "none" => "no position".to_owned(),
        "estimated" => "estimated".to_owned(),
        other => name(other),
    }
}

/// The same text for the middle of a sentence.
pub(super) fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().collect::<String>() + letters.as_str())
}

/// The same text for the begin of a line.
pub(super) fn upper_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// An amount of money without its currency, which nobody told: whole units in groups of three.
pub(super) fn money(x: f64) -> String {
    let whole = format!("{:.0}", x.abs().min(1e15));
    let mut out = String::new();
    for (i, c) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i).is_multiple_of(3) {
            // A blank at which no line breaks.
            out.push('\u{A0}');
        }
        out.push(c);
    }
    if x <= -0.5 { format!("-{out}") } else { out }
}

/// A probability that is small: `1 in 340`, `under 1 in a million`, `4 in 10`.
pub(super) fn chance(p: f64) -> String {
    match p {
        p if !p.is_finite() => "not known".to_owned(),
        p if p < 1e-6 => "under 1 in a million".to_owned(),
        p if p >= 0.15 => format!("{:.0} in 10", p * 10.0),
        p => {
            let n = 1.0 / p;
            // Two digits are all that can be meant.
            let step = 10_f64.powf((n.log10().floor() - 1.0).max(0.0));
            format!("1 in {}", money((n / step).round() * step))
        }
    }
}

/// `1 site`, `2 sites`.
pub(super) fn count(n: usize, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}

/// A number without needless digits: up to 3 decimals, fewer for large ones.
pub(super) fn number(x: f64) -> String {
    // What rounds to nothing has no sign.
    let x = if x.abs() < 0.0005 { 0.0 } else { x };
    let text = match x.abs() {
        a if a >= 100.0 => format!("{x:.0}"),
        a if a >= 10.0 => format!("{x:.1}"),
        a if a >= 1.0 => format!("{x:.2}"),
        _ => format!("{x:.3}"),
    };
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// How much can be read from a lost time (common practice, no source): one loss more or less must not turn the words.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Weight {
    /// Too little for any words.
    Nothing,
    /// A hint.
    Hint,
    /// Enough.
    Full,
}

pub(super) fn weight(lost_ms: i64) -> Weight {
    match lost_ms {
        t if t < 10 * MINUTE_MS => Weight::Nothing,
        t if t < HOUR_MS => Weight::Hint,
        _ => Weight::Full,
    }
}

/// Words that a lost time bears, or that it does not.
pub(super) fn weighed(lost_ms: i64, numbers: &str, reading: &str) -> String {
    match weight(lost_ms) {
        Weight::Nothing => format!(
            "{numbers} Only {} were lost: too little to read anything from it.",
            hours(lost_ms as f64 / HOUR_MS as f64)
        ),
        Weight::Hint => format!(
            "{numbers} {reading} With only {} lost this is a hint, no more.",
            hours(lost_ms as f64 / HOUR_MS as f64)
        ),
        Weight::Full => format!("{numbers} {reading}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strangers_text_becomes_one_visible_line() {
        assert_eq!(plain("a\nb\u{202E}c\u{0}d", 99), "a b\u{FFFD}c\u{FFFD}d");
        assert_eq!(plain("abcdef", 3), "abc…");
        assert_eq!(plain("abc", 3), "abc");
        assert_eq!(plain("عربي हिन्दी", 99), "عربي हिन्दी");
    }

    /// CommonMark 0.31 §2.4 (backslash escapes), §2.5 (entities); GFM §4.10 (cells), §6.9 (extended autolinks).
    #[test]
    fn markdown_shows_what_was_there() {
        assert_eq!(markdown("a|b`c`*d*_e_[f](g)"), "a\\|b\\`c\\`\\*d\\*\\_e\\_\\[f\\](g)");
        assert_eq!(markdown("<script>&amp;"), "&lt;script&gt;&amp;amp;");
        assert_eq!(
            markdown("https://x.example www.x.example a@b.c"),
            "https&#58;//x.example www&#46;x.example a&#64;b.c"
        );
        assert_eq!(markdown("1. x"), "1\\. x");
        assert_eq!(markdown("- x\n# y"), "\\- x \\# y");
        assert_eq!(markdown("21.4 h"), "21.4 h");
    }

    #[test]
    fn money_and_chance() {
        assert_eq!((money(0.0), money(999.4), money(1234.0)), ("0".into(), "999".into(), "1\u{A0}234".into()));
        assert_eq!((money(1_234_567.0), money(-1500.0)), ("1\u{A0}234\u{A0}567".into(), "-1\u{A0}500".into()));
        assert_eq!((chance(1e-9).as_str(), chance(f64::NAN).as_str()), ("under 1 in a million", "not known"));
        assert_eq!(
            (chance(0.05), chance(0.003), chance(0.0000123)),
            ("1 in 20".into(), "1 in 330".into(), "1 in 81\u{A0}000".into())
        );
    }

    #[test]
    fn numbers_for_people() {
        assert_eq!(hours(21.44), "21.4 h");
        assert_eq!(hours(0.25), "15 min");
        assert_eq!(hours(0.001), "under 1 min");
        assert_eq!(hours(0.0), "0 h");
        assert_eq!(share(0.9999), "99.9 %");
        assert_eq!(share(0.931), "93.1 %");
        assert_eq!(share(1.0), "100 %");
        // What is not nothing and not all does not read as if it were.
        assert_eq!(
            [0.0, 0.004, 0.006, 0.994, 0.9951, 1.0].map(percent),
            ["0 %", "under 1 %", "1 %", "99 %", "over 99 %", "100 %"]
        );
        assert_eq!(number(0.0), "0");
        assert_eq!(
            (number(-0.0), number(-0.0004), percent(-0.001), share(-0.0)),
            ("0".into(), "0".into(), "0 %".into(), "0.0 %".into())
        );
        assert_eq!(number(150.0), "150");
        assert_eq!(number(0.25), "0.25");
    }
}
