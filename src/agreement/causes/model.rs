//! Sums over rows from which any set of columns can be fitted, and the search for a step.

use nalgebra::{DMatrix, DVector};

/// Columns and observations, each row already divided by its noise's relative standard deviation.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    /// One row's factor: `1/√variance`.
    pub factor: Vec<f64>,
    /// Observations times factor.
    pub observed: Vec<f64>,
    /// Columns times factor.
    pub columns: Vec<Vec<f64>>,
    /// Sums of products of columns.
    gram: Vec<Vec<f64>>,
    /// Sums of products of columns with observations.
    right: Vec<f64>,
    /// Sum of squared observations.
    total: f64,
}

/// A set of columns fitted.
#[derive(Debug, Clone)]
pub(super) struct SubsetFit {
    pub coefficients: Vec<f64>,
    /// Cofactor's diagonal.
    pub variances: Vec<f64>,
    /// Sum of squared residuals.
    pub squares: f64,
}

/// Share of a column that must be left after taking the others off.
const LEAST_OWN: f64 = 1e-9;

impl Columns {
    pub fn new(
        observed: &[f64],
        variance: &[f64],
        columns: impl Iterator<Item = Vec<f64>>,
    ) -> Self {
        let factor: Vec<f64> = variance.iter().map(|it| 1.0 / it.sqrt()).collect();
        let observed: Vec<f64> = observed.iter().zip(&factor).map(|(y, f)| y * f).collect();
        let total = dot(&observed, &observed);
        let mut made = Self {
            factor,
            observed,
            columns: Vec::new(),
            gram: Vec::new(),
            right: Vec::new(),
            total,
        };
        for column in columns {
            made.push(&column);
        }
        made
    }

    /// Adds a column and gives its place.
    pub fn push(&mut self, column: &[f64]) -> usize {
        let column: Vec<f64> = column
            .iter()
            .zip(&self.factor)
            .map(|(x, f)| x * f)
            .collect();
        let mut row: Vec<f64> = self
            .columns
            .iter()
            .map(|other| dot(other, &column))
            .collect();
        for (old, value) in self.gram.iter_mut().zip(&row) {
            old.push(*value);
        }
        row.push(dot(&column, &column));
        self.gram.push(row);
        self.right.push(dot(&column, &self.observed));
        self.columns.push(column);
        self.columns.len() - 1
    }

    /// Adds an observation that only one column knows of: its coefficient is `value`, with a precision of `weight` (in units of 1/noise
    /// variance of a usual row).
    pub fn observe_coefficient(&mut self, column: usize, value: f64, weight: f64) {
        self.gram[column][column] += weight;
        self.right[column] += weight * value;
        self.total += weight * value * value;
    }

    /// Fits a set of columns; `None` where one is all but a combination of the others.
    pub fn fit(&self, set: &[usize]) -> Option<SubsetFit> {
        let k = set.len();
        if k == 0 {
            return Some(SubsetFit {
                coefficients: Vec::new(),
                variances: Vec::new(),
                squares: self.total,
            });
        }
        // Scaled to a diagonal of 1, so that units do not matter.
        let scale: Vec<f64> = set.iter().map(|i| self.gram[*i][*i].sqrt()).collect();
        if scale.iter().any(|it| *it <= 0.0 || !it.is_finite()) {
            return None;
        }
        let normal = DMatrix::from_fn(k, k, |i, j| {
            self.gram[set[i]][set[j]] / (scale[i] * scale[j])
        });
        let right = DVector::from_fn(k, |i, _| self.right[set[i]] / scale[i]);
        let cholesky = normal.cholesky()?;
        let factor = cholesky.l_dirty();
        if (0..k).any(|i| factor[(i, i)].powi(2) < LEAST_OWN) {
            return None;
        }
        let solution = cholesky.solve(&right);
        let inverse = cholesky.inverse();
        Some(SubsetFit {
            squares: (self.total - solution.dot(&right)).max(0.0),
            coefficients: (0..k).map(|i| solution[i] / scale[i]).collect(),
            variances: (0..k)
                .map(|i| inverse[(i, i)] / (scale[i] * scale[i]))
                .collect(),
        })
    }

    /// Residuals of a fit, in units of a usual row's noise.
    pub fn residuals(&self, set: &[usize], fit: &SubsetFit) -> Vec<f64> {
        let mut rest = self.observed.clone();
        for (index, coefficient) in set.iter().zip(&fit.coefficients) {
            for (r, x) in rest.iter_mut().zip(&self.columns[*index]) {
                *r -= coefficient * x;
            }
        }
        rest
    }

    /// How much the sum of squares falls when a step before row `k` is added to a set of columns, for each `k` from `aside` to `n − aside`.
    ///
    /// The step's column is taken free of the set's columns, through running sums from the last row.
    pub fn step_gains(&self, set: &[usize], aside: usize) -> Vec<(usize, f64)> {
        let n = self.observed.len();
        let Some(fit) = self.fit(set) else {
            return Vec::new();
        };
        let k = set.len();
        let inverse = if k == 0 {
            DMatrix::zeros(0, 0)
        } else {
            let normal = DMatrix::from_fn(k, k, |i, j| self.gram[set[i]][set[j]]);
            match normal.cholesky() {
                Some(cholesky) => cholesky.inverse(),
                None => return Vec::new(),
            }
        };
        let rest = self.residuals(set, &fit);
        let mut with = vec![0.0; k];
        let (mut own, mut right) = (0.0, 0.0);
        let mut gains = Vec::new();
        for row in (1..n).rev() {
            let f = self.factor[row];
            own += f * f;
            right += f * rest[row];
            for (sum, index) in with.iter_mut().zip(set) {
                *sum += f * self.columns[*index][row];
            }
            if row < aside || n - row < aside {
                continue;
            }
            let shared: f64 = (0..k)
                .flat_map(|i| (0..k).map(move |j| (i, j)))
                .map(|(i, j)| with[i] * inverse[(i, j)] * with[j])
                .sum();
            let free = own - shared;
            if free > LEAST_OWN * own {
                gains.push((row, right * right / free));
            }
        }
        gains
    }
}

fn dot(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use nalgebra::DMatrix;

    use super::*;
    use crate::stats::least_squares;

    fn made() -> (Vec<f64>, Vec<Vec<f64>>) {
        let n = 60;
        let wave = |i: usize, k: usize| ((i * k) % 17) as f64 / 17.0 - 0.4;
        let columns = vec![
            vec![1.0; n],
            (0..n).map(|i| wave(i, 5)).collect(),
            (0..n).map(|i| i as f64 / n as f64).collect(),
        ];
        let observed = (0..n)
            .map(|i| 0.5 * wave(i, 3) + if i < 22 { 0.0 } else { 2.0 })
            .collect();
        (observed, columns)
    }

    #[test]
    fn a_subset_is_fitted_as_by_orthogonal_least_squares() {
        let (observed, columns) = made();
        let sums = Columns::new(&observed, &vec![1.0; 60], columns.clone().into_iter());
        let fit = sums.fit(&[0, 2]).unwrap();
        let design = DMatrix::from_fn(60, 2, |i, j| columns[2 * j][i]);
        let expected = least_squares(&design, &observed).unwrap();
        for i in 0..2 {
            assert!((fit.coefficients[i] - expected.coefficients[i]).abs() < 1e-10);
            assert!((fit.variances[i] - expected.cofactor[(i, i)]).abs() < 1e-10);
        }
        let squares: f64 = expected.residuals.iter().map(|r| r * r).sum();
        assert!((fit.squares - squares).abs() < 1e-9);
        assert!(sums.fit(&[0, 0]).is_none());
    }

    #[test]
    fn a_steps_gain_is_what_its_column_takes_off() {
        let (observed, columns) = made();
        let mut sums = Columns::new(&observed, &vec![1.0; 60], columns.into_iter());
        let before = sums.fit(&[0, 1]).unwrap().squares;
        let gains = sums.step_gains(&[0, 1], 5);
        let best = gains.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        assert_eq!(best.0, 22);
        let step: Vec<f64> = (0..60).map(|i| f64::from(u8::from(i >= 22))).collect();
        let at = sums.push(&step);
        let after = sums.fit(&[0, 1, at]).unwrap().squares;
        assert!((before - after - best.1).abs() < 1e-9);
    }

    #[test]
    fn a_coefficient_that_is_known_weighs_as_it_says() {
        let (observed, columns) = made();
        let mut sums = Columns::new(&observed, &vec![1.0; 60], columns.into_iter());
        sums.observe_coefficient(0, 7.0, 1e12);
        let fit = sums.fit(&[0]).unwrap();
        assert!((fit.coefficients[0] - 7.0).abs() < 1e-6);
    }
}
