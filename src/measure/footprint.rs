//! Which cells of a window the piece covers, and over which its volume is summed.

use ndarray::Array2;

use crate::pieces::{Cell, CellState, Mended, Region};
use crate::surface::SurfaceGrid;

/// How far beyond the footprint the volume is summed, mm: over the rim's partly covered cells and the thin edge below the
/// low threshold. The belt beyond has a mean height of 0 and adds only noise.
const RING_MM: f64 = 1.2;

/// The cells of a piece.
#[derive(Debug, Clone)]
pub struct Footprint {
    /// Cells the piece covers.
    pub covered: Array2<bool>,
    /// Cells its volume is summed over: the footprint and a ring around it, without other things.
    pub summed: Array2<bool>,
}

impl Footprint {
    /// The region's own cells, and those above `low_mm` that hang together with them (its reconstructed side).
    pub fn new(region: &Region, mended: &Mended, low_mm: f32, grid: &SurfaceGrid) -> Self {
        let size = region.cells.dim();
        let stands = |at: (usize, usize)| {
            mended.heights_mm[at] > low_mm && mended.states[at] != CellState::Beyond
        };
        let mut covered = Array2::from_elem(size, false);
        let mut open: Vec<(usize, usize)> = Vec::new();
        for (at, &cell) in region.cells.indexed_iter() {
            if cell == Cell::Own && stands(at) {
                covered[at] = true;
                open.push(at);
            }
        }
        while let Some((row, column)) = open.pop() {
            for at in beside(row, column, size) {
                if !covered[at] && region.cells[at] != Cell::Other && stands(at) {
                    covered[at] = true;
                    open.push(at);
                }
            }
        }
        let summed = ring(&covered, grid, region);
        Self { covered, summed }
    }

    /// Number of covered cells.
    pub fn cells(&self) -> usize {
        self.covered.iter().filter(|&&covered| covered).count()
    }
}

/// The footprint widened by [`RING_MM`] on all sides, other things left out.
fn ring(covered: &Array2<bool>, grid: &SurfaceGrid, region: &Region) -> Array2<bool> {
    let across = widen(covered, grid.columns_spanning(RING_MM), false);
    let mut summed = widen(&across, grid.rows_spanning(RING_MM), true);
    summed.zip_mut_with(&region.cells, |summed, &cell| {
        *summed &= cell != Cell::Other
    });
    summed
}

fn widen(cells: &Array2<bool>, by: usize, along: bool) -> Array2<bool> {
    let mut wide = Array2::from_elem(cells.dim(), false);
    let axis = ndarray::Axis(usize::from(!along));
    for (line, mut out) in cells.lanes(axis).into_iter().zip(wide.lanes_mut(axis)) {
        let mut reach = 0;
        for (index, &cell) in line.iter().enumerate() {
            if cell {
                for out in out.iter_mut().take(index).skip(index.saturating_sub(by)) {
                    *out = true;
                }
                reach = index + by + 1;
            }
            if index < reach {
                out[index] = true;
            }
        }
    }
    wide
}

fn beside(row: usize, column: usize, size: (usize, usize)) -> impl Iterator<Item = (usize, usize)> {
    [
        (row.wrapping_sub(1), column),
        (row + 1, column),
        (row, column.wrapping_sub(1)),
        (row, column + 1),
    ]
    .into_iter()
    .filter(move |&(r, c)| r < size.0 && c < size.1)
}
