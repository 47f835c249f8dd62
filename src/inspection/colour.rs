//! How a colour frame is exposed.

use crate::error::Result;
use crate::scan::{ColourReader, Scan};

/// Rows read at a time.
const BLOCK_ROWS: usize = 512;
/// From here a channel counts as clipped, in counts of 255: cameras bend over just below their end (common practice, no
/// source).
const CLIPPED: u8 = 254;
/// Below this in all channels a pixel counts as black.
const BLACK: u8 = 4;

/// Exposure of a colour frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourStatistics {
    /// Mean of red, green, blue, sRGB counts of 255.
    pub mean: [f64; 3],
    /// Share of pixels with a clipped channel.
    pub clipped_fraction: f64,
    /// Share of pixels that are black.
    pub black_fraction: f64,
}

/// Reads a scan's colour frame and counts.
///
/// # Errors
/// The scan has no colour frame, or it is damaged.
pub fn colour_statistics(scan: &Scan) -> Result<ColourStatistics> {
    let mut reader = ColourReader::open(scan)?;
    let mut count = Count::default();
    while let Some(rows) = reader.read(BLOCK_ROWS)? {
        count.add(&rows.rgb);
    }
    Ok(count.statistics())
}

#[derive(Default)]
struct Count {
    sum: [u64; 3],
    clipped: u64,
    black: u64,
    all: u64,
}

impl Count {
    fn add(&mut self, rgb: &[u8]) {
        for pixel in rgb.chunks_exact(3) {
            self.all += 1;
            for (sum, value) in self.sum.iter_mut().zip(pixel) {
                *sum += u64::from(*value);
            }
            self.clipped += u64::from(pixel.iter().any(|value| *value >= CLIPPED));
            self.black += u64::from(pixel.iter().all(|value| *value < BLACK));
        }
    }

    fn statistics(&self) -> ColourStatistics {
        let all = self.all.max(1) as f64;
        ColourStatistics {
            mean: self.sum.map(|sum| sum as f64 / all),
            clipped_fraction: self.clipped as f64 / all,
            black_fraction: self.black as f64 / all,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_channel_at_its_end_clips_a_pixel_and_black_needs_all_three() {
        let mut count = Count::default();
        count.add(&[255, 0, 0, 3, 3, 3]);
        count.add(&[3, 3, 4, 253, 253, 253]);
        let found = count.statistics();
        assert_eq!(found.clipped_fraction, 0.25);
        assert_eq!(found.black_fraction, 0.25);
        assert_eq!(found.mean, [128.5, 64.75, 65.0]);
    }
}
