//! The smallest rectangle around a footprint.

use std::f64::consts::{FRAC_PI_2, PI};

use ndarray::Array2;

use super::hull::{Around, extent, hull_of_sorted, rectangles};
use super::spans::{Spans, row_of, spans};
use crate::pieces::CellState;
use crate::surface::SurfaceGrid;

/// A rectangle in the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rectangle {
    /// Long side, mm.
    pub length_mm: f64,
    /// Short side, mm.
    pub width_mm: f64,
    /// Direction of the long side from the x axis, rad, in (−π/2, π/2].
    pub yaw_rad: f64,
    /// Standard uncertainty of length and width from where between two cells the ends run, mm.
    pub ends_u_mm: [f64; 2],
    /// Standard uncertainty of length and width from the choice of the direction, mm.
    pub direction_u_mm: [f64; 2],
}

/// Convex hull of the covered cells' centres, mm relative to cell (0, 0), counter-clockwise.
///
/// Over the first and last covered cell of every row, in whole cells, so that the result does not depend on rounding.
fn hull(spans: &Spans, grid: &SurfaceGrid) -> Vec<[f64; 2]> {
    let mut points: Vec<[i64; 2]> = Vec::new();
    for (row, span) in spans {
        let (first, last) = (span.start, span.end - 1);
        points.push([first as i64, *row as i64]);
        if last > first {
            points.push([last as i64, *row as i64]);
        }
    }
    points.sort_unstable();
    let mut corners = hull_of_sorted(&points);
    if corners.is_empty() {
        corners = points;
    }
    corners
        .into_iter()
        .map(|[column, row]| {
            [
                column as f64 * grid.pitch_across_mm,
                row as f64 * grid.pitch_along_mm,
            ]
        })
        .collect()
}

/// The smallest rectangle (by area) around the covered cells. `None` if there are none.
///
/// One side of it lies along a side of the hull. Each side is then moved out to half way between the outermost covered centre and the nearest uncovered one beyond it: the true
/// edge runs between them. For an edge along the grid that gap is a pitch, for a long edge at an angle or a bent one next to nothing.
/// The smallest of the rectangles moved out so is taken, of those in all directions that could be it.
///
/// Directions whose rectangle is no larger than the smallest by more than their ends are known cannot be told from it: lengths and
/// widths among them are rectangular over their range.
pub fn smallest_rectangle(covered: &Array2<bool>, grid: &SurfaceGrid) -> Option<Rectangle> {
    rectangle_of(covered, &spans(covered), grid)
}

/// Most covered cells in the 3 × 3 around one that sticks out.
const STICKS_OUT: usize = 4;

/// Directions this near to each other are not told apart in the search, rad.
const SAME_DIRECTION_RAD: f64 = 0.01;

/// The sides of a candidate moved out, first its first.
#[derive(Debug, Clone, Copy)]
struct MovedOut {
    angle_rad: f64,
    /// Both lengths, mm.
    sides_mm: [f64; 2],
    /// Standard uncertainty of each from where its ends run, mm.
    ends_u_mm: [f64; 2],
}

impl MovedOut {
    fn area_mm2(&self) -> f64 {
        self.sides_mm[0] * self.sides_mm[1]
    }

    fn area_u_mm2(&self) -> f64 {
        (self.ends_u_mm[0] * self.sides_mm[1]).hypot(self.ends_u_mm[1] * self.sides_mm[0])
    }
}

/// The same, with the spans of the covered cells at hand.
pub(super) fn rectangle_of(
    covered: &Array2<bool>,
    spans: &Spans,
    grid: &SurfaceGrid,
) -> Option<Rectangle> {
    let hull = hull(spans, grid);
    let extent = |direction: [f64; 2]| extent(&hull, direction);
    let mut candidates: Vec<Around> = rectangles(&hull).collect();
    let rim = rim_cells(covered, spans);
    let reach_mm = grid.pitch_across_mm.hypot(grid.pitch_along_mm);
    let side = |direction: [f64; 2]| {
        let (low, high) = extent(direction);
        let gap = |sign: f64, end: f64| {
            gap_mm(covered, &rim, grid, direction.map(|d| sign * d), sign * end)
        };
        let gaps = [gap(1.0, high), gap(-1.0, low)];
        // Two ends, each rectangular over a cell: noise and rebuilt flanks move cells that gaps alone would know better.
        let cell_mm =
            direction[0].abs() * grid.pitch_across_mm + direction[1].abs() * grid.pitch_along_mm;
        (
            high - low + (gaps[0] + gaps[1]) / 2.0,
            cell_mm / 6.0_f64.sqrt(),
        )
    };
    let moved_out = |angle_rad: f64| {
        let (sin, cos) = angle_rad.sin_cos();
        let ((one, one_u), (two, two_u)) = (side([cos, sin]), side([-sin, cos]));
        MovedOut {
            angle_rad,
            sides_mm: [one, two],
            ends_u_mm: [one_u, two_u],
        }
    };
    // Moving its sides out adds at most half a cell's diagonal at each end.
    let least = candidates
        .iter()
        .map(|candidate| {
            let [one, two] = candidate.sides_mm;
            (one + reach_mm) * (two + reach_mm)
        })
        .fold(f64::INFINITY, f64::min);
    candidates.retain(|candidate| candidate.area_mm2() <= least);
    candidates.sort_unstable_by(|a, b| {
        let by_area = a.area_mm2().total_cmp(&b.area_mm2());
        by_area.then(a.angle_rad.total_cmp(&b.angle_rad))
    });
    let mut found: Vec<MovedOut> = Vec::new();
    for candidate in candidates {
        let same = |sides: &MovedOut| {
            let off = (sides.angle_rad - candidate.angle_rad).abs();
            off.min(FRAC_PI_2 - off) < SAME_DIRECTION_RAD
        };
        if !found.iter().any(same) {
            found.push(moved_out(candidate.angle_rad));
        }
    }
    let best = *found
        .iter()
        .min_by(|a, b| a.area_mm2().total_cmp(&b.area_mm2()))?;
    let along_first = best.sides_mm[0] >= best.sides_mm[1];
    let (long, short, angle) = match along_first {
        true => (0, 1, best.angle_rad),
        false => (1, 0, best.angle_rad + FRAC_PI_2),
    };
    let alike = found.iter().filter(|sides| {
        sides.area_mm2() <= best.area_mm2() + sides.area_u_mm2().hypot(best.area_u_mm2())
    });
    let mut ranges = [(f64::INFINITY, 0.0_f64); 2];
    for sides in alike {
        let [one, two] = sides.sides_mm;
        for (range, side) in ranges.iter_mut().zip([one.max(two), one.min(two)]) {
            *range = (range.0.min(side), range.1.max(side));
        }
    }
    let turned = angle.rem_euclid(PI);
    let yaw_rad = if turned > FRAC_PI_2 + 1e-12 {
        turned - PI
    } else {
        turned
    };
    Some(Rectangle {
        length_mm: best.sides_mm[long],
        width_mm: best.sides_mm[short],
        yaw_rad,
        ends_u_mm: [best.ends_u_mm[long], best.ends_u_mm[short]],
        direction_u_mm: ranges.map(|(low, high)| (high - low).max(0.0) / 12.0_f64.sqrt()),
    })
}

/// The covered cells without those that nobody saw and that stick out: a dropout beside an edge or a single rebuilt lane is no end of a piece.
///
/// A cell sticks out if no more than [`STICKS_OUT`] cells of the 3 × 3 around it are covered, itself included; twice, as a lane may stick out by
/// two. `None` if there are none.
pub(super) fn without_spurs(
    covered: &Array2<bool>,
    spans: &Spans,
    states: &Array2<CellState>,
) -> Option<Array2<bool>> {
    let unseen = |at: &(usize, usize)| states[*at] != CellState::Seen;
    let mut open: Vec<(usize, usize)> = rim_cells(covered, spans);
    open.retain(unseen);
    let mut firm: Option<Array2<bool>> = None;
    for _ in 0..2 {
        let cells = firm.as_ref().unwrap_or(covered);
        let spurs: Vec<(usize, usize)> = open
            .iter()
            .copied()
            .filter(|&(row, column)| {
                let near = around(row, column).filter(|&at| is_covered(cells, at));
                cells[(row, column)] && near.count() <= STICKS_OUT
            })
            .collect();
        if spurs.is_empty() {
            break;
        }
        let cells = firm.get_or_insert_with(|| covered.clone());
        for &at in &spurs {
            cells[at] = false;
        }
        let cells = &*cells;
        open = spurs
            .iter()
            .flat_map(|&(row, column)| around(row, column))
            .filter(|&at| is_covered(cells, at))
            .map(|(row, column)| (row as usize, column as usize))
            .filter(unseen)
            .collect();
    }
    firm
}

/// Covered cells with an uncovered one among their eight neighbours.
fn rim_cells(covered: &Array2<bool>, spans: &Spans) -> Vec<(usize, usize)> {
    const BLOCK: usize = 32;
    let (rows, columns) = covered.dim();
    let outside = vec![false; columns];
    let mut rim = Vec::new();
    // Cells covered in all three rows around one, with an uncovered cell on either side.
    let mut deep = vec![false; columns + 2];
    for (row, span) in spans {
        let row = *row;
        let line = |row: Option<usize>| match row.filter(|&row| row < rows) {
            Some(row) => row_of(covered, row, span),
            None => &outside[span.clone()],
        };
        let own = row_of(covered, row, span);
        let (above, below) = (line(row.checked_sub(1)), line(Some(row + 1)));
        let deep = &mut deep[..own.len() + 2];
        deep[own.len() + 1] = false;
        let sides = own.iter().zip(above).zip(below);
        for (deep, ((&own, &above), &below)) in deep[1..].iter_mut().zip(sides) {
            *deep = own & above & below;
        }
        let (left, middle, right) = (&deep[..], &deep[1..], &deep[2..]);
        for first in (0..own.len()).step_by(BLOCK) {
            let block = first..(first + BLOCK).min(own.len());
            let cells = own[block.clone()].iter().zip(&left[block.clone()]);
            let cells = cells.zip(middle[block.clone()].iter().zip(&right[block]));
            let is_rim = |((own, left), (middle, right)): ((&bool, &bool), (&bool, &bool))| {
                own & !(left & middle & right)
            };
            if cells.clone().fold(false, |any, cell| any | is_rim(cell)) {
                let found = cells.enumerate().filter(|(_, cell)| is_rim(*cell));
                rim.extend(found.map(|(place, _)| (row, span.start + first + place)));
            }
        }
    }
    rim
}

/// The way from the outermost covered centre, at `end_mm` in `direction`, to the nearest uncovered one beyond it, mm.
fn gap_mm(
    covered: &Array2<bool>,
    rim: &[(usize, usize)],
    grid: &SurfaceGrid,
    direction: [f64; 2],
    end_mm: f64,
) -> f64 {
    let place = |row: f64, column: f64| {
        column * grid.pitch_across_mm * direction[0] + row * grid.pitch_along_mm * direction[1]
    };
    let reach_mm = grid.pitch_across_mm.hypot(grid.pitch_along_mm);
    let mut nearest_mm = reach_mm;
    for &(row, column) in rim {
        if place(row as f64, column as f64) < end_mm - reach_mm {
            continue;
        }
        for at in around(row, column).filter(|&at| !is_covered(covered, at)) {
            let beyond_mm = place(at.0 as f64, at.1 as f64) - end_mm;
            if beyond_mm > 1e-9 {
                nearest_mm = nearest_mm.min(beyond_mm);
            }
        }
    }
    nearest_mm
}

fn around(row: usize, column: usize) -> impl Iterator<Item = (isize, isize)> {
    let (row, column) = (row as isize, column as isize);
    (-1..=1).flat_map(move |dr| (-1..=1).map(move |dc| (row + dr, column + dc)))
}

fn is_covered(covered: &Array2<bool>, (row, column): (isize, isize)) -> bool {
    row >= 0 && column >= 0 && covered.get([row as usize, column as usize]) == Some(&true)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub const GRID: SurfaceGrid = SurfaceGrid {
        columns: 400,
        x_origin_mm: 0.0,
        y_origin_mm: 0.0,
        pitch_across_mm: 0.4,
        pitch_along_mm: 0.5,
    };

    pub fn cells(inside: impl Fn(f64, f64) -> bool) -> Array2<bool> {
        Array2::from_shape_fn((320, 400), |(row, column)| {
            inside(
                GRID.x_mm(column as f64) - 80.0,
                GRID.y_mm(row as f64) - 80.0,
            )
        })
    }

    #[test]
    fn a_turned_rectangle_is_found_within_a_pitch() {
        for degrees in [0.0, 7.0, 30.0, 45.0, 63.0, 90.0, 120.0, 179.0_f64] {
            let (sin, cos) = degrees.to_radians().sin_cos();
            let covered =
                cells(|x, y| (x * cos + y * sin).abs() < 50.0 && (y * cos - x * sin).abs() < 20.0);
            let found = smallest_rectangle(&covered, &GRID).unwrap();
            assert!((found.length_mm - 100.0).abs() < 0.6, "{degrees} {found:?}");
            assert!((found.width_mm - 40.0).abs() < 0.6, "{degrees} {found:?}");
            let turned = (found.yaw_rad - degrees.to_radians()).rem_euclid(PI);
            assert!(!(0.02..=PI - 0.02).contains(&turned), "{degrees} {found:?}");
        }
    }

    #[test]
    fn a_disc_is_as_long_and_wide_as_its_diameter() {
        let found = smallest_rectangle(&cells(|x, y| x.hypot(y) < 50.0), &GRID).unwrap();
        assert!((found.length_mm - 100.0).abs() < 0.2, "{found:?}");
        assert!((found.width_mm - 100.0).abs() < 0.2, "{found:?}");
    }

    #[test]
    fn what_nobody_saw_and_sticks_out_is_no_end() {
        let covered = cells(|x, y| x.abs() < 50.0 && y.abs() < 20.0);
        let (row, column) = (160, 200);
        let top = (row..320).find(|&row| !covered[[row, column]]).unwrap();
        let mut with_spur = covered.clone();
        let mut states = Array2::from_elem(covered.dim(), CellState::Seen);
        for at in [(top, column), (top + 1, column)] {
            with_spur[at] = true;
            states[at] = CellState::Shadow;
        }
        let firm = without_spurs(&with_spur, &spans(&with_spur), &states).unwrap();
        assert!(firm == covered);
        // What was seen is believed.
        states.fill(CellState::Seen);
        assert!(without_spurs(&with_spur, &spans(&with_spur), &states).is_none());
    }

    #[test]
    fn a_single_cell_is_one_pitch_by_one() {
        let mut covered = Array2::from_elem((3, 3), false);
        covered[[1, 1]] = true;
        let found = smallest_rectangle(&covered, &GRID).unwrap();
        assert!((found.length_mm - 0.5).abs() < 1e-12 && (found.width_mm - 0.4).abs() < 1e-12);
        assert!(smallest_rectangle(&Array2::from_elem((3, 3), false), &GRID).is_none());
    }
}
