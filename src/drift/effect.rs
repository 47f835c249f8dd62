//! What changed errors of the scanner do to volume and weight while nothing is corrected: closed form.
//!
//! A piece is measured with the calibration in force (errors E₀) by a scanner whose errors have become E₁. Truth goes forward
//! through E₁ and back through E₀. Each of the two is, up to bow and offset, a linear map of (x, y, z) with the determinant
//!
//! ```text
//! D = across_scale · along_scale · (height_scale − pitch · lean)
//! ```
//!
//! Roll, pitch, bow and height offset move the belt under a piece as they move the piece, and heights are measured from the
//! belt that is found anew in each scan. Skew and lean shear the piece, which keeps its volume; only what a leaning view
//! takes from or adds to upright walls is left, at most `½·|Δlean|·height/length`. So measured over true volume is D₁/D₀.
//! The calibration's numbers are what the program divides by: they are known exactly, whatever the scanner's errors were, so
//! only the found errors are uncertain.

use super::instrument::{ERROR_NAMES, errors_from_list, errors_to_list};
use super::report::{ParameterEffect, WeightEffect};
use crate::calibration::GeometricErrors;

/// Variances and covariances of the nine errors in the order and the units of the calibration file.
pub type ErrorCovariance = [[f64; 9]; 9];

const PER_MRAD: f64 = 1e-3;

/// The relative change of every estimated volume (and weight, where the weight fit has no offset) that the change from
/// `baseline` to `found` causes if measuring goes on with `baseline`, with its standard uncertainty.
///
/// `covariance` is that of `found`. An error that the scan could not tell goes in with its baseline value and with the
/// variance it is believed to have. Source of the propagation: JCGM 100:2008 (GUM), 5.2.2.
#[must_use]
pub fn weight_effect(
    baseline: &GeometricErrors,
    found: &GeometricErrors,
    covariance: &ErrorCovariance,
) -> WeightEffect {
    let before = determinant(baseline);
    let relative = determinant(found) / before - 1.0;
    let by_all = slope(found).map(|by| by / before);
    let variance: f64 = (0..9)
        .flat_map(|i| (0..9).map(move |j| (i, j)))
        .map(|(i, j)| by_all[i] * covariance[i][j] * by_all[j])
        .sum();
    let share = |(index, (name, errors)): (usize, (&str, GeometricErrors))| {
        let by_one = slope(&errors)[index] / before;
        ParameterEffect {
            name: name.to_owned(),
            relative: determinant(&errors) / before - 1.0,
            relative_u: by_one.abs() * covariance[index][index].max(0.0).sqrt(),
        }
    };
    let alone = ERROR_NAMES.into_iter().zip(one_at_a_time(baseline, found));
    let by_parameter = alone.enumerate().map(share).collect();
    WeightEffect {
        relative,
        relative_u: variance.max(0.0).sqrt(),
        by_parameter,
        per_product: Vec::new(),
    }
}

/// A covariance without correlations from standard uncertainties.
#[must_use]
pub fn uncorrelated(u: &GeometricErrors) -> ErrorCovariance {
    let u = errors_to_list(u);
    std::array::from_fn(|i| std::array::from_fn(|j| if i == j { u[i] * u[i] } else { 0.0 }))
}

/// Measured over true volume of a scanner with these errors and no calibration.
fn determinant(errors: &GeometricErrors) -> f64 {
    errors.across_scale * errors.along_scale * upright(errors)
}

/// What becomes of a height under pitch and lean together.
fn upright(errors: &GeometricErrors) -> f64 {
    errors.height_scale - PER_MRAD * errors.pitch_mrad * PER_MRAD * errors.lean_mrad
}

/// Derivatives of [`determinant`] by the nine errors.
fn slope(errors: &GeometricErrors) -> [f64; 9] {
    let area = errors.across_scale * errors.along_scale;
    let both = -area * PER_MRAD * PER_MRAD;
    [
        errors.along_scale * upright(errors),
        errors.across_scale * upright(errors),
        area,
        0.0,
        0.0,
        both * errors.lean_mrad,
        0.0,
        0.0,
        both * errors.pitch_mrad,
    ]
}

/// The baseline with one error as found, for each of the nine.
fn one_at_a_time(baseline: &GeometricErrors, found: &GeometricErrors) -> [GeometricErrors; 9] {
    let (before, after) = (errors_to_list(baseline), errors_to_list(found));
    std::array::from_fn(|i| {
        let mut one = before;
        one[i] = after[i];
        errors_from_list(&one)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::FrameGeometry;

    const BEFORE: GeometricErrors = GeometricErrors {
        across_scale: 1.001,
        along_scale: 0.998,
        height_scale: 0.997,
        height_offset_mm: 0.12,
        roll_mrad: 0.6,
        pitch_mrad: -4.1,
        bow_mm: 0.08,
        skew_mrad: 1.5,
        lean_mrad: 4.0,
    };
    const AFTER: GeometricErrors = GeometricErrors {
        across_scale: 0.9985,
        along_scale: 1.0011,
        height_scale: 1.002,
        height_offset_mm: -0.3,
        roll_mrad: 3.6,
        pitch_mrad: 4.9,
        bow_mm: -0.4,
        skew_mrad: -3.5,
        lean_mrad: -5.0,
    };

    /// Outside reference: the model itself. A small tetrahedron goes forward through the new errors and back through the
    /// old ones; the triple product of its edges is its volume.
    #[test]
    fn the_closed_form_is_the_volume_of_a_body_taken_through_the_model() {
        let frame = FrameGeometry {
            cx_mm: 300.0,
            cy_mm: 500.0,
            half_width_mm: 300.0,
        };
        let through = |point: [f64; 3]| BEFORE.invert(AFTER.apply(point, &frame), &frame);
        // At the frame's middle the bow is level.
        let corner = [300.0, 480.0, 10.0];
        let step = 1e-3;
        let origin = through(corner);
        let edges = [0, 1, 2].map(|axis| {
            let mut point = corner;
            point[axis] += step;
            let there = through(point);
            nalgebra::Vector3::from_fn(|i, _| (there[i] - origin[i]) / step)
        });
        let ratio = edges[0].dot(&edges[1].cross(&edges[2]));
        let effect = weight_effect(&BEFORE, &AFTER, &[[0.0; 9]; 9]);
        assert!(
            (effect.relative - (ratio - 1.0)).abs() < 1e-9,
            "{} {ratio}",
            effect.relative
        );
    }

    #[test]
    fn shares_say_which_error_it_is() {
        let mut after = BEFORE;
        after.along_scale *= 1.0031;
        let effect = weight_effect(&BEFORE, &after, &[[0.0; 9]; 9]);
        assert!((effect.relative - 0.0031).abs() < 1e-12);
        assert_eq!(effect.by_parameter.len(), 9);
        for share in &effect.by_parameter {
            let expected = if share.name == "along_scale" {
                0.0031
            } else {
                0.0
            };
            assert!((share.relative - expected).abs() < 1e-12, "{share:?}");
        }
        // Half a millimetre of bow and 5 mrad of roll weigh nothing.
        after = BEFORE;
        after.bow_mm += 0.5;
        after.roll_mrad += 5.0;
        after.height_offset_mm += 1.0;
        after.skew_mrad += 5.0;
        let effect = weight_effect(&BEFORE, &after, &[[0.0; 9]; 9]);
        assert_eq!(effect.relative, 0.0);
    }

    /// Outside reference: the rule for products, relative variances add (JCGM 100:2008, 5.1.6).
    #[test]
    fn relative_variances_of_the_scales_add() {
        let u = GeometricErrors {
            across_scale: 3e-4,
            along_scale: 4e-4,
            height_scale: 12e-4,
            ..GeometricErrors::ZERO
        };
        let none = GeometricErrors::NONE;
        let effect = weight_effect(&none, &none, &uncorrelated(&u));
        assert!((effect.relative_u - 13e-4).abs() < 1e-12);
        assert!((effect.by_parameter[1].relative_u - 4e-4).abs() < 1e-15);
        // Full correlation of two scales adds their uncertainties instead.
        let mut covariance = uncorrelated(&u);
        covariance[0][1] = 12e-8;
        covariance[1][0] = 12e-8;
        let effect = weight_effect(&none, &none, &covariance);
        assert!((effect.relative_u - (7e-4_f64.powi(2) + 12e-4_f64.powi(2)).sqrt()).abs() < 1e-12);
    }
}
