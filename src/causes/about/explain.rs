//! A manual text as plain text for a terminal.

use crate::model::about::About;

/// The manual text of one cause, wrapped to `width` columns (at least 48), for `lostfix explain`. Ends with a newline.
pub fn explain_text(about: &About, width: usize) -> String {
    let width = width.max(48);
    let mut out = String::new();
    out.push_str(about.title);
    out.push('\n');
    out.push_str(&"=".repeat(about.title.chars().count()));
    out.push('\n');
    wrap(&mut out, &format!("Id: {}   Side: {}", about.id, side_words(about.side)), "", width);
    out.push('\n');
    wrap(&mut out, about.what, "", width);
    for (head, list, numbered) in [
        ("What it looks like", about.looks_like, false),
        ("Speaks for it", about.speaks_for, false),
        ("Speaks against it", about.speaks_against, false),
        ("What to check, cheapest and most telling first", about.checks, true),
        ("What would prove it wrong", about.would_disprove, false),
        ("Cautions", about.cautions, false),
        ("Sources", about.sources, false),
    ] {
        out.push('\n');
        out.push_str(head);
        out.push('\n');
        for (i, text) in list.iter().enumerate() {
            let mark = if numbered { format!("{:>3}. ", i + 1) } else { "  -  ".to_owned() };
            wrap(&mut out, text, &mark, width);
        }
    }
    out
}

fn side_words(side: &str) -> &str {
    match side {
        "link" => "data link",
        other => other,
    }
}

/// Appends `text` in lines of at most `width` columns; the first begins with `mark`, the others with as many blanks.
fn wrap(out: &mut String, text: &str, mark: &str, width: usize) {
    let indent = mark.chars().count();
    let mut column = indent;
    out.push_str(mark);
    for (i, word) in text.split_whitespace().enumerate() {
        let length = word.chars().count();
        if i > 0 && column + 1 + length > width {
            out.push('\n');
            out.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if i > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::super::ALL;
    use super::*;

    #[test]
    fn nothing_is_lost_and_lines_keep_their_width() {
        for width in [48, 72, 100] {
            for about in ALL {
                let text = explain_text(about, width);
                let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
                for said in about.checks.iter().chain(about.cautions).chain(about.sources).chain([&about.what]) {
                    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
                    assert!(flat.contains(&said), "{} lost: {said}", about.id);
                }
                for line in text.lines().skip(2) {
                    let longest_word = line.split_whitespace().map(|w| w.chars().count()).max().unwrap_or(0);
                    assert!(line.chars().count() <= width.max(longest_word + 5), "{}: {line}", about.id);
                }
            }
        }
    }
}
