//! What is seen of each patch.

use crate::calibration::Patch;
use crate::colour::{CLIPPED_FROM, Correction};
use crate::stats::{mad_sd, median, tukey_location};

use super::frame::{Rows, View, linear};

/// Pixels left out at each border of a patch: blur of about half a pixel and the interpolation in the camera reach no
/// farther than this (common practice, no source).
const MARGIN_PX: f64 = 3.0;
/// Fewest pixels for a mean.
const LEAST_PIXELS: usize = 25;
/// Smallest share of a patch's inner pixels that must lie in the frame.
const LEAST_SEEN: f64 = 0.6;

/// A patch as it was seen.
#[derive(Debug, Clone)]
pub(super) struct SeenPatch {
    /// Robust mean of the camera's linear light, not corrected in any way.
    pub light: [f64; 3],
    /// The same over the flat field in force at each pixel.
    pub even: [f64; 3],
    /// Standard uncertainty of these means from the spread of the pixels.
    pub light_u: [f64; 3],
    /// Place of its middle across the height frame, mm.
    pub x_mm: f64,
    /// Share of pixels with a channel at its end.
    pub saturated_fraction: f64,
    /// Pixels used.
    pub pixels: usize,
}

/// Looks at a patch whose place in the colour frame is moved by `shift_mm` against the registration in force.
///
/// `None` where too little of it lies in the frame.
pub(super) fn seen_patch(
    rows: &Rows,
    view: &View,
    patch: &Patch,
    shift_mm: [f64; 2],
    correction: Option<&Correction>,
) -> Option<SeenPatch> {
    let half_mm = 0.5 * patch.size_mm - MARGIN_PX * view.pixel_mm();
    if half_mm <= 0.0 {
        return None;
    }
    let mut light: [Vec<f32>; 3] = Default::default();
    let mut even: [Vec<f32>; 3] = Default::default();
    let (mut saturated, mut inside) = (0_usize, 0_usize);
    for (column, row) in window(view, patch, shift_mm, half_mm) {
        let on_frame = view.place_of(column as f64, row as f64);
        let place = [on_frame[0] - shift_mm[0], on_frame[1] - shift_mm[1]];
        let [u, v] = view.place.invert(place);
        if (u - patch.x_mm).abs() > half_mm || (v - patch.y_mm).abs() > half_mm {
            continue;
        }
        inside += 1;
        let Some(raw) = rows.raw_at(column, row) else {
            continue;
        };
        saturated += usize::from(raw.iter().any(|&code| code == 0 || code >= CLIPPED_FROM));
        let gain = correction.map_or([1.0; 3], |c| c.gain_at(on_frame[0]));
        for (channel, value) in linear(raw).into_iter().enumerate() {
            light[channel].push(value as f32);
            even[channel].push(value as f32 * gain[channel]);
        }
    }
    let pixels = light[0].len();
    if pixels < LEAST_PIXELS || (pixels as f64) < LEAST_SEEN * inside as f64 {
        return None;
    }
    let mut seen = SeenPatch {
        light: [0.0; 3],
        even: [0.0; 3],
        light_u: [0.0; 3],
        x_mm: view.place.apply([patch.x_mm, patch.y_mm])[0] + shift_mm[0],
        saturated_fraction: saturated as f64 / pixels as f64,
        pixels,
    };
    for channel in 0..3 {
        (seen.light[channel], _) = robust_mean(&mut light[channel])?;
        (seen.even[channel], seen.light_u[channel]) = robust_mean(&mut even[channel])?;
    }
    Some(seen)
}

/// Pixels (column, row) around a square of the plate, `half_mm` from a patch's middle; some of them may lie beside the frame.
pub(super) fn window(
    view: &View,
    patch: &Patch,
    shift_mm: [f64; 2],
    half_mm: f64,
) -> impl Iterator<Item = (i64, i64)> {
    let corners = [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)].map(|(a, b)| {
        let place = view
            .place
            .apply([patch.x_mm + a * half_mm, patch.y_mm + b * half_mm]);
        view.pixel([place[0] + shift_mm[0], place[1] + shift_mm[1]])
    });
    let range = |axis: usize| {
        let low = corners.iter().fold(f64::INFINITY, |m, c| m.min(c[axis]));
        let high = corners
            .iter()
            .fold(f64::NEG_INFINITY, |m, c| m.max(c[axis]));
        low.ceil() as i64..=high.floor() as i64
    };
    let (columns, rows) = (range(0), range(1));
    rows.flat_map(move |row| columns.clone().map(move |column| (column, row)))
}

/// Tukey's biweight location and its standard uncertainty. Texture is shared by neighbouring pixels, so that the number of
/// independent values is taken as a tenth of the pixels (our own choice; paint of 1.6 mm grain at 0.4 mm).
fn robust_mean(values: &mut [f32]) -> Option<(f64, f64)> {
    let centre = median(values)?;
    let mut away = values.to_vec();
    let sd = mad_sd(&mut away, centre)?.max(1e-5);
    let mut pairs: Vec<(f64, f64)> = values.iter().map(|&v| (f64::from(v), 1.0)).collect();
    let (mean, weight) = tukey_location(&mut pairs, sd)?;
    Some((mean, sd / (0.1 * weight.max(10.0)).sqrt()))
}
