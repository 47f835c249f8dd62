//! Mends a window of the surface: false samples out, missing ones in.

use ndarray::Array2;

use super::grid::SurfaceGrid;
use super::spikes::reject_spikes;

/// Longest gap, cells, that is a dropout whatever lies on its two sides.
const DROPOUT_CELLS: usize = 2;
/// A longer gap is a shadow if it falls at least this steeply, mm per mm: cameras stand less than about 45° off the laser.
const SHADOW_LEAST_FALL: f32 = 0.8;
/// Cells from the shoulder over which its slope is taken.
const SHOULDER_CELLS: usize = 3;

/// How a cell's height is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum CellState {
    /// Seen by the scanner.
    Seen,
    /// A dropout or a rejected sample, taken from the cells around it.
    Dropout,
    /// Hidden from the camera, reconstructed.
    Shadow,
}

/// A window of heights without gaps.
#[derive(Debug, Clone)]
pub struct Mended {
    /// Heights above the belt, mm.
    pub heights_mm: Array2<f32>,
    /// How each is known.
    pub states: Array2<CellState>,
}

/// A window of heights as seen.
#[derive(Debug, Clone, Copy)]
pub struct Patch<'a> {
    /// Heights above the belt, mm, NaN unseen.
    pub heights_mm: &'a Array2<f32>,
    /// The grid the window lies on.
    pub grid: SurfaceGrid,
    /// Standard deviation of single samples, mm.
    pub noise_mm: f64,
}

/// Mends a window.
///
/// Gaps of up to two cells, and longer ones between heights that differ little, take the mean of straight lines across
/// them along and across, weighted by nearness. Longer gaps that fall steeply along the belt are shadows: see [`fill_shadow`].
pub fn mend(patch: &Patch<'_>) -> Mended {
    let mut heights_mm = patch.heights_mm.clone();
    reject_spikes(&mut heights_mm, patch.noise_mm);
    let mut states = heights_mm.map(|h| {
        if h.is_nan() {
            CellState::Dropout
        } else {
            CellState::Seen
        }
    });
    fill_shadows(&mut heights_mm, &mut states, &patch.grid);
    fill_dropouts(&mut heights_mm);
    Mended { heights_mm, states }
}

fn fill_shadows(heights_mm: &mut Array2<f32>, states: &mut Array2<CellState>, grid: &SurfaceGrid) {
    let pitch_mm = grid.pitch_along_mm as f32;
    for (mut column, mut states) in heights_mm
        .columns_mut()
        .into_iter()
        .zip(states.columns_mut())
    {
        let mut last_seen = None;
        for row in 0..column.len() {
            if column[row].is_nan() {
                continue;
            }
            if let Some(before) = last_seen.replace(row) {
                let gap: usize = row - before - 1;
                let fall_mm = column[before] - column[row];
                let length_mm = (row - before) as f32 * pitch_mm;
                if gap <= DROPOUT_CELLS || fall_mm.abs() < SHADOW_LEAST_FALL * length_mm {
                    continue;
                }
                let (shoulder, away) = if fall_mm > 0.0 {
                    (before, 1)
                } else {
                    (row, -1)
                };
                let at = |k: usize| shoulder.checked_add_signed(away * k as isize);
                let slope = shoulder_slope(&column.view(), shoulder, -away) / pitch_mm;
                let floor_mm = column[before].min(column[row]);
                for k in 1..=gap {
                    if let Some(cell) = at(k) {
                        let out_mm = k as f32 * pitch_mm;
                        column[cell] =
                            floor_mm + fill_shadow(fall_mm.abs(), length_mm, slope, out_mm);
                        states[cell] = CellState::Shadow;
                    }
                }
            }
        }
    }
}

/// Fall per cell towards the shoulder, coming from its seen side.
fn shoulder_slope(column: &ndarray::ArrayView1<'_, f32>, shoulder: usize, inward: isize) -> f32 {
    let inner = shoulder.checked_add_signed(inward * SHOULDER_CELLS as isize);
    let inner_mm = inner
        .and_then(|cell| column.get(cell))
        .copied()
        .filter(|h| !h.is_nan());
    inner_mm.map_or(0.0, |h| {
        ((h - column[shoulder]) / SHOULDER_CELLS as f32).max(0.0)
    })
}

/// Height above the shadow's far end at `out_mm` beyond the shoulder.
///
/// The truth lies between a wall at the shoulder and the ray that grazes it, which falls by `fall_mm` over `length_mm`.
/// A shoulder that rounds off smoothly to the ray's slope goes on as the parabola `z² ∝ distance` that an ellipse's rim
/// follows, which leaves half of the ray's length; a sharp crease goes straight down; between them the length goes with
/// the shoulder's slope.
fn fill_shadow(fall_mm: f32, length_mm: f32, slope: f32, out_mm: f32) -> f32 {
    let share = (slope * length_mm / fall_mm).clamp(0.0, 1.0);
    let reach_mm = share * length_mm / 2.0;
    if out_mm >= reach_mm {
        0.0
    } else {
        fall_mm * (1.0 - out_mm / reach_mm).sqrt()
    }
}

/// Fills what is still missing from the nearest seen cells along the row and along the column.
fn fill_dropouts(heights_mm: &mut Array2<f32>) {
    let mut fills: Vec<((usize, usize), f32)> = Vec::new();
    let (rows, columns) = heights_mm.dim();
    for ((row, column), height) in heights_mm.indexed_iter() {
        if !height.is_nan() {
            continue;
        }
        let seek = |mut cells: Box<dyn Iterator<Item = (usize, usize)>>| {
            let mut distance = 0.0_f32;
            cells.find_map(|cell| {
                distance += 1.0;
                let height = heights_mm[cell];
                (!height.is_nan()).then_some((distance, height))
            })
        };
        let lines = [
            (
                seek(Box::new((0..row).rev().map(|row| (row, column)))),
                seek(Box::new((row + 1..rows).map(|row| (row, column)))),
            ),
            (
                seek(Box::new((0..column).rev().map(|column| (row, column)))),
                seek(Box::new((column + 1..columns).map(|column| (row, column)))),
            ),
        ];
        let (mut sum, mut weights) = (0.0, 0.0);
        for line in lines {
            let (value, span) = match line {
                (Some((a, one)), Some((b, two))) => ((one * b + two * a) / (a + b), a + b),
                // Beyond the last seen cell there is only belt to believe in.
                (Some((distance, _)), None) | (None, Some((distance, _))) => (0.0, 4.0 * distance),
                (None, None) => continue,
            };
            let weight = 1.0 / (span * span);
            sum += weight * value;
            weights += weight;
        }
        fills.push((
            (row, column),
            if weights > 0.0 { sum / weights } else { 0.0 },
        ));
    }
    for (cell, height) in fills {
        heights_mm[cell] = height;
    }
}
