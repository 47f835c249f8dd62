//! Where light comes from and from where it is seen; and how to tell when nobody says.

use ndarray::{Array2, Axis};

use super::super::region::Cell;
use super::gaps::{Gap, in_lane};
use super::shadow::LEAST_GAP;
use crate::surface::SurfaceGrid;

/// From which side the scene is seen, and how steeply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Whether the camera stands at larger y, so that shadows fall towards smaller y.
    pub from_high_y: bool,
    /// Tangent of the angle between the camera's view and upright.
    pub tan_angle: f32,
}

/// The cameras.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cameras {
    /// One, whose place must be told from the shadows.
    Unknown,
    /// One, whose place is known.
    One(Light),
    /// One on either side, their views fused; the tangents of their angles where these are known.
    Both {
        /// Of the camera at smaller y.
        low_tan: Option<f32>,
        /// Of the camera at larger y.
        high_tan: Option<f32>,
    },
}

/// The point from which the laser's fan spreads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apex {
    /// Height above the belt, mm.
    pub height_mm: f64,
    /// Place across the belt, mm.
    pub x_mm: f64,
}

/// Where cameras and laser are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lighting {
    /// The cameras.
    pub cameras: Cameras,
    /// The laser's apex; `None`: told from the shadows, if there are any.
    pub laser: Option<Apex>,
}

/// Side and angle from the shadows themselves: the gaps along the columns behind the piece that fall steeply, and by how much.
pub fn infer(
    heights_mm: &Array2<f32>,
    cells: &Array2<Cell>,
    gaps: &[Gap],
    grid: &SurfaceGrid,
    low_mm: f32,
) -> Option<Light> {
    /// Shadows that must agree on the angle.
    const LEAST_SHADOWS: usize = 8;
    /// Cameras stand between about 10° and 50° off the laser.
    const TANGENTS: std::ops::Range<f32> = 0.17..1.2;
    let pitch_mm = grid.pitch_along_mm as f32;
    let mut tangents = [Vec::new(), Vec::new()];
    for gap in gaps {
        let at = |place: usize| {
            let place = [place, gap.lane];
            (heights_mm[place], cells[place])
        };
        if let Some((tangent, falls_back)) =
            tangent_of(gap, heights_mm.nrows(), at, pitch_mm, low_mm)
            && TANGENTS.contains(&tangent)
        {
            tangents[usize::from(falls_back)].push(tangent);
        }
    }
    let from_high_y = tangents[1].len() > tangents[0].len();
    let seen = &mut tangents[usize::from(from_high_y)];
    if seen.len() < LEAST_SHADOWS {
        return None;
    }
    crate::stats::median(seen).map(|tan_angle| Light {
        from_high_y,
        tan_angle,
    })
}

/// Tangents of the laser's rays at the piece's low-x and high-x side, from gaps that no camera's shadow explains; `None`
/// on a side where the light reaches all the camera sees.
///
/// Where the laser's fan falls in slantwise nearly every row of that side has such a gap, and they agree. Holes in the belt and
/// dropouts leave gaps in some rows only, of any length.
pub fn infer_fan(
    heights_mm: &Array2<f32>,
    cells: &Array2<Cell>,
    grid: &SurfaceGrid,
    low_mm: f32,
    camera: Option<Light>,
) -> [Option<f32>; 2] {
    /// Rows that must agree.
    const LEAST_SHADOWS: usize = 8;
    /// The share of a side's rows that must have a gap.
    const LEAST_SHARE: f32 = 0.7;
    /// Largest median deviation of the tangents, as a share of their median.
    const MOST_SPREAD: f64 = 0.2;
    /// Fans spread to about 40° on either side; below 3° a shadow is too short to be told.
    const TANGENTS: std::ops::Range<f32> = 0.05..0.85;
    let pitch_mm = grid.pitch_across_mm as f32;
    // Gaps in rows first: without enough of them there is no need to ask what the camera explains.
    let mut row_gaps = Vec::new();
    for (row, heights) in heights_mm.outer_iter().enumerate() {
        in_lane(row, heights.to_slice().unwrap_or_default(), &mut row_gaps);
    }
    let found: Vec<(Gap, f32, bool)> = row_gaps
        .into_iter()
        .filter_map(|gap| {
            let at = |place: usize| {
                let place = [gap.lane, place];
                (heights_mm[place], cells[place])
            };
            let (tangent, falls_back) = tangent_of(&gap, heights_mm.ncols(), at, pitch_mm, low_mm)?;
            TANGENTS
                .contains(&tangent)
                .then_some((gap, tangent, falls_back))
        })
        .collect();
    if found.len() < LEAST_SHADOWS {
        return [None; 2];
    }
    let explained = camera.map(|light| hidden_from(heights_mm, grid, light, low_mm));
    let clear = |row: usize, at: usize| explained.as_ref().is_none_or(|hidden| !hidden[[row, at]]);
    let mut tangents = [Vec::new(), Vec::new()];
    for (gap, tangent, falls_back) in found {
        if (gap.first..gap.end).all(|at| clear(gap.lane, at)) {
            // A fall with growing x is the piece's high-x side.
            tangents[usize::from(!falls_back)].push(tangent);
        }
    }
    if tangents.iter().all(|seen| seen.len() < LEAST_SHADOWS) {
        return [None; 2];
    }
    let mut ends = [0_usize; 2];
    for (row, (heights, cells)) in heights_mm.outer_iter().zip(cells.outer_iter()).enumerate() {
        let lane = (
            heights.to_slice().unwrap_or_default(),
            cells.to_slice().unwrap_or_default(),
        );
        for (side, end) in ends.iter_mut().enumerate() {
            *end += usize::from(ends_clear(lane, side == 1, |at| clear(row, at)));
        }
    }
    let mut sides = tangents.into_iter().zip(ends).map(|(mut seen, ends)| {
        if seen.len() < LEAST_SHADOWS || (seen.len() as f32) < LEAST_SHARE * ends as f32 {
            return None;
        }
        let middle = crate::stats::median(&mut seen)?;
        let spread = crate::stats::mad_sd(&mut seen, middle)?;
        (spread <= MOST_SPREAD * f64::from(middle)).then_some(middle)
    });
    [sides.next().flatten(), sides.next().flatten()]
}

/// Whether the piece's outermost seen cell of a row, on its low-x or high-x side, has a neighbour beyond that no camera's shadow
/// explains.
fn ends_clear(
    (heights, cells): (&[f32], &[Cell]),
    high_x: bool,
    clear: impl Fn(usize) -> bool,
) -> bool {
    let mut lane = heights.iter().zip(cells);
    let own = |(height, &cell): (&f32, &Cell)| cell == Cell::Own && !height.is_nan();
    let beyond = if high_x {
        lane.rposition(own).map(|at| at + 1)
    } else {
        lane.position(own).and_then(|at| at.checked_sub(1))
    };
    beyond.is_some_and(|at| at < cells.len() && clear(at))
}

/// Tangent of a gap between the piece and the belt in a lane of `cells` cells, and whether the belt lies before the gap. `at` gives
/// a cell's height and to whom it belongs.
fn tangent_of(
    gap: &Gap,
    cells: usize,
    at: impl Fn(usize) -> (f32, Cell),
    pitch_mm: f32,
    low_mm: f32,
) -> Option<(f32, bool)> {
    let before = gap.before()?;
    if gap.end == cells || gap.end - before <= 2 * LEAST_GAP {
        return None;
    }
    let (one, two) = (at(before), at(gap.end));
    let fall_mm = one.0 - two.0;
    let (own, other) = if fall_mm > 0.0 {
        (one, two)
    } else {
        (two, one)
    };
    // Only shadows on the belt tell the whole ray.
    (own.1 == Cell::Own && other.0 <= low_mm).then(|| {
        let length_mm = (gap.end - before) as f32 * pitch_mm;
        (length_mm / fall_mm.abs(), fall_mm < 0.0)
    })
}

/// Unseen cells that a camera's shadow explains.
fn hidden_from(
    heights_mm: &Array2<f32>,
    grid: &SurfaceGrid,
    light: Light,
    low_mm: f32,
) -> Array2<bool> {
    let fall_mm = grid.pitch_along_mm as f32 / light.tan_angle;
    let mut hidden = Array2::from_elem(heights_mm.dim(), false);
    let mut out = hidden.view_mut();
    let mut heights = heights_mm.view();
    if light.from_high_y {
        out.invert_axis(Axis(0));
        heights.invert_axis(Axis(0));
    }
    // The last shadowed cell may be shadowed in part.
    let least_mm = -fall_mm.max(low_mm);
    // One ray a lane; what lies before the window may cast a shadow into it.
    let mut rays_mm = vec![f32::INFINITY; heights_mm.ncols()];
    for (mut out, row) in out.outer_iter_mut().zip(heights.outer_iter()) {
        let (Some(out), Some(row)) = (out.as_slice_mut(), row.to_slice()) else {
            continue;
        };
        for ((out, &height_mm), ray_mm) in out.iter_mut().zip(row).zip(&mut rays_mm) {
            let below_mm = *ray_mm - fall_mm;
            let unseen = height_mm.is_nan();
            *out = unseen & (below_mm > least_mm);
            let higher = (height_mm > below_mm) | ((below_mm == f32::INFINITY) & !unseen);
            *ray_mm = if higher { height_mm } else { below_mm };
        }
    }
    hidden
}
