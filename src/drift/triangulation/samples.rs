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
    /// Measured place along the belt from the scan's own first row, mm.
    pub y_mm: f64,
}

/// Rows read at a time.
const BLOCK_ROWS: usize = 128;

/// Every `step[0]`-th column of every `step[1]`-th row of a stripe scan.
///
/// # Errors
/// The scan's heights are no stripe rows, or its frame is damaged.
pub fn stripe_samples(scan: &Scan, step: [usize; 2]) -> Result<Vec<StripeSample>> {
    let mut samples = Vec::new();
    each_row(scan, |row, y_mm, stripe_px| {
        if row.is_multiple_of(step[1].max(1)) {
            let seen = stripe_px.iter().enumerate().step_by(step[0].max(1));
            let seen = seen.filter(|(_, row_px)| !row_px.is_nan());
            samples.extend(seen.map(|(column, &row_px)| StripeSample {
                column: column as f64,
                row_px: f64::from(row_px),
                y_mm,
            }));
        }
    })?;
    Ok(samples)
}

/// Calls `take` with each row's number, its measured place along from the scan's own first row (mm), and its stripe rows
/// (px, one a sensor column, NaN unseen).
pub(super) fn each_row(scan: &Scan, mut take: impl FnMut(usize, f64, &[f32])) -> Result<()> {
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
    let start_mm = height.first_profile as f64 * height.pitch_along_mm;
    let mut reader = HeightReader::open(scan)?;
    while let Some(block) = reader.read(BLOCK_ROWS)? {
        let stripe_px: Vec<f32> = match &block.counts {
            Counts::U16(counts) => counts
                .iter()
                .map(|&count| match height.invalid {
                    Some(invalid) if count == invalid => f32::NAN,
                    _ => (height.offset + height.scale * f64::from(count)) as f32,
                })
                .collect(),
            Counts::F32(values) => values
                .iter()
                .map(|&value| (height.offset + height.scale * f64::from(value)) as f32)
                .collect(),
        };
        for (index, row_px) in stripe_px.chunks_exact(block.columns.max(1)).enumerate() {
            let row = block.first_row + index;
            let known = encoder_mm.as_ref().and_then(|places| places.get(row));
            let y_mm = known.map_or((row as f64 + 0.5) * height.pitch_along_mm, |y| y - start_mm);
            take(row, y_mm, row_px);
        }
    }
    Ok(())
}
