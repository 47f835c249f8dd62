//! What a check compares with: a calibration's file, the calibration in force, or a perfect scanner.

use std::path::{Path, PathBuf};

use super::check::Baseline;
use crate::calibration::{Calibration, CalibrationSet, read_calibration};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::Scan;

/// What a check compares with, and where it is from.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// The calibration; `None`: a perfect scanner.
    pub calibration: Option<Calibration>,
    /// Its path, or "a perfect scanner".
    pub name: String,
    /// Its file.
    pub file: Option<PathBuf>,
}

impl Compared {
    /// A scanner without errors.
    #[must_use]
    pub fn perfect() -> Self {
        Self {
            calibration: None,
            name: "a perfect scanner".to_owned(),
            file: None,
        }
    }

    /// The calibration in that file.
    ///
    /// # Errors
    /// It cannot be read, or is of another scanner than the scan.
    pub fn with_file(path: &Path, scan: &Scan) -> Result<Self> {
        let calibration = read_calibration(path)?;
        let scanner = &scan.description.scanner;
        if calibration.scanner != *scanner {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a calibration of scanner \"{}\"", calibration.scanner),
            )
            .at(path)
            .expected(format!("expected one of \"{scanner}\", as the scan names")));
        }
        Ok(Self {
            calibration: Some(calibration),
            name: path.display().to_string(),
            file: Some(path.to_path_buf()),
        })
    }

    /// The calibration in force when the scan was taken; `None` where there is none.
    #[must_use]
    pub fn in_force(calibrations: &CalibrationSet, scan: &Scan) -> Option<Self> {
        let found = calibrations.in_force(&scan.description.scanner, scan.description.captured)?;
        let file = calibrations.file_of(found).map(Path::to_path_buf);
        let name = file
            .as_ref()
            .map_or_else(|| found.valid_from.to_string(), |f| f.display().to_string());
        Some(Self {
            calibration: Some(found.clone()),
            name,
            file,
        })
    }

    /// The same as a check takes it.
    #[must_use]
    pub fn baseline(&self) -> Baseline<'_> {
        Baseline {
            calibration: self.calibration.as_ref(),
            name: &self.name,
        }
    }
}
