//! A whole check: geometry, colours, cost in closed form, and what it was made from.

use std::path::Path;

use super::archive_effect::{Comparison, Turnover, effect_on_archive};
use super::calibrate::{Combined, new_calibration};
use super::check::{Check, check_geometry};
use super::compared::Compared;
use super::completed::complete;
use super::report::InputHash;
use crate::calibration::Target;
use crate::document::file_hash;
use crate::error::Result;
use crate::product::Product;
use crate::scan::{Archive, Scan};

/// What a check is made from.
#[derive(Debug, Clone, Copy)]
pub struct CheckTask<'a> {
    /// The scan of the target.
    pub scan: &'a Scan,
    /// The target that was scanned.
    pub target: &'a Target,
    /// Its file.
    pub target_file: &'a Path,
    /// What to compare with.
    pub compared: &'a Compared,
    /// Temperature of the target when it was scanned, °C; its expansion is then taken off.
    pub target_temperature_c: Option<f64>,
}

impl InputHash {
    /// A file with its hash, in the role that it plays.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn of(role: &str, path: &Path) -> Result<Self> {
        Ok(Self {
            role: role.to_owned(),
            path: path.display().to_string(),
            blake3: file_hash(path)?,
        })
    }
}

/// Checks a scanner with a scan of a target: geometry, what the change costs in closed form, and colours where scan and target have them.
///
/// # Errors
/// A file cannot be read; as [`check_geometry`] and [`complete`].
pub fn check_scan(task: &CheckTask<'_>) -> Result<Check> {
    let mut check = check_geometry(
        task.scan,
        task.target,
        &task.compared.baseline(),
        task.target_temperature_c,
        inputs(task)?,
    )?;
    let calibration = task.compared.calibration.as_ref();
    complete(&mut check, task.scan, task.target, calibration)?;
    Ok(check)
}

fn inputs(task: &CheckTask<'_>) -> Result<Vec<InputHash>> {
    let scan = task.scan;
    let mut inputs = vec![InputHash::of("target", task.target_file)?];
    if let Some(packed) = &scan.packed {
        inputs.push(InputHash::of("pack", &packed.file)?);
    } else {
        inputs.push(InputHash::of("scan", &scan.document_path())?);
        inputs.push(InputHash::of("height", &scan.height_path())?);
        if let Some(path) = scan.colour_path() {
            inputs.push(InputHash::of("colour", &path)?);
        }
    }
    if let Some(path) = &task.compared.file {
        inputs.push(InputHash::of("calibration", path)?);
    }
    Ok(inputs)
}

/// Adds to a check what the change costs on the archive's pieces of one product: measured with the calibration compared with and with what the
/// check found.
///
/// # Errors
/// As [`effect_on_archive`].
pub fn add_cost(
    check: &mut Check,
    task: &CheckTask<'_>,
    archive: &Archive,
    product: &Product,
    turnover: Option<Turnover>,
) -> Result<()> {
    let in_force = task.compared.calibration.as_ref();
    let report = &mut check.report;
    let found = Combined {
        errors: check.fit.errors,
        errors_u: check.fit.errors_u,
        left_out: Vec::new(),
    };
    let new = new_calibration(
        &found,
        (&report.scanner, report.captured),
        (task.target, vec![report.scan.clone()], String::new()),
        in_force,
    );
    let outcome = effect_on_archive(
        archive,
        &Comparison {
            scanner: &report.scanner,
            product,
            in_force,
            new: &new,
            relative_u: report.weight_effect.relative_u,
            turnover,
        },
    )?;
    report.findings.append(&mut outcome.findings());
    report.weight_effect.per_product.push(outcome.effect);
    Ok(())
}
