//! Reading a log.

use std::fs::File;
use std::io::{ErrorKind as IoKind, Read};
use std::path::{Path, PathBuf};

use crate::error::{Error, ErrorKind, Result};

use super::chain::{Damage, Notice, follow};
use super::entry::{CheckEntry, Entry};

/// Largest log that is read: some 300 years of daily checks.
const MOST_BYTES: u64 = 256 << 20;

/// An entry as it stands in its log.
#[derive(Debug, Clone, PartialEq)]
pub struct Logged {
    /// Its 1-based line.
    pub line: usize,
    /// The entry.
    pub entry: Entry,
    /// Its hash.
    pub hash: String,
}

/// The log of one scanner.
#[derive(Debug, Clone)]
pub struct Log {
    /// The file.
    pub path: PathBuf,
    /// The scanner.
    pub scanner: String,
    /// The entries that are as they were written, in the order of writing.
    pub entries: Vec<Logged>,
    /// What is not as it was written.
    pub damage: Vec<Damage>,
    /// Number of the last entry; 0 in an empty log.
    pub last_sequence: u64,
    /// Hash of the last entry, or [`super::ORIGIN`]; absent where the last line is no entry.
    pub last_hash: Option<String>,
}

/// Where the log of `scanner` lies in `folder`.
///
/// # Errors
/// The scanner's name cannot stand in a file name.
pub fn log_path(folder: &Path, scanner: &str) -> Result<PathBuf> {
    let fits = !scanner.is_empty()
        && scanner.trim() == scanner
        && !scanner.starts_with('.')
        && !scanner
            .chars()
            .any(|c| c.is_control() || c == '/' || c == '\\');
    if fits {
        return Ok(folder.join(format!("{scanner}.jsonl")));
    }
    Err(
        Error::new(ErrorKind::Mismatch, format!("the scanner's name is {scanner:?}")).expected(
            "expected a name that can be a file's: no control characters, '/' or '\\', no blanks at its ends, no dot first",
        ),
    )
}

/// Reads the log of `scanner` in `folder` and follows its chain.
///
/// Damage is no error: what is as it was written is kept, and [`Log::damage`] names the rest.
///
/// # Errors
/// There is no such log, or it cannot be read.
pub fn read_log(folder: &Path, scanner: &str) -> Result<Log> {
    let path = log_path(folder, scanner)?;
    let mut file = File::open(&path).map_err(|source| {
        let error = Error::io(&path, &source);
        match source.kind() {
            IoKind::NotFound => error.expected(format!("expected a log of scanner {scanner}")),
            _ => error,
        }
    })?;
    // So that no half of a line is seen while another program writes it. Where a file system has no locks, a line that
    // is being written shows as torn at worst.
    let _ = file.lock_shared();
    let bytes = read_all(&mut file, &path)?;
    Ok(log_of(&path, scanner, &bytes))
}

/// The log of `scanner` in `bytes`, and its chain followed; `path` is only named.
#[must_use]
pub fn parse_log(path: &Path, scanner: &str, bytes: &[u8]) -> Log {
    log_of(path, scanner, bytes)
}

/// All of a log's bytes, from the file's start.
pub(super) fn read_all(file: &mut File, path: &Path) -> Result<Vec<u8>> {
    let length = file.metadata().map_err(|e| Error::io(path, &e))?.len();
    if length > MOST_BYTES {
        return Err(Error::new(
            ErrorKind::Document,
            format!("the file holds {length} bytes"),
        )
        .at(path)
        .expected(format!("expected a log of at most {MOST_BYTES} bytes")));
    }
    let mut bytes = Vec::new();
    file.take(MOST_BYTES)
        .read_to_end(&mut bytes)
        .map_err(|e| Error::io(path, &e))?;
    Ok(bytes)
}

/// How many of a log's bytes are complete lines.
pub(super) fn complete_length(bytes: &[u8]) -> usize {
    bytes
        .iter()
        .rposition(|&b| b == b'\n')
        .map_or(0, |at| at + 1)
}

pub(super) fn log_of(path: &Path, scanner: &str, bytes: &[u8]) -> Log {
    let (complete, rest) = bytes.split_at(complete_length(bytes));
    let lines = complete
        .strip_suffix(b"\n")
        .into_iter()
        .flat_map(|text| text.split(|&b| b == b'\n'));
    let mut chain = follow(lines, scanner);
    if !rest.is_empty() {
        chain.damage.push(Damage::Torn {
            line: 1 + complete.iter().filter(|&&b| b == b'\n').count(),
            bytes: rest.len() as u64,
        });
    }
    Log {
        path: path.to_path_buf(),
        scanner: scanner.to_owned(),
        entries: chain.entries,
        damage: chain.damage,
        last_sequence: chain.sequence,
        last_hash: chain.hash,
    }
}

impl Log {
    /// Whether the log holds the entry that a record or a person noted: its number with its hash, or the hash's
    /// first characters (eight at least).
    #[must_use]
    pub fn holds(&self, sequence: u64, hash: &str) -> bool {
        let known = self.entries.iter().find(|it| it.entry.sequence == sequence);
        hash.len() >= 8 && known.is_some_and(|it| it.hash.starts_with(hash))
    }

    /// The newest check, by the time of its scan.
    #[must_use]
    pub fn newest_check(&self) -> Option<&CheckEntry> {
        let checks = self
            .entries
            .iter()
            .filter_map(|it| Some((it.entry.time, it.entry.check.as_ref()?)));
        checks.max_by_key(|it| it.0).map(|it| it.1)
    }

    /// What is allowed but worth knowing.
    #[must_use]
    pub fn notices(&self) -> Vec<Notice> {
        let mut found = Vec::new();
        let mut scans = std::collections::BTreeMap::new();
        let mut before = None;
        for Logged { entry, .. } in &self.entries {
            if before.is_some_and(|time| entry.time < time) {
                found.push(Notice::Late {
                    sequence: entry.sequence,
                });
            }
            before = Some(entry.time);
            if let Some(check) = &entry.check
                && let Some(earlier) = scans.insert(check.scan.as_str(), entry.sequence)
            {
                found.push(Notice::SameScan {
                    sequence: entry.sequence,
                    earlier,
                    scan: check.scan.clone(),
                });
            }
        }
        found
    }
}
