//! Rebuilds the flank that a shadow hides.
//!
//! What is hidden behind a shoulder lies between a wall straight down and the ray that grazes the shoulder. Where between, the
//! flanks of the same piece that are seen tell ([`super::flank`]). Where none is like the hidden one, the shoulder itself must: if
//! it rounds off to the ray's slope, it goes on as the parabola `z² ∝ distance` that an ellipse's rim follows; if it is a crease,
//! the flank goes straight down.

use ndarray::{Array2, ArrayView1, ArrayView2, ArrayViewMut2, Axis};

use super::super::region::Cell;
use super::CellState;
use super::flank::{SeenFlanks, directions};
use crate::surface::SurfaceGrid;

/// Shortest gap, cells, that can be told from a dropout.
pub const LEAST_GAP: usize = 2;
/// A gap is a shadow if it falls at least by this share of what the ray does.
const LEAST_FALL: f32 = 0.6;
/// Lanes on either side whose shoulders are averaged.
const POOLED_LANES: usize = 4;
/// Cells from the shoulder over which its slope is taken.
const SHOULDER_CELLS: usize = 3;

/// From which side the scene is seen, and how steeply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Whether the camera stands at larger y, so that shadows fall towards smaller y.
    pub from_high_y: bool,
    /// Tangent of the angle between the camera's view and upright.
    pub tan_angle: f32,
}

/// The last seen cell before a shadow.
#[derive(Debug, Clone, Copy)]
struct Shoulder {
    at: usize,
    /// Height above the floor, mm.
    height_mm: f32,
    /// Hidden cells behind it.
    gap: usize,
    /// Height of what the shadow ends on, if that is the piece itself, mm.
    floor_mm: f32,
}

/// A rebuilt cell.
struct Fill {
    cell: (usize, usize),
    height_mm: f32,
    ray_mm: f32,
    state: CellState,
}

/// Rebuilds hidden flanks in a window: fills `heights_mm`, marks `states`, and puts the grazing ray into `ceiling_mm`.
#[allow(
    clippy::too_many_arguments,
    reason = "three planes of one window, and what is known of it"
)]
pub fn rebuild(
    heights_mm: &mut Array2<f32>,
    states: &mut Array2<CellState>,
    ceiling_mm: &mut Array2<f32>,
    cells: &Array2<Cell>,
    grid: &SurfaceGrid,
    low_mm: f32,
    noise_mm: f32,
    light: Option<Light>,
) {
    let Some(light) = light.or_else(|| infer(heights_mm, cells, grid, low_mm)) else {
        return;
    };
    let mut heights = heights_mm.view_mut();
    let mut states = states.view_mut();
    let mut ceiling = ceiling_mm.view_mut();
    let mut cells = cells.view();
    // Lanes are columns, seen from their low end.
    if light.from_high_y {
        heights.invert_axis(Axis(0));
        states.invert_axis(Axis(0));
        ceiling.invert_axis(Axis(0));
        cells.invert_axis(Axis(0));
    }
    let pitch_mm = grid.pitch_along_mm as f32;
    let fall_mm = pitch_mm / light.tan_angle;
    let hidden_fronts = hidden_fronts(&heights.view(), &cells, fall_mm, low_mm);
    let shoulders = shoulders(&heights.view(), &cells, pitch_mm, low_mm, light.tan_angle);
    if shoulders.iter().all(Vec::is_empty) && hidden_fronts.iter().all(Option::is_none) {
        return;
    }
    let aspect = (grid.pitch_along_mm / grid.pitch_across_mm) as f32;
    let flanks = SeenFlanks::new(&heights.view(), &cells, low_mm, fall_mm, aspect, noise_mm);
    let last: Vec<Option<usize>> = shoulders
        .iter()
        .map(|lane| lane.last().map(|shoulder| shoulder.at))
        .collect();
    let edge = directions(&last);
    let mut fills: Vec<Fill> = Vec::new();
    for (lane, found) in shoulders.iter().enumerate() {
        for (index, shoulder) in found.iter().enumerate() {
            let outer = index + 1 == found.len() && shoulder.floor_mm == 0.0;
            let like_seen = edge[lane].filter(|_| outer).and_then(|direction| {
                let height_mm = pooled_height(&heights, &shoulders, lane, shoulder);
                flanks.behind(height_mm, direction)
            });
            let slope_mm = shoulder_slope(&heights.view(), lane, shoulder.at);
            for j in 1..=shoulder.gap {
                let ray_mm = (shoulder.height_mm - j as f32 * fall_mm).max(0.0);
                let (height_mm, covered) = match &like_seen {
                    Some(behind) => behind
                        .get(j - 1)
                        .map_or((0.0, false), |e| (e.height_mm, e.covered >= 0.5)),
                    None => {
                        let height_mm = parabola(shoulder.height_mm, fall_mm, slope_mm, j);
                        (height_mm, height_mm > low_mm)
                    }
                };
                fills.push(Fill {
                    cell: (shoulder.at + j, lane),
                    height_mm: shoulder.floor_mm + height_mm.max(0.0),
                    ray_mm: shoulder.floor_mm + ray_mm,
                    state: match (&like_seen, covered || shoulder.floor_mm > 0.0) {
                        (_, false) => CellState::Beyond,
                        (Some(_), true) => CellState::Shadow,
                        (None, true) => CellState::Alone,
                    },
                });
            }
        }
    }
    fills.extend(fronts(&hidden_fronts, &heights.view(), &flanks, low_mm));
    for fill in fills {
        heights[fill.cell] = fill.height_mm;
        states[fill.cell] = fill.state;
        ceiling[fill.cell] = fill.ray_mm;
    }
}

/// Unseen cells on the camera's side, in the shadow of a neighbour.
#[derive(Debug, Clone, Copy)]
struct HiddenFront {
    first: usize,
    /// One past the last: the first cell seen again.
    end: usize,
    /// Whether that is the piece, and not belt.
    on_own: bool,
}

/// The neighbour's shadow of each lane before the piece's first seen cell; behind a neighbour, or from the window's start on.
fn hidden_fronts(
    heights: &ArrayView2<'_, f32>,
    cells: &ArrayView2<'_, Cell>,
    fall_mm: f32,
    low_mm: f32,
) -> Vec<Option<HiddenFront>> {
    let lane = |column: ArrayView1<'_, f32>, cells: ArrayView1<'_, Cell>| {
        let mut last: Option<usize> = None;
        for at in 0..column.len() {
            if column[at].is_nan() {
                continue;
            }
            let first = last.map_or(0, |last| last + 1);
            let on_own = cells[at] == Cell::Own;
            let shadowed = match last {
                None => at > LEAST_GAP,
                Some(last) => {
                    let gap = (at - last) as f32;
                    cells[last] == Cell::Other
                        && at - last > LEAST_GAP
                        && column[last] - column[at].max(0.0) >= LEAST_FALL * gap * fall_mm
                }
            };
            if shadowed {
                let on_own = on_own && column[at] > low_mm;
                return Some(HiddenFront {
                    first,
                    end: at,
                    on_own,
                });
            }
            if on_own {
                return None;
            }
            last = Some(at);
        }
        None
    };
    heights
        .columns()
        .into_iter()
        .zip(cells.columns())
        .map(|(h, c)| lane(h, c))
        .collect()
}

/// Fills for hidden fronts: belt, and before the piece's first seen cell what its seen fronts look like below that height.
fn fronts(
    hidden: &[Option<HiddenFront>],
    heights: &ArrayView2<'_, f32>,
    flanks: &SeenFlanks,
    low_mm: f32,
) -> Vec<Fill> {
    let edge: Vec<Option<usize>> = hidden
        .iter()
        .map(|front| front.filter(|f| f.on_own).map(|f| f.end))
        .collect();
    let directions = directions(&edge);
    let mut fills = Vec::new();
    for (lane, front) in hidden.iter().enumerate() {
        let Some(front) = front else { continue };
        let expected = directions[lane]
            .and_then(|direction| flanks.before(heights[[front.end, lane]], direction));
        for (index, at) in (front.first..front.end).rev().enumerate() {
            let height_mm = expected
                .as_ref()
                .and_then(|e| e.get(index))
                .copied()
                .unwrap_or(0.0);
            let state = if height_mm > low_mm {
                CellState::Shadow
            } else {
                CellState::Beyond
            };
            let ray_mm = if front.on_own {
                heights[[front.end, lane]]
            } else {
                height_mm
            };
            fills.push(Fill {
                cell: (at, lane),
                height_mm,
                ray_mm,
                state,
            });
        }
    }
    fills
}

/// The shoulders of each lane, in order away from the camera.
fn shoulders(
    heights: &ndarray::ArrayView2<'_, f32>,
    cells: &ndarray::ArrayView2<'_, Cell>,
    pitch_mm: f32,
    low_mm: f32,
    tan_angle: f32,
) -> Vec<Vec<Shoulder>> {
    let lane = |column: ndarray::ArrayView1<'_, f32>, cells: ndarray::ArrayView1<'_, Cell>| {
        let mut found = Vec::new();
        let mut last: Option<usize> = None;
        for at in 0..=column.len() {
            if column.get(at).is_some_and(|h| h.is_nan()) {
                continue;
            }
            if let Some(before) = last
                && at - before > LEAST_GAP
                && cells[before] == Cell::Own
                && column[before] > low_mm
            {
                let end_mm = column.get(at).copied().unwrap_or(0.0);
                let on_own = cells.get(at) == Some(&Cell::Own) && end_mm > low_mm;
                let ray_mm = (at - before) as f32 * pitch_mm / tan_angle;
                if column[before] - end_mm.max(0.0) >= LEAST_FALL * ray_mm {
                    let floor_mm = if on_own { end_mm } else { 0.0 };
                    found.push(Shoulder {
                        at: before,
                        height_mm: column[before] - floor_mm,
                        gap: at - before - 1,
                        floor_mm,
                    });
                }
            }
            last = Some(at);
        }
        found
    };
    heights
        .columns()
        .into_iter()
        .zip(cells.columns())
        .map(|(column, cells)| lane(column, cells))
        .collect()
}

/// Height of a shoulder, by the line through those around it: less noise than its own sample has.
fn pooled_height(
    heights: &ArrayViewMut2<'_, f32>,
    shoulders: &[Vec<Shoulder>],
    lane: usize,
    shoulder: &Shoulder,
) -> f32 {
    let first = lane.saturating_sub(POOLED_LANES);
    let end = (lane + POOLED_LANES + 1).min(shoulders.len());
    let near = (first..end).filter_map(|near| {
        let reach = 4 * (near.abs_diff(lane) + 1);
        let found = shoulders[near]
            .iter()
            .find(|s| s.at.abs_diff(shoulder.at) <= reach)?;
        let x = near as f64 - lane as f64;
        Some(([1.0, x], f64::from(heights[[found.at, near]]), 1.0))
    });
    let fit = crate::stats::weighted_least_squares(near, [0.0, 1e-6]);
    fit.map_or(shoulder.height_mm, |fit| {
        fit.coefficients[0] as f32 - shoulder.floor_mm
    })
}

/// Fall per cell towards the shoulder, coming from its seen side, mm.
fn shoulder_slope(heights: &ArrayView2<'_, f32>, lane: usize, at: usize) -> f32 {
    let inner = at
        .checked_sub(SHOULDER_CELLS)
        .map(|inner| heights[[inner, lane]]);
    let fall = inner
        .filter(|h| !h.is_nan())
        .map(|h| (h - heights[[at, lane]]) / SHOULDER_CELLS as f32);
    fall.map_or(0.0, |fall| fall.max(0.0))
}

/// Height of the `j`-th cell behind a shoulder by the parabola that the shoulder's slope begins; half as long as the ray when
/// the shoulder has the ray's slope, less in proportion when it is more of a crease.
fn parabola(height_mm: f32, fall_mm: f32, slope_mm: f32, j: usize) -> f32 {
    let share = (slope_mm / fall_mm).clamp(0.0, 1.0);
    let reach = share * height_mm / fall_mm / 2.0;
    let out = j as f32;
    if out >= reach {
        0.0
    } else {
        height_mm * (1.0 - out / reach).sqrt()
    }
}

/// Side and angle from the shadows themselves: the gaps behind the piece that fall steeply, and by how much.
fn infer(
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
        let mut last: Option<usize> = None;
        for at in 0..column.len() {
            if column[at].is_nan() {
                continue;
            }
            if let Some(before) = last
                && at - before > 2 * LEAST_GAP
            {
                let fall_mm = column[before] - column[at];
                let own = if fall_mm > 0.0 { before } else { at };
                let other = before + at - own;
                // Only shadows on the belt tell the whole ray.
                if cells[own] == Cell::Own && column[other] <= low_mm {
                    let tangent = (at - before) as f32 * pitch_mm / fall_mm.abs();
                    if TANGENTS.contains(&tangent) {
                        tangents[usize::from(fall_mm < 0.0)].push(tangent);
                    }
                }
            }
            last = Some(at);
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
