//! Colour correction: flat field across the belt, then a 3×3 matrix, in linear light.

use std::ops::RangeInclusive;

use crate::{Error, ErrorKind, Result};

use super::encoding::{ENCODER, LINEAR, bin};

/// What turns a raw colour into the corrected one.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    matrix: [[f32; 3]; 3],
    flat_field: [Vec<f64>; 3],
    frame_width_mm: f64,
}

/// A [`Correction`] laid out for the columns of one colour frame.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectionRow {
    matrix: [[f32; 3]; 3],
    gains: Vec<[f32; 3]>,
}

/// No camera is corrected with more; keeps every product finite in `f32`.
const ENTRIES: RangeInclusive<f64> = -1000.0..=1000.0;
/// Likewise: below a thousandth there is no light to correct.
const RESPONSES: RangeInclusive<f64> = 0.001..=1000.0;

impl Correction {
    /// A correction from plain numbers.
    ///
    /// `corrected = matrix · (linear / flat_field(x))`. The flat field is the relative response (1 = full) of R, G and B at
    /// evenly spaced stations, the first at x = 0, the last at `frame_width_mm`; between them it is linear, outside it keeps
    /// the end values. A channel without stations is even, one station holds everywhere.
    ///
    /// # Errors
    /// A matrix entry beyond ±1000, a response outside 0.001…1000, a width that is not positive.
    pub fn new(
        matrix: [[f64; 3]; 3],
        flat_field: [Vec<f64>; 3],
        frame_width_mm: f64,
    ) -> Result<Self> {
        if let Some(bad) = matrix
            .iter()
            .flatten()
            .find(|entry| !ENTRIES.contains(*entry))
        {
            return Err(Error::new(ErrorKind::Document, format!("the entry {bad}"))
                .key("matrix")
                .expected(format!(
                    "numbers from {} to {}",
                    ENTRIES.start(),
                    ENTRIES.end()
                )));
        }
        let responses = flat_field.iter().flatten();
        if let Some(bad) = responses
            .copied()
            .find(|response| !RESPONSES.contains(response))
        {
            return Err(
                Error::new(ErrorKind::Document, format!("the response {bad}"))
                    .key("flat_field")
                    .expected(format!(
                        "numbers from {} to {}, 1 for full response",
                        RESPONSES.start(),
                        RESPONSES.end()
                    )),
            );
        }
        if !(frame_width_mm.is_finite() && frame_width_mm > 0.0) {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a frame {frame_width_mm} mm wide"),
            )
            .expected("a positive width"));
        }
        Ok(Self {
            matrix: matrix.map(|row| row.map(|entry| entry as f32)),
            flat_field,
            frame_width_mm,
        })
    }

    /// What R, G and B are multiplied with at a place across the belt: one over the flat field.
    #[must_use]
    pub fn gain_at(&self, x_mm: f64) -> [f32; 3] {
        std::array::from_fn(|channel| {
            let response = interpolate(&self.flat_field[channel], x_mm / self.frame_width_mm);
            (1.0 / response) as f32
        })
    }

    /// The correction for a row of `columns` pixels, the outer edge of the first at `origin_mm` across the height frame.
    #[must_use]
    pub fn row(&self, columns: usize, pitch_mm: f64, origin_mm: f64) -> CorrectionRow {
        CorrectionRow {
            matrix: self.matrix,
            gains: (0..columns)
                .map(|column| self.gain_at(origin_mm + (column as f64 + 0.5) * pitch_mm))
                .collect(),
        }
    }
}

impl CorrectionRow {
    /// Number of columns it was laid out for.
    #[must_use]
    pub fn columns(&self) -> usize {
        self.gains.len()
    }

    /// Corrected linear RGB of a raw pixel, clipped to 0…1; `None` for a column outside the row.
    #[must_use]
    pub fn linear(&self, column: usize, raw_rgb: [u8; 3]) -> Option<[f32; 3]> {
        let gain = self.gains.get(column)?;
        let light = raw_rgb.map(|code| LINEAR[usize::from(code)]);
        Some(self.mixed(std::array::from_fn(|channel| {
            light[channel] * gain[channel]
        })))
    }

    /// What R, G and B of a column are multiplied with: one over the flat field.
    pub(crate) fn gain(&self, column: usize) -> Option<&[f32; 3]> {
        self.gains.get(column)
    }

    /// The matrix on linear RGB behind the flat field, clipped to 0…1.
    pub(crate) fn mixed(&self, [r, g, b]: [f32; 3]) -> [f32; 3] {
        (self.matrix).map(|row| (row[0] * r + row[1] * g + row[2] * b).clamp(0.0, 1.0))
    }

    /// Corrects a row of raw 8-bit sRGB pixels into `out`, again 8-bit sRGB.
    ///
    /// # Errors
    /// The row, the output and this correction are not equally long.
    pub fn correct(&self, raw_rgb: &[u8], out: &mut [u8]) -> Result<()> {
        if raw_rgb.len() != self.gains.len() * 3 || out.len() != raw_rgb.len() {
            return Err(Error::new(
                ErrorKind::Mismatch,
                format!("a colour row of {} bytes into {}", raw_rgb.len(), out.len()),
            )
            .expected(format!("{} pixels of 3 bytes", self.gains.len())));
        }
        self.for_each(0, raw_rgb, out.as_chunks_mut::<3>().0, |slot, rgb| {
            *slot = rgb
        });
        Ok(())
    }

    /// Hands the corrected 8-bit sRGB of each pixel to `put`, with its slot, from column `first` on. Lengths were checked by
    /// the caller.
    pub(super) fn for_each<T>(
        &self,
        first: usize,
        raw_rgb: &[u8],
        slots: &mut [T],
        mut put: impl FnMut(&mut T, [u8; 3]),
    ) {
        let linear = &*LINEAR;
        let encoder = &*ENCODER;
        // In blocks with one array a channel, so that the arithmetic between the look-ups runs on several pixels at once.
        let mut light = [[0.0_f32; BLOCK]; 3];
        let pixels = raw_rgb.as_chunks::<3>().0.chunks(BLOCK);
        let blocks = pixels.zip(self.gains.get(first..).unwrap_or_default().chunks(BLOCK));
        for ((pixels, gains), slots) in blocks.zip(slots.chunks_mut(BLOCK)) {
            for (place, (pixel, gain)) in pixels.iter().zip(gains).enumerate() {
                for channel in 0..3 {
                    light[channel][place] = linear[usize::from(pixel[channel])] * gain[channel];
                }
            }
            let (corrected, bins) = mix(&self.matrix, &light);
            for (place, slot) in slots.iter_mut().enumerate() {
                let rgb = std::array::from_fn(|channel| {
                    encoder.encode_in_bin(corrected[channel][place], bins[channel][place])
                });
                put(slot, rgb);
            }
        }
    }
}

/// Pixels worked on at a time.
const BLOCK: usize = 64;

/// One value a pixel of a block, for each channel.
type Planes<T> = [[T; BLOCK]; 3];

/// The matrix on a block, clipped to 0…1, and the encoder's bins; pixel for pixel the same arithmetic as [`CorrectionRow::mixed`].
fn mix(matrix: &[[f32; 3]; 3], light: &Planes<f32>) -> (Planes<f32>, Planes<u32>) {
    let mut corrected = [[0.0_f32; BLOCK]; 3];
    let mut bins = [[0_u32; BLOCK]; 3];
    for channel in 0..3 {
        let row = &matrix[channel];
        for place in 0..BLOCK {
            let value =
                row[0] * light[0][place] + row[1] * light[1][place] + row[2] * light[2][place];
            let clipped = value.clamp(0.0, 1.0);
            corrected[channel][place] = clipped;
            bins[channel][place] = bin(clipped);
        }
    }
    (corrected, bins)
}

/// Value of evenly spaced stations at a share (0 to 1) of the width.
fn interpolate(stations: &[f64], share: f64) -> f64 {
    let (Some(&first), Some(&last)) = (stations.first(), stations.last()) else {
        return 1.0;
    };
    let place = share * (stations.len() - 1) as f64;
    if place.is_nan() || place <= 0.0 {
        return first;
    }
    let left = place.floor() as usize;
    match stations.get(left..left.saturating_add(2)) {
        Some(&[low, high]) => low + (high - low) * (place - left as f64),
        _ => last,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAME: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

    #[test]
    fn no_correction_changes_nothing() -> Result<()> {
        let row = Correction::new(SAME, [vec![], vec![], vec![]], 400.0)?.row(256, 0.4, 0.0);
        let raw: Vec<u8> = (0..=255_u8).flat_map(|v| [v, 255 - v, v / 2]).collect();
        let mut out = vec![0; raw.len()];
        row.correct(&raw, &mut out)?;
        assert_eq!(out, raw);
        Ok(())
    }

    #[test]
    fn the_flat_field_is_divided_out_at_each_pixel_s_place() -> Result<()> {
        // Response 0.5 at the left outer edge, 1.0 at the right one, 100 mm wide.
        let correction = Correction::new(SAME, [vec![0.5, 1.0], vec![1.0], vec![]], 100.0)?;
        assert_eq!(correction.gain_at(0.0), [2.0, 1.0, 1.0]);
        assert!((correction.gain_at(50.0)[0] - 1.0 / 0.75).abs() < 1e-6);
        assert_eq!(correction.gain_at(100.0)[0], 1.0);
        assert_eq!(correction.gain_at(130.0)[0], 1.0);
        assert_eq!(correction.gain_at(-9.0)[0], 2.0);
        // Ten pixels of 10 mm: the first one's centre is at 5 mm.
        let row = correction.row(10, 10.0, 0.0);
        let light = row.linear(0, [128, 128, 128]).unwrap_or_default();
        let raw = super::super::linear_from_srgb8(128);
        assert!((light[0] - raw / 0.525).abs() < 1e-6);
        assert_eq!(light[1], raw);
        assert_eq!(row.linear(10, [1, 1, 1]), None);
        Ok(())
    }

    #[test]
    fn a_matrix_fitted_to_a_device_undoes_it() -> Result<()> {
        // Forward mix (rows sum to 1) and its inverse, computed with numpy.linalg.inv.
        let inverse = [
            [
                1.290_322_580_645_161_2,
                -0.193_548_387_096_774_2,
                -0.096_774_193_548_387_1,
            ],
            [
                -0.064_516_129_032_258_07,
                1.209_677_419_354_838_8,
                -0.145_161_290_322_580_66,
            ],
            [0.0, 0.0, 1.0],
        ];
        let forward = [
            [0.78125, 0.125, 0.09375],
            [0.041_666_666_666_666_67, 0.833_333_333_333_333_3, 0.125],
            [0.0, 0.0, 1.0],
        ];
        let row = Correction::new(inverse, [vec![], vec![], vec![]], 1.0)?.row(1, 1.0, 0.0);
        let truth = [0.4, 0.3, 0.2];
        let device: [f64; 3] =
            std::array::from_fn(|i| (0..3).map(|j| forward[i][j] * truth[j]).sum());
        let raw = device.map(|value| super::super::encode_srgb8(value as f32));
        let back = row.linear(0, raw).unwrap_or_default();
        for channel in 0..3 {
            // Half an 8-bit code at 0.4 linear is 0.0025; the matrix may grow it by 1.6.
            assert!((f64::from(back[channel]) - truth[channel]).abs() < 0.004);
        }
        Ok(())
    }

    #[test]
    fn impossible_numbers_are_refused() {
        let even = || [vec![], vec![], vec![]];
        assert!(Correction::new([[f64::NAN; 3]; 3], even(), 1.0).is_err());
        assert!(Correction::new(SAME, [vec![0.0], vec![], vec![]], 1.0).is_err());
        assert!(Correction::new(SAME, even(), 0.0).is_err());
        let row = Correction::new(SAME, even(), 1.0).map(|it| it.row(2, 1.0, 0.0));
        assert!(row.is_ok_and(|row| row.correct(&[0; 9], &mut [0; 9]).is_err()));
    }
}
