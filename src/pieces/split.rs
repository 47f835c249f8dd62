//! Parts pieces that touch.
//!
//! Three signs tell two pieces from one. *A valley*: domed pieces that touch leave a low line between them, whatever their
//! outlines; a flood of the height from above meets there well below both tops. *A neck*: flat pieces that touch leave an
//! outline that narrows; a flood of the distance to the outline meets there well below both middles. *A waist*: where one
//! lies on the other a little, neither is clear, but their product is. Bumps on a piece, bent strips and lobes leave none.
//! The ridge of a lap joint counts as a valley there. All floods are watersheds with dynamics as the criterion to merge (Grimaud,
//! "A new measure of contrast: the dynamics", Proc. SPIE 1769 (1992) 292–305; Beucher and Meyer 1993).

use std::ops::Range;

use ndarray::{Array2, Zip, s};

use super::distance::to_other;
use super::flood::{Merge, flood, flood_from};
use super::region::{Cell, Region};
use super::ridge::sink_ridges;
use crate::surface::SurfaceGrid;

/// Side of the square cells on which pieces are parted, mm: fine against any piece, coarse against noise.
const CELL_MM: f64 = 1.0;
/// A valley parts two tops if it is lower than this share of the lower top.
const VALLEY_RATIO: f32 = 0.62;
/// A neck parts two middles if it is narrower than this share of the narrower middle.
const NECK_RATIO: f32 = 0.62;
/// A place both lower and narrower than its sides parts them if the product of height and width is below this share.
const WAIST_RATIO: f32 = 0.5;
/// Least cells of twice the size on either side of a waist: what is smaller than a ridge is wide may be an end that looks like one.
const LEAST_AT_WAIST: usize = 43;
/// How near to those a share may come before the parting is called doubtful.
const DOUBT: f32 = 0.06;
/// A top or middle counts when this share of the least area of a piece lies above the pass.
const LEAST_SHARE: f64 = 0.3;
/// Belt kept around a part in its window, mm.
const PAD_MM: f64 = 10.0;

/// Parts a region into the pieces it is made of; a region of one piece comes back as it was.
///
/// `fills_mm` are heights of own cells that nobody saw. Parts smaller than `min_area_mm2` stay with their neighbour.
pub fn split(
    region: Region,
    fills_mm: &[((usize, usize), f32)],
    grid: &SurfaceGrid,
    min_area_mm2: f64,
) -> Vec<Region> {
    let coarse = Coarse::new(&region, fills_mm, grid);
    let (parts, doubtful) = coarse.parted(min_area_mm2);
    if let [] | [_] = doubtful[..] {
        return vec![Region {
            doubtful: doubtful.contains(&true),
            ..region
        }];
    }
    let fine = refine(&parts, &region, grid);
    let bounds = bounds(&fine, doubtful.len());
    (1..)
        .zip(doubtful.into_iter().zip(bounds))
        .filter_map(|(part, (doubtful, bounds))| {
            let parted = window(&region, &fine, part, bounds?, grid);
            Some(Region { doubtful, ..parted })
        })
        .collect()
}

/// The region on square cells of [`CELL_MM`].
struct Coarse {
    heights_mm: Array2<f32>,
    /// 1 on the region, 0 elsewhere.
    parts: Array2<u16>,
}

impl Coarse {
    fn new(region: &Region, fills_mm: &[((usize, usize), f32)], grid: &SurfaceGrid) -> Self {
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
        let mut parts = Array2::<u16>::zeros(size);
        let (row_starts, starts) = (starts(&row_to, size.0), starts(&column_to, size.1));
        // Of the fine rows of one coarse row: each column's lowest own height and number of own cells.
        let (mut line_mm, mut line_own) = (vec![0.0_f32; columns], vec![0_u8; columns]);
        for (row, ends) in row_starts.windows(2).enumerate() {
            line_mm.fill(f32::INFINITY);
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
                    .zip(&mut line_own[own.clone()]);
                let fine = cells[own.clone()].iter().zip(&heights[own]);
                for ((&cell, &height), (lowest, own)) in fine.zip(line) {
                    let is_own = cell == Cell::Own;
                    *own = own.saturating_add(u8::from(is_own));
                    // What nobody saw is below nothing.
                    let below = is_own & (height < *lowest);
                    *lowest = if below { height } else { *lowest };
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
                lowest[[row, column]] = line_mm[span].iter().copied().fold(f32::INFINITY, f32::min);
            }
        }
        for &((row, column), height_mm) in fills_mm {
            let lowest = &mut lowest[[row_to[row], column_to[column]]];
            *lowest = lowest.min(height_mm);
        }
        lowest.mapv_inplace(|height| if height.is_finite() { height } else { 0.0 });
        Self {
            heights_mm: smooth(&lowest),
            parts,
        }
    }

    /// The parts, and for each whether it was near to being divided, or to being one with a neighbour.
    ///
    /// Whether and where about to part is decided on cells of twice the size, a quarter as many; only lines that part are then looked for
    /// on these.
    fn parted(&self, min_area_mm2: f64) -> (Array2<u16>, Vec<bool>) {
        let cell_mm = 2.0 * CELL_MM;
        let least_cells = (LEAST_SHARE * min_area_mm2 / (cell_mm * cell_mm)).ceil() as usize;
        let merge = |ratio: f32, least_cells: usize| Merge {
            ratio,
            least_cells,
            doubt: DOUBT,
        };
        let whole = halved(&self.parts, u16::max);
        let inside = |height: f32, part: u16| if part > 0 { height } else { f32::INFINITY };
        let own_mm = Zip::from(&self.heights_mm)
            .and(&self.parts)
            .map_collect(|&height, &part| inside(height, part));
        let mut heights_mm = halved(&own_mm, f32::min);
        heights_mm.mapv_inplace(|height| if height.is_finite() { height } else { 0.0 });

        let valleys = flood(&heights_mm, &whole, &merge(VALLEY_RATIO, least_cells));
        let mut parts = match valleys.doubtful.len() {
            0 | 1 => self.parts.clone(),
            _ => parted_again(&self.heights_mm, &self.parts, &whole, &valleys.parts),
        };
        let mut reach = to_other(&parts);
        let reach_halved = halved(&reach, f32::max);
        let necks = flood(
            &reach_halved,
            &valleys.parts,
            &merge(NECK_RATIO, least_cells),
        );
        if necks.doubtful.len() > valleys.doubtful.len() {
            parts = parted_again(&reach, &parts, &valleys.parts, &necks.parts);
            reach = to_other(&parts);
        }
        let sunk = sink_ridges(&heights_mm, cell_mm);
        let waists = flood(
            &(halved(&reach, f32::max) * &sunk),
            &necks.parts,
            &merge(WAIST_RATIO, least_cells.max(LEAST_AT_WAIST)),
        );
        if waists.doubtful.len() > necks.doubtful.len() {
            let products = reach * &sink_ridges(&self.heights_mm, CELL_MM);
            parts = parted_again(&products, &parts, &necks.parts, &waists.parts);
        }
        // A part of a later flood lies within one of the floods before, and shares its doubt.
        let mut doubtful = waists.doubtful;
        for ((&part, &neck), &valley) in waists.parts.iter().zip(&necks.parts).zip(&valleys.parts) {
            if let Some(at) = usize::from(part).checked_sub(1) {
                doubtful[at] |= necks.doubtful[usize::from(neck) - 1];
                doubtful[at] |= valleys.doubtful[usize::from(valley) - 1];
            }
        }
        (parts, doubtful)
    }
}

/// Chooses over 2 × 2 cells.
fn halved<T: Copy>(values: &Array2<T>, choose: impl Fn(T, T) -> T) -> Array2<T> {
    let (rows, columns) = values.dim();
    let last = |at: usize, end: usize| at.min(end - 1);
    Array2::from_shape_fn((rows.div_ceil(2), columns.div_ceil(2)), |(row, column)| {
        let (above, below) = (2 * row, last(2 * row + 1, rows));
        let (left, right) = (2 * column, last(2 * column + 1, columns));
        choose(
            choose(values[[above, left]], values[[above, right]]),
            choose(values[[below, left]], values[[below, right]]),
        )
    })
}

/// Parts each of `parts` as a flood on cells of twice the size parted it: `before` are the parts there, `after` what became of them.
///
/// Away from the lines between two of them cells are what they are there; about the lines `values` are flooded again.
fn parted_again(
    values: &Array2<f32>,
    parts: &Array2<u16>,
    before: &Array2<u16>,
    after: &Array2<u16>,
) -> Array2<u16> {
    let (rows, columns) = after.dim();
    let count = after.iter().copied().max().unwrap_or(0);
    let mut clear = vec![false; usize::from(count) + 1];
    let mut inner = Array2::<u16>::zeros(after.dim());
    for ((row, column), &part) in after.indexed_iter().filter(|(_, part)| **part > 0) {
        let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
        let around = s![near(row, rows), near(column, columns)];
        let (around, of) = (after.slice(around), before.slice(around));
        let alone = |(&other, &whole): (&u16, &u16)| other == part || (other | whole) == 0;
        if around.iter().zip(&of).all(alone) {
            inner[[row, column]] = part;
            clear[usize::from(part)] = true;
        }
    }
    // A part too narrow to have cells away from all lines grows from what it has.
    let markers = Array2::from_shape_fn(parts.dim(), |(row, column)| {
        let at = [row / 2, column / 2];
        let part = after[at];
        let marks = inner[at] > 0 || (part > 0 && !clear[usize::from(part)]);
        if marks && parts[[row, column]] == before[at] {
            part
        } else {
            0
        }
    });
    flood_from(values, parts, &markers)
}

/// The parts on the region's own cells; own cells on coarse ones without a part take the nearest part's number.
fn refine(parts: &Array2<u16>, region: &Region, grid: &SurfaceGrid) -> Array2<u16> {
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
fn bounds(parts: &Array2<u16>, count: usize) -> Vec<Option<[Range<usize>; 2]>> {
    let mut bounds: Vec<Option<[Range<usize>; 2]>> = vec![None; count];
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
        doubtful: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pieces::Ends;

    const GRID_MM: f64 = 0.5;

    /// A piece: middle across and along, half its sides, mm, and its height there from 0 (middle) to 1 (rim).
    type Piece = ([f64; 2], [f64; 2], fn(f64) -> f64);

    fn slab(_: f64) -> f64 {
        20.0
    }

    fn dome(r: f64) -> f64 {
        25.0 * (1.0 - r * r).sqrt()
    }

    /// A window of 200 × 260 mm; where pieces overlap their heights add.
    fn parted(pieces: &[Piece]) -> Vec<Region> {
        let (rows, columns) = (520, 400);
        let heights_mm = Array2::from_shape_fn((rows, columns), |(row, column)| {
            let at = [
                (column as f64 + 0.5) * GRID_MM,
                (row as f64 + 0.5) * GRID_MM,
            ];
            let sum: f64 = pieces
                .iter()
                .map(|(middle, half, height)| {
                    let r = ((at[0] - middle[0]) / half[0]).hypot((at[1] - middle[1]) / half[1]);
                    if r < 1.0 { height(r) } else { 0.0 }
                })
                .sum();
            sum as f32
        });
        let cells = heights_mm.mapv(|height| if height > 1.0 { Cell::Own } else { Cell::Free });
        let region = Region {
            first_row: 0,
            first_column: 0,
            heights_mm,
            cells,
            ends: Ends::default(),
            touching: false,
            doubtful: false,
        };
        let grid = SurfaceGrid {
            pitch_across_mm: GRID_MM,
            pitch_along_mm: GRID_MM,
            x_origin_mm: 0.0,
            y_origin_mm: 0.0,
            columns,
        };
        split(region, &[], &grid, 400.0)
    }

    fn volumes_cm3(regions: &[Region]) -> Vec<f64> {
        regions
            .iter()
            .map(|region| {
                let own = region.cells.iter().zip(&region.heights_mm);
                own.filter(|(cell, _)| **cell == Cell::Own)
                    .map(|(_, height)| f64::from(*height) * GRID_MM * GRID_MM / 1000.0)
                    .sum()
            })
            .collect()
    }

    #[test]
    fn a_single_piece_comes_back_whole_and_without_doubt() {
        for height in [slab, dome] {
            let whole = parted(&[([100.0, 120.0], [40.0, 60.0], height)]);
            assert_eq!(whole.len(), 1);
            assert!(!whole[0].touching && !whole[0].doubtful);
        }
    }

    #[test]
    fn domes_that_touch_are_parted_at_the_valley() {
        let parts = parted(&[
            ([100.0, 70.0], [40.0, 40.0], dome),
            ([100.0, 149.0], [40.0, 40.0], dome),
        ]);
        let volumes = volumes_cm3(&parts);
        assert_eq!(volumes.len(), 2);
        // Half ellipsoids: 2/3 π a b c.
        let own = 2.0 / 3.0 * std::f64::consts::PI * 40.0 * 40.0 * 25.0 / 1000.0;
        for volume in volumes {
            assert!((volume / own - 1.0).abs() < 0.01, "{volume} for {own}");
        }
        assert!(parts.iter().all(|part| part.touching));
    }

    #[test]
    fn a_border_runs_straight_and_does_not_creep_into_the_smaller_piece() {
        // Flat pieces of different size that overlap: the border is the line between the two notches of the outline.
        let parts = parted(&[
            ([100.0, 80.0], [60.0, 60.0], slab),
            ([100.0, 168.0], [32.0, 32.0], slab),
        ]);
        assert_eq!(parts.len(), 2);
        let rows = |region: &Region| {
            let own = region
                .cells
                .indexed_iter()
                .filter(|(_, cell)| **cell == Cell::Own);
            let rows: Vec<usize> = own.map(|((row, _), _)| region.first_row + row).collect();
            (rows.iter().min().copied(), rows.iter().max().copied())
        };
        let (Some(first), Some(last)) = (rows(&parts[1]).0, rows(&parts[0]).1) else {
            panic!("a part without cells");
        };
        let overlap_mm = (last as f64 - first as f64) * GRID_MM;
        assert!(overlap_mm.abs() < 4.0, "{overlap_mm}");
    }

    #[test]
    fn a_lap_joint_is_cut_in_the_middle_of_what_is_shared() {
        let parts = parted(&[
            ([100.0, 70.0], [55.0, 55.0], slab),
            ([100.0, 174.0], [55.0, 55.0], slab),
        ]);
        let volumes = volumes_cm3(&parts);
        assert_eq!(volumes.len(), 2);
        let own = std::f64::consts::PI * 55.0 * 55.0 * 20.0 / 1000.0;
        for volume in volumes {
            assert!((volume / own - 1.0).abs() < 0.03, "{volume} for {own}");
        }
    }

    #[test]
    fn a_neck_near_the_limit_is_called_doubtful() {
        // Two discs of radius 40 whose common chord is 2·√(40² − d²) long; over the width 80 its share runs from 0 to 1.
        let share = |overlap: f64| (1600.0 - (40.0 - overlap / 2.0_f64).powi(2)).sqrt() / 40.0;
        let doubtful = |overlap: f64| {
            parted(&[
                ([100.0, 70.0], [40.0, 40.0], slab),
                ([100.0, 150.0 - overlap], [40.0, 40.0], slab),
            ])
            .iter()
            .any(|part| part.doubtful)
        };
        assert!(share(3.0) < 0.4);
        assert!(!doubtful(3.0));
        let near = (8..40).map(f64::from).filter(|&overlap| doubtful(overlap));
        assert!(near.count() > 0);
    }
}
