//! White balance and 3×3 correction from colours that are known, in linear light.

use nalgebra::{DMatrix, Matrix3, Matrix4, Vector3, Vector4};

use crate::{Error, ErrorKind, Result};

/// A colour as the camera gave it and as it should be, both in linear RGB.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourPair {
    /// As the camera gave it.
    pub seen: [f64; 3],
    /// As it should be.
    pub wanted: [f64; 3],
}

/// Colours spread too little for a matrix when the third singular value of what was seen is below this share of the first:
/// noise of half a percent would then show several times enlarged in the matrix (our own choice, no source).
const LEAST_SPREAD: f64 = 0.02;

/// Factors on R, G and B that bring the seen colours nearest to the wanted ones (least squares, channel by channel).
///
/// For one neutral patch it is wanted over seen, the textbook white balance. `None` without light in a channel.
#[must_use]
pub fn balance_gains(pairs: &[ColourPair]) -> Option<[f64; 3]> {
    let mut gains = [0.0; 3];
    for (channel, gain) in gains.iter_mut().enumerate() {
        let both = pairs
            .iter()
            .map(|pair| (pair.seen[channel], pair.wanted[channel]));
        let (across, square) = both.fold((0.0, 0.0), |(a, s), (seen, wanted)| {
            (a + seen * wanted, s + seen * seen)
        });
        *gain = across / square;
    }
    gains
        .iter()
        .all(|gain| gain.is_finite() && *gain > 0.0)
        .then_some(gains)
}

/// The matrix M for which `M · seen` comes nearest to `wanted` (least squares over all pairs).
///
/// With `white` that pair comes out exactly and the rest as near as that allows.
///
/// # Errors
/// [`ErrorKind::Unmeasurable`] with fewer than three colours, or colours that lie too near a plane: greys alone tell
/// nothing of how the channels mix.
pub fn fit_matrix(pairs: &[ColourPair], white: Option<ColourPair>) -> Result<[[f64; 3]; 3]> {
    let refuse = |found: String| {
        Err(Error::new(ErrorKind::Unmeasurable, found).expected(
            "expected at least three colours that differ in hue, such as red, green and blue",
        ))
    };
    if pairs.len() < 3 {
        return refuse(format!("{} colours for a 3×3 correction", pairs.len()));
    }
    let seen = DMatrix::from_fn(pairs.len(), 3, |i, channel| pairs[i].seen[channel]);
    if !seen.iter().all(|value| value.is_finite()) {
        return refuse("a colour that is no number".to_owned());
    }
    let mut sizes: Vec<f64> = seen.singular_values().iter().copied().collect();
    sizes.sort_by(|one, other| other.total_cmp(one));
    if sizes[2] < LEAST_SPREAD * sizes[0] || sizes[0] == 0.0 {
        return refuse(format!(
            "{} colours of nearly one hue for a 3×3 correction",
            pairs.len()
        ));
    }
    let mut normal = Matrix3::zeros();
    let mut right = [Vector3::zeros(); 3];
    for pair in pairs {
        let seen = Vector3::from(pair.seen);
        normal += seen * seen.transpose();
        for (right, wanted) in right.iter_mut().zip(pair.wanted) {
            *right += seen * wanted;
        }
    }
    let solve = |row: usize| match white {
        None => normal.lu().solve(&right[row]),
        Some(white) => {
            // The white is a condition with a Lagrange multiplier.
            let w = Vector3::from(white.seen);
            let mut system = Matrix4::zeros();
            system.fixed_view_mut::<3, 3>(0, 0).copy_from(&normal);
            system.fixed_view_mut::<3, 1>(0, 3).copy_from(&w);
            system
                .fixed_view_mut::<1, 3>(3, 0)
                .copy_from(&w.transpose());
            let r = right[row];
            let right = Vector4::new(r.x, r.y, r.z, white.wanted[row]);
            system
                .lu()
                .solve(&right)
                .map(|s| Vector3::new(s.x, s.y, s.z))
        }
    };
    match (solve(0), solve(1), solve(2)) {
        (Some(red), Some(green), Some(blue)) => Ok([red, green, blue].map(Into::into)),
        _ => refuse("colours that allow no solution for a 3×3 correction".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(seen: [f64; 3], wanted: [f64; 3]) -> ColourPair {
        ColourPair { seen, wanted }
    }

    /// Grey world, worked by hand: four pixels with the channel means 110, 115 and 97.5.
    #[test]
    fn gains_of_the_grey_world() {
        let pixels = [
            [100.0, 120.0, 80.0],
            [200.0, 180.0, 160.0],
            [50.0, 60.0, 40.0],
            [90.0, 100.0, 110.0],
        ];
        let mean: [f64; 3] =
            std::array::from_fn(|c| pixels.iter().map(|p: &[f64; 3]| p[c]).sum::<f64>() / 4.0);
        assert_eq!(mean, [110.0, 115.0, 97.5]);
        let overall = mean.iter().sum::<f64>() / 3.0;
        let gains = balance_gains(&[pair(mean, [overall; 3])]).expect("light");
        let expected = [0.977_272_73, 0.934_782_61, 1.102_564_10];
        let to_green = [1.045_454_55, 1.0, 1.179_487_18];
        for c in 0..3 {
            assert!((gains[c] - expected[c]).abs() < 5e-9);
            assert!((gains[c] / gains[1] - to_green[c]).abs() < 5e-9);
        }
        assert_eq!(balance_gains(&[pair([0.0, 1.0, 1.0], [1.0; 3])]), None);
        assert_eq!(balance_gains(&[]), None);
    }

    const PATCHES: [[f64; 3]; 5] = [
        [0.9, 0.88, 0.85],
        [0.30, 0.05, 0.06],
        [0.08, 0.25, 0.09],
        [0.03, 0.06, 0.31],
        [0.5, 0.4, 0.1],
    ];

    #[test]
    fn a_white_that_must_stay_stays() {
        let mut pairs: Vec<ColourPair> = PATCHES
            .iter()
            .map(|seen| pair(*seen, [0.9 * seen[0], 1.1 * seen[1], 0.05 + seen[2]]))
            .collect();
        pairs[3].wanted[0] += 0.03;
        let white = pair([0.8, 0.9, 0.7], [0.82, 0.82, 0.82]);
        let matrix = fit_matrix(&pairs, Some(white)).expect("spread");
        for row in matrix {
            let made: f64 = row.iter().zip(white.seen).map(|(m, s)| m * s).sum();
            assert!((made - 0.82).abs() < 1e-12);
        }
        // Rows that sum to one keep every grey grey, once the white is balanced.
        let matrix = fit_matrix(&pairs, Some(pair([1.0; 3], [1.0; 3]))).expect("spread");
        for row in matrix {
            assert!((row.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn greys_and_too_few_colours_are_refused() {
        let grey = |level: f64| pair([level, 1.01 * level, 0.98 * level], [level; 3]);
        let error = fit_matrix(&[grey(0.1), grey(0.4), grey(0.9), grey(0.6)], None).unwrap_err();
        assert!(error.to_string().contains("hue"), "{error}");
        let error = fit_matrix(&[pair(PATCHES[1], PATCHES[1]); 2], None).unwrap_err();
        assert!(error.to_string().contains("2 colours"), "{error}");
        assert!(fit_matrix(&[pair([f64::NAN; 3], [0.0; 3]); 3], None).is_err());
    }
}
