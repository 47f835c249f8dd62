//! A region on coarser, square cells.

use std::ops::Range;

use ndarray::Array2;

use super::region::{Cell, Region};
use crate::surface::SurfaceGrid;

/// Side of the square cells on which pieces are parted, mm: fine against any piece, coarse against noise.
pub(super) const CELL_MM: f64 = 1.0;

/// The region on square cells of [`CELL_MM`].
pub(super) struct Coarse {
    /// Lowest own heights, smoothed, mm: narrow valleys stay deep.
    pub(super) heights_mm: Array2<f32>,
    /// Highest own heights, mm: narrow ridges stay high.
    pub(super) highest_mm: Array2<f32>,
    /// 1 on the region, 0 elsewhere.
    pub(super) parts: Array2<u16>,
}

impl Coarse {
    /// With `fills_mm` where nobody saw it.
    pub(super) fn new(
        region: &Region,
        fills_mm: &[((usize, usize), f32)],
        grid: &SurfaceGrid,
    ) -> Self {
        let (rows, columns) = region.cells.dim();
        let size = (
            to_coarse(rows.saturating_sub(1), grid.pitch_along_mm) + 1,
            to_coarse(columns.saturating_sub(1), grid.pitch_across_mm) + 1,
        );
        let row_to: Vec<usize> = (0..rows)
            .map(|row| to_coarse(row, grid.pitch_along_mm))
            .collect();
        let column_to: Vec<usize> = (0..columns)
            .map(|column| to_coarse(column, grid.pitch_across_mm))
            .collect();
        let mut lowest = Array2::<f32>::from_elem(size, f32::INFINITY);
        let mut highest_mm = Array2::<f32>::zeros(size);
        let mut parts = Array2::<u16>::zeros(size);
        let (row_starts, starts) = (starts(&row_to, size.0), starts(&column_to, size.1));
        // Of the fine rows of one coarse row: each column's lowest and highest own height and number of own cells.
        let (mut line_mm, mut line_own) = (vec![0.0_f32; columns], vec![0_u8; columns]);
        let mut line_high_mm = vec![0.0_f32; columns];
        for (row, ends) in row_starts.windows(2).enumerate() {
            line_mm.fill(f32::INFINITY);
            line_high_mm.fill(0.0);
            line_own.fill(0);
            let mut reach = columns..0;
            for fine in ends[0]..ends[1] {
                let (cells, heights) = (region.cells.row(fine), region.heights_mm.row(fine));
                let cells = cells.to_slice().unwrap_or_default();
                let heights = heights.to_slice().unwrap_or_default();
                let Some(own) = own_span(cells) else {
                    continue;
                };
                reach = reach.start.min(own.start)..reach.end.max(own.end);
                let line = line_mm[own.clone()]
                    .iter_mut()
                    .zip(&mut line_high_mm[own.clone()])
                    .zip(&mut line_own[own.clone()]);
                let fine = cells[own.clone()].iter().zip(&heights[own]);
                for ((&cell, &height), ((lowest, highest), own)) in fine.zip(line) {
                    let is_own = cell == Cell::Own;
                    *own = own.saturating_add(u8::from(is_own));
                    // What nobody saw is below and above nothing.
                    let below = is_own & (height < *lowest);
                    *lowest = if below { height } else { *lowest };
                    let above = is_own & (height > *highest);
                    *highest = if above { height } else { *highest };
                }
            }
            if reach.is_empty() {
                continue;
            }
            let fine_rows = ends[1] - ends[0];
            let near = column_to[reach.start]..column_to[reach.end - 1] + 1;
            for (column, ends) in near.clone().zip(starts[near.start..=near.end].windows(2)) {
                let span = ends[0]..ends[1];
                let own: usize = line_own[span.clone()].iter().map(|&n| usize::from(n)).sum();
                let all = fine_rows * span.len();
                parts[[row, column]] = u16::from(2 * own >= all.max(1));
                highest_mm[[row, column]] = line_high_mm[span.clone()]
                    .iter()
                    .copied()
                    .fold(0.0, f32::max);
                lowest[[row, column]] = line_mm[span].iter().copied().fold(f32::INFINITY, f32::min);
            }
        }
        for &((row, column), height_mm) in fills_mm {
            let at = [row_to[row], column_to[column]];
            lowest[at] = lowest[at].min(height_mm);
            highest_mm[at] = highest_mm[at].max(height_mm);
        }
        lowest.mapv_inplace(|height| if height.is_finite() { height } else { 0.0 });
        Self {
            heights_mm: smooth(&lowest),
            highest_mm,
            parts,
        }
    }
}

/// The columns from a row's first own cell to one past its last; whole blocks without one are passed over.
fn own_span(cells: &[Cell]) -> Option<Range<usize>> {
    const BLOCK: usize = 32;
    let is_own = |&cell: &Cell| cell == Cell::Own;
    let any = |block: &[Cell]| block.iter().fold(false, |any, cell| any | is_own(cell));
    let first = cells.chunks(BLOCK).position(any)? * BLOCK;
    let first = first + cells[first..].iter().position(is_own)?;
    let blank = cells.rchunks(BLOCK).position(any)? * BLOCK;
    let last = cells[..cells.len() - blank].iter().rposition(is_own)?;
    Some(first..last + 1)
}

/// Where in `to`, which rises, each number below `count` begins; and its length.
fn starts(to: &[usize], count: usize) -> Vec<usize> {
    let first = |number: usize| to.partition_point(|&at| at < number);
    (0..=count).map(first).collect()
}

pub(super) fn to_coarse(index: usize, pitch_mm: f64) -> usize {
    ((index as f64 + 0.5) * pitch_mm / CELL_MM) as usize
}

/// Mean over 3 × 3 cells, or what there is of them.
fn smooth(values: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = values.dim();
    // Sums along each row, then over the rows.
    let mut across = Array2::zeros((rows, columns));
    for (values, mut out) in values.outer_iter().zip(across.outer_iter_mut()) {
        let (Some(values), Some(out)) = (values.to_slice(), out.as_slice_mut()) else {
            continue;
        };
        let last = columns - 1;
        for (out, near) in out[1..].iter_mut().zip(values.windows(3)) {
            *out = near[0] + near[1] + near[2];
        }
        out[0] = values[..columns.min(2)].iter().sum();
        out[last] = values[last.saturating_sub(1)..].iter().sum();
    }
    let mut means = Array2::zeros((rows, columns));
    for (row, mut out) in means.outer_iter_mut().enumerate() {
        let near = row.saturating_sub(1)..(row + 2).min(rows);
        for near in near.clone() {
            for (out, &sum) in out.iter_mut().zip(across.row(near)) {
                *out += sum;
            }
        }
        for (column, out) in out.iter_mut().enumerate() {
            let columns = (column + 2).min(columns) - column.saturating_sub(1);
            *out /= (near.len() * columns) as f32;
        }
    }
    means
}
