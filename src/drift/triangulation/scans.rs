//! From stripe scans of a target to a triangulation.

use super::super::field::{HeightField, sample_count};
use super::super::find::find_target;
use super::fit::{StripeScan, TriangulationFit, fit_triangulation};
use super::samples::{each_row, stripe_samples};
use crate::calibration::{GeometricErrors, Target, Triangulation};
use crate::error::{Error, ErrorKind, Result};
use crate::scan::Scan;
use crate::surface::stripe_heights_mm;

/// About so many samples of each scan are fitted.
const SAMPLES: usize = 60_000;

/// The heights of a stripe scan as a triangulation gives them, on columns of the scan's pitch.
///
/// # Errors
/// The scan's heights are no stripe rows, it is too large for a target scan, or its frame is damaged.
pub fn stripe_field(scan: &Scan, triangulation: &Triangulation) -> Result<HeightField> {
    let samples = sample_count(scan)?;
    let height = &scan.description.height;
    let mut field = HeightField {
        columns: scan.columns,
        rows: scan.rows,
        pitch_across_mm: height.pitch_across_mm,
        pitch_along_mm: height.pitch_along_mm,
        y_mm: Vec::with_capacity(scan.rows),
        z_mm: Vec::with_capacity(samples),
    };
    each_row(scan, |_, y_mm, stripe_px| {
        field.y_mm.push(y_mm);
        field.z_mm.extend(stripe_heights_mm(
            stripe_px,
            triangulation,
            height.pitch_across_mm,
        ));
    })?;
    Ok(field)
}

/// Finds the target in each scan with the triangulation `start` and fits a new one to all scans together.
///
/// # Errors
/// A scan is no stripe scan or damaged, the target is not found in it, or as [`fit_triangulation`].
pub fn calibrate_stripes(
    scans: &[Scan],
    target: &Target,
    start: &Triangulation,
) -> Result<TriangulationFit> {
    let mut stripes = Vec::new();
    let mut frame = None;
    for scan in scans {
        let field = stripe_field(scan, start)?;
        let found = find_target(&field, target, &GeometricErrors::NONE)
            .map_err(|error| error.at(&scan.folder))?;
        frame.get_or_insert(field.geometry());
        let every = ((scan.rows.saturating_mul(scan.columns) / SAMPLES) as f64)
            .sqrt()
            .ceil()
            .max(1.0) as usize;
        stripes.push(StripeScan {
            samples: stripe_samples(scan, [every, every])?,
            pose: found.pose,
        });
    }
    let frame = frame.ok_or_else(|| {
        Error::new(ErrorKind::Unmeasurable, "no target scan is given")
            .expected("expected one stripe scan of a target or several")
    })?;
    fit_triangulation(&stripes, target, &frame, start)
}
