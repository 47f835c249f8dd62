//! Simulated recordings in folders of their own.

use std::path::Path;

use tempfile::TempDir;
use weighlight::calibration::{Target, read_target};
use weighlight::scan::write_scan_views;
use weighlight::simulate::SimulatedRecording;

/// The plate that comes with the program.
pub fn plate() -> Target {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("calibration/targets/plate-420x260.toml");
    read_target(&path).unwrap()
}

/// Writes the frames, each into a folder of its own.
pub fn written(recording: &SimulatedRecording) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for frame in &recording.frames {
        write_scan_views(
            &folder.path().join(&frame.description.id),
            &frame.description,
            &frame.height,
            &frame.views,
            frame.colour.as_ref(),
            None,
        )
        .unwrap();
    }
    folder
}
