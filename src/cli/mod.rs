//! The command line: what is typed, and the exit code. Decides nothing about bundles.

mod colour;
mod exit;
mod explain;
mod look;
mod nightly;
mod nightly_check;
mod nightly_files;
mod options;
mod practice;
mod read;
mod report;
mod score;
mod settings;

pub use exit::Exit;
pub use options::{Command, Options};

use clap::{CommandFactory, FromArgMatches};

/// Runs the program with its arguments and gives the exit code.
pub fn main() -> std::process::ExitCode {
    let command = Options::command().color(colour::before_parsing(std::env::args_os()));
    let options = match command.try_get_matches().and_then(|m| Options::from_arg_matches(&m)) {
        Ok(options) => options,
        Err(error) => {
            // Help and version are asked for: they go to stdout and end well.
            let wanted = !error.use_stderr();
            let _ = error.print();
            return if wanted { Exit::Done.into() } else { Exit::Usage.into() };
        }
    };
    run(options).into()
}

fn run(options: Options) -> Exit {
    let common = &options.common;
    colour::set(common.color);
    match &options.command {
        Command::Report(args) => report::run(args, common),
        Command::Read(args) => read::run(args, common),
        Command::Nightly(args) => nightly::run(args, common),
        Command::Settings(args) => settings::run(args, common),
        Command::Look(args) => look::run(args, common),
        Command::Practice(args) => practice::run(args, common),
        Command::Score(args) => score::run(args, common),
        Command::Explain(args) => explain::run(args, common),
    }
}

/// A line for people, on stderr. A closed stderr is no reason to stop.
fn say(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{}", colour::line(line));
}

/// The time of the run, UTC ms; `None` when the clock of the machine stands before 1970.
fn now() -> Option<i64> {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok()?;
    i64::try_from(since.as_millis()).ok()
}

/// Text on stdout. A closed pipe (`| head`) ends quietly.
fn print(text: &str) {
    use std::io::Write;
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes());
    let _ = out.flush();
}
