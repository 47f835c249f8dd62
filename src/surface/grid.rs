//! The regular grid that surfaces live on, and bands of rows on it.

use ndarray::Array2;

/// A regular grid in the recording's frame. Row `r` is at `y = y_origin_mm + (r + 0.5)·pitch_along_mm`, column `c` at
/// `x = x_origin_mm + (c + 0.5)·pitch_across_mm`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurfaceGrid {
    /// Number of columns.
    pub columns: usize,
    /// x of column 0's outer edge, mm (0 unless the calibration changes the scale across).
    pub x_origin_mm: f64,
    /// y of row 0's outer edge, mm (0 unless the recording's first rows are missing).
    pub y_origin_mm: f64,
    /// Column pitch, mm.
    pub pitch_across_mm: f64,
    /// Row pitch, mm.
    pub pitch_along_mm: f64,
}

impl SurfaceGrid {
    /// x of a column's centre, mm.
    pub fn x_mm(&self, column: f64) -> f64 {
        self.x_origin_mm + (column + 0.5) * self.pitch_across_mm
    }

    /// y of a row's centre, mm.
    pub fn y_mm(&self, row: f64) -> f64 {
        self.y_origin_mm + (row + 0.5) * self.pitch_along_mm
    }

    /// Area of a cell, mm².
    pub fn cell_area_mm2(&self) -> f64 {
        self.pitch_across_mm * self.pitch_along_mm
    }

    /// Width of the grid, mm.
    pub fn width_mm(&self) -> f64 {
        self.columns as f64 * self.pitch_across_mm
    }

    /// Number of rows that span at least `length_mm`.
    pub fn rows_spanning(&self, length_mm: f64) -> usize {
        (length_mm / self.pitch_along_mm).ceil().max(0.0) as usize
    }

    /// Number of columns that span at least `length_mm`.
    pub fn columns_spanning(&self, length_mm: f64) -> usize {
        (length_mm / self.pitch_across_mm).ceil().max(0.0) as usize
    }
}

/// Consecutive rows of heights on a [`SurfaceGrid`].
///
/// Heights are mm; a cell for which nothing was seen holds NaN, which only [`SurfaceBand::height_mm`] hands out, as
/// `None`. Code inside `surface`, `pieces` and `measure` compares with `>` and `<`, which NaN never passes.
#[derive(Debug, Clone, PartialEq)]
pub struct SurfaceBand {
    /// First row, on the recording's grid.
    pub first_row: usize,
    /// Heights, NaN where unseen.
    pub heights_mm: Array2<f32>,
}

impl SurfaceBand {
    /// The height of a cell of the band, `None` where nothing was seen.
    pub fn height_mm(&self, row: usize, column: usize) -> Option<f32> {
        self.heights_mm
            .get([row, column])
            .copied()
            .filter(|h| !h.is_nan())
    }

    /// One past the last row.
    pub fn end_row(&self) -> usize {
        self.first_row + self.heights_mm.nrows()
    }
}
