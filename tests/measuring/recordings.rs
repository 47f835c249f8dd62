//! Recordings made for the tests, written to a folder of their own and measured from there.

use std::path::Path;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use tempfile::TempDir;
use weighlight::Result;
use weighlight::calibration::Calibration;
use weighlight::pipeline::{MeasuredRecording, Plan, measure_recording};
use weighlight::product::Product;
use weighlight::scan::{Rejected, read_archive, write_scan_views};
use weighlight::simulate::{
    BeltModel, Pattern, PlacedPiece, Pose, Scenario, Shape, SimulatedFrame, SmoothField,
};
use weighlight::tables::{PieceRecord, PieceTable, Provenance, write_csv};

/// A scenario whose scanner makes no noise and loses nothing over a flat belt, heights in micrometres.
pub fn quiet(name: &str, pitch_mm: [f64; 2], width_mm: f64, length_mm: f64) -> Scenario {
    let mut scenario = Scenario::named(name).unwrap();
    let scanner = &mut scenario.scanner;
    scanner.width_mm = width_mm;
    [scanner.pitch_across_mm, scanner.pitch_along_mm] = pitch_mm;
    scanner.scale_mm = 0.001;
    scanner.offset_mm = -5.0;
    scanner.noise_mm = 0.0;
    scanner.dropout_fraction = 0.0;
    scanner.camera = None;
    scanner.belt = BeltModel {
        tilt_across_mrad: 0.0,
        tilt_along_mrad: 0.0,
        bow_mm: 0.0,
        ripple_mm: 0.0,
        texture: 0.0,
        ..scanner.belt.clone()
    };
    if let Some(colour) = &mut scanner.colour {
        [colour.pitch_across_mm, colour.pitch_along_mm] = pitch_mm;
        colour.vignetting = 0.0;
        colour.blur_px = 0.0;
        colour.noise_counts = 0.0;
        colour.gloss_fraction = 0.0;
    }
    scenario.length_mm = length_mm;
    scenario.frame_rows = usize::MAX;
    scenario
}

/// A pattern of one class.
pub fn plain() -> Pattern {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    Pattern {
        ground: 0,
        regions: Vec::new(),
        texture: SmoothField::new(10.0, &mut rng),
        gloss: SmoothField::new(10.0, &mut rng),
    }
}

/// A shape of one class, laid down.
pub fn laid(shape: Shape, x_mm: f64, y_mm: f64, yaw_rad: f64) -> PlacedPiece {
    let pose = Pose {
        x_mm,
        y_mm,
        yaw_rad,
        mirrored: false,
    };
    PlacedPiece::new("solid", shape, plain(), pose)
}

/// Writes the frames, each into a folder of its own.
pub fn written(frames: &[SimulatedFrame]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for frame in frames {
        let place = folder.path().join(&frame.description.id);
        write_scan_views(
            &place,
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

/// Measures the one recording that a folder holds.
pub fn measured(
    folder: &Path,
    product: &Product,
    calibration: Option<&Calibration>,
) -> Result<(MeasuredRecording, Vec<Rejected>)> {
    let archive = read_archive(&[folder.to_path_buf()])?;
    assert_eq!(archive.recordings.len(), 1, "{:?}", archive.rejected);
    let plan = Plan {
        product,
        calibration,
        keep_views: false,
    };
    let (recording, mut rejected) =
        measure_recording(&archive.recordings[0], &plan, &mut |_, _| Ok(()))?;
    rejected.extend(archive.rejected);
    Ok((recording, rejected))
}

/// Writes and measures with the scenario's own product and calibration.
pub fn records(frames: &[SimulatedFrame], scenario: &Scenario) -> Vec<PieceRecord> {
    let folder = written(frames);
    let calibration = scenario.calibration();
    let (recording, rejected) =
        measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap();
    assert!(rejected.is_empty(), "{rejected:?}");
    rows(recording)
}

pub fn rows(recording: MeasuredRecording) -> Vec<PieceRecord> {
    let pieces = recording.pieces.into_iter();
    pieces.map(|piece| piece.record).collect()
}

/// The table's CSV, without the name of the scan each piece lies in.
pub fn csv(mut records: Vec<PieceRecord>) -> String {
    for record in &mut records {
        record.scan.clear();
    }
    let provenance = Provenance {
        version: String::new(),
        command: Vec::new(),
        settings: Vec::new(),
        recordings: Vec::new(),
    };
    let mut bytes = Vec::new();
    write_csv(
        &PieceTable::new(records, Vec::new(), provenance),
        &mut bytes,
    )
    .unwrap();
    String::from_utf8(bytes).unwrap()
}
