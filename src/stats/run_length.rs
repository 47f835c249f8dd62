//! Average run lengths: how many values a chart takes on average until it calls, by chance alone or after a shift.
//!
//! Values are independent and normal, and centre and spread of the chart are known. A chart whose limits were set from
//! a few values calls sooner or later than that.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, Normal};

use super::control::{Cusum, Ewma};

/// Points in control until the first call by any of the four Western Electric rules (Champ and Woodall 1987,
/// Technometrics 29:393).
pub const WESTERN_ELECTRIC_RUN_LENGTH: f64 = 91.75;

/// States into which the range of a chart's statistic is cut: within 0.1 % of the integral equations for λ from 0.1 up
/// (`tests/reference/charts.rs`).
const STATES: usize = 201;

fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Average run length of an individuals chart with limits at ± `width` standard deviations, after a shift of the mean
/// by `shift` standard deviations.
#[must_use]
pub fn shewhart_run_length(width: f64, shift: f64) -> f64 {
    1.0 / (normal_cdf(-width - shift) + normal_cdf(-width + shift))
}

/// Average run length of an EWMA chart with its steady limits, started at the centre, after a shift of the mean by
/// `shift` standard deviations.
///
/// A Markov chain over the average's range (Lucas and Saccucci 1990, Technometrics 32:1). `None` where the settings
/// give no chain.
#[must_use]
pub fn ewma_run_length(ewma: &Ewma, shift: f64) -> Option<f64> {
    let half = ewma.steady_half_width(1.0);
    let step = 2.0 * half / STATES as f64;
    let middle = |state: usize| -half + (state as f64 + 0.5) * step;
    let stays = DMatrix::from_fn(STATES, STATES, |from, to| {
        let reach = |edge: f64| (edge - (1.0 - ewma.lambda) * middle(from)) / ewma.lambda - shift;
        normal_cdf(reach(middle(to) + step / 2.0)) - normal_cdf(reach(middle(to) - step / 2.0))
    });
    run_length_from(STATES / 2, stays)
}

/// Average run length of a two-sided tabular CUSUM, started at 0, after a shift of the mean by `shift` standard
/// deviations.
///
/// A Markov chain for each side (Brook and Evans 1972, Biometrika 59:539), joined by 1/ARL = 1/ARL⁺ + 1/ARL⁻ (Kemp
/// 1961). `None` where the settings give no chain.
#[must_use]
pub fn cusum_run_length(cusum: &Cusum, shift: f64) -> Option<f64> {
    let side = |shift: f64| {
        let step = 2.0 * cusum.decision / (2 * STATES - 1) as f64;
        let stays = DMatrix::from_fn(STATES, STATES, |from, to| {
            let reach =
                |edge: f64| (edge + to as f64 - from as f64) * step + cusum.allowance - shift;
            // The lowest state holds all that would fall below 0.
            match to {
                0 => normal_cdf(reach(0.5)),
                _ => normal_cdf(reach(0.5)) - normal_cdf(reach(-0.5)),
            }
        });
        run_length_from(0, stays)
    };
    Some(1.0 / (1.0 / side(shift)? + 1.0 / side(-shift)?))
}

/// Mean number of steps from state `start` until the chain leaves all states: a row of (I − Q)⁻¹·1.
fn run_length_from(start: usize, stays: DMatrix<f64>) -> Option<f64> {
    let states = stays.nrows();
    let steps = (DMatrix::identity(states, states) - stays)
        .lu()
        .solve(&DVector::from_element(states, 1.0))?;
    steps.get(start).copied().filter(|it| it.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_sigma_limits_call_once_in_370() {
        assert!((shewhart_run_length(3.0, 0.0) - 370.398).abs() < 1e-3);
    }

    #[test]
    fn a_larger_shift_is_called_sooner() {
        let ewma = Ewma {
            lambda: 0.2,
            width: 2.962,
        };
        let cusum = Cusum {
            allowance: 0.5,
            decision: 5.0,
        };
        for step in 0..8 {
            let (less, more) = (f64::from(step) * 0.25, f64::from(step + 1) * 0.25);
            assert!(ewma_run_length(&ewma, more) < ewma_run_length(&ewma, less));
            assert!(cusum_run_length(&cusum, more) < cusum_run_length(&cusum, less));
            assert!(shewhart_run_length(3.0, more) < shewhart_run_length(3.0, less));
        }
    }
}
