//! What is in a scan, and whether it is sound enough to measure in.

mod colour;
mod findings;
mod limits;
mod painted;

pub use colour::{ColourStatistics, colour_statistics};
pub use findings::{Finding, judge};
pub use limits::{fit_colour_rules, named_colours};
pub use painted::{PaintedFrame, painted_colours};

use ndarray::{Array2, Axis, concatenate};

use crate::calibration::Calibration;
use crate::error::Result;
use crate::pipeline::FrameView;
use crate::scan::{HeightReader, Profiles, Scan, read_profiles};
use crate::surface::{FrameLayout, SurfaceStream, ViewReport};

/// Rows read at a time.
const BLOCK_ROWS: usize = 512;

/// What was found in one scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspection {
    /// Lowest and highest height above the belt, mm; `None` when no belt was seen.
    pub heights: Option<HeightStatistics>,
    /// Share of samples without a return.
    pub dropout_fraction: f64,
    /// The belt; `None` when it was not seen.
    pub belt: Option<BeltStatistics>,
    /// How a second camera's view agrees with the first, where there is one.
    pub views: Option<ViewReport>,
    /// The colour frame, where there is one.
    pub colour: Option<ColourStatistics>,
    /// Whether a calibration was applied.
    pub calibrated: bool,
    /// What is remarkable, the unsound first.
    pub findings: Vec<Finding>,
}

/// Heights above the belt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightStatistics {
    /// What one sample in a thousand lies below, mm.
    pub low_mm: f64,
    /// What one sample in a thousand exceeds, mm.
    pub high_mm: f64,
    /// Share of the seen cells that are within [`NEAR_BELT_MM`] of the belt.
    pub belt_fraction: f64,
}

/// The belt under one scan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeltStatistics {
    /// Standard deviation of single samples, mm.
    pub noise_mm: f64,
    /// Slope across, mrad.
    pub roll_mrad: f64,
    /// Half the range about the mean plane, mm.
    pub ripple_mm: f64,
}

/// Heights this close to the belt count as belt, mm: half of the least height of a piece in common profiles (common
/// practice, no source).
pub const NEAR_BELT_MM: f64 = 0.5;

impl Inspection {
    /// Whether nothing was found that makes the scan unfit to be measured.
    pub fn is_sound(&self) -> bool {
        !self.findings.iter().any(Finding::is_unsound)
    }
}

/// A scan's inspection and, for a picture, its surface.
#[derive(Debug, Clone)]
pub struct Inspected {
    /// What was found.
    pub inspection: Inspection,
    /// The surface, without colour.
    pub view: FrameView,
}

/// Reads a scan from its files and inspects it, by itself, without the other frames of its recording.
///
/// # Errors
/// A file is damaged, or stripe rows come without a triangulation.
pub fn inspect(scan: &Scan, calibration: Option<&Calibration>) -> Result<Inspected> {
    let profiles = read_profiles(scan)?;
    let mut stream = SurfaceStream::new(layout(scan, profiles.as_ref()), calibration)?;
    let mut reader = HeightReader::open(scan)?;
    let view = scan.description.views.first();
    if let Some(view) = view {
        stream.add_view((view.scale, view.offset, view.invalid), calibration);
    }
    let mut second = view
        .map(|view| HeightReader::open_view(scan, view))
        .transpose()?;
    let mut bands = Vec::new();
    while let Some(rows) = reader.read(BLOCK_ROWS)? {
        let end = rows.first_row + BLOCK_ROWS.min(scan.rows - rows.first_row);
        let own_y = profiles
            .as_ref()
            .and_then(|profiles| profiles.encoder_mm.get(rows.first_row..end));
        let second = match &mut second {
            None => None,
            Some(reader) => reader.read(BLOCK_ROWS)?,
        };
        stream.push_views(
            &rows.counts,
            second.as_ref().map(|rows| &rows.counts),
            own_y,
        );
        while let Some(band) = stream.next_band() {
            bands.push(band.heights_mm);
        }
    }
    stream.finish();
    while let Some(band) = stream.next_band() {
        bands.push(band.heights_mm);
    }
    let grid = stream.grid();
    let views: Vec<_> = bands.iter().map(|band| band.view()).collect();
    let height_mm = concatenate(Axis(0), &views)
        .unwrap_or_else(|_| Array2::from_elem((scan.rows, scan.columns), f32::NAN));
    let belt = stream.belt_report().map(|report| BeltStatistics {
        noise_mm: report.noise_mm,
        roll_mrad: report.roll_mrad,
        ripple_mm: report.ripple_mm,
    });
    let colour = match scan.description.colour {
        Some(_) => Some(colour_statistics(scan)?),
        None => None,
    };
    let mut inspection = Inspection {
        heights: belt.and_then(|_| height_statistics(&height_mm)),
        dropout_fraction: stream.dropout_fraction(),
        belt,
        views: stream.view_report(),
        colour,
        calibrated: calibration.is_some(),
        findings: Vec::new(),
    };
    inspection.findings = judge(scan, &inspection);
    let view = FrameView {
        scan: scan.description.id.clone(),
        first_row: 0,
        pitch_across_mm: grid.pitch_across_mm,
        pitch_along_mm: grid.pitch_along_mm,
        height_mm,
        colour: None,
    };
    Ok(Inspected { inspection, view })
}

fn layout(scan: &Scan, profiles: Option<&Profiles>) -> FrameLayout {
    let height = &scan.description.height;
    FrameLayout {
        columns: scan.columns,
        rows: height.first_profile..scan.end_profile(),
        pitch_across_mm: height.pitch_across_mm,
        pitch_along_mm: height.pitch_along_mm,
        kind: height.kind,
        scale: height.scale,
        offset: height.offset,
        invalid: height.invalid,
        own_y: profiles.is_some(),
        y_end_mm: profiles.and_then(|profiles| {
            profiles
                .encoder_mm
                .last()
                .map(|last| last + 0.5 * height.pitch_along_mm)
        }),
    }
}

fn height_statistics(height_mm: &Array2<f32>) -> Option<HeightStatistics> {
    let mut seen: Vec<f32> = height_mm
        .iter()
        .copied()
        .filter(|height| height.is_finite())
        .collect();
    if seen.is_empty() {
        return None;
    }
    let near = seen
        .iter()
        .filter(|height| f64::from(height.abs()) <= NEAR_BELT_MM)
        .count();
    let belt_fraction = near as f64 / seen.len() as f64;
    let mut at = |index: usize| {
        let (_, value, _) = seen.select_nth_unstable_by(index, f32::total_cmp);
        f64::from(*value)
    };
    let beyond = height_mm.len() / 1000;
    let last = height_mm.iter().filter(|height| height.is_finite()).count() - 1;
    Some(HeightStatistics {
        low_mm: at(beyond.min(last)),
        high_mm: at(last.saturating_sub(beyond)),
        belt_fraction,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sample_in_a_thousand_is_left_out_at_either_end() {
        let mut heights = Array2::from_shape_fn((40, 100), |(row, _)| row as f32);
        heights[(0, 0)] = -500.0;
        heights[(39, 99)] = 900.0;
        heights[(20, 0)] = f32::NAN;
        let found = height_statistics(&heights).unwrap();
        assert_eq!((found.low_mm, found.high_mm), (0.0, 39.0));
        assert!((found.belt_fraction - 99.0 / 3999.0).abs() < 1e-12);
    }

    #[test]
    fn nothing_seen_has_no_heights() {
        assert_eq!(
            height_statistics(&Array2::from_elem((3, 3), f32::NAN)),
            None
        );
    }
}
