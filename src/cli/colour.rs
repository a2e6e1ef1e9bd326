//! Colours of what people read on a terminal: ECMA-48 codes around single words and lines, nothing else.
//!
//! `--color auto`: only on a terminal, not when NO_COLOR is set to anything (no-color.org) and not when TERM is `dumb`.

use super::options::Color;
use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, Ordering};

static STDOUT: AtomicBool = AtomicBool::new(false);
static STDERR: AtomicBool = AtomicBool::new(false);

/// What a colour says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// Something failed or was not read.
    Bad,
    /// Somebody should look.
    Warn,
    /// A heading.
    Head,
}

impl Mark {
    fn code(self) -> &'static str {
        match self {
            Mark::Bad => "1;31",
            Mark::Warn => "33",
            Mark::Head => "1",
        }
    }

    fn around(self, text: &str, on: bool) -> String {
        if on { format!("\u{1b}[{}m{text}\u{1b}[0m", self.code()) } else { text.to_owned() }
    }
}

/// Whether a stream gets colours.
fn wanted(when: Color, terminal: bool, no_color: bool, dumb: bool) -> bool {
    match when {
        Color::Always => true,
        Color::Never => false,
        Color::Auto => terminal && !no_color && !dumb,
    }
}

/// Decides once for the run.
pub(super) fn set(when: Color) {
    let no_color = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|v| v == "dumb");
    STDOUT.store(wanted(when, std::io::stdout().is_terminal(), no_color, dumb), Ordering::Relaxed);
    STDERR.store(wanted(when, std::io::stderr().is_terminal(), no_color, dumb), Ordering::Relaxed);
}

/// For the parser of the command line, which speaks before the options are known.
pub(super) fn before_parsing(args: impl Iterator<Item = std::ffi::OsString>) -> clap::ColorChoice {
    let args: Vec<String> = args.map(|a| a.to_string_lossy().into_owned()).collect();
    let value = args.iter().enumerate().rev().find_map(|(i, a)| match a.as_str() {
        "--color" => args.get(i + 1).map(String::as_str),
        a => a.strip_prefix("--color="),
    });
    match value {
        Some("always") => clap::ColorChoice::Always,
        Some("never") => clap::ColorChoice::Never,
        _ => clap::ColorChoice::Auto,
    }
}

/// A line for stderr: what failed in red, alerts in yellow.
pub(super) fn line(text: &str) -> String {
    paint_line(text, STDERR.load(Ordering::Relaxed))
}

fn paint_line(text: &str, on: bool) -> String {
    for (start, mark) in [("lostfix:", Mark::Bad), ("alert:", Mark::Warn)] {
        if let Some(rest) = text.strip_prefix(start) {
            return format!("{}{rest}", mark.around(start, on));
        }
    }
    text.to_owned()
}

/// The text of `look` for stdout: names of files as headings, problems and notes in yellow, what was not read in red.
pub(super) fn look(text: &str) -> String {
    paint_look(text, STDOUT.load(Ordering::Relaxed))
}

fn paint_look(text: &str, on: bool) -> String {
    if !on {
        return text.to_owned();
    }
    let (mut out, mut not_read) = (String::with_capacity(text.len() + 256), false);
    for (number, line) in text.lines().enumerate() {
        not_read |= line.starts_with("not read");
        let mark = match line {
            "" => None,
            _ if not_read => Some(Mark::Bad),
            l if l.starts_with("  ! ") || l.starts_with("note: ") => Some(Mark::Warn),
            l if number == 0 || !l.starts_with(' ') => Some(Mark::Head),
            _ => None,
        };
        out.push_str(&mark.map_or_else(|| line.to_owned(), |m| m.around(line, true)));
        out.push('\n');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_where_they_are_wanted() {
        // no-color.org: NO_COLOR, when not empty, keeps colours off unless a flag of the program asks for them.
        assert!(wanted(Color::Auto, true, false, false));
        assert!(!wanted(Color::Auto, false, false, false));
        assert!(!wanted(Color::Auto, true, true, false));
        assert!(!wanted(Color::Auto, true, false, true));
        assert!(wanted(Color::Always, false, true, false));
        assert!(!wanted(Color::Never, true, false, false));
    }

    #[test]
    fn colours_add_codes_and_nothing_else() {
        assert_eq!(paint_line("lostfix: no", true), "\u{1b}[1;31mlostfix:\u{1b}[0m no");
        assert_eq!(paint_line("lostfix: no", false), "lostfix: no");
        let text = "a: base\n\nx.nmea\n  nmea\n  ! byte 3: bad; do\n\nnot read, or not to the end\n  y: why\n";
        let painted = paint_look(text, true);
        let codes = regex::Regex::new("\u{1b}\\[[0-9;]*m").unwrap();
        assert_eq!(codes.replace_all(&painted, ""), text);
        assert_eq!(codes.find_iter(&painted).count(), 2 * 5);
        assert_eq!(paint_look(text, false), text);
    }

    #[test]
    fn the_parser_hears_of_it_too() {
        let of = |args: &[&str]| before_parsing(args.iter().map(std::ffi::OsString::from));
        assert_eq!(of(&["lostfix", "--color", "never", "look"]), clap::ColorChoice::Never);
        assert_eq!(of(&["lostfix", "--color=always"]), clap::ColorChoice::Always);
        assert_eq!(of(&["lostfix", "look", "x"]), clap::ColorChoice::Auto);
    }
}
