//! All calibrations of a plant, and which one is in force when.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use crate::error::{Error, ErrorKind, Result};

use super::model::Calibration;
use super::read::read_calibration;

/// Calibrations by scanner and time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CalibrationSet {
    by_scanner: BTreeMap<String, BTreeMap<Timestamp, Calibration>>,
    /// The files that were read, by scanner and time.
    files: BTreeMap<(String, Timestamp), PathBuf>,
}

impl CalibrationSet {
    /// Reads every `<scanner>/<date>.toml` below `folder`, or below `folder/scanners` when there is such a folder.
    ///
    /// # Errors
    /// A file is wrong, names another scanner than its folder, or two of one scanner come into force at the same time.
    pub fn read(folder: &Path) -> Result<Self> {
        let below = folder.join("scanners");
        let root = if below.is_dir() {
            below
        } else {
            folder.to_path_buf()
        };
        let mut set = Self::default();
        for scanner_folder in entries(&root)?.into_iter().filter(|path| path.is_dir()) {
            for path in entries(&scanner_folder)? {
                if path.extension().is_none_or(|extension| extension != "toml") {
                    continue;
                }
                let calibration = read_calibration(&path)?;
                if scanner_folder
                    .file_name()
                    .is_none_or(|name| name != calibration.scanner.as_str())
                {
                    return Err(mismatch(
                        &path,
                        "scanner",
                        format!("found \"{}\"", calibration.scanner),
                    )
                    .expected("expected the name of the folder the file lies in"));
                }
                let when = (calibration.scanner.clone(), calibration.valid_from);
                if let Some(other) = set.files.get(&when) {
                    return Err(mismatch(
                        &path,
                        "valid_from",
                        format!(
                            "found {}, the same as in {}",
                            calibration.valid_from,
                            other.display()
                        ),
                    )
                    .expected("expected one calibration of a scanner at a time"));
                }
                set.files.insert(when, path);
                set.insert(calibration)?;
            }
        }
        Ok(set)
    }

    /// Adds a calibration.
    ///
    /// # Errors
    /// There is one of that scanner from the same time already.
    pub fn insert(&mut self, calibration: Calibration) -> Result<()> {
        let times = self
            .by_scanner
            .entry(calibration.scanner.clone())
            .or_default();
        if times.contains_key(&calibration.valid_from) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!(
                    "two calibrations of scanner \"{}\" from {}",
                    calibration.scanner, calibration.valid_from
                ),
            )
            .expected("expected one calibration of a scanner at a time"));
        }
        times.insert(calibration.valid_from, calibration);
        Ok(())
    }

    /// The calibration of `scanner` in force at `at`: the last whose `valid_from` is not later.
    #[must_use]
    pub fn in_force(&self, scanner: &str, at: Timestamp) -> Option<&Calibration> {
        let times = self.by_scanner.get(scanner)?;
        times.range(..=at).next_back().map(|(_, found)| found)
    }

    /// The file a calibration of this set was read from; `None` for one that was put in.
    #[must_use]
    pub fn file_of(&self, calibration: &Calibration) -> Option<&Path> {
        let when = (calibration.scanner.clone(), calibration.valid_from);
        self.files.get(&when).map(PathBuf::as_path)
    }

    /// All calibrations, by scanner, then time.
    pub fn iter(&self) -> impl Iterator<Item = &Calibration> {
        self.by_scanner.values().flat_map(BTreeMap::values)
    }
}

fn mismatch(path: &Path, key: &str, found: String) -> Error {
    Error::new(ErrorKind::Mismatch, found).at(path).key(key)
}

/// A folder's entries in the order of their names' bytes, so that errors do not depend on the file system.
fn entries(folder: &Path) -> Result<Vec<PathBuf>> {
    let io = |e: std::io::Error| Error::io(folder, &e);
    let mut paths = std::fs::read_dir(folder)
        .map_err(io)?
        .map(|entry| entry.map(|e| e.path()).map_err(io))
        .collect::<Result<Vec<_>>>()?;
    paths.sort_by(|a, b| {
        a.as_os_str()
            .as_encoded_bytes()
            .cmp(b.as_os_str().as_encoded_bytes())
    });
    Ok(paths)
}
