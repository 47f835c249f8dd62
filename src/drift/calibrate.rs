//! Several target scans to one scanner calibration, refusing what is poor.

use jiff::Timestamp;

use crate::calibration::{
    Calibration, GeometricErrors, Provenance, Registration, Target, Tolerances,
};
use crate::error::{Error, ErrorKind, Result};

use super::instrument::{ERROR_NAMES, ERRORS, errors_from_list, errors_to_list};
use super::target_fit::TargetFit;
use super::verdict::COVERAGE_FACTOR;

/// A calibration wants its target clean: more of it off its surface than this is refused.
const MOST_OFF: f64 = 0.2;
/// An error whose expanded uncertainty takes up more than this share of its tolerance is no basis for later checks.
const MOST_OF_TOLERANCE: f64 = 0.5;
/// A scan contradicts the others when it differs by more than this share of the tolerance …
const APART_OF_TOLERANCE: f64 = 0.5;
/// … and by more than this many standard uncertainties of the difference.
const APART_U: f64 = 3.0;

/// The fit of one scan.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanFit {
    /// The scan's id.
    pub scan: String,
    /// Its fit.
    pub fit: TargetFit,
}

/// One scan's value against that of all others.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The scan that was left out.
    pub scan: String,
    /// Its values less those of the others together; only what both tell.
    pub difference: [Option<f64>; ERRORS],
    /// Standard uncertainty of each difference, the target's part left out, as it is common to both.
    pub u: [Option<f64>; ERRORS],
}

/// Several scans together.
#[derive(Debug, Clone, PartialEq)]
pub struct Combined {
    /// The nine errors.
    pub errors: GeometricErrors,
    /// Their standard uncertainties.
    pub errors_u: GeometricErrors,
    /// Cross-validation: each scan against the others; empty for one scan.
    pub left_out: Vec<LeftOut>,
}

/// Puts the fits of several scans together.
///
/// Each error is the mean of the scans that tell it, weighted by `1/(u² + t²)` with the scan's own uncertainty u and the scatter t between
/// scans beyond it (DerSimonian and Laird 1986); what the target's certificate leaves open is common to all scans and not averaged.
///
/// # Errors
/// No scan; a scan fits poorly; an error is told by none or too uncertain against `tolerances`; scans contradict each other. The message names
/// scan and error.
pub fn combine(fits: &[ScanFit], tolerances: &Tolerances) -> Result<Combined> {
    for ScanFit { scan, fit } in fits {
        if MOST_OFF < fit.off_fraction {
            return Err(poor(format!(
                "scan {scan}: {:.0} % of what is seen where the target lies is not its surface",
                100.0 * fit.off_fraction
            ))
            .expected("clean the target, take away what lies on it, and scan it again"));
        }
        let (rms_mm, noise_mm) = (fit.surface.residual_rms_mm, fit.surface.noise_mm);
        if 3.0 * noise_mm + 0.05 < rms_mm {
            return Err(poor(format!(
                "scan {scan}: residuals of {rms_mm:.2} mm with noise of {noise_mm:.2} mm"
            ))
            .expected("expected a flat target and a scanner whose errors are the nine; look at the residual map of `weighlight drift`"));
        }
    }
    let limits = errors_to_list(&tolerances.errors);
    let all: Vec<&ScanFit> = fits.iter().collect();
    let (mut values, mut us) = ([0.0; ERRORS], [0.0; ERRORS]);
    for i in 0..ERRORS {
        let Some(mean) = Mean::of(&all, i) else {
            let why = fits.iter().find_map(|f| f.fit.remarks[i].clone());
            return Err(poor(format!(
                "{}: {}",
                ERROR_NAMES[i],
                why.unwrap_or_else(|| "told by no scan".to_string())
            ))
            .expected("add a scan with the target turned by about 90° or at another place across the belt"));
        };
        values[i] = mean.value;
        us[i] = mean.u();
    }
    let left_out = if fits.len() < 2 {
        Vec::new()
    } else {
        (0..fits.len()).map(|at| left_out(fits, at)).collect()
    };
    for one in &left_out {
        for i in 0..ERRORS {
            let (Some(difference), Some(u)) = (one.difference[i], one.u[i]) else {
                continue;
            };
            if (APART_OF_TOLERANCE * limits[i]).max(APART_U * u) < difference.abs() {
                return Err(poor(format!(
                    "scan {} contradicts the others: {} differs by {:+.2e}, with a tolerance of {}",
                    one.scan, ERROR_NAMES[i], difference, limits[i]
                ))
                .expected("leave that scan out, or look for what moved between the scans"));
            }
        }
    }
    for i in 0..ERRORS {
        if MOST_OF_TOLERANCE * limits[i] < COVERAGE_FACTOR * us[i] {
            return Err(poor(format!(
                "{}: {} known to ± {:.2e} only, with a tolerance of {}",
                ERROR_NAMES[i],
                round(values[i]),
                COVERAGE_FACTOR * us[i],
                limits[i]
            ))
            .expected("add scans, or use a target with a better certificate"));
        }
    }
    Ok(Combined {
        errors: errors_from_list(&values),
        errors_u: errors_from_list(&us),
        left_out,
    })
}

fn poor(found: String) -> Error {
    Error::new(ErrorKind::Unmeasurable, found)
}

/// A value for a message: no more digits than the smallest uncertainties have.
fn round(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

fn left_out(fits: &[ScanFit], at: usize) -> LeftOut {
    let others: Vec<&ScanFit> = fits
        .iter()
        .enumerate()
        .filter(|(i, _)| *i != at)
        .map(|(_, f)| f)
        .collect();
    let one = &fits[at];
    let (values, scan_u) = (
        errors_to_list(&one.fit.errors),
        errors_to_list(&one.fit.errors_scan_u),
    );
    let (mut difference, mut u) = ([None; ERRORS], [None; ERRORS]);
    for i in 0..ERRORS {
        if let Some(mean) = Mean::of(&others, i).filter(|_| one.fit.told[i]) {
            difference[i] = Some(values[i] - mean.value);
            u[i] = Some(scan_u[i].hypot(mean.scan_u));
        }
    }
    LeftOut {
        scan: one.scan.clone(),
        difference,
        u,
    }
}

/// The mean of one error over scans.
struct Mean {
    value: f64,
    scan_u: f64,
    target_u: f64,
}

impl Mean {
    fn of(fits: &[&ScanFit], i: usize) -> Option<Self> {
        // Value, variance from the scan, variance from the target.
        let told: Vec<[f64; 3]> = fits
            .iter()
            .filter(|f| f.fit.told[i])
            .map(|f| {
                let u = errors_to_list(&f.fit.errors_u)[i];
                let scan_u = errors_to_list(&f.fit.errors_scan_u)[i];
                let scan = (scan_u * scan_u).max(f64::MIN_POSITIVE);
                [
                    errors_to_list(&f.fit.errors)[i],
                    scan,
                    (u * u - scan_u * scan_u).max(0.0),
                ]
            })
            .collect();
        if told.is_empty() {
            return None;
        }
        let weighted = |between: f64| {
            let weights: Vec<f64> = told.iter().map(|t| 1.0 / (t[1] + between)).collect();
            let sum: f64 = weights.iter().sum();
            let mean = |k: usize| {
                let total: f64 = told.iter().zip(&weights).map(|(t, w)| w * t[k]).sum();
                total / sum
            };
            (
                mean(0),
                mean(2),
                sum,
                weights.iter().map(|w| w * w).sum::<f64>(),
            )
        };
        let (fixed, _, sum, squares) = weighted(0.0);
        let excess: f64 = told
            .iter()
            .map(|t| (t[0] - fixed).powi(2) / t[1])
            .sum::<f64>()
            - (told.len() - 1) as f64;
        let free = sum - squares / sum;
        let between = if 0.0 < free && 0.0 < excess {
            excess / free
        } else {
            0.0
        };
        let (value, target, sum, _) = weighted(between);
        Some(Self {
            value,
            scan_u: (1.0 / sum).sqrt(),
            target_u: target.sqrt(),
        })
    }

    fn u(&self) -> f64 {
        self.scan_u.hypot(self.target_u)
    }
}

/// A calibration with these errors; camera, laser, colour, registration, triangulation and tolerances are kept from `baseline`.
#[must_use]
pub fn new_calibration(
    combined: &Combined,
    (scanner, valid_from): (&str, Timestamp),
    (target, scans, note): (&Target, Vec<String>, String),
    baseline: Option<&Calibration>,
) -> Calibration {
    let provenance = Provenance {
        target: Some(target.name.clone()),
        scans,
        note: Some(note),
    };
    let fresh = Calibration {
        scanner: scanner.to_string(),
        valid_from,
        errors: combined.errors,
        errors_u: combined.errors_u,
        colour: None,
        registration: Registration::default(),
        camera: None,
        colour_camera: None,
        laser: None,
        triangulation: None,
        tolerances: None,
        provenance,
    };
    match baseline {
        None => fresh,
        Some(old) => Calibration {
            colour: old.colour.clone(),
            registration: old.registration,
            camera: old.camera,
            colour_camera: old.colour_camera,
            laser: old.laser,
            triangulation: old.triangulation,
            tolerances: old.tolerances,
            ..fresh
        },
    }
}
