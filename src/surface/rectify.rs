//! Counts to true millimetres: the only place where a count becomes a length.

use super::grid::SurfaceGrid;
use crate::calibration::GeometricErrors;
use crate::scan::Counts;

/// Undoes everything of the error model that keeps a sample in its cell: the scales, the height offset, roll, pitch and bow.
///
/// The scales across and along change the grid's pitch instead of moving samples, so nothing is interpolated for them.
/// Skew and lean move samples along y and are undone by [`super::resample`].
#[derive(Debug, Clone)]
pub struct Rectifier {
    /// The true grid.
    pub grid: SurfaceGrid,
    scale_mm: f64,
    offset_mm: f64,
    invalid: Option<u16>,
    /// Per column: what roll and bow add, mm (already over the height scale).
    column_mm: Vec<f32>,
    /// mm per row from pitch (already over the height scale), and its value at row 0.
    pitch_per_row_mm: f64,
    pitch_at_row_0_mm: f64,
}

impl Rectifier {
    /// For frames of `columns` at the given nominal pitches, in a recording of rows `rows` counted from its start.
    ///
    /// `z = offset_mm + scale_mm·count`; `invalid` is the count that means "no return".
    pub fn new(
        columns: usize,
        rows: std::ops::Range<u64>,
        pitch_across_mm: f64,
        pitch_along_mm: f64,
        (scale_mm, offset_mm, invalid): (f64, f64, Option<u16>),
        errors: &GeometricErrors,
    ) -> Self {
        let grid = true_grid(columns, rows.start, pitch_across_mm, pitch_along_mm, errors);
        let half_width_mm = columns as f64 * pitch_across_mm / 2.0;
        let cy_mm = (rows.start + rows.end) as f64 * pitch_along_mm / 2.0;
        let height_scale = errors.height_scale;
        let column_mm = (0..columns)
            .map(|column| {
                let dx_mm = grid.x_mm(column as f64) - half_width_mm;
                let roll = errors.roll_mrad * 1e-3 * dx_mm;
                let bow = errors.bow_mm * (dx_mm / half_width_mm).powi(2);
                ((roll + bow) / height_scale) as f32
            })
            .collect();
        let slope = errors.pitch_mrad * 1e-3 / height_scale;
        Self {
            scale_mm: scale_mm / height_scale,
            offset_mm: (offset_mm - errors.height_offset_mm) / height_scale,
            invalid,
            column_mm,
            pitch_per_row_mm: slope * grid.pitch_along_mm,
            pitch_at_row_0_mm: slope * (grid.y_mm(0.0) - cy_mm),
            grid,
        }
    }

    /// Heights of rows whose first is row `first_row` of the surface.
    pub fn heights_mm(&self, first_row: usize, counts: &Counts) -> Vec<f32> {
        let rows = counts.len() / self.grid.columns;
        let mut heights_mm = Vec::with_capacity(counts.len());
        for row in 0..rows {
            self.append_row(first_row + row, counts, row, &mut heights_mm);
        }
        heights_mm
    }

    /// Appends the heights of row `index` of `counts`, which is row `row` of the surface.
    pub fn append_row(&self, row: usize, counts: &Counts, index: usize, out: &mut Vec<f32>) {
        let span = index * self.grid.columns..(index + 1) * self.grid.columns;
        let row_mm =
            (self.offset_mm - self.pitch_at_row_0_mm - self.pitch_per_row_mm * row as f64) as f32;
        let scale_mm = self.scale_mm as f32;
        match counts {
            Counts::U16(samples) => {
                let start = out.len();
                out.resize(start + span.len(), f32::NAN);
                let samples = samples[span].iter().zip(&self.column_mm);
                let heights = out[start..].iter_mut().zip(samples);
                // Counts are compared before they are scaled, as the GenICam SFNC asks.
                let (invalid, has_invalid) = (self.invalid.unwrap_or(0), self.invalid.is_some());
                for (out, (&count, &column_mm)) in heights {
                    let height_mm = f32::from(count) * scale_mm + (row_mm - column_mm);
                    let unseen = has_invalid & (count == invalid);
                    *out = if unseen { f32::NAN } else { height_mm };
                }
            }
            Counts::F32(samples) => {
                let samples = samples[span].iter().zip(&self.column_mm);
                out.extend(
                    samples.map(|(&value, &column_mm)| value * scale_mm + (row_mm - column_mm)),
                );
            }
        }
    }
}

/// The true grid of a scanner with these errors: the measured grid's pitches over the scales, the centre kept.
pub fn true_grid(
    columns: usize,
    first_row: u64,
    pitch_across_mm: f64,
    pitch_along_mm: f64,
    errors: &GeometricErrors,
) -> SurfaceGrid {
    let cx_mm = columns as f64 * pitch_across_mm / 2.0;
    SurfaceGrid {
        columns,
        x_origin_mm: cx_mm - cx_mm / errors.across_scale,
        y_origin_mm: first_row as f64 * pitch_along_mm / errors.along_scale,
        pitch_across_mm: pitch_across_mm / errors.across_scale,
        pitch_along_mm: pitch_along_mm / errors.along_scale,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_count_becomes_offset_plus_scale_times_count() {
        // GenICam SFNC 2.7.1, 21.4: coord = pixel·Scale + Offset; the standard's example has scale −0.12, offset 5000.
        let rectifier = Rectifier::new(
            2,
            0..1,
            0.5,
            0.5,
            (-0.12, 5000.0, None),
            &GeometricErrors::NONE,
        );
        let heights = rectifier.heights_mm(0, &Counts::U16(vec![10_000, 0]));
        assert!((heights[0] - 3800.0).abs() < 1e-3);
        assert!((heights[1] - 5000.0).abs() < 1e-3);
    }

    #[test]
    fn the_invalid_count_is_compared_before_scaling() {
        let rectifier = Rectifier::new(
            2,
            0..1,
            0.5,
            0.5,
            (0.01, -5.0, Some(0)),
            &GeometricErrors::NONE,
        );
        let heights = rectifier.heights_mm(0, &Counts::U16(vec![0, 500]));
        assert!(heights[0].is_nan());
        assert_eq!(heights[1], 0.0);
    }

    #[test]
    fn the_error_model_is_undone() {
        let errors = GeometricErrors {
            across_scale: 1.004,
            along_scale: 0.997,
            height_scale: 0.995,
            height_offset_mm: 0.4,
            roll_mrad: 3.0,
            pitch_mrad: -2.0,
            bow_mm: 0.5,
            ..GeometricErrors::NONE
        };
        let (columns, rows, pitch_mm) = (40, 30, 0.5);
        let rectifier = Rectifier::new(
            columns,
            0..rows as u64,
            pitch_mm,
            pitch_mm,
            (1.0, 0.0, None),
            &errors,
        );
        let (half_mm, cy_mm) = (10.0, 7.5);
        let truth = |x: f64, y: f64| 12.0 + 0.1 * x - 0.05 * y;
        let mut samples = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let x =
                    half_mm + ((column as f64 + 0.5) * pitch_mm - half_mm) / errors.across_scale;
                let y = (row as f64 + 0.5) * pitch_mm / errors.along_scale;
                let u = (x - half_mm) / half_mm;
                samples.push(
                    (errors.height_scale * truth(x, y)
                        + errors.height_offset_mm
                        + errors.roll_mrad * 1e-3 * (x - half_mm)
                        + errors.pitch_mrad * 1e-3 * (y - cy_mm)
                        + errors.bow_mm * u * u) as f32,
                );
            }
        }
        let heights = rectifier.heights_mm(0, &Counts::F32(samples));
        let grid = rectifier.grid;
        for (index, &height) in heights.iter().enumerate() {
            let (row, column) = (index / columns, index % columns);
            let expected = truth(grid.x_mm(column as f64), grid.y_mm(row as f64));
            assert!(
                (f64::from(height) - expected).abs() < 1e-5,
                "{row} {column}"
            );
        }
    }
}
