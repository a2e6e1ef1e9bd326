//! `lostfix explain`: the manual of a cause.

use super::options::{Common, ExplainArgs};
use super::{Exit, print, say};
use crate::causes::about;
use crate::config::settings::edit_distance;
use std::fmt::Write;

/// Runs the command.
pub fn run(args: &ExplainArgs, _common: &Common) -> Exit {
    let Some(id) = &args.cause else {
        let mut t = String::new();
        for about in about::ALL {
            let _ = writeln!(t, "{:24} {}", about.id, about.title);
        }
        print(&t);
        return Exit::Done;
    };
    match about::about(id) {
        Some(about) => {
            print(&about::explain_text(about, 100));
            Exit::Done
        }
        None => {
            let nearest = about::ALL.iter().min_by_key(|a| edit_distance(id, a.id)).map_or("", |a| a.id);
            say(&format!("lostfix: there is no cause `{id}`; do you mean `{nearest}`? `lostfix explain` lists all"));
            Exit::Usage
        }
    }
}
