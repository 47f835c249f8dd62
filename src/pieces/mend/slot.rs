//! What neither of two cameras sees: the bottom of a slot between steep flanks.
//!
//! The bottom lies below the ray that grazes the flank before it, and below the one that grazes the flank behind it. Between two
//! flanks of the piece it may be anywhere below both: half of that is its mean. Between the piece and a neighbour there is most
//! likely belt, which the piece's own rim goes on to.

use ndarray::Axis;

use super::super::region::Cell;
use super::shadow::{LEAST_GAP, parabola, shoulder_slope};
use super::{CellState, Window};
use crate::surface::SurfaceGrid;

/// Cells by which a slot may be longer than the rays allow: shoulders are known to half a cell on either side.
const SLACK_CELLS: f32 = 1.5;

/// Rebuilds slots; gaps that are longer than both rays allow are left to be filled as any other.
pub fn rebuild(
    window: &mut Window<'_>,
    grid: &SurfaceGrid,
    low_mm: f32,
    [low_tan, high_tan]: [f32; 2],
) {
    let pitch_mm = grid.pitch_along_mm as f32;
    // What hides from the camera at smaller y lies before, and the ray falls towards larger y.
    let (fall_mm, rise_mm) = (pitch_mm / low_tan, pitch_mm / high_tan);
    let Window {
        heights_mm,
        states,
        ceiling_mm,
        cells,
    } = window;
    let (rows, columns) = heights_mm.dim();
    for lane in 0..columns {
        let mut last: Option<usize> = None;
        for at in 0..rows {
            if heights_mm[[at, lane]].is_nan() {
                continue;
            }
            if let Some(before) = last.replace(at)
                && at - before > LEAST_GAP
            {
                let (one, two) = (heights_mm[[before, lane]], heights_mm[[at, lane]]);
                let own = [before, at].map(|end| cells[[end, lane]] == Cell::Own);
                let ray_mm = |row: usize| {
                    let fallen = one - (row - before) as f32 * fall_mm;
                    fallen.min(two - (at - row) as f32 * rise_mm)
                };
                let slack_mm = SLACK_CELLS * fall_mm.max(rise_mm);
                let fits = (before + 1..at).all(|row| ray_mm(row) > -slack_mm);
                if own == [false, false] || one <= low_mm || two <= low_mm || !fits {
                    continue;
                }
                let heights = heights_mm.view();
                let fills: Vec<f32> = (before + 1..at)
                    .map(|row| {
                        let below_mm = ray_mm(row).max(0.0);
                        match own {
                            [true, true] => 0.5 * below_mm,
                            [true, false] => {
                                let slope_mm = shoulder_slope(&heights, lane, before);
                                parabola(one, fall_mm, slope_mm, row - before).min(below_mm)
                            }
                            _ => {
                                let mut back = heights;
                                back.invert_axis(Axis(0));
                                let slope_mm = shoulder_slope(&back, lane, rows - 1 - at);
                                parabola(two, rise_mm, slope_mm, at - row).min(below_mm)
                            }
                        }
                    })
                    .collect();
                for (row, height_mm) in (before + 1..at).zip(fills) {
                    heights_mm[[row, lane]] = height_mm;
                    ceiling_mm[[row, lane]] = ray_mm(row).max(0.0);
                    states[[row, lane]] = if height_mm > low_mm {
                        CellState::Shadow
                    } else {
                        CellState::Beyond
                    };
                }
            }
        }
    }
}
