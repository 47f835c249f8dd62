//! Small weighted least-squares problems.

use nalgebra::{SMatrix, SVector};

/// The solution of a weighted least-squares problem with `N` coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit<const N: usize> {
    /// The coefficients.
    pub coefficients: SVector<f64, N>,
    /// Inverse of the normal matrix; times the noise variance it is the coefficients' covariance.
    pub cofactor: SMatrix<f64, N, N>,
}

/// Least squares over `(regressors, observation, weight)` with a ridge on each coefficient.
///
/// `ridge[i]` is added to the normal matrix's diagonal: noise variance over prior variance, with a prior mean of 0.
/// `None` when the problem stays singular.
pub fn weighted_least_squares<const N: usize>(
    observations: impl IntoIterator<Item = ([f64; N], f64, f64)>,
    ridge: [f64; N],
) -> Option<Fit<N>> {
    let mut normal = SMatrix::<f64, N, N>::from_diagonal(&SVector::from(ridge));
    let mut right = SVector::<f64, N>::zeros();
    for (regressors, observation, weight) in observations {
        let row = SVector::<f64, N>::from(regressors);
        normal.ger(weight, &row, &row, 1.0);
        right.axpy(weight * observation, &row, 1.0);
    }
    let cholesky = normal.cholesky()?;
    Some(Fit {
        coefficients: cholesky.solve(&right),
        cofactor: cholesky.inverse(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plane_through_six_points() {
        // Ordinary least squares of six points, NumPy lstsq: z = 0.05453125 x − 0.01453125 y + 0.9646875.
        let points = [
            (0.0, 0.0, 1.0),
            (10.0, 0.0, 1.5),
            (0.0, 10.0, 0.8),
            (10.0, 10.0, 1.4),
            (5.0, 5.0, 1.1),
            (3.0, 7.0, 1.05),
        ];
        let fit = weighted_least_squares(points.map(|(x, y, z)| ([x, y, 1.0], z, 1.0)), [0.0; 3])
            .unwrap();
        for (found, expected) in
            fit.coefficients
                .iter()
                .zip([0.054_531_25, -0.014_531_25, 0.964_687_5])
        {
            assert!((found - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn a_singular_problem_has_no_solution() {
        let same = [([1.0, 2.0], 1.0, 1.0), ([2.0, 4.0], 2.0, 1.0)];
        assert!(weighted_least_squares(same, [0.0; 2]).is_none());
    }
}
