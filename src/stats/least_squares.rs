//! Linear least squares with any number of coefficients.

use nalgebra::{DMatrix, DVector};

/// A linear model fitted by least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// Coefficients in the order of the columns.
    pub coefficients: Vec<f64>,
    /// `(XᵀX)⁻¹` of the columns as given; times the noise variance it is the coefficients' covariance.
    pub cofactor: DMatrix<f64>,
    /// Observed less fitted.
    pub residuals: Vec<f64>,
    /// Rows less columns.
    pub freedom: usize,
    /// Standard deviation of the residuals by `freedom`.
    pub residual_sd: f64,
}

impl LinearFit {
    /// Standard error of a coefficient by the residuals' spread; `None` where there is no such coefficient.
    #[must_use]
    pub fn standard_error(&self, index: usize) -> Option<f64> {
        (index < self.coefficients.len())
            .then(|| self.residual_sd * self.cofactor[(index, index)].max(0.0).sqrt())
    }
}

/// Smallest diagonal entry of R, relative to a column's length, at which a column still counts as one of its own.
const LEAST_OWN: f64 = 1e-11;

/// Fits `observed` by the columns of `design`, by Householder's QR of columns scaled to the same length, which keeps about twice the
/// digits of the normal equations (Golub and Van Loan, *Matrix Computations*, ch. 5).
///
/// `None` where rows and observations differ in number, there are not more rows than columns, a number is not finite, or a column is all
/// but a combination of others.
#[must_use]
pub fn least_squares(design: &DMatrix<f64>, observed: &[f64]) -> Option<LinearFit> {
    let (rows, columns) = design.shape();
    let sound = design.iter().chain(observed).all(|value| value.is_finite());
    if rows != observed.len() || rows <= columns || columns == 0 || !sound {
        return None;
    }
    let mut scaled = design.clone();
    let mut lengths = Vec::with_capacity(columns);
    for mut column in scaled.column_iter_mut() {
        let length = column.norm();
        if length <= 0.0 {
            return None;
        }
        column /= length;
        lengths.push(length);
    }
    let qr = scaled.clone().qr();
    let r = qr.r();
    if (0..columns).any(|i| r[(i, i)].abs() < LEAST_OWN) {
        return None;
    }
    let mut right = DVector::from_column_slice(observed);
    qr.q_tr_mul(&mut right);
    let mut solution = right.rows(0, columns).into_owned();
    if !r.solve_upper_triangular_mut(&mut solution) {
        return None;
    }
    let inverse = r.clone().try_inverse()?;
    let mut cofactor = &inverse * inverse.transpose();
    for i in 0..columns {
        for j in 0..columns {
            cofactor[(i, j)] /= lengths[i] * lengths[j];
        }
    }
    let fitted = &scaled * &solution;
    let residuals: Vec<f64> = observed
        .iter()
        .zip(fitted.iter())
        .map(|(y, f)| y - f)
        .collect();
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    let freedom = rows - columns;
    Some(LinearFit {
        coefficients: solution
            .iter()
            .zip(&lengths)
            .map(|(b, length)| b / length)
            .collect(),
        cofactor,
        residuals,
        freedom,
        residual_sd: (squares / freedom as f64).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plane_through_six_points() {
        // NumPy lstsq: z = 0.05453125 x − 0.01453125 y + 0.9646875.
        let design = DMatrix::from_row_slice(
            6,
            3,
            &[
                0.0, 0.0, 1.0, 10.0, 0.0, 1.0, 0.0, 10.0, 1.0, 10.0, 10.0, 1.0, 5.0, 5.0, 1.0, 3.0,
                7.0, 1.0,
            ],
        );
        let fit = least_squares(&design, &[1.0, 1.5, 0.8, 1.4, 1.1, 1.05]).unwrap();
        for (found, expected) in
            fit.coefficients
                .iter()
                .zip([0.054_531_25, -0.014_531_25, 0.964_687_5])
        {
            assert!((found - expected).abs() < 1e-13);
        }
        assert_eq!(fit.freedom, 3);
    }

    #[test]
    fn columns_that_say_the_same_are_refused() {
        let design = DMatrix::from_row_slice(3, 2, &[1.0, 2.0, 2.0, 4.0, 3.0, 6.0]);
        assert_eq!(least_squares(&design, &[1.0, 2.0, 3.0]), None);
        let empty = DMatrix::from_row_slice(3, 2, &[1.0, 0.0, 2.0, 0.0, 3.0, 0.0]);
        assert_eq!(least_squares(&empty, &[1.0, 2.0, 3.0]), None);
        let fine = DMatrix::from_row_slice(3, 1, &[1.0, 2.0, 3.0]);
        assert_eq!(least_squares(&fine, &[1.0, f64::NAN, 3.0]), None);
        assert_eq!(least_squares(&fine, &[1.0, 2.0]), None);
    }
}
