//! Where things stand on a picture: title, map, legend column, scale bar.

use image::{Rgb, RgbImage};
use imageproc::drawing::{draw_filled_rect_mut, draw_hollow_rect_mut};
use imageproc::rect::Rect;

use super::legend::Item;
use super::lettering::{DARK, LIGHT, Lettering};
use crate::pipeline::FrameView;
use crate::{Error, ErrorKind, Result};

/// The widest map, px; with its legend a picture stays below 2400 px.
const MAX_MAP_WIDTH_PX: f64 = 1900.0;
/// The tallest map, px.
const MAX_MAP_HEIGHT_PX: f64 = 4600.0;
/// A smaller map is enlarged until its long side reaches this, px …
const MIN_LONG_SIDE_PX: f64 = 900.0;
/// … but a cell never becomes larger than this, px.
const MAX_CELL_PX: f64 = 16.0;

const PAPER: Rgb<u8> = Rgb([250, 250, 248]);
const INK: Rgb<u8> = Rgb([34, 38, 46]);
const FAINT_INK: Rgb<u8> = Rgb([92, 98, 108]);

/// A picture being drawn.
pub(super) struct Sheet {
    pub(super) picture: RgbImage,
    pub(super) lettering: Lettering,
    /// Size of ordinary letters, px.
    pub(super) text: f32,
    pub(super) map: MapPlace,
    column_x: f32,
}

/// Where the map lies and how large it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct MapPlace {
    pub(super) left: u32,
    pub(super) top: u32,
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) px_per_mm: f64,
}

/// Pixels a millimetre, so that the map has a sensible size.
fn px_per_mm(across_mm: f64, along_mm: f64, finest_pitch_mm: f64) -> f64 {
    let long = across_mm.max(along_mm);
    (1.0 / finest_pitch_mm)
        .max(MIN_LONG_SIDE_PX / long)
        .min(MAX_CELL_PX / finest_pitch_mm)
        .min(MAX_MAP_WIDTH_PX / across_mm)
        .min(MAX_MAP_HEIGHT_PX / along_mm)
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Bounded by the largest map.
fn pixels(length_mm: f64, px_per_mm: f64) -> u32 {
    (length_mm * px_per_mm)
        .round()
        .clamp(1.0, MAX_MAP_HEIGHT_PX) as u32
}

impl Sheet {
    /// An empty sheet for a frame, with its title and legend drawn and room for its map.
    ///
    /// # Errors
    /// The frame has no cells, or its pitches are not lengths.
    pub(super) fn new(
        view: &FrameView,
        title: &str,
        subtitle: &str,
        legend: &[Item<'_>],
    ) -> Result<Self> {
        let (rows, columns) = view.height_mm.dim();
        let (across_mm, along_mm) = size_mm(view);
        let finest = view.pitch_across_mm.min(view.pitch_along_mm);
        let sound = finest > 0.0 && across_mm.is_finite() && along_mm.is_finite();
        if rows == 0 || columns == 0 || !sound {
            return Err(Error::new(
                ErrorKind::Unmeasurable,
                format!(
                    "scan {} has nothing to draw: {rows} rows × {columns} columns",
                    view.scan
                ),
            ));
        }
        let lettering = Lettering::new()?;
        let px_per_mm = px_per_mm(across_mm, along_mm, finest);
        let (width, height) = (pixels(across_mm, px_per_mm), pixels(along_mm, px_per_mm));
        let text = (f64::from(width) / 56.0).clamp(17.0, 28.0) as f32;

        let margin = 1.4 * text;
        let column_width = legend
            .iter()
            .map(|item| item.width(&lettering, text))
            .fold(0.0, f32::max);
        let column_height: f32 = legend.iter().map(|item| item.height(text)).sum();
        let head = margin + 4.9 * text;
        let scale_bar = 2.4 * text;
        let sheet_width = (margin + width as f32 + margin + column_width + margin).max(36.0 * text);
        let body = (height as f32 + scale_bar).max(column_height);
        let sheet_height = head + body + margin;
        let mut sheet = Self {
            picture: RgbImage::from_pixel(round(sheet_width), round(sheet_height), PAPER),
            lettering,
            text,
            map: MapPlace {
                left: round(margin),
                top: round(head),
                width,
                height,
                px_per_mm,
            },
            column_x: margin + width as f32 + margin,
        };
        sheet.head(title, subtitle, &view.scan, sheet_width - 2.0 * margin);
        sheet.scale_bar(across_mm);
        sheet.legend(legend);
        Ok(sheet)
    }

    /// Writes words with the box's upper left corner at (x, y).
    pub(super) fn write(&mut self, x: f32, y: f32, size: f32, text: &str) {
        self.lettering
            .draw(&mut self.picture, x, y, size, INK, text);
    }

    fn head(&mut self, title: &str, subtitle: &str, scan: &str, room: f32) {
        let (x, y, text) = (self.map.left as f32, 1.1 * self.text, self.text);
        let shown = self.lettering.fit(title, 1.35 * text, room);
        self.write(x, y, 1.35 * text, &shown);
        let scan = self.lettering.fit(&format!("scan {scan}"), text, room);
        self.write(x, y + 1.9 * text, text, &scan);
        let subtitle = self.lettering.fit(subtitle, text, room);
        self.lettering.draw(
            &mut self.picture,
            x,
            y + 3.2 * text,
            text,
            FAINT_INK,
            &subtitle,
        );
    }

    fn scale_bar(&mut self, across_mm: f64) {
        let length_mm = round_length(0.4 * across_mm);
        let length = (length_mm * self.map.px_per_mm) as f32;
        let (x, y) = (
            self.map.left as f32,
            (self.map.top + self.map.height) as f32 + 0.9 * self.text,
        );
        let thick = (0.32 * self.text).max(4.0);
        for quarter in 0..4_u8 {
            let from = x + length * f32::from(quarter) / 4.0;
            let to = x + length * f32::from(quarter + 1) / 4.0;
            let colour = if quarter % 2 == 0 { INK } else { LIGHT };
            self.fill(from, y, to - from, thick, colour);
        }
        let rim = Rect::at(round(x) as i32, round(y) as i32)
            .of_size(round(length).max(1), round(thick).max(1));
        draw_hollow_rect_mut(&mut self.picture, rim, INK);
        let label = format!("{} mm", plain(length_mm));
        let text = self.text;
        self.write(
            x + length + 0.6 * text,
            y + thick / 2.0 - 0.58 * text,
            text,
            &label,
        );
    }

    fn legend(&mut self, legend: &[Item<'_>]) {
        let (x, mut y) = (self.column_x, self.map.top as f32);
        for item in legend {
            item.draw(self, x, y);
            y += item.height(self.text);
        }
    }

    /// Fills a rectangle given by its corner and size.
    pub(super) fn fill(&mut self, x: f32, y: f32, width: f32, height: f32, colour: Rgb<u8>) {
        let (left, right) = (round(x), round(x + width));
        let (top, bottom) = (round(y), round(y + height));
        if right > left && bottom > top {
            let rect = Rect::at(left as i32, top as i32).of_size(right - left, bottom - top);
            draw_filled_rect_mut(&mut self.picture, rect, colour);
        }
    }

    /// Draws the map's rim, after the map itself.
    pub(super) fn rim(&mut self) {
        let map = self.map;
        let rect = Rect::at(map.left as i32 - 1, map.top as i32 - 1)
            .of_size(map.width + 2, map.height + 2);
        draw_hollow_rect_mut(&mut self.picture, rect, DARK);
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Places on a sheet of a few thousand pixels.
pub(super) fn round(value: f32) -> u32 {
    value.round().max(0.0) as u32
}

/// Across and along, mm.
pub(super) fn size_mm(view: &FrameView) -> (f64, f64) {
    let (rows, columns) = view.height_mm.dim();
    (
        columns as f64 * view.pitch_across_mm,
        rows as f64 * view.pitch_along_mm,
    )
}

/// The largest of 1, 2, 5 times a power of ten that is at most `length` (which is positive).
pub(super) fn round_length(length: f64) -> f64 {
    let power = 10_f64.powf(length.log10().floor());
    let of = |factor: f64| factor * power;
    [5.0, 2.0, 1.0]
        .into_iter()
        .map(of)
        .find(|round| *round <= length * 1.000_001)
        .unwrap_or(power)
}

/// A number without needless zeros.
pub(super) fn plain(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scale_bars_have_round_lengths() {
        for (asked, round) in [
            (0.99, 0.5),
            (1.0, 1.0),
            (4.9, 2.0),
            (200.0, 200.0),
            (999.0, 500.0),
        ] {
            assert!((round_length(asked) - round).abs() < 1e-9, "{asked}");
        }
        assert_eq!(plain(0.5), "0.5");
        assert_eq!(plain(200.0), "200");
    }

    #[test]
    fn large_frames_are_shrunk_and_small_ones_enlarged_with_square_millimetres() {
        // 1500 × 5000 cells of 0.4 × 0.5 mm.
        let scale = px_per_mm(600.0, 2500.0, 0.4);
        assert!(600.0 * scale <= 1900.0 && 2500.0 * scale <= 4600.0);
        assert!((2500.0 * scale - 4600.0).abs() < 1.0);
        // 100 × 80 cells of 0.4 mm: long side 40 mm.
        let scale = px_per_mm(40.0, 32.0, 0.4);
        assert!((scale * 0.4 - 9.0).abs() < 0.01);
        // 4 × 4 cells stay readable but do not fill a wall.
        let scale = px_per_mm(1.6, 1.6, 0.4);
        assert!((scale * 0.4 - 16.0).abs() < 0.01);
    }
}
