//! The program `weighlight`: it reads the command line, calls the library, and shows what comes back.

mod cli;
mod web;

fn main() -> std::process::ExitCode {
    cli::run()
}
