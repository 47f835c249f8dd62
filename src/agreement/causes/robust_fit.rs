//! Which pairs are too far off to be believed, and how large the noise of the others is.

use super::model::Columns;
use super::terms::{FEWEST_ASIDE, Sample, middle};

/// Biweight constant: 95 % efficiency at the normal (Mosteller and Tukey 1977).
const BIWEIGHT_C: f64 = 4.685;
/// Beyond this many standard deviations a pair is set aside: 1 in 16 000 of normal noise.
const FAR: f64 = 4.0;
const ITERATIONS: usize = 15;

/// The fit with all terms at once.
#[derive(Debug, Clone)]
pub(super) struct RobustFit {
    /// Rows that are near enough.
    pub kept: Vec<bool>,
    /// Standard deviation of a usual row's noise, relative to mass.
    pub sd: f64,
    /// Rows kept less terms.
    pub freedom: f64,
}

/// Fits all terms and the best step by iterated biweight, sets aside what is far off, and fits the rest by least squares. The fit with all terms is the one
/// to judge by: whatever the causes are, what is left is noise.
///
/// `None` where there is no spread at all, or no rows are left.
pub(super) fn robust_fit(sample: &Sample) -> Option<RobustFit> {
    let n = sample.off.len();
    let mut weights = start(&sample.off);
    let mut terms: Vec<Vec<f64>> = sample.terms.iter().map(|it| it.column.clone()).collect();
    if sample.has_time {
        let (columns, set) = all_terms(sample, &terms, &weights);
        let gains = columns.step_gains(&set, FEWEST_ASIDE);
        if let Some((row, _)) = gains
            .into_iter()
            .max_by(|one, other| one.1.total_cmp(&other.1))
        {
            terms.push((0..n).map(|i| f64::from(u8::from(i >= row))).collect());
        }
    }
    for _ in 0..ITERATIONS {
        let residuals = plain_residuals(sample, &terms, &weights)?;
        let sd = 1.4826 * middle(residuals.iter().map(|it| it.abs()).collect());
        if sd <= 0.0 {
            break;
        }
        weights = residuals
            .iter()
            .map(|r| {
                let u = r / (BIWEIGHT_C * sd);
                if u.abs() < 1.0 {
                    (1.0 - u * u).powi(2)
                } else {
                    0.0
                }
            })
            .collect();
    }
    let mut sd = {
        let residuals = plain_residuals(sample, &terms, &weights)?;
        let sd = 1.4826 * middle(residuals.iter().map(|it| it.abs()).collect());
        weights = residuals
            .iter()
            .map(|r| f64::from(u8::from(r.abs() <= FAR * sd)))
            .collect();
        sd
    };
    let mut freedom = 0.0;
    for _ in 0..3 {
        let (columns, set) = all_terms(sample, &terms, &weights);
        let fit = columns.fit(&set)?;
        let kept = weights.iter().filter(|it| **it > 0.0).count();
        freedom = kept as f64 - set.len() as f64;
        if freedom < 5.0 {
            return None;
        }
        sd = (fit.squares / freedom).sqrt();
        let residuals = plain_residuals(sample, &terms, &weights)?;
        let again: Vec<f64> = residuals
            .iter()
            .map(|r| f64::from(u8::from(r.abs() <= FAR * sd)))
            .collect();
        if again == weights {
            break;
        }
        weights = again;
    }
    (sd > 0.0 && sd.is_finite()).then(|| RobustFit {
        kept: weights.iter().map(|it| *it > 0.0).collect(),
        sd,
        freedom,
    })
}

/// First weights: by distance from the median.
fn start(off: &[f64]) -> Vec<f64> {
    let centre = middle(off.to_vec());
    let sd = 1.4826 * middle(off.iter().map(|it| (it - centre).abs()).collect());
    off.iter()
        .map(|it| {
            let far = (it - centre).abs() / (6.0 * sd.max(f64::MIN_POSITIVE));
            if far < 1.0 { 1.0 } else { 1.0 / (far * far) }
        })
        .collect()
}

/// Sums with weights, and the terms that are no combination of those before them.
fn all_terms(sample: &Sample, terms: &[Vec<f64>], weights: &[f64]) -> (Columns, Vec<usize>) {
    let variance: Vec<f64> = sample
        .variance
        .iter()
        .zip(weights)
        .map(|(v, w)| if *w > 0.0 { v / w } else { f64::INFINITY })
        .collect();
    let columns = Columns::new(&sample.off, &variance, terms.iter().cloned());
    let mut set = Vec::new();
    for index in 0..terms.len() {
        set.push(index);
        if columns.fit(&set).is_none() {
            set.pop();
        }
    }
    (columns, set)
}

/// Residuals of all rows in units of a usual row's relative noise, by the fit with weights.
fn plain_residuals(sample: &Sample, terms: &[Vec<f64>], weights: &[f64]) -> Option<Vec<f64>> {
    let (columns, set) = all_terms(sample, terms, weights);
    let fit = columns.fit(&set)?;
    let rows = sample.off.iter().zip(&sample.variance).enumerate();
    Some(
        rows.map(|(i, (off, variance))| {
            let fitted: f64 = set
                .iter()
                .zip(&fit.coefficients)
                .map(|(k, c)| c * terms[*k][i])
                .sum();
            (off - fitted) / variance.sqrt()
        })
        .collect(),
    )
}
