//! One piece as a solid: the surface that its volume is taken from, cell by cell, with its colour.

use crate::pipeline::{FrameView, MeasuredPiece};

/// A piece's window.
#[derive(Debug, Clone, PartialEq)]
pub struct PieceCells {
    /// Rows of the window.
    pub rows: usize,
    /// Columns of the window.
    pub columns: usize,
    /// First row of the window on the frame; negative for a piece that began in the frame before.
    pub first_row: i64,
    /// First column of the window on the frame.
    pub first_column: usize,
    /// Planes of `rows × columns` values: heights above the belt in mm (4-byte floats, little endian; NaN outside the
    /// footprint), then a byte a cell: 0 outside, 1 seen, 2 reconstructed; then the bytes of red, green and blue (sRGB; mid grey
    /// where this frame has no colour).
    pub bytes: Vec<u8>,
}

/// Codes a piece as seen from one of the frames it reaches into.
#[must_use]
pub fn encode_piece(view: &FrameView, piece: &MeasuredPiece) -> PieceCells {
    let (rows, columns) = piece.footprint.dim();
    let cells = rows * columns;
    let mut bytes = Vec::with_capacity(8 * cells);
    for (at, mark) in piece.footprint.indexed_iter() {
        let height = piece.height_mm.get(at).filter(|_| *mark != 0);
        bytes.extend(height.copied().unwrap_or(f32::NAN).to_le_bytes());
    }
    bytes.extend(piece.footprint.iter());
    let colour = |row: usize, column: usize| {
        let row = (piece.first_row + row).checked_sub(view.first_row)?;
        let colour = view.colour.as_ref()?;
        colour.get((row, piece.first_column + column)).copied()
    };
    let colours: Vec<[u8; 3]> = piece
        .footprint
        .indexed_iter()
        .map(|((row, column), _)| colour(row, column).unwrap_or([160; 3]))
        .collect();
    for channel in 0..3 {
        bytes.extend(colours.iter().map(|rgb| rgb[channel]));
    }
    PieceCells {
        rows,
        columns,
        first_row: piece.first_row as i64 - view.first_row as i64,
        first_column: piece.first_column,
        bytes,
    }
}
