//! The height frame of a target scan as the instrument gives it: measured millimetres, nothing undone.

use crate::calibration::FrameGeometry;
use crate::error::{Error, ErrorKind, Result};
use crate::scan::{Counts, HeightKind, HeightReader, Scan, read_profiles};

/// Rows read at a time.
const CHUNK_ROWS: usize = 256;

/// Largest target scan, samples: twenty times a long plate at fine pitch. More is a recording of something else.
const MOST_SAMPLES: usize = 32_000_000;

/// Measured heights, one a sample.
///
/// Frame: belt, as measured, y counted from the scan's own first row (its centre at half a pitch, also with an encoder record): a check
/// takes its scan as a recording of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct HeightField {
    /// Columns.
    pub columns: usize,
    /// Rows.
    pub rows: usize,
    /// Column pitch, mm.
    pub pitch_across_mm: f64,
    /// Row pitch, mm (the mean one where an encoder record gives each row's place).
    pub pitch_along_mm: f64,
    /// Measured y of each row's centre, mm.
    pub y_mm: Vec<f64>,
    /// Measured heights row by row, mm; NaN where there was no return.
    pub z_mm: Vec<f32>,
}

impl HeightField {
    /// Reads the height frame of a scan.
    ///
    /// # Errors
    /// The frame or the encoder record is damaged; a stripe scan; more samples than a target scan has.
    pub fn read(scan: &Scan) -> Result<Self> {
        let height = &scan.description.height;
        if height.kind == HeightKind::Stripe {
            return Err(Error::new(ErrorKind::Mismatch, "found \"stripe\"")
                .at(scan.document_path())
                .key("height.kind")
                .expected("expected a range scan: the nine errors are of heights in mm"));
        }
        let samples = sample_count(scan)?;
        let mut reader = HeightReader::open(scan)?;
        let mut z_mm = Vec::with_capacity(samples);
        while let Some(block) = reader.read(CHUNK_ROWS)? {
            match block.counts {
                Counts::U16(counts) => z_mm.extend(counts.iter().map(|&count| {
                    if Some(count) == height.invalid {
                        f32::NAN
                    } else {
                        (height.offset + height.scale * f64::from(count)) as f32
                    }
                })),
                Counts::F32(values) => z_mm.extend(values),
            }
        }
        let pitch_along_mm = height.pitch_along_mm;
        let y_mm = match read_profiles(scan)? {
            None => (0..scan.rows)
                .map(|row| (row as f64 + 0.5) * pitch_along_mm)
                .collect(),
            Some(profiles) => {
                // Encoders start anywhere; the frame's middle, about which pitch turns, is counted in rows.
                let start_mm = profiles
                    .encoder_mm
                    .first()
                    .map_or(0.0, |first| first - 0.5 * pitch_along_mm);
                profiles.encoder_mm.iter().map(|y| y - start_mm).collect()
            }
        };
        Ok(Self {
            columns: scan.columns,
            rows: scan.rows,
            pitch_across_mm: height.pitch_across_mm,
            pitch_along_mm,
            y_mm,
            z_mm,
        })
    }

    /// Centre and half width of the frame, as the error model wants them.
    #[must_use]
    pub fn geometry(&self) -> FrameGeometry {
        let cx_mm = 0.5 * self.columns as f64 * self.pitch_across_mm;
        FrameGeometry {
            cx_mm,
            cy_mm: 0.5 * self.rows as f64 * self.pitch_along_mm,
            half_width_mm: cx_mm,
        }
    }

    /// Measured x of a column's centre, mm.
    #[must_use]
    pub fn x_mm(&self, column: usize) -> f64 {
        (column as f64 + 0.5) * self.pitch_across_mm
    }

    /// One row of heights.
    pub(super) fn row(&self, row: usize) -> &[f32] {
        &self.z_mm[row * self.columns..(row + 1) * self.columns]
    }
}

/// The samples of a scan's height frame, looked at before memory is set aside for them.
pub(super) fn sample_count(scan: &Scan) -> Result<usize> {
    let samples = scan.rows.saturating_mul(scan.columns);
    if MOST_SAMPLES < samples {
        return Err(Error::new(
            ErrorKind::Mismatch,
            format!("{} rows × {} columns", scan.rows, scan.columns),
        )
        .at(scan.document_path())
        .expected(format!(
            "expected a scan of the target alone, of at most {MOST_SAMPLES} samples"
        )));
    }
    Ok(samples)
}
