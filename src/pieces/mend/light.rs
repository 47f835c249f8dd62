//! Where light comes from and from where it is seen; and how to tell when nobody says.

use ndarray::{Array2, ArrayView1, Axis};

use super::super::region::Cell;
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

/// Side and angle from the shadows themselves: the gaps behind the piece that fall steeply, and by how much.
pub fn infer(
    heights_mm: &Array2<f32>,
    cells: &Array2<Cell>,
    grid: &SurfaceGrid,
    low_mm: f32,
) -> Option<Light> {
    /// Shadows that must agree on the angle.
    const LEAST_SHADOWS: usize = 8;
    /// Cameras stand between about 10° and 50° off the laser.
    const TANGENTS: std::ops::Range<f32> = 0.17..1.2;
    let pitch_mm = grid.pitch_along_mm as f32;
    let mut tangents = [Vec::new(), Vec::new()];
    for (column, cells) in heights_mm.columns().into_iter().zip(cells.columns()) {
        for (tangent, falls_back) in tangents_of(column, cells, pitch_mm, low_mm, |_| true) {
            if TANGENTS.contains(&tangent) {
                tangents[usize::from(falls_back)].push(tangent);
            }
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
    let explained = camera.map(|light| hidden_from(heights_mm, grid, light, low_mm));
    let pitch_mm = grid.pitch_across_mm as f32;
    let mut tangents = [Vec::new(), Vec::new()];
    let mut ends = [0_usize; 2];
    for (row, (heights, cells)) in heights_mm.rows().into_iter().zip(cells.rows()).enumerate() {
        let clear = |at: usize| explained.as_ref().is_none_or(|hidden| !hidden[[row, at]]);
        for (side, end) in ends.iter_mut().enumerate() {
            *end += usize::from(ends_clear(heights, cells, side == 1, &clear));
        }
        let found = tangents_of(heights, cells, pitch_mm, low_mm, clear);
        for (tangent, falls_back) in found {
            if TANGENTS.contains(&tangent) {
                // A fall with growing x is the piece's high-x side.
                tangents[usize::from(!falls_back)].push(tangent);
            }
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
    heights: ArrayView1<'_, f32>,
    cells: ArrayView1<'_, Cell>,
    high_x: bool,
    clear: &impl Fn(usize) -> bool,
) -> bool {
    let own = |at: &usize| cells[*at] == Cell::Own && !heights[*at].is_nan();
    let beyond = if high_x {
        (0..cells.len()).rev().find(own).map(|at| at + 1)
    } else {
        (0..cells.len()).find(own).and_then(|at| at.checked_sub(1))
    };
    beyond.is_some_and(|at| at < cells.len() && clear(at))
}

/// Tangents of a lane's gaps between the piece and the belt, and whether the belt lies before the gap; only gaps all of whose
/// cells are `clear`.
fn tangents_of(
    lane: ArrayView1<'_, f32>,
    cells: ArrayView1<'_, Cell>,
    pitch_mm: f32,
    low_mm: f32,
    clear: impl Fn(usize) -> bool,
) -> Vec<(f32, bool)> {
    let mut found = Vec::new();
    let mut last: Option<usize> = None;
    for at in 0..lane.len() {
        if lane[at].is_nan() {
            continue;
        }
        if let Some(before) = last
            && at - before > 2 * LEAST_GAP
        {
            let fall_mm = lane[before] - lane[at];
            let own = if fall_mm > 0.0 { before } else { at };
            let other = before + at - own;
            // Only shadows on the belt tell the whole ray.
            if cells[own] == Cell::Own && lane[other] <= low_mm && (before + 1..at).all(&clear) {
                found.push((
                    (at - before) as f32 * pitch_mm / fall_mm.abs(),
                    fall_mm < 0.0,
                ));
            }
        }
        last = Some(at);
    }
    found
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
    for (mut out, lane) in out.columns_mut().into_iter().zip(heights.columns()) {
        // What lies before the window may cast a shadow into it.
        let mut ray_mm = f32::INFINITY;
        for (out, &height_mm) in out.iter_mut().zip(lane) {
            ray_mm -= fall_mm;
            if height_mm.is_nan() {
                // The last shadowed cell may be shadowed in part.
                *out = ray_mm > -fall_mm.max(low_mm);
            } else if ray_mm.is_infinite() || height_mm > ray_mm {
                ray_mm = height_mm;
            }
        }
    }
    hidden
}
