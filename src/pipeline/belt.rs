//! What is known of the belt where a piece lies.

use super::piece::LEAST_BELT_SHARE;
use crate::calibration::Calibration;
use crate::measure::BeltKnowledge;
use crate::pieces::Region;
use crate::surface::{BeltLine, belt_misfit_mm};

/// Relative standard uncertainties of the scales across, along and in height.
pub fn scales_u_rel(calibration: &Calibration) -> [f64; 3] {
    let (errors, u) = (&calibration.errors, &calibration.errors_u);
    [
        u.across_scale / errors.across_scale,
        u.along_scale / errors.along_scale,
        u.height_scale / errors.height_scale,
    ]
}

fn lines_under<'a>(region: &Region, lines: &'a [BeltLine]) -> &'a [BeltLine] {
    let first = region.first_row as f64;
    let end = (region.first_row + region.heights_mm.nrows()) as f64;
    let first = lines.partition_point(|line| line.row < first);
    let end = lines.partition_point(|line| line.row < end);
    &lines[first..end.max(first)]
}

/// What is known of the belt under a region.
pub fn belt_under(
    region: &Region,
    lines: &[BeltLine],
    [across, along, height]: [f64; 3],
    low_mm: f32,
    pitch_along_mm: f64,
    two_views: bool,
) -> BeltKnowledge {
    let own = lines_under(region, lines);
    let end = lines
        .partition_point(|line| line.row < (region.first_row + region.heights_mm.nrows()) as f64);
    let misfit_mm = belt_misfit_mm(&lines[..end], end - own.len());
    // Root mean square of what the lines under the piece say; lines without belt say nothing.
    let over = |value: fn(&BeltLine) -> f64| {
        let seen = own.iter().map(value).filter(|v| v.is_finite());
        let (sum, count) = seen.fold((0.0, 0.0), |(sum, n), v| (sum + v * v, n + 1.0));
        if count > 0.0 {
            f64::sqrt(sum / count)
        } else {
            0.0
        }
    };
    let length_mm = region.heights_mm.nrows() as f64 * pitch_along_mm;
    let alike = (over(|line| line.reach_mm) / length_mm.max(f64::MIN_POSITIVE)).min(1.0);
    BeltKnowledge {
        noise_mm: over(|line| line.noise_mm),
        // The mean over the piece is as good as the stretches behind it are many.
        belt_u_mm: (over(|line| line.u_mm) * alike.sqrt()).hypot(misfit_mm),
        scale_u_rel: across.hypot(along).hypot(height),
        plane_u_rel: [across, along],
        low_mm: f64::from(low_mm),
        two_views,
    }
}

/// Whether belt was seen near a region.
pub fn belt_seen(region: &Region, lines: &[BeltLine]) -> bool {
    lines_under(region, lines)
        .iter()
        .all(|line| line.seen_fraction >= LEAST_BELT_SHARE)
}
