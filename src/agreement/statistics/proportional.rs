//! Whether the difference, and its spread, grow with the mass.

use serde::Serialize;

use super::Estimated;
use crate::stats::{fit_line, student_quantile};

/// Difference against mean of the two masses.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Proportional {
    /// How the difference grows with the mean, g per g.
    pub slope: Estimated,
    /// Difference at a mean of 0 by that line, g.
    pub intercept_g: Estimated,
    /// Standard deviation about the line, g.
    pub residual_sd_g: f64,
    /// How the standard deviation of the difference grows with the mean, g per g.
    pub sd_slope: Estimated,
}

/// Fits the line of differences against means of `(estimate, weighed)` (Bland and Altman 1986), and of the sizes of the residuals, times √(π/2),
/// against means (Bland and Altman 1999): their slope is how the standard deviation grows.
///
/// A slope also comes from one side being noisier than the other (`Var(est) ≠ Var(weighed)`), so it is no proof of a wrong scale by itself.
/// `None` with fewer than four pairs, or all of one mean.
#[must_use]
pub fn proportional_bias(pairs: &[(f64, f64)]) -> Option<Proportional> {
    if pairs.len() < 4 {
        return None;
    }
    let points: Vec<(f64, f64, f64)> = pairs
        .iter()
        .map(|(estimate, weighed)| (f64::midpoint(*estimate, *weighed), estimate - weighed, 1.0))
        .collect();
    let line = fit_line(&points)?;
    let t = student_quantile(0.95, line.freedom);
    let sizes: Vec<(f64, f64, f64)> = points
        .iter()
        .map(|&(mean, difference, weight)| {
            let size = (difference - line.at(mean)).abs();
            (mean, size * std::f64::consts::FRAC_PI_2.sqrt(), weight)
        })
        .collect();
    let spread = fit_line(&sizes)?;
    Some(Proportional {
        slope: Estimated::about(line.slope, t * line.slope_se),
        intercept_g: Estimated::about(line.intercept, t * line.intercept_se),
        residual_sd_g: line.residual_sd,
        sd_slope: Estimated::about(spread.slope, t * spread.slope_se),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_scale_is_a_slope_and_an_even_difference_is_none() {
        let wave = |i: i32| f64::from((i * 7) % 5 - 2) * 0.1;
        let scaled: Vec<(f64, f64)> = (0..60)
            .map(|i| (f64::from(100 + i), f64::from(100 + i) / 1.02 + wave(i)))
            .collect();
        let found = proportional_bias(&scaled).unwrap();
        // Difference over mean: 0.02/1.02 over (1 + 1/1.02)/2.
        assert!(found.slope.holds(0.02 / 1.02 / (1.0 + 1.0 / 1.02) * 2.0));
        assert!(found.slope.low > 0.015);
        let even: Vec<(f64, f64)> = (0..60)
            .map(|i| (f64::from(100 + i) + 1.0 + wave(i), f64::from(100 + i)))
            .collect();
        assert!(proportional_bias(&even).unwrap().slope.holds(0.0));
    }

    #[test]
    fn one_mass_has_no_slope() {
        assert_eq!(proportional_bias(&[(150.0, 149.0); 9]), None);
        assert_eq!(
            proportional_bias(&[(1.0, 2.0), (2.0, 3.0), (3.0, 4.0)]),
            None
        );
    }
}
