//! A small picture of a scan: its colour frame, or its heights where it has none.

use image::{Rgb, RgbImage};

use crate::error::Result;
use crate::report::HeightColours;
use crate::scan::{ColourReader, Counts, HeightReader, Scan};

/// Rows read at a time.
const BLOCK_ROWS: usize = 256;

/// Draws a scan small, at most `longest_px` long, the first row at the bottom. A millimetre is as long across as along.
/// Heights are not brought to the belt: the picture is to be recognised by, not to be measured in.
///
/// # Errors
/// A frame cannot be read.
pub fn thumbnail(scan: &Scan, longest_px: u32) -> Result<RgbImage> {
    let height = &scan.description.height;
    let across_mm = scan.columns as f64 * height.pitch_across_mm;
    let along_mm = scan.rows as f64 * height.pitch_along_mm;
    let px_per_mm = f64::from(longest_px) / across_mm.max(along_mm);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // At most `longest_px`.
    let px = |length_mm: f64| ((length_mm * px_per_mm).round() as u32).clamp(1, longest_px);
    let mut picture = RgbImage::new(px(across_mm), px(along_mm));
    match scan.colour_size {
        Some(size) => colour(scan, size.rows, &mut picture)?,
        None => heights(scan, &mut picture)?,
    }
    Ok(picture)
}

/// The sample in the middle of a pixel.
fn sample(pixel: u32, pixels: u32, samples: usize) -> usize {
    (2 * pixel as usize + 1) * samples / (2 * pixels as usize)
}

fn colour(scan: &Scan, rows: usize, picture: &mut RgbImage) -> Result<()> {
    let (width, height) = picture.dimensions();
    let mut reader = ColourReader::open(scan)?;
    let mut line = 0;
    while let Some(block) = reader.read(BLOCK_ROWS)? {
        let end = block.first_row + block.rgb.len() / (3 * block.columns);
        while line < height && sample(line, height, rows) < end {
            let row = sample(line, height, rows) - block.first_row;
            for x in 0..width {
                let at = 3 * (row * block.columns + sample(x, width, block.columns));
                if let [red, green, blue] = block.rgb[at..at + 3] {
                    picture.put_pixel(x, height - 1 - line, Rgb([red, green, blue]));
                }
            }
            line += 1;
        }
    }
    Ok(())
}

fn heights(scan: &Scan, picture: &mut RgbImage) -> Result<()> {
    let (width, height) = picture.dimensions();
    let part = &scan.description.height;
    let mut reader = HeightReader::open(scan)?;
    let mut seen: Vec<Option<f64>> = Vec::new();
    let mut line = 0;
    while let Some(block) = reader.read(BLOCK_ROWS)? {
        let end = block.first_row + block.counts.len() / block.columns;
        while line < height && sample(line, height, scan.rows) < end {
            let row = sample(line, height, scan.rows) - block.first_row;
            seen.extend((0..width).map(|x| {
                let at = row * block.columns + sample(x, width, block.columns);
                let count = match &block.counts {
                    Counts::U16(counts) => {
                        (part.invalid != Some(counts[at])).then(|| f64::from(counts[at]))
                    }
                    Counts::F32(values) => Some(f64::from(values[at])).filter(|v| v.is_finite()),
                };
                count.map(|count| part.offset + part.scale * count)
            }));
            line += 1;
        }
    }
    let mut sorted: Vec<f64> = seen.iter().flatten().copied().collect();
    sorted.sort_by(f64::total_cmp);
    let (Some(&low), Some(&high)) = (
        sorted.get(sorted.len() / 50),
        sorted.get(sorted.len().saturating_sub(1 + sorted.len() / 500)),
    ) else {
        return Ok(());
    };
    let colours = HeightColours::new();
    for (at, value) in (0_u32..).zip(&seen) {
        let pixel = match value {
            Some(value) => colours.at((value - low) / (high - low).max(1e-6)),
            None => Rgb([90, 90, 90]),
        };
        picture.put_pixel(at % width, height - 1 - at / width, pixel);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pixel_shows_the_sample_in_its_middle() {
        let shown: Vec<usize> = (0..4).map(|pixel| sample(pixel, 4, 8)).collect();
        assert_eq!(shown, [1, 3, 5, 7]);
        assert_eq!(sample(9, 10, 10), 9);
        assert_eq!(sample(9, 10, 3), 2);
    }
}
