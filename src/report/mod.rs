//! Room: report. Findings and pictures in; HTML pages, Markdown, JSON and tables out. Knows no table of data, no format of
//! a log and no rule of a verdict: it only renders.
//!
//! ```text
//! findings + pictures -> [view]  flat text structs  -> templates (report-templates/) -> index.html, sites/, report.md
//!                     -> [json]  rounded            -> findings.json
//!                     -> [tables] guarded cells     -> tables/*.csv
//! all files -> [folder] a temporary folder beside the target, renamed at the end
//! ```

mod draw;
mod figures;
mod folder;
mod json;
mod look;
mod names;
mod tables;
mod templates;
#[cfg(test)]
mod test_fleet;
#[cfg(test)]
mod tests;
mod text;
mod timeline;
mod times;
mod view;

pub use look::{sky_page, write_page};

use crate::model::about::About;
use crate::model::findings::Findings;
use crate::model::picture::Pictures;
use crate::model::visible::lines;
use rayon::prelude::*;
use std::fmt;
use std::path::{Path, PathBuf};

/// What to write and with which words.
#[derive(Clone, Copy)]
pub struct ReportOptions {
    /// Write `index.html`, `sites/` and, when there were complaints, `complaints.html`.
    pub html: bool,
    /// Write `report.md`.
    pub markdown: bool,
    /// The manual text of a cause id (`causes::about::about`).
    pub about: fn(&str) -> Option<&'static About>,
    /// Cautions of every report (`causes::about::GENERAL_CAUTIONS`).
    pub cautions: &'static [&'static str],
}

/// Why no report was written. In every case the target folder is as it was before.
#[derive(Debug)]
pub enum ReportError {
    /// The target is something that is not ours to replace.
    NotOurs {
        /// The target.
        path: PathBuf,
        /// What is there.
        found: String,
    },
    /// The file that a page should go to is something else.
    NoPage {
        /// The file.
        path: PathBuf,
        /// What is there.
        found: &'static str,
    },
    /// A file or folder could not be written or renamed.
    Io {
        /// Where.
        path: PathBuf,
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// A part that was put aside could not be brought; in words.
    Aside(String),
    /// A template or value could not be rendered: a fault of the program.
    Render {
        /// Which page.
        page: String,
        /// What the engine said.
        what: String,
    },
}

impl fmt::Display for ReportError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOurs { path, found } => write!(
                f,
                "{}: {found}. The report is only written into a new or empty folder or over a former report; name another \
                 folder with --out",
                path.display()
            ),
            Self::NoPage { path, found } => {
                write!(
                    f,
                    "{}: {found}. Only a former page is written over; name another file with --html",
                    path.display()
                )
            }
            Self::Io { path, doing, source } => {
                write!(
                    f,
                    "{}: could not {doing}: {source}. Check the path, the free space and your rights there",
                    path.display()
                )
            }
            Self::Aside(why) => f.write_str(why),
            Self::Render { page, what } => {
                write!(
                    f,
                    "{page} could not be made: {what}. This is a fault of the program; please report it with this line"
                )
            }
        }
    }
}

impl std::error::Error for ReportError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { source, .. } => Some(source),
            _ => None,
        }
    }
}

/// Writes the whole report to `out`: `findings.json`, `tables/`, `run.log` always, pages and Markdown as the options say.
///
/// `findings` are rounded to what can be meant, so that all outputs and who called show the same numbers.
///
/// Everything is made in a temporary folder beside `out` and renamed at the end, so that a reader never meets half a report.
/// `out` may be absent, empty or a former report; files of other people lying in a former report are kept.
///
/// # Errors
/// [`ReportError`]; then `out` is as before and nothing of the temporary folder remains.
pub fn write(
    findings: &mut Findings,
    pictures: &Pictures,
    options: &ReportOptions,
    out: &Path,
    run_log: &str,
) -> Result<(), ReportError> {
    let target = folder::Target::check(out)?;
    let stage = target.stage()?;
    json::round_all(findings);
    let findings = &*findings;
    let files: [&(dyn Fn() -> Result<(), ReportError> + Sync); 7] = [
        &|| stage.put_by("tables/verdicts.csv", |out| tables::verdicts(out, pictures)),
        &|| stage.put_by("findings.json", |out| json::write(out, findings)),
        &|| stage.put_by("tables/float_periods.csv", |out| tables::float_periods(out, findings)),
        &|| stage.put_by("tables/base_events.csv", |out| tables::base_events(out, findings)),
        &|| stage.put_by("tables/event_tests.csv", |out| tables::event_tests(out, pictures)),
        &|| stage.put_by("tables/site_ranking.csv", |out| tables::site_ranking(out, findings)),
        &|| stage.put("run.log", &lines(run_log)),
    ];
    // The longest table takes as long as many pages.
    let tables = || files.par_iter().with_max_len(1).try_for_each(|write| write());
    let (tables, pages) = rayon::join(tables, || pages(findings, pictures, options, &stage));
    tables.and(pages)?;
    stage.finish()
}

/// The pages and the Markdown.
fn pages(
    findings: &Findings,
    pictures: &Pictures,
    options: &ReportOptions,
    stage: &folder::Stage,
) -> Result<(), ReportError> {
    let context = view::Context::new(findings, pictures, options);
    let engine = templates::Engine::new()?;
    let run = context.of_run();
    if options.html {
        stage.put("index.html", &engine.render("index.html", &run.fleet)?)?;
        if let Some(complaints) = &run.complaints {
            stage.put("complaints.html", &engine.render("complaints.html", complaints)?)?;
        }
    }
    let mut markdown = options.markdown.then(|| stage.begin("report.md")).transpose()?;
    if let Some(text) = &mut markdown {
        text.add(&engine.render("report.md", &run)?)?;
    }
    // A few sites at a time: what is said of one takes megabytes.
    for sites in findings.sites.chunks(SITES_AT_ONCE) {
        let parts: Vec<Result<String, ReportError>> = sites
            .par_iter()
            .map(|site| {
                let view = context.of_site(site)?;
                if options.html {
                    stage.put(&view.site.path, &engine.render("site.html", &view.site)?)?;
                }
                if options.markdown { engine.render("report-site.md", &view) } else { Ok(String::new()) }
            })
            .collect();
        for part in parts {
            let part = part?;
            if let Some(text) = &mut markdown {
                text.add(&part)?;
            }
        }
    }
    if let Some(mut text) = markdown {
        text.add(&engine.render("report-end.md", &run)?)?;
        text.end()?;
    }
    Ok(())
}

/// Sites whose pages are made side by side.
const SITES_AT_ONCE: usize = 16;
