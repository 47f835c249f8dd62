//! Parts pieces that touch.
//!
//! Two signs tell two pieces from one. *A valley*: domed pieces that touch leave a low line between them, whatever their
//! outlines; a flood of the height from above meets there well below both tops. *A neck*: flat pieces that touch leave an
//! outline that narrows; a flood of the distance to the outline meets there well below both middles. Bumps on a piece, bent
//! strips and lobes leave neither. Both floods are watersheds with dynamics as the criterion to merge (Grimaud,
//! "A new measure of contrast: the dynamics", Proc. SPIE 1769 (1992) 292–305; Beucher and Meyer 1993).

use std::ops::Range;

use ndarray::{Array2, s};

use super::distance::to_other;
use super::flood::{Merge, flood};
use super::region::{Cell, Region};
use crate::surface::SurfaceGrid;

/// Side of the square cells on which pieces are parted, mm: fine against any piece, coarse against noise.
const CELL_MM: f64 = 1.0;
/// A valley parts two tops if it is lower than this share of the lower top.
const VALLEY_RATIO: f32 = 0.62;
/// A neck parts two middles if it is narrower than this share of the narrower middle.
const NECK_RATIO: f32 = 0.62;
/// A top or middle counts when this share of the least area of a piece lies above the pass.
const LEAST_SHARE: f64 = 0.3;
/// Belt kept around a part in its window, mm.
const PAD_MM: f64 = 10.0;

/// Parts a region into the pieces it is made of; a region of one piece comes back as it was.
///
/// `heights_mm` are the region's heights without gaps. Parts smaller than `min_area_mm2` stay with their neighbour.
pub fn split(
    region: Region,
    heights_mm: &Array2<f32>,
    grid: &SurfaceGrid,
    min_area_mm2: f64,
) -> Vec<Region> {
    let coarse = Coarse::new(&region, heights_mm, grid);
    let least_cells = ((LEAST_SHARE * min_area_mm2) / (CELL_MM * CELL_MM)).ceil() as usize;
    let valleys = flood(
        &coarse.heights_mm,
        &coarse.parts,
        &Merge {
            ratio: VALLEY_RATIO,
            least_cells,
        },
    );
    let necks = flood(
        &to_other(&valleys),
        &valleys,
        &Merge {
            ratio: NECK_RATIO,
            least_cells,
        },
    );
    let parts = necks.iter().copied().max().unwrap_or(0);
    if parts < 2 {
        return vec![region];
    }
    let fine = coarse.refine(&necks, &region, grid);
    let bounds = bounds(&fine, parts);
    (1..=parts)
        .zip(bounds)
        .filter_map(|(part, bounds)| Some(window(&region, &fine, part, bounds?, grid)))
        .collect()
}

/// The region on square cells of [`CELL_MM`].
struct Coarse {
    heights_mm: Array2<f32>,
    /// 1 on the region, 0 elsewhere.
    parts: Array2<u16>,
}

impl Coarse {
    fn new(region: &Region, heights_mm: &Array2<f32>, grid: &SurfaceGrid) -> Self {
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
        let mut sums = Array2::<f32>::zeros(size);
        let mut own = Array2::<u32>::zeros(size);
        let starts = starts(&column_to, size.1);
        let lines = region.cells.outer_iter().zip(heights_mm.outer_iter());
        for ((cells, heights), &row) in lines.zip(&row_to) {
            let (mut sums, mut own) = (sums.row_mut(row), own.row_mut(row));
            let (Some(cells), Some(heights)) = (cells.to_slice(), heights.to_slice()) else {
                continue;
            };
            // Only where the row holds some of the region.
            let Some(first) = cells.iter().position(|&cell| cell == Cell::Own) else {
                continue;
            };
            let last = cells.iter().rposition(|&cell| cell == Cell::Own);
            let near = column_to[first]..column_to[last.unwrap_or(first)] + 1;
            let spans = starts[near.start..=near.end].windows(2);
            let spans = spans.map(|ends| ends[0]..ends[1]);
            let sums = sums.as_slice_mut().unwrap_or_default();
            let own = own.as_slice_mut().unwrap_or_default();
            let out = sums[near.clone()].iter_mut().zip(&mut own[near]);
            for (span, (sum, own)) in spans.zip(out) {
                for (&cell, &height) in cells[span.clone()].iter().zip(&heights[span]) {
                    let is_own = cell == Cell::Own;
                    *own += u32::from(is_own);
                    *sum += if is_own { height } else { 0.0 };
                }
            }
        }
        let counts = |to: &[usize], size: usize| {
            let mut counts = vec![0_u32; size];
            to.iter().for_each(|&at| counts[at] += 1);
            counts
        };
        let (in_row, in_column) = (counts(&row_to, size.0), counts(&column_to, size.1));
        let mut parts = Array2::zeros(size);
        for ((row, column), part) in parts.indexed_iter_mut() {
            let all = in_row[row] * in_column[column];
            *part = u16::from(2 * own[[row, column]] >= all.max(1));
        }
        let mut means = sums;
        means.zip_mut_with(&own, |mean, &own| *mean /= own.max(1) as f32);
        Self {
            heights_mm: smooth(&smooth(&means)),
            parts,
        }
    }

    /// The parts on the region's own cells; own cells on coarse ones without a part take the nearest part's number.
    fn refine(&self, parts: &Array2<u16>, region: &Region, grid: &SurfaceGrid) -> Array2<u16> {
        let spread = spread(parts);
        let column_to: Vec<usize> = (0..region.cells.ncols())
            .map(|column| to_coarse(column, grid.pitch_across_mm))
            .collect();
        let mut fine = Array2::zeros(region.cells.dim());
        for (row, (cells, mut out)) in region
            .cells
            .outer_iter()
            .zip(fine.outer_iter_mut())
            .enumerate()
        {
            let spread = spread.row(to_coarse(row, grid.pitch_along_mm));
            for ((&cell, out), &column) in cells.iter().zip(&mut out).zip(&column_to) {
                if cell == Cell::Own {
                    *out = spread[column];
                }
            }
        }
        fine
    }
}

/// Where in `to`, which rises, each number below `count` begins; and its length.
fn starts(to: &[usize], count: usize) -> Vec<usize> {
    let first = |number: usize| to.partition_point(|&at| at < number);
    (0..=count).map(first).collect()
}

fn to_coarse(index: usize, pitch_mm: f64) -> usize {
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

/// Lets parts grow over cells without one, a ring at a time.
fn spread(parts: &Array2<u16>) -> Array2<u16> {
    let mut spread = parts.clone();
    let (rows, columns) = parts.dim();
    let mut front: Vec<(usize, usize)> = parts
        .indexed_iter()
        .filter(|(_, part)| **part > 0)
        .map(|(at, _)| at)
        .collect();
    while !front.is_empty() {
        let mut next = Vec::new();
        for (row, column) in front {
            let part = spread[[row, column]];
            for (r, c) in [
                (row.wrapping_sub(1), column),
                (row + 1, column),
                (row, column.wrapping_sub(1)),
                (row, column + 1),
            ] {
                if r < rows && c < columns && spread[[r, c]] == 0 {
                    spread[[r, c]] = part;
                    next.push((r, c));
                }
            }
        }
        front = next;
    }
    spread
}

/// Rows and columns that each part spans; `None` for one without cells.
fn bounds(parts: &Array2<u16>, count: u16) -> Vec<Option<[Range<usize>; 2]>> {
    let mut bounds: Vec<Option<[Range<usize>; 2]>> = vec![None; usize::from(count)];
    for (row, cells) in parts.outer_iter().enumerate() {
        let cells = cells.to_slice().unwrap_or_default();
        let mut first = 0;
        while let Some(&part) = cells.get(first) {
            let mut end = first;
            // Whole blocks of the same part are passed over.
            while let Some(block) = cells.get(end..end + 32) {
                if block.iter().fold(0, |any, cell| any | (cell ^ part)) != 0 {
                    break;
                }
                end += 32;
            }
            let length = cells[end..].iter().position(|&cell| cell != part);
            let end = length.map_or(cells.len(), |length| end + length);
            let own = usize::from(part).checked_sub(1);
            if let Some(own) = own.and_then(|own| bounds.get_mut(own)) {
                let [rows, columns] = own.get_or_insert_with(|| [row..row, first..end]);
                rows.end = row + 1;
                columns.start = columns.start.min(first);
                columns.end = columns.end.max(end);
            }
            first = end;
        }
    }
    bounds
}

/// A part as a region of its own.
fn window(
    region: &Region,
    parts: &Array2<u16>,
    part: u16,
    [own_rows, own_columns]: [Range<usize>; 2],
    grid: &SurfaceGrid,
) -> Region {
    let (rows, columns) = parts.dim();
    let (pad_rows, pad_columns) = (grid.rows_spanning(PAD_MM), grid.columns_spanning(PAD_MM));
    let row_span = own_rows.start.saturating_sub(pad_rows)..(own_rows.end + pad_rows).min(rows);
    let column_span =
        own_columns.start.saturating_sub(pad_columns)..(own_columns.end + pad_columns).min(columns);
    let mut cells = region
        .cells
        .slice(s![row_span.clone(), column_span.clone()])
        .to_owned();
    let inside = parts.slice(s![row_span.clone(), column_span.clone()]);
    cells.zip_mut_with(&inside, |cell, &other| {
        if *cell == Cell::Own && other != part {
            *cell = Cell::Other;
        }
    });
    let heights = region
        .heights_mm
        .slice(s![row_span.clone(), column_span.clone()]);
    Region {
        first_row: region.first_row + row_span.start,
        first_column: region.first_column + column_span.start,
        heights_mm: heights.to_owned(),
        cells,
        ends: region.ends,
        touching: true,
    }
}
