//! The template engine: templates are part of the program, undefined names are errors, every value is escaped for the kind
//! of page it goes to.

use super::ReportError;
use super::text::markdown;
use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Serde, Value};
use minijinja::{AutoEscape, Environment, UndefinedBehavior};
use serde::Serialize;

/// Name and text of every template.
const TEMPLATES: [(&str, &str); 10] = [
    ("layout.html", include_str!("../../report-templates/layout.html")),
    ("parts.html", include_str!("../../report-templates/parts.html")),
    ("style.css", include_str!("../../report-templates/style.css")),
    ("index.html", include_str!("../../report-templates/index.html")),
    ("site.html", include_str!("../../report-templates/site.html")),
    ("look.html", include_str!("../../report-templates/look.html")),
    ("complaints.html", include_str!("../../report-templates/complaints.html")),
    ("report.md", include_str!("../../report-templates/report.md")),
    ("report-site.md", include_str!("../../report-templates/report-site.md")),
    ("report-end.md", include_str!("../../report-templates/report-end.md")),
];

/// Name of our escaping for Markdown.
const MARKDOWN: &str = "markdown";

/// Renders pages.
pub(super) struct Engine {
    env: Environment<'static>,
}

fn fault(page: &str) -> impl FnOnce(minijinja::Error) -> ReportError {
    let page = page.to_owned();
    move |e| {
        let place = e.name().map(|n| format!(" ({n}, line {})", e.line().unwrap_or(0))).unwrap_or_default();
        ReportError::Render { page, what: format!("{e}{place}") }
    }
}

impl Engine {
    /// Compiles all templates.
    pub(super) fn new() -> Result<Self, ReportError> {
        let mut env = Environment::new();
        env.set_undefined_behavior(UndefinedBehavior::Strict);
        let syntax = SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).keep_trailing_newline(true).build();
        env.set_syntax(syntax.map_err(fault("the template syntax"))?);
        env.set_auto_escape_callback(|name| match name.rsplit('.').next() {
            Some("html") => AutoEscape::Html,
            Some("md") => AutoEscape::Custom(MARKDOWN.into()),
            _ => AutoEscape::None,
        });
        // Markdown is escaped like HTML: whatever a template shows, unless it is marked safe.
        env.set_formatter(|out, state, value| {
            if !matches!(state.auto_escape(), AutoEscape::Custom(_)) {
                return minijinja::escape_formatter(out, state, value);
            }
            let text = match value.as_str() {
                Some(text) if !value.is_safe() => markdown(text),
                _ if value.is_undefined() => return Err(minijinja::ErrorKind::UndefinedError.into()),
                _ => value.to_string(),
            };
            out.write_str(&text).map_err(minijinja::Error::from)
        });
        env.add_filter("cell", |text: &str| Value::from_safe_string(markdown(text)));
        // Inside a fenced block nothing is markup but the fence itself.
        env.add_filter("fenced", |text: &str| Value::from_safe_string(text.replace('`', "'")));
        env.add_filter("pad", |text: &str, width: usize| {
            let short: String = text.chars().take(width).collect();
            let missing = width.saturating_sub(short.chars().count());
            format!("{short}{}", " ".repeat(missing))
        });
        for (name, text) in TEMPLATES {
            env.add_template(name, text).map_err(fault(name))?;
        }
        Ok(Self { env })
    }

    /// Renders one page.
    pub(super) fn render(&self, page: &str, view: &impl Serialize) -> Result<String, ReportError> {
        self.env.get_template(page).and_then(|t| t.render(Value::from(Serde(view)))).map_err(fault(page))
    }
}
