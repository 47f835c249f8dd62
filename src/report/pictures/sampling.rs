//! Which cells of a frame a pixel of a picture shows, and what was measured there.

use std::ops::Range;

use ndarray::Array2;

use crate::pipeline::{FrameView, MeasuredPiece};

/// For each pixel along one axis, the cells it shows: those whose centres lie in it, or the one it lies in.
pub(super) fn cells_of_pixels(
    pixels: u32,
    px_per_mm: f64,
    cells: usize,
    pitch_mm: f64,
) -> Vec<Range<usize>> {
    let px_per_cell = px_per_mm * pitch_mm;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    // `as` saturates; cut to the cells below.
    let cell_at = |position: f64| position.max(0.0) as usize;
    (0..pixels)
        .map(|pixel| {
            let (from, to) = (
                f64::from(pixel) / px_per_cell,
                f64::from(pixel + 1) / px_per_cell,
            );
            // The first centre at or after `from`, and the first at or after `to`.
            let (first, after) = (cell_at((from - 0.5).ceil()), cell_at((to - 0.5).ceil()));
            let nearest = cell_at(0.5 * (from + to)).min(cells.saturating_sub(1));
            if first < after.min(cells) {
                first..after.min(cells)
            } else {
                nearest..(nearest + 1).min(cells)
            }
        })
        .collect()
}

/// Cells of a frame that belong to pieces.
pub(super) struct Ground {
    /// 0 for none, otherwise the piece's place in the list of pieces, from 1.
    pub(super) piece: Array2<u32>,
    /// Reconstructed cells.
    pub(super) filled: Array2<bool>,
    /// Class index, 255 for none.
    pub(super) class: Array2<u8>,
}

/// Lays the pieces' windows on the frame; what lies outside it is left out.
pub(super) fn lay_pieces(view: &FrameView, pieces: &[MeasuredPiece]) -> Ground {
    let shape = view.height_mm.dim();
    let mut ground = Ground {
        piece: Array2::zeros(shape),
        filled: Array2::from_elem(shape, false),
        class: Array2::from_elem(shape, u8::MAX),
    };
    for (number, piece) in (1_u32..).zip(pieces) {
        for ((row, column), &mark) in piece.footprint.indexed_iter() {
            let Some(row_here) = (piece.first_row + row).checked_sub(view.first_row) else {
                continue;
            };
            let here = (row_here, piece.first_column + column);
            if mark == 0 || ground.piece.get(here).is_none() {
                continue;
            }
            ground.piece[here] = number;
            ground.filled[here] = mark == 2;
            if let Some(&class) = piece.class.get((row, column)) {
                ground.class[here] = class;
            }
        }
    }
    ground
}

/// Mean of the seen heights in a block of cells, or `None` where less than half of them were seen.
pub(super) fn mean_height(
    height_mm: &Array2<f32>,
    rows: &Range<usize>,
    columns: &Range<usize>,
) -> Option<f64> {
    let (mut sum, mut seen, mut all) = (0.0, 0_u32, 0_u32);
    for row in rows.clone() {
        for column in columns.clone() {
            let height = height_mm[(row, column)];
            all += 1;
            if height.is_finite() {
                seen += 1;
                sum += f64::from(height);
            }
        }
    }
    (seen > 0 && 2 * seen >= all).then(|| sum / f64::from(seen))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pixel_shows_the_cells_whose_centres_it_holds_or_the_one_it_is_in() {
        // 10 cells of 1 mm at 0.5 px/mm: two cells a pixel.
        assert_eq!(
            cells_of_pixels(5, 0.5, 10, 1.0),
            [0..2, 2..4, 4..6, 6..8, 8..10]
        );
        // 2 cells at 3 px/mm: three pixels a cell.
        let up = cells_of_pixels(6, 3.0, 2, 1.0);
        assert_eq!(up, [0..1, 0..1, 0..1, 1..2, 1..2, 1..2]);
        // Every cell is shown exactly once when scaling down by an odd factor, and no pixel is empty.
        let down = cells_of_pixels(37, 0.37, 100, 1.0);
        assert!(down.iter().all(|cells| !cells.is_empty()));
        let shown: Vec<usize> = down.into_iter().flatten().collect();
        assert_eq!(shown, (0..100).collect::<Vec<_>>());
    }

    #[test]
    fn half_unseen_is_seen_and_more_is_not() {
        let nan = f32::NAN;
        let cells = ndarray::array![[1.0, nan, nan], [3.0, nan, nan]];
        assert_eq!(mean_height(&cells, &(0..2), &(0..2)), Some(2.0));
        assert_eq!(mean_height(&cells, &(0..2), &(0..3)), None);
    }
}
