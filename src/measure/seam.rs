//! What is not known of the line along which a piece was parted from a neighbour.
//!
//! Two kinds of seam. *A valley*: two pieces side by side. The line may run anywhere on the valley's floor, as far as heights there differ by no
//! more than their noise, and anywhere in a gap that nobody saw. *A lap*: one piece lies on the other, and both thicknesses add up to a ridge. The line
//! runs on its crest, the rims of the pieces along its feet: what each has beyond the line counts for the other, which about cancels for the
//! volume, and is missing from area, length and width of both.

use std::ops::Range;

use ndarray::Array2;

use super::hull::{hull_of_sorted, rectangles};
use super::spans::{Spans, first_that, past_last, row_of};
use crate::pieces::{Cell, CellState, Mended, Region};
use crate::stats::weighted_least_squares;
use crate::surface::SurfaceGrid;

/// How far on either side of the line valley or ridge are followed, mm.
const REACH_MM: f64 = 12.0;
/// Cells of the raster on which pieces are parted, mm: the line is not known better than to half of one on either side.
const LINE_MM: f64 = 0.5;
/// Half the window from which the direction across the line is taken, cells.
const DIRECTION_CELLS: isize = 4;
/// A ridge falls on both sides by more than this share of its height, and than [`RIDGE_SDS`] of the noise.
const RIDGE_SHARE: f32 = 0.08;
const RIDGE_SDS: f32 = 8.0;
/// A floor is level within so many standard deviations of the noise.
const FLOOR_SDS: f32 = 3.0;
/// Share of a ridge's fall at which its foot is taken.
const FOOT_SHARE: f32 = 0.8;
/// Standard deviation of where the line runs to where it parts the volumes rightly, as a share of the ridge's width.
///
/// From simulated laps of 4 to 10 mm (pairs 1 to 24 of seven kinds): see `docs/methods/measures.md`.
const CREST_SHARE: f64 = 0.4;
/// Where beside a line the flank that falls to it is looked at, mm.
const FLANK_MM: Range<f64> = 1.0..6.0;
/// Fewest cells of it that must be seen.
const FLANK_CELLS: usize = 4;

/// Standard uncertainties that a piece has from its seams.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SeamBudget {
    /// Of the volume, mm³.
    pub volume_mm3: f64,
    /// Of the area, mm².
    pub area_mm2: f64,
    /// Of the length, mm.
    pub length_mm: f64,
    /// Of the width, mm.
    pub width_mm: f64,
}

/// The window of a piece.
struct Window<'a> {
    cells: &'a Array2<Cell>,
    mended: &'a Mended,
}

impl Window<'_> {
    /// Heights from a cell on, as far as cells are of that kind and no farther than `reach` cells; NaN unseen.
    fn walk(&self, from: [usize; 2], step: [isize; 2], kind: Cell, reach: usize) -> Vec<f32> {
        let mut heights_mm = Vec::new();
        let mut at = from;
        while heights_mm.len() < reach && self.cells.get(at) == Some(&kind) {
            let seen = self.mended.states[at] == CellState::Seen;
            heights_mm.push(if seen {
                self.mended.heights_mm[at]
            } else {
                f32::NAN
            });
            at = [0, 1].map(|axis| at[axis].wrapping_add_signed(step[axis]));
        }
        heights_mm
    }
}

/// What two neighbouring cells say of the line between them.
struct Crossing {
    /// Centre of the piece's cell in the window, mm.
    own_mm: [f64; 2],
    /// Length of line that it stands for times the cosine to the normal, mm.
    length_mm: f64,
    /// Unit normal, out of the piece.
    normal: [f64; 2],
    /// How far the line may run into the piece and out of it along the normal without being seen to be elsewhere, mm.
    floor_mm: [f64; 2],
    /// How far the other piece reaches into this one's part, and this one into the other's, mm.
    overlap_mm: [f64; 2],
    /// Height that changes hands where the line moves, mm.
    height_mm: f64,
}

/// The seams' part of a piece's budget; all 0 where it was not parted.
pub fn seam_budget(
    region: &Region,
    mended: &Mended,
    spans: &Spans,
    grid: &SurfaceGrid,
    noise_mm: f64,
) -> SeamBudget {
    if !region.touching {
        return SeamBudget::default();
    }
    let crossings = crossings(
        &Window {
            cells: &region.cells,
            mended,
        },
        spans,
        grid,
        noise_mm as f32,
    );
    let (mut valley, mut lap) = (SeamBudget::default(), SeamBudget::default());
    for crossing in &crossings {
        let volume_mm2 = crossing.height_mm * crossing.length_mm;
        let floor_u_mm = crossing.floor_mm.iter().sum::<f64>() / 12.0_f64.sqrt();
        valley.volume_mm3 += floor_u_mm * volume_mm2;
        valley.area_mm2 += floor_u_mm * crossing.length_mm;
        lap.volume_mm3 += CREST_SHARE * crossing.overlap_mm.iter().sum::<f64>() * volume_mm2;
        lap.area_mm2 += crossing.overlap_mm[1] * crossing.length_mm;
    }
    let outline = outline_mm(spans, grid);
    let sides_mm = sides_of_smallest(&outline);
    // The sides with all that the line may have left to the other pieces.
    let apart = |reach_mm: &dyn Fn(&Crossing) -> f64| {
        let mut wider = outline.clone();
        wider.extend(crossings.iter().map(|crossing| {
            let reach_mm = reach_mm(crossing);
            [0, 1].map(|axis| crossing.own_mm[axis] + reach_mm * crossing.normal[axis])
        }));
        let wider_mm = sides_of_smallest(&wider);
        [0, 1].map(|side| (wider_mm[side] - sides_mm[side]).abs())
    };
    let lap_mm = apart(&|crossing| crossing.overlap_mm[1]);
    // A floor lies on both sides of the line: half of its range is seen on this one.
    let floor_mm = apart(&|crossing| crossing.floor_mm[1]).map(|half| 2.0 * half / 12.0_f64.sqrt());
    SeamBudget {
        volume_mm3: valley.volume_mm3.hypot(lap.volume_mm3),
        area_mm2: valley.area_mm2.hypot(lap.area_mm2),
        length_mm: lap_mm[0].hypot(floor_mm[0]),
        width_mm: lap_mm[1].hypot(floor_mm[1]),
    }
}

/// Centres of the first and last cells of the rows, mm in the window.
fn outline_mm(spans: &Spans, grid: &SurfaceGrid) -> Vec<[f64; 2]> {
    let ends = spans.iter().flat_map(|(row, span)| {
        [span.start, span.end - 1].map(|column| centre_mm([*row, column], grid))
    });
    ends.collect()
}

fn centre_mm([row, column]: [usize; 2], grid: &SurfaceGrid) -> [f64; 2] {
    [
        (column as f64 + 0.5) * grid.pitch_across_mm,
        (row as f64 + 0.5) * grid.pitch_along_mm,
    ]
}

/// Long and short side of the smallest rectangle around points, mm.
fn sides_of_smallest(points: &[[f64; 2]]) -> [f64; 2] {
    let mut points = points.to_vec();
    points.sort_unstable_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let least = rectangles(&hull_of_sorted(&points))
        .min_by(|one, two| one.area_mm2().total_cmp(&two.area_mm2()));
    match least.map(|around| around.sides_mm) {
        Some([one, two]) => [one.max(two), one.min(two)],
        None => [0.0; 2],
    }
}

fn crossings(
    window: &Window<'_>,
    spans: &Spans,
    grid: &SurfaceGrid,
    noise_mm: f32,
) -> Vec<Crossing> {
    let cells = window.cells;
    let (rows, columns) = cells.dim();
    let mut found = Vec::new();
    for (row, span) in spans {
        for column in beside_others(cells, *row, span) {
            if cells[[*row, column]] != Cell::Own {
                continue;
            }
            for (dr, dc) in [(0, 1), (0, -1), (1, 0), (-1, 0)] {
                let at = [row.wrapping_add_signed(dr), column.wrapping_add_signed(dc)];
                let touches = at[0] < rows && at[1] < columns && cells[at] == Cell::Other;
                if touches {
                    let own = [*row, column];
                    found.extend(crossing(window, own, [dr, dc], grid, noise_mm));
                }
            }
        }
    }
    found
}

/// The columns of a stretch of a row within which cells have others beside them.
fn beside_others(cells: &Array2<Cell>, row: usize, span: &Range<usize>) -> Range<usize> {
    let (rows, columns) = cells.dim();
    let (start, end) = (span.start.saturating_sub(1), (span.end + 1).min(columns));
    let (mut first, mut last) = (span.end, span.start);
    for near in row.saturating_sub(1)..(row + 2).min(rows) {
        let near = row_of(cells, near, &(start..end));
        if let Some(one) = first_that(near, Cell::Other) {
            first = first.min((start + one).saturating_sub(1));
            last = last.max(start + past_last(near, Cell::Other) + 1);
        }
    }
    first.max(span.start)..last.min(span.end)
}

fn crossing(
    window: &Window<'_>,
    own: [usize; 2],
    step: [isize; 2],
    grid: &SurfaceGrid,
    noise_mm: f32,
) -> Option<Crossing> {
    let normal = normal(window.cells, own, step, grid)?;
    let (pitch_mm, across_mm, lean) = if step[0] == 0 {
        (grid.pitch_across_mm, grid.pitch_along_mm, normal[0].abs())
    } else {
        (grid.pitch_along_mm, grid.pitch_across_mm, normal[1].abs())
    };
    let reach = (REACH_MM / pitch_mm / lean.max(0.3)) as usize;
    let inward = window.walk(own, step.map(|s| -s), Cell::Own, reach);
    let first = [0, 1].map(|axis| own[axis].wrapping_add_signed(step[axis]));
    let outward = window.walk(first, step, Cell::Other, reach);
    let along_mm = pitch_mm * lean.max(0.3);
    let profile = Profile::new([&inward, &outward], along_mm, noise_mm)?;
    Some(Crossing {
        own_mm: centre_mm(own, grid),
        length_mm: across_mm * lean,
        normal,
        floor_mm: profile.floor.map(|cells| (cells * along_mm).max(LINE_MM)),
        overlap_mm: profile.overlap.map(|cells| cells * along_mm),
        height_mm: f64::from(profile.height_mm),
    })
}

/// Unit vector across the line, out of the piece.
fn normal(
    cells: &Array2<Cell>,
    own: [usize; 2],
    step: [isize; 2],
    grid: &SurfaceGrid,
) -> Option<[f64; 2]> {
    let (rows, columns) = cells.dim();
    let (mut x, mut y) = (0.0, 0.0);
    // As many cells on either side of the line.
    let near = |step: isize| step.min(0) - DIRECTION_CELLS..=DIRECTION_CELLS + step.max(0);
    for dr in near(step[0]) {
        for dc in near(step[1]) {
            let at = [
                own[0].wrapping_add_signed(dr),
                own[1].wrapping_add_signed(dc),
            ];
            if at[0] >= rows || at[1] >= columns {
                continue;
            }
            let sign = match cells[at] {
                Cell::Own => -1.0,
                Cell::Other => 1.0,
                Cell::Free => continue,
            };
            x += sign * (dc as f64 - 0.5 * step[1] as f64) * grid.pitch_across_mm;
            y += sign * (dr as f64 - 0.5 * step[0] as f64) * grid.pitch_along_mm;
        }
    }
    let length = f64::hypot(x, y);
    (length > 0.0).then(|| [x / length, y / length])
}

/// The surface across the line, from it into the piece and out of it.
struct Profile {
    /// Cells on either side among which the line may run.
    floor: [f64; 2],
    /// Cells that the other reaches into this one's side, and this one into the other's.
    overlap: [f64; 2],
    height_mm: f32,
}

impl Profile {
    /// `None` where nothing was seen on either side.
    fn new(sides: [&[f32]; 2], along_mm: f64, noise_mm: f32) -> Option<Self> {
        let seen = sides.map(|side| side.iter().copied().filter(|h| !h.is_nan()));
        let nearest = seen.clone().map(|mut side| side.next());
        let (low_mm, high_mm) = match nearest {
            [Some(one), Some(two)] => (one.min(two), one.max(two)),
            [Some(one), None] | [None, Some(one)] => (one, one),
            [None, None] => return None,
        };
        let lowest = seen.map(|side| side.fold(f32::INFINITY, f32::min));
        let fall_mm = high_mm - lowest[0].max(lowest[1]);
        if fall_mm > (RIDGE_SHARE * high_mm).max(RIDGE_SDS * noise_mm) {
            let foot = [0, 1].map(|side| {
                let foot_mm = high_mm - FOOT_SHARE * (high_mm - lowest[side]);
                let below = sides[side].iter().position(|&h| h <= foot_mm);
                let below = below.unwrap_or(sides[side].len());
                // A foot that nobody saw may be anywhere in the gap.
                let gap = sides[side][..below].iter().rev().take_while(|h| h.is_nan());
                below as f64 - 0.5 * gap.count() as f64
            });
            return Some(Self {
                floor: [0.0; 2],
                overlap: foot,
                height_mm: lowest[0].min(lowest[1]),
            });
        }
        let floor_mm = low_mm + FLOOR_SDS * noise_mm;
        let floor = sides.map(|side| {
            let level = side.iter().take_while(|h| h.is_nan() || **h <= floor_mm);
            level.count() as f64
        });
        let beyond = sides.map(|side| foot_beyond(side, along_mm));
        Some(Self {
            floor,
            overlap: [beyond[1], beyond[0]],
            // On a slope or in a gap the higher side is told from the lower by more than this line.
            height_mm: low_mm,
        })
    }
}

/// How many cells beyond the line a flank that falls to it has its foot: where squares of heights, which fall in proportion to the
/// distance from a rounded rim's foot, come to 0. What the line itself is not known to is no overlap.
fn foot_beyond(side: &[f32], along_mm: f64) -> f64 {
    let at_mm = |cell: usize| (cell as f64 + 0.5) * along_mm;
    let points = side.iter().enumerate().map(|(cell, &h)| (at_mm(cell), h));
    let near = points.filter(|(at, h)| FLANK_MM.contains(at) && !h.is_nan());
    let points: Vec<_> = near
        .map(|(at, h)| ([1.0, at], f64::from(h * h), 1.0))
        .collect();
    if points.len() < FLANK_CELLS {
        return 0.0;
    }
    let Some(fit) = weighted_least_squares(points, [0.0, 1e-9]) else {
        return 0.0;
    };
    let (level, slope) = (fit.coefficients[0], fit.coefficients[1]);
    let beyond_mm = if slope > 0.0 {
        level / slope - LINE_MM
    } else {
        0.0
    };
    beyond_mm.clamp(0.0, REACH_MM) / along_mm
}

#[cfg(test)]
mod tests {
    use super::super::spans::spans;
    use super::*;
    use crate::pieces::Ends;

    const GRID: SurfaceGrid = SurfaceGrid {
        columns: 200,
        x_origin_mm: 0.0,
        y_origin_mm: 0.0,
        pitch_across_mm: 0.4,
        pitch_along_mm: 0.4,
    };
    const NOISE_MM: f64 = 0.05;

    /// Two pieces 60 mm long whose rims lie `overlap_mm` over each other about x = 40 mm, where they are parted; `height` gives
    /// each one's height from the distance to its rim.
    fn budget(overlap_mm: f64, height: fn(f64) -> f64, touching: bool) -> SeamBudget {
        let size = (150, 200);
        let x_mm = |column: usize| GRID.x_mm(column as f64) - 40.0;
        let heights_mm = Array2::from_shape_fn(size, |(_, column)| {
            let rim_mm = [x_mm(column), -x_mm(column)].map(|x| overlap_mm / 2.0 - x);
            rim_mm
                .into_iter()
                .filter(|d| *d > 0.0)
                .map(height)
                .sum::<f64>() as f32
        });
        let cells = Array2::from_shape_fn(size, |(_, column)| match x_mm(column) < 0.0 {
            true => Cell::Own,
            false => Cell::Other,
        });
        let covered = cells.mapv(|cell| cell == Cell::Own);
        let region = Region {
            first_row: 0,
            first_column: 0,
            heights_mm: Array2::zeros((0, 0)),
            cells,
            ends: Ends::default(),
            touching,
            doubtful: false,
        };
        let mended = Mended {
            states: heights_mm.mapv(|_| CellState::Seen),
            ceiling_mm: heights_mm.mapv(|_| 0.0),
            heights_mm,
        };
        seam_budget(&region, &mended, &spans(&covered), &GRID, NOISE_MM)
    }

    /// A rounded rim: squares of heights in proportion to the distance from the foot.
    fn round(rim_mm: f64) -> f64 {
        (30.0 * rim_mm).sqrt()
    }

    fn upright(_: f64) -> f64 {
        20.0
    }

    #[test]
    fn a_piece_that_was_not_parted_has_no_seam() {
        assert_eq!(budget(6.0, round, false), SeamBudget::default());
    }

    #[test]
    fn side_by_side_the_line_is_known_to_a_cell_of_the_raster() {
        let found = budget(0.0, round, true);
        // Half a millimetre on either side, rectangular, over 60 mm.
        let expected_mm2 = 1.0 / 12.0_f64.sqrt() * 60.0;
        assert!(found.area_mm2 > 0.9 * expected_mm2, "{found:?}");
        assert!(found.area_mm2 < 2.0 * expected_mm2, "{found:?}");
        assert!(found.width_mm.max(found.length_mm) < 1.0, "{found:?}");
    }

    #[test]
    fn what_a_lap_hides_is_in_area_and_in_the_side_across_the_line() {
        for height in [round, upright] {
            let found = budget(8.0, height, true);
            // The piece goes on for 4 mm under or over its neighbour, along 60 mm of line.
            let area_mm2 = 4.0 * 60.0;
            assert!((found.area_mm2 / area_mm2 - 1.0).abs() < 0.25, "{found:?}");
            let sides = [found.length_mm, found.width_mm];
            assert!(
                sides.iter().any(|side| (side - 4.0).abs() < 1.2),
                "{found:?}"
            );
            assert!(sides.iter().any(|side| *side < 0.5), "{found:?}");
            // Of 8 mm of overlap the share that a crest is off by, along 60 mm, some 10 to 20 mm high.
            let volume_mm3 = CREST_SHARE * 8.0 * 60.0;
            assert!(found.volume_mm3 > 8.0 * volume_mm3, "{found:?}");
            assert!(found.volume_mm3 < 22.0 * volume_mm3, "{found:?}");
        }
    }

    #[test]
    fn a_seam_in_a_gap_may_be_anywhere_in_it() {
        let inward = vec![9.0; 30];
        let outward: Vec<f32> = (0..30)
            .map(|at| if at < 15 { f32::NAN } else { 9.0 })
            .collect();
        let found = Profile::new([&inward, &outward], 0.4, 0.05).unwrap();
        assert!(found.floor[1] >= 15.0);
    }
}
