//! Least squares of weighings by volumes that carry noise themselves.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

/// What is fitted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FitKind {
    /// The profile's scale.
    Scale,
    /// Scale and offset.
    ScaleOffset,
    /// The density of each class; scale and offset stay.
    Densities,
    /// The density of each class and the offset.
    DensitiesOffset,
    /// The thickness of the layer of a class; its density stays.
    Depth {
        /// The class.
        class: String,
    },
}

impl FitKind {
    /// A name for people.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Scale => "scale".to_owned(),
            Self::ScaleOffset => "scale and offset".to_owned(),
            Self::Densities => "densities".to_owned(),
            Self::DensitiesOffset => "densities and offset".to_owned(),
            Self::Depth { class } => format!("depth of {class}"),
        }
    }
}

/// One weighed piece.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub weighed_g: f64,
    /// `Σ ρᵢ·Vᵢ` with the profile's densities, before its scale and offset, g.
    pub unscaled_g: f64,
    /// Volumes of the fitted classes, cm³.
    pub volumes_cm3: Vec<f64>,
}

/// A row as the fit sees it, all over the weighed mass: `target = known + Σ noisy·a + exact·b`.
#[derive(Debug, Clone)]
pub(super) struct Equation {
    pub target: f64,
    /// The part that no coefficient touches; it carries the measured volume's noise.
    pub known: f64,
    /// Regressors that carry the measured volume's noise.
    pub noisy: Vec<f64>,
    /// Regressors without it.
    pub exact: Vec<f64>,
}

/// Coefficients, noisy ones first, with their covariance.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    pub coefficients: Vec<f64>,
    pub covariance: DMatrix<f64>,
    /// Rows used.
    pub kept: Vec<bool>,
}

/// Beyond this many standard deviations a row is left out.
const FAR: f64 = 4.0;

/// Fits `target` by `noisy` and `exact`.
///
/// A measured volume is `V·(1 + e)` with noise e common to all classes of a piece, so sums of products of noisy regressors are too large by `1 + σ²`, which
/// would draw coefficients down and push it into an offset; they are divided by it (correction for attenuation: Fuller 1987, *Measurement Error Models*, 1.2). σ² is
/// the residuals' variance less `other_variance`, the checkweigher's relative one. Rows farther off than four standard deviations (the first from the median
/// absolute deviation) are left out. The covariance is the sandwich of the estimating equations (White 1980), times `n/(n − p)`.
///
/// `None` where the regressors cannot be told apart or there are not enough rows.
pub(super) fn solve(equations: &[Equation], other_variance: f64) -> Option<Solution> {
    let n = equations.len();
    let first = equations.first()?;
    let (noisy, p) = (first.noisy.len(), first.noisy.len() + first.exact.len());
    let mut kept = vec![true; n];
    let mut variance = 0.0;
    let mut coefficients = DVector::zeros(p);
    for round in 0..8 {
        let used = kept.iter().filter(|it| **it).count();
        if used < p + 5 {
            return None;
        }
        let (normal, right) = sums(equations, &kept, variance, noisy, p);
        coefficients = scaled_solve(&normal, &right)?;
        let residuals: Vec<f64> = equations
            .iter()
            .map(|it| residual(it, &coefficients))
            .collect();
        let sd = if round < 2 {
            let mut sizes: Vec<f64> = residuals.iter().map(|it| it.abs()).collect();
            sizes.sort_unstable_by(f64::total_cmp);
            1.4826 * sizes[sizes.len() / 2]
        } else {
            let squares: f64 = residuals
                .iter()
                .zip(&kept)
                .filter(|it| *it.1)
                .map(|it| it.0 * it.0)
                .sum();
            (squares / (used - p) as f64).sqrt()
        };
        let next: Vec<bool> = residuals.iter().map(|it| it.abs() <= FAR * sd).collect();
        let next_variance = (sd * sd - other_variance).max(0.0);
        let settled = round > 2 && next == kept && (next_variance - variance).abs() <= 1e-9;
        kept = next;
        variance = next_variance;
        if settled {
            break;
        }
    }
    let used = kept.iter().filter(|it| **it).count();
    let (normal, _) = sums(equations, &kept, variance, noisy, p);
    let inverse = scaled_inverse(&normal)?;
    let mut spread = DMatrix::zeros(p, p);
    for (equation, _) in equations.iter().zip(&kept).filter(|it| *it.1) {
        let x = regressors(equation);
        let mut score = moment(equation, &x, variance, noisy);
        score -= corrected(&x, variance, noisy) * &coefficients;
        spread += &score * score.transpose();
    }
    let factor = used as f64 / (used - p) as f64;
    Some(Solution {
        covariance: &inverse * spread * &inverse * factor,
        coefficients: coefficients.iter().copied().collect(),
        kept,
    })
}

fn regressors(equation: &Equation) -> DVector<f64> {
    let all = equation.noisy.iter().chain(&equation.exact);
    DVector::from_iterator(equation.noisy.len() + equation.exact.len(), all.copied())
}

/// Products of a row's regressors, those of noisy ones with each other freed of the noise.
fn corrected(x: &DVector<f64>, variance: f64, noisy: usize) -> DMatrix<f64> {
    let mut products = x * x.transpose();
    for i in 0..noisy {
        for j in 0..noisy {
            products[(i, j)] /= 1.0 + variance;
        }
    }
    products
}

/// Products of regressors with what they are to explain.
fn moment(equation: &Equation, x: &DVector<f64>, variance: f64, noisy: usize) -> DVector<f64> {
    DVector::from_fn(x.len(), |i, _| {
        let shared = if i < noisy { 1.0 + variance } else { 1.0 };
        x[i] * (equation.target - equation.known / shared)
    })
}

fn sums(
    equations: &[Equation],
    kept: &[bool],
    variance: f64,
    noisy: usize,
    p: usize,
) -> (DMatrix<f64>, DVector<f64>) {
    let mut normal = DMatrix::zeros(p, p);
    let mut right = DVector::zeros(p);
    for (equation, _) in equations.iter().zip(kept).filter(|it| *it.1) {
        let x = regressors(equation);
        normal += corrected(&x, variance, noisy);
        right += moment(equation, &x, variance, noisy);
    }
    (normal, right)
}

fn scales(normal: &DMatrix<f64>) -> Option<DVector<f64>> {
    let scale = DVector::from_fn(normal.nrows(), |i, _| normal[(i, i)].sqrt());
    scale
        .iter()
        .all(|it| *it > 0.0 && it.is_finite())
        .then_some(scale)
}

fn scaled_solve(normal: &DMatrix<f64>, right: &DVector<f64>) -> Option<DVector<f64>> {
    Some(scaled_inverse(normal)? * right)
}

/// Inverse through a diagonal of 1; `None` where columns are all but the same.
fn scaled_inverse(normal: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let scale = scales(normal)?;
    let p = normal.nrows();
    let even = DMatrix::from_fn(p, p, |i, j| normal[(i, j)] / (scale[i] * scale[j]));
    let cholesky = even.cholesky()?;
    if (0..p).any(|i| cholesky.l_dirty()[(i, i)].powi(2) < 1e-9) {
        return None;
    }
    let inverse = cholesky.inverse();
    Some(DMatrix::from_fn(p, p, |i, j| {
        inverse[(i, j)] / (scale[i] * scale[j])
    }))
}

/// Fitted less target: relative error of the mass.
pub(super) fn residual(equation: &Equation, coefficients: &DVector<f64>) -> f64 {
    equation.known + regressors(equation).dot(coefficients) - equation.target
}

#[cfg(test)]
mod tests {
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    use super::*;

    /// Scale 1.02 and offset 3 g from volumes with 2 % noise: without the correction the scale would come out 0.3 % low.
    #[test]
    fn noise_of_the_volumes_does_not_draw_the_scale_down() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let (mut sum, mut covered) = (0.0, 0);
        for _ in 0..200 {
            let equations: Vec<Equation> = (0..500)
                .map(|_| {
                    let true_g: f64 = rng.random_range(100.0..200.0);
                    let noise: f64 = StandardNormal.sample(&mut rng);
                    let estimate_g = (true_g - 3.0) / 1.02 * (1.0 + 0.02 * noise);
                    Equation {
                        target: 1.0,
                        known: 0.0,
                        noisy: vec![estimate_g / true_g],
                        exact: vec![1.0 / true_g],
                    }
                })
                .collect();
            let found = solve(&equations, 0.0).unwrap();
            sum += found.coefficients[0] / 200.0;
            let u = found.covariance[(0, 0)].sqrt();
            covered += u32::from((found.coefficients[0] - 1.02).abs() <= 1.96 * u);
        }
        assert!((sum - 1.02).abs() < 0.001, "{sum}");
        assert!((182..=199).contains(&covered), "{covered} of 200");
    }

    /// Without noise in the regressors it is least squares with White's covariance: statsmodels OLS with HC1.
    #[test]
    fn exact_regressors_give_what_statsmodels_gives() {
        let numbers = |text: &str| -> Vec<Vec<f64>> {
            let lines = text.lines().filter(|line| !line.starts_with('#')).skip(1);
            lines
                .map(|line| {
                    line.split(',')
                        .filter_map(|cell| cell.parse().ok())
                        .collect()
                })
                .collect()
        };
        let pairs = numbers(include_str!("../../../tests/reference/agreement/pairs.csv"));
        let equations: Vec<Equation> = pairs
            .iter()
            .map(|row| Equation {
                target: row[0],
                known: 0.0,
                noisy: Vec::new(),
                exact: vec![row[1], 1.0],
            })
            .collect();
        let found = solve(&equations, 0.0).unwrap();
        assert!(found.kept.iter().all(|it| *it));
        let expected = numbers(include_str!(
            "../../../tests/reference/agreement/sandwich.csv"
        ));
        for (i, row) in expected.iter().enumerate() {
            assert!((found.coefficients[i] / row[0] - 1.0).abs() < 1e-9);
            let error = found.covariance[(i, i)].sqrt();
            assert!(
                (error / row[1] - 1.0).abs() < 1e-8,
                "{error} for {}",
                row[1]
            );
        }
        assert_eq!(expected.len(), 2);
    }

    #[test]
    fn regressors_that_say_the_same_have_no_solution() {
        let equations: Vec<Equation> = (0..50)
            .map(|i| Equation {
                target: 1.0,
                known: 0.0,
                noisy: vec![1.0 + f64::from(i % 3) * 0.01, 2.0 + f64::from(i % 3) * 0.02],
                exact: Vec::new(),
            })
            .collect();
        assert!(solve(&equations, 0.0).is_none());
        assert!(solve(&equations[..4], 0.0).is_none());
        assert!(solve(&[], 0.0).is_none());
    }
}
