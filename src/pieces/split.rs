//! Parts pieces that touch.
//!
//! Three signs tell two pieces from one. *A valley*: domed pieces that touch leave a low line between them, whatever their
//! outlines; a flood of the height from above meets there well below both tops. *A neck*: flat pieces that touch leave an
//! outline that narrows; a flood of the distance to the outline meets there well below both middles. *A waist*: where one
//! lies on the other a little, neither is clear, but their product is. Bumps on a piece, bent strips and lobes leave none.
//! The ridge of a lap joint counts as a valley there. All floods are watersheds with dynamics as the criterion to merge (Grimaud,
//! "A new measure of contrast: the dynamics", Proc. SPIE 1769 (1992) 292–305; Beucher and Meyer 1993).

use std::ops::Range;

use ndarray::{Array2, s};

use super::coarse::{Coarse, to_coarse};
use super::region::{Cell, Region};
use crate::surface::SurfaceGrid;

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
        let (Some(cells), Some(out)) = (cells.to_slice(), out.as_slice_mut()) else {
            continue;
        };
        for ((&cell, out), &column) in cells.iter().zip(out).zip(&column_to) {
            if cell == Cell::Own {
                *out = spread[column];
            }
        }
    }
    fine
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
    fn a_lap_of_round_rims_is_parted_on_its_crest_without_doubt() {
        // The rims' sum is hardly higher than the tops beside it, and the pass at its ends is wide.
        fn rounded(r: f64) -> f64 {
            24.0 * (1.0 - r.powi(10)).powf(0.4)
        }
        for overlap_mm in [5.0, 7.0, 9.0] {
            let parts = parted(&[
                ([100.0, 60.0], [38.0, 50.0], rounded),
                ([92.0, 160.0 - overlap_mm], [52.0, 50.0], rounded),
            ]);
            let volumes = volumes_cm3(&parts);
            assert_eq!(volumes.len(), 2, "{overlap_mm}");
            assert!(parts.iter().all(|part| !part.doubtful), "{overlap_mm}");
            // The same pieces far from each other.
            let apart = parted(&[
                ([60.0, 60.0], [38.0, 50.0], rounded),
                ([100.0, 190.0], [52.0, 50.0], rounded),
            ]);
            for (volume, own) in volumes.iter().zip(volumes_cm3(&apart)) {
                assert!((volume / own - 1.0).abs() < 0.03, "{volume} for {own}");
            }
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
