//! Where results, warnings and errors go.

use std::io::{BufWriter, IsTerminal, Write};
use std::path::Path;

use clap::ValueEnum;
use indicatif::{ProgressBar, ProgressStyle};
use weighlight::document::replace_file;
use weighlight::{Error, ErrorKind, Result};

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

/// How many threads all that follows may use; the results do not depend on it.
pub(crate) fn set_threads(threads: Option<usize>) -> Result<()> {
    let Some(threads) = threads else {
        return Ok(());
    };
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build_global()
        .map_err(|error| Error::new(ErrorKind::Unmeasurable, error.to_string()).key("--threads"))
}

/// Makes a folder that results go into.
pub(crate) fn make_folder(path: &Path) -> Result<()> {
    if path.exists() && !path.is_dir() {
        return Err(Error::new(ErrorKind::Io, "a file")
            .at(path)
            .expected("expected a folder, or a name that is still free"));
    }
    std::fs::create_dir_all(path).map_err(|source| Error::io(path, &source))
}

/// Whether a result can go to this file, as far as can be told before it is there: better now than after an hour's work.
pub(crate) fn check_target(path: &Path) -> Result<()> {
    if path.is_dir() {
        return Err(Error::new(ErrorKind::Io, "a folder")
            .at(path)
            .expected("expected the name of a file to write"));
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    if folder.is_dir() {
        Ok(())
    } else {
        Err(Error::new(ErrorKind::Io, "no such folder")
            .at(folder)
            .expected(format!("make it first; {} goes there", path.display())))
    }
}

/// Whether something given as a folder is one.
pub(crate) fn check_folder(path: &Path, what: &str) -> Result<()> {
    let found = match std::fs::metadata(path) {
        Ok(data) if data.is_dir() => return Ok(()),
        Ok(_) => Error::new(ErrorKind::Io, "a file").at(path),
        Err(source) => Error::io(path, &source),
    };
    Err(found.expected(format!("expected a folder of {what}")))
}

/// Reads a number of the command line that must lie in a range.
pub(crate) fn number_in(
    text: &str,
    range: impl std::ops::RangeBounds<f64>,
    expected: &str,
) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(number) if range.contains(&number) => Ok(number),
        _ => Err(format!("expected {expected}")),
    }
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
pub(crate) fn say(line: &str) {
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

/// A bar that counts up to nobody knows what.
pub(crate) fn counter(what: &'static str) -> ProgressBar {
    if !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::no_length().with_message(what);
    if let Ok(style) = ProgressStyle::with_template("{msg} {pos}") {
        bar.set_style(style);
    }
    bar
}

/// From here on it is known how many there are: the bar begins anew, with the rate at which things are done.
pub(crate) fn count_to(bar: &ProgressBar, count: usize, what: &'static str) {
    bar.set_message(what);
    bar.set_length(count as u64);
    bar.set_position(0);
    bar.reset_eta();
    if let Ok(style) =
        ProgressStyle::with_template("{msg} {pos} of {len} {wide_bar} {per_sec} {eta} left")
    {
        bar.set_style(style);
    }
}

/// A number of things in words: `1 piece`, `2 pieces`.
pub(crate) fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// The folder that relative paths start from; empty where it cannot be told.
pub(crate) fn working_folder() -> String {
    std::env::current_dir().map_or(String::new(), |path| path.display().to_string())
}
