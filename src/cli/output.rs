//! Where results, warnings and errors go.

use std::io::{BufWriter, IsTerminal, Write};
use std::path::Path;

use clap::ValueEnum;
use indicatif::{ProgressBar, ProgressStyle};
use weighlight::document::replace_file;
use weighlight::{Error, Result};

/// The form of a result on standard output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people; may change between versions
    Text,
    /// For programs; may only grow
    Json,
    /// For programs; may only grow
    Csv,
}

/// Writes a result to standard output. A reader that has gone away (`| head`) is no error.
pub(crate) fn to_stdout(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> Result<()> {
    let mut out = BufWriter::new(std::io::stdout().lock());
    match write(&mut out).and_then(|()| out.flush()) {
        Err(source) if source.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::io("standard output", &source))
        }
        _ => Ok(()),
    }
}

/// Writes a result to a file, which is replaced as a whole or not at all.
pub(crate) fn to_file(
    path: &Path,
    write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>,
) -> Result<()> {
    replace_file(path, |out| {
        write(out).map_err(|source| Error::io(path, &source))
    })
}

/// Makes a folder that results go into.
pub(crate) fn make_folder(path: &Path) -> Result<()> {
    std::fs::create_dir_all(path).map_err(|source| Error::io(path, &source))
}

/// Shows an error: what and where, then what to do.
pub(crate) fn show_error(error: &Error) {
    let mut first = error.clone();
    let expected = first.expected.take();
    say(&format!("error: {first}"));
    if let Some(expected) = expected {
        say(&format!("       {expected}"));
    }
}

/// Shows something that is not as it should be, and stops nothing.
pub(crate) fn warn(text: &str) {
    say(&format!("warning: {text}"));
}

/// One line on standard error; nobody is left to tell when that fails.
fn say(line: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}

/// A bar that counts what is done, when standard error is a terminal.
pub(crate) fn progress(count: usize, what: &'static str) -> ProgressBar {
    if !std::io::stderr().is_terminal() || count < 2 {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(count as u64).with_message(what);
    if let Ok(style) = ProgressStyle::with_template("{msg} {pos} of {len} {wide_bar} {eta} left") {
        bar.set_style(style);
    }
    bar
}
