//! Words on a picture.

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};
use image::{Rgb, RgbImage};

use crate::{Error, ErrorKind, Result};

/// The one typeface of the pictures: Hack, of even width, drawn for small sizes; from the crate that carries it.
pub(super) struct Lettering {
    font: FontRef<'static>,
}

impl Lettering {
    pub(super) fn new() -> Result<Self> {
        let font = FontRef::try_from_slice(epaint_default_fonts::HACK_REGULAR)
            .map_err(|error| Error::new(ErrorKind::Image, format!("the typeface: {error}")))?;
        Ok(Self { font })
    }

    /// Width of `text` at a size, px.
    pub(super) fn width(&self, text: &str, size: f32) -> f32 {
        let font = self.font.as_scaled(PxScale::from(size));
        text.chars().map(|c| font.h_advance(font.glyph_id(c))).sum()
    }

    /// `text` cut in its middle so that it is at most `room` px wide.
    pub(super) fn fit(&self, text: &str, size: f32, room: f32) -> String {
        let letters: Vec<char> = text.chars().collect();
        if self.width(text, size) <= room {
            return text.to_owned();
        }
        for kept in (2..letters.len()).rev() {
            let (head, tail) = (kept.div_ceil(2), kept / 2);
            let head: String = letters[..head].iter().collect();
            let tail: String = letters[letters.len() - tail..].iter().collect();
            let cut = format!("{head}…{tail}");
            if self.width(&cut, size) <= room {
                return cut;
            }
        }
        "…".to_owned()
    }

    /// Draws `text` with its box's upper left corner at (x, y).
    pub(super) fn draw(
        &self,
        picture: &mut RgbImage,
        x: f32,
        y: f32,
        size: f32,
        colour: Rgb<u8>,
        text: &str,
    ) {
        let scale = PxScale::from(size);
        let font = self.font.as_scaled(scale);
        let (mut pen, baseline) = (x, y + font.ascent());
        for c in text.chars() {
            let id = font.glyph_id(c);
            let glyph = id.with_scale_and_position(scale, point(pen, baseline));
            pen += font.h_advance(id);
            let Some(outline) = self.font.outline_glyph(glyph) else {
                continue;
            };
            let corner = outline.px_bounds().min;
            outline.draw(|dx, dy, cover| {
                let (px, py) = (corner.x + dx as f32, corner.y + dy as f32);
                if px >= 0.0 && py >= 0.0 {
                    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                    blend(picture, px as u32, py as u32, colour, cover);
                }
            });
        }
    }

    /// Draws `text` centred on (x, y), light with a dark rim: readable on anything.
    pub(super) fn draw_rimmed(
        &self,
        picture: &mut RgbImage,
        x: f32,
        y: f32,
        size: f32,
        text: &str,
    ) {
        let font = self.font.as_scaled(PxScale::from(size));
        let left = x - self.width(text, size) / 2.0;
        // Digits stand between the baseline and about 0.73 of the size above it.
        let top = y - font.ascent() + 0.365 * size;
        let rim = (size / 11.0).max(1.4);
        for step in 0..16_u8 {
            let angle = std::f32::consts::TAU * f32::from(step) / 16.0;
            let (dx, dy) = (rim * angle.cos(), rim * angle.sin());
            self.draw(picture, left + dx, top + dy, size, DARK, text);
        }
        self.draw(picture, left, top, size, LIGHT, text);
    }
}

/// What lines and letters are drawn in.
pub(super) const DARK: Rgb<u8> = Rgb([16, 18, 22]);
/// What stands out against [`DARK`].
pub(super) const LIGHT: Rgb<u8> = Rgb([255, 255, 255]);

/// Mixes `colour` over the pixel (if it is on the picture).
pub(super) fn blend(picture: &mut RgbImage, x: u32, y: u32, colour: Rgb<u8>, cover: f32) {
    if let Some(pixel) = picture.get_pixel_mut_checked(x, y) {
        *pixel = mix(*pixel, colour, cover);
    }
}

/// `cover` of `over` and the rest of `under`.
pub(super) fn mix(under: Rgb<u8>, over: Rgb<u8>, cover: f32) -> Rgb<u8> {
    let cover = cover.clamp(0.0, 1.0);
    Rgb(std::array::from_fn(|k| {
        let value = f32::from(under.0[k]) * (1.0 - cover) + f32::from(over.0[k]) * cover;
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // Between two bytes.
        let byte = value.round() as u8;
        byte
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_words_are_cut_in_their_middle_to_the_room_there_is() {
        let lettering = Lettering::new().unwrap();
        let text = "scan 2026-03-04T09-12-33_0007";
        assert_eq!(lettering.fit(text, 20.0, 10_000.0), text);
        let cut = lettering.fit(text, 20.0, 150.0);
        assert!(lettering.width(&cut, 20.0) <= 150.0);
        assert!(cut.starts_with("scan") && cut.ends_with("007"), "{cut}");
        assert_eq!(lettering.fit(text, 20.0, 1.0), "…");
    }

    #[test]
    fn every_sign_that_the_pictures_use_is_in_the_typeface() {
        let lettering = Lettering::new().unwrap();
        for c in "0123456789 ×·…–%≥ABCxyzäöüß²³µ±→↑↓".chars() {
            assert_ne!(lettering.font.glyph_id(c).0, 0, "{c}");
        }
    }
}
