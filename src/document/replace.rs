//! Writing a file so that a reader sees the old one or the new one, never half of it.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

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

/// Writes a file that is not there yet, through `write`; a reader sees all of it or nothing. `false`: there is one already, which is left as it is.
///
/// # Errors
/// `write` fails, or the file cannot be written; the temporary file is then removed.
pub fn write_new_file(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<()>,
) -> Result<bool> {
    if path.symlink_metadata().is_ok() {
        return Ok(false);
    }
    let part = part_of(path)?;
    let written = write_part(path, &part, write).and_then(|()| {
        // A link fails where a name is taken; where the disk knows no links, the name is looked at once more.
        match std::fs::hard_link(&part, path) {
            Ok(()) => Ok(true),
            Err(_) if path.symlink_metadata().is_ok() => Ok(false),
            Err(_) => std::fs::rename(&part, path)
                .map(|()| true)
                .map_err(|e| Error::io(path, &e)),
        }
    });
    // Its content has its name, or nobody wants it; after a renaming there is none.
    let _ = std::fs::remove_file(&part);
    written
}

fn part_of(path: &Path) -> Result<PathBuf> {
    let Some(name) = path.file_name() else {
        return Err(Error::new(ErrorKind::Io, "not a file name")
            .at(path)
            .expected("expected the name of a file to write"));
    };
    let mut part = std::ffi::OsString::from(".");
    part.push(name);
    part.push(".part");
    Ok(path.with_file_name(part))
}

fn write_part<T>(
    path: &Path,
    part: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T>,
) -> Result<T> {
    let file = File::create(part).map_err(|e| Error::io(path, &e))?;
    let mut writer = BufWriter::with_capacity(256 << 10, file);
    let told = write(&mut writer).map_err(|e| e.at(path))?;
    writer.flush().map_err(|e| Error::io(path, &e))?;
    Ok(told)
}

fn replace<T>(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T>,
    check: impl FnOnce(&Path, &T) -> Result<()>,
) -> Result<T> {
    let part = part_of(path)?;
    let written = write_part(path, &part, write).and_then(|told| {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_file_takes_no_name_that_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new.toml");
        let put = |text: &'static str| {
            write_new_file(&path, |out| {
                out.write_all(text.as_bytes())
                    .map_err(|e| Error::io("new", &e))
            })
        };
        assert!(put("one").unwrap());
        assert!(!put("two").unwrap());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "one");
        let names = std::fs::read_dir(folder.path()).unwrap().count();
        assert_eq!(names, 1, "no temporary file is left");
        let failed = write_new_file(&folder.path().join("other.toml"), |_| {
            Err(Error::new(ErrorKind::Io, "no"))
        });
        assert!(failed.is_err());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_link_to_nowhere_is_a_taken_name() {
        let folder = tempfile::tempdir().unwrap();
        let (path, away) = (folder.path().join("it"), folder.path().join("away"));
        std::os::unix::fs::symlink(&away, &path).unwrap();
        assert!(!write_new_file(&path, |_| Ok(())).unwrap());
        assert!(!away.exists());
    }
}
