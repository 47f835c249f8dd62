//! Gauss–Legendre quadrature, for the volumes of unsampled shapes.

use std::f64::consts::PI;

/// Nodes and weights of the `n`-point Gauss–Legendre rule on [0, 1], by Newton's method on the Legendre polynomial
/// (Abramowitz and Stegun, Handbook of Mathematical Functions, 25.4.29 and 22.7.10).
pub(super) fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    let count = n as f64;
    (0..n)
        .map(|i| {
            let mut x = (PI * (i as f64 + 0.75) / (count + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..12 {
                let (mut p0, mut p1) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (p0, p1) = (p1, ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k);
                }
                slope = count * (x * p1 - p0) / (x * x - 1.0);
                x -= p1 / slope;
            }
            let weight = 2.0 / ((1.0 - x * x) * slope * slope);
            (0.5 * (1.0 - x), 0.5 * weight)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn polynomials_up_to_degree_2n_minus_1_are_exact() {
        // Abramowitz and Stegun 25.4.29: the n-point rule is exact to degree 2n - 1.
        let rule = gauss_legendre(6);
        for degree in 0..12 {
            let sum: f64 = rule.iter().map(|(x, w)| w * x.powi(degree)).sum();
            assert!(
                (sum - 1.0 / f64::from(degree + 1)).abs() < 1e-14,
                "{degree}"
            );
        }
    }
}
