//! What is refused, and with which words.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use weighlight::calibration::Target;
use weighlight::drift::fit_target;

use crate::generator::{Block, Scene, drawn_scene, pose_at};
use crate::{FRESH, plate};

/// A coarse scan of a belt with the plate's errors drawn from `seed` and no target yet.
fn belt(seed: u64) -> Scene {
    let mut scene = drawn_scene(&plate(), &mut ChaCha8Rng::seed_from_u64(seed));
    scene.columns = 750;
    scene.rows = 600;
    scene.pitch = [0.8, 1.0];
    scene.targets.clear();
    scene
}

#[track_caller]
fn refused(scene: &Scene, target: &Target, wanted: &[&str]) {
    let error = fit_target(&scene.field(7), target, &FRESH).expect_err("it is wrong");
    let text = error.to_string();
    for part in wanted {
        assert!(text.contains(part), "{text:?} does not say {part:?}");
    }
    assert!(error.expected.is_some(), "{text:?} does not say what to do");
}

#[test]
fn an_empty_belt() {
    refused(
        &belt(1),
        &plate(),
        &["is not in the scan", "lay the target"],
    );
}

#[test]
fn nothing_seen_at_all() {
    let mut scene = belt(2);
    scene.dropout_fraction = 1.0;
    refused(&scene, &plate(), &["is not in the scan"]);
    scene.dropout_fraction = 0.0;
    scene.rows = 1;
    refused(&scene, &plate(), &["is not in the scan"]);
}

#[test]
fn pieces_instead_of_a_target() {
    let mut scene = belt(3);
    for (i, height_mm) in [15.0, 25.0, 32.0, 20.0, 12.0].into_iter().enumerate() {
        let at = 50.0 + 100.0 * i as f64;
        scene.blocks.push(Block {
            x: [at, at + 40.0],
            y: [60.0 + 0.3 * at, 110.0 + 0.3 * at],
            height_mm,
        });
    }
    refused(
        &scene,
        &plate(),
        &["bodies stand in the scan, but not where"],
    );
}

#[test]
fn an_upside_down_plate() {
    let mut scene = belt(4);
    scene.blocks.push(Block {
        x: [80.0, 500.0],
        y: [100.0, 360.0],
        height_mm: 44.0,
    });
    refused(&scene, &plate(), &["a bare plate", "upside down"]);
}

#[test]
fn two_targets() {
    let mut scene = belt(5);
    let target = plate();
    scene.targets = vec![
        (target.clone(), pose_at(&target, [290.0, 150.0], 0.1)),
        (target.clone(), pose_at(&target, [310.0, 430.0], 3.0)),
    ];
    refused(
        &scene,
        &target,
        &["lies twice in the scan", "take the other away"],
    );
}

#[test]
fn another_target() {
    let mut scene = belt(6);
    let scanned = plate();
    scene.targets = vec![(scanned.clone(), pose_at(&scanned, [300.0, 300.0], 1.0))];
    // The plate as seen in a mirror: the same bodies, each on the other side.
    let mut mirrored = scanned.clone();
    for frustum in &mut mirrored.frustums {
        frustum.x_mm = mirrored.plate.across_mm - frustum.x_mm;
    }
    refused(&scene, &mirrored, &["not where", "--target"]);
    // The same places, heights exchanged.
    let mut exchanged = scanned.clone();
    let count = exchanged.frustums.len();
    for (i, frustum) in exchanged.frustums.iter_mut().enumerate() {
        frustum.height_mm = scanned.frustums[(i + 3) % count].height_mm;
    }
    refused(&scene, &exchanged, &["not where"]);
}

#[test]
fn a_target_that_looks_the_same_when_turned() {
    let mut scene = belt(7);
    let mut target = plate();
    let one = target.frustums[0];
    target.frustums = [(60.0, 60.0), (360.0, 60.0), (60.0, 200.0), (360.0, 200.0)]
        .into_iter()
        .map(|(x_mm, y_mm)| weighlight::calibration::Frustum { x_mm, y_mm, ..one })
        .collect();
    scene.targets = vec![(target.clone(), pose_at(&target, [300.0, 300.0], 0.3))];
    refused(&scene, &target, &["looks the same when turned by 180°"]);
}

#[test]
fn too_few_bodies() {
    let mut target = plate();
    target.frustums.truncate(2);
    refused(&belt(8), &target, &["has 2 bodies", "three or more"]);
}

/// A target whose numbers are right in the constellation and wrong in form: one frustum 0.6 mm higher than its file says.
#[test]
fn a_wrong_number_in_the_target_file_is_named() {
    let mut scene = belt(9);
    let target = plate();
    let mut made = target.clone();
    made.frustums[3].height_mm += 0.4;
    scene.targets = vec![(made, pose_at(&target, [300.0, 300.0], 0.3))];
    let fit = fit_target(&scene.field(7), &target, &FRESH).expect("it is found");
    let note = fit.notes.iter().find(|note| note.contains("does not fit"));
    assert!(
        note.is_some_and(|note| note.contains("frustum at (380, 42)")),
        "{:?}",
        fit.notes
    );
}
