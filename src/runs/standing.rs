//! How a run's folder stands, complete or not: read without touching it.

use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde::Deserialize;
use serde_json::Value;

use crate::error::{Error, ErrorKind, Result};

use super::folder::journal_path;
use super::manifest::{RUN_FILE, RunDescription};
use super::open::Run;

/// Whether a run can be read or gone on with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RunState {
    /// All its tables are there.
    Complete,
    /// It was interrupted, and can be resumed.
    Stopped,
    /// A program is writing it now.
    BeingWritten,
}

impl RunState {
    /// In a word or two.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Complete => "finished",
            Self::Stopped => "stopped, can be resumed",
            Self::BeingWritten => "being written",
        }
    }
}

/// What a run was last begun over, as it was given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Begun {
    /// The folder that relative paths start from.
    pub working_folder: String,
    /// The archives.
    pub archives: Vec<String>,
    /// The one product profile for all scans.
    pub product: Option<String>,
    /// The folder of product profiles.
    pub products: Option<String>,
    /// The folder of calibrations.
    pub calibrations: Option<String>,
}

/// How a run stands.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Whether it can be read or gone on with.
    pub state: RunState,
    /// What a complete run says of itself.
    pub description: Option<RunDescription>,
    /// When it was last started.
    pub started: Option<Timestamp>,
    /// When it last ended or was stopped; `None` when it was cut short.
    pub ended: Option<Timestamp>,
    /// Recordings noted as done in a run that is not complete.
    pub noted: u64,
    /// What it was last begun over; `None` where its journal does not say.
    pub begun: Option<Begun>,
    /// Changes whenever the run does: it is begun, stopped or completed.
    pub version: String,
}

/// Looks at the folder of a run.
///
/// # Errors
/// There is no run, or a complete one is damaged.
pub fn standing(path: &Path) -> Result<Standing> {
    if !Run::is_one(path) {
        return Err(Error::new(ErrorKind::Io, "no run")
            .at(path)
            .expected("expected the folder of a run, as `reprocess` or `merge` writes it"));
    }
    let journal = std::fs::read(journal_path(path)).unwrap_or_default();
    let description = std::fs::read(path.join(RUN_FILE)).unwrap_or_default();
    let mut version = blake3::Hasher::new();
    version.update(&(journal.len() as u64).to_le_bytes());
    version.update(&journal);
    version.update(&description);
    let state = match (is_being_written(path), description.is_empty()) {
        (true, _) => RunState::BeingWritten,
        (false, true) => RunState::Stopped,
        (false, false) => RunState::Complete,
    };
    let entries: Vec<Value> = journal
        .split(|byte| *byte == b'\n')
        .filter_map(|line| serde_json::from_slice(line).ok())
        .collect();
    let last_start = entries
        .iter()
        .rposition(|entry| matches!(what(entry), "started" | "merging"));
    let after = entries.get(last_start.map_or(0, |at| at + 1)..);
    Ok(Standing {
        state,
        description: match state {
            RunState::Complete => Some(Run::open(path)?.description),
            _ => None,
        },
        started: last_start.and_then(|at| time(entries.get(at)?)),
        ended: after.unwrap_or_default().last().and_then(time),
        noted: match state {
            RunState::Complete => 0,
            _ => noted(path),
        },
        begun: last_start.and_then(|at| begun(entries.get(at)?)),
        version: version.finalize().to_hex().to_string(),
    })
}

/// Whether a program holds the lock of the run's folder. The look takes a shared lock for a moment.
fn is_being_written(path: &Path) -> bool {
    let Ok(lock) = File::open(path.join("state").join("lock")) else {
        return false;
    };
    matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock))
}

fn what(entry: &Value) -> &str {
    entry
        .get("what")
        .and_then(Value::as_str)
        .unwrap_or_default()
}

fn time(entry: &Value) -> Option<Timestamp> {
    entry.get("time")?.as_str()?.parse().ok()
}

fn begun(entry: &Value) -> Option<Begun> {
    let text = |key: &str| Some(entry.get(key)?.as_str()?.to_owned());
    Some(Begun {
        working_folder: text("in")?,
        archives: text("archives")?.split('\n').map(str::to_owned).collect(),
        product: text("product"),
        products: text("products"),
        calibrations: text("calibrations"),
    })
}

impl Begun {
    /// Paths of the archives, from the folder that they were given in.
    #[must_use]
    pub fn archive_paths(&self) -> Vec<PathBuf> {
        let here = Path::new(&self.working_folder);
        self.archives.iter().map(|path| here.join(path)).collect()
    }

    /// Whether `other` names the same places by the same words, from the same folder where that matters.
    #[must_use]
    pub fn is_same_source(&self, other: &Self) -> bool {
        let parts = |it: &Self| {
            let profiles = [&it.product, &it.products, &it.calibrations];
            let profiles = profiles.into_iter().cloned();
            let archives = it.archives.iter().cloned().map(Some);
            profiles.chain(archives).collect::<Vec<_>>()
        };
        let ours = parts(self);
        let absolute = ours
            .iter()
            .flatten()
            .all(|path| Path::new(path).is_absolute());
        ours == parts(other) && (absolute || self.working_folder == other.working_folder)
    }
}

/// Recordings in the notes of a run that is not complete, as far as can be told without checking each line.
fn noted(path: &Path) -> u64 {
    #[derive(Deserialize)]
    struct Line {
        recording: String,
    }
    let Ok(file) = File::open(path.join("state").join("progress.jsonl")) else {
        return 0;
    };
    let mut names = BTreeSet::new();
    for line in BufReader::with_capacity(1 << 20, file).split(b'\n') {
        let Ok(line) = line else { break };
        // Behind the object stands the line's checksum.
        let mut parts = serde_json::Deserializer::from_slice(&line).into_iter::<Line>();
        if let Some(Ok(line)) = parts.next() {
            names.insert(line.recording);
        }
    }
    names.len() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::runs::RunFolder;

    fn noted_start(folder: &RunFolder) {
        let time = "2026-03-04T09:12:33Z".parse().unwrap();
        let details = [
            ("in", "/plant".to_owned()),
            ("archives", "scans/a\nscans/b".to_owned()),
            ("products", "products".to_owned()),
        ];
        folder.note(time, "started", &details).unwrap();
    }

    #[test]
    fn a_run_is_being_written_as_long_as_its_lock_is_held() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run");
        assert!(standing(&path).is_err());
        let run = RunFolder::open(&path, false).unwrap();
        noted_start(&run);
        let now = standing(&path).unwrap();
        assert_eq!(now.state, RunState::BeingWritten);
        drop(run);
        let then = standing(&path).unwrap();
        assert_eq!(then.state, RunState::Stopped);
        assert_eq!(then.started, Some("2026-03-04T09:12:33Z".parse().unwrap()));
        assert_eq!(then.ended, None);
        // The look itself locks nobody out.
        let run = RunFolder::open(&path, true).unwrap();
        let time = "2026-03-04T10:00:00Z".parse().unwrap();
        run.note(time, "stopped", &[]).unwrap();
        drop(run);
        let last = standing(&path).unwrap();
        assert_eq!(last.ended, Some(time));
        assert_ne!(last.version, then.version);
    }

    #[test]
    fn the_same_words_from_another_folder_are_another_place() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run");
        noted_start(&RunFolder::open(&path, false).unwrap());
        let begun = standing(&path).unwrap().begun.unwrap();
        assert_eq!(begun.archives, ["scans/a", "scans/b"]);
        assert_eq!(begun.archive_paths()[1], Path::new("/plant/scans/b"));
        assert!(begun.is_same_source(&begun.clone()));
        let elsewhere = Begun {
            working_folder: "/office".to_owned(),
            ..begun.clone()
        };
        assert!(!begun.is_same_source(&elsewhere));
        let fewer = Begun {
            archives: vec!["scans/a".to_owned()],
            ..begun.clone()
        };
        assert!(!begun.is_same_source(&fewer));
        let other = Begun {
            calibrations: Some("calibration".to_owned()),
            ..begun.clone()
        };
        assert!(!begun.is_same_source(&other));
    }

    #[test]
    fn notes_are_counted_once_a_recording() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run");
        drop(RunFolder::open(&path, false).unwrap());
        let text = "{\"format\":\"x\"} 00\n{\"recording\":\"a\"} 00\n{\"recording\":\"b\"} 00\n{\"recording\":\"a\"} 00\n{\"recor";
        std::fs::write(path.join("state/progress.jsonl"), text).unwrap();
        assert_eq!(standing(&path).unwrap().noted, 2);
    }
}
