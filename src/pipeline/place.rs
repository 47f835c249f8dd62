//! Order, number, scan, lane and time of the pieces of a recording.

use super::clock::Clock;
use super::piece::Found;
use super::recording::id;
use crate::calibration::Calibration;
use crate::scan::{Recording, Scan};
use crate::surface::SurfaceGrid;

/// Orders and numbers the pieces, and says in which scan and lane each lies and when it passed.
pub fn place(
    pieces: &mut [Found],
    recording: &Recording,
    first: &Scan,
    grid: &SurfaceGrid,
    clock: &Clock,
    calibration: Option<&Calibration>,
) {
    pieces.sort_by(|one, two| {
        let (one, two) = (&one.piece.record, &two.piece.record);
        one.y_mm
            .total_cmp(&two.y_mm)
            .then(one.x_mm.total_cmp(&two.x_mm))
    });
    let along_scale = calibration.map_or(1.0, |calibration| calibration.errors.along_scale);
    let width_mm = first.columns as f64 * first.description.height.pitch_across_mm;
    for (index, found) in pieces.iter_mut().enumerate() {
        let record = &mut found.piece.record;
        let profile = (record.y_mm / grid.pitch_along_mm).max(0.0) as u64;
        let scan = recording.frame_at(profile).or_else(|| {
            recording
                .frames
                .iter()
                .rposition(|f| f.description.height.first_profile <= profile)
        });
        record.recording.clone_from(&recording.name);
        record.scan = id(&recording.frames[scan.unwrap_or(0)]);
        record.piece = index as u32 + 1;
        record.lane = first.description.lanes.map(|lanes| {
            let lane = (record.x_mm / width_mm * f64::from(lanes)).floor();
            lane.clamp(0.0, f64::from(lanes - 1)) as u32 + 1
        });
        record.time = clock.at(along_scale * record.y_mm);
    }
}
