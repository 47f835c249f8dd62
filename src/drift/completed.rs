//! What a geometry check becomes complete with: colours and what the change costs.

use super::check::Check;
use super::colour::{ColourOutcome, ColourTask, check_colour};
use super::effect::weight_effect;
use super::target_fit::TargetFit;
use super::verdict::DEFAULT_TOLERANCES;
use crate::calibration::{Calibration, GeometricErrors, Target};
use crate::error::Result;
use crate::scan::Scan;

/// Standard uncertainty of the plate's place, mm: what the fit of a whole plate reaches (`cargo bench --bench drift`).
const POSE_U_MM: f64 = 0.01;
/// Weight effects below this, and below twice their uncertainty, are not worth a word.
const SOME_EFFECT: f64 = 5e-4;

/// Adds the weight effect in closed form and, where scan and target have colours, the colour check to a report, with their
/// findings behind those of the geometry; the verdict becomes the worst of all.
///
/// What is returned holds the colour calibration and registration from this scan; `None` without colour.
///
/// # Errors
/// As [`check_colour`].
pub fn complete(
    check: &mut Check,
    scan: &Scan,
    target: &Target,
    calibration: Option<&Calibration>,
) -> Result<Option<ColourOutcome>> {
    let baseline = calibration.map_or(GeometricErrors::NONE, |calibration| calibration.errors);
    let (fit, report) = (&check.fit, &mut check.report);
    report.weight_effect = weight_effect(&baseline, &fit.errors, &fit.covariance);
    let effect = &report.weight_effect;
    if effect.relative.abs() > SOME_EFFECT.max(2.0 * effect.relative_u) {
        report.findings.push(format!(
            "weights come out {:.2} % too {} until the scanner is calibrated anew or set right (± {:.2} %, k = 2)",
            100.0 * effect.relative.abs(),
            if effect.relative > 0.0 { "high" } else { "low" },
            200.0 * effect.relative_u
        ));
    }
    if scan.description.colour.is_none() || target.patches.is_empty() {
        return Ok(None);
    }
    let outcome = check_colours_of(fit, scan, target, calibration)?;
    report.findings.extend(outcome.findings.iter().cloned());
    report.colour.clone_from(&outcome.check);
    if let Some(colour) = &report.colour {
        report.verdict = report.verdict.max(colour.verdict);
    }
    Ok(Some(outcome))
}

/// The colour check of a scan whose geometry is fitted, with the tolerance that the calibration states.
///
/// # Errors
/// As [`check_colour`].
pub fn check_colours_of(
    fit: &TargetFit,
    scan: &Scan,
    target: &Target,
    calibration: Option<&Calibration>,
) -> Result<ColourOutcome> {
    let tolerances = calibration.and_then(|calibration| calibration.tolerances);
    check_colour(&ColourTask {
        scan,
        target,
        pose: fit.pose,
        pose_u_mm: [POSE_U_MM; 2],
        errors: &fit.errors,
        calibration,
        tolerance_de00: tolerances.unwrap_or(DEFAULT_TOLERANCES).de00,
    })
}
