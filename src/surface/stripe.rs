//! Stripe rows to millimetres: triangulation through the calibration, then onto evenly spaced columns.

use super::scatter::{Placed, step};
use crate::calibration::{PlanePoint, Triangulation};

/// Turns a row of stripe positions (one sensor column each, px, NaN unseen) into measured heights (mm) on columns of
/// `pitch_across_mm`.
pub fn heights_mm(
    stripe_px: &[f32],
    triangulation: &Triangulation,
    pitch_across_mm: f64,
) -> Vec<f32> {
    let mut heights_mm = vec![f32::NAN; stripe_px.len()];
    let mut interpolated = vec![false; stripe_px.len()];
    let mut before = None;
    for (column, &row_px) in stripe_px.iter().enumerate() {
        let plane = (!row_px.is_nan())
            .then(|| triangulation.to_plane(column as f64, f64::from(row_px)))
            .flatten();
        let Some(PlanePoint { x_mm, z_mm }) = plane else {
            before = None;
            continue;
        };
        let next = Placed {
            place: x_mm / pitch_across_mm - 0.5,
            height_mm: z_mm as f32,
        };
        // A sensor whose columns run against x is read backwards.
        let (low, high) = match before.replace(next) {
            Some(before) if before.place > next.place => (Some(next), before),
            before => (before, next),
        };
        step(low, high, |cell, height, exact| {
            let Some(cell) = usize::try_from(cell)
                .ok()
                .filter(|&cell| cell < heights_mm.len())
            else {
                return;
            };
            if exact || !interpolated[cell] {
                heights_mm[cell] = height;
                interpolated[cell] = exact;
            }
        });
    }
    heights_mm
}
