//! Length of a footprint's outline.

use std::f64::consts::FRAC_PI_2;

use ndarray::Array2;

use super::spans::{Spans, row_of, spans};
use crate::surface::SurfaceGrid;

/// Length of the outline by Cauchy and Crofton: the number of times that lines in four directions cross it.
///
/// `L = ½·Σ Δθ·N·d` over rows, columns and both diagonals, with line spacing `d` and the angle `Δθ` each direction stands for
/// (G. Lehmann and D. Legland, "Efficient N-dimensional surface estimation using Crofton formula and run-length
/// encoding", 2012, section 2). Good to some 1 to 5 % whatever the outline's direction, where counting cell sides is off by up to 41 %.
pub fn perimeter_mm(covered: &Array2<bool>, grid: &SurfaceGrid) -> f64 {
    perimeter_of(covered, &spans(covered), grid)
}

/// The same, with the spans of the covered cells at hand.
pub(super) fn perimeter_of(covered: &Array2<bool>, spans: &Spans, grid: &SurfaceGrid) -> f64 {
    let (px, py) = (grid.pitch_across_mm, grid.pitch_along_mm);
    let (Some((first, _)), Some((last, _))) = (spans.first(), spans.last()) else {
        return 0.0;
    };
    let left = spans.iter().map(|(_, span)| span.start).min();
    let right = spans.iter().map(|(_, span)| span.end).max();
    let window = left.unwrap_or(0)..right.unwrap_or(0);
    let columns = window.len();
    // Rows with a cell outside on either side, and a row outside above and below.
    let mut here = vec![false; columns + 2];
    let mut below = vec![false; columns + 2];
    let mut crossings = [0_u64; 4];
    for row in *first..=last + 1 {
        if row <= *last {
            below[1..=columns].copy_from_slice(row_of(covered, row, &window));
        } else {
            below.fill(false);
        }
        let (here_left, here_right) = (&here[..=columns], &here[1..]);
        let (below_left, below_right) = (&below[..=columns], &below[1..]);
        crossings[0] += differing(here_left, here_right);
        crossings[1] += differing(here_left, below_left);
        crossings[2] += differing(here_left, below_right);
        crossings[3] += differing(here_right, below_left);
        std::mem::swap(&mut here, &mut below);
    }
    let diagonal = (py / px).atan();
    let spacing = px * py / px.hypot(py);
    let terms = [
        (diagonal, py),
        (FRAC_PI_2 - diagonal, px),
        (FRAC_PI_2 / 2.0, spacing),
        (FRAC_PI_2 / 2.0, spacing),
    ];
    let sum: f64 = terms
        .iter()
        .zip(crossings)
        .map(|(&(angle, d), n)| angle * d * n as f64)
        .sum();
    sum / 2.0
}

/// Number of places at which two rows differ.
fn differing(one: &[bool], two: &[bool]) -> u64 {
    // Blocks short enough for sums of bytes.
    one.chunks(128)
        .zip(two.chunks(128))
        .map(|(one, two)| {
            let pairs = one.iter().zip(two);
            u64::from(pairs.fold(0_u8, |sum, (&a, &b)| sum + u8::from(a ^ b)))
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::super::outline::tests::{GRID, cells};
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn a_circle_has_its_circumference() {
        let covered = cells(|x, y| x.hypot(y) < 50.0);
        let error = perimeter_mm(&covered, &GRID) / (100.0 * PI) - 1.0;
        assert!(error.abs() < 0.01, "{error}");
    }
}
