//! Adding an entry to a log: whole or not at all, and never two at once.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind as IoKind, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::drift::DriftReport;
use crate::error::{Error, ErrorKind, Result};

use super::chain::Damage;
use super::entry::{CheckEntry, Entry, LOG_FORMAT, line_of};
use super::log::{complete_length, log_of, log_path, read_all};

/// What is to be added: a check, an event, or a check with a note.
#[derive(Debug, Clone, Copy)]
pub struct NewEntry<'a> {
    /// The scanner.
    pub scanner: &'a str,
    /// When it happened; of a check, when its scan was taken.
    pub time: Timestamp,
    /// Now.
    pub logged: Timestamp,
    /// Who.
    pub operator: Option<&'a str>,
    /// What happened, or what to know of the check.
    pub note: Option<&'a str>,
    /// The check.
    pub report: Option<&'a DriftReport>,
}

/// What was added.
#[derive(Debug, Clone, PartialEq)]
pub struct Appended {
    /// The log.
    pub path: PathBuf,
    /// The entry's number.
    pub sequence: u64,
    /// The entry's hash.
    pub hash: String,
    /// Where a torn last line was moved.
    pub repaired: Option<PathBuf>,
    /// What else is not as it was written; it stays as it is.
    pub damage: Vec<Damage>,
}

/// Adds an entry to the log of a scanner in `folder`; the first one starts the log.
///
/// The log is locked while it is read and written, so that of two programs one waits. The line is written in one go and
/// brought to the disk before this returns. A torn last line is first moved to a file beside the log.
///
/// # Errors
/// The folder or log cannot be written or locked, the log's last line is no entry or of another scanner, there is
/// neither a check nor a note, or the report is of another scanner. The log is then as it was.
pub fn append(folder: &Path, new: &NewEntry<'_>) -> Result<Appended> {
    added(folder, new, None)
}

/// As [`append`], but only behind the entry that whoever adds has seen as the last one: `seen` is its hash, or [`super::ORIGIN`] of an empty or
/// missing log.
///
/// # Errors
/// As [`append`]; and [`ErrorKind::Mismatch`] under the key `log` when another entry came in between.
pub fn append_after(folder: &Path, new: &NewEntry<'_>, seen: &str) -> Result<Appended> {
    added(folder, new, Some(seen))
}

fn added(folder: &Path, new: &NewEntry<'_>, seen: Option<&str>) -> Result<Appended> {
    let path = log_path(folder, new.scanner)?;
    let check = new.report.map(CheckEntry::of).transpose()?;
    if let Some(report) = new.report.filter(|report| report.scanner != new.scanner) {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("a check of scanner {}", report.scanner),
        )
        .at(&path)
        .expected(format!("expected one of {}", new.scanner)));
    }
    let text = |given: Option<&str>| {
        let given = given.map(str::trim).filter(|text| !text.is_empty());
        given.map(str::to_owned)
    };
    let note = text(new.note);
    if check.is_none() && note.is_none() {
        return Err(
            Error::new(ErrorKind::Mismatch, "an event without words").expected("expected a note")
        );
    }
    std::fs::create_dir_all(folder).map_err(|e| Error::io(folder, &e))?;
    let is_new = !path.exists();
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .map_err(|e| Error::io(&path, &e))?;
    file.lock().map_err(|e| {
        Error::io(&path, &e).expected("expected a file system on which a file can be locked")
    })?;
    let bytes = read_all(&mut file, &path)?;
    let log = log_of(&path, new.scanner, &bytes);
    let Some(previous) = log.last_hash else {
        let line = log.damage.iter().rev().find_map(|it| match it {
            Damage::NotAnEntry { line, .. } => Some(*line),
            _ => None,
        });
        return Err(
            Error::new(ErrorKind::Document, "the log's last line is no entry")
                .at(&path)
                .line(line.unwrap_or(1))
                .expected("move the log aside and keep it; the next check starts a new one"),
        );
    };
    if seen.is_some_and(|seen| seen != previous) {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("entry {} was added meanwhile", log.last_sequence),
        )
        .at(&path)
        .key("log")
        .expected("look at it, then add yours"));
    }
    for damage in &log.damage {
        if let Damage::WrongScanner {
            sequence, found, ..
        } = damage
            && *sequence == log.last_sequence
        {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("the log is of scanner {found}"),
            )
            .at(&path)
            .expected("give the log back the name of its scanner"));
        }
    }
    let complete = complete_length(&bytes);
    let torn = &bytes[complete..];
    let repaired = match torn.is_empty() {
        true => None,
        false => Some(set_aside(&path, torn)?),
    };
    let entry = Entry {
        format: LOG_FORMAT.to_owned(),
        sequence: log.last_sequence + 1,
        scanner: new.scanner.to_owned(),
        time: new.time,
        logged: new.logged,
        operator: text(new.operator),
        note,
        check,
        repaired: repaired
            .as_ref()
            .and_then(|it| it.file_name())
            .map(|name| name.to_string_lossy().into_owned()),
        previous,
    };
    let (mut line, hash) = line_of(&entry)?;
    line.push('\n');
    if let Err(source) = write_at(&mut file, complete as u64, line.as_bytes()) {
        // What was there stays; if even this fails, the next one finds a torn line and moves it.
        let _ = file.set_len(complete as u64);
        return Err(Error::io(&path, &source).expected("nothing was added to the log"));
    }
    if is_new && let Ok(folder) = File::open(folder) {
        // The file's name, too, must survive a power cut; not every system can be asked for that.
        let _ = folder.sync_all();
    }
    Ok(Appended {
        path,
        sequence: entry.sequence,
        hash,
        repaired,
        damage: log
            .damage
            .into_iter()
            .filter(|it| !matches!(it, Damage::Torn { .. }))
            .collect(),
    })
}

/// Writes what ends a log, in the place of anything after `at`.
fn write_at(file: &mut File, at: u64, bytes: &[u8]) -> std::io::Result<()> {
    file.set_len(at)?;
    file.seek(SeekFrom::Start(at))?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Copies a torn line to a file of its own beside the log, under the first free name, before it is cut off there.
fn set_aside(path: &Path, torn: &[u8]) -> Result<PathBuf> {
    for number in 1..10_000 {
        let mut name = path.as_os_str().to_owned();
        name.push(format!(".torn-{number}"));
        let aside = PathBuf::from(name);
        match File::create_new(&aside) {
            Ok(mut file) => {
                file.write_all(torn)
                    .and_then(|()| file.sync_all())
                    .map_err(|e| Error::io(&aside, &e))?;
                return Ok(aside);
            }
            Err(source) if source.kind() == IoKind::AlreadyExists => {}
            Err(source) => return Err(Error::io(&aside, &source)),
        }
    }
    Err(
        Error::new(ErrorKind::Io, "thousands of torn lines beside the log")
            .at(path)
            .expected("move the .torn files elsewhere"),
    )
}
