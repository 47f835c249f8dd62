//! The folder of a run: whose it is, who writes into it now, and files that come into being whole.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};

/// Where the run keeps what is needed to go on after an interruption; nothing in it belongs to the result.
const STATE: &str = "state";

/// The folder of a run, locked for writing until this is dropped. A lock of the operating system: it ends with the program,
/// however that ends.
#[derive(Debug)]
pub struct RunFolder {
    path: PathBuf,
    _lock: File,
}

impl RunFolder {
    /// Opens a folder to write a run into. A new or empty folder always will do; one that holds a run already only to `resume` it.
    ///
    /// # Errors
    /// The folder holds something else, or a run that was not asked for; another program is writing into it; it cannot be written.
    pub fn open(path: &Path, resume: bool) -> Result<Self> {
        let state = path.join(STATE);
        let lock_path = state.join("lock");
        match std::fs::metadata(path) {
            Ok(data) if !data.is_dir() => {
                return Err(Error::new(ErrorKind::Io, "a file")
                    .at(path)
                    .expected("expected a folder for the run, or a name that is still free"));
            }
            Ok(_) if !lock_path.exists() && !is_empty(path)? => {
                return Err(Error::new(
                    ErrorKind::Io,
                    "the folder is not empty, and what it holds is no run",
                )
                .at(path)
                .expected("expected a new or empty folder; nothing in it was touched"));
            }
            _ => {}
        }
        if let Some(other) = run_around(path) {
            return Err(Error::new(ErrorKind::Io, "the folder lies in another run")
                .at(path)
                .expected(format!(
                    "expected a folder outside of {}: who reads its tables would find those of both",
                    other.display()
                )));
        }
        let unwritten = |path: &Path, e: &std::io::Error| {
            let error = Error::io(path, e);
            match e.kind() {
                std::io::ErrorKind::StorageFull => error.expected(ROOM),
                _ => error.expected("expected a folder in which files can be written"),
            }
        };
        std::fs::create_dir_all(&state).map_err(|e| unwritten(path, &e))?;
        let lock = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&lock_path)
            .map_err(|e| unwritten(&lock_path, &e))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(
                    Error::new(ErrorKind::Io, "another program is writing this run")
                        .at(path)
                        .expected("wait until it has ended, or write into another folder"),
                );
            }
            Err(TryLockError::Error(source)) => {
                return Err(Error::io(&lock_path, &source)
                    .expected("expected a file system on which a file can be locked"));
            }
        }
        let folder = Self {
            path: path.to_path_buf(),
            _lock: lock,
        };
        if !resume && (folder.progress_path().exists() || path.join(super::RUN_FILE).exists()) {
            return Err(Error::new(ErrorKind::Io, "the folder holds a run already")
                .at(path)
                .expected("go on with it by `reprocess --resume`, or write into another folder"));
        }
        Ok(folder)
    }

    /// The folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where is noted what has been done.
    pub(super) fn progress_path(&self) -> PathBuf {
        self.path.join(STATE).join("progress.jsonl")
    }

    /// Where is noted when the run was started, stopped and ended. Times stand there and nowhere else: the result has none.
    #[must_use]
    pub fn journal_path(&self) -> PathBuf {
        journal_path(&self.path)
    }

    /// Adds a line to the journal: what happened at a time, with details.
    ///
    /// # Errors
    /// The journal cannot be written.
    pub fn note(&self, time: Timestamp, what: &str, details: &[(&str, String)]) -> Result<()> {
        let path = self.journal_path();
        let mut line = serde_json::Map::new();
        line.insert("time".to_owned(), time.to_string().into());
        line.insert("what".to_owned(), what.into());
        for (key, value) in details {
            line.insert((*key).to_owned(), value.as_str().into());
        }
        let text = format!("{}\n", serde_json::Value::Object(line));
        OpenOptions::new()
            .append(true)
            .create(true)
            .open(&path)
            .and_then(|mut file| file.write_all(text.as_bytes()))
            .map_err(|e| Error::io(&path, &e))
    }
}

pub(super) fn journal_path(run: &Path) -> PathBuf {
    run.join(STATE).join("journal.jsonl")
}

/// Whether there is nothing in the folder, or only what the first moment of a run leaves.
fn is_empty(path: &Path) -> Result<bool> {
    let io = |e: std::io::Error| Error::io(path, &e);
    for entry in std::fs::read_dir(path).map_err(io)? {
        let entry = entry.map_err(io)?;
        let bare = entry.file_name() == STATE
            && std::fs::read_dir(entry.path()).is_ok_and(|mut inside| inside.next().is_none());
        if !bare {
            return Ok(false);
        }
    }
    Ok(true)
}

/// The run that a folder lies in, other than itself.
fn run_around(path: &Path) -> Option<PathBuf> {
    // Of a folder that is not there yet, the nearest above it that is.
    let there = path.ancestors().find_map(|folder| {
        let folder = match folder == Path::new("") {
            true => Path::new("."),
            false => folder,
        };
        Some((folder, std::fs::canonicalize(folder).ok()?))
    });
    let (folder, real) = there?;
    let own = usize::from(folder == path);
    let around = real.ancestors().skip(own).find(|it| super::Run::is_one(it));
    around.map(Path::to_path_buf)
}

/// What to do when there is no room for a file.
pub(super) const ROOM: &str =
    "make room or mend the disk, then run again with --resume: what is done stays done";

/// A file that could not be written.
fn unwritten(path: &Path, source: &std::io::Error) -> Error {
    Error::io(path, source).expected(ROOM)
}

/// What was written into a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Written {
    pub(super) bytes: u64,
    pub(super) blake3: blake3::Hash,
}

/// A file under a temporary name that counts and hashes what goes into it.
#[derive(Debug)]
pub(super) struct NewFile {
    path: PathBuf,
    part: PathBuf,
    to: BufWriter<File>,
    hasher: blake3::Hasher,
}

impl NewFile {
    /// Starts a file that is to be `path`; folders on the way are made.
    pub(super) fn create(path: &Path) -> Result<Self> {
        let folder = path.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(|e| unwritten(folder, &e))?;
        let mut name = std::ffi::OsString::from(".");
        name.push(path.file_name().unwrap_or_default());
        name.push(".part");
        let part = path.with_file_name(name);
        let file = File::create(&part).map_err(|e| unwritten(path, &e))?;
        Ok(Self {
            path: path.to_path_buf(),
            part,
            to: BufWriter::with_capacity(256 << 10, file),
            hasher: blake3::Hasher::new(),
        })
    }

    /// Brings the file to the disk and gives it its name: from now on, and not before, it is there.
    pub(super) fn publish(mut self) -> Result<Written> {
        let io = |e: std::io::Error| unwritten(&self.path, &e);
        self.to.flush().map_err(io)?;
        self.to.get_ref().sync_all().map_err(io)?;
        std::fs::rename(&self.part, &self.path).map_err(io)?;
        sync_folder(self.path.parent().unwrap_or(Path::new(".")))?;
        Ok(Written {
            bytes: self.hasher.count(),
            blake3: self.hasher.finalize(),
        })
    }
}

impl Write for NewFile {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let written = self.to.write(bytes)?;
        self.hasher.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.to.flush()
    }
}

/// Writes a whole file at once.
pub(super) fn write_file(path: &Path, text: &[u8]) -> Result<Written> {
    let mut file = NewFile::create(path)?;
    file.write_all(text).map_err(|e| unwritten(path, &e))?;
    file.publish()
}

/// Removes a file; one that is not there is fine.
pub(super) fn remove_file(path: &Path) -> Result<()> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Error::io(path, &e)),
        _ => Ok(()),
    }
}

/// Brings the names in a folder to the disk, where the system can.
pub(super) fn sync_folder(folder: &Path) -> Result<()> {
    let folder = match folder == Path::new("") {
        true => Path::new("."),
        false => folder,
    };
    if cfg!(unix) {
        File::open(folder)
            .and_then(|file| file.sync_all())
            .map_err(|e| Error::io(folder, &e))?;
    }
    Ok(())
}

/// Size and hash of a file; `None` where there is none that can be read.
pub(super) fn found(path: &Path) -> Option<Written> {
    let mut file = File::open(path).ok()?;
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0; 256 << 10];
    loop {
        match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(length) => hasher.update(&buffer[..length]),
            Err(_) => return None,
        };
    }
    Some(Written {
        bytes: hasher.count(),
        blake3: hasher.finalize(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_with_something_else_in_it_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("thesis.txt"), "mine").unwrap();
        for resume in [false, true] {
            let error = RunFolder::open(folder.path(), resume)
                .unwrap_err()
                .to_string();
            assert!(error.contains("not empty"), "{error}");
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn two_programs_never_write_one_run() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run");
        let first = RunFolder::open(&path, false).unwrap();
        let error = RunFolder::open(&path, true).unwrap_err().to_string();
        assert!(error.contains("another program"), "{error}");
        drop(first);
        RunFolder::open(&path, true).unwrap();
    }

    #[test]
    fn a_run_is_gone_on_with_only_when_asked() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run");
        let run = RunFolder::open(&path, false).unwrap();
        std::fs::write(run.progress_path(), "").unwrap();
        drop(run);
        let error = RunFolder::open(&path, false).unwrap_err().to_string();
        assert!(error.contains("--resume"), "{error}");
        RunFolder::open(&path, true).unwrap();
    }

    #[test]
    fn a_file_is_there_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a/b/file");
        let mut file = NewFile::create(&path).unwrap();
        file.write_all(b"half").unwrap();
        assert!(!path.exists());
        drop(file);
        assert!(!path.exists());
        let written = write_file(&path, b"whole").unwrap();
        assert_eq!(written.bytes, 5);
        assert_eq!(written.blake3, blake3::hash(b"whole"));
        assert_eq!(found(&path), Some(written));
    }
}
