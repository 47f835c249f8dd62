//! Two cameras on either side of the laser.

use weighlight::calibration::{Camera, CameraSide};
use weighlight::simulate::{
    Scenario, Scene, SecondViewModel, Shape, SimulatedFrame, simulate_scene,
};
use weighlight::tables::PieceRecord;

use super::recordings::{laid, measured, quiet, rows, written};

/// Four boxes at different angles under a camera at 25°.
fn boxes(second_view: Option<SecondViewModel>) -> (Scenario, Scene) {
    let mut scenario = quiet("solids", [0.4, 0.4], 320.0, 240.0);
    scenario.scanner.colour = None;
    scenario.scanner.noise_mm = 0.05;
    scenario.scanner.dropout_fraction = 0.01;
    scenario.scanner.camera = Some(Camera {
        side: CameraSide::LowY,
        angle_deg: 25.0,
    });
    scenario.scanner.second_view = second_view;
    let block = || Shape::Block {
        length_mm: 70.0,
        width_mm: 45.0,
        height_mm: 25.0,
    };
    let pieces = vec![
        laid(block(), 80.0, 60.0, 0.0),
        laid(block(), 230.0, 60.0, 0.5),
        laid(block(), 80.0, 170.0, 1.1),
        laid(block(), 230.0, 170.0, 1.5),
    ];
    (scenario, Scene { pieces })
}

fn records(frames: &[SimulatedFrame], scenario: &Scenario) -> Vec<PieceRecord> {
    let folder = written(frames);
    let calibration = scenario.calibration();
    let (found, rejected) =
        measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap();
    assert!(rejected.is_empty(), "{rejected:?}");
    rows(found)
}

#[test]
fn boxes_seen_from_both_sides_are_whole() {
    let (scenario, scene) = boxes(None);
    let one = records(
        &simulate_scene(&scenario, &scene, 1).unwrap().frames,
        &scenario,
    );
    let (scenario, scene) = boxes(Some(SecondViewModel { offset_mm: 0.2 }));
    let frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let two = records(&frames, &scenario);
    assert_eq!((one.len(), two.len()), (4, 4));
    // 70 × 45 × 25 mm.
    let errors: Vec<f64> = two.iter().map(|r| r.volume_cm3 / 78.75 - 1.0).collect();
    let mean = errors.iter().sum::<f64>() / 4.0;
    assert!(mean.abs() <= 0.001, "{errors:?}");
    assert!(errors.iter().all(|e| e.abs() <= 0.003), "{errors:?}");
    let filled = |all: &[PieceRecord]| all.iter().map(|r| r.filled_fraction).sum::<f64>();
    // What is left are cells that both cameras lost by chance, one in ten thousand.
    assert!(filled(&two) < 0.004, "{}", filled(&two));
    assert!(
        filled(&two) < filled(&one),
        "{} {}",
        filled(&two),
        filled(&one)
    );
    let folder = written(&frames);
    let calibration = scenario.calibration();
    let (found, _) = measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap();
    let views = found.views.unwrap();
    assert!((views.offset_mm - 0.2).abs() < 0.002, "{views:?}");
}

#[test]
fn how_frames_are_cut_changes_nothing_with_two_views_either() {
    let (mut scenario, scene) = boxes(Some(SecondViewModel { offset_mm: -0.1 }));
    let whole = records(
        &simulate_scene(&scenario, &scene, 2).unwrap().frames,
        &scenario,
    );
    scenario.frame_rows = 97;
    let cut = records(
        &simulate_scene(&scenario, &scene, 2).unwrap().frames,
        &scenario,
    );
    assert_eq!(whole.len(), cut.len());
    for (one, two) in whole.iter().zip(&cut) {
        assert_eq!(one.volume_cm3, two.volume_cm3);
        assert_eq!(one.area_cm2, two.area_cm2);
    }
}

#[test]
fn a_view_from_the_first_cameras_side_is_refused() {
    let (scenario, scene) = boxes(Some(SecondViewModel { offset_mm: 0.0 }));
    let frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let folder = written(&frames);
    let mut calibration = scenario.calibration();
    calibration.camera = calibration.camera.map(|camera| Camera {
        side: CameraSide::HighY,
        ..camera
    });
    let error = measured(folder.path(), &scenario.product(), Some(&calibration)).unwrap_err();
    assert!(error.to_string().contains("view.camera_side"), "{error}");
}

#[test]
fn a_view_of_something_else_is_refused() {
    let (scenario, scene) = boxes(Some(SecondViewModel { offset_mm: 8.0 }));
    let frames = simulate_scene(&scenario, &scene, 1).unwrap().frames;
    let folder = written(&frames);
    let error = measured(folder.path(), &scenario.product(), None).unwrap_err();
    assert!(
        error.to_string().contains("differ by more than 5 mm"),
        "{error}"
    );
}
