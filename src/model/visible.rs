//! Text from strangers made visible: nothing in it can command a terminal or hide from a reader.

use std::borrow::Cow;

/// Longest shown name, characters. A zip may carry names of 64 KiB.
pub(crate) const MAX_SHOWN: usize = 400;

/// Text with control characters, direction marks and invisible characters written as `\u{..}`, cut when very long.
pub fn safe_text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for (n, c) in text.chars().enumerate() {
        if n >= MAX_SHOWN {
            // The digest keeps two long names apart.
            let digest = blake3::hash(text.as_bytes()).to_hex();
            out.push_str("...");
            out.extend(digest.chars().take(8));
            break;
        }
        if is_unsafe(c) {
            out.extend(c.escape_unicode());
        } else {
            out.push(c);
        }
    }
    out
}

/// Characters that can forge what a reader sees: controls, line and paragraph separators, direction marks, zero width,
/// byte order mark, tags, private use.
fn is_unsafe(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffc}' | '\u{e000}'..='\u{f8ff}'
            | '\u{e0000}'..='\u{e0fff}' | '\u{f0000}'..='\u{10ffff}')
}

/// One line: control characters are written as `\u{..}`. For ids and words that are compared and shown in many places.
pub fn one_line(text: &str) -> String {
    escaped(text, char::is_control).into_owned()
}

/// Lines: control characters but line ends and tabs are written as `\u{..}`. For logs and tables.
pub fn lines(text: &str) -> Cow<'_, str> {
    escaped(text, |c| c.is_control() && !matches!(c, '\n' | '\r' | '\t'))
}

fn escaped(text: &str, bad: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.contains(&bad) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if bad(c) { out.extend(c.escape_unicode()) } else { out.push(c) }
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_commands_a_terminal_is_written_out() {
        // ESC begins a command, so does the C1 control CSI for some terminals (ECMA-48, 5.4).
        assert_eq!(one_line("a\u{1b}[31m\u{9b}1m\nb"), "a\\u{1b}[31m\\u{9b}1m\\u{a}b");
        assert_eq!(lines("a\tb\r\n\u{7}"), "a\tb\r\n\\u{7}");
        assert!(matches!(lines("Größe"), Cow::Borrowed(_)));
        assert!(safe_text(&"x".repeat(10_000)).len() < 500);
    }
}
