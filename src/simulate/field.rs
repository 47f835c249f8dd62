//! Smooth random fields over a piece or the belt.

use rand::Rng;
use rand_distr::{Distribution, StandardNormal};

/// Lattice nodes along each side, a power of two; the field repeats after that many cells.
const SIDE: usize = 32;

/// Standard deviation of a uniform cubic B-spline of unit white lattice values, averaged over the cell:
/// the square of the one-dimensional kernel integrates to 151/315, once for each axis.
const SPLINE_SD: f64 = 151.0 / 315.0;

/// A twice differentiable random field of mean about 0 and standard deviation about 1.
///
/// It is a uniform cubic B-spline (C. de Boor, A Practical Guide to Splines, 1978) over a lattice of standard normal
/// values, repeated every 32 cells.
#[derive(Debug, Clone, PartialEq)]
pub struct SmoothField {
    cell_mm: f64,
    lattice: Vec<f32>,
    most: f64,
}

impl SmoothField {
    /// A field whose features are about `cell_mm` in size.
    pub fn new(cell_mm: f64, rng: &mut impl Rng) -> Self {
        let lattice: Vec<f32> = (0..SIDE * SIDE)
            .map(|_| {
                let value: f64 = StandardNormal.sample(rng);
                (value / SPLINE_SD) as f32
            })
            .collect();
        let most = f64::from(lattice.iter().fold(0.0_f32, |most, v| most.max(v.abs())));
        Self {
            cell_mm,
            lattice,
            most,
        }
    }

    /// No value of the field is larger in magnitude, because its weights are positive and sum to 1.
    pub(super) fn most(&self) -> f64 {
        self.most
    }

    /// The field at (u, v), mm.
    pub fn at(&self, u_mm: f64, v_mm: f64) -> f64 {
        let (iu, wu) = weights(u_mm / self.cell_mm);
        let (iv, wv) = weights(v_mm / self.cell_mm);
        let mut sum = 0.0_f32;
        for (j, weight_v) in wv.iter().enumerate() {
            let row = ((iv + j) & (SIDE - 1)) * SIDE;
            let mut line = 0.0_f32;
            for (i, weight_u) in wu.iter().enumerate() {
                line += weight_u * self.lattice[row + ((iu + i) & (SIDE - 1))];
            }
            sum += weight_v * line;
        }
        f64::from(sum)
    }
}

/// First lattice node and the four B-spline weights there.
fn weights(t: f64) -> (usize, [f32; 4]) {
    let floor = t.floor();
    let f = (t - floor) as f32;
    let g = 1.0 - f;
    let f2 = f * f;
    let f3 = f2 * f;
    let node = (floor as i64 & (SIDE as i64 - 1)) as usize;
    (
        node,
        [
            g * g * g / 6.0,
            (3.0 * f3 - 6.0 * f2 + 4.0) / 6.0,
            (-3.0 * f3 + 3.0 * f2 + 3.0 * f + 1.0) / 6.0,
            f3 / 6.0,
        ],
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    #[test]
    fn a_field_has_about_zero_mean_and_unit_spread() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let field = SmoothField::new(3.0, &mut rng);
        let side = 320;
        let values: Vec<f64> = (0..side * side)
            .map(|i| field.at(0.3 * f64::from(i % side), 0.3 * f64::from(i / side)))
            .collect();
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
        // 1024 lattice values: their mean is known to 1/(32·0.48) = 0.065, the spread to a few percent.
        assert!(mean.abs() < 0.25, "{mean}");
        assert!((0.8..1.2).contains(&variance.sqrt()), "{variance}");
    }

    #[test]
    fn a_field_is_smooth_across_the_lattice() {
        let field = SmoothField::new(2.0, &mut ChaCha8Rng::seed_from_u64(1));
        for node in -40..40 {
            let u = 2.0 * f64::from(node);
            assert!((field.at(u - 1e-6, 0.7) - field.at(u + 1e-6, 0.7)).abs() < 1e-4);
        }
    }
}
