//! Which of the fits holds on pieces it did not see.

use nalgebra::DVector;

use super::bounds::{DensityBounds, density_bounds};
use super::fit::{Equation, FitKind, Row, Solution, residual, solve};
use super::problem::Problem;
use super::report::{FittedValue, NotFitted};
use super::tuning::TuneSettings;
use crate::agreement::statistics::Estimated;
use crate::product::Product;
use crate::stats::student_quantile;

/// Blocks of time that are each predicted from the others.
const FOLDS: usize = 10;
/// Largest standard uncertainty of a density, or of an offset against the mean mass, at which a fit is of use.
const LARGEST_U: f64 = 0.01;
/// A scale farther from 1 than that is no density: a unit, a calibration or another product.
const SCALES: [f64; 2] = [0.9, 1.1];
/// A layer is not tuned beyond a factor of three.
const DEPTH_FACTORS: [f64; 2] = [1.0 / 3.0, 3.0];

/// A fit with its errors on unseen pieces.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub kind: FitKind,
    pub solution: Solution,
    pub values: Vec<FittedValue>,
    /// Relative error of each row, by a fit to the other blocks.
    pub unseen: Vec<f64>,
}

/// What a layer's fit needs beside the rows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Layer {
    pub layer: usize,
    pub base: usize,
    pub depth_mm: f64,
}

/// Fits one kind, or says why it is not fitted.
pub(super) fn candidate(
    kind: FitKind,
    problem: &Problem,
    product: &Product,
    layer: Option<Layer>,
    settings: &TuneSettings,
) -> Result<Candidate, NotFitted> {
    let not = |why: String| NotFitted {
        fit: kind.name(),
        why,
    };
    let by_class = matches!(kind, FitKind::Densities | FitKind::DensitiesOffset);
    if by_class && let Some(why) = &problem.no_classes {
        return Err(not(why.clone()));
    }
    let least = if by_class { 100 } else { 50 };
    if problem.rows.len() < least {
        return Err(not(format!(
            "{} pairs; it takes at least {least}",
            problem.rows.len()
        )));
    }
    let equations: Vec<Equation> = problem
        .rows
        .iter()
        .map(|row| equation(&kind, row, problem, layer))
        .collect();
    let mean_g =
        problem.rows.iter().map(|it| it.weighed_g).sum::<f64>() / problem.rows.len() as f64;
    let other_variance = settings.scale_sd_g.map_or(0.0, |sd| {
        problem
            .rows
            .iter()
            .map(|it| (sd / it.weighed_g).powi(2))
            .sum::<f64>()
            / problem.rows.len() as f64
    });
    let solution = solve(&equations, other_variance)
        .ok_or_else(|| not("the pieces are too much alike to tell its values apart".to_owned()))?;
    let values = values(&kind, &solution, problem, product, layer, settings);
    for (value, u) in values.iter().zip(standard_uncertainties(&solution)) {
        let reference = match value.unit.as_str() {
            "g" => mean_g,
            _ => value.before.abs(),
        };
        let u = u * value_factor(&kind, value);
        let largest = if matches!(kind, FitKind::Depth { .. }) {
            10.0 * LARGEST_U
        } else {
            LARGEST_U
        };
        if u > largest * reference {
            return Err(not(format!(
                "{} would be uncertain by {u:.2} {} (standard uncertainty): the pieces are too much alike, or too few",
                value.name, value.unit
            )));
        }
        if let Some([low, high]) = value.bounds
            && !(low..=high).contains(&value.after.value)
        {
            return Err(not(format!(
                "{} would become {:.4} {}, outside {low:.4} to {high:.4}: something else is wrong; look at the causes",
                value.name, value.after.value, value.unit
            )));
        }
    }
    let unseen = unseen(&equations, other_variance).ok_or_else(|| {
        not(
            "it cannot be tried on pieces it has not seen: too few pieces in some part of the time"
                .to_owned(),
        )
    })?;
    Ok(Candidate {
        kind,
        solution,
        values,
        unseen,
    })
}

/// A row for a kind of fit. Densities are in g/cm³ there.
fn equation(kind: &FitKind, row: &Row, problem: &Problem, layer: Option<Layer>) -> Equation {
    let w = row.weighed_g;
    let (scale, offset_g) = (problem.scale, problem.offset_g);
    let by_class = || row.volumes_cm3.iter().map(|v| scale * v / w).collect();
    let fixed = 1.0 - offset_g / w;
    let (target, known, noisy, exact) = match kind {
        FitKind::Scale => (fixed, 0.0, vec![row.unscaled_g / w], Vec::new()),
        FitKind::ScaleOffset => (1.0, 0.0, vec![row.unscaled_g / w], vec![1.0 / w]),
        FitKind::Densities => (fixed, 0.0, by_class(), Vec::new()),
        FitKind::DensitiesOffset => (1.0, 0.0, by_class(), vec![1.0 / w]),
        FitKind::Depth { .. } => {
            // In place of the base material; as thick as before at a factor of 1.
            let part_g = layer.map_or(0.0, |it| {
                let gap = problem.densities_kg_m3[it.layer] - problem.densities_kg_m3[it.base];
                gap / 1000.0 * row.volumes_cm3[it.layer]
            });
            let known = scale * (row.unscaled_g - part_g) / w;
            (fixed, known, vec![scale * part_g / w], Vec::new())
        }
    };
    Equation {
        target,
        known,
        noisy,
        exact,
    }
}

fn standard_uncertainties(solution: &Solution) -> impl Iterator<Item = f64> {
    (0..solution.coefficients.len()).map(|i| solution.covariance[(i, i)].max(0.0).sqrt())
}

/// From a coefficient's unit to that of the value shown.
fn value_factor(kind: &FitKind, value: &FittedValue) -> f64 {
    match (kind, value.unit.as_str()) {
        (_, "kg/m³") => 1000.0,
        (FitKind::Depth { .. }, _) => value.before,
        _ => 1.0,
    }
}

fn values(
    kind: &FitKind,
    solution: &Solution,
    problem: &Problem,
    product: &Product,
    layer: Option<Layer>,
    settings: &TuneSettings,
) -> Vec<FittedValue> {
    let mut named: Vec<(String, &str, f64, Option<[f64; 2]>)> = Vec::new();
    match kind {
        FitKind::Scale | FitKind::ScaleOffset => {
            named.push(("scale".to_owned(), "1", problem.scale, Some(SCALES)));
        }
        FitKind::Densities | FitKind::DensitiesOffset => {
            for (at, kg_m3) in problem.classes.iter().zip(&problem.densities_kg_m3) {
                let class = &product.classes[*at].name;
                let bounds: DensityBounds = settings
                    .bounds
                    .iter()
                    .find(|(name, _)| name == class)
                    .map_or_else(|| density_bounds(class), |(_, bounds)| *bounds);
                named.push((
                    format!("density of {class}"),
                    "kg/m³",
                    *kg_m3,
                    Some([bounds.low_kg_m3, bounds.high_kg_m3]),
                ));
            }
        }
        FitKind::Depth { class } => {
            let depth_mm = layer.map_or(f64::NAN, |it| it.depth_mm);
            named.push((
                format!("depth of {class}"),
                "mm",
                depth_mm,
                Some(DEPTH_FACTORS.map(|it| it * depth_mm)),
            ));
        }
    }
    if matches!(kind, FitKind::ScaleOffset | FitKind::DensitiesOffset) {
        named.push(("offset".to_owned(), "g", problem.offset_g, None));
    }
    let kept = solution.kept.iter().filter(|it| **it).count();
    let t = student_quantile(0.95, (kept - solution.coefficients.len()) as f64);
    named
        .into_iter()
        .zip(
            solution
                .coefficients
                .iter()
                .zip(standard_uncertainties(solution)),
        )
        .map(|((name, unit, before, bounds), (coefficient, u))| {
            let mut value = FittedValue {
                name,
                unit: unit.to_owned(),
                before,
                after: Estimated::about(*coefficient, t * u),
                bounds,
            };
            value.after = value.after.times(value_factor(kind, &value));
            value
        })
        .collect()
}

/// Relative error of each row by a fit to the other blocks; rows are in the order of time.
fn unseen(equations: &[Equation], other_variance: f64) -> Option<Vec<f64>> {
    let n = equations.len();
    let mut errors = Vec::with_capacity(n);
    for fold in 0..FOLDS {
        let (from, to) = (fold * n / FOLDS, (fold + 1) * n / FOLDS);
        let others: Vec<Equation> = equations[..from]
            .iter()
            .chain(&equations[to..])
            .cloned()
            .collect();
        let solution = solve(&others, other_variance)?;
        let coefficients = DVector::from_vec(solution.coefficients);
        errors.extend(
            equations[from..to]
                .iter()
                .map(|it| residual(it, &coefficients)),
        );
    }
    Some(errors)
}

/// Mean of the differences of squares, and its standard error, over the rows marked.
pub(super) fn squares_gained(before: &[f64], after: &[f64], marks: &[bool]) -> (f64, f64) {
    let gains: Vec<f64> = before
        .iter()
        .zip(after)
        .zip(marks)
        .filter(|(_, mark)| **mark)
        .map(|((one, other), _)| one * one - other * other)
        .collect();
    let n = gains.len() as f64;
    let mean = gains.iter().sum::<f64>() / n;
    let squares: f64 = gains.iter().map(|it| (it - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0) / n).sqrt())
}

/// The simplest candidate that is not worse than the best beyond chance, by more than two standard errors of their paired difference on unseen pieces:
/// what is not needed is not fitted. Candidates come from simple to rich.
pub(super) fn simplest(candidates: &[Candidate], marks: &[bool]) -> Option<usize> {
    let squares = |it: &Candidate| -> f64 {
        let marked = it.unseen.iter().zip(marks).filter(|(_, mark)| **mark);
        marked.map(|(error, _)| error * error).sum()
    };
    let best = candidates
        .iter()
        .min_by(|one, other| squares(one).total_cmp(&squares(other)))?;
    candidates.iter().position(|it| {
        let (mean, error) = squares_gained(&it.unseen, &best.unseen, marks);
        mean <= 2.0 * error
    })
}
