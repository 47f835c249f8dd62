//! The program `weighlight`: it reads the command line, calls the library, and shows what comes back.

mod cli;

fn main() -> std::process::ExitCode {
    cli::run()
}
