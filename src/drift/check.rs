//! One check: the fitted errors against what they should be.

use crate::calibration::{Calibration, GeometricErrors, Target};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{HeightKind, Scan};

use super::field::HeightField;
use super::findings::{cautions, findings};
use super::instrument::{ERROR_NAMES, errors_to_list};
use super::report::{
    Certificate, DRIFT_FORMAT, DriftReport, InputHash, ParameterCheck, Verdict, WeightEffect,
};
use super::target_fit::{FitRequest, TargetFit, fit_target};
use super::triangulation::stripe_field;
use super::verdict::DEFAULT_TOLERANCES;

const UNITS: [&str; 9] = ["1", "1", "1", "mm", "mrad", "mrad", "mm", "mrad", "mrad"];

/// What a check compares with.
#[derive(Debug, Clone, Copy)]
pub struct Baseline<'a> {
    /// The calibration in force; `None`: a perfect scanner.
    pub calibration: Option<&'a Calibration>,
    /// Its path, or "a perfect scanner".
    pub name: &'a str,
}

/// A report with the fit it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The report; colour and weight effect are empty.
    pub report: DriftReport,
    /// The fit.
    pub fit: TargetFit,
}

/// Checks a scanner with a scan of a target: geometry.
///
/// The verdict is on how far the instrument lies from the numbers that are used for measuring, so the uncertainty of this check alone
/// enters, not that of the baseline.
///
/// # Errors
/// The height frame cannot be read, or [`fit_target`] fails.
pub fn check_geometry(
    scan: &Scan,
    target: &Target,
    baseline: &Baseline<'_>,
    target_temperature_c: Option<f64>,
    inputs: Vec<InputHash>,
) -> Result<Check> {
    let field = field(scan, baseline)?;
    let expected = baseline
        .calibration
        .map_or(GeometricErrors::NONE, |calibration| calibration.errors);
    let request = FitRequest {
        expected,
        target_temperature_c,
    };
    let fit = fit_target(&field, target, &request).map_err(|error| error.at(&scan.folder))?;
    let stated = baseline.calibration.and_then(|c| c.tolerances);
    let tolerances = stated.unwrap_or(DEFAULT_TOLERANCES);
    let parameters = parameters(&fit, &expected, &tolerances.errors);
    let verdict = parameters
        .iter()
        .map(|p| p.verdict)
        .max()
        .unwrap_or(Verdict::Warning);
    let mut found = findings(&parameters, &fit.notes, baseline.name);
    if stated.is_none() {
        found.push(
            "tolerances are the program's own, as the calibration states none; state yours in its [tolerances]".to_string(),
        );
    }
    let report = DriftReport {
        format: DRIFT_FORMAT.to_string(),
        version: env!("CARGO_PKG_VERSION").to_string(),
        scanner: scan.description.scanner.clone(),
        scan: scan.description.id.clone(),
        target: target.name.clone(),
        captured: scan.description.captured,
        verdict,
        parameters,
        surface: fit.surface.clone(),
        colour: None,
        weight_effect: WeightEffect {
            relative: 0.0,
            relative_u: 0.0,
            by_parameter: Vec::new(),
            per_product: Vec::new(),
        },
        compared_with: baseline.name.to_string(),
        pose: fit.pose,
        findings: found,
        cautions: cautions(verdict),
        inputs,
        certificate: target.certificate.as_ref().map(|name| Certificate {
            name: name.clone(),
            u_mm: target.u_mm.unwrap_or(0.0),
            temperature_c: target.temperature_c,
        }),
        residual_map: fit.residual_map.clone(),
    };
    Ok(Check { report, fit })
}

/// The scan's heights as measured; those of a stripe scan by the triangulation in the calibration compared with.
fn field(scan: &Scan, baseline: &Baseline<'_>) -> Result<HeightField> {
    if scan.description.height.kind != HeightKind::Stripe {
        return HeightField::read(scan);
    }
    let stated = baseline.calibration.and_then(|c| c.triangulation);
    let triangulation = stated.ok_or_else(|| {
        Error::new(
            ErrorKind::Mismatch,
            "a stripe scan, and nothing that turns its rows into mm",
        )
        .at(scan.document_path())
        .key("height.kind")
        .expected(
            "expected a calibration with a [triangulation] to compare with (calibrate makes one)",
        )
    })?;
    stripe_field(scan, &triangulation)
}

fn parameters(
    fit: &TargetFit,
    expected: &GeometricErrors,
    tolerances: &GeometricErrors,
) -> Vec<ParameterCheck> {
    let (values, us) = (errors_to_list(&fit.errors), errors_to_list(&fit.errors_u));
    let (baselines, limits) = (errors_to_list(expected), errors_to_list(tolerances));
    (0..ERROR_NAMES.len())
        .map(|i| {
            let told = fit.told[i];
            let change = values[i] - baselines[i];
            ParameterCheck {
                name: ERROR_NAMES[i].to_string(),
                value: told.then_some(values[i]),
                u: told.then_some(us[i]),
                baseline: baselines[i],
                change: told.then_some(change),
                tolerance: limits[i],
                unit: UNITS[i].to_string(),
                verdict: if told {
                    Verdict::of(change, us[i], limits[i])
                } else {
                    Verdict::Warning
                },
                remark: fit.remarks[i].clone(),
            }
        })
        .collect()
}
