//! Fills gaps that are no shadows.

use ndarray::Array2;

use super::CellState;
use super::gaps::Gap;

/// How much less a line that ends in nothing counts: beyond the last seen cell there is only belt to believe in.
const OPEN_LINE_SPAN: f32 = 4.0;

/// Cells between the seen ends of the shorter line across a dropout, at most; beyond it is a gap that nothing explains.
const LONGEST_DROPOUT: f32 = 6.0;

/// Fills what is missing, all of which lies in `gaps` along the columns, from the nearest seen cells along the row and along the
/// column: straight lines across the gap, weighted by the inverse square of its length.
pub fn fill(heights_mm: &mut Array2<f32>, states: &mut Array2<CellState>, gaps: &[Gap]) {
    let cells = gaps.iter().flat_map(Gap::cells);
    let missing: Vec<(usize, usize)> = cells.filter(|&at| heights_mm[at].is_nan()).collect();
    let fills: Vec<(f32, f32)> = missing
        .iter()
        .map(|&at| height_mm(heights_mm, at))
        .collect();
    for (cell, (height, shortest)) in missing.into_iter().zip(fills) {
        heights_mm[cell] = height;
        if shortest > LONGEST_DROPOUT {
            states[cell] = CellState::Gap;
        }
    }
}

/// Height of an unseen cell by those lines, mm, and the length of the shorter one, cells.
pub fn height_mm(heights_mm: &Array2<f32>, (row, column): (usize, usize)) -> (f32, f32) {
    let across = heights_mm.row(row);
    let along = heights_mm.column(column);
    let lines = [line(along, row), line(across, column)];
    let (mut sum, mut weights) = (0.0, 0.0);
    for (height, span) in lines.into_iter().flatten() {
        let weight = 1.0 / (span * span);
        sum += weight * height;
        weights += weight;
    }
    let spans = lines.into_iter().flatten().map(|line| line.1);
    let shortest = spans.fold(f32::INFINITY, f32::min);
    (if weights > 0.0 { sum / weights } else { 0.0 }, shortest)
}

/// Height at `index` on the straight line between the nearest seen cells, and how far apart these are.
fn line(cells: ndarray::ArrayView1<'_, f32>, index: usize) -> Option<(f32, f32)> {
    let before = (0..index).rev().find(|&k| !cells[k].is_nan());
    let after = (index + 1..cells.len()).find(|&k| !cells[k].is_nan());
    match (before, after) {
        (Some(one), Some(two)) => {
            let span = (two - one) as f32;
            let share = (index - one) as f32 / span;
            Some((cells[one] + share * (cells[two] - cells[one]), span))
        }
        (Some(near), None) | (None, Some(near)) => {
            Some((0.0, OPEN_LINE_SPAN * near.abs_diff(index) as f32))
        }
        (None, None) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::gaps::gaps;
    use super::*;

    #[test]
    fn a_hole_in_a_slope_takes_the_slope() {
        let mut heights = Array2::from_shape_fn((7, 7), |(r, c)| 2.0 * r as f32 + 0.5 * c as f32);
        let whole = heights.clone();
        heights[[3, 3]] = f32::NAN;
        heights[[3, 4]] = f32::NAN;
        let mut states = Array2::from_elem(heights.dim(), CellState::Dropout);
        let gaps = gaps(&heights.view());
        fill(&mut heights, &mut states, &gaps);
        for (cell, &height) in heights.indexed_iter() {
            assert!((height - whole[cell]).abs() < 1e-5, "{cell:?}");
        }
    }

    #[test]
    fn nothing_at_all_becomes_belt() {
        let mut heights = Array2::from_elem((3, 3), f32::NAN);
        let mut states = Array2::from_elem(heights.dim(), CellState::Dropout);
        let gaps = gaps(&heights.view());
        fill(&mut heights, &mut states, &gaps);
        assert!(heights.iter().all(|&h| h == 0.0));
    }
}
