//! Rebuilds the flank that a shadow hides.
//!
//! What is hidden behind a shoulder lies between a wall straight down and the ray that grazes the shoulder. Two witnesses
//! say where between: the shoulder itself, if it rounds off smoothly to the ray's slope ([`super::rim`]), and the flanks of the
//! same piece that are seen ([`super::flank`]), which must speak where the shoulder is a crease. How well the last seen samples
//! fit a circle with the ray's slope decides whom to believe.

use ndarray::{Array2, ArrayViewMut2, Axis};

use super::super::region::Cell;
use super::CellState;
use super::flank::{SeenFlanks, directions};
use super::rim::{BEFORE, RimTable};
use crate::surface::SurfaceGrid;

/// Shortest gap, cells, that can be told from a dropout.
const LEAST_GAP: usize = 2;
/// A gap is a shadow if it falls at least by this share of what the ray does.
const LEAST_FALL: f32 = 0.6;
/// Lanes on either side whose shoulders are averaged.
const POOLED_LANES: usize = 4;
/// Radii up to this many cells are creases: they round off between two samples.
const CREASE_CELLS: f32 = 2.0;
/// Radii from this many cells on are smooth.
const SMOOTH_CELLS: f32 = 5.0;

/// How far below a level top its edge is looked for, mm: a few times what noise leaves in a mean over lanes.
const SLACK_MM: f32 = 0.08;

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

/// Rebuilds hidden flanks in a window: fills `heights_mm`, marks `states`, and puts the grazing ray into `ceiling_mm`.
pub fn rebuild(
    heights_mm: &mut Array2<f32>,
    states: &mut Array2<CellState>,
    ceiling_mm: &mut Array2<f32>,
    cells: &Array2<Cell>,
    grid: &SurfaceGrid,
    low_mm: f32,
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
    let shoulders = shoulders(&heights.view(), &cells, pitch_mm, low_mm, light.tan_angle);
    if shoulders.iter().all(Vec::is_empty) {
        return;
    }
    let table = RimTable::new(pitch_mm, light.tan_angle);
    let flanks = SeenFlanks::new(&heights.view(), &cells, low_mm);
    let last: Vec<Option<usize>> = shoulders
        .iter()
        .map(|lane| lane.last().map(|shoulder| shoulder.at))
        .collect();
    let edge = directions(&last);
    let mut fills: Vec<(usize, usize, f32, f32)> = Vec::new();
    for (lane, found) in shoulders.iter().enumerate() {
        for (index, shoulder) in found.iter().enumerate() {
            let outer = index + 1 == found.len();
            let rise = pooled_rise(&heights, &shoulders, lane, shoulder.at);
            let rim = table.nearest(&rise);
            let below = edge[lane]
                .filter(|_| outer && shoulder.floor_mm == 0.0)
                .and_then(|direction| {
                    let height_mm = pooled_height(&heights, &shoulders, lane, shoulder);
                    flanks.below(&heights.view(), height_mm, direction, SLACK_MM)
                });
            let smooth = rim.map_or(0.0, |(rim, _)| {
                let cells = rim.radius_mm / pitch_mm;
                ((cells - CREASE_CELLS) / (SMOOTH_CELLS - CREASE_CELLS)).clamp(0.0, 1.0)
            });
            for j in 1..=shoulder.gap {
                let ray_mm = (shoulder.height_mm - j as f32 * pitch_mm / light.tan_angle).max(0.0);
                let by_rim = rim.map_or(0.0, |(rim, _)| rim.height_mm(j, shoulder.height_mm));
                let by_flank = match &below {
                    Some(below) => below.get(j - 1).copied().unwrap_or(0.0),
                    None => by_rim,
                };
                let height_mm = smooth * by_rim + (1.0 - smooth) * by_flank;
                let height_mm = height_mm.clamp(0.0, ray_mm.max(by_rim));
                fills.push((
                    shoulder.at + j,
                    lane,
                    shoulder.floor_mm + height_mm,
                    shoulder.floor_mm + ray_mm,
                ));
            }
        }
    }
    for (at, lane, height_mm, ray_mm) in fills {
        heights[[at, lane]] = height_mm;
        states[[at, lane]] = CellState::Shadow;
        ceiling[[at, lane]] = ray_mm;
    }
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

/// Mean rise of the samples before the shoulders near `at` in the lanes around `lane`; NaN where none is seen.
fn pooled_rise(
    heights: &ArrayViewMut2<'_, f32>,
    shoulders: &[Vec<Shoulder>],
    lane: usize,
    at: usize,
) -> [f32; BEFORE] {
    let first = lane.saturating_sub(POOLED_LANES);
    let end = (lane + POOLED_LANES + 1).min(shoulders.len());
    let mut sums = [0.0_f32; BEFORE];
    let mut counts = [0.0_f32; BEFORE];
    for near in first..end {
        let reach = 4 * (near.abs_diff(lane) + 1);
        let Some(shoulder) = shoulders[near]
            .iter()
            .find(|shoulder| shoulder.at.abs_diff(at) <= reach)
        else {
            continue;
        };
        let own_mm = heights[[shoulder.at, near]];
        for (index, (sum, count)) in sums.iter_mut().zip(&mut counts).enumerate() {
            let Some(before) = shoulder.at.checked_sub(index + 1) else {
                break;
            };
            let height_mm = heights[[before, near]];
            if !height_mm.is_nan() {
                *sum += height_mm - own_mm;
                *count += 1.0;
            }
        }
    }
    std::array::from_fn(|index| sums[index] / counts[index])
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
