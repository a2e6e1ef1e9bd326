//! `lostfix settings`: the commented defaults, the check of a settings file, shell completions and manual pages.

use super::options::{Common, Options, SettingsArgs};
use super::report::load_settings;
use super::{Exit, print, say};
use crate::config::settings::DEFAULTS;
use clap::CommandFactory;
use std::path::Path;

/// Runs the command.
pub fn run(args: &SettingsArgs, common: &Common) -> Exit {
    if args.catalogue {
        print(crate::config::catalogue::SHIPPED);
        return Exit::Done;
    }
    if let Some(shell) = args.completions {
        let mut script = Vec::new();
        clap_complete::generate(shell, &mut Options::command(), "lostfix", &mut script);
        print(&String::from_utf8_lossy(&script));
        return Exit::Done;
    }
    if let Some(folder) = &args.man {
        return match manual(folder) {
            Ok(()) => Exit::Done,
            Err(e) => {
                say(&format!("lostfix: {}: could not write the manual pages: {e}", folder.display()));
                Exit::Failed
            }
        };
    }
    if let Some(path) = &common.config {
        return match load_settings(path).and_then(|s| crate::pipeline::check_settings(&s)) {
            Ok(()) => {
                if !common.quiet {
                    say(&format!("{}: all keys and values are right", path.display()));
                }
                Exit::Done
            }
            Err(why) => {
                say(&format!("lostfix: {why}"));
                Exit::Usage
            }
        };
    }
    print(DEFAULTS);
    Exit::Done
}

/// One page a command, as `man` wants them.
fn manual(folder: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    clap_mangen::generate_to(Options::command(), folder)
}
