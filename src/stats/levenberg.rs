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

#[cfg(test)]
mod tests {
    use super::*;

    /// A problem of NIST's Statistical Reference Datasets (non-linear regression), data and certified values from
    /// <https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml>; also checked with SciPy 1.17.1 `least_squares`.
    struct Reference<const N: usize> {
        xy: &'static [(f64, f64)],
        /// Value and derivatives.
        model: fn(f64, &SVector<f64, N>) -> (f64, [f64; N]),
        starts: [[f64; N]; 2],
        certified: [f64; N],
        deviations: [f64; N],
        sum_of_squares: f64,
    }

    impl<const N: usize> Reference<N> {
        fn evaluate(&self, at: &SVector<f64, N>) -> Option<Linearised<N>> {
            let mut sums = Linearised {
                cost: 0.0,
                gradient: SVector::zeros(),
                normal: SMatrix::zeros(),
            };
            for &(x, y) in self.xy {
                let (value, derivatives) = (self.model)(x, at);
                let d = SVector::<f64, N>::from(derivatives);
                sums.cost += (y - value).powi(2);
                sums.gradient += d * (y - value);
                sums.normal += d * d.transpose();
            }
            sums.cost.is_finite().then_some(sums)
        }

        #[track_caller]
        fn check(&self) {
            for start in self.starts {
                let rules = Rules {
                    small: SVector::from(self.certified.map(|c| 1e-10 * c.abs())),
                    most: 2000,
                    slack: 0.0,
                };
                let found =
                    levenberg_marquardt(SVector::from(start), &rules, |at| self.evaluate(at))
                        .expect("it can be evaluated");
                assert!(found.settled);
                let free = (self.xy.len() - N) as f64;
                let variance = found.linearised.cost / free;
                let cofactor = scaled_inverse(&found.linearised.normal).expect("regular");
                for i in 0..N {
                    let (value, certified) = (found.at[i], self.certified[i]);
                    assert!((value / certified - 1.0).abs() < 1e-7, "{i}: {value}");
                    let deviation = (variance * cofactor[(i, i)]).sqrt();
                    assert!(
                        (deviation / self.deviations[i] - 1.0).abs() < 1e-6,
                        "{i}: {deviation}"
                    );
                }
                assert!((found.linearised.cost / self.sum_of_squares - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn nist_misra1a() {
        Reference {
            xy: &[
                (77.6, 10.07),
                (114.9, 14.73),
                (141.1, 17.94),
                (190.8, 23.93),
                (239.9, 29.61),
                (289.0, 35.18),
                (332.8, 40.02),
                (378.4, 44.82),
                (434.8, 50.76),
                (477.3, 55.05),
                (536.8, 61.01),
                (593.1, 66.40),
                (689.1, 75.47),
                (760.0, 81.78),
            ],
            model: |x, b| {
                let e = (-b[1] * x).exp();
                (b[0] * (1.0 - e), [1.0 - e, b[0] * x * e])
            },
            starts: [[500.0, 0.0001], [250.0, 0.0005]],
            certified: [2.389_421_291_8e2, 5.501_564_318_1e-4],
            deviations: [2.707_007_524_1, 7.266_868_843_6e-6],
            sum_of_squares: 1.245_513_889_4e-1,
        }
        .check();
    }

    /// Of the higher level of difficulty; start 1 lies far off.
    #[test]
    fn nist_mgh09() {
        Reference {
            xy: &[
                (4.0, 0.1957),
                (2.0, 0.1947),
                (1.0, 0.1735),
                (0.5, 0.16),
                (0.25, 0.0844),
                (0.167, 0.0627),
                (0.125, 0.0456),
                (0.1, 0.0342),
                (0.0833, 0.0323),
                (0.0714, 0.0235),
                (0.0625, 0.0246),
            ],
            model: |x, b| {
                let (over, under) = (x * x + x * b[1], x * x + x * b[2] + b[3]);
                let y = b[0] * over / under;
                (
                    y,
                    [over / under, b[0] * x / under, -y * x / under, -y / under],
                )
            },
            starts: [[25.0, 39.0, 41.5, 39.0], [0.25, 0.39, 0.415, 0.39]],
            certified: [
                1.928_069_345_8e-1,
                1.912_823_287_3e-1,
                1.230_565_069_3e-1,
                1.360_623_306_8e-1,
            ],
            deviations: [
                1.143_531_222_7e-2,
                1.963_322_091_1e-1,
                8.084_203_123_2e-2,
                9.002_554_230_8e-2,
            ],
            sum_of_squares: 3.075_056_038_5e-4,
        }
        .check();
    }

    #[test]
    fn what_cannot_be_told_apart_has_no_step() {
        let flat = |_: &SVector<f64, 2>| {
            Some(Linearised {
                cost: 1.0,
                gradient: SVector::from([1.0, 1.0]),
                normal: SMatrix::from([[1.0, 1.0], [1.0, 1.0]]),
            })
        };
        let rules = Rules {
            small: SVector::from([1e-9; 2]),
            most: 10,
            slack: 0.0,
        };
        assert_eq!(levenberg_marquardt(SVector::zeros(), &rules, flat), None);
        assert_eq!(
            levenberg_marquardt(SVector::<f64, 2>::zeros(), &rules, |_| None),
            None
        );
    }
}
