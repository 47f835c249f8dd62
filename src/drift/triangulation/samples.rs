//! Stripe samples out of a scan.

use crate::error::{Error, ErrorKind, Result};
use crate::scan::{Counts, HeightKind, HeightReader, Scan, read_profiles};

/// Where the stripe was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StripeSample {
    /// Sensor column, px.
    pub column: f64,
    /// Sensor row, px.
    pub row_px: f64,
    /// Measured place along the belt, mm.
    pub y_mm: f64,
}

/// Rows read at a time.
const BLOCK_ROWS: usize = 128;

/// Every `step[0]`-th column of every `step[1]`-th row of a stripe scan.
///
/// # Errors
/// The scan's heights are no stripe rows, or its frame is damaged.
pub fn stripe_samples(scan: &Scan, step: [usize; 2]) -> Result<Vec<StripeSample>> {
    let height = &scan.description.height;
    if height.kind != HeightKind::Stripe {
        return Err(
            Error::new(ErrorKind::Mismatch, "the scan's heights are no stripe rows")
                .at(scan.document_path())
                .key("height.kind")
                .expected("expected \"stripe\": only sensor rows tell the triangulation"),
        );
    }
    let encoder_mm = read_profiles(scan)?.map(|profiles| profiles.encoder_mm);
    let mut reader = HeightReader::open(scan)?;
    let mut samples = Vec::new();
    while let Some(block) = reader.read(BLOCK_ROWS)? {
        let rows = block.counts.len() / block.columns.max(1);
        for index in 0..rows {
            let row = block.first_row + index;
            if !row.is_multiple_of(step[1].max(1)) {
                continue;
            }
            let known = encoder_mm.as_ref().and_then(|places| places.get(row));
            let y_mm = known.copied().unwrap_or_else(|| {
                (height.first_profile as f64 + row as f64 + 0.5) * height.pitch_along_mm
            });
            for column in (0..block.columns).step_by(step[0].max(1)) {
                let at = index * block.columns + column;
                let row_px = match &block.counts {
                    Counts::U16(counts) => match height.invalid {
                        Some(invalid) if counts[at] == invalid => continue,
                        _ => height.offset + height.scale * f64::from(counts[at]),
                    },
                    Counts::F32(values) if values[at].is_nan() => continue,
                    Counts::F32(values) => height.offset + height.scale * f64::from(values[at]),
                };
                samples.push(StripeSample {
                    column: column as f64,
                    row_px,
                    y_mm,
                });
            }
        }
    }
    Ok(samples)
}
