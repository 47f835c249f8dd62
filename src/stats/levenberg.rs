//! Non-linear least squares of few parameters, by Gauss and Newton with the damping of Levenberg and Marquardt.

use nalgebra::{SMatrix, SVector};

/// A sum of squares (or of another loss) and its linearisation at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Linearised<const N: usize> {
    /// What is made least.
    pub cost: f64,
    /// `Jᵀ·W·r` with residuals `r = observed − predicted`: points downhill.
    pub gradient: SVector<f64, N>,
    /// `Jᵀ·W·J` of the predictions.
    pub normal: SMatrix<f64, N, N>,
}

/// When to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules<const N: usize> {
    /// Steps that matter no more, in each parameter's unit.
    pub small: SVector<f64, N>,
    /// Most evaluations.
    pub most: usize,
    /// A step is taken when the cost grows by no more than this, relative. 0 for a smooth cost; more where the set of
    /// observations changes a little with the parameters.
    pub slack: f64,
}

/// Where the descent ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimum<const N: usize> {
    /// The parameters.
    pub at: SVector<f64, N>,
    /// The linearisation there.
    pub linearised: Linearised<N>,
    /// Whether the last step was small in every parameter.
    pub settled: bool,
}

/// First damping after a step that failed, relative to the normal matrix's diagonal.
const FIRST_DAMPING: f64 = 1e-4;
/// Damping below which the plain Gauss-Newton step is taken.
const LEAST_DAMPING: f64 = 1e-9;
/// Damping beyond which no step is worth trying.
const MOST_DAMPING: f64 = 1e16;

/// Goes downhill from `start`.
///
/// `evaluate` gives the linearisation at a point, or `None` where there is none (the step is then shortened). `None` when there is none at
/// the start, or no step can be computed.
///
/// References: Marquardt 1963, *J. SIAM* 11, 431; the damping scales with the diagonal, so units do not matter.
pub fn levenberg_marquardt<const N: usize>(
    start: SVector<f64, N>,
    rules: &Rules<N>,
    mut evaluate: impl FnMut(&SVector<f64, N>) -> Option<Linearised<N>>,
) -> Option<Minimum<N>> {
    let mut at = start;
    let mut here = evaluate(&at)?;
    let mut damping = 0.0;
    for _ in 1..rules.most {
        let step = solve(&here.normal, &here.gradient, damping)?;
        let small = step
            .iter()
            .zip(rules.small.iter())
            .all(|(step, small)| step.abs() <= *small);
        let there = at + step;
        let next =
            evaluate(&there).filter(|next| next.cost <= here.cost + rules.slack * here.cost.abs());
        match next {
            Some(next) => {
                at = there;
                here = next;
                damping = if damping < LEAST_DAMPING {
                    0.0
                } else {
                    damping / 10.0
                };
                if small {
                    return Some(Minimum {
                        at,
                        linearised: here,
                        settled: true,
                    });
                }
            }
            // Nothing better this near: rounding is all that is left.
            None if small => {
                return Some(Minimum {
                    at,
                    linearised: here,
                    settled: true,
                });
            }
            None => {
                damping = (damping * 10.0).max(FIRST_DAMPING);
                if MOST_DAMPING < damping {
                    break;
                }
            }
        }
    }
    Some(Minimum {
        at,
        linearised: here,
        settled: false,
    })
}

/// The step that solves `(normal + damping·diagonal)·step = gradient`, each parameter scaled to a unit diagonal first.
fn solve<const N: usize>(
    normal: &SMatrix<f64, N, N>,
    gradient: &SVector<f64, N>,
    damping: f64,
) -> Option<SVector<f64, N>> {
    let scale = unit_scale(normal);
    let scaled = SMatrix::<f64, N, N>::from_fn(|row, column| {
        let damped = if row == column { 1.0 + damping } else { 1.0 };
        normal[(row, column)] * scale[row] * scale[column] * damped
    });
    let right = gradient.component_mul(&scale);
    let solution = scaled.cholesky()?.solve(&right);
    let step = solution.component_mul(&scale);
    step.iter().all(|value| value.is_finite()).then_some(step)
}

/// The inverse of a positive definite matrix, its parameters scaled to a unit diagonal first.
pub fn scaled_inverse<const N: usize>(matrix: &SMatrix<f64, N, N>) -> Option<SMatrix<f64, N, N>> {
    let scale = unit_scale(matrix);
    let by_scale = |m: &SMatrix<f64, N, N>| {
        SMatrix::<f64, N, N>::from_fn(|row, column| m[(row, column)] * scale[row] * scale[column])
    };
    Some(by_scale(&by_scale(matrix).cholesky()?.inverse()))
}

fn unit_scale<const N: usize>(matrix: &SMatrix<f64, N, N>) -> SVector<f64, N> {
    matrix.diagonal().map(|d| {
        if 0.0 < d && d.is_finite() {
            1.0 / d.sqrt()
        } else {
            1.0
        }
    })
}
