//! The measures of a piece's shape.

use std::ops::Range;

use ndarray::Array2;

use super::extent_budget::{ExtentBudget, extent_budget};
use super::footprint::Footprint;
use super::outline::{rectangle_of, without_spurs};
use super::perimeter::perimeter_of;
use super::seam::seam_budget;
use super::spans::row_of;
use super::tally::Tally;
use super::uncertainty::{BeltKnowledge, VolumeBudget, volume_budget};
use crate::pieces::{Mended, Region};
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
    /// What the uncertainties of area, length and width are made of.
    pub extent_budget: ExtentBudget,
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
    let spans = &footprint.spans;
    let tally = Tally::new(mended, footprint, belt);
    if tally.covered == 0 {
        return None;
    }
    let moment = |cells: &[f64]| -> f64 {
        let places = cells.iter().enumerate();
        places.map(|(place, cells)| place as f64 * cells).sum()
    };
    let (rows, columns) = (moment(&tally.rows), moment(&tally.columns));
    let count = tally.covered as f64;
    let volume_mm3 = tally.rows_mm.iter().sum::<f64>() * cell_mm2;
    let area_mm2 = count * cell_mm2;
    let firm = without_spurs(&footprint.covered, spans, &mended.states);
    let rectangle = match &firm {
        Some(firm) => rectangle_of(firm, &super::spans::spans(firm), grid)?,
        None => rectangle_of(&footprint.covered, spans, grid)?,
    };
    let perimeter_mm = perimeter_of(&footprint.covered, spans, grid);
    let seam = seam_budget(region, mended, spans, grid, belt.noise_mm);
    Some(Measures {
        x_mm: grid.x_mm(region.first_column as f64 + columns / count),
        y_mm: grid.y_mm(region.first_row as f64 + rows / count),
        yaw_rad: rectangle.yaw_rad,
        length_mm: rectangle.length_mm,
        width_mm: rectangle.width_mm,
        max_height_mm: highest_mm(heights_mm, &footprint.covered, spans),
        mean_height_mm: volume_mm3 / area_mm2,
        area_mm2,
        surface_mm2: surface_mm2(heights_mm, &footprint.covered, spans, grid, belt.noise_mm),
        perimeter_mm,
        volume_mm3,
        budget: volume_budget(&tally, mended, footprint, grid, belt, &seam),
        extent_budget: extent_budget(&tally, grid, belt, &rectangle, perimeter_mm, &seam),
        filled_fraction: tally.filled as f64 / count,
    })
}

/// Lanes of sums that run side by side.
const LANES: usize = 8;

/// Highest mean of 3 × 3 cells around a covered one: a single sample's noise does not make a top.
fn highest_mm(
    heights_mm: &Array2<f32>,
    covered: &Array2<bool>,
    spans: &[(usize, Range<usize>)],
) -> f64 {
    let (rows, columns) = covered.dim();
    let near = |row: usize| row.saturating_sub(1)..(row + 2).min(rows);
    // No mean is above that of the rows' largest heights, so that few rows need a look.
    let (Some((first, _)), Some((last, _))) = (spans.first(), spans.last()) else {
        return 0.0;
    };
    let reach = near(*first).start..near(*last).end;
    let left = spans.iter().map(|(_, span)| span.start).min();
    let right = spans.iter().map(|(_, span)| span.end).max();
    let window = left.unwrap_or(0).saturating_sub(1)..(right.unwrap_or(0) + 1).min(columns);
    let rows_mm = reach
        .clone()
        .map(|row| largest(row_of(heights_mm, row, &window)));
    let rows_mm: Vec<f32> = rows_mm.collect();
    let mut most: Vec<(f64, usize)> = spans
        .iter()
        .enumerate()
        .map(|(index, (row, _))| {
            let near = &rows_mm[near(*row).start - reach.start..near(*row).end - reach.start];
            let sum: f64 = near.iter().copied().map(f64::from).sum();
            // Sums below are rounded.
            (sum / near.len() as f64 + 1e-5 * sum.abs(), index)
        })
        .collect();
    most.sort_unstable_by(|one, other| other.0.total_cmp(&one.0));
    let mut highest = 0.0_f64;
    let mut above_mm = Vec::new();
    for (most_mm, index) in most {
        if most_mm <= highest {
            break;
        }
        let (row, span) = &spans[index];
        let near_rows = near(*row);
        // Sums over the rows, from the column before the span to the one after it; nothing outside the window.
        let wide = span.start.saturating_sub(1)..(span.end + 1).min(columns);
        let offset = usize::from(span.start == 0);
        above_mm.clear();
        above_mm.resize(span.len() + 2, 0.0_f32);
        for near in near_rows.clone() {
            let heights = row_of(heights_mm, near, &wide);
            for (sum, &height) in above_mm[offset..].iter_mut().zip(heights) {
                *sum += height;
            }
        }
        let covered = row_of(covered, *row, span);
        let mut lanes = [0.0_f32; LANES];
        for (block, covered) in covered.chunks(LANES).enumerate() {
            let near = &above_mm[block * LANES..];
            let (left, own, right) = (near, &near[1..], &near[2..]);
            for (((lane, &covered), (&left, &own)), &right) in lanes
                .iter_mut()
                .zip(covered)
                .zip(left.iter().zip(own))
                .zip(right)
            {
                let sum = if covered { left + own + right } else { 0.0 };
                *lane = if sum > *lane { sum } else { *lane };
            }
        }
        let sum = lanes.iter().copied().fold(0.0, f32::max);
        highest = highest.max(f64::from(sum) / (3 * near_rows.len()) as f64);
        // At the window's sides there are two columns to look at.
        for (at_side, place) in [
            (span.start == 0, 0),
            (span.end == columns, covered.len() - 1),
        ] {
            if at_side && covered[place] {
                let sum: f32 = above_mm[place..place + 3].iter().sum();
                let cells = near_rows.len() * columns.min(2);
                highest = highest.max(f64::from(sum) / cells as f64);
            }
        }
    }
    highest
}

/// The largest of some heights.
fn largest(heights_mm: &[f32]) -> f32 {
    let mut lanes = [f32::NEG_INFINITY; LANES];
    for heights in heights_mm.chunks(LANES) {
        for (lane, &height) in lanes.iter_mut().zip(heights) {
            *lane = if height > *lane { height } else { *lane };
        }
    }
    lanes.into_iter().fold(f32::NEG_INFINITY, f32::max)
}

/// Whether all cells of a block are set.
fn all(cells: &[bool]) -> bool {
    cells.iter().fold(true, |all, &cell| all & cell)
}

/// Adds by what slopes stretch cells whose neighbours to the sides and along are all covered.
fn add_stretches(
    lanes: &mut [f32; LANES],
    [left_mm, right_mm]: [&[f32; LANES]; 2],
    [above_mm, below_mm]: [&[f32; LANES]; 2],
    [half_per_across, half_per_along]: [f32; 2],
    noise_slope2: f32,
) {
    let mut slopes2 = [0.0_f32; LANES];
    for k in 0..LANES {
        let across = half_per_across * (right_mm[k] - left_mm[k]);
        let along = half_per_along * (below_mm[k] - above_mm[k]);
        let slope2 = across * across + along * along - noise_slope2;
        slopes2[k] = if slope2 > 0.0 { slope2 } else { 0.0 };
    }
    for k in 0..LANES {
        lanes[k] += (1.0 + slopes2[k]).sqrt();
    }
}

/// Area of the upper surface: footprint cells stretched by their slope, what noise adds to the slope taken off.
///
/// Slopes are central differences where both neighbours are covered, one-sided where one is.
fn surface_mm2(
    heights_mm: &Array2<f32>,
    covered: &Array2<bool>,
    spans: &[(usize, Range<usize>)],
    grid: &SurfaceGrid,
    noise_mm: f64,
) -> f64 {
    let columns = covered.ncols();
    let (px, py) = (grid.pitch_across_mm, grid.pitch_along_mm);
    // Central differences over two cells: variance of each slope from white noise.
    let noise_slope2 = (noise_mm * noise_mm / 2.0 * (1.0 / (px * px) + 1.0 / (py * py))) as f32;
    let (per_across, per_along) = ((1.0 / px) as f32, (1.0 / py) as f32);
    let blank_mm = vec![0.0_f32; columns];
    let blank = vec![false; columns];
    let mut side_mm = Vec::new();
    let mut side = Vec::new();
    let mut sum = 0.0;
    for (row, span) in spans {
        let beside = |row: Option<usize>| match row {
            Some(row) if row < covered.nrows() => {
                (row_of(heights_mm, row, span), row_of(covered, row, span))
            }
            _ => (&blank_mm[span.clone()], &blank[span.clone()]),
        };
        let (above_mm, above) = beside(row.checked_sub(1));
        let (below_mm, below) = beside(Some(row + 1));
        // The row with a cell outside the piece on either side.
        side_mm.clear();
        side_mm.push(0.0);
        side_mm.extend_from_slice(row_of(heights_mm, *row, span));
        side_mm.push(0.0);
        side.clear();
        side.push(false);
        side.extend_from_slice(row_of(covered, *row, span));
        side.push(false);
        let cells = span.len();
        let (left_mm, own_mm, right_mm) = (
            &side_mm[..cells],
            &side_mm[1..=cells],
            &side_mm[2..cells + 2],
        );
        let (left, own, right) = (&side[..cells], &side[1..=cells], &side[2..cells + 2]);
        let slope = |low: (bool, f32), own_mm: f32, high: (bool, f32)| {
            let rise_mm =
                (if high.0 { high.1 } else { own_mm }) - (if low.0 { low.1 } else { own_mm });
            rise_mm * if low.0 & high.0 { 0.5 } else { 1.0 }
        };
        let mut row_sum = 0.0_f32;
        let mut lanes = [0.0_f32; LANES];
        let mut place = 0;
        while place + LANES <= cells {
            let block = place..place + LANES;
            let (l_mm, o_mm, r_mm) = (
                &left_mm[block.clone()],
                &own_mm[block.clone()],
                &right_mm[block.clone()],
            );
            let (l, o, r) = (
                &left[block.clone()],
                &own[block.clone()],
                &right[block.clone()],
            );
            let (a_mm, b_mm) = (&above_mm[block.clone()], &below_mm[block.clone()]);
            let (a, b) = (&above[block.clone()], &below[block]);
            place += LANES;
            // Inside the piece there is nothing to choose.
            if [l, o, r, a, b].iter().all(|cells| all(cells))
                && let (Some(l_mm), Some(r_mm)) = (l_mm.first_chunk(), r_mm.first_chunk())
                && let (Some(a_mm), Some(b_mm)) = (a_mm.first_chunk(), b_mm.first_chunk())
            {
                let half = [0.5 * per_across, 0.5 * per_along];
                add_stretches(&mut lanes, [l_mm, r_mm], [a_mm, b_mm], half, noise_slope2);
                continue;
            }
            for k in 0..LANES {
                let across = per_across * slope((l[k], l_mm[k]), o_mm[k], (r[k], r_mm[k]));
                let along = per_along * slope((a[k], a_mm[k]), o_mm[k], (b[k], b_mm[k]));
                let slope2 = across * across + along * along - noise_slope2;
                let stretch = (1.0 + if slope2 > 0.0 { slope2 } else { 0.0 }).sqrt();
                lanes[k] += if o[k] { stretch } else { 0.0 };
            }
        }
        for k in place..cells {
            let across =
                per_across * slope((left[k], left_mm[k]), own_mm[k], (right[k], right_mm[k]));
            let along =
                per_along * slope((above[k], above_mm[k]), own_mm[k], (below[k], below_mm[k]));
            let slope2 = (across * across + along * along - noise_slope2).max(0.0);
            row_sum += if own[k] { (1.0 + slope2).sqrt() } else { 0.0 };
        }
        sum += f64::from(row_sum) + lanes.iter().copied().map(f64::from).sum::<f64>();
    }
    sum * grid.cell_area_mm2()
}
