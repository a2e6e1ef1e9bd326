//! Binary entry point: everything is in the library.

fn main() -> std::process::ExitCode {
    lostfix::cli::main()
}
