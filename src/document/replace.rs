//! Writing a file so that a reader sees the old one or the new one, never half of it.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use crate::error::{Error, ErrorKind, Result};

/// Writes `path` through `write` under a temporary name beside it, then renames.
///
/// # Errors
/// `write` fails, or the file cannot be written; the temporary file is then removed and `path` left as it was.
pub fn replace_file(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<()>,
) -> Result<()> {
    replace(path, write, |_, ()| Ok(()))
}

/// As [`replace_file`], and `check` looks at what was written, on the disk and under its temporary name, before it takes the place of what was there.
///
/// It is told what `write` returned, and so is the caller.
///
/// # Errors
/// As [`replace_file`]; and those of `check`.
pub fn replace_checked_file<T>(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T>,
    check: impl FnOnce(&Path, &T) -> Result<()>,
) -> Result<T> {
    replace(path, write, |part, told| {
        let synced = File::open(part).and_then(|file| file.sync_all());
        synced.map_err(|e| Error::io(path, &e))?;
        check(part, told)
    })
}

fn replace<T>(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T>,
    check: impl FnOnce(&Path, &T) -> Result<()>,
) -> Result<T> {
    let Some(name) = path.file_name() else {
        return Err(Error::new(ErrorKind::Io, "not a file name")
            .at(path)
            .expected("expected the name of a file to write"));
    };
    let mut part = std::ffi::OsString::from(".");
    part.push(name);
    part.push(".part");
    let part = path.with_file_name(part);
    let written = File::create(&part)
        .map_err(|e| Error::io(path, &e))
        .and_then(|file| {
            let mut writer = BufWriter::with_capacity(256 << 10, file);
            let told = write(&mut writer).map_err(|e| e.at(path))?;
            writer.flush().map_err(|e| Error::io(path, &e))?;
            Ok(told)
        })
        .and_then(|told| {
            check(&part, &told)?;
            std::fs::rename(&part, path).map_err(|e| Error::io(path, &e))?;
            Ok(told)
        });
    if written.is_err() {
        // The first failure is the one to report; the part file may not even exist.
        let _ = std::fs::remove_file(&part);
    }
    written
}
