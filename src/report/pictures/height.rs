//! The height map of a frame.

use image::RgbImage;

use super::colour_map::HeightColours;
use super::layout::{Sheet, round_length, size_mm};
use super::legend::{Fill, Item};
use super::lettering::mix;
use super::marks::{self, PieceMap};
use super::sampling::{Ground, cells_of_pixels, lay_pieces, mean_height};
use crate::Result;
use crate::pipeline::{FrameView, MeasuredPiece};

/// Draws the heights of a frame above the belt, with what was not seen and what was reconstructed marked.
///
/// # Errors
/// The frame is empty.
pub fn height_picture(view: &FrameView, pieces: &[MeasuredPiece]) -> Result<RgbImage> {
    let ground = lay_pieces(view, pieces);
    let colours = HeightColours::new();
    let scale = HeightScale::of(view, &ground);
    let mut legend = vec![Item::Scale {
        colours: &colours,
        top_mm: scale.top_mm,
        step_mm: scale.step_mm,
    }];
    legend.push(Item::Gap);
    legend.push(Item::Swatch(Fill::Unseen, "not seen".to_owned()));
    if ground.filled.iter().any(|filled| *filled) {
        legend.push(Item::Swatch(Fill::Filled, "reconstructed".to_owned()));
    }
    legend.push(Item::Gap);
    legend.push(Item::Axes);
    let mut sheet = Sheet::new(
        view,
        "Height above the belt",
        &subtitle(view, pieces, &ground),
        &legend,
    )?;
    let map = sheet.map;
    let (rows, columns) = map_cells(view, &sheet);
    let unit = marks::unit(sheet.text);
    for (y, row) in (map.top..).zip(&rows) {
        for (x, column) in (map.left..).zip(&columns) {
            let middle = (
                usize::midpoint(row.start, row.end),
                usize::midpoint(column.start, column.end),
            );
            let colour = if ground.filled.get(middle) == Some(&true) {
                marks::filled(x, y, unit)
            } else {
                match mean_height(&view.height_mm, row, column) {
                    Some(height) => colours.at(height / scale.top_mm),
                    // Single lost samples stay visible without drowning the belt in sparks.
                    None => match surrounding_height(&view.height_mm, middle) {
                        Some(height) => {
                            let around = colours.at(height / scale.top_mm);
                            mix(around, marks::unseen(x, y, unit), LONE_COVER)
                        }
                        None => marks::unseen(x, y, unit),
                    },
                }
            };
            sheet.picture.put_pixel(x, y, colour);
        }
    }
    let map_of_pieces = PieceMap::new(map, &ground, &rows, &columns);
    marks::outlines(&mut sheet, &map_of_pieces, 1);
    let numbers: Vec<u32> = pieces.iter().map(|piece| piece.record.piece).collect();
    marks::numbers(&mut sheet, &map_of_pieces, &numbers);
    sheet.rim();
    Ok(sheet.picture)
}

/// How strongly a single lost sample is marked.
const LONE_COVER: f32 = 0.22;
/// Seen neighbours, of eight, that make a lost sample a single one.
const LONE_NEIGHBOURS: u32 = 6;

/// Mean height around a cell when nearly all its neighbours were seen.
fn surrounding_height(
    height_mm: &ndarray::Array2<f32>,
    (row, column): (usize, usize),
) -> Option<f64> {
    let (mut sum, mut seen) = (0.0, 0_u32);
    for near_row in row.saturating_sub(1)..=row + 1 {
        for near_column in column.saturating_sub(1)..=column + 1 {
            match height_mm.get((near_row, near_column)) {
                Some(height) if height.is_finite() => {
                    sum += f64::from(*height);
                    seen += 1;
                }
                _ => {}
            }
        }
    }
    (seen >= LONE_NEIGHBOURS).then(|| sum / f64::from(seen))
}

/// Cells of each line of pixels, from the top of the map (the last rows) down, and of each column from the left.
pub(super) fn map_cells(
    view: &FrameView,
    sheet: &Sheet,
) -> (Vec<std::ops::Range<usize>>, Vec<std::ops::Range<usize>>) {
    let (rows, columns) = view.height_mm.dim();
    let map = sheet.map;
    let mut down = cells_of_pixels(map.height, map.px_per_mm, rows, view.pitch_along_mm);
    down.reverse();
    let across = cells_of_pixels(map.width, map.px_per_mm, columns, view.pitch_across_mm);
    (down, across)
}

/// Size and number of pieces, in words.
pub(super) fn subtitle(view: &FrameView, pieces: &[MeasuredPiece], ground: &Ground) -> String {
    let (across_mm, along_mm) = size_mm(view);
    let mut seen = vec![false; pieces.len()];
    for &label in &ground.piece {
        if let Some(seen) = (label as usize)
            .checked_sub(1)
            .and_then(|at| seen.get_mut(at))
        {
            *seen = true;
        }
    }
    let count = seen.into_iter().filter(|seen| *seen).count();
    let noun = if count == 1 { "piece" } else { "pieces" };
    format!("{across_mm:.0} mm across × {along_mm:.0} mm along, {count} {noun}")
}

/// The range of the height scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HeightScale {
    /// Its upper end, mm; the lower end is the belt.
    pub(super) top_mm: f64,
    /// Between ticks, mm.
    pub(super) step_mm: f64,
}

impl HeightScale {
    /// Up to the highest piece; without pieces, up to what one sample in a thousand exceeds.
    pub(super) fn of(view: &FrameView, ground: &Ground) -> Self {
        let seen = || {
            view.height_mm
                .iter()
                .zip(&ground.piece)
                .filter(|(height, _)| height.is_finite())
        };
        let of_pieces = seen()
            .filter(|(_, piece)| **piece != 0)
            .map(|(height, _)| f64::from(*height))
            .fold(f64::NEG_INFINITY, f64::max);
        let highest = if of_pieces.is_finite() {
            of_pieces
        } else {
            let mut all: Vec<f32> = seen().map(|(height, _)| *height).collect();
            all.sort_by(f32::total_cmp);
            let at = all.len().saturating_sub(1 + all.len() / 1000);
            all.get(at).map_or(1.0, |height| f64::from(*height))
        };
        Self::up_to(highest)
    }

    fn up_to(highest_mm: f64) -> Self {
        let highest = highest_mm.clamp(1.0, 1e6);
        let step_mm = round_length(highest / 3.0);
        Self {
            top_mm: (highest / step_mm - 1e-6).ceil() * step_mm,
            step_mm,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_ends_on_a_tick_at_or_above_the_highest_piece() {
        for (highest, top, step) in [
            (34.2, 40.0, 10.0),
            (40.0, 40.0, 10.0),
            (4.1, 5.0, 1.0),
            (17.0, 20.0, 5.0),
            (0.2, 1.0, 0.2),
            (f64::NAN, 1.0, 0.2),
        ] {
            let scale = HeightScale::up_to(if highest.is_nan() { 0.0 } else { highest });
            assert!((scale.top_mm - top).abs() < 1e-9, "{highest}: {scale:?}");
            assert!((scale.step_mm - step).abs() < 1e-9, "{highest}: {scale:?}");
        }
    }
}
