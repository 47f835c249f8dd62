//! Errors recovered from scans made independently, and the stated uncertainties.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use weighlight::calibration::{GeometricErrors, Sphere, Step, Target};
use weighlight::drift::{FitRequest, TargetFit, errors_to_list, fit_target};

use crate::generator::{Block, Scene, as_made, drawn_errors, drawn_scene, pose_at};
use crate::{FRESH, plate};

/// Largest error allowed of each, in the order of the calibration file: scales, height offset in mm, angles in mrad, bow in mm.
const LIMITS: [f64; 9] = [5e-5, 5e-5, 5e-5, 0.01, 0.1, 0.1, 0.01, 0.1, 0.1];
/// Stated uncertainties are allowed to be off by this much on a few dozen values: a normal deviate beyond it comes once in 150 000.
const FARTHEST_U: f64 = 4.5;

#[track_caller]
fn check_errors(fit: &TargetFit, truth: &GeometricErrors, limits: &[f64; 9]) {
    let (found, truth) = (errors_to_list(&fit.errors), errors_to_list(truth));
    let us = errors_to_list(&fit.errors_u);
    for i in 0..9 {
        let off = (found[i] - truth[i]).abs();
        assert!(fit.told[i], "{i}: {:?}", fit.remarks[i]);
        assert!(off < limits[i], "{i}: {} for {}", found[i], truth[i]);
        assert!(off < FARTHEST_U * us[i], "{i}: off {off}, u {}", us[i]);
    }
}

#[track_caller]
fn check_pose(fit: &TargetFit, scene: &Scene) {
    let pose = scene.targets[0].1;
    let turn = 1e-3 * (fit.pose.yaw_mrad - pose.yaw_mrad);
    assert!(
        turn.sin().abs() < 1e-3 && 0.0 < turn.cos(),
        "{:?} for {pose:?}",
        fit.pose
    );
    assert!(
        (fit.pose.x_mm - pose.x_mm).abs() < 0.1,
        "{:?} for {pose:?}",
        fit.pose
    );
    assert!(
        (fit.pose.y_mm - pose.y_mm).abs() < 0.1,
        "{:?} for {pose:?}",
        fit.pose
    );
}

#[test]
fn errors_drawn_at_random_are_recovered_at_any_turn() {
    let target = plate();
    let (mut within, mut values) = (0, 0);
    for seed in 1..=12 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let scene = drawn_scene(&target, &mut rng);
        let fit = fit_target(&scene.field(seed), &target, &FRESH).expect("it is seen");
        check_pose(&fit, &scene);
        check_errors(&fit, &scene.errors, &LIMITS);
        let (found, truth) = (errors_to_list(&fit.errors), errors_to_list(&scene.errors));
        let us = errors_to_list(&fit.errors_u);
        values += 9;
        within += (0..9)
            .filter(|&i| (found[i] - truth[i]).abs() <= 2.0 * us[i])
            .count();
        assert!(
            (fit.surface.noise_mm - 0.05).abs() < 0.005,
            "{:?}",
            fit.surface
        );
        assert!(
            (fit.surface.dropout_fraction - 0.01).abs() < 0.003,
            "{:?}",
            fit.surface
        );
        assert!(
            (0.04..0.06).contains(&fit.surface.residual_rms_mm),
            "{:?}",
            fit.surface
        );
    }
    // 95.4 % expected; 108 values scatter by 2 % of themselves, errors of one scan go together.
    let share = f64::from(within as u32) / f64::from(values);
    assert!(
        (0.87..=1.0).contains(&share),
        "{share} of {values} within 2 u"
    );
}

/// Certified lengths are off by their uncertainty: the check says so.
#[test]
fn the_certificate_is_in_the_uncertainty() {
    let target = Target {
        u_mm: Some(0.02),
        ..plate()
    };
    let exact = plate();
    let (mut within, mut values) = (0, 0);
    for seed in 21..=26 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut scene = drawn_scene(&target, &mut rng);
        scene.targets[0].0 = as_made(&target, 0.02, &mut rng);
        let field = scene.field(seed);
        let fit = fit_target(&field, &target, &FRESH).expect("it is seen");
        let bold = fit_target(&field, &exact, &FRESH).expect("it is seen");
        let (found, truth) = (errors_to_list(&fit.errors), errors_to_list(&scene.errors));
        let (us, bold_us) = (
            errors_to_list(&fit.errors_u),
            errors_to_list(&bold.errors_u),
        );
        let scan_us = errors_to_list(&fit.errors_scan_u);
        // Height scale rests on ten heights, each off by 0.02 mm: 0.02 mm over the root of the sum of their squares, 70 mm.
        assert!((2.0e-4..4.5e-4).contains(&us[2]), "{us:?}");
        // A check that takes its target as exact still sees bodies that do not fit together, but not all of it.
        assert!(2.0 * bold_us[2] < us[2], "{us:?} {bold_us:?}");
        assert!((scan_us[2] / bold_us[2] - 1.0).abs() < 1e-6);
        for i in 0..9 {
            values += 1;
            let off = (found[i] - truth[i]).abs();
            within += usize::from(off <= 2.0 * us[i]);
            assert!(off < FARTHEST_U * us[i], "{i}: off {off}, u {}", us[i]);
        }
    }
    let share = f64::from(within as u32) / f64::from(values);
    assert!(
        (0.83..=1.0).contains(&share),
        "{share} of {values} within 2 u"
    );
}

/// A smaller, coarser scan of a plate with stairs and spheres beside frustums.
#[test]
fn steps_and_spheres_are_targets_too() {
    let mut target = plate();
    target.name = "mixed".to_string();
    target.frustums.truncate(4);
    target.patches.clear();
    let step = |x_mm: f64, height_mm: f64| Step {
        x_mm,
        y_mm: 140.0,
        across_mm: 40.0,
        along_mm: 60.0,
        height_mm,
    };
    target.steps = vec![step(60.0, 8.0), step(100.0, 16.0), step(140.0, 24.0)];
    let sphere = |x_mm: f64, y_mm: f64, radius_mm: f64, centre_height_mm: f64| Sphere {
        x_mm,
        y_mm,
        radius_mm,
        centre_height_mm,
    };
    target.spheres = vec![
        sphere(260.0, 160.0, 30.0, -8.0),
        sphere(360.0, 190.0, 25.0, 0.0),
        sphere(60.0, 220.0, 20.0, -4.0),
    ];
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.targets[0].1 = pose_at(&target, [300.0, 210.0], 0.2);
    let fit = fit_target(&scene.field(5), &target, &FRESH).expect("it is seen");
    check_pose(&fit, &scene);
    check_errors(
        &fit,
        &scene.errors,
        &[1e-4, 1e-4, 1e-4, 0.02, 0.1, 0.1, 0.01, 0.1, 0.4],
    );
    let form = fit.surface.probing_form_mm.expect("spheres");
    let size = fit.surface.probing_size_mm.expect("spheres");
    // Six standard deviations of the noise hold all but 0.3 %.
    assert!((0.25..0.4).contains(&form), "{form}");
    assert!(size.abs() < 0.02, "{size}");
}

#[test]
fn half_of_a_plate_is_enough() {
    let target = plate();
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.targets[0].1 = pose_at(&target, [300.0, 210.0], 0.1);
    // A box of 60 mm over the half of it.
    scene.blocks.push(Block {
        x: [290.0, 560.0],
        y: [0.0, 420.0],
        height_mm: 60.0,
    });
    let fit = fit_target(&scene.field(31), &target, &FRESH).expect("enough is seen");
    check_pose(&fit, &scene);
    check_errors(&fit, &scene.errors, &LIMITS.map(|limit| 4.0 * limit));
    assert!(
        fit.notes
            .iter()
            .any(|note| note.contains("something lies on it")),
        "{:?}",
        fit.notes
    );
}

#[test]
fn a_plate_partly_off_the_frame_is_found() {
    let target = plate();
    let mut rng = ChaCha8Rng::seed_from_u64(32);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.targets[0].1 = pose_at(&target, [150.0, 330.0], 2.0);
    let fit = fit_target(&scene.field(32), &target, &FRESH).expect("enough is seen");
    check_pose(&fit, &scene);
    assert!(fit.surface.seen_fraction < 0.8, "{:?}", fit.surface);
}

/// A narrow low plate at the frame's side: its bow cannot be told from tilt, and the check says so instead of naming a number.
#[test]
fn what_a_scan_does_not_tell_is_said() {
    let mut target = plate();
    target.name = "narrow".to_string();
    target.patches.clear();
    target.plate.across_mm = 85.0;
    target.plate.along_mm = 200.0;
    target.frustums = vec![target.frustums[0], target.frustums[0], target.frustums[0]];
    for (frustum, (x_mm, y_mm)) in
        target
            .frustums
            .iter_mut()
            .zip([(42.0, 30.0), (42.0, 90.0), (42.0, 165.0)])
    {
        *frustum = weighlight::calibration::Frustum {
            x_mm,
            y_mm,
            ..*frustum
        };
    }
    target.frustums[2].height_mm = 18.0;
    let mut rng = ChaCha8Rng::seed_from_u64(33);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.noise_mm = 0.3;
    scene.errors.bow_mm = 0.3;
    scene.targets[0].1 = pose_at(&target, [60.0, 210.0], 0.0);
    let expected = GeometricErrors {
        bow_mm: 0.1,
        ..GeometricErrors::NONE
    };
    let request = FitRequest {
        expected,
        target_temperature_c: None,
    };
    let fit = fit_target(&scene.field(33), &target, &request).expect("it is seen");
    let (found, truth) = (errors_to_list(&fit.errors), errors_to_list(&scene.errors));
    let us = errors_to_list(&fit.errors_u);
    for i in 0..9 {
        if fit.told[i] {
            assert!((found[i] - truth[i]).abs() < FARTHEST_U * us[i], "{i}");
        } else {
            assert_eq!(found[i], errors_to_list(&expected)[i], "kept as it was");
        }
    }
    // Bow, roll and offset all tilt or lift 85 mm at the side.
    assert!(us[6] > 20.0 * 0.0007, "{us:?}");
    let remark = fit.remarks[6].as_deref().unwrap_or_default();
    assert!(
        remark.contains("roll_mrad") && remark.contains("height_offset_mm"),
        "{remark}"
    );
}

#[test]
fn the_same_scan_gives_the_same_bits_on_any_number_of_threads() {
    let target = plate();
    let mut rng = ChaCha8Rng::seed_from_u64(41);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.columns /= 2;
    scene.rows /= 2;
    scene.pitch = [0.8, 1.0];
    let field = scene.field(41);
    let fits: Vec<TargetFit> = [1, 2, 5]
        .into_iter()
        .map(|threads| {
            rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .expect("threads")
                .install(|| fit_target(&field, &target, &FRESH).expect("it is seen"))
        })
        .collect();
    assert_eq!(fits[0], fits[1]);
    assert_eq!(fits[0], fits[2]);
}

/// A warm target is longer; its temperature given, the scales are right, and without it the uncertainty says so.
#[test]
fn a_warm_target_is_longer() {
    let target = Target {
        temperature_c: Some(20.0),
        expansion_per_k: Some(23e-6),
        ..plate()
    };
    let mut rng = ChaCha8Rng::seed_from_u64(51);
    let mut scene = drawn_scene(&target, &mut rng);
    scene.errors = drawn_errors(&mut rng);
    scene.targets[0].0 = target.at_temperature(4.0).expect("it states both");
    let field = scene.field(51);
    let told = FitRequest {
        target_temperature_c: Some(4.0),
        ..FRESH
    };
    let fit = fit_target(&field, &target, &told).expect("it is seen");
    assert!((fit.errors.across_scale - scene.errors.across_scale).abs() < 2e-5);
    let blind = fit_target(&field, &target, &FRESH).expect("it is seen");
    let off = blind.errors.across_scale / scene.errors.across_scale - 1.0;
    assert!((off + 16.0 * 23e-6).abs() < 2e-5, "{off}");
    assert!(1e-4 < blind.errors_u.across_scale);
    assert!(
        blind
            .notes
            .iter()
            .any(|note| note.contains("--target-temperature-c"))
    );
}
