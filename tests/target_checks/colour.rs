//! The colour check on simulated target scans.

use weighlight::calibration::{Calibration, ColourCamera};
use weighlight::drift::{ColourOutcome, ColourTask, TargetPose, Verdict, check_colour};
use weighlight::scan::read_archive;
use weighlight::simulate::{Scenario, simulate_scene, target_scenario, target_scene};

use super::written::{plate, written};

/// Simulates a target scan and checks its colours with the true pose and `calibration`.
fn checked(scenario: &Scenario, calibration: &Calibration, yaw_mrad: f64) -> ColourOutcome {
    let target = plate();
    let middle_mm = [290.0, 0.5 * scenario.length_mm + 3.0];
    let (scene, corner) = target_scene(&target, middle_mm, yaw_mrad, 4);
    let folder = written(&simulate_scene(scenario, &scene, 4).unwrap());
    let archive = read_archive(&[folder.path().to_path_buf()]).unwrap();
    check_colour(&ColourTask {
        scan: &archive.recordings[0].frames[0],
        target: &target,
        pose: TargetPose {
            x_mm: corner[0],
            y_mm: corner[1],
            yaw_mrad,
        },
        pose_u_mm: [0.005, 0.005],
        errors: &scenario.scanner.errors,
        calibration: Some(calibration),
        tolerance_de00: 2.0,
    })
    .unwrap()
}

fn scenario(yaw_mrad: f64) -> Scenario {
    target_scenario(&plate(), yaw_mrad)
}

/// Looks that the shift is found, and that its uncertainty is believable.
fn assert_registration(outcome: &ColourOutcome, expected_mm: [f64; 2]) {
    let check = outcome.check.as_ref().unwrap();
    let (found, u) = (
        check.registration_mm.unwrap(),
        check.registration_u_mm.unwrap(),
    );
    for axis in 0..2 {
        let off = (found[axis] - expected_mm[axis]).abs();
        assert!(off < 0.03, "{found:?} for {expected_mm:?}");
        assert!(off < 3.0 * u[axis] && u[axis] < 0.03, "{off} with {u:?}");
    }
}

#[test]
fn a_scanner_that_is_true_is_in_tolerance_at_any_turn() {
    for yaw_mrad in [0.0, 120.0, 1700.0, -3000.0] {
        let scenario = scenario(yaw_mrad);
        let outcome = checked(&scenario, &scenario.calibration(), yaw_mrad);
        let check = outcome.check.as_ref().unwrap();
        assert_eq!(check.verdict, Verdict::InTolerance);
        assert_eq!(check.patches.len(), 8);
        assert!(check.max_de00 < 0.6, "{}", check.max_de00);
        assert!(check.corrected_max_de00.unwrap() < 0.6);
        if yaw_mrad != 0.0 {
            assert_registration(&outcome, [0.0, 0.0]);
        }
        // The flat field in truth: 15 % less at the sides.
        let flat = check.flat_field.as_ref().unwrap();
        for channel in flat {
            for (station, response) in channel.iter().enumerate() {
                let s = station as f64 / 8.0 - 1.0;
                let truth = 1.0 - 0.15 * s * s;
                assert!(
                    (response - truth).abs() < 0.025,
                    "{station}: {response} for {truth}"
                );
            }
        }
        // The matrix undoes the camera's mixing.
        let colour = outcome.calibration.unwrap();
        let truth = scenario.calibration().colour.unwrap().matrix;
        for (row, true_row) in colour.matrix.iter().zip(truth) {
            for (entry, true_entry) in row.iter().zip(true_row) {
                assert!(
                    (entry - true_entry).abs() < 0.03,
                    "{entry} for {true_entry}"
                );
            }
        }
    }
}

#[test]
fn a_colour_frame_that_moved_is_found() {
    for (dx_mm, dy_mm) in [(0.7, -0.4), (-2.3, 3.1)] {
        let mut scenario = scenario(300.0);
        let calibration = scenario.calibration();
        let registration = &mut scenario.scanner.colour.as_mut().unwrap().registration;
        registration.dx_mm += dx_mm;
        registration.dy_mm += dy_mm;
        let outcome = checked(&scenario, &calibration, 300.0);
        assert_registration(&outcome, [dx_mm, dy_mm]);
        let new = outcome.registration.unwrap();
        assert!((new.dx_mm - calibration.registration.dx_mm - dx_mm).abs() < 0.03);
        assert!(
            outcome.findings.iter().any(|f| f.contains("beside")),
            "{:?}",
            outcome.findings
        );
        // Colours are those of the patches all the same.
        assert_eq!(outcome.check.unwrap().verdict, Verdict::InTolerance);
    }
}

#[test]
fn parallax_at_the_plates_top_is_taken_out() {
    let mut scenario = scenario(300.0);
    scenario.scanner.colour.as_mut().unwrap().camera = Some(ColourCamera {
        height_mm: 900.0,
        x_mm: 40.0,
        y_mm: -60.0,
    });
    let calibration = scenario.calibration();
    assert_registration(&checked(&scenario, &calibration, 300.0), [0.0, 0.0]);
}

#[test]
fn colours_that_moved_are_out_of_tolerance_and_can_be_corrected() {
    let mut scenario = scenario(300.0);
    let calibration = scenario.calibration();
    let colour = scenario.scanner.colour.as_mut().unwrap();
    colour.response = [[0.84, 0.05, 0.0], [0.03, 0.9, 0.02], [0.0, 0.05, 0.97]];
    let outcome = checked(&scenario, &calibration, 300.0);
    let check = outcome.check.unwrap();
    assert_eq!(check.verdict, Verdict::OutOfTolerance);
    assert!(check.max_de00 > 2.5 && check.corrected_max_de00.unwrap() < 0.6);
    // White balance over the neutral patches: the camera's white is the sum of each row.
    let sums = [0.89, 0.95, 1.02];
    let balance = check.white_balance.unwrap();
    for channel in 0..3 {
        let expected = sums[1] / sums[channel];
        assert!((balance[channel] - expected).abs() < 0.01, "{balance:?}");
    }
    assert!(
        outcome.findings[0].contains("largest colour difference"),
        "{:?}",
        outcome.findings
    );
}

#[test]
fn saturated_patches_are_named_and_believed_in_nothing() {
    let mut scenario = scenario(300.0);
    let calibration = scenario.calibration();
    let colour = scenario.scanner.colour.as_mut().unwrap();
    for entry in colour.response.iter_mut().flatten() {
        *entry *= 1.35;
    }
    let outcome = checked(&scenario, &calibration, 300.0);
    let check = outcome.check.unwrap();
    assert!(check.patches[0].saturated_fraction > 0.5);
    assert!(
        outcome.findings[0].contains("saturated"),
        "{:?}",
        outcome.findings
    );
    // White itself is not in the fit, which the other seven carry.
    let matrix = check.matrix.unwrap();
    let truth = calibration.colour.unwrap().matrix;
    for (row, true_row) in matrix.iter().zip(truth) {
        for (entry, true_entry) in row.iter().zip(true_row) {
            assert!((1.35 * entry - true_entry).abs() < 0.04, "{matrix:?}");
        }
    }
    assert_ne!(check.verdict, Verdict::InTolerance);
}

#[test]
fn a_target_without_patches_or_beside_the_frame_says_so() {
    let scenario = scenario(0.0);
    let mut target = plate();
    let (scene, corner) = target_scene(&target, [290.0, 160.0], 0.0, 4);
    let folder = written(&simulate_scene(&scenario, &scene, 4).unwrap());
    let archive = read_archive(&[folder.path().to_path_buf()]).unwrap();
    let mut pose = TargetPose {
        x_mm: corner[0] + 5000.0,
        y_mm: corner[1],
        yaw_mrad: 0.0,
    };
    for says in ["no colour patch lies", "has no colour patches"] {
        let outcome = check_colour(&ColourTask {
            scan: &archive.recordings[0].frames[0],
            target: &target,
            pose,
            pose_u_mm: [0.0; 2],
            errors: &scenario.scanner.errors,
            calibration: None,
            tolerance_de00: 2.0,
        })
        .unwrap();
        assert!(outcome.check.is_none());
        assert!(outcome.findings[0].contains(says), "{:?}", outcome.findings);
        target.patches.clear();
        pose.x_mm = corner[0];
    }
}
