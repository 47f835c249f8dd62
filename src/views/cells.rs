//! Heights and marks of a frame, cell by cell, as bytes that compress well.

use ndarray::Array2;

use crate::pipeline::{FrameView, MeasuredPiece};

/// Finest step of the heights, mm: a tenth of the noise of good laser lines (common practice, no source).
const FINEST_STEP_MM: f64 = 0.01;
/// Codes that are left for heights: 0 stands for a cell nobody saw.
const CODES: f64 = 65_534.0;

/// Heights of a frame as 16-bit codes: `height = offset_mm + step_mm · (code − 1)`; code 0: not seen.
#[derive(Debug, Clone, PartialEq)]
pub struct CellHeights {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub columns: usize,
    /// Height of code 1, mm.
    pub offset_mm: f64,
    /// Between codes, mm. No height is off by more than half of it.
    pub step_mm: f64,
    /// Differences of the codes to the cell before (at a row's start: to the cell of the row before), folded so that small
    /// ones of either sign are small; first all low bytes, then all high bytes.
    pub bytes: Vec<u8>,
}

/// Offset and step, mm, that code all heights of a frame.
fn scale(height_mm: &Array2<f32>) -> (f64, f64) {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for height in height_mm.iter().filter(|height| height.is_finite()) {
        low = low.min(f64::from(*height));
        high = high.max(f64::from(*height));
    }
    if !low.is_finite() {
        return (0.0, FINEST_STEP_MM);
    }
    let offset_mm = (low / FINEST_STEP_MM).floor() * FINEST_STEP_MM;
    let range_mm = high - low + FINEST_STEP_MM;
    (offset_mm, FINEST_STEP_MM.max(range_mm / CODES))
}

/// The code of a height.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Within the codes by the choice of the step.
fn code(height: f32, (offset_mm, step_mm): (f64, f64)) -> u16 {
    match height.is_finite() {
        true => ((f64::from(height) - offset_mm) / step_mm).round() as u16 + 1,
        false => 0,
    }
}

/// Low and high byte of a step between codes, small for small steps of either sign.
fn folded(from: u16, to: u16) -> [u8; 2] {
    let step = to.wrapping_sub(from).cast_signed();
    ((step << 1) ^ (step >> 15)).cast_unsigned().to_le_bytes()
}

/// Codes the heights of a frame.
#[must_use]
pub fn encode_heights(height_mm: &Array2<f32>) -> CellHeights {
    let (rows, columns) = height_mm.dim();
    let scale = scale(height_mm);
    let cells = rows * columns;
    let mut bytes = vec![0; 2 * cells];
    let mut row_start = 0_u16;
    let mut at = 0;
    for row in height_mm.rows() {
        let mut before = row_start;
        for (column, &height) in row.iter().enumerate() {
            let code = code(height, scale);
            if column == 0 {
                row_start = code;
            }
            let [low, high] = folded(before, code);
            bytes[at] = low;
            bytes[cells + at] = high;
            before = code;
            at += 1;
        }
    }
    CellHeights {
        rows,
        columns,
        offset_mm: scale.0,
        step_mm: scale.1,
        bytes,
    }
}

/// Codes the heights of a frame by what they differ from `known`, heights of the same cells that the reader has by
/// [`encode_heights`]: `bytes` hold differences to the codes of those, cell by cell. `None` if the cells are not the same.
#[must_use]
pub fn encode_heights_onto(known_mm: &Array2<f32>, height_mm: &Array2<f32>) -> Option<CellHeights> {
    if known_mm.dim() != height_mm.dim() {
        return None;
    }
    let (rows, columns) = height_mm.dim();
    let (before, after) = (scale(known_mm), scale(height_mm));
    let cells = rows * columns;
    let mut bytes = vec![0; 2 * cells];
    for (at, (&known, &height)) in known_mm.iter().zip(height_mm).enumerate() {
        let [low, high] = folded(code(known, before), code(height, after));
        bytes[at] = low;
        bytes[cells + at] = high;
    }
    Some(CellHeights {
        rows,
        columns,
        offset_mm: after.0,
        step_mm: after.1,
        bytes,
    })
}

/// What each cell of a frame belongs to, in four planes of `rows × columns` bytes: low and high byte of the piece's number (0:
/// none), class index in the profile's order (255: none), and 1 where the height is reconstructed.
#[must_use]
pub fn encode_marks(view: &FrameView, pieces: &[MeasuredPiece]) -> Vec<u8> {
    let (rows, columns) = view.height_mm.dim();
    let cells = rows * columns;
    let mut bytes = vec![0; 4 * cells];
    bytes[2 * cells..3 * cells].fill(u8::MAX);
    for piece in pieces {
        let [low, high, ..] = piece.record.piece.to_le_bytes();
        for ((row, column), &mark) in piece.footprint.indexed_iter() {
            let here = (piece.first_row + row)
                .checked_sub(view.first_row)
                .filter(|row| *row < rows);
            let column_here = piece.first_column + column;
            let (Some(row_here), true) = (here, mark != 0 && column_here < columns) else {
                continue;
            };
            let at = row_here * columns + column_here;
            bytes[at] = low;
            bytes[cells + at] = high;
            if let Some(&class) = piece.class.get((row, column)) {
                bytes[2 * cells + at] = class;
            }
            bytes[3 * cells + at] = u8::from(mark == 2);
        }
    }
    bytes
}

/// Heights that are reconstructed in a frame: for each such cell its place (`row · columns + column`, 4 bytes) and its height
/// above the belt in mm (4-byte float), little endian, piece by piece.
#[must_use]
pub fn encode_rebuilt(view: &FrameView, pieces: &[MeasuredPiece]) -> Vec<u8> {
    let (rows, columns) = view.height_mm.dim();
    let mut bytes = Vec::new();
    for piece in pieces {
        for ((row, column), _) in piece
            .footprint
            .indexed_iter()
            .filter(|(_, mark)| **mark == 2)
        {
            let here = (piece.first_row + row).checked_sub(view.first_row);
            let column_here = piece.first_column + column;
            let height = piece.height_mm.get((row, column));
            if let (Some(row), Some(height)) = (here, height)
                && row < rows
                && column_here < columns
                && height.is_finite()
            {
                bytes.extend(((row * columns + column_here) as u32).to_le_bytes());
                bytes.extend(height.to_le_bytes());
            }
        }
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn decode(coded: &CellHeights) -> Vec<f32> {
        let cells = coded.rows * coded.columns;
        let (mut row_start, mut before) = (0_u16, 0_u16);
        (0..cells)
            .map(|at| {
                if at % coded.columns == 0 {
                    before = row_start;
                }
                let folded = u16::from_le_bytes([coded.bytes[at], coded.bytes[cells + at]]);
                let step = (folded >> 1) ^ (folded & 1).wrapping_neg();
                before = before.wrapping_add(step);
                if at % coded.columns == 0 {
                    row_start = before;
                }
                match before {
                    0 => f32::NAN,
                    code => (coded.offset_mm + coded.step_mm * f64::from(code - 1)) as f32,
                }
            })
            .collect()
    }

    proptest! {
        #[test]
        fn heights_come_back_within_half_a_step(
            columns in 1_usize..9,
            cells in prop::collection::vec(prop::option::weighted(0.8, -300.0_f32..900.0), 1..80),
        ) {
            let rows = cells.len() / columns;
            prop_assume!(rows > 0);
            let heights = Array2::from_shape_fn((rows, columns), |(row, column)| {
                cells[row * columns + column].unwrap_or(f32::NAN)
            });
            let coded = encode_heights(&heights);
            for (back, height) in decode(&coded).iter().zip(&heights) {
                prop_assert_eq!(back.is_nan(), height.is_nan());
                if height.is_finite() {
                    prop_assert!(f64::from((back - height).abs()) <= 0.5 * coded.step_mm + 1e-4);
                }
            }
        }

        #[test]
        fn differences_to_known_heights_bring_the_others_back(
            columns in 1_usize..9,
            cells in prop::collection::vec((prop::option::weighted(0.8, -300.0_f32..900.0), -2.0_f32..2.0), 1..80),
        ) {
            let rows = cells.len() / columns;
            prop_assume!(rows > 0);
            let known = Array2::from_shape_fn((rows, columns), |(row, column)| {
                cells[row * columns + column].0.unwrap_or(f32::NAN)
            });
            let heights = Array2::from_shape_fn((rows, columns), |(row, column)| {
                known[(row, column)] + cells[row * columns + column].1
            });
            let coded = encode_heights_onto(&known, &heights).unwrap();
            let before = scale(&known);
            for (at, (&known, &height)) in known.iter().zip(&heights).enumerate() {
                let folded = u16::from_le_bytes([coded.bytes[at], coded.bytes[rows * columns + at]]);
                let step = (folded >> 1) ^ (folded & 1).wrapping_neg();
                let code = code(known, before).wrapping_add(step);
                prop_assert_eq!(code == 0, height.is_nan());
                if height.is_finite() {
                    let back = coded.offset_mm + coded.step_mm * f64::from(code - 1);
                    prop_assert!((back - f64::from(height)).abs() <= 0.5 * coded.step_mm + 1e-4);
                }
            }
            let other = Array2::zeros((rows + 1, columns));
            prop_assert!(encode_heights_onto(&known, &other).is_none());
        }
    }
}
