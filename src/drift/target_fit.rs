//! A target scan from heights to the nine errors with their uncertainties.

use crate::calibration::{GeometricErrors, Target};
use crate::error::{Error, ErrorKind, Result};

use super::cells::LevelPlane;
use super::field::HeightField;
use super::find::{Found, find_target};
use super::fit::{Fitted, PRIOR, Problem};
use super::instrument::{
    ERROR_NAMES, ERRORS, Matrix, errors_from_list, errors_of, errors_to_list, pose_of,
};
use super::report::{ResidualMap, SurfaceCheck, TargetPose};
use super::surface_check::{BodyMisfit, Seen, see};
use super::uncertainty::{Covariance, Knowledge, covariance};

/// A value whose uncertainty is more than this share of what was thought possible before is not told by the scan.
const TOLD_SHARE: f64 = 0.3;
/// Errors that go together more than this are named with each other.
const TOGETHER: f64 = 0.9;
/// More of the target off its certified surface than this is no fit.
const MOST_OFF: f64 = 0.6;
/// Standard uncertainty of a target's temperature: as read off a thermometer, and as in a hall nobody asked about (±10 K, rectangular). Common
/// practice, no source.
const TEMPERATURE_U_K: [f64; 2] = [1.0, 5.8];

/// What is known before a check.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitRequest {
    /// What the scanner was last: where the search starts, and what is kept of the errors that the scan does not tell.
    pub expected: GeometricErrors,
    /// The target's temperature when it was scanned, °C.
    pub target_temperature_c: Option<f64>,
}

/// What a scan of a target tells.
#[derive(Debug, Clone, PartialEq)]
pub struct TargetFit {
    /// The errors; those the scan does not tell are the expected ones.
    pub errors: GeometricErrors,
    /// Their standard uncertainties, from the scan and the certificate.
    pub errors_u: GeometricErrors,
    /// The part of their standard uncertainties that comes from the scan alone and is another in every scan.
    pub errors_scan_u: GeometricErrors,
    /// Covariance of the nine errors, in the order and units of the calibration file.
    pub covariance: [[f64; ERRORS]; ERRORS],
    /// Which of the nine the scan tells.
    pub told: [bool; ERRORS],
    /// Why not, or what an error cannot be told apart from.
    pub remarks: [Option<String>; ERRORS],
    /// Where the target lay.
    pub pose: TargetPose,
    /// How well it was seen.
    pub surface: SurfaceCheck,
    /// Where the residuals lie.
    pub residual_map: Option<ResidualMap>,
    /// What is odd about the target or the scan, in words.
    pub notes: Vec<String>,
    /// Share of the samples on the target that lie off its certified surface.
    pub off_fraction: f64,
    /// Bodies by which it was found.
    pub bodies_found: usize,
}

/// Finds the target in a scan and fits pose and errors at once.
///
/// The plate lies on the belt, so roll and pitch are those against the belt under the plate.
///
/// # Errors
/// The target is not found (see the message for why), too little of it is seen, or its surface does not fit.
pub fn fit_target(field: &HeightField, target: &Target, request: &FitRequest) -> Result<TargetFit> {
    let found = find_target(field, target, &request.expected)?;
    let warm = request
        .target_temperature_c
        .and_then(|temperature_c| target.at_temperature(temperature_c));
    let target = warm.as_ref().unwrap_or(target);
    let problem = Problem::new(field, target, request.expected);
    let start = start(&problem, target, &found, &request.expected);
    let fitted = problem.solve(&start, &found.pose)?;
    let seen = see(&problem, &fitted);
    if MOST_OFF < seen.off_fraction {
        return Err(Error::new(
            ErrorKind::Unmeasurable,
            format!(
                "{:.0} % of what is seen where \"{}\" lies is not its surface",
                100.0 * seen.off_fraction,
                target.name
            ),
        )
        .expected("clean the target, take away what lies on it, check that it is the one of the target file, and scan again"));
    }
    let knowledge = Knowledge {
        length_u_mm: target.u_mm.unwrap_or(0.0),
        growth_u: growth_u(target, request),
    };
    let covariance = covariance(&problem, &fitted, &knowledge)?;
    Ok(outcome(
        &problem,
        target,
        request,
        (&fitted, &covariance),
        seen,
        &found,
    ))
}

/// Errors to start from: the expected ones, with offset, roll and pitch from the plate's top.
fn start(
    problem: &Problem<'_>,
    target: &Target,
    found: &Found,
    expected: &GeometricErrors,
) -> GeometricErrors {
    let LevelPlane { slope, .. } = found.top;
    let middle = found.top.at(problem.frame.cx_mm, problem.frame.cy_mm);
    GeometricErrors {
        height_offset_mm: middle - expected.height_scale * target.plate.thickness_mm,
        roll_mrad: 1e3 * slope[0],
        pitch_mrad: 1e3 * slope[1],
        ..*expected
    }
}

fn growth_u(target: &Target, request: &FitRequest) -> f64 {
    let [read, unknown] = TEMPERATURE_U_K;
    let u_k = match (request.target_temperature_c, target.temperature_c) {
        (Some(_), Some(_)) => read,
        _ => unknown,
    };
    target.expansion_per_k.unwrap_or(0.0) * u_k
}

fn outcome(
    problem: &Problem<'_>,
    target: &Target,
    request: &FitRequest,
    (fitted, parts): (&Fitted, &Covariance),
    seen: Seen,
    found: &Found,
) -> TargetFit {
    let covariance = &(parts.scan + parts.target);
    let u = |i: usize| covariance[(i, i)].max(0.0).sqrt();
    let scan_u = |i: usize| parts.scan[(i, i)].max(0.0).sqrt();
    let told: [bool; ERRORS] = std::array::from_fn(|i| u(i) < TOLD_SHARE * PRIOR[i]);
    let expected = errors_to_list(&request.expected);
    let values = errors_to_list(&errors_of(&fitted.at));
    let remarks = std::array::from_fn(|i| remark(i, &told, covariance));
    TargetFit {
        errors: errors_from_list(&std::array::from_fn(|i| {
            if told[i] { values[i] } else { expected[i] }
        })),
        errors_u: errors_from_list(&std::array::from_fn(u)),
        errors_scan_u: errors_from_list(&std::array::from_fn(scan_u)),
        covariance: std::array::from_fn(|i| std::array::from_fn(|j| covariance[(i, j)])),
        told,
        remarks,
        pose: pose_of(&fitted.at, problem.middle),
        notes: notes(problem, target, request, fitted, &seen),
        off_fraction: seen.off_fraction,
        surface: seen.surface,
        residual_map: seen.map,
        bodies_found: found.matched,
    }
}

/// Why an error has no value, or what it goes together with.
fn remark(i: usize, told: &[bool; ERRORS], covariance: &Matrix) -> Option<String> {
    let correlation = |j: usize| {
        let scale = covariance[(i, i)] * covariance[(j, j)];
        if 0.0 < scale {
            covariance[(i, j)] / scale.sqrt()
        } else {
            0.0
        }
    };
    let mut with: Vec<&str> = (0..ERRORS)
        .filter(|j| *j != i && TOGETHER < correlation(*j).abs())
        .map(|j| ERROR_NAMES[j])
        .collect();
    if TOGETHER < correlation(11).abs() {
        with.push("the target's turn");
    }
    match (told[i], with.is_empty()) {
        (true, true) => None,
        (true, false) => Some(format!("goes together with {}", with.join(", "))),
        (false, true) => Some(
            "not told by this scan: too little of the target is seen, or it lies over too small a part of the belt"
                .to_string(),
        ),
        (false, false) => Some(format!(
            "not told by this scan: not to be told apart from {}",
            with.join(", ")
        )),
    }
}

/// A body whose level lies off by more than this, or by five certified uncertainties, is named, mm.
const BODY_OFF_MM: f64 = 0.1;
/// Share of the samples off the surface worth a word.
const SOME_OFF: f64 = 0.05;
/// The belt beside the plate lies at 0 but for its own form: farther off is worth a word, mm.
const BELT_OFF_MM: f64 = 0.5;
/// Strip of belt beside the plate that is looked at, from and to, mm.
const BESIDE_MM: [f64; 2] = [5.0, 60.0];
/// Fewest samples of a body or of belt for a word about it.
const FEWEST: usize = 200;

fn notes(
    problem: &Problem<'_>,
    target: &Target,
    request: &FitRequest,
    fitted: &Fitted,
    seen: &Seen,
) -> Vec<String> {
    let mut notes = Vec::new();
    let limit_mm = BODY_OFF_MM.max(5.0 * target.u_mm.unwrap_or(0.0));
    for (body, misfit) in problem.faces.bodies.iter().zip(&seen.bodies) {
        let BodyMisfit {
            median_mm,
            samples,
            off_fraction,
        } = *misfit;
        if samples < FEWEST {
            continue;
        }
        if limit_mm < median_mm.abs() || 0.3 < off_fraction {
            notes.push(format!(
                "{} of the target does not fit ({median_mm:+.2} mm, {:.0} % of its samples off): dirty, worn, covered, or its numbers in the target file are wrong",
                body.name(),
                100.0 * off_fraction
            ));
        }
    }
    if SOME_OFF < seen.off_fraction {
        notes.push(format!(
            "{:.0} % of what is seen where the target lies is not its surface: something lies on it, or it is dirty",
            100.0 * seen.off_fraction
        ));
    }
    let noise_mm = seen.surface.noise_mm;
    let spread_mm = fitted.spread.level_mm;
    if 3.0 * noise_mm + 0.05 < spread_mm {
        notes.push(format!(
            "the plate is not as flat as its samples are quiet ({spread_mm:.2} mm against {noise_mm:.2} mm of noise): the plate is bent, or the scanner errs in a way the nine errors do not describe"
        ));
    }
    if let Some(gap_mm) = belt_beside(problem, fitted).filter(|gap| BELT_OFF_MM < gap.abs()) {
        notes.push(format!(
            "the belt beside the plate lies {:.1} mm {} than the plate's underside: look for something under the plate, or a belt that bends; height offset is told against the plate",
            gap_mm.abs(),
            if gap_mm < 0.0 { "lower" } else { "higher" }
        ));
    }
    if target.u_mm.is_none() {
        notes.push(
            "the target file states no u_mm: the uncertainties are those of the scan alone"
                .to_string(),
        );
    }
    if 0.0 < target.expansion_per_k.unwrap_or(0.0) && request.target_temperature_c.is_none() {
        notes.push(
            "the target's temperature is not given: its expansion over ±10 K is in the uncertainties of the scales; give --target-temperature-c to have it taken off"
                .to_string(),
        );
    }
    notes
}

/// Median height of the belt around the plate under the fitted errors, mm.
fn belt_beside(problem: &Problem<'_>, fitted: &Fitted) -> Option<f64> {
    let instrument = problem.instrument(&fitted.at);
    let [across, along] = problem.faces.size_mm;
    let (field, stride) = (problem.field, 3);
    let mut heights = Vec::new();
    for row in (0..field.rows).step_by(stride) {
        for (column, z) in field.row(row).iter().enumerate().step_by(stride) {
            if z.is_nan() {
                continue;
            }
            let s = instrument.sight(field.x_mm(column), field.y_mm[row], f64::from(*z));
            let outside = [s.u - across, -s.u, s.v - along, -s.v]
                .into_iter()
                .fold(f64::MIN, f64::max);
            let [near, far] = BESIDE_MM;
            if near < outside
                && outside < far
                && s.true_height_mm().abs() < problem.faces.thickness_mm
            {
                heights.push(s.true_height_mm() as f32);
            }
        }
    }
    if heights.len() < FEWEST {
        return None;
    }
    crate::stats::median(&mut heights).map(f64::from)
}
