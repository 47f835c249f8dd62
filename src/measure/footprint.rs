//! Which cells of a window the piece covers, and over which its volume is summed.

use ndarray::Array2;

use super::spans::{Spans, first_that, row_of, spans};
use crate::pieces::{Cell, CellState, Mended, Region};
use crate::stats::weighted_least_squares;
use crate::surface::SurfaceGrid;

/// How far beyond the footprint the volume is summed, mm: over the rim's partly covered cells and the thin edge below the
/// low threshold. The belt beyond has a mean height of 0 and adds only noise.
const RING_MM: f64 = 1.2;

/// How many standard deviations of its noise a sample may be off the plane of a slope.
const CLEAR_SDS: f64 = 3.0;

/// Cells on all sides of one that a slope's plane is taken through.
const SLOPE_CELLS: usize = 2;

/// Least number of cells to take it through.
const LEAST_ON_SLOPE: usize = 4;

/// Highest rim cell that a thin edge goes on from, in low thresholds: higher ones end in a wall, beyond which is belt.
const EDGE_LOWS: f32 = 4.0;

/// Cells looked at together.
const BLOCK: usize = 32;

/// The cells of a piece.
#[derive(Debug, Clone)]
pub struct Footprint {
    /// Cells the piece covers.
    pub covered: Array2<bool>,
    /// Cells its volume is summed over: the footprint and a ring around it, without other things.
    pub summed: Array2<bool>,
    /// Where in its rows the first lie.
    pub spans: Spans,
    /// Where in its rows the second lie.
    pub summed_spans: Spans,
}

impl Footprint {
    /// The region's own cells, and those above `low_mm` that hang together with them (its reconstructed side).
    pub fn new(
        region: &Region,
        mended: &Mended,
        low_mm: f32,
        noise_mm: f64,
        grid: &SurfaceGrid,
    ) -> Self {
        let size = region.cells.dim();
        let stands =
            |height_mm: f32, state: CellState| (height_mm > low_mm) & (state != CellState::Beyond);
        let mut covered = Array2::from_elem(size, false);
        // Standing cells that are nobody's: few, and few of them hang together with the piece.
        let mut free: Vec<(usize, usize)> = Vec::new();
        for (row, mut covered) in covered.outer_iter_mut().enumerate() {
            let whole = 0..size.1;
            let cells = row_of(&region.cells, row, &whole).chunks(BLOCK);
            let heights = row_of(&mended.heights_mm, row, &whole).chunks(BLOCK);
            let states = row_of(&mended.states, row, &whole).chunks(BLOCK);
            let covered = covered.as_slice_mut().unwrap_or_default();
            let blocks = covered
                .chunks_mut(BLOCK)
                .zip(cells)
                .zip(heights.zip(states));
            for (block, ((covered, cells), (heights, states))) in blocks.enumerate() {
                // By kinds of number, which compilers make wide steps of.
                let mut standing = [false; BLOCK];
                for (stands, &height) in standing.iter_mut().zip(heights) {
                    *stands = height > low_mm;
                }
                let mut any_free = false;
                let of_cells = cells.iter().zip(states).zip(&standing);
                for (covered, ((&cell, &state), &stands)) in covered.iter_mut().zip(of_cells) {
                    let stands = stands & (state != CellState::Beyond);
                    *covered = stands & (cell == Cell::Own);
                    any_free |= stands & (cell == Cell::Free);
                }
                if any_free {
                    let of_cells = cells.iter().zip(heights).zip(states);
                    let found = of_cells.enumerate().filter(|(_, ((cell, height), state))| {
                        **cell == Cell::Free && stands(**height, **state)
                    });
                    free.extend(found.map(|(within, _)| (row, block * BLOCK + within)));
                }
            }
        }
        let mut open: Vec<(usize, usize)> = Vec::new();
        for (row, column) in free {
            if !covered[(row, column)] && beside(row, column, size).any(|at| covered[at]) {
                covered[(row, column)] = true;
                open.push((row, column));
            }
            while let Some((row, column)) = open.pop() {
                for at in beside(row, column, size) {
                    let standing = stands(mended.heights_mm[at], mended.states[at]);
                    if !covered[at] && region.cells[at] == Cell::Free && standing {
                        covered[at] = true;
                        open.push(at);
                    }
                }
            }
        }
        thin_edge(&mut covered, region, mended, low_mm, noise_mm, grid);
        let summed = ring(&covered, grid, region);
        Self {
            spans: spans(&covered),
            summed_spans: spans(&summed),
            covered,
            summed,
        }
    }
}

/// Adds the thin edge below the low threshold, a ring of cells at a time, as far as the slope that leads down to it goes on.
///
/// A single low sample tells nothing; the plane through the seen cells of the slope does: a cell belongs to the piece if the plane is
/// above the belt at its centre, and its own sample does not contradict it. Beyond an upright rim, samples do. Each ring is settled by
/// what was covered before it, so that no order of cells matters.
fn thin_edge(
    covered: &mut Array2<bool>,
    region: &Region,
    mended: &Mended,
    low_mm: f32,
    noise_mm: f64,
    grid: &SurfaceGrid,
) {
    let size = covered.dim();
    let rings = grid
        .columns_spanning(RING_MM)
        .max(grid.rows_spanning(RING_MM));
    let most_mm = EDGE_LOWS * low_mm;
    let mut rim: Vec<(usize, usize)> = Vec::new();
    for (row, span) in spans(covered) {
        let inside = row_of(covered, row, &span).chunks(BLOCK);
        let heights = row_of(&mended.heights_mm, row, &span).chunks(BLOCK);
        for (first, (inside, heights)) in span.step_by(BLOCK).zip(inside.zip(heights)) {
            let low = |(inside, height): (&bool, &f32)| *inside & (*height <= most_mm);
            let cells = inside.iter().zip(heights);
            if cells.clone().fold(false, |any, cell| any | low(cell)) {
                let found = (first..).zip(cells).filter(|(_, cell)| low(*cell));
                rim.extend(found.map(|(column, _)| (row, column)));
            }
        }
    }
    for _ in 0..rings {
        let low = rim.iter().filter(|&&at| mended.heights_mm[at] <= most_mm);
        let mut open: Vec<(usize, usize)> = low
            .flat_map(|&(row, column)| beside(row, column, size))
            .filter(|&at| {
                !covered[at]
                    && region.cells[at] != Cell::Other
                    && mended.states[at] == CellState::Seen
            })
            .collect();
        open.sort_unstable();
        open.dedup();
        open.retain(|&at| slope_goes_on(at, covered, mended, most_mm, noise_mm));
        for &at in &open {
            covered[at] = true;
        }
        rim = open;
    }
}

/// Whether the plane through the low seen cells of the piece around a cell is above the belt there, and the cell's own sample agrees.
fn slope_goes_on(
    (row, column): (usize, usize),
    covered: &Array2<bool>,
    mended: &Mended,
    most_mm: f32,
    noise_mm: f64,
) -> bool {
    let (rows, columns) = covered.dim();
    let near =
        |at: usize, end: usize| at.saturating_sub(SLOPE_CELLS)..(at + SLOPE_CELLS + 1).min(end);
    let around = near(row, rows).flat_map(|r| near(column, columns).map(move |c| (r, c)));
    let on_slope = around.filter(|&at| {
        covered[at] && mended.states[at] == CellState::Seen && mended.heights_mm[at] <= most_mm
    });
    let mut count = 0;
    let samples = on_slope.map(|at| {
        count += 1;
        let offset = |one: usize, other: usize| one as f64 - other as f64;
        let place = [1.0, offset(at.0, row), offset(at.1, column)];
        (place, f64::from(mended.heights_mm[at]), 1.0)
    });
    // So small a ridge keeps a slope along one line of cells level across it, and changes no other.
    let Some(fit) = weighted_least_squares(samples, [0.0, 1e-3, 1e-3]) else {
        return false;
    };
    let plane_mm = fit.coefficients[0];
    let sample_mm = f64::from(mended.heights_mm[[row, column]]);
    let difference_u_mm = noise_mm * (1.0 + fit.cofactor[(0, 0)]).sqrt();
    count >= LEAST_ON_SLOPE
        && plane_mm > 0.0
        && (sample_mm - plane_mm).abs() < CLEAR_SDS * difference_u_mm
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
    let (rows, columns) = cells.dim();
    let mut wide = Array2::from_elem((rows, columns), false);
    for (row, mut out) in wide.outer_iter_mut().enumerate() {
        let Some(out) = out.as_slice_mut() else {
            continue;
        };
        if along {
            for near in row.saturating_sub(by)..(row + by + 1).min(rows) {
                for (out, &cell) in out
                    .iter_mut()
                    .zip(cells.row(near).to_slice().unwrap_or_default())
                {
                    *out |= cell;
                }
            }
            continue;
        }
        let cells = cells.row(row);
        let cells = cells.to_slice().unwrap_or_default();
        let mut next = 0;
        while let Some(first) = first_that(&cells[next..], true) {
            let first = next + first;
            let length = first_that(&cells[first..], false);
            let end = length.map_or(columns, |length| first + length);
            out[first.saturating_sub(by)..(end + by).min(columns)].fill(true);
            next = end;
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
