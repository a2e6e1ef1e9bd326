//! `lostfix look`: what is in one bundle or one file.

use super::options::{Common, LookArgs};
use super::{Exit, colour, print, say};
use crate::config::settings::Settings;
use crate::pipeline::look::{Look, Wanted, look_for};
use crate::report;

/// Runs the command.
pub fn run(args: &LookArgs, common: &Common) -> Exit {
    let mut settings = match &common.config {
        Some(path) => match super::report::load_settings(path) {
            Ok(s) => s,
            Err(why) => {
                say(&format!("lostfix: {why}"));
                return Exit::Usage;
            }
        },
        None => Settings::default(),
    };
    settings.now = super::now();
    let wanted = Wanted { page: args.html.is_some(), orbits: args.orbits.clone() };
    let looked: Look = match look_for(&args.path, &settings, &wanted) {
        Ok(l) => l,
        Err(why) => {
            say(&format!("lostfix: {why}"));
            return Exit::Usage;
        }
    };
    if args.json {
        match serde_json::to_string_pretty(&looked) {
            Ok(text) => print(&format!("{text}\n")),
            Err(e) => {
                say(&format!("lostfix: {e}"));
                return Exit::Failed;
            }
        }
    } else {
        print(&colour::look(&looked.text()));
    }
    if let (Some(path), Some(page)) = (&args.html, &looked.page) {
        let written = match page {
            Ok(page) => report::sky_page(page).and_then(|html| report::write_page(&html, path)),
            Err(why) => {
                say(&format!("lostfix: {why}"));
                return Exit::Usage;
            }
        };
        if let Err(error) = written {
            say(&format!("lostfix: {error}"));
            return Exit::Failed;
        }
        if !common.quiet {
            say(&format!("sky: {}", path.display()));
        }
    }
    if looked.not_read.is_empty() { Exit::Done } else { Exit::SomeNotRead }
}
