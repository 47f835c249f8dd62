//! The measures of a piece's shape.

use ndarray::Array2;

use super::footprint::Footprint;
use super::outline::{perimeter_mm, smallest_rectangle};
use super::uncertainty::{BeltKnowledge, VolumeBudget, volume_budget};
use crate::pieces::{CellState, Mended, Region};
use crate::surface::SurfaceGrid;

/// The measures of one piece's shape, in the recording's frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measures {
    /// Centroid of the footprint across, mm.
    pub x_mm: f64,
    /// Centroid of the footprint along, mm.
    pub y_mm: f64,
    /// Direction of the long side, rad from the x axis, in (−π/2, π/2].
    pub yaw_rad: f64,
    /// Long side of the smallest enclosing rectangle, mm.
    pub length_mm: f64,
    /// Short side, mm.
    pub width_mm: f64,
    /// Largest height (mean of 3 × 3 cells), mm.
    pub max_height_mm: f64,
    /// Volume over area, mm.
    pub mean_height_mm: f64,
    /// Area of the footprint, mm².
    pub area_mm2: f64,
    /// Area of the upper surface, mm².
    pub surface_mm2: f64,
    /// Length of the outline, mm.
    pub perimeter_mm: f64,
    /// Volume between the surface and the belt, mm³.
    pub volume_mm3: f64,
    /// What its uncertainty is made of.
    pub budget: VolumeBudget,
    /// Share of the footprint that no sample was seen for.
    pub filled_fraction: f64,
}

/// Measures a piece; `None` if it covers nothing.
///
/// The volume is the sum of heights times the cell area over the footprint and a ring around it: each cell's centre stands for
/// the cell, so that rims are neither cut off nor counted twice on the mean (midpoint rule), down to the belt itself.
pub fn measure(
    region: &Region,
    mended: &Mended,
    footprint: &Footprint,
    grid: &SurfaceGrid,
    belt: &BeltKnowledge,
) -> Option<Measures> {
    let cell_mm2 = grid.cell_area_mm2();
    let heights_mm = &mended.heights_mm;
    let (mut cells, mut filled) = (0_u64, 0_u64);
    let (mut rows, mut columns) = (0.0, 0.0);
    for ((row, column), _) in footprint
        .covered
        .indexed_iter()
        .filter(|(_, covered)| **covered)
    {
        cells += 1;
        filled += u64::from(mended.states[[row, column]] != CellState::Seen);
        rows += row as f64;
        columns += column as f64;
    }
    if cells == 0 {
        return None;
    }
    let count = cells as f64;
    let sum_mm: f64 = footprint
        .summed
        .iter()
        .zip(heights_mm)
        .filter(|(summed, _)| **summed)
        .map(|(_, &height)| f64::from(height))
        .sum();
    let volume_mm3 = sum_mm * cell_mm2;
    let area_mm2 = count * cell_mm2;
    let rectangle = smallest_rectangle(&footprint.covered, grid)?;
    Some(Measures {
        x_mm: grid.x_mm(region.first_column as f64 + columns / count),
        y_mm: grid.y_mm(region.first_row as f64 + rows / count),
        yaw_rad: rectangle.yaw_rad,
        length_mm: rectangle.length_mm,
        width_mm: rectangle.width_mm,
        max_height_mm: highest_mm(heights_mm, &footprint.covered),
        mean_height_mm: volume_mm3 / area_mm2,
        area_mm2,
        surface_mm2: surface_mm2(heights_mm, &footprint.covered, grid, belt.noise_mm),
        perimeter_mm: perimeter_mm(&footprint.covered, grid),
        volume_mm3,
        budget: volume_budget(mended, footprint, grid, belt),
        filled_fraction: filled as f64 / count,
    })
}

/// Highest mean of 3 × 3 cells around a covered one: a single sample's noise does not make a top.
fn highest_mm(heights_mm: &Array2<f32>, covered: &Array2<bool>) -> f64 {
    let (rows, columns) = covered.dim();
    let mut highest = 0.0_f64;
    for ((row, column), _) in covered.indexed_iter().filter(|(_, covered)| **covered) {
        let near = heights_mm.slice(ndarray::s![
            row.saturating_sub(1)..(row + 2).min(rows),
            column.saturating_sub(1)..(column + 2).min(columns)
        ]);
        highest = highest.max(f64::from(near.sum()) / near.len() as f64);
    }
    highest
}

/// Area of the upper surface: footprint cells stretched by their slope, what noise adds to the slope taken off.
fn surface_mm2(
    heights_mm: &Array2<f32>,
    covered: &Array2<bool>,
    grid: &SurfaceGrid,
    noise_mm: f64,
) -> f64 {
    let (rows, columns) = covered.dim();
    let (px, py) = (grid.pitch_across_mm, grid.pitch_along_mm);
    // Central differences over two cells: variance of each slope from white noise.
    let noise_slope2 = noise_mm * noise_mm / 2.0 * (1.0 / (px * px) + 1.0 / (py * py));
    let mut sum = 0.0;
    for ((row, column), _) in covered.indexed_iter().filter(|(_, covered)| **covered) {
        let inside = |r: usize, c: usize| covered[[r, c]].then(|| f64::from(heights_mm[[r, c]]));
        let slope = |low: Option<f64>, high: Option<f64>, pitch: f64| {
            let own = f64::from(heights_mm[[row, column]]);
            match (low, high) {
                (Some(low), Some(high)) => (high - low) / (2.0 * pitch),
                (Some(low), None) => (own - low) / pitch,
                (None, Some(high)) => (high - own) / pitch,
                (None, None) => 0.0,
            }
        };
        let left = column.checked_sub(1).and_then(|c| inside(row, c));
        let right = (column + 1 < columns)
            .then(|| inside(row, column + 1))
            .flatten();
        let above = row.checked_sub(1).and_then(|r| inside(r, column));
        let below = (row + 1 < rows).then(|| inside(row + 1, column)).flatten();
        let slope2 = slope(left, right, px).powi(2) + slope(above, below, py).powi(2);
        sum += (1.0 + (slope2 - noise_slope2).max(0.0)).sqrt();
    }
    sum * grid.cell_area_mm2()
}
